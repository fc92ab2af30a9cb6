"""Ways of taking the background out: against SciPy and NumPy, and what each takes of a grave that lies level."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.linalg
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import InputError
from yewline.signal import Section, background_removal
from yewline.signal.background_risk import background_risk
from yewline.signal.eigen_image import eigen_background, eigen_energy
from yewline.signal.kept import kept_and_removed
from yewline.signal.sliding_median import sliding_median
from yewline.simulation import (
    Coffin,
    Electronics,
    Fill,
    Grave,
    Instrument,
    Moisture,
    Scene,
    SoilKind,
    pack,
    record_line,
    scatter_scene,
    soil_columns,
)

SECTION = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)


def noise(*shape: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(shape).astype(np.float32)


# --- a grave that lies level --------------------------------------------------------------------------------------

LINE_M, SPACING_M = 20.0, 0.05
BOUNDS = (0.0, 0.0, LINE_M, 4.0)
WINDOW = slice(78, 95)
"""Samples about the answer of the coffin's lid."""


@pytest.fixture(scope="module", params=["across", "along"])
def grave_line(request: pytest.FixtureRequest) -> tuple[str, np.ndarray, np.ndarray]:
    """One line over a grave and the same line without it: first-order model, clutter, ringing, wow, coupling, noise."""
    soil = soil_columns(BOUNDS, Moisture(0.12, 0.2), SoilKind(), centre_mhz=400.0)
    coffin = Coffin(1.8, 0.5, 0.35, 1.0)
    azimuth = 0.0 if request.param == "across" else 90.0
    grave = Grave("g", "adult", LINE_M / 2, 2.0, 2.0, 0.7, azimuth, 0.2, 1.2, Fill(0.48, 0.85), coffin, 0.0)
    x = np.linspace(0.0, LINE_M, round(LINE_M / SPACING_M) + 1)
    parts = Electronics(noise=0.001, ringing=0.1, wow=0.02, coupling_sd=0.05)
    with_grave, without = (
        record_line(
            pack(scatter_scene(scene, soil, seed=1)),
            x,
            np.full_like(x, 2.0),
            Instrument(samples=200),
            electronics=parts,
            ground_v_m_per_ns=0.1,
            seed=3,
        ).values
        for scene in (Scene(BOUNDS, graves=(grave,)), Scene(BOUNDS))
    )
    return request.param, with_grave, without


