"""Rain, conditions and the wave through a run: read, hashed, told; and what faults in their files come to."""

from __future__ import annotations

import datetime as dt
import math
import re
import shutil
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from yewline.export import write_results
from yewline.geostat import FAMILIES, correlation
from yewline.ground import Between, moisture_posterior, summarise_moisture
from yewline.model import Antenna, VelocityField, VisitSettings, make_readings
from yewline.report import write_report
from yewline.workspace import DEMO_SEED, check_site, open_site, run_site
from yewline.workspace.demo_files import write_rain
from yewline.workspace.demo_scene import demo_days
from yewline.workspace.demo_survey import demo_rain
from yewline.workspace.inputs import hash_inputs
from yewline.workspace.results import run_schema
from yewline.workspace.site import Site, Visit, read_site
from yewline.workspace.stage_day import VisitMoisture, site_confounders, site_states, visit_days
from yewline.workspace.stage_moisture import moisture_figures
from yewline.workspace.stage_wave import _CORRELATION_LENGTH, at_mean, visit_wave

EARLY, LATE = dt.date(2031, 4, 1), dt.date(2031, 10, 1)


def daily(first: dt.date, last: dt.date, rain: dict[dt.date, float]) -> str:
    days = [first + dt.timedelta(days=n) for n in range((last - first).days + 1)]
    return "date,rain_mm\n" + "".join(f"{day},{rain.get(day, 0.0)}\n" for day in days)


def of_both_visits(**later: float) -> str:
    """Rain from February to October: none for weeks before the early visit, soaked before the late one."""
    soaked = {LATE - dt.timedelta(days=n): 12.0 for n in (1, 2, 4)}
    return daily(dt.date(2031, 2, 1), LATE, {dt.date(2031, 3, 2): 15.0, **soaked})


def small_site(root: Path, *, dates: tuple[dt.date, ...] = (EARLY,)) -> Site:
    """Settings only: what rain needs."""
    root.mkdir()
    (root / "site.toml").write_text('name = "Hand-made"\n')
    for date in dates:
        folder = root / "visits" / f"{date:%Y-%m}"
        folder.mkdir(parents=True)
        (folder / "visit.toml").write_text(f"date = {date}\n[antenna]\ncentre_mhz = 400\n")
    return read_site(root)


# --- wired


def two_visits(root: Path) -> None:
    day, later = root / "visits" / "day", root / "visits" / "later"
    shutil.copytree(day, later)
    text = (day / "visit.toml").read_text()
    for folder, date, leaves in ((day, EARLY, "none"), (later, LATE, "full")):
        settings = text.replace("2031-04-01", str(date))
        told = (
            f'[conditions]\nfrost = false\ncrew = "A and B"\nleaf_cover = "{leaves}"\n[readings]\nsensor = "probe 1"\n'
        )
        (folder / "visit.toml").write_text(settings + told)
    rows = (day / "readings.csv").read_text().splitlines()
    wetter = [f"{x},{y},{float(v) + 0.1:.4f}" for x, y, v in (row.split(",") for row in rows[1:])]
    (later / "readings.csv").write_text("\n".join([rows[0], *wetter]) + "\n")
    (root / "rain.csv").write_text(of_both_visits())


def run(root: Path):
    return run_site(open_site(root), export=write_results, report=write_report)


