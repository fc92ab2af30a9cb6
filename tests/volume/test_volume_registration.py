"""Two visits laid on each other: shifts that were put in are found, and nothing is made of nothing."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import fourier_gaussian, fourier_shift

from yewline.errors import InputError
from yewline.model import VolumeGrid, make_volume
from yewline.volume import compare_volumes, register_volumes

GRID = VolumeGrid(x0=-3.0, y0=10.0, cell_m=0.25, nx=96, ny=80, depth_step_m=0.1, nz=8)


def field(seed, shift=(0.0, 0.0)):
    """Smooth random strength, moved by (x, y) metres exactly, round the edges."""
    noise = np.random.default_rng(seed).standard_normal((GRID.nz, GRID.ny, GRID.nx))
    spectrum = fourier_gaussian(np.fft.fftn(noise), (0.7, 1.6, 1.6))
    moved = fourier_shift(spectrum, (0.0, shift[1] / GRID.cell_m, shift[0] / GRID.cell_m))
    smooth = np.fft.ifftn(moved).real
    return np.exp(smooth / smooth.std()).astype(np.float32)


def volume(strength, grid=GRID):
    return make_volume(grid, strength=strength, coverage=np.isfinite(strength), depth_error=0 * strength)


@pytest.mark.parametrize("shift", [(0.1, 0.0), (0.0, -0.2), (0.37, 0.11), (-0.55, 0.4)])
def test_a_shift_of_less_than_a_cell_is_found(shift):
    found = register_volumes(volume(field(1)), volume(field(1, shift)))
    assert found.known.all()
    for along, expected in zip("xy", shift, strict=True):
        errors = (found[f"shift_{along}"].values - expected) / GRID.cell_m
        assert np.sqrt(np.mean(errors**2)) < 0.02
        assert np.abs(found[f"map_{along}"].values - expected).max() < 0.02 * GRID.cell_m


def test_shifts_survive_noise_and_another_gain():
    rng = np.random.default_rng(5)
    errors = []
    for seed in range(4):
        second = 3.0 * field(seed, (0.3, -0.1)) * np.exp(0.7 * rng.standard_normal(field(0).shape))
        found = register_volumes(volume(field(seed)), volume(second.astype(np.float32)))
        assert found.known_share > 0.9
        errors += [found.shift_x.values - 0.3, found.shift_y.values + 0.1]
    assert np.sqrt(np.nanmean(np.square(errors))) < 0.03
    assert abs(np.nanmean(errors[0::2])) < 0.01


def test_equal_volumes_give_zero():
    one = volume(field(2))
    found = register_volumes(one, one)
    assert found.known.all()
    for name in ("shift_x", "shift_y", "residual"):
        # The parabola's peak is not quite at zero where the field is not the same to both sides.
        np.testing.assert_allclose(found[name], 0.0, atol=0.01)
    np.testing.assert_allclose(found.correlation, 1.0)


def test_second_to_first_is_the_opposite():
    one, two = volume(field(3)), volume(field(3, (0.3, 0.2)))
    there, back = register_volumes(one, two), register_volumes(two, one)
    np.testing.assert_allclose(there.map_x + back.map_x, 0.0, atol=0.01)


def test_pure_noise_is_not_known():
    shares = []
    for seed in range(8):
        found = register_volumes(volume(field(seed)), volume(field(100 + seed)))
        shares.append(found.known_share)
        if not found.known.any():
            assert np.isnan(found.map_x).all()
            assert np.isnan(found.sigma_m)
    # Each has one chance in twenty of a false block.
    assert sum(share > 0 for share in shares) <= 1


def test_a_shift_that_grows_along_the_site_is_a_plane():
    # A wheel that counts 1 % short along x.
    strength = field(4)
    x = GRID.x[None, None, :] * np.ones(strength.shape)
    at = (x - 0.01 * (GRID.x - GRID.x0)) - GRID.x0
    stretched = np.array(
        [[np.interp(at[0, 0] / GRID.cell_m, np.arange(GRID.nx), row) for row in level] for level in strength]
    )
    found = register_volumes(volume(strength), volume(stretched.astype(np.float32)))
    middle = np.abs(found.x.values - found.x.values.mean()) < 8
    expected = 0.01 * (found.x.values - GRID.x0)
    np.testing.assert_allclose(found.map_x.values[:, middle], np.tile(expected[middle], (GRID.ny, 1)), atol=0.03)
    np.testing.assert_allclose(found.map_y, 0.0, atol=0.02)


def test_one_bad_corner_does_not_pull_the_map():
    second = field(6, (0.2, 0.0))
    second[:, :24, :24] = field(6, (-0.6, 0.6))[:, :24, :24]
    found = register_volumes(volume(field(6)), volume(second))
    np.testing.assert_allclose(found.map_x.values[40:, 40:], 0.2, atol=0.03)
    worst = int(found.residual.values.argmax())
    assert (found.block_x[worst] < GRID.x0 + 6, found.block_y[worst] < GRID.y0 + 6) == (True, True)


def test_blank_ground_has_no_shift_and_no_map():
    second = field(7, (0.2, 0.1))
    second[:, :, :40] = np.nan
    found = register_volumes(volume(field(7)), volume(second))
    far = found.block_x.values < GRID.x0 + 6
    assert np.isnan(found.shift_x.values[far]).all()
    assert not found.known.values[far].any()
    assert np.isnan(found.map_x.values[:, :40]).all()
    np.testing.assert_allclose(found.map_x.values[:, 44:], 0.2, atol=0.02)


def test_a_shift_beyond_what_is_looked_for_is_not_known():
    found = register_volumes(volume(field(8)), volume(field(8, (1.6, 0.0))), most_m=0.5)
    assert not found.known.any()


def test_the_difference_and_the_ratio_are_those_of_the_cells():
    one, two = field(9), 2.0 * field(9)
    two[2, 3, 4] = np.nan
    made = compare_volumes(volume(one), volume(two))
    expected = np.where(np.isnan(two), np.nan, one)
    np.testing.assert_allclose(made.difference.values, expected, rtol=1e-5)
    np.testing.assert_allclose(made.ratio_db.values[np.isfinite(expected)], 20 * np.log10(2), rtol=1e-5)
    assert np.isnan(made.ratio_db.values[2, 3, 4])
    assert "not corrected" in made.noise_bias


def test_the_ratio_without_noise_is_drawn_to_the_noises_and_with_it_is_not():
    signal = field(10)
    noise = 0.5
    one, two = np.hypot(signal, noise), np.hypot(3.0 * signal, noise)
    raw = compare_volumes(volume(one), volume(two)).ratio_db.values
    clean = compare_volumes(volume(one), volume(two), noise=(noise, noise)).ratio_db.values
    weak = signal < 0.5
    assert np.median(raw[weak]) < 0.8 * 20 * np.log10(3)
    np.testing.assert_allclose(np.median(clean[weak]), 20 * np.log10(3), rtol=0.01)
    quiet = compare_volumes(volume(0.4 + 0 * one), volume(two), noise=(noise, noise))
    assert np.isnan(quiet.ratio_db).all()


def test_faults_are_told():
    one = volume(field(1))
    other = GRID.model_copy(update={"x0": 0.0})
    with pytest.raises(InputError, match=r"one grid to be compared .*both visits' volumes in one run"):
        register_volumes(one, volume(field(1), other))
    with pytest.raises(InputError, match="one grid to be compared"):
        compare_volumes(one, one.drop_attrs())
    with pytest.raises(InputError, match=r"twice as wide as the largest shift .*1 m for 2 m"):
        register_volumes(one, one, block_m=1.0, most_m=2.0)
    with pytest.raises(InputError, match=r"smaller than one block .*20 by 24 m"):
        register_volumes(one, one, block_m=30.0)
    with pytest.raises(InputError, match=r"noise does not fit .*\(3,\)"):
        compare_volumes(one, one, noise=(np.ones(3), 1.0))
    with pytest.raises(InputError, match=r"noise must not be negative .*-1"):
        compare_volumes(one, one, noise=(-1.0, 1.0))
