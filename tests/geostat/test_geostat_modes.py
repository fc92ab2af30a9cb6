"""Fields of modes: their distribution over seeds, their sections, and GSTools."""

from __future__ import annotations

import math
import os
import subprocess
import sys

import gstools
import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from yewline.errors import InputError
from yewline.geostat import (
    FieldModes,
    correlation,
    draw_modes,
    field_at,
    field_on_section,
    gaussian_field,
    length_scale,
    matern_correlation,
    matern_length,
)

Array = npt.NDArray[np.float64]

RANGES = (3.0, 1.0, 0.4)
AZIMUTH = 30.0
KINDS = [("exponential", None), ("gaussian", None), ("matern", 0.3), ("matern", 1.5)]
# With about a hundred comparisons, one beyond four standard errors has a chance of 0.6 %.
STANDARD_ERRORS = 4.0


def model_correlation(distance_over_range: npt.ArrayLike, family: str, smoothness: float | None) -> Array:
    if smoothness is not None:
        return matern_correlation(distance_over_range, smoothness)
    return correlation(distance_over_range, family)


def peer_model(family: str, smoothness: float | None, ranges: tuple[float, float, float], azimuth: float = 90.0):  # type: ignore[no-untyped-def]
    # GSTools turns its first axis anticlockwise from +x.
    if smoothness is not None:
        lengths = [matern_length(r, smoothness, "gstools") for r in ranges]
        return gstools.Matern(dim=3, len_scale=lengths, nu=smoothness, angles=math.radians(90.0 - azimuth))
    lengths = [length_scale(r, family, "gstools") for r in ranges]
    kind = gstools.Exponential if family == "exponential" else gstools.Gaussian
    return kind(dim=3, len_scale=lengths, angles=math.radians(90.0 - azimuth))


def lags_of_one_field() -> tuple[Array, Array]:
    """Lags along, across and down the axes of the field and between them, and their lengths over the range."""
    s, c = math.sin(math.radians(AZIMUTH)), math.cos(math.radians(AZIMUTH))
    axes = np.array([[s, c, 0.0], [c, -s, 0.0], [0.0, 0.0, 1.0]]) * np.array(RANGES)[:, None]
    weights = np.array([[1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 1, 0], [1, 0, -1], [0, 1, 1], [1, -1, 1]], dtype=float)
    weights /= np.linalg.norm(weights, axis=1)[:, None]
    sizes = np.array([0.02, 0.1, 0.3, 0.7, 1.5])
    return np.einsum("s,wa,ax->swx", sizes, weights, axes).reshape(-1, 3), np.repeat(sizes, len(weights))


def round_off(modes: FieldModes, farthest_m: float) -> float:
    # Each angle is a sum of four terms, each rounded, and the waves' own errors may all add up.
    angles = np.abs(modes.wavevectors).sum(axis=1) * farthest_m + 2 * math.pi
    return float(4 * np.finfo(float).eps * math.sqrt(2 / modes.count) * (angles + 2).sum())


# --- distribution over seeds ----------------------------------------------------------------------


@pytest.mark.parametrize(("family", "smoothness"), KINDS)
def test_mean_and_variance_are_unbiased(family: str, smoothness: float | None) -> None:
    places = np.array([[0.0, 0.0, 0.0], [40.0, -13.0, 0.7], [0.1, 0.0, 2.0]])
    draws = 3000
    values = np.array(
        [
            field_at(draw_modes(ranges_m=RANGES, family=family, smoothness=smoothness, seed=s, modes=64), places)
            for s in range(draws)
        ]
    )
    # At one place the draws are independent, with variance 1 and fourth moment 3 − 1.5/M.
    assert np.abs(values.mean(axis=0)).max() < STANDARD_ERRORS / math.sqrt(draws)
    assert np.abs((values**2).mean(axis=0) - 1).max() < STANDARD_ERRORS * math.sqrt((2 - 1.5 / 64) / draws)


