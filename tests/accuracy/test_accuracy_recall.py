"""Recall by chance: a closed form, brute force over every assignment, and the twin built on other libraries."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity

from yewline.accuracy import Window, centroids_of, chance_recall, draw_shifts, matched_counts, matched_counts_scipy

GRAVE = 2.1
IRREGULAR = shapely.Polygon([(0, 0), (18, -3), (24, 12), (16, 20), (4, 19), (-2, 10)])


def scene(seed, burials=5, hotspots=6, size=6.0):
    rng = np.random.default_rng(seed)
    graves = [
        affinity.rotate(shapely.box(x, y, x + 2, y + 0.8), turn)
        for x, y, turn in rng.uniform((0, 0, 0), (size, size, 180), (burials, 3))
    ]
    return np.array(graves), rng.uniform(0, size, (8, hotspots, 2))


def most_by_hand(points, outlines, tolerance):
    """The most pairs over every way to hand points to burials."""
    near = shapely.distance(shapely.points(points)[:, None], outlines[None]) <= tolerance
    wide = near if near.shape[0] >= near.shape[1] else near.T
    ways = itertools.permutations(range(wide.shape[0]), wide.shape[1])
    return max(sum(bool(wide[i, j]) for j, i in enumerate(way)) for way in ways)


def test_one_hotspot_on_one_grave_has_a_closed_chance():
    # A wrapped shift puts the hotspot anywhere but within a grave length of where it was. It matches where it falls on
    # the grave or within t of it: a b + 2 t (a + b) + π t² (the area of a parallel body, Steiner 1840).
    grave = shapely.box(7.5, 3, 9.5, 3.8)
    hotspot, tolerance = np.array([[2.5, 4.0]]), 0.5
    window = Window.of(shapely.box(0, 0, 12, 8))
    shifts = draw_shifts(
        hotspot,
        centroids_of(np.array([grave])),
        window,
        grave_length_m=GRAVE,
        draws=9_999,
        rng=np.random.default_rng(1),
    )
    assert shifts.variant == "wrapped"
    expected = (2 * 0.8 + 2 * tolerance * 2.8 + np.pi * tolerance**2) / (12 * 8 - np.pi * GRAVE**2)
    error = np.sqrt(expected * (1 - expected) / 9_999)
    found = chance_recall(hotspot, np.array([grave]), shifts, tolerance_m=tolerance)
    assert found == pytest.approx(expected, abs=4 * error)


def test_one_hotspot_serves_one_burial_only():
    pair = np.array([shapely.box(0, 0, 2, 0.8), shapely.box(0, 1.0, 2, 1.8)])
    points = np.array([[[1.0, 0.9], [9.0, 9.0]], [[1.0, 0.9], [1.0, 0.4]], [[9.0, 9.0], [9.0, 0.0]]])
    assert matched_counts(points, pair, tolerance_m=0.2).tolist() == [1, 2, 0]


def test_a_chain_is_matched_to_its_end():
    # Taken in order, each burial would take the hotspot that the next one needs; one rearrangement serves all.
    graves = np.array([shapely.box(3 * k, 0, 3 * k + 2, 1) for k in range(4)])
    between = np.array([[[2.5, 0.5], [5.5, 0.5], [8.5, 0.5], [10.0, 0.5]]])
    assert matched_counts(between, graves, tolerance_m=0.6).tolist() == [4]
    assert matched_counts(between[:, ::-1], graves[::-1], tolerance_m=0.6).tolist() == [4]
    assert matched_counts(between[:, :3], graves, tolerance_m=0.6).tolist() == [3]


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 9_999), st.integers(1, 5), st.integers(1, 6), st.floats(0.1, 2.5))
def test_counts_are_the_most_of_all_ways(seed, burials, hotspots, tolerance):
    graves, points = scene(seed, burials, hotspots)
    found = matched_counts(points, graves, tolerance_m=tolerance)
    assert found.tolist() == [most_by_hand(draw, graves, tolerance) for draw in points]


def test_counts_agree_with_the_twin():
    graves, points = scene(3, burials=14, hotspots=20, size=14.0)
    rng = np.random.default_rng(4)
    keep = rng.random((8, 14)) < 0.6
    points[rng.random((8, 20)) < 0.3] = np.inf
    for tolerance in (0.25, 0.8, 3.0):
        for kept in (None, keep):
            found = matched_counts(points, graves, tolerance_m=tolerance, keep=kept)
            assert found.tolist() == matched_counts_scipy(points, graves, tolerance_m=tolerance, keep=kept).tolist()


def test_gate_is_open_at_the_tolerance():
    graves = np.array([shapely.box(0, 0, 2, 1)])
    assert matched_counts(np.array([[[1.0, 1.35]], [[1.0, 1.3500001]]]), graves, tolerance_m=0.35).tolist() == [1, 0]


@pytest.mark.parametrize("variant", ["inside", "wrapped", "dropped"])
def test_chance_recall_by_brute_force(variant):
    area = shapely.box(0, 0, 18, 14) if variant == "wrapped" else IRREGULAR
    window = Window.of(area)
    rng = np.random.default_rng(6)
    hotspots = rng.uniform((6, 5), (12, 10), (7, 2))
    graves = np.array([shapely.box(x, y, x + 2, y + 0.8) for x, y in rng.uniform((2, 2), (13, 12), (5, 2))])
    centres = centroids_of(graves)
    shifts = draw_shifts(hotspots, centres, window, grave_length_m=GRAVE, draws=40, rng=rng, variant=variant)
    shares = []
    for v in shifts.vectors:
        moved, held = hotspots + v, np.ones(5, bool)
        if variant == "wrapped":
            moved = moved % (18, 14)
        if variant == "dropped":
            moved = moved[shapely.contains_xy(area, *moved.T)]
            held = shapely.contains_xy(area, *(centres - v).T)
        shares.append(most_by_hand(moved, graves[held], 0.6) / held.sum())
    found = chance_recall(hotspots, graves, shifts, tolerance_m=0.6)
    assert found == pytest.approx(np.mean(shares), rel=1e-12)
    assert found > 0


def test_very_many_pairs_take_the_first_shifts():
    # 9,999 shifts of 100 hotspots and 70 burials are more than 2²⁶ pairs: the first 999 shifts stand for all.
    window = Window.of(shapely.box(0, 0, 60, 45))
    rng = np.random.default_rng(2)
    hotspots = window.sample(rng, 100)
    graves = np.array([shapely.box(x, y, x + 2, y + 0.8) for x, y in rng.uniform((1, 1), (56, 43), (70, 2))])
    shifts = draw_shifts(hotspots, centroids_of(graves), window, grave_length_m=GRAVE, draws=9_999, rng=rng)
    first = matched_counts(shifts.moved(hotspots, 0, 999), graves, tolerance_m=0.5).mean() / 70
    assert chance_recall(hotspots, graves, shifts, tolerance_m=0.5) == pytest.approx(first, rel=1e-12)
    every = matched_counts(shifts.moved(hotspots, 0, 9_999), graves, tolerance_m=0.5).mean() / 70
    assert first == pytest.approx(every, abs=0.005)