def test_rain_conditions_and_wave_go_from_file_to_report(text_site: Path) -> None:
    two_visits(text_site)
    outcome = run(text_site)
    jsonschema.validate({**outcome.figures, "report": "r", "seconds": 1.0}, run_schema())
    early, late = outcome.figures["visits"]
    assert early["day"]["days_since_wet"] == {"low": 30.0, "high": 30.0}
    assert early["day"]["trend"] == "drying"
    assert late["day"]["totals_mm"]["7_days"] == {"low": 36.0, "high": 36.0}
    assert late["day"]["trend"] == "wetting"
    # By hand: 12 mm one, two and four days before, halved every five days.
    assert late["day"]["index_mm"]["low"] == pytest.approx(12 * (1 + 0.5**0.2 + 0.5**0.6), abs=1e-3)
    for visit in (early, late):
        # The velocity of the table is the one that depths rest on.
        assert visit["wave"]["velocity_m_per_ns"]["value"] == pytest.approx(visit["velocity_m_per_ns"]["mean"])
        assert visit["wave"]["moisture"] == pytest.approx(visit["moisture"]["level"]["mean"]["value"])
        assert visit["wave"]["moisture_from"] == "readings"
    assert late["wave"]["wavelength_m"]["value"] < early["wave"]["wavelength_m"]["value"]
    assert late["wave"]["attenuation_db_per_m"]["value"] > early["wave"]["attenuation_db_per_m"]["value"]
    states = {(each["level"], each["trend"]): each["visits"] for each in outcome.figures["states"]["covered"]}
    assert states == {("dry", "drying"): ["day"], ("wet", "wetting"): ["later"]}
    status = {each["name"]: each["status"] for each in outcome.figures["confounders"]}
    assert (status["leaf_cover"], status["crew"], status["irrigation"]) == ("confounded", "same", "unknown")
    page = outcome.report.read_text()
    for words in ("Rain before each visit", "The wave in the ground", "dry and drying (day)", "Leaf cover"):
        assert words in page
    for name in ("wave", "day"):
        rows = (text_site / "results" / "tables" / f"{name}.csv").read_text().splitlines()
        assert len(rows) == {"wave": 7, "day": 3}[name]

    # A change of rain makes the report again, and no line, velocity or volume; the site's table or a visit's.
    (text_site / "rain.csv").write_text(of_both_visits().replace("2031-09-30,12.0", "2031-09-30,2.0"))
    outcome = run(text_site)
    assert outcome.made == ("export", "report")
    assert outcome.figures["visits"][1]["day"]["totals_mm"]["7_days"]["low"] == 26.0
    (text_site / "visits" / "day" / "rain.csv").write_text("date,rain_mm\n2031-03-30,-3\n")
    outcome = run(text_site)
    assert outcome.made == ("export", "report")
    # The visit's own table goes first; where it cannot be used, nothing quietly takes its place.
    assert outcome.figures["visits"][0]["day"]["why"] == "no rain on record"
    assert outcome.figures["visits"][1]["day"]["totals_mm"]["7_days"]["low"] == 26.0
    page = outcome.report.read_text()
    assert "no usable row of rain" in page
    assert "No rain is on record for day" in page


def test_without_rain_or_conditions_the_page_says_what_to_add(text_site: Path) -> None:
    outcome = run(text_site)
    (visit,) = outcome.figures["visits"]
    assert visit["day"]["why"] == "no rain on record"
    assert visit["wave"]["wavelength_m"]["value"] == pytest.approx(visit["velocity_m_per_ns"]["mean"] / 0.4)
    assert outcome.figures["states"]["why"] == "fewer than two visits have readings"
    assert outcome.figures["confounders"] == []
    page = outcome.report.read_text()
    assert "Put a table rain.csv with the columns date and rain_mm" in page
    assert "Moisture was read on 1 visit" in page


# --- files of rain


def test_every_table_of_rain_is_hashed_and_none_is_a_stray(tmp_path: Path) -> None:
    site = small_site(tmp_path / "site")
    (site.root / "rain.csv").write_text(of_both_visits())
    (site.visits[0].path / "rain.xlsx").write_bytes(b"not a workbook")
    assert {"rain.csv", "visits/2031-04/rain.xlsx"} <= set(hash_inputs(site))
    assert site.strays() == []
    days, findings = visit_days(site, {})
    assert days == {}
    faults = [(f.code, f.visit, site.inside(f).where) for f in findings if f.grade == "fault"]
    assert faults == [("rain-left-out", "2031-04", "visits/2031-04/rain.xlsx")]
    assert [f.code for f in findings if f.grade == "warning"] == ["rain-not-used"]


