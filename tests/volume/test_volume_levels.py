"""Level cuts: a level thing under a slope is level again, and what follows the surface is not."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from yewline.errors import InputError
from yewline.model import VolumeGrid, make_volume
from yewline.volume import cut_levels, cut_slices, level_volume

GRID = VolumeGrid(x0=0.0, y0=0.0, cell_m=0.5, nx=21, ny=4, depth_step_m=0.05, nz=40)
SLOPE = np.broadcast_to(100.0 + 0.08 * GRID.x, (4, 21))


def volume_of(depth_of_thing: np.ndarray) -> xr.Dataset:
    """Strength 1 in the bins within 0.1 m of a depth below the surface, (Y, X); 0 elsewhere."""
    strength = (np.abs(GRID.depth[:, None, None] - depth_of_thing) < 0.1).astype(np.float32)
    return make_volume(GRID, strength=strength, coverage=strength >= 0, depth_error=np.full_like(strength, 0.07))


def test_a_level_floor_under_a_slope_lies_in_one_level_cut() -> None:
    cuts = cut_levels(volume_of(SLOPE - 99.4), SLOPE, thickness_m=0.4)
    strong = np.nanmax(cuts["strength"].values, axis=(1, 2))
    (seen,) = np.flatnonzero(strong > 0.5)
    assert cuts["base_height"].values[seen] < 99.4 < cuts["top_height"].values[seen]
    assert np.nanmin(cuts["strength"].values[seen]) > 0.4
    # Below the surface the same floor is spread over depths from 0.6 to 1.4 m.
    below = cut_slices(volume_of(SLOPE - 99.4), thickness_m=0.4, overlap=0.0)
    assert (np.nanmax(below["strength"].values, axis=(1, 2)) > 0.4).sum() >= 3


def test_level_ground_is_left_as_it_is() -> None:
    volume = volume_of(np.full((4, 21), 0.8))
    level = level_volume(volume, np.full((4, 21), 55.5))
    np.testing.assert_array_equal(level["strength"].values, volume["strength"].values)
    assert level.attrs["datum_m"] == 55.5


def test_each_column_keeps_its_energy_and_its_error() -> None:
    volume = volume_of(np.full((4, 21), 1.0))
    level = level_volume(volume, SLOPE)
    np.testing.assert_allclose(
        np.nansum(level["strength"].values, axis=0), volume["strength"].values.sum(axis=0), rtol=1e-5
    )
    error = level["depth_error"].values
    assert np.nanmin(error) == np.nanmax(error) == np.float32(0.07)
    # Nothing above the ground: at the foot of the slope the first 1.6 m below the datum are air.
    assert np.isnan(level["strength"].values[:16, :, 0]).all()
    assert np.isfinite(level["strength"].values[0, :, -1]).all()


def test_columns_of_unknown_height_hold_nothing() -> None:
    height = SLOPE.copy()
    height[0] = np.nan
    level = level_volume(volume_of(np.full((4, 21), 1.0)), height)
    assert not level["coverage"].values[:, 0].any()
    assert level["coverage"].values[:, 1].any()


def test_faults() -> None:
    volume = volume_of(np.full((4, 21), 1.0))
    with pytest.raises(InputError, match="heights must be those of the volume's columns"):
        level_volume(volume, np.zeros((3, 21)))
    with pytest.raises(InputError, match="no covered ground has a height"):
        level_volume(volume, np.full((4, 21), np.nan))
