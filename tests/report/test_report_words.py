from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace

import numpy as np
import pytest
from statsmodels.stats.proportion import proportion_confint

from yewline.accuracy.result import Proportion
from yewline.report.history import burial_distances, burial_table
from yewline.report.sentences import (
    absence_sentence,
    answer_lead,
    chance_sentence,
    limits,
    not_concluded,
    precision_sentence,
    recall_sentence,
    room_words,
)
from yewline.report.tables import hotspot_table, overview_table
from yewline.report.words import (
    CAUTIONS,
    count,
    date_words,
    day_words,
    depth_label,
    metres,
    moisture_rank,
    moisture_sentence,
    number,
    one_in,
    p_value,
    short_name,
    slice_error_m,
)


def with_score(visit, **changes):
    return replace(visit, score=replace(visit.score, **changes))


def with_shift(visit, **changes):
    item = visit.score.hotspot_to_burial
    return with_score(visit, hotspot_to_burial=replace(item, shift=replace(item.shift, **changes)))


def test_recall_is_told_in_natural_frequencies(site):
    sentence = recall_sentence(site, site.visits[0])
    assert sentence.startswith(
        "Of 23 known burials inside the surveyed ground, 15 were matched by a hotspot on the drier day "
        "(12 January 2030)."
    )
    low, high = proportion_confint(15, 23, method="wilson")  # statsmodels
    assert f"anything from {100 * low:.0f} to {100 * high:.0f} in 100" in sentence


@pytest.mark.parametrize(("k", "n", "text"), [(1, 1, "Of 1 known burial inside"), (0, 7, "0 were matched")])
def test_recall_minds_singular_and_nothing(site, k, n, text):
    visit = with_score(site.visits[0], recall=Proportion(k / n, 0.0, 1.0, k, n))
    assert text in recall_sentence(site, visit)


def test_a_rate_that_cannot_be_given_says_why(site):
    visit = with_score(
        site.visits[0], recall=Proportion(None, None, None, 0, 0, "no known burial lies on covered ground")
    )
    assert recall_sentence(site, visit).endswith("cannot be said: no known burial lies on covered ground.")
    visit = with_score(site.visits[0], precision=Proportion(None, None, None, 0, 0, ""))
    assert precision_sentence(visit).endswith("cannot be said: no ground was opened under them.")


def test_distance_stands_beside_chance(site):
    sentence = chance_sentence(site.visits[0])
    item = site.visits[0].score.hotspot_to_burial
    assert metres(item.mean_m) in sentence
    assert metres(item.shift.expected_m) in sentence
    assert "No shift of the pattern came as close; with room for about 60 separate shifts the smallest p is" in sentence
    assert sentence.endswith("closer to the burials than chance explains well.")


@pytest.mark.parametrize(
    ("p", "smallest", "end"),
    [
        (0.30, 0.001, "no closer to the burials than chance can explain."),
        (0.30, 0.20, "too little room to tell the hotspots from chance, so nothing follows."),
        (0.004, 0.001, "than chance explains well."),
    ],
)
def test_the_verdict_follows_p_and_the_room_there_was(site, p, smallest, end):
    assert chance_sentence(with_shift(site.visits[0], p=p, smallest_p=smallest)).endswith(end)


def test_no_chance_level_says_why(site):
    assert "cannot be said: the area is too small" in chance_sentence(
        with_shift(site.visits[0], p=None, expected_m=None, why="the area is too small")
    )
    item = replace(site.visits[0].score.hotspot_to_burial, shift=None)
    assert "it was not worked out" in chance_sentence(with_score(site.visits[0], hotspot_to_burial=item))


def test_without_hotspots_or_burials_the_sentences_still_stand(synthetic, site):
    blank, unknown = synthetic.without_hotspots(site), synthetic.without_burials(site)
    assert chance_sentence(blank.visits[0]) == "Distances cannot be given: there are no hotspots."
    assert chance_sentence(unknown.visits[0]) == precision_sentence(unknown.visits[0]) == ""
    assert recall_sentence(unknown, unknown.visits[0]).startswith("No burials are known here")
    assert "0 were matched" in recall_sentence(blank, blank.visits[0])
    assert "is not known" in absence_sentence(unknown)
    assert any("no burials are known" in item for item in not_concluded(unknown))


