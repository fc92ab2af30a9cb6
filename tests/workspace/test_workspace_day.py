"""Rain, wave and conditions of visits through a run: what is told, what is stale, and what a broken file gives."""

from __future__ import annotations

import shutil
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from yewline.export import result_tables, write_results
from yewline.ground import moisture_posterior
from yewline.model import VelocityField, make_readings
from yewline.physics import plane_wave, topp_permittivity
from yewline.report import write_report
from yewline.workspace import check_site, open_site, run_site
from yewline.workspace.day_summary import wave_summary, wavelength_m
from yewline.workspace.results import run_schema
from yewline.workspace.run import site_result
from yewline.workspace.stage_day import days_compared, load_rain, visit_day
from yewline.workspace.stage_moisture import moisture_figures

RAIN = "date,rain_mm\n" + "".join(f"2031-03-{day:02d},{12.0 if day == 20 else 0.0}\n" for day in range(1, 32))


def run(root: Path):
    return run_site(open_site(root), export=write_results, report=write_report)


def figures_of(vwc: np.ndarray, x: np.ndarray, y: np.ndarray):
    table = make_readings(x=x, y=y, vwc=vwc)
    made = moisture_posterior(table, sigma_vwc=0.01)
    return table, moisture_figures(table, None, made, sigma_vwc=0.01, seed=1)


@pytest.fixture
def rainy(text_site: Path) -> Path:
    """Rain of March for a visit on the first of April, and the day itself."""
    (text_site / "rain.csv").write_text(RAIN + "2031-04-01,0.0\n")
    return text_site


def test_the_wave_is_the_plane_wave_at_the_mean_of_the_readings(text_site: Path) -> None:
    site = open_site(text_site)
    x, y = (part.ravel() for part in np.meshgrid(4.0 * np.arange(6), 4.0 * np.arange(6)))
    table, figures = figures_of(0.2 + 0.03 * np.sin(x / 6.0), x, y)
    day, _ = visit_day(site, site.visits[0], table, figures)
    assert day.wave is not None
    mean, mhz = figures.level.mean.value, site.visits[0].settings.antenna.centre_mhz
    assert day.wave.levels.mean == mean
    assert day.wave.levels.p10 < mean < day.wave.levels.p90
    exact = plane_wave(mhz, permittivity=float(topp_permittivity(mean)),
                       conductivity_ms_per_m=float(day.wave.loss.conductivity_ms_per_m[1]))  # fmt: skip
    told = wave_summary(day, VelocityField.uniform(0.09, 0.003))
    assert told["attenuation_db_per_m"]["value"] == pytest.approx(float(exact.alpha_db_per_m), rel=1e-9)
    assert told["wavelength_m"]["value"] == pytest.approx(90.0 / mhz)
    assert wavelength_m(VelocityField.uniform(0.09, 0.0), mhz)[1] == pytest.approx(90.0 / mhz)


def test_the_scattering_index_rests_on_where_correlation_has_fallen_to_one_over_e(text_site: Path) -> None:
    site = open_site(text_site)
    rng = np.random.default_rng(4)
    x, y = rng.uniform(0, 40, (2, 120))
    waves = sum(np.cos(k * x + m * y + p) for k, m, p in rng.normal(0, 0.8, (40, 3)) * (1, 1, 20)) / 6
    table, figures = figures_of(0.22 + 0.04 * waves, x, y)
    assert figures.range_m.bounded_above
    wave = visit_day(site, site.visits[0], table, figures)[0].wave
    a = wave.options.correlation_length_m
    model = figures.model
    at_a = model.covariance([[0.0, 0.0]], [[a * model.range_m / figures.range_m.value, 0.0]]).item()
    assert at_a == pytest.approx(model.partial_sill / np.e, rel=1e-6)
    assert wave.scattering_index.value[1] == pytest.approx(2 * np.pi * a / wave.wavelength_m.value[1], rel=1e-9)