@pytest.mark.parametrize(
    ("table", "code", "text", "do"),
    [
        ("date,rain_mm\n", "rain-left-out", "no row|no usable row|empty", ""),
        ("day,rain\n2031-03-01,2\n", "rain-left-out", "date", ""),
        ("date,rain_mm,rain_in\n2031-03-01,2,1\n", "rain-left-out", "both rain_mm and rain_in", "keep one"),
        ("date,rain_mm\n2031-03-01,2\n03/04/2031,1\n", "rain-row", "date is not a day", "2031-05-14"),
        ("date,rain_mm\n2031-03-01,2\n2031-03-02,-1\n", "rain-row", "below zero", "blank"),
        ("date,rain_mm\n2031-03-01,2\n2031-03-01,5\n2031-03-02,1\n", "rain-twice", "neither is used", "remove one"),
    ],
)
def test_a_fault_of_the_table_is_said_once_in_plain_words(
    tmp_path: Path, table: str, code: str, text: str, do: str
) -> None:
    site = small_site(tmp_path / "site", dates=(EARLY, LATE))
    (site.root / "rain.csv").write_text(table)
    faults = [finding for finding in visit_days(site, {})[1] if finding.grade == "fault"]
    assert [finding.code for finding in faults] == [code]
    assert re.search(text, faults[0].text)
    assert do in faults[0].do
    assert site.inside(faults[0]).where.startswith("rain.csv")
    assert any(finding.code == code for finding in check_site(site).findings)


def test_two_tables_of_rain_are_refused(tmp_path: Path) -> None:
    site = small_site(tmp_path / "site")
    for suffix in ("csv", "xlsx"):
        (site.root / f"rain.{suffix}").write_text(of_both_visits())
    days, (finding,) = visit_days(site, {})
    assert days == {}
    assert (finding.text, finding.received, finding.do) == ("two tables of rain", "rain.csv and rain.xlsx", "keep one")


def test_rain_of_another_year_is_warned_of(tmp_path: Path) -> None:
    site = small_site(tmp_path / "site")
    (site.root / "rain.csv").write_text(daily(dt.date(2030, 2, 1), dt.date(2030, 4, 2), {}))
    days, findings = visit_days(site, {})
    (finding,) = [finding for finding in findings if finding.grade == "warning"]
    assert finding.code == "rain-elsewhen"
    assert "none of the 30 days before this visit" in finding.text
    assert finding.received == "2030-02-01 to 2030-04-02; the visit is of 2031-04-01"
    # Days that were not measured are never dry.
    record = days["2031-04"].record
    assert not record.index_mm.known
    assert record.trend == ""


def test_the_history_is_the_days_before_the_survey_and_its_own(tmp_path: Path) -> None:
    site = small_site(tmp_path / "site")
    (site.root / "rain.csv").write_text(daily(dt.date(2031, 2, 1), EARLY, {dt.date(2031, 3, 31): 8.0, EARLY: 2.0}))
    day = visit_days(site, {})[0]["2031-04"]
    assert [each.date for each in day.history[-2:]] == [EARLY - dt.timedelta(days=1), EARLY]
    assert len(day.history) == 46
    assert [each.rain_mm.low for each in day.history[-2:]] == [8.0, 2.0]
    # The index at the end of the eve is the record's; the day's own rain comes on top of what is left of it.
    assert day.history[-2].index_mm == day.record.index_mm
    assert day.history[-1].index_mm.low == pytest.approx(8.0 * 0.5**0.2 + 2.0)


@pytest.mark.parametrize("seed", [1, 2, 3, DEMO_SEED])
def test_the_demos_rain_is_as_its_weather_is_told(tmp_path: Path, seed: int) -> None:
    days = demo_days()
    site = small_site(tmp_path / "site", dates=tuple(day.date for day in days))
    write_rain(site.root / "rain.csv", demo_rain(days, seed))
    held, findings = visit_days(site, {})
    assert {finding.grade for finding in findings} == {"found"}
    dry, wet = (held[f"{day.date:%Y-%m}"] for day in days)
    assert "three weeks without rain" in days[0].weather
    assert dry.record.days_since_wet.low > 21
    assert dry.record.trend == "drying"
    assert "rain on most days of the past two weeks" in days[1].weather
    assert sum(each.rain_mm.low > 0 for each in wet.history[-15:-1]) > 7
    assert wet.record.index_mm.low > 5 * dry.record.index_mm.low
    assert dry.record.on_day_mm == wet.record.on_day_mm == Between(0.0, 0.0)


# --- the hours of the survey


