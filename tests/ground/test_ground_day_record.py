"""Rain before a survey, states of moisture, and what else differs between visits."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from yewline.errors import InputError
from yewline.ground import (
    STATES_CAUTION,
    Between,
    RainOptions,
    VisitConditions,
    VisitState,
    compare_conditions,
    covered_states,
    day_record,
    day_sentences,
    states_sentence,
)
from yewline.model import Conditions, RainSeries

FIRST = dt.date(2031, 3, 1)


def days(*amounts: float, start: dt.date = FIRST) -> RainSeries:
    return RainSeries(np.datetime64(start), 1440, np.array(amounts, dtype=float))


def after(rain: RainSeries) -> dt.date:
    return FIRST + dt.timedelta(days=len(rain.rain_mm))


# --- the index: identities


@given(amounts=st.lists(st.floats(0.0, 80.0), min_size=1, max_size=60), half_life=st.floats(1.0, 10.0))
@settings(max_examples=60, deadline=None)
def test_index_is_the_recursion(amounts: list[float], half_life: float) -> None:
    # Kohler & Linsley 1951 (from memory): API_t = k API_{t−1} + P_t.
    k, index = 0.5 ** (1.0 / half_life), 0.0
    for mm in amounts:
        index = k * index + mm
    rain = days(*amounts)
    record = day_record(rain, after(rain), options=RainOptions(half_life_days=half_life))
    assert record.index_mm.low == pytest.approx(index, rel=1e-9, abs=1e-9)
    assert record.index_mm.known


def test_index_against_pandas() -> None:
    # pandas' exponentially weighted mean with adjust=False is (1 − k) times the same recursion but for its first value.
    amounts = np.random.default_rng(3).gamma(0.3, 12.0, 90)
    rain = days(*amounts)
    mean = pd.Series([0.0, *amounts]).ewm(halflife=5.0, adjust=False).mean().iloc[-1]
    assert day_record(rain, after(rain)).index_mm.low == pytest.approx(mean / (1.0 - 0.5**0.2), rel=1e-10)


def test_half_life_is_one() -> None:
    wet = day_record(days(10.0), FIRST + dt.timedelta(days=1)).index_mm.low
    later = day_record(days(10.0, *[0.0] * 5), FIRST + dt.timedelta(days=6)).index_mm.low
    assert (wet, later) == pytest.approx((10.0, 5.0))


def test_the_days_own_rain_stands_apart() -> None:
    rain = days(0.0, 0.0, 30.0, 5.0)
    record = day_record(rain, FIRST + dt.timedelta(days=2))
    assert record.index_mm.low == 0.0
    assert record.on_day_mm == Between(30.0, 30.0)


@given(
    amounts=st.lists(st.floats(0.0, 100.0), min_size=40, max_size=80),
    cut=st.integers(1, 39),
    half_life=st.floats(2.0, 10.0),
)
@settings(max_examples=40, deadline=None)
def test_truncation_is_a_bound(amounts: list[float], cut: int, half_life: float) -> None:
    options = RainOptions(half_life_days=half_life, highest_daily_mm=100.0)
    rain = days(*amounts)
    whole = day_record(rain, after(rain), options=options).index_mm.low
    short = day_record(days(*amounts[cut:], start=FIRST + dt.timedelta(days=cut)), after(rain), options=options)
    assert short.index_mm.low <= whole + 1e-9
    assert whole <= short.index_mm.low + short.truncation_mm + 1e-9


@given(
    amounts=st.lists(st.floats(0.0, 100.0), min_size=5, max_size=40),
    lost=st.sets(st.integers(0, 39), max_size=6),
)
@settings(max_examples=60, deadline=None)
def test_whatever_fell_on_days_not_measured_lies_within(amounts: list[float], lost: set[int]) -> None:
    truth = days(*amounts)
    seen = np.array(amounts)
    seen[[at for at in lost if at < len(amounts)]] = np.nan
    full, part = (day_record(rain, after(truth)) for rain in (truth, days(*seen)))
    assert part.index_mm.low - 1e-9 <= full.index_mm.low <= part.index_mm.high + 1e-9
    for name in ("days_since_wet", "days_since_heavy"):
        known, between = getattr(full, name), getattr(part, name)
        assert between.low <= known.low
        assert known.high <= between.high
    for number, total in full.totals_mm.items():
        assert part.totals_mm[number].low - 1e-9 <= total.low <= part.totals_mm[number].high + 1e-9
    # A trend that is told is the true one.
    if part.trend and full.trend:
        assert part.trend == full.trend
    assert len(part.missing) == 30 - min(len(amounts), 30) + int(np.isnan(seen[-30:]).sum())


# --- days since, totals, trend


def test_days_since_and_totals() -> None:
    rain = days(*[0.0] * 30, 12.0, 0.5, 0.0, 2.0, 0.0)
    record = day_record(rain, after(rain))
    assert record.days_since_wet == Between(2.0, 2.0)
    assert record.days_since_heavy == Between(5.0, 5.0)
    assert [record.totals_mm[n].low for n in (3, 7, 30)] == pytest.approx([2.0, 14.5, 14.5])
    assert all(total.known for total in record.totals_mm.values())


def test_a_day_not_measured_is_never_dry() -> None:
    rain = days(*[0.0] * 40, 5.0, 0.0, np.nan, 0.0)
    record = day_record(rain, after(rain))
    # It may have rained two days before; for certain it did four days before.
    assert record.days_since_wet == Between(2.0, 4.0)
    assert record.totals_mm[3] == Between(0.0, math.inf)
    assert record.totals_mm[7] == Between(5.0, math.inf)
    assert record.index_mm.high == pytest.approx(record.index_mm.low + 100.0 * 0.5**0.2)
    text = " ".join(day_sentences(record))
    assert "2 to 4 days before" in text
    assert "3 days: not known, 7 days: at least 5.0 mm" in text
    assert "1 of the last 30 days was not measured in full" in text


def test_no_rain_in_the_record_is_at_least_its_length() -> None:
    record = day_record(days(*[0.0] * 12), FIRST + dt.timedelta(days=12))
    assert record.days_since_wet == Between(13.0, math.inf)
    assert record.totals_mm[30] == Between(0.0, math.inf)
    assert "at least 13 days before" in day_sentences(record)[1]


def test_a_record_that_begins_after_the_survey_knows_nothing() -> None:
    record = day_record(days(1.0, 2.0), FIRST - dt.timedelta(days=3))
    assert record.index_mm == Between(0.0, math.inf)
    assert record.index_mm.said("mm") == "not known"
    assert record.trend == ""
    assert record.on_day_mm == Between(0.0, math.inf)
    assert len(record.missing) == 30


def test_a_record_that_ends_before_the_survey_leaves_its_last_days_open() -> None:
    record = day_record(days(*[0.0] * 20, 8.0), FIRST + dt.timedelta(days=23))
    assert record.days_since_wet == Between(1.0, 3.0)
    assert record.missing[-2:] == (FIRST + dt.timedelta(days=21), FIRST + dt.timedelta(days=22))


def test_trend() -> None:
    assert day_record(days(*[0.0] * 60, 5.0), FIRST + dt.timedelta(days=61)).trend == "wetting"
    assert day_record(days(*[4.0] * 50, *[0.0] * 4), FIRST + dt.timedelta(days=54)).trend == "drying"
    # A day not measured among the last may hide a rise, an older one can only have made the fall steeper.
    fell = [4.0] * 50 + [0.0] * 4
    for lost, expected in ((52, ""), (30, "drying")):
        seen = np.array(fell)
        seen[lost] = np.nan
        assert day_record(days(*seen), FIRST + dt.timedelta(days=54)).trend == expected
    # After ten days only, rain from before the record may have been more than what fell since.
    assert day_record(days(*[0.0] * 10, 5.0), FIRST + dt.timedelta(days=11)).trend == ""


# --- the survey's hours


def hours(*amounts: float, start: str = "2031-05-14T00:00") -> RainSeries:
    return RainSeries(np.datetime64(start), 60, np.array(amounts, dtype=float))


def at(hour: int, minute: int = 0) -> dt.datetime:
    return dt.datetime(2031, 5, 14, hour, minute)


def test_rain_within_the_survey() -> None:
    amounts = np.zeros(24)
    amounts[[7, 10, 12]] = [5.0, 2.0, 1.0]
    rain = hours(*amounts)
    day = dt.date(2031, 5, 14)
    whole = day_record(rain, day, window=(at(9), at(12)))
    assert whole.in_window_mm == Between(2.0, 2.0)
    assert whole.on_day_mm == Between(8.0, 8.0)
    # Half of the hour from 12 on: up to its 1 mm.
    part = day_record(rain, day, window=(at(9), at(12, 30)))
    assert part.in_window_mm == Between(2.0, 3.0)
    assert any("Rain fell during the survey" in text for text in day_sentences(part))
    dry = day_record(rain, day, window=(at(13), at(15)))
    assert dry.in_window_mm == Between(0.0, 0.0)
    assert not any("during the survey" in text for text in day_sentences(dry))


def test_daily_rain_does_not_know_the_hour() -> None:
    record = day_record(days(*[0.0] * 40, 6.0), FIRST + dt.timedelta(days=40), window=None)
    assert record.in_window_mm == Between(0.0, 6.0)
    assert record.on_day_mm == Between(6.0, 6.0)
    day = FIRST + dt.timedelta(days=40)
    window = (dt.datetime.combine(day, dt.time(9)), dt.datetime.combine(day, dt.time(12)))
    timed = day_record(days(*[0.0] * 40, 6.0), day, window=window)
    assert timed.in_window_mm == Between(0.0, 6.0)
    assert any("Whether rain fell during the survey is not known" in text for text in day_sentences(timed))


def test_hours_make_the_same_days() -> None:
    amounts = np.random.default_rng(1).gamma(0.1, 5.0, 24 * 20)
    rain = RainSeries(np.datetime64(FIRST, "m"), 60, amounts)
    daily = days(*amounts.reshape(20, 24).sum(axis=1))
    one, other = (day_record(each, FIRST + dt.timedelta(days=20)) for each in (rain, daily))
    assert one.index_mm.low == pytest.approx(other.index_mm.low, rel=1e-12)
    amounts[5] = np.nan
    holed = day_record(RainSeries(np.datetime64(FIRST, "m"), 60, amounts), FIRST + dt.timedelta(days=20))
    assert FIRST in holed.missing
    assert not holed.index_mm.known


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: RainOptions(half_life_days=0.0), "half_life_days must lie between"),
        (lambda: RainOptions(wet_day_mm=0.0), "wet_day_mm must be greater than zero"),
        (
            lambda: day_record(hours(0.0), dt.date(2031, 5, 14), window=(at(12), at(9))),
            "window ends before it begins",
        ),
        (lambda: day_record(hours(0.0), dt.date(2031, 5, 15), window=(at(9), at(12))), "window is on another day"),
        (lambda: covered_states([]), "there are no visits"),
        (lambda: covered_states([VisitState("a", 0.2, 0.01)] * 2), "a visit is given twice"),
        (lambda: VisitState("a", 20.0, 0.01), "level_vwc must lie between 0 and 0.6"),
        (lambda: compare_conditions([]), "a comparison needs two visits or more"),
    ],
)
def test_what_cannot_be_is_refused(call: object, message: str) -> None:
    with pytest.raises(InputError, match=message):
        call()  # type: ignore[operator]


# --- states covered


def test_quarters_and_what_would_add_most() -> None:
    visits = [
        VisitState("a", 0.12, 0.01, 0.04, "drying"),
        VisitState("b", 0.33, 0.01, 0.02, "drying"),
        VisitState("c", 0.31, 0.01, 0.03, "drying"),
    ]
    states = covered_states(visits)
    assert states.split_vwc == pytest.approx(0.225)
    assert states.covered == {("dry", "drying"): ("a",), ("wet", "drying"): ("b", "c")}
    assert states.empty == (("dry", "wetting"), ("wet", "wetting"))
    # Dry and wetting differs from the two wet ones in two factors, from the dry one in one: 5 against 4.
    assert states.next_states == (("dry", "wetting"),)
    assert not states.replicate
    assert states.variability_vwc == (0.02, 0.04)
    text = states_sentence(states)
    assert "one more visit on dry and wetting ground would add most" in text
    assert text.endswith("based on this site's own visits; literature disagrees across soils.")


def test_all_quarters_covered_ask_for_the_emptiest() -> None:
    visits = [
        VisitState(f"v{i}", level, 0.005, trend=trend)  # type: ignore[arg-type]
        for i, (level, trend) in enumerate(
            [(0.1, "drying"), (0.1, "wetting"), (0.3, "drying"), (0.3, "wetting"), (0.3, "wetting")]
        )
    ]
    states = covered_states(visits)
    assert states.empty == ()
    assert ("wet", "wetting") not in states.next_states
    assert states.next_states == (("dry", "drying"),)


def test_levels_that_are_not_told_apart_cover_nothing() -> None:
    states = covered_states([VisitState("a", 0.20, 0.03, trend="drying"), VisitState("b", 0.23, 0.03, trend="wetting")])
    assert not states.apart
    assert states.covered == {}
    assert "not told apart" in states_sentence(states)
    assert states_sentence(states).endswith(f"{STATES_CAUTION}.")


def test_a_visit_without_rain_on_record_is_not_placed() -> None:
    states = covered_states([VisitState("a", 0.10, 0.01, trend="drying"), VisitState("b", 0.30, 0.01)])
    assert states.unplaced == ("b",)
    assert "not known for b" in states_sentence(states)


def test_a_visit_close_to_the_split_is_named() -> None:
    visits = [VisitState("a", 0.1, 0.01, trend="drying"), VisitState("m", 0.2, 0.01, trend="drying")]
    states = covered_states([*visits, VisitState("b", 0.31, 0.01, trend="drying")])
    assert states.near_split == ("m",)


@given(
    levels=st.lists(st.floats(0.0, 0.6), min_size=1, max_size=6),
    trends=st.lists(st.sampled_from(["wetting", "drying", ""]), min_size=6, max_size=6),
)
@settings(max_examples=50, deadline=None)
def test_no_text_names_a_season(levels: list[float], trends: list[str]) -> None:
    visits = [VisitState(f"v{i}", level, 0.02, trend=trends[i]) for i, level in enumerate(levels)]  # type: ignore[arg-type]
    states = covered_states(visits)
    text = states_sentence(states)
    assert text.endswith(f"{STATES_CAUTION}.")
    assert not any(word in text.lower() for word in ("spring", "summer", "autumn", "winter", "season", "best"))
    placed = sum(len(names) for names in states.covered.values())
    assert placed + len(states.unplaced) == len(visits)
    assert states.next_states


# --- confounders


def visit(name: str, level: float, day: int, **conditions: object) -> VisitConditions:
    return VisitConditions(name, FIRST + dt.timedelta(days=day), level, Conditions(**conditions))  # type: ignore[arg-type]


def status(visits: list[VisitConditions]) -> dict[str, str]:
    return {each.name: each.status for each in compare_conditions(visits)}


def test_two_visits_cannot_part_anything_that_differs() -> None:
    found = status([visit("dry", 0.1, 0, crew="A", frost=False), visit("wet", 0.3, 40, crew="B", frost="No")])
    assert found["crew"] == "confounded"
    assert found["order"] == "confounded"
    assert found["frost"] == "same"
    assert found["leaf_cover"] == "unknown"


def test_a_crossed_condition_is_not_confounded() -> None:
    visits = [
        visit("a", 0.10, 0, crew="A", leaf_cover="none"),
        visit("b", 0.30, 10, crew="A", leaf_cover="full"),
        visit("c", 0.12, 20, crew="B", leaf_cover="none"),
        visit("d", 0.31, 30, crew="B", leaf_cover="Full"),
    ]
    found = status(visits)
    assert found["crew"] == "differs"
    assert found["leaf_cover"] == "confounded"
    assert found["order"] == "differs"


def test_heights_along_with_moisture() -> None:
    grow = [
        visit(n, v, d, grass_height_m=h) for n, v, d, h in (("a", 0.1, 0, 0.05), ("b", 0.2, 9, 0.2), ("c", 0.3, 5, 0.4))
    ]
    assert status(grow)["grass_height_m"] == "confounded"
    mown = [
        visit(n, v, d, grass_height_m=h) for n, v, d, h in (("a", 0.1, 0, 0.3), ("b", 0.2, 9, 0.05), ("c", 0.3, 5, 0.3))
    ]
    assert status(mown)["grass_height_m"] == "differs"
    even = [visit(n, v, d, grass_height_m=h) for n, v, d, h in (("a", 0.1, 0, 0.05), ("b", 0.3, 9, 0.08))]
    assert status(even)["grass_height_m"] == "same"


def test_settings_of_its_own_set_a_visit_apart() -> None:
    found = status([visit("a", 0.1, 0, settings_same="yes"), visit("b", 0.3, 9, settings_same="no")])
    assert found["settings_same"] == "confounded"
    assert (
        status([visit("a", 0.1, 0, settings_same=True), visit("b", 0.3, 9, settings_same=True)])["settings_same"]
        == "same"
    )


def test_words_are_plain_and_what_matters_comes_first() -> None:
    table = compare_conditions([visit("dry", 0.1, 0, crew="A"), visit("wet", 0.3, 40, crew="B")])
    assert table[0].words == "Crew: changed with the moisture (dry: A, wet: B); the two cannot be told apart."
    assert [each.status for each in table] == sorted(
        (each.status for each in table), key=["confounded", "unknown", "differs", "same"].index
    )
    assert any(each.words == "Frost in the ground: not known for dry, wet; fill in [conditions]." for each in table)


def test_conditions_are_checked() -> None:
    assert Conditions(frost=True).frost == "yes"
    assert Conditions().frost == "unknown"
    for bad in ({"frost": "maybe"}, {"grass_height_m": 30}, {"snow": "yes"}):
        with pytest.raises(ValidationError):
            Conditions(**bad)  # type: ignore[arg-type]
