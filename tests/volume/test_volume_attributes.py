"""Attributes of a volume on ground whose answer is known: layers, a shaft cut through them, a quiet shaft, noise."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from yewline.errors import InputError
from yewline.model import VolumeGrid, make_volume
from yewline.volume import volume_energy, volume_quietness, volume_similarity, volume_truncation
from yewline.volume.median_around import median_around

GRID = VolumeGrid(x0=0, y0=0, cell_m=0.25, nx=60, ny=48, depth_step_m=0.1, nz=24)
SHAPE = (GRID.nz, GRID.ny, GRID.nx)
SHAFT = (slice(None), slice(20, 28), slice(26, 30))
"""Two metres by one."""


def volume(strength, grid=GRID):
    strength = np.asarray(strength, np.float32)
    return make_volume(grid, strength=strength, coverage=np.isfinite(strength), depth_error=0 * strength)


def noise(seed, size=1.0):
    return size * np.random.default_rng(seed).standard_normal(SHAPE)


def layers(seed):
    """ln strength of level layers, the same in every column."""
    column = gaussian_filter(np.random.default_rng(seed).standard_normal(GRID.nz), 0.8)
    return np.broadcast_to((column / column.std())[:, None, None], SHAPE).copy()


def shaft(seed, disturbed=1.0):
    """Level layers, mixed up in a shaft."""
    ground = layers(seed) + noise(seed + 1, 0.3)
    ground[SHAFT] = disturbed * noise(seed + 2)[SHAFT]
    return volume(np.exp(ground))


def test_energy_is_the_mean_square_of_the_window():
    strength = np.exp(noise(0))
    made = volume_energy(volume(strength), window_m=0.5)
    np.testing.assert_allclose(made[10], (strength[8:13] ** 2).mean(axis=0), rtol=1e-5)
    np.testing.assert_allclose(made[0], (strength[:3] ** 2).mean(axis=0), rtol=1e-5)
    np.testing.assert_allclose(volume_energy(volume(3 * strength), window_m=0.5), 9 * made, rtol=1e-5)
    np.testing.assert_allclose(volume_energy(volume(strength), window_m=0.1), strength**2, rtol=1e-5)


def test_energy_takes_no_part_of_blank_ground():
    strength = np.exp(noise(1))
    strength[12:, :, :20] = np.nan
    made = volume_energy(volume(strength), window_m=0.5)
    np.testing.assert_array_equal(np.isnan(made), np.isnan(strength))
    np.testing.assert_allclose(made[11, :, :20], (strength[9:12, :, :20] ** 2).mean(axis=0), rtol=1e-5)


@pytest.mark.parametrize("seed", range(4))
def test_a_quiet_shaft_is_quiet_by_as_much_as_it_was_made(seed):
    strength = np.exp(noise(seed, 0.4))
    strength[SHAFT] *= 10 ** (-12 / 20)
    quiet, significant = volume_quietness(volume(strength))
    core = (slice(2, -2), slice(22, 26), slice(27, 29))
    assert np.median(quiet[core]) == pytest.approx(12.0, abs=1.5)
    assert significant[core].mean() > 0.95
    beside = significant[:, :, :20]
    # Two in a thousand of a normal distribution; the logarithm of a mean square has a slightly longer tail below.
    assert beside.mean() < 0.01


def test_quietness_knows_no_gain_and_no_decay():
    strength = np.exp(noise(7, 0.4))
    strength[SHAFT] *= 0.2
    plain = volume_quietness(volume(strength), window_m=0.1)[0]
    fading = strength * np.exp(-0.3 * np.arange(GRID.nz))[:, None, None]
    np.testing.assert_allclose(volume_quietness(volume(fading), window_m=0.1)[0], plain, atol=1e-3)


def test_loud_ground_is_not_quiet_and_silence_is_the_quietest():
    strength = np.exp(noise(8, 0.2))
    strength[:, 10:14, 10:14] *= 5
    strength[:, 30:36, 30:36] = 0.0
    quiet, significant = volume_quietness(volume(strength))
    assert (quiet[:, 11:13, 11:13] == 0).all()
    assert (quiet[:, 32:34, 32:34] == 30).all()
    assert significant[:, 32:34, 32:34].all()


def test_layers_are_alike_whatever_their_level_and_noise_is_not():
    level = np.exp(gaussian_filter(noise(9), (0, 3, 3)) * 20)[0]
    alike = volume_similarity(volume(np.exp(layers(3)) * level))
    np.testing.assert_allclose(alike, 1.0, atol=1e-4)
    # A cross of nine columns without anything in common: one over nine.
    lone = volume_similarity(volume(np.exp(noise(10))))[:, 4:-4, 4:-4]
    assert lone.mean() == pytest.approx(1 / 9, abs=0.01)


def test_similarity_falls_as_noise_grows_by_the_share_of_noise():
    # Layers of a period of one window: their power is one, and a window's mean takes nothing off.
    ripple = np.sqrt(2) * np.sin(2 * np.pi * np.arange(GRID.nz) / 5)[:, None, None]
    for size in (0.0, 0.3, 1.0, 3.0):
        alike = volume_similarity(volume(np.exp(ripple + noise(5, size))), window_m=0.5)[4:-4, 4:-4, 4:-4]
        power = 0.8 * size**2
        assert alike.mean() == pytest.approx((9 + power) / (9 * (1 + power)), abs=0.015)


def test_a_shaft_cut_through_layers_is_not_alike_inside():
    alike = volume_similarity(shaft(11))
    assert np.median(alike[:, 22:26, 27:29]) < 0.4
    assert np.median(alike[:, :, :18]) > 0.75


@pytest.mark.parametrize("seed", [20, 30, 40])
def test_a_shaft_cut_through_layers_shows_at_its_edges_as_truncation(seed):
    cut = volume_truncation(shaft(seed))
    edges = [cut[:, 22:26, i].mean() for i in (25, 26, 29, 30)]
    beside = cut[:, :, 6:18].mean()
    assert min(edges) > 3 * beside
    # Along y as well, at the ends of the shaft.
    assert min(cut[:, j, 27:29].mean() for j in (19, 20, 27, 28)) > 3 * beside


def test_layers_alone_and_noise_alone_have_no_truncation():
    np.testing.assert_allclose(volume_truncation(volume(np.exp(layers(6)))), 0.0, atol=1e-4)
    assert np.median(volume_truncation(volume(np.exp(noise(12))))) < 0.3


def test_truncation_and_similarity_do_not_see_a_change_of_level():
    level = np.where(np.arange(GRID.nx) < 30, 1.0, 4.0)
    ground = volume(np.exp(layers(7)) * level)
    np.testing.assert_allclose(volume_truncation(ground), 0.0, atol=1e-4)
    np.testing.assert_allclose(volume_similarity(ground), 1.0, atol=1e-4)


@pytest.mark.parametrize(
    "attribute", [volume_energy, volume_similarity, volume_truncation, lambda v: volume_quietness(v)[0]]
)
def test_turned_ground_gives_turned_attributes(attribute):
    strength = np.exp(layers(8) + noise(13, 0.5))
    turned = GRID.model_copy(update={"nx": GRID.ny, "ny": GRID.nx})
    np.testing.assert_allclose(
        attribute(volume(strength.transpose(0, 2, 1), turned)).transpose(0, 2, 1),
        attribute(volume(strength)),
        atol=1e-4,
    )


@pytest.mark.parametrize(
    "attribute", [volume_energy, volume_similarity, volume_truncation, lambda v: volume_quietness(v)[0]]
)
def test_blank_ground_stays_blank(attribute):
    strength = np.exp(noise(14))
    strength[:, :, 40:] = np.nan
    made = attribute(volume(strength))
    assert np.isnan(made[:, :, 40:]).all()
    assert np.isfinite(made[:, :, 5:35]).all()
    assert made.dtype == np.float32
    assert made.shape == SHAPE


def test_the_median_around_is_that_of_what_is_known():
    values = np.random.default_rng(15).standard_normal((20, 30))
    values[3:9, 4:12] = np.nan
    made = median_around(values, 5)
    for j, i in [(0, 0), (6, 8), (10, 10), (19, 29), (5, 4)]:
        block = values[max(0, j - 2) : j + 3, max(0, i - 2) : i + 3]
        known = block[np.isfinite(block)]
        assert made[j, i] == pytest.approx(np.median(known)) if len(known) else np.isnan(made[j, i])


def test_faults_are_told():
    ground = volume(np.exp(noise(1)))
    for attribute in (volume_energy, volume_quietness, volume_similarity, volume_truncation):
        with pytest.raises(InputError, match=r"needs a volume with its strength and its grid .*as it was made"):
            attribute(ground.drop_attrs())
    with pytest.raises(InputError, match="window_m must be greater than zero"):
        volume_energy(ground, window_m=0.0)
    with pytest.raises(InputError, match=r"surroundings must be wider .*1 m around 2 m.*three times side_m"):
        volume_quietness(ground, side_m=2.0, around_m=1.0)
    with pytest.raises(InputError, match=r"shows whether columns are alike .*0\.2 m in bins of 0\.1 m"):
        volume_similarity(ground, window_m=0.2)
    with pytest.raises(InputError, match=r"shows where layers end .*engthen window_m"):
        volume_truncation(ground, window_m=0.1)
