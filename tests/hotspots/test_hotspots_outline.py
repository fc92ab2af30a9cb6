"""Outlines and their attributes: analytic shapes, symmetry, edges, faults."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity

from yewline.errors import InputError
from yewline.hotspots import (
    cells_inside,
    coverage_area,
    default_minimum_area_m2,
    outline,
    outline_attributes,
    outline_sigma_m,
    touches_edge,
)
from yewline.model import TargetModel, TargetSize, VolumeGrid


def grid_of(cell=0.25, nx=60, ny=60, x0=0.0, y0=0.0):
    return VolumeGrid(x0=x0, y0=y0, cell_m=cell, nx=nx, ny=ny, depth_step_m=0.05, nz=1)


def bump(grid, x, y, *, sx=1.0, sy=1.0, azimuth_deg=0.0):
    """Gaussian bump of height one; `sy` is its width along the azimuth, clockwise from +y."""
    xx, yy = np.meshgrid(grid.x - x, grid.y - y)
    a = np.deg2rad(azimuth_deg)
    along, across = xx * np.sin(a) + yy * np.cos(a), xx * np.cos(a) - yy * np.sin(a)
    return np.exp(-0.5 * ((along / sy) ** 2 + (across / sx) ** 2))


@pytest.mark.parametrize("level", [0.2, 0.5, 0.8])
@pytest.mark.parametrize("azimuth", [0.0, 30.0, 90.0, 145.0])
def test_the_outline_of_a_gaussian_bump_is_the_analytic_ellipse(level, azimuth):
    # The level curve of exp(−r²/2) is an ellipse with semi-axes σ√(2 ln 1/level): area 2π σx σy ln(1/level).
    grid = grid_of()
    (polygon,) = outline(bump(grid, 7.3, 7.6, sx=0.8, sy=1.6, azimuth_deg=azimuth), grid, level=level)
    (found,) = outline_attributes([polygon], np.ones((60, 60)), grid)
    reach = np.sqrt(2 * np.log(1 / level))
    assert found["area_m2"] == pytest.approx(np.pi * 0.8 * 1.6 * reach**2, rel=0.02)
    assert (found["x"], found["y"]) == pytest.approx((7.3, 7.6), abs=0.01)
    assert found["length_m"] == pytest.approx(3.2 * reach, rel=0.03)
    assert found["width_m"] == pytest.approx(1.6 * reach, rel=0.05)
    assert abs((found["azimuth_deg"] - azimuth + 90) % 180 - 90) < 3


def test_the_area_comes_nearer_to_the_ellipse_as_cells_get_smaller():
    misses = []
    for cell in (0.5, 0.25, 0.125):
        grid = grid_of(cell, round(15 / cell), round(15 / cell))
        (polygon,) = outline(bump(grid, 7.3, 7.6), grid, level=0.4)
        misses.append(abs(polygon.area / (2 * np.pi * np.log(1 / 0.4)) - 1))
    assert misses[0] > misses[1] > misses[2]
    assert misses[2] < 0.004


def test_a_ring_keeps_its_hole_and_an_island_in_the_hole_is_an_outline_of_its_own():
    grid = grid_of(0.1, 101, 101, -5, -5)
    r = np.hypot(*np.meshgrid(grid.x, grid.y))
    found = outline(np.cos(np.pi * r / 2), grid, level=0.0, area=shapely.Point(0, 0).buffer(4.2))
    # cos(πr/2) is positive for r < 1 and for 3 < r < 5: an island, and a ring that the area cuts at 4.2.
    assert sorted(len(p.interiors) for p in found) == [0, 1]
    island, ring = sorted(found, key=lambda p: len(p.interiors))
    assert island.area == pytest.approx(np.pi, rel=0.01)
    assert ring.area == pytest.approx(np.pi * (4.2**2 - 9), rel=0.01)


def test_a_level_halfway_between_two_columns_cuts_halfway():
    grid = grid_of(1.0, 4, 3)
    strength = np.tile([0.0, 0.0, 1.0, 1.0], (3, 1))
    (polygon,) = outline(strength, grid, level=0.5)
    assert polygon.bounds == pytest.approx((1.5, -0.5, 3.5, 2.5))
    assert polygon.area == pytest.approx(2.0 * 3)


def test_blank_cells_make_no_edge_and_no_outline_reaches_into_them():
    grid = grid_of()
    strength = bump(grid, 7.0, 7.0)
    (whole,) = outline(strength, grid, level=0.3)
    holed = strength.copy()
    holed[:, grid.x > 7.0] = np.nan
    (half,) = outline(holed, grid, level=0.3)
    # Data end with the last covered cell, half a cell beyond its centre.
    assert half.bounds[2] == pytest.approx(7.125)
    want = whole.intersection(shapely.box(0, 0, 7.125, 15))
    assert half.symmetric_difference(want).area < 0.02 * want.area
    weak = np.where(np.isfinite(holed), 0.1, np.nan)
    assert outline(weak, grid, level=0.3) == []
    one_cell_lost = strength.copy()
    one_cell_lost[28, 28] = np.nan
    (punched,) = outline(one_cell_lost, grid, level=0.3)
    assert whole.area - punched.area == pytest.approx(0.0625, abs=1e-6)


def test_outlines_end_at_the_area_too():
    grid = grid_of()
    area = shapely.box(0, 0, 7.0, 20).difference(shapely.box(6.0, 6.0, 6.5, 6.5))
    (polygon,) = outline(bump(grid, 7.0, 7.0), grid, level=0.3, area=area)
    assert area.buffer(1e-9).covers(polygon)
    assert polygon.area < 0.5 * outline(bump(grid, 7.0, 7.0), grid, level=0.3)[0].area


def test_small_outlines_are_left_out_and_near_ones_joined():
    grid = grid_of()
    strength = np.maximum(bump(grid, 5.0, 7.0, sx=0.5, sy=0.5), bump(grid, 6.8, 7.0, sx=0.5, sy=0.5))
    strength = np.maximum(strength, bump(grid, 12.0, 3.0, sx=0.2, sy=0.2))
    assert len(outline(strength, grid, level=0.5)) == 3
    assert len(outline(strength, grid, level=0.5, minimum_area_m2=0.3)) == 2
    joined = outline(strength, grid, level=0.5, minimum_area_m2=0.3, merge_gap_m=0.8)
    assert len(joined) == 1
    assert joined[0].area > sum(p.area for p in outline(strength, grid, level=0.5, minimum_area_m2=0.3))
    assert len(outline(strength, grid, level=0.5, minimum_area_m2=0.3, merge_gap_m=0.3)) == 2


def test_a_quarter_turn_and_a_shift_carry_over_to_the_outlines():
    rng = np.random.default_rng(3)
    grid = grid_of(0.5, 24, 24, -5.75, -5.75)
    strength = rng.uniform(size=(24, 24))
    strength[5:8, 9:12] = np.nan
    one = shapely.union_all(outline(strength, grid, level=0.6))
    # Row index grows with y: a turn of the array by np.rot90(k=-1) is a quarter turn anticlockwise of the map.
    turned = shapely.union_all(outline(np.rot90(strength, -1), grid, level=0.6))
    assert turned.symmetric_difference(affinity.rotate(one, 90, origin=(0, 0))).area < 1e-6
    moved = shapely.union_all(outline(strength, grid_of(0.5, 24, 24, 94.25, 30.25), level=0.6))
    assert moved.symmetric_difference(affinity.translate(one, 100, 36)).area < 1e-6


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    shape=st.tuples(st.integers(1, 9), st.integers(1, 9)),
    blank=st.floats(0, 1),
    steps=st.sampled_from([2, 3, 1000]),
    level=st.floats(-0.2, 1.2),
)
def test_outlines_hold_the_cells_above_the_level_and_no_others(seed, shape, blank, steps, level):
    rng = np.random.default_rng(seed)
    # Few steps make many cells lie exactly at the level, and saddles between them.
    strength = np.floor(rng.uniform(size=shape) * steps) / steps
    level = round(level * steps) / steps if steps < 10 else level
    strength[rng.uniform(size=shape) < blank] = np.nan
    grid = grid_of(0.5, shape[1], shape[0])
    before = strength.copy()
    polygons = outline(strength, grid, level=level)
    np.testing.assert_array_equal(strength, before)
    assert all(p.is_valid and p.area > 0 for p in polygons)
    ground = coverage_area(strength, grid).buffer(1e-9)
    assert all(ground.covers(p) for p in polygons)
    xx, yy = np.meshgrid(grid.x, grid.y)
    everything = shapely.union_all(polygons) if polygons else shapely.Polygon()
    above = strength > level + 1e-6
    assert shapely.intersects_xy(everything.buffer(1e-6), xx, yy)[above].all()
    assert not shapely.intersects_xy(everything.buffer(-1e-6), xx, yy)[~above].any()


def test_constant_blank_and_unreached_slices_have_no_outline():
    grid = grid_of(0.5, 6, 5)
    assert outline(np.ones((5, 6)), grid, level=1.0) == []
    assert outline(np.full((5, 6), np.nan), grid, level=1.0) == []
    assert outline(np.ones((5, 6)), grid, level=np.inf) == []
    (everything,) = outline(np.ones((5, 6)), grid, level=0.5)
    assert everything.area == pytest.approx(30 * 0.25)


def test_the_same_slice_gives_the_same_bytes():
    strength = np.random.default_rng(4).uniform(size=(60, 60))
    one, other = ([shapely.to_wkb(p) for p in outline(strength, grid_of(), level=0.7)] for _ in range(2))
    assert one == other
    assert len(one) > 10


@pytest.mark.parametrize("azimuth", [0.0, 1.0, 37.5, 89.0, 90.0, 133.0, 179.0])
def test_a_rectangle_turned_clockwise_from_y_reads_its_own_azimuth(azimuth):
    plain = shapely.box(-0.375, -1.05, 0.375, 1.05)
    turned = affinity.translate(affinity.rotate(plain, -azimuth, origin=(0, 0)), 7, 7)
    (found,) = outline_attributes([turned], np.ones((60, 60)), grid_of())
    assert found["azimuth_deg"] == pytest.approx(azimuth, abs=1e-5)
    assert (found["length_m"], found["width_m"]) == pytest.approx((2.1, 0.75))
    assert (found["x"], found["y"], found["area_m2"]) == pytest.approx((7, 7, 2.1 * 0.75))


def test_the_azimuth_of_a_square_is_the_smaller_of_its_two():
    square = affinity.rotate(shapely.box(6, 6, 8, 8), -20, origin="center")
    (found,) = outline_attributes([square], np.ones((60, 60)), grid_of())
    assert found["azimuth_deg"] == pytest.approx(20.0, abs=1e-5)


def test_strengths_are_those_of_the_cells_inside_or_of_the_nearest():
    grid = grid_of(1.0, 5, 4)
    strength = np.arange(20.0).reshape(4, 5)
    strength[2, 2] = np.nan
    big, tiny, blank, outside = outline_attributes(
        [shapely.box(0.5, 0.5, 3.5, 2.5), shapely.box(3.1, 1.1, 3.2, 1.2), shapely.box(1.9, 1.9, 2.1, 2.1),
         shapely.box(50, 50, 51, 51)],
        strength, grid,
    )  # fmt: skip
    assert (big["mean_strength"], big["peak_strength"]) == (np.mean([6, 7, 8, 11, 13]), 13)
    assert (tiny["mean_strength"], tiny["peak_strength"]) == (8, 8)
    assert np.isnan([blank["mean_strength"], outside["peak_strength"]]).all()
    assert outside["area_m2"] == 1.0


def test_outlines_at_the_edge_of_the_covered_ground_are_known():
    grid = grid_of()
    strength = np.maximum(bump(grid, 0.0, 7.0), bump(grid, 8.0, 8.0))
    polygons = outline(strength, grid, level=0.5)
    assert touches_edge(polygons, coverage_area(strength, grid)).tolist() == [True, False]
    assert touches_edge([], coverage_area(strength, grid)).tolist() == []


def test_cells_inside_an_area_include_those_on_its_edge():
    grid = grid_of(1.0, 3, 2)
    assert cells_inside(None, grid).all()
    assert cells_inside(shapely.box(0, 0, 1, 0.4), grid).tolist() == [[True, True, False], [False, False, False]]


def test_the_sampling_error_is_that_of_two_uniform_distributions():
    # A simulated edge: anywhere between two lines, drawn anywhere within a cell.
    rng = np.random.default_rng(5)
    drawn = rng.uniform(-0.25, 0.25, 200_000) + rng.uniform(-0.125, 0.125, 200_000)
    assert outline_sigma_m(0.25, 0.5) == pytest.approx(drawn.std(), rel=0.01)
    assert outline_sigma_m(0.0, 0.0) == 0.0


def test_the_smallest_outline_is_half_a_childs_cut():
    assert default_minimum_area_m2() == pytest.approx(0.5 * 1.2 * 0.5)
    assert default_minimum_area_m2(TargetModel(child=TargetSize(length_m=1.0, width_m=0.4))) == pytest.approx(0.2)


def test_faults_are_named():
    grid = grid_of(1.0, 3, 3)
    with pytest.raises(InputError, match=r"strength does not fit the grid \(received \(2, 3\) for \(3, 3\)\)"):
        outline(np.ones((2, 3)), grid, level=1.0)
    with pytest.raises(InputError, match=r"strength does not fit the grid"):
        outline_attributes([], np.ones((2, 3)), grid)
    with pytest.raises(InputError, match="strength holds infinite values.*NaN"):
        outline(np.full((3, 3), np.inf), grid, level=1.0)
    with pytest.raises(InputError, match="level must be a number"):
        outline(np.ones((3, 3)), grid, level=np.nan)
    with pytest.raises(InputError, match="minimum_area_m2 must lie between"):
        outline(np.ones((3, 3)), grid, level=0.5, minimum_area_m2=-1)
    with pytest.raises(InputError, match=r"outline 2 is not an area \(received LineString\).*closed polygon"):
        outline_attributes([shapely.box(0, 0, 1, 1), shapely.LineString([(0, 0), (1, 1)])], np.ones((3, 3)), grid)
    with pytest.raises(InputError, match=r"outline 1 is not an area \(received nothing\)"):
        outline_attributes([shapely.Polygon()], np.ones((3, 3)), grid)
    with pytest.raises(InputError, match="line_spacing_m must lie between"):
        outline_sigma_m(0.25, -1)