@pytest.mark.parametrize(("family", "smoothness"), KINDS)
def test_variogram_along_axes_and_diagonals(family: str, smoothness: float | None) -> None:
    lags, sizes = lags_of_one_field()
    places = np.vstack([np.zeros(3), lags]) + np.array([12.0, 5.0, 0.3])
    expected = 1 - model_correlation(sizes, family, smoothness)
    seen, exact = [], []
    for seed in range(800):
        modes = draw_modes(
            ranges_m=RANGES, family=family, smoothness=smoothness, azimuth_deg=AZIMUTH, seed=seed, modes=128
        )
        values = field_at(modes, places)
        seen.append((values[1:] - values[0]) ** 2 / 2)
        # What one field has on average over all of space: without the sampling error of places, so a sharp test.
        exact.append((1 - np.cos(lags @ modes.wavevectors.T)).mean(axis=1))
    for squares in (np.array(seen), np.array(exact)):
        error = squares.std(axis=0, ddof=1) / math.sqrt(len(squares))
        z = (squares.mean(axis=0) - expected) / error
        assert np.abs(z).max() < STANDARD_ERRORS, (z.round(1), sizes)
    # The sharp one can tell a range that is 3 % off: at a third of a range γ would change by more than the bound.
    wrong = 1 - model_correlation(sizes * 1.03, family, smoothness)
    assert np.abs((np.array(exact).mean(axis=0) - wrong) / error).max() > 1.5 * STANDARD_ERRORS


@pytest.mark.parametrize(("family", "smoothness"), [*KINDS, ("matern", 0.2), ("matern", 8.0)])
def test_wavenumbers_follow_the_spectral_density_of_gstools(family: str, smoothness: float | None) -> None:
    # One wavenumber lies in each of M equal shares of the spectral distribution: exact, without sampling error.
    count = 40
    modes = draw_modes(ranges_m=1.0, family=family, smoothness=smoothness, seed=5, modes=count)
    radii = np.linalg.norm(modes.wavevectors, axis=1)
    peer = peer_model(family, smoothness, (1.0, 1.0, 1.0))
    assert (np.diff(radii) < 0).all()
    for index, radius in enumerate(radii):
        below = integrate.quad(lambda k: float(peer.spectral_rad_pdf(np.array([k]))[0]), 0, radius, limit=500)[0]
        assert index - 1e-5 <= count * (1 - below) <= index + 1 + 1e-5, (index, radius)


def test_directions_are_uniform() -> None:
    draws = 300
    moments = []
    for seed in range(draws):
        waves = draw_modes(ranges_m=1.0, family="gaussian", seed=seed, modes=30).wavevectors
        unit = waves / np.linalg.norm(waves, axis=1)[:, None]
        # The first wave alone (no even spread helps it), and all.
        moments.append(
            [*unit[0], *(unit[0] ** 2 - 1 / 3), unit[0, 0] * unit[0, 2], *(unit.T @ unit / 30)[np.triu_indices(3)]]
        )
    values = np.array(moments)
    values[:, 7:] -= np.eye(3)[np.triu_indices(3)] / 3
    error = values.std(axis=0, ddof=1) / math.sqrt(draws)
    assert np.abs(values.mean(axis=0) / error).max() < STANDARD_ERRORS


@pytest.mark.parametrize("count", [2, 5, 1000])
def test_kurtosis_of_the_margin(count: int) -> None:
    # A sum of M equal cosines with independent phases has the kurtosis 3 − 3/(2M) (from <cos⁴> = 3/8).
    modes = draw_modes(ranges_m=1.0, family="gaussian", seed=3, modes=count)
    # Places spread over 10,000 ranges make the phases independent of each other, as seeds would.
    places = np.random.default_rng(1).uniform(-5e3, 5e3, (20_000, 3))
    values = field_at(modes, places)
    fourth = values**4
    error = fourth.std() / math.sqrt(len(values))
    assert fourth.mean() == pytest.approx(3 - 1.5 / count, abs=STANDARD_ERRORS * error)
    assert (values**2).mean() == pytest.approx(1.0, abs=STANDARD_ERRORS * math.sqrt(2 / len(values)))
    if count != 5:
        normal = stats.kstest(values, "norm").pvalue
        assert normal > 0.01 if count == 1000 else normal < 1e-6


