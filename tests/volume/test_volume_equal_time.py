"""Slabs at equal time: the rule of level slices, moved by the velocities' ratio."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from yewline.errors import InputError
from yewline.ground import time_of_depth
from yewline.model import VelocityField, VolumeGrid, make_volume
from yewline.volume import slab_between, slice_exactly, window_depths_m

GRID = VolumeGrid(x0=0.0, y0=0.0, cell_m=0.5, nx=7, ny=5, depth_step_m=0.05, nz=40)


@pytest.fixture
def volume() -> xr.Dataset:
    rng = np.random.default_rng(3)
    strength = rng.lognormal(size=(40, 5, 7)).astype(np.float32)
    coverage = rng.random((40, 5, 7)) > 0.2
    return make_volume(GRID, strength=strength, coverage=coverage, depth_error=0 * strength)


@pytest.mark.parametrize(("top", "base"), [(0.5, 0.75), (0.0, 0.05), (0.613, 0.7781), (1.9, 2.0)])
def test_between_level_faces_it_is_the_level_slice(volume: xr.Dataset, top: float, base: float) -> None:
    flat = np.ones((5, 7))
    found, exact = slab_between(volume, top * flat, base * flat), slice_exactly(volume, top, base)
    np.testing.assert_array_equal(found["coverage"].values, exact["coverage"].values[0])
    np.testing.assert_allclose(found["strength"].values, exact["strength"].values[0], rtol=2e-6)


def test_each_column_is_cut_where_its_own_faces_lie(volume: xr.Dataset) -> None:
    rng = np.random.default_rng(5)
    top = rng.uniform(0.0, 1.2, (5, 7))
    base = top + rng.uniform(0.06, 0.6, (5, 7))
    found = slab_between(volume, top, base)["strength"].values
    for j, i in ((0, 0), (2, 3), (4, 6)):
        exact = slice_exactly(volume, top[j, i], base[j, i])["strength"].values[0, j, i]
        np.testing.assert_allclose(found[j, i], exact, rtol=2e-6)


def test_a_window_lies_where_the_velocity_puts_it() -> None:
    window = tuple(float(t) for t in time_of_depth([0.8, 1.1], 0.1, separation_m=0.2))
    for v in (0.07, 0.1, 0.13):
        top, base = window_depths_m(window, VelocityField.uniform(v, 0.01), GRID, separation_m=0.2)
        exact = [0.5 * np.sqrt((v * t) ** 2 - 0.04) for t in window]
        np.testing.assert_allclose(top, exact[0], rtol=1e-12)
        np.testing.assert_allclose(base, exact[1], rtol=1e-12)
    # Without a separation depths are as velocities.
    near = [window_depths_m((16.0, 22.0), VelocityField.uniform(v, 0.01), GRID)[0].mean() for v in (0.06, 0.12)]
    assert near[1] / near[0] == pytest.approx(2.0, rel=1e-12)


def test_below_the_volume_nothing_is_covered() -> None:
    ones = np.ones((40, 5, 7), np.float32)
    full = make_volume(GRID, strength=ones, coverage=ones > 0, depth_error=ones)
    flat = np.ones((5, 7))
    assert slab_between(full, 1.9 * flat, 2.09 * flat)["coverage"].values.all()
    below = slab_between(full, 1.95 * flat, 2.3 * flat)
    assert not below["coverage"].values.any()
    assert np.isnan(below["strength"].values).all()
    assert not slab_between(full, 2.5 * flat, 2.7 * flat)["coverage"].values.any()


def test_faults(volume: xr.Dataset) -> None:
    flat = np.ones((5, 7))
    with pytest.raises(InputError, match="faces must be those of the volume's columns"):
        slab_between(volume, np.ones((4, 7)), 2 * np.ones((4, 7)))
    with pytest.raises(InputError, match="base must lie below its top"):
        slab_between(volume, flat, flat)
    with pytest.raises(InputError, match="must end after it begins"):
        window_depths_m((20.0, 20.0), VelocityField.uniform(0.1, 0.01), GRID)
