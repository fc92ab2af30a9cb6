"""Membership, sampling, overlap and nearest-distance kernels against closed forms, twins and shapely."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pointpats import PointPattern
from scipy.spatial import cKDTree
from shapely import affinity

from yewline.accuracy import (
    Overlap,
    Window,
    capped_means,
    capped_means_shapely,
    nearest_means,
    nearest_means_numpy,
    rings_contain_numpy,
)
from yewline.errors import InputError

IRREGULAR = shapely.Polygon(
    [(0, 0), (38, -3), (44, 12), (36, 26), (14, 29), (-2, 18)], [[(18, 10), (24, 10), (24, 16), (18, 16)]]
)


BANK = shapely.LineString([(0, 9), (3, 9)])


def random_areas(seed: int) -> shapely.Geometry:
    rng = np.random.default_rng(seed)
    blobs = shapely.buffer(
        shapely.points(rng.uniform(0, 20, (6, 2))), rng.uniform(1, 5, 6), quad_segs=int(seed % 7) + 1
    )
    holes = shapely.buffer(shapely.points(rng.uniform(0, 20, (5, 2))), rng.uniform(0.2, 1.5, 5))
    return shapely.union_all(blobs) - shapely.union_all(holes)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000))
def test_membership_agrees_with_shapely_and_with_the_twin(seed):
    area = random_areas(seed)
    window = Window.of(area)
    points = np.random.default_rng(seed).uniform(-6, 26, (2_000, 2))
    inside = window.contains(points)
    assert (inside == shapely.contains_xy(area, points[:, 0], points[:, 1])).all()
    assert (inside == rings_contain_numpy(points, window.edges)).all()


def test_edges_belong_to_one_side_only():
    # Two windows that share an edge: every point on it belongs to exactly one, so neighbours tile the plane.
    left, right = Window.of(shapely.box(0, 0, 1, 1)), Window.of(shapely.box(1, 0, 2, 1))
    seam = np.column_stack([np.full(50, 1.0), np.linspace(0.01, 0.99, 50)])
    assert (left.contains(seam) ^ right.contains(seam)).all()


def test_sampling_is_uniform_inside_the_holes_left_out():
    window = Window.of(IRREGULAR)
    points = window.sample(np.random.default_rng(3), 40_000)
    assert points.shape == (40_000, 2)
    assert window.contains(points).all()
    quarter = shapely.box(20, 0, 45, 12)
    share = shapely.intersection(quarter, IRREGULAR).area / IRREGULAR.area
    found = shapely.contains_xy(quarter, points[:, 0], points[:, 1]).mean()
    assert found == pytest.approx(share, abs=4 * np.sqrt(share * (1 - share) / 40_000))
    assert window.area_m2 == pytest.approx(IRREGULAR.area)


def test_random_point_to_lattice_has_the_closed_mean():
    # Mean distance of a random point to a square lattice of pitch a: a(√2 + ln(1 + √2))/6.
    cell = Window.of(shapely.box(0, 0, 1, 1))
    points = cell.sample(np.random.default_rng(5), 100_000).reshape(500, 200, 2)
    corners = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0], [1.0, 1.0]])
    mean = nearest_means(points, corners)[:, 0].mean()
    assert mean == pytest.approx((np.sqrt(2) + np.log(1 + np.sqrt(2))) / 6, abs=4 * 0.143 / np.sqrt(100_000))


def test_nearest_means_agree_with_the_twin_and_a_tree():
    rng = np.random.default_rng(1)
    points, targets = rng.uniform(0, 30, (40, 17, 2)), rng.uniform(0, 30, (11, 2))
    assert np.allclose(nearest_means(points, targets), nearest_means_numpy(points, targets), rtol=1e-13)
    by_tree = [(cKDTree(targets).query(p)[0].mean(), cKDTree(p).query(targets)[0].mean()) for p in points]
    assert np.allclose(nearest_means(points, targets), by_tree, rtol=1e-12)
    keep = rng.random((40, 17)) < 0.6, rng.random((40, 11)) < 0.6
    keep[0][3] = False
    ours = nearest_means(points, targets, keep_points=keep[0], keep_targets=keep[1])
    twin = nearest_means_numpy(points, targets, keep_points=keep[0], keep_targets=keep[1])
    assert np.isnan(ours[3, 0])
    assert np.allclose(ours, twin, rtol=1e-13, equal_nan=True)


def test_two_directions_swap_when_patterns_swap():
    rng = np.random.default_rng(2)
    a, b = rng.uniform(0, 9, (7, 2)), rng.uniform(0, 9, (5, 2))
    assert nearest_means(a[None], b)[0] == pytest.approx(nearest_means(b[None], a)[0][::-1], rel=1e-14)


# The library itself builds its window from a class that its own dependency is about to retire.
@pytest.mark.filterwarnings("ignore:Objects based on the `Geometry` class:FutureWarning")
def test_nearest_distances_of_a_reference_library():
    rng = np.random.default_rng(6)
    pattern = rng.uniform(0, 50, (30, 2))
    apart = PointPattern(pattern).nnd
    # One draw a point: the pattern without that point, against that point alone.
    ours = [nearest_means(np.delete(pattern, i, 0)[None], pattern[i : i + 1])[0, 1] for i in range(30)]
    assert ours == pytest.approx(np.ravel(apart), rel=1e-12)


def test_capped_means_agree_with_shapely():
    rng = np.random.default_rng(7)
    outlines = np.array(
        [shapely.box(0, 0, 2, 1), affinity.rotate(shapely.box(5, 5, 7, 6), 30), IRREGULAR, shapely.Point(9, 2), BANK]
    )
    points = rng.uniform(-2, 12, (60, 5, 2))
    for cap in (0.3, 2.0):
        ours = capped_means(points, outlines, cap_m=cap)
        assert np.allclose(ours, capped_means_shapely(points, outlines, cap_m=cap), atol=1e-12)
        assert (ours <= cap).all()
    keep = rng.random((60, 5)) < 0.5
    keep[0] = False
    ours = capped_means(points, outlines, cap_m=1.0, keep=keep)
    assert np.isnan(ours[0])
    assert np.allclose(ours, capped_means_shapely(points, outlines, cap_m=1.0, keep=keep), equal_nan=True, atol=1e-12)


def test_overlap_of_a_rectangle_is_closed():
    overlap = Overlap(Window.of(shapely.box(10, 5, 50, 30)))
    shifts = np.random.default_rng(3).uniform((-38, -24), (38, 24), (200, 2))
    exact = (1 - np.abs(shifts[:, 0]) / 40) * (1 - np.abs(shifts[:, 1]) / 25)
    assert overlap.share(shifts) == pytest.approx(exact, abs=1e-9)


def test_overlap_mean_is_that_of_random_points():
    window = Window.of(IRREGULAR)
    targets = np.random.default_rng(8).uniform((0, 0), (36, 26), (9, 2))
    points = window.sample(np.random.default_rng(9), 100_000)
    for shift in ([0.0, 0.0], [7.0, -4.0], [-12.0, 3.0]):
        common = points[window.contains(points - shift)]
        near = cKDTree(targets).query(common)[0]
        found = Overlap(window).mean_nearest(targets, np.array([shift]))[0]
        # Cells of 0.48 m: 1 % of the mean is the lattice's own error.
        assert found == pytest.approx(near.mean(), rel=0.01)


def test_rectangles_are_known_for_what_they_are():
    turned = affinity.rotate(shapely.box(0, 0, 20, 10), 33)
    corner, axes, sides = Window.of(turned).rectangle()
    assert sorted(sides) == pytest.approx([10, 20])
    assert axes @ axes.T == pytest.approx(np.eye(2))
    assert shapely.distance(shapely.Point(corner), turned.boundary) < 1e-9
    assert Window.of(IRREGULAR).rectangle() is None
    assert Window.of(shapely.box(0, 0, 9, 9) - shapely.box(3, 3, 4, 4)).rectangle() is None


def test_stray_lines_of_an_intersection_are_left_out():
    mixed = shapely.GeometryCollection([shapely.box(0, 0, 2, 2), shapely.LineString([(5, 5), (6, 6)])])
    assert Window.of(mixed).area_m2 == 4.0


@pytest.mark.parametrize(
    ("area", "message"),
    [
        ("field", "area must be a polygon"),
        (shapely.LineString([(0, 0), (1, 1)]), "area has no surface"),
        (shapely.Polygon(), "area has no surface"),
        (shapely.Polygon([(0, 0), (2, 2), (2, 0), (0, 1)]), "area crosses itself"),
    ],
)
def test_faulty_areas(area, message):
    with pytest.raises(InputError, match=message):
        Window.of(area)


def test_many_draws_in_parallel_are_the_few_in_turn():
    rng = np.random.default_rng(11)
    points, targets = rng.uniform(0, 30, (2_000, 40, 2)), rng.uniform(0, 30, (30, 2))
    together = nearest_means(points, targets)
    apart = np.concatenate([nearest_means(part, targets) for part in np.split(points, 10)])
    assert together.tobytes() == apart.tobytes()