def test_margin_over_seeds_is_normal() -> None:
    values = [
        field_at(draw_modes(ranges_m=2.0, family="exponential", seed=s, modes=1000), [[1.0, 2.0, 0.5]])[0]
        for s in range(2000)
    ]
    assert stats.kstest(values, "norm").pvalue > 0.01
    assert abs(stats.kurtosis(values)) < STANDARD_ERRORS * math.sqrt(24 / len(values))


def test_even_spread_lessens_the_error_of_one_field() -> None:
    # Independent wave vectors scatter the correlation of one field by √((1 + ρ(2h) − 2ρ²)/2M).
    lags = np.array([[0.2, 0, 0], [0, 0.5, 0], [0, 0, 1.0], [0.6, 0.6, 0.6]])
    sizes = np.linalg.norm(lags, axis=1)
    errors = np.array(
        [
            np.cos(lags @ draw_modes(ranges_m=1.0, family="gaussian", seed=s).wavevectors.T).mean(axis=1)
            - correlation(sizes, "gaussian")
            for s in range(100)
        ]
    )
    independent = np.sqrt((1 + correlation(2 * sizes, "gaussian") - 2 * correlation(sizes, "gaussian") ** 2) / 2000)
    assert (np.sqrt((errors**2).mean(axis=0)) < independent / 4).all()


# --- references -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("family", "smoothness"), KINDS)
def test_covariance_model_of_gstools_with_its_angles(family: str, smoothness: float | None) -> None:
    lags, sizes = lags_of_one_field()
    peer = peer_model(family, smoothness, RANGES, AZIMUTH)
    np.testing.assert_allclose(peer.cov_spatial(lags.T), model_correlation(sizes, family, smoothness), rtol=1e-9)


@pytest.mark.parametrize(
    ("family", "smoothness", "peer_family"),
    [("exponential", None, "exponential"), ("matern", 0.5, "exponential"), ("gaussian", None, "gaussian")],
)
def test_ensemble_variogram_agrees_with_gstools(family: str, smoothness: float | None, peer_family: str) -> None:
    # GSTools draws its wavenumbers by inversion here. Its default in three dimensions, a Markov chain, misses short
    # waves: at a fiftieth of the range its exponential fields have 0.3 of its own model's semivariance (GSTools 1.7.0,
    # 300 seeds). Inversion of its Matérn is too slow or fails, so that family is compared where it is the exponential,
    # and by its spectral density above.
    lags, sizes = lags_of_one_field()
    bases = np.random.default_rng(9).uniform(-50, 50, (40, 3))
    places = np.concatenate([bases[:, None], bases[:, None] + lags], axis=1)
    shape, flat = places.shape[:2], places.reshape(-1, 3)
    peer = gstools.SRF(
        peer_model(peer_family, None, RANGES, AZIMUTH), generator="RandMeth", mode_no=100, sampling="inversion"
    )
    ours, theirs = [], []
    for seed in range(60):
        modes = draw_modes(
            ranges_m=RANGES, family=family, smoothness=smoothness, azimuth_deg=AZIMUTH, seed=seed, modes=100
        )
        for kept, field in (
            (ours, field_at(modes, flat)),
            (theirs, peer(flat.T, seed=70_000 + seed, mesh_type="unstructured")),
        ):
            values = field.reshape(shape)
            kept.append(((values[:, 1:] - values[:, :1]) ** 2).mean(axis=0) / 2)
    a, b = np.array(ours), np.array(theirs)
    error = np.sqrt((a.var(axis=0, ddof=1) + b.var(axis=0, ddof=1)) / len(a))
    z = (a.mean(axis=0) - b.mean(axis=0)) / error
    assert np.abs(z).max() < STANDARD_ERRORS, (z.round(1), sizes)