def test_a_run_tells_rain_wave_and_states(rainy: Path) -> None:
    outcome = run(rainy)
    jsonschema.validate({**outcome.figures, "report": "r", "seconds": 1.0}, run_schema())
    (visit,) = outcome.figures["visits"]
    assert visit["day"]["days_since_rain"] == {"low": 12.0, "high": 12.0}
    # 12 mm on 20 March: at the end of 31 March 11 days on, with a half-life of 5.
    assert visit["day"]["index_mm"]["low"] == pytest.approx(12.0 * 0.5 ** (11 / 5), rel=1e-9)
    assert visit["day"]["trend"] == "drying"
    assert visit["wave"]["reach_m"]["low"] < visit["wave"]["reach_m"]["value"] < visit["wave"]["reach_m"]["high"]
    assert outcome.figures["states"]["apart"] is False
    assert outcome.figures["confounders"] == []
    page = outcome.report.read_text()
    assert "The last day with 1 mm or more was 12 days before" in page
    assert "What the ground does to a wave of" in page
    rows = {name: table.rows for name, table in result_tables(site_result(open_site(rainy))).items()}
    assert rows["days"][0][5] == 12.0
    assert {row[5] for row in rows["wave"]} >= {"wavelength_m", "attenuation_db_per_m", "reach_m", "contrast_db"}


def test_rain_that_changes_makes_no_line_and_no_volume_stale(rainy: Path) -> None:
    run(rainy)
    (rainy / "rain.csv").write_text(RAIN + "2031-04-01,3.0\n")
    assert run(rainy).made == ("export", "report")
    shutil.move(rainy / "rain.csv", rainy / "visits" / "day" / "rain.csv")
    assert run(rainy).made == ("export", "report")


def test_a_visit_s_own_rain_goes_first(rainy: Path) -> None:
    (rainy / "visits" / "day" / "rain.csv").write_text("date,rain_mm\n2031-03-30,5\n2031-03-31,0\n2031-04-01,0\n")
    site = open_site(rainy)
    rain, findings = load_rain(site, site.visits[0])
    assert rain is not None
    assert rain.rain_mm.tolist() == [5, 0, 0]
    assert findings[-1].where == "visits/day/rain.csv"


def test_conditions_that_change_with_moisture_are_told(rainy: Path) -> None:
    visits = rainy / "visits"
    shutil.copytree(visits / "day", visits / "later")
    settings = (visits / "later" / "visit.toml").read_text().replace("2031-04-01", "2031-10-01")
    about = '\n[conditions]\nfrost = "no"\ncrew = "{}"\n'
    (visits / "later" / "visit.toml").write_text(settings + about.format("B"))
    (visits / "day" / "visit.toml").write_text((visits / "day" / "visit.toml").read_text() + about.format("A"))
    rows = [row.split(",") for row in (visits / "day" / "readings.csv").read_text().splitlines()]
    wetter = [rows[0], *([x, y, f"{float(vwc) + 0.12:.4f}"] for x, y, vwc in rows[1:])]
    (visits / "later" / "readings.csv").write_text("\n".join(",".join(row) for row in wetter) + "\n")
    outcome = run(rainy)
    told = {each["name"]: each["status"] for each in outcome.figures["confounders"]}
    assert (told["crew"], told["frost"], told["leaf_cover"]) == ("confounded", "same", "unknown")
    assert outcome.figures["states"]["covered"] == [{"level": "dry", "trend": "drying", "visits": ["day"]}]
    # The series ends half a year before the second visit.
    assert outcome.figures["states"]["unplaced"] == ["later"]
    page = outcome.report.read_text()
    assert "yes: the two cannot be told apart" in page
    assert "Alike on all visits: frost in the ground" in page


def test_without_readings_nothing_is_compared(text_site: Path) -> None:
    site = open_site(text_site)
    day, findings = visit_day(site, site.visits[0], None, None)
    assert (day.wave, day.record, findings) == (None, None, [])
    assert days_compared(site.visits, {"day": day}, {"day": None}).states is None


@pytest.mark.parametrize(
    ("text", "code", "said"),
    [
        ("date,rain_mm\n2031-03-01,wet\n", "rain-left-out", "row"),
        ("date,snow\n2031-03-01,3\n", "rain-left-out", "rain_mm"),
        ("date,rain_mm\n2030-03-01,3\n2030-03-02,0\n", "rain-elsewhen", "does not hold the day of the visit"),
    ],
)
def test_rain_that_cannot_be_used_is_said_and_the_run_goes_on(text_site: Path, text: str, code: str, said: str) -> None:
    (text_site / "rain.csv").write_text(text)
    findings = [finding for finding in check_site(open_site(text_site)).findings if finding.code == code]
    assert len(findings) == 1
    assert said in f"{findings[0].text} {findings[0].received} {findings[0].do}"
    (visit,) = run(text_site).figures["visits"]
    assert visit["day"]["trend"] is None
    assert visit["day"]["why"]