def test_absence_gives_the_sites_own_figures(site):
    sentence = absence_sentence(site)
    assert sentence.startswith("No response does not mean no grave.")
    assert "15 of 23 on 12 January 2030 and 16 of 23 on 12 April 2030" in sentence
    assert sentence.endswith("The others lie in ground that looked quiet.")
    whole = tuple(with_score(v, recall=Proportion(1.0, 0.8, 1.0, 9, 9)) for v in site.visits)
    assert "The others" not in absence_sentence(replace(site, visits=whole))


def test_below_five_visits_nothing_is_said_of_moisture(synthetic, site):
    assert any("below five visits this report makes no claim about moisture" in item for item in not_concluded(site))
    assert any("one visit only" in item for item in not_concluded(replace(site, visits=site.visits[:1])))
    many = replace(site, visits=site.visits * 3)
    assert not any("moisture" in item for item in not_concluded(many))


def test_unopened_ground_is_named(site):
    none = Proportion(None, None, None, 0, 0, "no ground was opened")
    visits = tuple(with_score(v, precision=none) for v in site.visits)
    assert any("was not opened" in item for item in not_concluded(replace(site, visits=visits)))


def test_the_rank_of_a_day_by_its_readings(synthetic, site):
    dry, wet = site.visits
    assert (moisture_rank(site, dry), moisture_rank(site, wet)) == ("the drier", "the wetter")
    third = replace(wet, moisture=replace(wet.moisture, mean=0.2))
    three = replace(site, visits=(dry, third, wet))
    assert [moisture_rank(three, visit) for visit in three.visits] == ["the driest", "", "the wettest"]
    assert day_words(three, third) == "on 12 April 2030"
    assert moisture_rank(replace(site, visits=(dry,)), dry) == ""
    assert moisture_rank(synthetic.without_readings(site), replace(dry, moisture=None)) == ""


def test_moisture_in_plain_words(site):
    assert moisture_sentence(site.visits[0]).startswith(
        "In the top 0.12 m, 14 % of the ground was water on average (40"
    )
    assert "No moisture readings" in moisture_sentence(replace(site.visits[0], moisture=None))


def test_limits_name_what_was_left_out_and_how_depth_was_found(synthetic, site):
    out = limits(replace(synthetic.without_readings(site), area_assumed=True))
    text = " ".join(out)
    assert "2 known burials lie outside the covered ground and are not counted." in text
    assert "hull of the lines" in text
    assert "not measured" in text
    assert "depths rest on a velocity that was taken from: moisture readings, Topp relation." in text
    assert sum("One burial lies outside" in item for item in out) == 1  # said once, for both days


def test_depth_labels_carry_the_half_width_of_the_interval(site):
    visit = site.visits[0]
    assert depth_label(visit, visit.chosen) == "0.60–0.80 m ± 0.07"
    blank = replace(visit, slices=visit.slices.assign(depth_error=visit.slices["depth_error"] * np.nan))
    assert depth_label(blank, 0) == "0.20–0.40 m"
    assert slice_error_m(blank, 0) is None


@pytest.mark.parametrize(
    ("value", "text"), [(None, "–"), (math.nan, "–"), (math.inf, "–"), (-0.001, "0.00"), (-1.5, "−1.50"), (0, "0.00")]
)
def test_numbers(value, text):
    assert number(value) == text


def test_small_words():
    assert [count(n, "line") for n in (0, 1, 2, 3000)] == ["no lines", "1 line", "2 lines", "3,000 lines"]
    assert count(2, "survey of a city") == "2 survey of a cities"
    assert one_in(0.997) == "nearly all"
    assert one_in(0.16) != one_in(0.25)
    assert one_in(math.nan) == "unknown"
    assert p_value(math.nan) == "–"
    assert p_value(1.0) == "1.00"
    assert short_name("abcdefghijklmnop", 6) == "abcde…"
    assert date_words(dt.date(2031, 12, 1)) == "1 December 2031"


