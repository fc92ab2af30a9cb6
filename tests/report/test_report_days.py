"""Days and the wave on the page: figures are those of the result, and what is missing is said with what to add."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from yewline.export.tables import result_tables, table_csv
from yewline.ground import moisture_posterior
from yewline.model import RainSeries, VelocityField, VisitSettings
from yewline.report import render_report
from yewline.report.days import days_section
from yewline.report.rain_plot import rain_plot
from yewline.report.waves import PATCHES, patches_words, wave_meaning, wave_table
from yewline.workspace.results import SiteResult, VisitResult, run_schema
from yewline.workspace.site import Visit
from yewline.workspace.stage_day import VisitMoisture, _visit_day, site_confounders, site_states
from yewline.workspace.stage_moisture import moisture_figures
from yewline.workspace.stage_wave import at_mean, visit_wave

HOSTILE = "<script>alert(1)</script>"


def rain_until(date: dt.date, *last: float, days: int = 90) -> RainSeries:
    amounts = np.concatenate([np.zeros(days - len(last)), last])
    return RainSeries(np.datetime64(date) - (days - 1), 1440, amounts)


def with_day(visit: VisitResult, rain: RainSeries | None, **conditions: object) -> tuple[VisitResult, VisitMoisture]:
    whole = {**visit.settings.model_dump(), "conditions": conditions}
    settings = VisitSettings.model_validate(whole)
    where = Visit(visit.name, Path(visit.name), settings)
    made = moisture_posterior(visit.readings, sigma_vwc=0.02)
    figures = moisture_figures(visit.readings, None, made, sigma_vwc=0.02, seed=1)
    wave, _ = visit_wave(where, visit.velocity, visit.moisture, figures, depth_m=0.7)
    day = None if rain is None else _visit_day(where, rain, "rain.csv", None)
    told = replace(visit, settings=settings, moisture_figures=figures, wave=wave, day=day)
    return told, VisitMoisture(where, visit.moisture, figures, day)


def site_of(site: SiteResult, dry: RainSeries | None, wet: RainSeries | None, **conditions: object) -> SiteResult:
    """The synthetic site's two visits with their days; conditions differ in the leaves."""
    leaves = [{**conditions, "leaf_cover": kind} if conditions else {} for kind in ("full", "none")]
    both = [with_day(visit, rain, **told) for visit, rain, told in zip(site.visits, (dry, wet), leaves, strict=True)]
    compared = [moisture for _, moisture in both]
    return replace(
        site,
        visits=tuple(visit for visit, _ in both),
        states=site_states(compared),
        confounders=site_confounders(compared),
    )


@pytest.fixture(scope="module")
def told(site: SiteResult) -> SiteResult:
    dry, wet = (visit.settings.date for visit in site.visits)
    return site_of(
        site, rain_until(dry, 20.0, *[0.0] * 30), rain_until(wet, 8.0, 0.0, 12.0, 6.0), crew="A and B", frost="no"
    )


def cells(table) -> dict[str, list[str]]:
    return {row[0].text: [cell.text for cell in row[1:]] for row in table.rows}


def test_the_wave_table_is_that_of_the_result(told: SiteResult) -> None:
    rows = cells(wave_table(told))
    for i, visit in enumerate(told.visits):
        v = visit.velocity.mean_m_per_ns
        assert rows["Velocity"][i] == f"{v:.3f} m/ns"
        # 300 MHz: λ = v/f, and a quarter of it.
        assert rows["Wavelength"][i] == f"{v / 0.3:.2f} m"
        assert rows["Resolution"][i] == f"{v / 1.2:.3f} m"
        assert rows["Attenuation"][i] == f"{at_mean(visit.wave.figures.attenuation_db_per_m).value:.1f} dB/m"
        assert rows["Reflection of a fill"][i].startswith("−")
    dry, wet = (float(text.split()[0]) for text in rows["Depth reach"])
    assert dry > wet


@pytest.mark.parametrize(
    ("depth_m", "words"),
    [
        ((0.1, 0.2), "graves are within reach down to the 0.2 m"),
        ((0.5, 3.0), "graves are probably within reach down to 3 m, but the reach is known only as"),
        ((0.5, 9.0), "may be out of reach"),
        ((60.0, 70.0), "even the shallowest graves expected, at 60 m, are out of reach"),
    ],
)
def test_what_reach_means_for_graves(told: SiteResult, depth_m: tuple[float, float], words: str) -> None:
    target = told.settings.target.model_copy(update={"depth_m": depth_m})
    deep = replace(told, settings=told.settings.model_copy(update={"target": target}))
    dry, _ = wave_meaning(deep)
    reach = at_mean(told.visits[0].wave.figures.reach_m)
    assert 0.2 < reach.low < 3.0 < reach.value < 9.0
    assert words in dry["text"]
    assert "runs together" in dry["text"]