def loss(line: tuple[str, np.ndarray, np.ndarray], way) -> float:
    """Share of the level middle of the grave's response that a way of taking the background out takes with it."""
    _, with_grave, without = line
    middle = slice(len(with_grave) // 2 - 4, len(with_grave) // 2 + 5)
    response = (with_grave - without)[middle, WINDOW]
    left = (way(with_grave) - way(without))[middle, WINDOW]
    return 1.0 - float(np.sum(left * response) / np.sum(response**2))


@pytest.mark.parametrize("window_m", [None, 10.0, 5.0, 3.0, 2.0])
def test_the_mean_takes_the_graves_share_of_the_window(grave_line, window_m) -> None:
    lost = loss(grave_line, lambda x: background_removal(x, SECTION, window_m=window_m))
    foretold = background_risk(
        grave_length_m=1.8,
        grave_width_m=0.5,
        angle_deg=90.0 if grave_line[0] == "across" else 0.0,
        line_length_m=LINE_M,
        window_m=window_m,
    )
    assert lost == pytest.approx(foretold, abs=0.1)


@pytest.mark.parametrize(("window_m", "along"), [(None, 0.0), (5.0, 0.05), (3.0, 0.7), (2.0, 0.9)])
def test_the_median_takes_nothing_until_the_grave_fills_half_of_the_window(grave_line, window_m, along) -> None:
    lost = loss(grave_line, lambda x: background_removal(x, SECTION, window_m=window_m, statistic="median"))
    assert lost == pytest.approx(0.0 if grave_line[0] == "across" else along, abs=0.06)


def test_the_second_eigen_image_may_be_the_grave_itself(grave_line) -> None:
    first, third = (loss(grave_line, lambda x, k=k: eigen_background(x, SECTION, components=k)) for k in (1, 3))
    mean = loss(grave_line, lambda x: background_removal(x, SECTION))
    assert first == pytest.approx(mean, abs=0.02)
    assert third > 0.85


def test_the_first_eigen_image_follows_a_direct_wave_that_changes_in_strength(grave_line) -> None:
    _, _, without = grave_line
    strength = 1.0 + 0.3 * np.sin(np.arange(len(without)) / 20.0)[:, None]
    line = (without * strength).astype(np.float32)
    by_mean, by_eigen = background_removal(line, SECTION), eigen_background(line, SECTION)
    assert np.sum(by_eigen[:, :60] ** 2) < 0.01 * np.sum(by_mean[:, :60] ** 2)


# --- identities and references ------------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", [(60, 40), (40, 60), (50, 50)])
@pytest.mark.parametrize("components", [1, 3, 7])
def test_eigen_background_against_scipys_svd(shape: tuple[int, int], components: int) -> None:
    x = noise(*shape) + 5.0 * np.outer(noise(shape[0], seed=1), noise(shape[1], seed=2))
    u, s, vt = scipy.linalg.svd(x.astype(float))
    s[:components] = 0.0
    size = min(shape)
    reference = (u[:, :size] * s) @ vt[:size]
    ours = eigen_background(x, SECTION, components=components)
    assert ours == pytest.approx(reference, abs=1e-5 * float(np.abs(x).max()))


def test_eigen_energy_against_numpys_singular_values() -> None:
    x = noise(30, 50)
    squares = np.linalg.svd(x.astype(float), compute_uv=False) ** 2
    assert eigen_energy(x) == pytest.approx(squares / squares.sum(), abs=1e-9)
    assert eigen_energy(1e30 * x) == pytest.approx(squares / squares.sum(), abs=1e-6)
    assert not eigen_energy(np.zeros((4, 5))).any()


def test_eigen_background_in_windows_follows_a_background_that_changes() -> None:
    early, late = np.sin(np.arange(80) / 3.0), np.sin(np.arange(80) / 3.0 + 2.0)
    share = np.clip((np.arange(400) - 100) / 200, 0, 1)[:, None]
    line = (1 - share) * early + share * late
    whole = eigen_background(line, SECTION)
    windowed = eigen_background(line, SECTION, window_m=2.0)
    assert np.sum(windowed**2) < 0.01 * np.sum(whole**2)
    # A window as long as the line is the line.
    assert (eigen_background(line, SECTION, window_m=40.0) == whole).all()


@settings(max_examples=25, deadline=None)
@given(st.integers(2, 40), st.integers(1, 9), st.integers(2, 40), st.integers(0, 99))
def test_the_sliding_median_is_numpys(traces: int, samples: int, count: int, seed: int) -> None:
    # Few different values, so that equal ones come together often.
    x = np.round(noise(traces, samples, seed=seed) * 2).astype(np.float32)
    count = min(count, traces)
    first = np.clip(np.arange(traces) - count // 2, 0, traces - count)
    reference = np.stack([np.median(x[start : start + count], axis=0) for start in first])
    assert (sliding_median(x, count) == reference).all()
    assert (sliding_median(x, count, engine="plain") == reference).all()


def test_background_removal_by_a_sliding_median_is_what_it_was() -> None:
    x = noise(70, 30) * np.float32(1e30)
    for window_m, count in ((1.0, 20), (1.05, 21)):
        first = np.clip(np.arange(70) - count // 2, 0, 70 - count)
        reference = x - np.stack([np.median(x[start : start + count], axis=0) for start in first])
        assert (background_removal(x, SECTION, window_m=window_m, statistic="median") == reference).all()


def test_kept_and_removed_add_up() -> None:
    x = noise(20, 30) + 3.0
    parts = kept_and_removed(x, background_removal(x, SECTION))
    assert parts.kept + parts.removed == pytest.approx(x, abs=1e-6)
    assert parts.removed_share == pytest.approx(np.sum(parts.removed**2) / np.sum(x**2), rel=1e-5)
    assert parts.removed == pytest.approx(np.tile(x.mean(axis=0), (20, 1)), abs=1e-5)
    assert kept_and_removed(np.zeros((2, 3)), np.zeros((2, 3))).removed_share == 0.0
    assert kept_and_removed(1e30 * x, 0.0 * x).removed_share == pytest.approx(1.0, rel=1e-6)


def test_the_risk_of_a_slanting_line_lies_between() -> None:
    grave = {"grave_length_m": 2.0, "grave_width_m": 0.7, "line_length_m": 30.0, "window_m": 5.0}
    risks = [background_risk(angle_deg=angle, **grave) for angle in (0.0, 15.0, 30.0, 60.0, 90.0, 120.0, 180.0)]
    assert risks[0] == pytest.approx(risks[-1]) == pytest.approx(0.4)
    assert risks[4] == pytest.approx(0.14)
    assert risks[3] == pytest.approx(risks[5])
    assert background_risk(angle_deg=0.0, statistic="median", **grave) == 0.0
    assert background_risk(angle_deg=0.0, **{**grave, "window_m": 1.0}) == 1.0
    assert background_risk(angle_deg=0.0, statistic="median", **{**grave, "window_m": 3.0}) == 1.0
    # A window longer than the line is the line.
    assert background_risk(angle_deg=0.0, **{**grave, "window_m": 90.0}) == pytest.approx(2.0 / 30.0)


# --- faults -------------------------------------------------------------------------------------------------------


def test_what_cannot_be_taken_out_is_refused() -> None:
    with pytest.raises(InputError, match="as many components as traces would leave nothing"):
        eigen_background(noise(4, 30), SECTION, components=4)
    with pytest.raises(InputError, match="as many components as traces would leave nothing"):
        eigen_background(noise(40, 30), SECTION, components=3, window_m=0.1)
    with pytest.raises(InputError, match="components must lie between 1 and 50"):
        eigen_background(noise(4, 30), SECTION, components=0)
    with pytest.raises(InputError, match="a window in metres needs the trace spacing"):
        eigen_background(noise(9, 30), Section(0.25, 0.0, 400.0), window_m=2.0)
    with pytest.raises(InputError, match="only be shown where a step keeps the shape"):
        kept_and_removed(noise(4, 30), noise(4, 29))
    with pytest.raises(InputError, match="statistic must be one of mean, median"):
        background_risk(grave_length_m=2, grave_width_m=1, angle_deg=0, line_length_m=9, statistic="mode")
    with pytest.raises(InputError, match="grave_width_m must be greater than zero"):
        background_risk(grave_length_m=2, grave_width_m=0, angle_deg=0, line_length_m=9)
