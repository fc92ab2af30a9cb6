"""Readings that are named: outliers at a measured rate of false alarms, repeats, pores, hours from the radar."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.geostat import gaussian_field
from yewline.ground import (
    find_outliers,
    porosity_of_bulk,
    reading_findings,
    reading_time_findings,
    repeat_sd,
    time_of_reading,
)
from yewline.model import make_readings

DAY = dt.date(2031, 5, 14)
LINES = [dt.datetime(2031, 5, 14, 9), dt.datetime(2031, 5, 14, 12, 30)]


def clean_readings(n, draw, *, layout="grid", range_m=12.0, own_sd=0.01):
    """Places and readings of an unspoilt correlated field, 40 m square."""
    field = gaussian_field((41, 41), 1.0, ranges_m=range_m, sd=0.03, seed=draw)
    if layout == "scattered":
        i, j = draw.integers(0, 41, (2, n))
    else:
        rows = int(np.ceil(np.sqrt(n if layout == "grid" else n / 4)))
        across, down = (np.linspace(0, 40, k).round().astype(int) for k in (int(np.ceil(n / rows)), rows))
        i, j = (a.ravel()[:n] for a in np.meshgrid(across, down))
    return np.column_stack([i, j]).astype(float), 0.22 + field[i, j] + own_sd * draw.standard_normal(n)


def codes(findings):
    return {finding.code: finding for finding in findings}


def test_distance_does_not_change_with_scale_place_or_level():
    xy, values = clean_readings(60, np.random.default_rng(2))
    found = find_outliers(xy, values, own_sd=0.01)
    moved = find_outliers(3.0 * xy + 100.0, 5.0 - 2.0 * values, own_sd=0.01)
    np.testing.assert_allclose(moved.distance, -found.distance, atol=1e-9)
    assert moved.limit == found.limit


def test_an_even_slope_has_no_outlier_and_one_far_value_is_the_only_one():
    x, y = (a.ravel() for a in np.meshgrid(np.arange(8.0), np.arange(6.0)))
    values = 0.15 + 0.01 * x + 0.004 * np.random.default_rng(4).standard_normal(48)
    xy = np.column_stack([x, y])
    assert not find_outliers(xy, values, own_sd=0.01).named.any()
    values[21] -= 0.12
    assert np.flatnonzero(find_outliers(xy, values, own_sd=0.01).named).tolist() == [21]


def test_readings_that_are_mostly_alike_are_measured_by_their_own_error():
    x, y = (a.ravel() for a in np.meshgrid(np.arange(6.0), np.arange(5.0)))
    values = np.full(30, 0.2)
    values[[3, 17]] = 0.22, 0.35
    found = find_outliers(np.column_stack([x, y]), values, own_sd=0.02)
    assert np.flatnonzero(found.named).tolist() == [17]
    assert found.distance[17] == pytest.approx(7.5)


def test_places_read_many_times_do_not_count_as_their_own_neighbours():
    xy = np.repeat([[0.0, 0.0], [5.0, 0.0]], 12, axis=0)
    values = np.concatenate([np.linspace(0.19, 0.21, 12), np.linspace(0.30, 0.32, 12)])
    values[0] = 0.45
    assert np.flatnonzero(find_outliers(xy, values, own_sd=0.01).named).tolist() == [0]


def test_too_few_for_neighbours_and_shapes_that_do_not_fit():
    assert find_outliers(np.zeros((11, 2)), np.zeros(11), own_sd=0.01) is None
    with pytest.raises(InputError, match="each reading needs its place"):
        find_outliers(np.zeros((12, 2)), np.zeros(13), own_sd=0.01)
    with pytest.raises(InputError, match="false_alarm must lie between"):
        find_outliers(np.zeros((12, 2)), np.zeros(12), own_sd=0.01, false_alarm=0.9)


@pytest.mark.parametrize("n", [20, 50, 200])
def test_false_alarms_on_clean_fields_are_as_many_as_stated(n):
    # 5 % of 240 clean visits is 12 ± 3.4; what layout and range add to that is in docs/studies.md.
    draw = np.random.default_rng(100 + n)
    layouts, ranges = ("grid", "lines", "scattered"), (4.0, 12.0, 40.0)
    found = [
        find_outliers(*clean_readings(n, draw, layout=layouts[k % 3], range_m=ranges[k % 9 // 3]), own_sd=0.01)
        for k in range(240)
    ]
    assert 0.015 < np.mean([each.named.any() for each in found]) < 0.10


@pytest.mark.study
def test_false_alarms_and_hits_of_outliers(capsys):
    """The table of docs/studies.md: 300 clean visits a kind, then the same with one reading 0.10 or 0.15 too high."""
    table = ["| readings | clean visits with one named | most, of 27 kinds of ground | 0.10 found | 0.15 found |"]
    table.append("|---|---|---|---|---|")
    for n in (20, 35, 50, 100, 200):
        draw = np.random.default_rng(n)
        alarms, hits = [], {0.10: [], 0.15: []}
        for layout in ("grid", "lines", "scattered"):
            for range_m in (4.0, 12.0, 40.0):
                for own_sd in (0.0, 0.01, 0.02):
                    named = []
                    for _ in range(300):
                        xy, values = clean_readings(n, draw, layout=layout, range_m=range_m, own_sd=own_sd)
                        named.append(find_outliers(xy, values, own_sd=0.02).named.any())
                        at = draw.integers(n)
                        for wrong, held in hits.items():
                            spoilt = values.copy()
                            spoilt[at] += wrong
                            held.append(find_outliers(xy, spoilt, own_sd=0.02).named[at])
                    alarms.append(np.mean(named))
        table.append(
            f"| {n} | {np.mean(alarms):.1%} | {max(alarms):.1%} | "
            f"{np.mean(hits[0.10]):.0%} | {np.mean(hits[0.15]):.0%} |"
        )
        assert 0.03 < np.mean(alarms) < 0.07
    with capsys.disabled():
        print("\n" + "\n".join(table))  # noqa: T201  (a study prints its table)


def test_repeats_give_the_error_of_a_reading():
    draw = np.random.default_rng(6)
    x = np.repeat(np.arange(200.0), 3)
    vwc = 0.2 + 0.001 * (x % 50) + 0.012 * draw.standard_normal(600)
    sd, freedom = repeat_sd(make_readings(x=x, y=0.0 * x, vwc=vwc))
    assert freedom == 400
    assert sd == pytest.approx(0.012, rel=0.1)
    assert np.isnan(repeat_sd(make_readings(x=[0.0, 1.0], y=[0.0, 0.0], vwc=[0.2, 0.3]))[0])
    deep = make_readings(x=[0.0, 0.0], y=[0.0, 0.0], vwc=[0.2, 0.3], depth_m=[0.1, 0.3])
    assert repeat_sd(deep)[1] == 0


def test_quiet_readings_are_quiet():
    xy, values = clean_readings(36, np.random.default_rng(1))
    table = make_readings(x=xy[:, 0], y=xy[:, 1], vwc=values, row=np.arange(36) + 2)
    assert reading_findings(table, own_sd=0.02, porosity=0.5) == []


def test_dry_and_wet_days_of_the_field_are_both_accepted():
    # 0.09 to 0.38 on a dry day and 0.19 to 0.50 on a wet one (common practice, no source), with 47 % pores.
    x, y = (a.ravel() for a in np.meshgrid(np.arange(6.0), np.arange(6.0)))
    for low, high in ((0.09, 0.38), (0.19, 0.50)):
        wave = np.sin(x / 2.0) * np.cos(y / 2.5)
        vwc = low + (high - low) * (wave - wave.min()) / np.ptp(wave)
        told = codes(reading_findings(make_readings(x=x, y=y, vwc=vwc), own_sd=0.02, porosity=0.51))
        assert told == {}


def test_few_alike_and_in_a_row_are_told():
    told = codes(reading_findings(make_readings(x=[0.0, 1.0, 2.0], y=[0.0, 1.0, 2.0], vwc=[0.2] * 3), own_sd=0.02))
    assert told["readings-few"].text.startswith("3 readings: fewer than 8")
    assert told["readings-alike"].text == "all 3 readings are alike"
    assert "all readings lie on one line" in told["readings-on-a-line"].text


def test_repeats_are_told_apart_from_copies():
    table = make_readings(
        x=[0.0, 0.0, 3.0, 3.0, 6.0, 6.0, 9.0, 9.0],
        y=[0.0, 0.0, 1.0, 1.0, 2.0, 2.0, 0.5, 0.5],
        vwc=[0.2, 0.2, 0.2, 0.32, 0.25, 0.38, 0.3, 0.19],
        row=range(2, 10),
    )
    told = codes(reading_findings(table, own_sd=0.02))
    assert told["readings-duplicate"].received == "row 2: 0.200 at (0, 0); row 3: 0.200 at (0, 0)"
    # Differences 0, 0.12, 0.13 and 0.11: their root mean square over √2.
    assert "own error is 0.074 m³/m³ by that (4 repeats)" in told["readings-repeated"].text
    assert told["readings-repeat-error"].received == "0.074 against 0.020 m³/m³"


def test_more_water_than_pores_is_told_with_its_rows():
    vwc = np.linspace(0.2, 0.5, 9)
    table = make_readings(x=np.arange(9.0), y=np.arange(9.0) % 3, vwc=vwc, row=np.arange(9) + 2)
    pores = porosity_of_bulk(1.4)
    assert pores == pytest.approx(1 - 1.4 / 2.65)
    told = codes(reading_findings(table, own_sd=0.02, porosity=pores))
    assert told["readings-above-porosity"].text == "1 of 9 readings hold more water than the soil has pores: 0.47"
    assert told["readings-above-porosity"].received == "row 10: 0.500 at (8, 2)"


def test_outliers_are_told_with_value_and_distance_depth_by_depth():
    xy, values = clean_readings(36, np.random.default_rng(9))
    spoilt = values.copy()
    spoilt[20] += 0.2
    table = make_readings(
        x=np.tile(xy[:, 0], 2),
        y=np.tile(xy[:, 1], 2),
        vwc=np.concatenate([values, spoilt]),
        depth_m=np.repeat([0.1, 0.3], 36),
        row=np.tile(np.arange(36) + 2, 2),
    )
    (told,) = reading_findings(table, own_sd=0.02)
    assert told.text.startswith("1 readings do not fit their neighbours (limit 3.8 robust sd)")
    assert told.received.startswith(f"row 22: {spoilt[20]:.3f} where its neighbours have 0.")
    assert "robust sd)" in told.received


@pytest.mark.parametrize(
    ("text", "when"),
    [
        ("9:05", dt.datetime(2031, 5, 14, 9, 5)),
        ("09:05:30.5", dt.datetime(2031, 5, 14, 9, 5, 30)),
        ("2031-05-13", dt.datetime(2031, 5, 13, 12)),
        ("2031-05-13T08:00:00", dt.datetime(2031, 5, 13, 8)),
        ("2031-05-13 08:00", dt.datetime(2031, 5, 13, 8)),
        (" ", None),
    ],
)
def test_times_as_people_write_them(text, when):
    assert time_of_reading(text, DAY) == when


def test_times_that_may_mean_two_days_are_not_guessed():
    told = codes(reading_time_findings(["03/04/2031", "25:00", ""], rows=[2, 3, 4], date=DAY))
    assert told["readings-time-unread"].received == "row 2: 03/04/2031, row 3: 25:00"


def test_hours_between_readings_and_radar():
    def told(times, lines=LINES):
        return codes(reading_time_findings(times, rows=range(2, 2 + len(times)), date=DAY, line_times=lines))

    assert told(["", ""])["readings-time"].grade == "assumed"
    assert told(["10:00", "14:00"])["readings-time"].text.endswith("within 1.5 h of the radar")
    late = told(["10:00", "16:30", "05:00"])["readings-late"]
    assert late.text == "2 of 3 readings were taken more than 3 hours from the radar"
    assert late.received == "up to 4.0 h; rows 3, 4"
    other = told(["2031-05-15T09:00", "10:00"], lines=())["readings-other-day"]
    assert other.text.startswith("1 of 2 readings were taken on another day")
    assert other.received == "2031-05-15; the visit is of 2031-05-14"
