"""Slices cut from a volume."""

from __future__ import annotations

import math

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import InputError
from yewline.model import VolumeGrid, make_volume
from yewline.volume import choose_slice, cut_slices, slice_depth_error_m, slice_exactly, slice_label, slice_thickness_m

GRID = VolumeGrid(x0=0, y0=0, cell_m=0.5, nx=4, ny=3, depth_step_m=0.05, nz=24)


def volume_of(strength, *, coverage=None, error=None):
    shape = (GRID.nz, GRID.ny, GRID.nx)
    strength = np.broadcast_to(np.asarray(strength, np.float32), shape)
    return make_volume(
        GRID,
        strength=strength,
        coverage=np.ones(shape, bool) if coverage is None else np.broadcast_to(coverage, shape),
        depth_error=np.full(shape, 0.05, np.float32) if error is None else np.broadcast_to(error, shape),
    )


def test_thickness_is_half_the_longest_wavelength():
    # Wavelengths 0.130/0.4 = 0.325 m and 0.073/0.4 = 0.1825 m.
    assert slice_thickness_m([0.130, 0.073], [400, 400]) == pytest.approx(0.1625)
    assert slice_thickness_m([0.130, 0.073], [400, 200]) == pytest.approx(0.1825)


def test_a_constant_volume_gives_constant_slices():
    slices = cut_slices(volume_of(2.5), thickness_m=0.16)
    np.testing.assert_allclose(slices.strength.values, 2.5, rtol=1e-6)
    np.testing.assert_allclose(slices.depth_error.values, 0.05, rtol=1e-6)
    assert slices.coverage.values.all()


def test_slices_step_down_by_the_part_that_they_do_not_share():
    slices = cut_slices(volume_of(1.0), thickness_m=0.2, overlap=0.5)
    assert slices.top.values == pytest.approx(np.arange(11) * 0.1)
    assert slices.base.values == pytest.approx(np.arange(11) * 0.1 + 0.2)
    assert len(cut_slices(volume_of(1.0), thickness_m=0.2, overlap=0.0).slice) == 6
    assert len(cut_slices(volume_of(1.0), thickness_m=1.2).slice) == 1


def test_all_visits_get_the_same_slices():
    one, other = (cut_slices(volume_of(value), thickness_m=0.1625) for value in (1.0, 9.0))
    xr.testing.assert_identical(one.coords.to_dataset(), other.coords.to_dataset())


def test_strength_is_the_root_mean_square_over_the_slab_by_parts_of_bins():
    depth = GRID.depth[:, None, None]
    one = slice_exactly(volume_of(depth), 0.10, 0.22)
    # Bins at 0.125, 0.175 m (whole) and 0.225 m (0.02 of its 0.05 m).
    want = math.sqrt((0.05 * 0.125**2 + 0.05 * 0.175**2 + 0.02 * 0.225**2) / 0.12)
    np.testing.assert_allclose(one.strength.values, want, rtol=1e-6)
    assert (one.top.item(), one.base.item()) == (0.10, 0.22)


def test_a_cut_slice_is_the_slice_cut_exactly():
    rng = np.random.default_rng(2)
    volume = volume_of(rng.uniform(1, 2, (24, 3, 4)))
    slices = cut_slices(volume, thickness_m=0.17, overlap=0.25)
    alone = slice_exactly(volume, float(slices.top[3]), float(slices.base[3]))
    np.testing.assert_array_equal(alone.strength.values[0], slices.strength.values[3])


def test_half_a_slab_must_be_covered():
    coverage = (GRID.depth < 0.5)[:, None, None]
    slices = cut_slices(volume_of(1.0, coverage=coverage), thickness_m=0.2)
    # Data end at 0.50 m: the slab from 0.4 to 0.6 is half covered, the next not at all.
    assert slices.coverage.values.any(axis=(1, 2)).tolist() == [True] * 5 + [False] * 6
    assert np.isnan(slices.strength.values[5:]).all()
    assert np.isnan(slices.depth_error.values[5:]).all()
    np.testing.assert_allclose(slices.strength.values[:5], 1.0)


def test_cells_are_covered_one_by_one():
    coverage = np.ones((24, 3, 4), bool)
    coverage[:, 1, 2] = False
    slices = cut_slices(volume_of(1.0, coverage=coverage), thickness_m=0.2)
    assert (~slices.coverage.values).sum(axis=(1, 2)).tolist() == [1] * 11
    assert np.isnan(slices.strength.values[:, 1, 2]).all()