def with_patches(visit: VisitResult, kind: str) -> VisitResult:
    figures = replace(visit.wave.figures, scattering_words=(f"{kind}: so",) * 3)
    return replace(visit, wave=replace(visit.wave, figures=figures, scattering_why=""))


def test_what_patches_do_is_said_once_for_visits_that_are_alike(told: SiteResult) -> None:
    one, other = told.visits
    alike = replace(told, visits=(with_patches(one, "strong"), with_patches(other, "strong")))
    assert patches_words(alike) == [
        "Patches of moisture are about as large as the wave and may look like small targets."
    ]
    apart = replace(told, visits=(with_patches(one, "weak"), with_patches(other, "smooth")))
    assert patches_words(apart) == [f"On {one.name} {PATCHES['weak']}.", f"On {other.name} {PATCHES['smooth']}."]
    unknown = replace(one, wave=replace(one.wave, scattering_why="too few readings to tell a pattern"))
    assert patches_words(replace(told, visits=(unknown,))) == []


def test_the_page_says_which_relation_and_why(told: SiteResult) -> None:
    about = days_section(told)["days"]
    (text,) = about["relations"]
    assert "Topp, Davis & Annan 1980" in text
    assert "nothing known of it speaks against" in text
    assert "of velocity (sd)" in text
    assert "assumed pore water of 50 mS/m" in text
    (others,) = about["relation_tables"]
    assert len(others.rows) == 10
    assert {row[1].text for row in others.rows} == {"yes", "no"}


def test_rain_states_and_conditions_stand_on_the_page(told: SiteResult) -> None:
    page = render_report(told)
    assert page.count('id="days"') == 1
    about = days_section(told)["days"]
    rows = cells(about["rain_table"])
    assert rows["Days since rain"] == ["30", "1"]
    # The day itself is told apart from those before it.
    assert rows["Rain of the last 3 days"] == ["0 mm", "20 mm"]
    assert rows["Rain on the day itself"] == ["0.0 mm", "6.0 mm"]
    assert about["rain"].alt.startswith("Daily rain and antecedent index")
    assert "dry and drying" in about["states"]
    assert "not covered: dry and wetting, wet and drying" in about["states"]
    (leaves,) = about["conditions"].rows
    assert [cell.text for cell in leaves] == ["Leaf cover", "full", "none", "changed with it: not told apart"]
    notes = " ".join(about["condition_notes"])
    assert "Alike on all visits: frost in the ground and crew." in notes
    assert "Not known for every visit: irrigation" in notes
    assert "Whether rain fell during the survey is not known: up to 6.0 mm may have." in page
    assert "Hatched" not in about["rain"].caption


def test_days_not_measured_are_grey_and_open(site: SiteResult) -> None:
    date = site.visits[0].settings.date
    rain = rain_until(date, 5.0, math.nan, 0.0)
    visit, _ = with_day(site.visits[0], rain)
    axes = rain_plot([(visit.name, visit.day)]).axes[0]
    assert len(axes.patches) == 46 + 1
    # One day could have brought a hundred millimetres: the axis does not make room for that.
    assert axes.get_ylim()[1] < 15
    about = days_section(replace(site, visits=(visit,)))["days"]
    assert "Hatched: not measured" in about["rain"].caption
    assert cells(about["rain_table"])["Rain of the last 3 days"] == ["at least 5 mm"]
    assert "1 of the last 30 days was not measured in full" in " ".join(about["rain_notes"])


def test_panels_share_their_scales(told: SiteResult) -> None:
    figure = rain_plot([(visit.name, visit.day) for visit in told.visits])
    assert len({(axes.get_xlim(), axes.get_ylim()) for axes in figure.axes}) == 1
    bars = [patch.get_height() for patch in figure.axes[1].patches]
    assert bars[-4:] == [8.0, 0.0, 12.0, 6.0]
    assert rain_plot([]) is None


