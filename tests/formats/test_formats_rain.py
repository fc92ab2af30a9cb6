"""Rain by the day and by the hour: what is measured, what is not, and what is never taken for dry."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import FormatError, InputError
from yewline.formats import read_rain
from yewline.model import RainSeries


def _csv(folder: Path, text: str) -> Path:
    path = folder / "rain.csv"
    path.write_text(text)
    return path


def _told(findings, grade):
    return [finding.text for finding in findings if finding.grade == grade]


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.one_of(st.none(), st.floats(0.0, 120.0)), min_size=2, max_size=20).filter(lambda v: v[-1] is not None)
)
def test_days_come_back(tmp_path_factory, amounts):
    first = dt.date(2031, 4, 28)
    rows = [f"{first + dt.timedelta(days=i)},{'' if mm is None else repr(mm)}" for i, mm in enumerate(amounts)]
    rain, _ = read_rain(_csv(tmp_path_factory.mktemp("rain"), "date,rain_mm\n" + "\n".join(rows) + "\n"))
    np.testing.assert_array_equal(rain.rain_mm, [np.nan if mm is None else mm for mm in amounts])
    assert rain.daily
    assert str(rain.start)[:10] == "2031-04-28"


def test_inches_are_turned_and_said(tmp_path):
    rain, findings = read_rain(_csv(tmp_path, "date,rain_in\n2031-05-01,1\n2031-05-02,0.5\n"))
    assert rain.rain_mm.tolist() == [25.4, 12.7]
    assert any("inches, turned into mm" in text for text in _told(findings, "found"))


def test_blank_and_dash_are_not_measured_and_trace_is_zero(tmp_path):
    text = "date;rain_mm\n2031-05-01;2,5\n2031-05-02;-\n2031-05-03;\n2031-05-04;Trace\n2031-05-05;tr\n2031-05-06;n/a\n"
    rain, findings = read_rain(_csv(tmp_path, text))
    assert np.isnan(rain.rain_mm).tolist() == [False, True, True, False, False, True]
    assert rain.rain_mm[[0, 3, 4]].tolist() == [2.5, 0.0, 0.0]
    assert rain.missing == 3
    assert _told(findings, "assumed") == ["2 traces of rain count as 0 mm"]
    assert _told(findings, "warning") == [
        "rain was not measured on 2031-05-02 to 2031-05-03",
        "rain was not measured on 2031-05-06",
    ]


def test_missing_rows_are_gaps_and_named(tmp_path):
    rain, findings = read_rain(_csv(tmp_path, "date,rain_mm\n2031-05-01,1\n2031-05-05,0\n2031-05-06,2\n"))
    assert np.isnan(rain.rain_mm).tolist() == [False, True, True, True, False, False]
    assert _told(findings, "warning") == ["rain was not measured on 2031-05-02 to 2031-05-04"]


def test_many_gaps_are_counted(tmp_path):
    days = "".join(f"2031-{month:02d}-{day:02d},0\n" for month in (1, 2) for day in range(1, 28, 2))
    _, findings = read_rain(_csv(tmp_path, "date,rain_mm\n2030-12-30,0\n2030-12-31,0\n" + days + "2031-02-28,0\n"))
    gaps = _told(findings, "warning")
    assert len(gaps) == 11
    assert "more gaps" in gaps[-1]


def test_days_given_twice(tmp_path):
    text = "date,rain_mm\n2031-05-01,1\n2031-05-01,1.0\n2031-05-02,3\n2031-05-02,4\n2031-05-03,0\n"
    rain, findings = read_rain(_csv(tmp_path, text))
    assert rain.rain_mm[[0, 2]].tolist() == [1.0, 0.0]
    assert np.isnan(rain.rain_mm[1])
    assert "2031-05-01 is given twice, alike, in rows 2 and 3" in _told(findings, "warning")
    assert _told(findings, "fault") == [
        "2031-05-02 is given twice with different amounts, in rows 4 and 5: neither is used"
    ]


def test_hours_in_one_column_or_two(tmp_path):
    one, findings = read_rain(
        _csv(tmp_path, "date,rain_mm\n2031-05-01 00:00,1\n2031-05-01T01:00,0\n2031-05-01 03:00,2\n")
    )
    two, _ = read_rain(_csv(tmp_path, "date,time,rain_mm\n2031-05-01,0:00,1\n2031-05-01,01:00,0\n2031-05-01,03:00,2\n"))
    assert one.step_minutes == 60
    np.testing.assert_array_equal(one.rain_mm, [1.0, 0.0, np.nan, 2.0])
    np.testing.assert_array_equal(one.rain_mm, two.rain_mm)
    assert _told(findings, "warning") == ["rain was not measured on 2031-05-01 02:00"]


def test_hours_that_start_at_half_past_and_one_that_does_not(tmp_path):
    rows = "".join(f"2031-05-01 {hour:02d}:30,{hour}\n" for hour in range(6))
    rain, findings = read_rain(_csv(tmp_path, "date,rain_mm\n2031-05-01 00:10,9\n" + rows))
    assert rain.rain_mm.tolist() == [0, 1, 2, 3, 4, 5]
    assert _told(findings, "fault") == ["a time between the steps of 60 min"]


def test_a_gauge_read_each_morning_is_daily(tmp_path):
    rain, _ = read_rain(_csv(tmp_path, "date,rain_mm\n2031-05-01 09:00,1\n2031-05-02 09:00,2\n"))
    assert rain.daily
    assert str(rain.start) == "2031-05-01T00:00"


def test_workbook_and_text_alike(tmp_path):
    book = openpyxl.Workbook()
    for row in (
        ["Gauge behind the barn"],
        ["Date", "rain_mm", "note"],
        [dt.datetime(2031, 5, 1), 1.5, ""],
        ["2031-05-02", "-", "out"],
    ):
        book.active.append(row)
    book.save(tmp_path / "rain.xlsx")
    book.close()
    rain, _ = read_rain(tmp_path / "rain.xlsx")
    np.testing.assert_array_equal(rain.rain_mm, [1.5, np.nan])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("date,rain\n2031-05-01,1\n", r"there is no column 'rain_in' or 'rain_mm'"),
        ("date,rain_mm,rain_in\n2031-05-01,1,2\n", "both rain_mm and rain_in are given"),
        ("date,rain_mm,wind\n2031-05-01,1,2\n", "unknown column 'wind'"),
        ("date,rain_mm\n1.5.2031,1\n", "no usable row of rain"),
        ("date,rain_mm\n2031-05-01,1\n9031-05-02,1\n", "span more than a century"),
        ("date,rain_mm\n2031-05-01 00:00,1\n2031-05-01 00:07,1\n2031-05-01 00:14,1\n", "even part of a day"),
        ("date,rain_mm\n", "no usable row of rain"),
    ],
)
def test_tables_that_are_refused(tmp_path, text, message):
    with pytest.raises(FormatError, match=message):
        read_rain(_csv(tmp_path, text))


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("14.05.2031,3", "date is not a day"),
        ("2031-05-02T10:00+02:00,3", "date is not a day"),
        ("2031-05-02,-99", "rain_mm is below zero"),
        ("2031-05-02,2500", "more than has ever fallen in a day"),
        ("2031-05-02,much", "rain_mm is not a number"),
        ("2031-05-02,1,2,3", "more cells than the header names"),
    ],
)
def test_rows_that_are_left_out(tmp_path, row, message):
    rain, findings = read_rain(_csv(tmp_path, f"date,rain_mm\n2031-05-01,1\n{row}\n"))
    assert rain.rain_mm.tolist() == [1.0]
    assert any(message in text for text in _told(findings, "fault"))


def test_a_time_that_is_none(tmp_path):
    _, findings = read_rain(_csv(tmp_path, "date,time,rain_mm\n2031-05-01,,1\n2031-05-02,noon,1\n"))
    assert _told(findings, "fault") == ["time is not a time of day"]


@pytest.mark.parametrize(
    ("step", "amounts", "message"),
    [
        (50, [1.0], "step_minutes must divide a day"),
        (1440, [], "rain_mm must be a row of amounts"),
        (1440, [1.0, -2.0], "must not be negative"),
    ],
)
def test_series_that_cannot_be(step, amounts, message):
    with pytest.raises(InputError, match=message):
        RainSeries(np.datetime64("2031-05-01"), step, np.array(amounts))
