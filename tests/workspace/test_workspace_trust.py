"""Trusted depth through a run: gains taken back, noise that is known, and what is said where it cannot be told."""

from __future__ import annotations

from pathlib import Path

import jsonschema
import numpy as np
import pytest
import xarray as xr

from yewline.errors import InputError
from yewline.export import write_results
from yewline.model import VelocityField, VolumeGrid, make_radargram, make_volume, provenance_steps
from yewline.recipe import recipe_from_toml, run_before, section_of, standard_recipe
from yewline.report import write_report
from yewline.signal import envelope
from yewline.volume import TRUST_REASONS
from yewline.workspace import open_site, run_site
from yewline.workspace.results import run_schema
from yewline.workspace.stage_trust import TrustFigures, before_gain, chosen_below_trust, trust_figures, with_trust
from yewline.workspace.store import load_volume

GRID = VolumeGrid(x0=0.0, y0=0.0, cell_m=0.25, nx=25, ny=5, depth_step_m=0.05, nz=40)
FIELD = VelocityField.uniform(0.1, 0.005)
NOISE, RATE_PER_NS, STEP_NS = 0.02, 0.12, 0.25
HEAD = 'name = "r"\n[[before]]\nstep = "time_zero"\n'
TAIL = '[[after]]\nstep = "envelope"\n'


def hiss(rng: np.random.Generator) -> np.ndarray:
    """Noise of unit variance in the antenna's band: 400 ± 100 MHz."""
    mhz = np.fft.rfftfreq(320, 1e-3 * STEP_NS)
    spectrum = np.fft.rfft(rng.standard_normal((121, 320)), axis=1) * np.exp(-0.5 * ((mhz - 400.0) / 100.0) ** 2)
    wave = np.fft.irfft(spectrum, 320, axis=1)
    return wave / wave.std()


def lines(count: int = 3) -> dict[str, xr.DataArray]:
    """Answers that fade at a known rate, in noise of a known level, from time zero on."""
    rng = np.random.default_rng(6)
    x, time = 0.05 * np.arange(121), STEP_NS * np.arange(320)
    found = {}
    for i in range(count):
        wave = hiss(rng) * np.exp(-RATE_PER_NS * time) + NOISE * hiss(rng)
        about = {"line": f"L{i}", "visit": "day", "centre_mhz": 400.0, "separation_m": 0.1}
        found[f"L{i}"] = make_radargram(wave, interval_ns=STEP_NS, x=x, y=0.5 * i + 0 * x, attrs=about)
    return found


def gained(line: xr.DataArray, gain: str) -> xr.DataArray:
    recipe = recipe_from_toml(f'name = "r"\n[[before]]\n{gain}\n{TAIL}', "r")
    return run_before(recipe, line, absorption_db_per_ns=0.7)


@pytest.mark.parametrize("gain", ['step = "compensate"', 'step = "compensate"\nspreading_power = 2.0'])
def test_a_gain_by_time_alone_is_taken_back(gain: str) -> None:
    raw = lines(1)["L0"]
    held = gained(raw, gain)
    assert np.abs(held.values - raw.values).max() > 0.1
    back = before_gain(held)
    exact = envelope(np.pad(raw.values, ((0, 0), (0, 320))), section_of(raw))[:, :320]
    np.testing.assert_allclose(back.values, exact, rtol=2e-4, atol=1e-5)
    # Without room after the record its strong beginning shows at its quiet end.
    wrapped = envelope(raw.values, section_of(raw))
    assert np.median(back.values[:, -4:]) < 0.3 * np.median(wrapped[:, -4:])
    assert provenance_steps(back) == []


def test_a_gain_by_frequency_cannot_be_taken_back() -> None:
    held = gained(lines(1)["L0"], 'step = "q_compensation"\nq_star = 30.0')
    with pytest.raises(InputError, match="noise of lines cannot be told .*q_compensation"):
        before_gain(held)