def hourly(root: Path, wet_hour: int) -> None:
    rows = [f"{EARLY} {hour:02d}:00,{4.0 if hour == wet_hour else 0.0}" for hour in range(24)]
    (root / "rain.csv").write_text("date,rain_mm\n" + "\n".join(rows) + "\n")


@pytest.mark.parametrize(("wet_hour", "fell"), [(8, 0.0), (10, 4.0), (15, 0.0)])
def test_rain_during_the_survey_by_the_times_of_readings(tmp_path: Path, wet_hour: int, fell: float) -> None:
    site = small_site(tmp_path / "site")
    hourly(site.root, wet_hour)
    times = ["09:30", "14:00", "2031-03-31T10:00", "2031-04-01", "at noon: or so", ""]
    readings = make_readings(x=range(6), y=range(6), vwc=[0.2] * 6, time=times)
    days, findings = visit_days(site, {"2031-04": readings})
    assert days["2031-04"].record.in_window_mm.low == fell
    assert days["2031-04"].record.in_window_mm.known
    codes = [finding.code for finding in findings]
    # The record is of one day: what fell before it is not known, and that is said.
    assert "rain-elsewhen" in codes


def test_rain_during_the_survey_is_warned_of(tmp_path: Path) -> None:
    site = small_site(tmp_path / "site")
    rows = [
        f"{EARLY - dt.timedelta(days=back)} {hour:02d}:00,{3.0 if (back, hour) == (0, 11) else 0.0}"
        for back in range(40, -1, -1)
        for hour in range(24)
    ]
    (site.root / "rain.csv").write_text("date,rain_mm\n" + "\n".join(rows) + "\n")
    (site.visits[0].path / "trace_times.csv").write_text("line,trace,time\nL1,1,09:00:00\nL1,90,12:30:00\n")
    (warning,) = [finding for finding in visit_days(site, {})[1] if finding.grade == "warning"]
    assert (warning.code, warning.received) == ("rain-during-survey", "3.0 mm")
    # Clocks of another zone are not those of the gauge: then only what fell on the whole day is known.
    (site.visits[0].path / "trace_times.csv").write_text(
        "line,trace,time\nL1,1,2031-04-01T09:00:00Z\nL1,90,2031-04-01T12:30:00Z\n"
    )
    days, findings = visit_days(site, {})
    assert "rain-during-survey" not in {finding.code for finding in findings}
    assert (days["2031-04"].record.in_window_mm.low, days["2031-04"].record.in_window_mm.high) == (0.0, 3.0)


# --- states and conditions


def figures_of(level: float, n: int = 49):
    x, y = (each.ravel()[:n] for each in np.meshgrid(4.0 * np.arange(7), 4.0 * np.arange(7)))
    vwc = level + 0.01 * np.random.default_rng(3).standard_normal(n)
    table = make_readings(x=x, y=y, vwc=vwc)
    made = moisture_posterior(table, sigma_vwc=0.03)
    return summarise_moisture(table, support_depth_m=0.12), moisture_figures(table, None, made, sigma_vwc=0.03, seed=1)


def on_a_day(name: str, level: float, sensor: str = "", n: int = 49, **conditions: object) -> VisitMoisture:
    settings = VisitSettings.model_validate(
        {"date": EARLY, "antenna": {"centre_mhz": 400}, "readings": {"sensor": sensor}, "conditions": conditions}
    )
    return VisitMoisture(Visit(name, Path(name), settings), *figures_of(level, n), None)


def test_calibration_counts_between_visits_only_where_probes_differ() -> None:
    same = site_states([on_a_day("a", 0.15, "one"), on_a_day("b", 0.18, "one")])
    other = site_states([on_a_day("a", 0.15, "one"), on_a_day("b", 0.18, "two")])
    assert same is not None
    assert other is not None
    assert same.apart
    assert not other.apart
    assert site_states([on_a_day("a", 0.15)]) is None


def test_few_readings_have_a_level_too() -> None:
    states = site_states([on_a_day("a", 0.10, n=1), on_a_day("b", 0.30, n=3)])
    assert states is not None
    assert states.apart
    assert states.unplaced == ("a", "b")