def test_the_depth_error_of_a_slice_is_that_of_its_middle_where_it_grows_with_depth():
    slices = cut_slices(volume_of(1.0, error=(0.1 * GRID.depth)[:, None, None].astype(np.float32)), thickness_m=0.2)
    middle = 0.5 * (slices.top.values + slices.base.values)
    np.testing.assert_allclose(slices.depth_error.values[:, 0, 0], 0.1 * middle, rtol=1e-5)
    assert slice_depth_error_m(slices, 3) == pytest.approx(0.04, rel=1e-5)


def test_the_depth_error_of_a_blank_slice_is_not_a_number():
    slices = cut_slices(volume_of(1.0, coverage=np.zeros((1, 1, 1), bool)), thickness_m=0.2)
    assert math.isnan(slice_depth_error_m(slices, 0))
    assert not slices.coverage.values.any()


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 1000), thickness=st.floats(0.05, 1.2), overlap=st.floats(0, 0.9))
def test_slices_stay_in_the_range_of_their_bins(seed, thickness, overlap):
    rng = np.random.default_rng(seed)
    strength = rng.uniform(1, 3, (24, 3, 4)).astype(np.float32)
    coverage = rng.uniform(size=strength.shape) < 0.8
    volume = volume_of(strength, coverage=coverage)
    slices = cut_slices(volume, thickness_m=thickness, overlap=overlap)
    assert slices.base.values[-1] <= 1.2 + 1e-6
    np.testing.assert_array_equal(np.isfinite(slices.strength.values), slices.coverage.values)
    seen = slices.strength.values[slices.coverage.values]
    if len(seen):
        assert 1 - 1e-5 <= seen.min() <= seen.max() <= 3 + 1e-5


def test_the_nearest_slice_is_chosen_and_the_shallower_of_two_alike():
    slices = cut_slices(volume_of(1.0), thickness_m=0.2)
    assert choose_slice(slices, (0.6, 0.8)) == 6
    assert choose_slice(slices, (0.62, 0.85)) == 6
    assert choose_slice(slices, (0.65, 0.85)) == 6
    assert choose_slice(slices, (5.0, 6.0)) == 10


def test_labels_carry_the_error():
    assert slice_label(0.6, 0.8, 0.0712) == "0.60–0.80 m ± 0.07"
    assert slice_label(0.6, 0.8, math.nan) == "0.60–0.80 m"


def test_faults_are_named():
    volume = volume_of(1.0)
    with pytest.raises(InputError, match="one velocity and one frequency for each visit.*2 and 1"):
        slice_thickness_m([0.1, 0.1], [400])
    with pytest.raises(InputError, match="centre_mhz must be greater than zero"):
        slice_thickness_m([0.1], [0])
    for thickness in (0.01, 1.3):
        with pytest.raises(InputError, match=r"between one depth bin \(0.05 m\) and the whole volume \(1.2 m\) thick"):
            cut_slices(volume, thickness_m=thickness)
    with pytest.raises(InputError, match="overlap must lie between 0 and 0.95"):
        cut_slices(volume, thickness_m=0.2, overlap=1.0)
    for top, base in ((0.5, 0.4), (1.0, 1.4), (-0.1, 0.2)):
        with pytest.raises(InputError, match="a slice must lie inside the volume, its top above its base"):
            slice_exactly(volume, top, base)
    with pytest.raises(InputError, match="needs strength, coverage and depth_error"):
        cut_slices(volume.drop_vars("coverage"), thickness_m=0.2)
    with pytest.raises(InputError, match="top must be above its base"):
        choose_slice(cut_slices(volume, thickness_m=0.2), (0.8, 0.6))
    with pytest.raises(InputError, match="no slices to choose from"):
        choose_slice(cut_slices(volume, thickness_m=0.2).isel(slice=slice(0, 0)), (0.6, 0.8))


@pytest.mark.parametrize("thickness_m", [0.05, 0.125, 0.25, 0.9])
def test_a_thin_slice_of_a_wide_target_is_the_middle_one(thickness_m: float):
    """Every slice inside the target is alike by its edges; the middle one is meant."""
    tops = np.arange(0.0, 2.0 - thickness_m, thickness_m / 2)
    slices = xr.Dataset(coords={"top": ("slice", tops), "base": ("slice", tops + thickness_m)})
    chosen = choose_slice(slices, (0.5, 1.5))
    assert abs(tops[chosen] + thickness_m / 2 - 1.0) <= thickness_m / 4 + 1e-9