def test_the_depth_is_where_the_answers_meet_twice_the_noise() -> None:
    recorded = {name: gained(line, 'step = "compensate"') for name, line in lines().items()}
    flat = np.ones((GRID.nz, GRID.ny, GRID.nx), np.float32)
    volume = make_volume(GRID, strength=flat, coverage=flat > 0, depth_error=flat)
    told, findings = with_trust(volume, recorded, FIELD, GRID, line_spacing_m=0.5, separation_m=0.1)
    assert findings == []
    # √(s² + n²) = 2n where s = √3 n, and s = e^(−rate t): by the definition of the two.
    time = -np.log(np.sqrt(3.0) * NOISE) / RATE_PER_NS
    expected = 0.5 * np.sqrt((0.1 * time) ** 2 - 0.01)
    assert np.nanmedian(told["trusted_depth"].values) == pytest.approx(expected, abs=0.05)
    assert (told["trust_reason"].values[:, 2:-2] == TRUST_REASONS.index("known")).all()
    chosen = xr.Dataset(coords={"top": expected - 0.3, "base": expected - 0.1})
    figures = trust_figures(told, chosen, np.ones((GRID.ny, GRID.nx), bool))
    assert figures is not None
    assert figures.low_m <= figures.median_m <= figures.high_m
    assert figures.chosen_share > 0.9
    assert not figures.at_least


def test_what_cannot_be_told_is_said() -> None:
    recorded = {name: gained(line, 'step = "q_compensation"\nq_star = 30.0') for name, line in lines().items()}
    flat = np.ones((GRID.nz, GRID.ny, GRID.nx), np.float32)
    volume = make_volume(GRID, strength=flat, coverage=flat > 0, depth_error=flat)
    told, (finding,) = with_trust(volume, recorded, FIELD, GRID, line_spacing_m=0.5, separation_m=0.1)
    assert "trusted_depth" not in told
    assert finding.code == "trust-not-told"
    assert "q_compensation" in finding.received
    assert trust_figures(told, volume, np.ones((GRID.ny, GRID.nx), bool)) is None


def test_a_slice_below_it_is_named_unless_the_record_ended_first() -> None:
    chosen = xr.Dataset(coords={"top": 1.0, "base": 1.2})
    shallow = TrustFigures(0.7, 0.5, 0.9, 0.1, False)
    (finding,) = chosen_below_trust("day", shallow, chosen)
    assert "on 90 % of the ground the chosen slice, 1.00 to 1.20 m" in finding.text
    assert "silence counts for less" in finding.do
    assert chosen_below_trust("day", TrustFigures(0.7, 0.5, 0.9, 0.1, True), chosen) == []
    assert chosen_below_trust("day", TrustFigures(1.3, 0.5, 1.5, 0.8, False), chosen) == []
    assert chosen_below_trust("day", None, chosen) == []


def test_a_run_maps_it_and_the_standard_recipe_allows_it(text_site: Path) -> None:
    assert standard_recipe().before[-1].step == "compensate"
    outcome = run_site(open_site(text_site), export=write_results, report=write_report)
    jsonschema.validate({**outcome.figures, "report": "r", "seconds": 1.0}, run_schema())
    (visit,) = outcome.figures["visits"]
    volume = load_volume(text_site / "results" / "visits" / "day" / "volume.zarr")
    assert {"trusted_depth", "trust_reason", "noise"} <= set(volume.data_vars)
    assert visit["trusted_depth_m"]["low"] <= visit["trusted_depth_m"]["median"] <= visit["trusted_depth_m"]["high"]
    assert "How deep silence counts" in outcome.report.read_text()
    (text_site / "recipe.toml").write_text(f'{HEAD}[[before]]\nstep = "q_compensation"\nq_star = 30.0\n{TAIL}')
    outcome = run_site(open_site(text_site), export=write_results, report=write_report)
    assert outcome.figures["visits"][0]["trusted_depth_m"]["why"]
    assert "a gain of its recipe cannot be taken back" in outcome.report.read_text()