@pytest.mark.parametrize("family", ["exponential", "gaussian"])
def test_ensemble_agrees_with_fields_on_a_grid(family: str) -> None:
    x, depth = np.arange(12) * 0.25, np.arange(10) * 0.05
    ours, grids = [], []
    for seed in range(600):
        modes = draw_modes(ranges_m=(2.0, 9.0, 0.3), family=family, azimuth_deg=90.0, seed=seed, modes=64)
        grid = gaussian_field((12, 10), (0.25, 0.05), ranges_m=(2.0, 0.3), sd=1.0, family=family, seed=seed)
        for kept, values in ((ours, field_on_section(modes, x, np.zeros(12), depth)), (grids, grid)):
            kept.append(
                [(values * values).mean()]
                + [((values[i:, k:] - values[: 12 - i, : 10 - k]) ** 2).mean() / 2 for i, k in LAG_STEPS]
            )
    a, b = np.array(ours), np.array(grids)
    error = np.sqrt((a.var(axis=0, ddof=1) + b.var(axis=0, ddof=1)) / len(a))
    z = (a.mean(axis=0) - b.mean(axis=0)) / error
    # The grid's torus clips a share of up to a thousandth of the Gaussian family's spectrum: far below these errors.
    assert np.abs(z).max() < STANDARD_ERRORS, z.round(1)


LAG_STEPS = [(1, 0), (4, 0), (8, 0), (0, 1), (0, 3), (0, 6), (2, 2), (5, 4)]


# --- sections -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("columns", "count"), [(5, 40), (385, 40), (1700, 40), (900, 2100)])
def test_section_is_the_field_at_its_nodes(columns: int, count: int) -> None:
    # A curved line, depths above and below the surface, blocks whole and broken.
    modes = draw_modes(ranges_m=RANGES, family="exponential", azimuth_deg=AZIMUTH, seed=8, modes=count)
    s = np.linspace(0, 30, columns)
    x, y, depth = 5 + s, 3 * np.sin(s / 4), np.array([-0.2, 0.0, 0.31, 1.7])
    section = field_on_section(modes, x, y, depth)
    points = np.column_stack([np.repeat(x, 4), np.repeat(y, 4), np.tile(depth, columns)])
    assert section.shape == (columns, 4)
    assert section.flags.c_contiguous
    assert np.abs(section - field_at(modes, points).reshape(columns, 4)).max() < round_off(modes, 40.0)


def test_crossing_sections_agree_and_one_depth_is_a_rough_face() -> None:
    modes = draw_modes(ranges_m=(4.0, 2.0, 0.5), family="matern", smoothness=0.3, seed=21)
    depth = np.arange(0, 2, 0.04)
    line = np.linspace(-6, 6, 241)
    east = field_on_section(modes, line, np.full(241, 1.5), depth)
    slanted = field_on_section(modes, 2 + 0.6 * line, 1.5 + 0.8 * line, depth)
    at = int(np.argmin(np.abs(line - 2.0)))
    assert line[at] == pytest.approx(2.0)
    bound = round_off(modes, 12.0)
    # Nodes of the two lines at the crossing agree to a rounding of their coordinates, so the shortest waves feel it.
    assert np.abs(east[at] - slanted[120]).max() < bound
    assert east[at].std() > 0.1 > bound
    face = field_on_section(modes, line, np.full(241, 1.5), [depth[7]])
    assert np.abs(face[:, 0] - east[:, 7]).max() < bound


def test_single_precision_is_the_rounded_double() -> None:
    modes = draw_modes(ranges_m=1.0, family="exponential", seed=2, modes=100)
    x, depth = np.linspace(0, 5, 50), np.linspace(0, 1, 20)
    single = field_on_section(modes, x, x, depth, dtype=np.float32)
    assert single.dtype == np.float32
    np.testing.assert_array_equal(single, field_on_section(modes, x, x, depth).astype(np.float32))


def test_one_wave_is_that_wave() -> None:
    modes = FieldModes(wavevectors=[[0.5, -1.0, 2.0]], phases=[0.25])
    x, y, depth = np.array([0.0, 1.0, 2.0]), np.array([3.0, 3.5, 4.0]), np.array([0.0, 0.7])
    expected = math.sqrt(2) * np.cos((0.5 * x - y)[:, None] + 2 * depth + 0.25)
    np.testing.assert_allclose(field_on_section(modes, x, y, depth), expected, atol=1e-14)


