"""Moisture of visits through a run: level and variability apart, visits against each other, what few readings give."""

from __future__ import annotations

import shutil
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from yewline.export import write_results
from yewline.ground import moisture_posterior
from yewline.model import Soil, make_readings
from yewline.report import write_report
from yewline.workspace import open_site, run_site
from yewline.workspace.results import run_schema
from yewline.workspace.stage_moisture import given_level, moisture_figures, moisture_over_visits


def grid(spacing: float = 4.0, n: int = 7) -> tuple[np.ndarray, np.ndarray]:
    x, y = np.meshgrid(spacing * np.arange(n), spacing * np.arange(n))
    return x.ravel(), y.ravel()


def figures_of(vwc: np.ndarray, **settings):
    x, y = grid()
    table = make_readings(x=x, y=y, vwc=vwc)
    sigma = settings.get("sigma_vwc", 0.01)
    return moisture_figures(table, None, moisture_posterior(table, sigma_vwc=sigma), sigma_vwc=sigma, seed=1)


def test_a_dry_patchy_and_a_wet_even_day_are_told_apart_in_both() -> None:
    # 0.09 to 0.38 and 0.19 to 0.50 m³/m³ are what a dry and a wet day may read (common practice, no source).
    rng = np.random.default_rng(3)
    pattern = np.clip(rng.standard_normal(49), -2, 2) / 4 + 0.5
    dry, wet = figures_of(0.09 + 0.29 * pattern), figures_of(0.19 + 0.31 * (0.5 + 0.4 * (pattern - 0.5)))
    assert wet.level.mean.low > dry.level.mean.high
    assert wet.variability.sd.high < dry.variability.sd.low
    assert dry.level.p10.value < dry.level.median.value < dry.level.p90.value
    assert dry.scales.micro.why.startswith("Not measured")


def test_neighbours_alike_are_worth_fewer_readings() -> None:
    x, y = grid()
    smooth = figures_of(0.2 + 0.05 * np.sin(x / 9) * np.cos(y / 9))
    rough = figures_of(0.2 + 0.05 * np.random.default_rng(5).standard_normal(49) / 2)
    assert smooth.level.n_eff < 0.5 * rough.level.n_eff
    assert smooth.moran.i > 0.4
    assert smooth.moran.p_permutation == pytest.approx(0.001)
    assert rough.moran.p_permutation > 0.01
    assert smooth.range_m.low > 4.0


def test_few_and_equal_readings_are_described_only() -> None:
    table = make_readings(x=[0.0, 3.0, 6.0], y=[0.0, 1.0, 0.0], vwc=[0.2, 0.22, 0.21])
    few = moisture_figures(table, None, moisture_posterior(table, sigma_vwc=0.02), sigma_vwc=0.02, seed=1)
    assert few.bins is None
    assert few.range_m is None
    # Weighted by area: the reading in the middle stands for most of the ground.
    assert 0.21 < few.level.mean.value < 0.22
    assert "too few for intervals" in few.level.why
    assert "All readings are equal" in figures_of(np.full(49, 0.2)).level.why


def second_visit(root: Path, shift: float) -> None:
    shutil.copytree(root / "visits" / "day", root / "visits" / "later")
    settings = (root / "visits" / "later" / "visit.toml").read_text().replace("2031-04-01", "2031-10-01")
    (root / "visits" / "later" / "visit.toml").write_text(settings)
    rows = (root / "visits" / "day" / "readings.csv").read_text().splitlines()
    moved = [f"{x},{y},{float(v) + shift + 0.002 * (i % 3):.4f}" for i, (x, y, v) in
             enumerate(row.split(",") for row in rows[1:])]  # fmt: skip
    (root / "visits" / "later" / "readings.csv").write_text("\n".join([rows[0], *moved]) + "\n")


def test_a_run_tells_level_and_variability_and_compares_the_visits(text_site: Path) -> None:
    second_visit(text_site, 0.10)
    outcome = run_site(open_site(text_site), export=write_results, report=write_report)
    jsonschema.validate({**outcome.figures, "report": "r", "seconds": 1.0}, run_schema())
    by_name = {visit["visit"]: visit["moisture"] for visit in outcome.figures["visits"]}
    assert by_name["later"]["level"]["mean"]["low"] > by_name["day"]["level"]["mean"]["high"]
    assert by_name["day"]["n"] == 16
    assert 0 < by_name["day"]["n_effective"] <= 16
    (pair,) = outcome.figures["moisture_comparisons"]
    assert (pair["earlier"], pair["later"], pair["design"]) == ("day", "later", "paired")
    assert pair["difference"]["value"] == pytest.approx(0.102, abs=0.003)
    assert pair["difference_p"] < 0.05
    page = outcome.report.read_text()
    assert "From day to later the ground held 0.10" in page
    assert "compared one by one" in page
    for caption in ("Level of moisture", "Variability of moisture", "Pattern of moisture", "Places that were read"):
        assert caption in page


def test_visits_without_common_places_have_none_that_speak_for_all() -> None:
    x, y = grid()
    one = make_readings(x=x, y=y, vwc=0.2 + 0.01 * np.sin(x))
    two = make_readings(x=x + 1.7, y=y + 1.7, vwc=0.3 + 0.01 * np.cos(y))

    class Visit:
        class settings:  # noqa: N801
            class readings:  # noqa: N801
                sensor, sigma_vwc = "probe", 0.01

    found = moisture_over_visits({"a": one, "b": two}, {"a": Visit, "b": Visit})
    assert found.places is None
    assert found.pairs[0].found.design == "unpaired"
    assert found.pairs[0].found.difference.value == pytest.approx(0.1, abs=0.01)


def test_variability_is_told_for_its_level_too() -> None:
    """By the very definition: sd over √(θ(φ − θ)), and over a curve where three visits show one."""
    rng = np.random.default_rng(9)
    pattern = np.clip(rng.standard_normal(49), -2, 2)

    class Visit:
        class settings:  # noqa: N801
            soil = Soil(porosity=0.45)

    held = {name: figures_of(mean + sd * pattern) for name, mean, sd in (("a", 0.12, 0.03), ("b", 0.25, 0.03))}
    visits = dict.fromkeys("abc", Visit)
    told = given_level(held, visits)
    for name, figures in held.items():
        mean, sd = figures.level.mean.value, figures.variability.sd.value
        assert told[name].share_of_most == pytest.approx(sd / np.sqrt(mean * (0.45 - mean)))
        assert np.isnan(told[name].for_its_level)
    three = given_level({**held, "c": figures_of(0.35 + 0.01 * pattern)}, visits)
    assert all(np.isfinite(figures.for_its_level) for figures in three.values())
    even = figures_of(np.full(49, 0.2))
    assert np.isnan(given_level({"a": even}, visits)["a"].share_of_most)
    assert given_level({}, {}) == {}