def test_nothing_says_that_a_grave_was_found(site):
    words = [answer_lead(site), *not_concluded(site), *limits(site), *(text for _, text in CAUTIONS)]
    words += [f(site, v) for v in site.visits for f in (recall_sentence,)] + [chance_sentence(v) for v in site.visits]
    text = " ".join(words).lower()
    assert "grave-like" in text
    for never in ("grave found", "graves found", "found a grave", "body", "bodies", "remains found"):
        assert never not in text


def test_the_overview_sets_the_visits_side_by_side(synthetic, site):
    table = overview_table(site)
    assert table.heads[1:] == tuple(visit.name for visit in site.visits)
    rows = {row[0].text: row[1:] for row in table.rows}
    assert rows["Known burials matched"][0].text == "15 of 23"
    assert rows["Known burials matched"][0].note == "0.65 (0.45 to 0.81); chance level: not worked out"
    # 1.6449 standard deviations are the half-width of a normal 90 % interval.
    assert rows["Wave velocity"][0].text == "0.1120 ± 0.0099 m/ns"
    assert "chance 2." in rows["Hotspot to burial"][0].note
    assert all(len(row) == 3 for row in table.rows)
    unknown = {row[0].text for row in overview_table(synthetic.without_burials(site)).rows}
    assert "Known burials matched" not in unknown
    blank = {row[0].text: row[1] for row in overview_table(synthetic.without_hotspots(site)).rows}
    assert (blank["Hotspot to burial"].text, blank["Hotspot to burial"].note) == ("–", "there are no hotspots")
    half = replace(site, visits=(site.visits[0], replace(site.visits[1], score=None, moisture=None)))
    mixed = {row[0].text: row[2] for row in overview_table(half).rows}
    assert mixed["Known burials matched"].note == mixed["Hotspot to burial"].note == "no known burials"
    assert mixed["Soil moisture"].note == "no readings"
    lost = with_shift(site.visits[0], expected_m=None, why="the area is too small")
    table = overview_table(replace(site, visits=(lost,)))
    assert {row[0].text: row[1] for row in table.rows}[
        "Hotspot to burial"
    ].note == "chance level: the area is too small"


def test_every_burial_has_its_history(synthetic, site):
    table = burial_table(site)
    assert len(table.rows) == 25
    for row, name in zip(table.rows, site.burials["burial"], strict=True):
        assert row[0].text == name
    for k, visit in enumerate(site.visits):
        kinds = [row[2 + k].kind for row in table.rows]
        assert kinds.count("yes") == visit.score.recall.k
        assert kinds.count("out") == int((~visit.score.eligible).sum())
    assert burial_table(synthetic.without_burials(site)) is None
    half = replace(site, visits=(site.visits[0], replace(site.visits[1], score=None)))
    assert {row[3].note for row in burial_table(half).rows} == {"not scored"}
    nothing = burial_table(synthetic.without_hotspots(site))
    assert {row[2].note for row in nothing.rows if row[2].kind == "no"} == {"no hotspot"}


def test_a_match_beyond_the_covered_ground_is_told_but_not_counted(site):
    visit = site.visits[0]
    outside = int(np.flatnonzero(~visit.score.eligible)[0])
    odd = with_score(visit, matches=np.array([[0, outside]]), match_distance_m=np.array([0.1]))
    cell = burial_table(replace(site, visits=(odd,))).rows[outside][2]
    assert (cell.text, cell.kind) == ("near H01", "out")


