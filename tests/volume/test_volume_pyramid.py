"""Coarser levels of a volume: what a mean of four keeps, and what lies where."""

from __future__ import annotations

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.model import VolumeGrid, make_volume
from yewline.volume import pyramid


def volume_of(strength, **options):
    nz, ny, nx = strength.shape
    grid = VolumeGrid(x0=3.0, y0=-2.0, cell_m=0.5, nx=nx, ny=ny, depth_step_m=0.1, nz=nz)
    strength = strength.astype(np.float32)
    return make_volume(grid, strength=strength, coverage=np.isfinite(strength), depth_error=0.1 * strength, **options)


def test_levels_halve_until_they_are_small():
    levels = pyramid(volume_of(np.ones((2, 41, 23))), smallest_cells=8)
    assert [(v.sizes["depth"], v.sizes["y"], v.sizes["x"]) for v in levels] == [(2, 21, 12), (2, 11, 6), (2, 6, 3)]
    assert pyramid(volume_of(np.ones((2, 8, 8))), smallest_cells=8) == []


def test_a_plane_stays_the_same_plane_at_every_level():
    y, x = np.mgrid[0:32, 0:64]
    volume = volume_of((2.0 + 0.5 * (3.0 + 0.5 * x) - 0.25 * (-2.0 + 0.5 * y))[None])
    for level in pyramid(volume, smallest_cells=8):
        expected = 2.0 + 0.5 * level.x.values - 0.25 * level.y.values[:, None]
        np.testing.assert_allclose(level.strength.values[0], expected, rtol=1e-6)


def test_the_sum_over_the_ground_is_kept_where_all_is_known():
    strength = np.random.default_rng(1).random((3, 64, 32))
    for n, level in enumerate(pyramid(volume_of(strength), smallest_cells=8), 1):
        assert level.strength.values.sum() * 4**n == pytest.approx(strength.sum(), rel=1e-5)


def test_blank_cells_take_no_part_and_stay_blank_only_together():
    strength = np.arange(1.0, 17.0).reshape(1, 4, 4)
    strength[0, 0, 0] = strength[0, 2:, 2:] = np.nan
    (level, _) = pyramid(volume_of(strength), smallest_cells=1)
    np.testing.assert_allclose(level.strength.values[0], [[(2 + 5 + 6) / 3, 5.5], [11.5, np.nan]])
    assert level.coverage.values[0].tolist() == [[True, True], [True, False]]


@pytest.mark.parametrize(("ny", "nx"), [(5, 4), (4, 5), (5, 5), (1, 7)])
def test_an_odd_row_or_column_is_a_cell_of_its_own(ny, nx):
    strength = np.random.default_rng(2).random((2, ny, nx))
    level = pyramid(volume_of(strength), smallest_cells=2)[0]
    for j, i in np.ndindex(-(-ny // 2), -(-nx // 2)):
        block = strength[:, 2 * j : 2 * j + 2, 2 * i : 2 * i + 2]
        np.testing.assert_allclose(level.strength.values[:, j, i], block.mean(axis=(1, 2)), rtol=1e-6)


def test_each_level_says_where_its_cells_lie():
    volume = volume_of(np.ones((1, 8, 8)))
    for level in pyramid(volume, smallest_cells=2):
        grid = VolumeGrid.model_validate_json(level.attrs["grid"])
        np.testing.assert_array_equal(level.x.values, grid.x)
        np.testing.assert_array_equal(level.y.values, grid.y)
        assert level.x.values[0] - 0.5 * grid.cell_m == volume.x.values[0] - 0.25
        assert level.x.attrs == volume.x.attrs
        assert level.strength.attrs == volume.strength.attrs
        np.testing.assert_array_equal(level.depth.values, volume.depth.values)


def test_maps_over_y_and_x_are_halved_and_other_variables_left_out():
    volume = volume_of(np.ones((2, 4, 4)))
    volume["note"] = ("depth", [1.0, 2.0])
    volume["class"] = (("y", "x"), np.ones((4, 4), np.int64))
    volume["noise"] = (("y", "x"), np.arange(16.0).reshape(4, 4))
    (level,) = pyramid(volume, smallest_cells=2)
    assert sorted(level.data_vars) == ["coverage", "depth_error", "noise", "position_sigma", "strength"]
    assert level.noise.values.tolist() == [[2.5, 4.5], [10.5, 12.5]]


def test_the_volume_is_left_as_it_was():
    volume = volume_of(np.ones((1, 6, 6)))
    before = volume.copy(deep=True)
    pyramid(volume, smallest_cells=1)
    assert volume.identical(before)


def test_faults_are_told():
    volume = volume_of(np.ones((1, 6, 6)))
    with pytest.raises(InputError, match=r"a pyramid needs the volume's grid\. .*with its attributes"):
        pyramid(volume.drop_attrs())
    with pytest.raises(InputError, match="smallest_cells must be greater than zero"):
        pyramid(volume, smallest_cells=0)