# --- bytes ----------------------------------------------------------------------------------------


def test_same_seed_same_bytes_and_inputs_are_left_alone() -> None:
    one = draw_modes(ranges_m=RANGES, family="exponential", seed=11)
    two = draw_modes(ranges_m=list(RANGES), family="exponential", seed=np.random.default_rng(11))
    other = draw_modes(ranges_m=RANGES, family="exponential", seed=12)
    assert one.wavevectors.tobytes() == two.wavevectors.tobytes()
    assert one.phases.tobytes() == two.phases.tobytes()
    assert not np.array_equal(one.phases, other.phases)
    x, depth = np.linspace(0, 5, 50), np.linspace(0, 1, 20)
    kept = x.copy()
    assert field_on_section(one, x, x, depth).tobytes() == field_on_section(two, x, x, depth).tobytes()
    np.testing.assert_array_equal(x, kept)
    mine = np.ones((4, 3))
    held = FieldModes(wavevectors=mine, phases=np.zeros(4))
    mine[:] = 7.0
    assert (held.wavevectors == 1.0).all()
    with pytest.raises(ValueError, match="read-only"):
        held.phases[0] = 1.0


def _openblas() -> bool:
    libraries = np.show_config(mode="dicts")["Build Dependencies"]["blas"]["name"]  # type: ignore[index]
    return "openblas" in libraries


@pytest.mark.skipif(not _openblas(), reason="the library of matrix products is not OpenBLAS: its threads are not known")
def test_bytes_do_not_depend_on_threads_or_neighbours() -> None:
    program = (
        "import hashlib, numpy as np\n"
        "from yewline.geostat import draw_modes, field_on_section\n"
        "modes = draw_modes(ranges_m=2.0, family='exponential', seed=1)\n"
        "x, depth = np.linspace(0, 17, 1850), np.linspace(0, 3, 157)\n"
        "whole = field_on_section(modes, x, x, depth)\n"
        "part = field_on_section(modes, x[700:831], x[700:831], depth)\n"
        "print(hashlib.sha256(whole.tobytes()).hexdigest(), np.array_equal(part, whole[700:831]))\n"
    )
    said = [
        subprocess.run(
            [sys.executable, "-c", program],
            env={**os.environ, "OPENBLAS_NUM_THREADS": threads},
            capture_output=True,
            text=True,
            check=True,
        ).stdout.split()
        for threads in ("1", "2")
    ]
    assert said[0][0] == said[1][0]
    assert [words[1] for words in said] == ["True", "True"]


# --- properties -----------------------------------------------------------------------------------


@settings(max_examples=15, deadline=None)
@given(scale=st.floats(0.01, 100.0), seed=st.integers(0, 2**32))
def test_scaling_ranges_and_places_alike_changes_nothing(scale: float, seed: int) -> None:
    points = np.array([[0.0, 0.0, 0.0], [1.0, 2.0, 0.3], [-3.0, 0.2, 1.0]])
    one = draw_modes(ranges_m=RANGES, family="gaussian", seed=seed, modes=20)
    scaled = draw_modes(ranges_m=[scale * r for r in RANGES], family="gaussian", seed=seed, modes=20)
    np.testing.assert_allclose(field_at(scaled, scale * points), field_at(one, points), atol=2 * round_off(one, 3.0))


@settings(max_examples=15, deadline=None)
@given(azimuth=st.floats(-360.0, 360.0), seed=st.integers(0, 2**32))
def test_turning_ranges_and_places_alike_changes_nothing(azimuth: float, seed: int) -> None:
    points = np.array([[0.0, 0.0, 0.0], [1.0, 2.0, 0.3], [-3.0, 0.2, 1.0]])
    s, c = math.sin(math.radians(azimuth)), math.cos(math.radians(azimuth))
    # Clockwise, as bearings go: +y turns towards +x.
    turned = points @ np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    one = draw_modes(ranges_m=RANGES, family="gaussian", seed=seed, modes=20)
    other = draw_modes(ranges_m=RANGES, family="gaussian", seed=seed, modes=20, azimuth_deg=azimuth)
    np.testing.assert_allclose(field_at(other, turned), field_at(one, points), atol=4 * round_off(one, 3.0))