def test_conditions_of_visits_without_readings_are_not_compared() -> None:
    visits = [on_a_day("a", 0.15, crew="A"), on_a_day("b", 0.3, crew="B")]
    bare = VisitMoisture(visits[0].visit, None, None, None)
    assert site_confounders([visits[0], bare]) == ()
    found = {each.name: each for each in site_confounders(visits)}
    assert found["crew"].status == "confounded"
    assert found["frost"].status == "unknown"


# --- the wave


def visit_at(centre_mhz: float, **settings: object) -> Visit:
    whole = {"date": EARLY, "antenna": Antenna(centre_mhz=centre_mhz), "soil": {"texture": "loam"}, **settings}
    return Visit("day", Path("day"), VisitSettings.model_validate(whole))


def test_the_wave_has_the_visits_velocity_and_moisture() -> None:
    summary, figures = figures_of(0.2)
    wave, findings = visit_wave(visit_at(200.0), VelocityField.uniform(0.09, 0.004), summary, figures, depth_m=0.9)
    assert findings == []
    assert wave is not None
    assert wave.from_readings
    assert at_mean(wave.figures.velocity_m_per_ns).value == pytest.approx(0.09, rel=1e-12)
    assert at_mean(wave.figures.wavelength_m).value == pytest.approx(0.45, rel=1e-12)
    assert wave.figures.levels.mean == figures.level.mean.value
    # What a probe of 0.12 m does not know of the ground down to 0.9 m is in the error of attenuation.
    near, _ = visit_wave(visit_at(200.0), VelocityField.uniform(0.09, 0.004), summary, figures, depth_m=0.1)
    assert near is not None
    assert near.figures.levels.sd < wave.figures.levels.sd


def test_without_readings_moisture_is_what_the_velocity_means() -> None:
    wave, _ = visit_wave(visit_at(400.0), VelocityField.uniform(0.1, 0.005), None, None, depth_m=1.0)
    assert wave is not None
    assert not wave.from_readings
    assert wave.scattering_why == "no moisture readings"
    # There and back by the same relation.
    assert float(wave.figures.model.velocity_m_per_ns(wave.figures.levels.mean)) == pytest.approx(0.1, abs=1e-5)


def test_a_wave_that_cannot_be_told_is_warned_of() -> None:
    wave, (finding,) = visit_wave(visit_at(5000.0), VelocityField.uniform(0.1, 0.005), None, None, depth_m=1.0)
    assert wave is None
    assert (finding.grade, finding.code, finding.visit) == ("warning", "wave-not-told", "day")
    assert "frequency_mhz must lie between 10 and 3000" in finding.text


@pytest.mark.parametrize("family", FAMILIES)
def test_a_correlation_length_is_where_correlation_is_one_over_e(family: str) -> None:
    assert float(correlation(_CORRELATION_LENGTH[family], family)) == pytest.approx(math.exp(-1), abs=2e-6)


def test_the_scattering_index_carries_the_error_of_the_patterns_length() -> None:
    x, y = (each.ravel() for each in np.meshgrid(4.0 * np.arange(7), 4.0 * np.arange(7)))
    smooth = make_readings(x=x, y=y, vwc=0.2 + 0.05 * np.sin(x / 9) * np.cos(y / 9))
    made = moisture_posterior(smooth, sigma_vwc=0.01)
    figures = moisture_figures(smooth, None, made, sigma_vwc=0.01, seed=1)
    summary = summarise_moisture(smooth, support_depth_m=0.12)
    found = figures.range_m
    assert found is not None
    assert found.bounded_below
    wave, _ = visit_wave(visit_at(400.0), VelocityField.uniform(0.1, 0.005), summary, figures, depth_m=0.9)
    assert wave is not None
    # By hand: errors of ln λ and of ln a in quadrature.
    expected = 2 * math.pi * _CORRELATION_LENGTH[figures.model.family] * found.value / 0.25
    ln_low = math.hypot(1.6448536 * 0.05, math.log(found.value / found.low))
    assert wave.scattering.value == pytest.approx(expected, rel=1e-9)
    assert wave.scattering.low == pytest.approx(expected * math.exp(-ln_low), rel=1e-6)
    # An end of the length that the readings do not fix is no end of k·a either.
    assert math.isfinite(wave.scattering.high) == found.bounded_above
