"""Depth of the strongest response in columns of ground, and where a cut at equal time runs."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from yewline.errors import InputError
from yewline.ground import depth_of_time
from yewline.model import VelocityField, VolumeGrid, make_radargram, make_volume
from yewline.volume import build_volume, column_crests, sample_depths_m, slab_between, window_depths_m

GRID = VolumeGrid(x0=0, y0=0, cell_m=0.25, nx=24, ny=20, depth_step_m=0.025, nz=60)
BETWEEN = (0.4, 1.3)


def volume_of(strength: np.ndarray):
    shape = (GRID.nz, GRID.ny, GRID.nx)
    strength = np.broadcast_to(strength, shape).astype(np.float32)
    error = np.broadcast_to(0.1 * GRID.depth[:, None, None], shape).astype(np.float32)
    return make_volume(GRID, strength=strength, coverage=np.isfinite(strength), depth_error=error)


def bump(depth_m: float, *, wide_m: float = 0.08) -> np.ndarray:
    return np.exp(-0.5 * ((GRID.depth - depth_m) / wide_m) ** 2)


def test_a_bump_is_found_between_the_bins_whatever_strength_does_with_depth() -> None:
    outline = shapely.box(2.0, 2.0, 3.0, 3.0)
    inside = shapely.contains_xy(outline, *np.meshgrid(GRID.x, GRID.y))
    for depth in (0.61, 0.8, 1.007):
        # Eightfold loss from the surface to the base: without the level the crest would be drawn upward.
        loss = np.exp(-1.4 * GRID.depth)[:, None, None]
        strength = loss * (1.0 + 2.0 * bump(depth)[:, None, None] * inside)
        found = column_crests(volume_of(strength), [outline], between_m=BETWEEN)
        assert found.depth_m[0] == pytest.approx(depth, abs=0.003)
        assert found.contrast[0] == pytest.approx(3.0, abs=0.06)
        assert found.half_width_m[0] == pytest.approx(0.1 * depth, abs=0.003)


def test_a_column_that_is_strongest_at_an_end_has_no_crest() -> None:
    corner = shapely.box(2.0, 2.0, 3.0, 3.0)
    inside = shapely.contains_xy(corner, *np.meshgrid(GRID.x, GRID.y))
    for depth in (0.2, 1.5):
        found = column_crests(volume_of(1.0 + bump(depth)[:, None, None] * inside), [corner], between_m=BETWEEN)
        assert np.isnan(found.depth_m[0])
        assert found.at_end[0]


def test_columns_without_data_have_no_crest_and_small_outlines_take_the_nearest_cell() -> None:
    strength = 1.0 + np.broadcast_to(bump(0.8)[:, None, None], (GRID.nz, GRID.ny, GRID.nx)).copy()
    strength[:, :, :12] *= 2.0
    strength[:, :10] = np.nan
    blank, small, half = shapely.box(1, 0.5, 2, 1.5), shapely.box(2.05, 4.05, 2.1, 4.1), shapely.box(1, 1.5, 2, 3.1)
    found = column_crests(volume_of(strength), [blank, small, half], between_m=BETWEEN)
    assert np.isfinite(found.contrast).tolist() == [False, True, True]
    assert not found.at_end[0]


def test_what_cannot_be_looked_into_is_refused() -> None:
    volume = volume_of(np.ones(1))
    with pytest.raises(InputError, match="at least three depth bins"):
        column_crests(volume, [], between_m=(0.4, 0.42))
    with pytest.raises(InputError, match="does not say its grid"):
        column_crests(volume.drop_attrs(), [], between_m=BETWEEN)


def field(*, layered: bool) -> VelocityField:
    """Faster toward the east; where layered, slower further down."""
    z = np.array([0.2, 0.6, 1.2]) if layered else np.zeros(1)
    across = np.linspace(0.08, 0.12, GRID.nx)
    v = np.broadcast_to(across, (len(z), GRID.ny, GRID.nx)) * (1.0 - 0.1 * z[:, None, None])
    return VelocityField(z, GRID.y, GRID.x, v, 0.05 * v, 0.1, 0.005)


@pytest.mark.parametrize("layered", [False, True])
def test_depths_of_cells_are_those_of_traces_on_them(layered: bool) -> None:
    v = field(layered=layered)
    depths = np.stack(window_depths_m((8.0, 15.0), v, GRID, separation_m=0.3))
    xs, ys = np.meshgrid(GRID.x, GRID.y)
    traces = sample_depths_m([8.0, 15.0], v, xs.ravel(), ys.ravel(), separation_m=0.3, step_m=GRID.depth_step_m)
    np.testing.assert_array_equal(depths.reshape(2, -1), traces.T)
    if not layered:
        np.testing.assert_allclose(depths[0, 3], depth_of_time(8.0, v.v_m_per_ns[0, 3], separation_m=0.3), rtol=1e-12)


@pytest.mark.parametrize("layered", [False, True])
def test_a_cut_at_equal_time_holds_the_same_of_one_recording_whatever_the_velocity(layered: bool) -> None:
    """One recording, strong from 12 to 16 ns alone: its cut at that time is as strong in any field."""
    time = 0.1 * np.arange(300)
    trace = np.where((time >= 12.0) & (time <= 16.0), 1.0, 0.0)
    x = np.arange(0.0, 5.8, 0.05)
    lines = [make_radargram(np.tile(trace, (len(x), 1)), interval_ns=0.1, x=x, y=0 * x + y) for y in GRID.y[::2]]
    cuts = {}
    for name, v in (("even", VelocityField.uniform(0.1, 0.01)), ("varied", field(layered=layered))):
        volume = build_volume(lines, v, GRID, line_spacing_m=0.5, separation_m=0.2)
        for at in (12.0, 16.5):
            top, base = window_depths_m((at, at + 4.0), v, GRID, separation_m=0.2)
            cuts[name, at] = slab_between(volume, top, base)["strength"].values
    for name in ("even", "varied"):
        assert np.nanmin(cuts[name, 12.0]) > 0.93
        assert np.nanmax(cuts[name, 16.5]) < 0.15
    assert np.nanmax(np.abs(cuts["even", 12.0] - cuts["varied", 12.0])) < 0.05