def test_first_range_lies_along_the_bearing() -> None:
    along_y = draw_modes(ranges_m=(50.0, 1.0, 1.0), family="gaussian", seed=1)
    along_x = draw_modes(ranges_m=(50.0, 1.0, 1.0), family="gaussian", seed=1, azimuth_deg=90.0)
    assert np.abs(along_y.wavevectors[:, 0]).mean() > 20 * np.abs(along_y.wavevectors[:, 1]).mean()
    assert np.abs(along_x.wavevectors[:, 1]).mean() > 20 * np.abs(along_x.wavevectors[:, 0]).mean()


# --- faults ---------------------------------------------------------------------------------------


def test_faults_of_drawing() -> None:
    with pytest.raises(InputError, match="family must be one of exponential, gaussian, matern"):
        draw_modes(ranges_m=1.0, family="spherical", seed=1)
    with pytest.raises(InputError, match=r"the matern family needs a smoothness. Give smoothness"):
        draw_modes(ranges_m=1.0, family="matern", seed=1)
    with pytest.raises(
        InputError, match=r'the gaussian family has no smoothness \(received 0.5\). Use family "matern"'
    ):
        draw_modes(ranges_m=1.0, family="gaussian", smoothness=0.5, seed=1)
    with pytest.raises(InputError, match="smoothness must lie between 0.2 and 50"):
        draw_modes(ranges_m=1.0, family="matern", smoothness=0.05, seed=1)
    with pytest.raises(InputError, match=r"ranges_m must be one number, or three .* \(received shape \(2,\)\)"):
        draw_modes(ranges_m=(1.0, 2.0), family="gaussian", seed=1)
    with pytest.raises(InputError, match=r"ranges_m must be numbers \(received 'wide'"):
        draw_modes(ranges_m="wide", family="gaussian", seed=1)  # type: ignore[arg-type]
    for bad in (0.0, -1.0, math.inf, math.nan):
        with pytest.raises(InputError, match="ranges_m must be"):
            draw_modes(ranges_m=(1.0, bad, 1.0), family="gaussian", seed=1)
    for count in (0, 20_001, 3.5, True):
        with pytest.raises(InputError, match="modes must be a whole number from 1 to 20,000"):
            draw_modes(ranges_m=1.0, family="gaussian", seed=1, modes=count)  # type: ignore[arg-type]
    for seed in (-1, None, 1.5, True):
        with pytest.raises(InputError, match="seed must be a whole number of at least 0, or a generator"):
            draw_modes(ranges_m=1.0, family="gaussian", seed=seed)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="azimuth_deg must be finite"):
        draw_modes(ranges_m=1.0, family="gaussian", seed=1, azimuth_deg=math.nan)


def test_faults_of_sampling() -> None:
    modes = draw_modes(ranges_m=1.0, family="gaussian", seed=1, modes=5)
    with pytest.raises(InputError, match=r"points must be \(N, 3\) in the order x, y, depth \(received shape \(4, 2\)"):
        field_at(modes, np.zeros((4, 2)))
    with pytest.raises(InputError, match="points holds values that are not finite"):
        field_at(modes, [[0.0, math.nan, 0.0]])
    with pytest.raises(InputError, match=r"x and y must have the same length \(received 3 and 2\)"):
        field_on_section(modes, [1.0, 2.0, 3.0], [1.0, 2.0], [0.0])
    with pytest.raises(InputError, match="depth is empty"):
        field_on_section(modes, [1.0], [1.0], [])
    with pytest.raises(InputError, match=r"dtype must be float64 or float32 \(received int32"):
        field_on_section(modes, [1.0], [1.0], [0.0], dtype=np.int32)
    with pytest.raises(InputError, match=r"wavevectors must be \(M, 3\) and phases \(M,\)"):
        FieldModes(wavevectors=np.zeros((4, 3)), phases=np.zeros(3))
    with pytest.raises(InputError, match="phases holds values that are not finite"):
        FieldModes(wavevectors=np.zeros((1, 3)), phases=[math.inf])