def test_distances_of_eligible_burials_only_are_put_in_their_places(site):
    visit = site.visits[0]
    item = visit.score.burial_to_hotspot
    some = replace(item, distance_m=item.distance_m[visit.score.eligible])
    spread = burial_distances(with_score(visit, burial_to_hotspot=some), 25)
    assert np.isnan(spread).sum() == int((~visit.score.eligible).sum())
    np.testing.assert_array_equal(spread[visit.score.eligible], item.distance_m[visit.score.eligible])
    assert np.isnan(burial_distances(replace(visit, score=None), 3)).all()


def test_every_hotspot_is_listed_with_its_burial(synthetic, site):
    visit = site.visits[0]
    table = hotspot_table(site, visit)
    assert len(table.rows) == len(visit.scored)
    assert sum(row[7].kind == "yes" for row in table.rows) == len(visit.score.matches)
    assert all(len(row) == len(table.heads) for row in table.rows)
    unknown = synthetic.without_burials(site)
    plain = hotspot_table(unknown, unknown.visits[0])
    assert "Match" not in plain.heads
    assert all(len(row) == len(plain.heads) for row in plain.rows)
    blank = synthetic.without_hotspots(site)
    assert hotspot_table(blank, blank.visits[0]) is None


@pytest.mark.parametrize(
    ("sample", "draws", "p", "smallest", "words"),
    [
        (
            [2.0] * 99,
            99,
            1 / 24,
            1 / 24,
            "No shift of the pattern came as close; with room for about 24 separate shifts",
        ),
        ([2.0] * 99, 99, 0.01, 0.01, "None of 99 shifts came as close (p = 0.010)"),
        ([0.5] * 20 + [2.0] * 79, 99, 0.21, 0.01, "About 20 in 100 such shifts came as close (p = 0.21)"),
        ([0.5] * 20 + [2.0] * 79, 99, 0.28, 0.1, "(p = 0.28; with room for about 10 separate shifts the"),
        ([], 99, None, None, ""),
    ],
)
def test_what_p_rests_on_is_what_the_draws_gave(site, sample, draws, p, smallest, words):
    null = replace(
        site.visits[0].score.hotspot_to_burial.shift,
        sample_m=np.array(sample, dtype=float), draws=draws, p=p, smallest_p=smallest, observed_m=1.0,
    )  # fmt: skip
    assert words in room_words(null)
    if not words:
        assert room_words(null) == ""


def test_one_hotspot_has_a_distance_and_no_average(site):
    item = site.visits[0].score.hotspot_to_burial
    one = replace(item, distance_m=np.array([0.17]), mean_m=0.17, low_m=None, high_m=None)
    visit = with_score(site.visits[0], hotspot_to_burial=one)
    sentence = chance_sentence(visit)
    assert sentence.startswith("From the one hotspot's middle to the middle of the nearest known burial it was 0.17 m;")
    assert "average" not in sentence
    rows = {row[0].text: row[1] for row in overview_table(replace(site, visits=(visit,))).rows}
    assert rows["Hotspot to burial"].text == "0.17 m (no interval)"


def test_luck_stands_beside_recall_in_words(site):
    visit = with_score(site.visits[0], chance_recall=0.213)
    assert recall_sentence(site, visit).endswith("laid elsewhere would match about 21 in 100 by luck.")
    assert "by luck" not in recall_sentence(site, with_score(visit, chance_recall=None))


def test_one_meaning_of_plus_minus_in_the_overview(site):
    rows = {row[0].text: row for row in overview_table(site).rows}
    assert "±" not in rows["Soil moisture"][1].text
    assert "±" in rows["Wave velocity"][1].text
    assert "half-width of its 90 % interval" in rows["Wave velocity"][0].note


@pytest.mark.parametrize(("share", "said"), [(0.33, "only 33 % of the ground"), (0.8, ""), (None, "")])
def test_a_small_burial_zone_qualifies_the_verdict(site, share, said):
    """Hotspots that merely keep to the zone of burials give a small p as well."""
    sentence = chance_sentence(with_shift(site.visits[0], p=0.001, smallest_p=0.0001, zone_share=share))
    assert "than chance explains well" in sentence
    assert ("merely keep to that part" in sentence) == bool(said)
    assert said in sentence