def test_what_was_not_given_is_asked_for(site: SiteResult) -> None:
    bare = site_of(site, None, None)
    page = " ".join(render_report(bare).split())
    assert "Put a table rain.csv with the columns date and rain_mm" in page
    assert "fill in [conditions] in each visit.toml" in page
    assert "whether the ground was wetting or drying is not known" in page.lower()
    nothing = days_section(site)["days"]
    assert nothing["wave"] is None
    assert "could not be worked out" in render_report(site)
    half = site_of(site, rain_until(site.visits[0].settings.date, 3.0), None)
    assert f"No rain is on record for {site.visits[1].name}: add rain.csv." in days_section(half)["days"]["rain_notes"]


def test_a_visit_without_readings_says_where_its_moisture_is_from(told: SiteResult) -> None:
    visit = told.visits[0]
    where = Visit(visit.name, Path(visit.name), visit.settings)
    wave, _ = visit_wave(where, VelocityField.uniform(0.1, 0.01), None, None, depth_m=0.7)
    bare = replace(visit, readings=None, moisture=None, moisture_figures=None, wave=wave)
    (row,) = [row for row in wave_table(replace(told, visits=(bare,))).rows if row[0].text == "Moisture"]
    assert row[1].note == "not read: what its velocity means"


def test_what_people_wrote_is_escaped(site: SiteResult) -> None:
    dates = [visit.settings.date for visit in site.visits]
    both = [
        with_day(visit, rain_until(date, 3.0), crew=f"{HOSTILE} {i}")
        for i, (visit, date) in enumerate(zip(site.visits, dates, strict=True))
    ]
    odd = replace(
        site,
        visits=tuple(replace(visit, name=HOSTILE) if i else visit for i, (visit, _) in enumerate(both)),
        confounders=site_confounders([moisture for _, moisture in both]),
    )
    page = render_report(odd)
    assert HOSTILE not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt; 1" in page


def test_the_summary_fits_the_schema_and_is_that_of_the_result(told: SiteResult) -> None:
    shown = {**told.summary(), "report": "r", "seconds": 1.0}
    jsonschema.Draft202012Validator(run_schema()).validate(shown)
    for entry, visit in zip(shown["visits"], told.visits, strict=True):
        assert entry["day"]["index_mm"]["low"] == visit.day.record.index_mm.low
        assert entry["wave"]["reach_m"]["value"] == at_mean(visit.wave.figures.reach_m).value
        assert entry["wave"]["relation"] == "topp"
    assert shown["confounders"][0]["status"] == "confounded"
    broken = {
        **shown,
        "states": {**shown["states"], "covered": [{"level": "damp", "trend": "drying", "visits": ["a"]}]},
    }
    assert not jsonschema.Draft202012Validator(run_schema()).is_valid(broken)


def test_an_open_end_is_null(site: SiteResult) -> None:
    visit, _ = with_day(site.visits[0], rain_until(site.visits[0].settings.date, 5.0, days=4))
    (shown,) = replace(site, visits=(visit,)).summary()["visits"]
    assert shown["day"]["days_since_wet"] == {"low": 4.0, "high": None}
    assert shown["day"]["totals_mm"]["30_days"] == {"low": 0.0, "high": None}


def test_tables_hold_a_row_a_level_and_a_row_a_day(told: SiteResult) -> None:
    tables = result_tables(told)
    wave, day = tables["wave"], tables["day"]
    assert [row[:3] for row in wave.rows] == [
        (visit.name, visit.settings.date, level) for visit in told.visits for level in ("p10", "mean", "p90")
    ]
    at = wave.columns.index
    for row, visit in zip(wave.rows[1::3], told.visits, strict=True):
        assert row[at("velocity_m_per_ns")] == pytest.approx(visit.velocity.mean_m_per_ns, rel=1e-12)
        assert row[at("wavelength_m_low")] < row[at("wavelength_m")] < row[at("wavelength_m_high")]
        assert row[at("vwc_from")] == "readings"
    assert len(day.rows) == 2
    assert all(len(row) == len(day.columns) for row in day.rows)
    assert all(len(row) == len(wave.columns) for row in wave.rows)
    record = told.visits[1].day.record
    assert day.rows[1][day.columns.index("rain_7_days_mm_low")] == record.totals_mm[7].low
    # An open end is an empty cell.
    bare, _ = with_day(told.visits[0], rain_until(told.visits[0].settings.date, 5.0, days=4))
    text = table_csv(result_tables(replace(told, visits=(bare,)))["day"]).decode()
    head, row = (line.split(",") for line in text.splitlines())
    assert row[head.index("days_since_wet_high")] == ""
    assert row[head.index("file")] == "rain.csv"
