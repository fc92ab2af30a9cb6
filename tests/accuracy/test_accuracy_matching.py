"""One-to-one matching, tolerance and nearest distances against published examples and brute force."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.accuracy import (
    centroid_distances,
    centroids_of,
    check_outlines,
    match_pairs,
    outline_distances,
    proportion,
    summarise,
    tolerance_from_budget,
)
from yewline.errors import InputError


def test_assignment_of_scipys_manual():
    # scipy.optimize.linear_sum_assignment's documented example: columns [1, 0, 2], cost 5.
    pairs, apart = match_pairs([[4, 1, 3], [2, 0, 5], [3, 2, 2]], tolerance_m=10)
    assert pairs.tolist() == [[0, 1], [1, 0], [2, 2]]
    assert apart.sum() == 5


def test_optimal_is_better_than_greedy():
    # Greedy takes 1.0 first and is left with 5.0: 6 in all. The optimum is 2.3.
    pairs, apart = match_pairs([[1, 1.1], [1.2, 5]], tolerance_m=10)
    assert apart.sum() == pytest.approx(2.3)
    assert pairs.tolist() == [[0, 1], [1, 0]]


def test_more_matches_come_before_shorter_ones():
    # One pair at 0 would leave the other beyond the gate; two pairs at 0.9 are preferred.
    pairs, apart = match_pairs([[0.0, 0.9], [0.9, 1.1]], tolerance_m=1.0)
    assert pairs.tolist() == [[0, 1], [1, 0]]
    assert apart.tolist() == [0.9, 0.9]


def test_gate_is_closed_beyond_and_open_at_the_tolerance():
    assert match_pairs([[0.5]], tolerance_m=0.5)[0].tolist() == [[0, 0]]
    assert match_pairs([[0.5000001]], tolerance_m=0.5)[0].tolist() == []
    assert match_pairs(np.empty((0, 4)), tolerance_m=0.5)[0].shape == (0, 2)


def _brute(table: np.ndarray, tolerance: float) -> tuple[int, float]:
    tall = table if table.shape[0] <= table.shape[1] else table.T
    best = (0, 0.0)
    for chosen in itertools.permutations(range(tall.shape[1]), tall.shape[0]):
        kept = [tall[i, j] for i, j in enumerate(chosen) if tall[i, j] <= tolerance]
        best = min(best, (-len(kept), float(sum(kept))))
    return -best[0], best[1]


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 4), st.integers(1, 5), st.integers(0, 10_000), st.floats(0.1, 1.2))
def test_matching_is_the_best_of_all(h, b, seed, tolerance):
    table = np.random.default_rng(seed).uniform(0, 1, (h, b))
    pairs, apart = match_pairs(table, tolerance_m=tolerance)
    count, total = _brute(table, tolerance)
    assert len(pairs) == count
    assert apart.sum() == pytest.approx(total, abs=1e-12)
    assert (apart <= tolerance).all()
    assert len(set(pairs[:, 0])) == len(set(pairs[:, 1])) == len(pairs)


def test_tolerance_is_twice_the_quadrature_sum_and_never_below_a_quarter():
    assert tolerance_from_budget(0.3, 0.2, 0.6) == pytest.approx(2 * 0.7)
    assert tolerance_from_budget(0.01, 0.0, 0.1) == 0.25
    with pytest.raises(InputError, match="truth_sigma_m must not be negative"):
        tolerance_from_budget(0.1, 0.1, -0.1)


def test_proportion_with_its_interval():
    # Recomputed from Wilson 1927: 18 of 20 gives 0.698966 to 0.972134.
    found = proportion(18, 20, why_none="")
    assert (found.value, found.low, found.high) == pytest.approx((0.9, 0.698966, 0.972134), abs=6e-7)
    none = proportion(0, 0, why_none="nothing was dug")
    assert (none.value, none.low, none.why) == (None, None, "nothing was dug")


def test_distances_by_hand():
    outlines = check_outlines([shapely.box(0, 0, 2, 1), shapely.box(4, 0, 6, 1)], "burials")
    assert centroids_of(outlines).tolist() == [[1.0, 0.5], [5.0, 0.5]]
    gap = outline_distances([[3.0, 0.5], [5.5, 0.5], [1.0, 4.0]], outlines)
    assert gap == pytest.approx(np.array([[1.0, 1.0], [3.5, 0.0], [3.0, np.sqrt(9 + 9)]]))
    found = summarise(gap, direction="hotspot to burial", measure="centroid to outline", seed=1)
    assert found.distance_m.tolist() == [1.0, 0.0, 3.0]
    assert found.nearest.tolist() == [0, 1, 0]
    assert (found.mean_m, found.median_m) == pytest.approx((4 / 3, 1.0))
    assert found.sd_m == pytest.approx(np.std([1, 0, 3], ddof=1))
    assert found.low_m < found.mean_m < found.high_m
    assert found.n == 3


@settings(max_examples=25, deadline=None)
@given(st.floats(0, 6.3), st.floats(-50, 50), st.integers(0, 1000))
def test_distances_do_not_know_the_frame(turn, move, seed):
    rng = np.random.default_rng(seed)
    a, b = rng.uniform(0, 20, (6, 2)), rng.uniform(0, 20, (4, 2))
    c, s = np.cos(turn), np.sin(turn)
    there = [p @ np.array([[c, s], [-s, c]]) + move for p in (a, b)]
    assert centroid_distances(*there) == pytest.approx(centroid_distances(a, b), abs=1e-9)
    assert pytest.approx(centroid_distances(a, b), abs=0) == centroid_distances(b, a).T


def test_too_few_to_summarise():
    def ask(n, m):
        return summarise(np.ones((n, m)), direction="burial to hotspot", measure="centroid to centroid", seed=1)

    assert ask(0, 3).why == "there are no burials"
    nothing = ask(3, 0)
    assert nothing.why == "there are no hotspots to measure to"
    assert np.isnan(nothing.distance_m).all()
    assert nothing.nearest.tolist() == [-1, -1, -1]
    one = ask(1, 3)
    assert (one.mean_m, one.sd_m, one.low_m) == (1.0, None, None)
    assert "single burial" in one.why
    two = ask(2, 3)
    assert (two.low_m, two.high_m, two.why) == (1.0, 1.0, "")


def test_faulty_outlines():
    with pytest.raises(InputError, match=r"burials must be outlines \(received str at 1\)"):
        check_outlines([shapely.box(0, 0, 1, 1), "grave"], "burials")
    with pytest.raises(InputError, match="burials holds an empty outline"):
        check_outlines([shapely.Polygon()], "burials")
    with pytest.raises(InputError, match="crosses itself"):
        check_outlines([shapely.Polygon([(0, 0), (2, 2), (2, 0), (0, 1)])], "burials")
    with pytest.raises(InputError, match="finite table"):
        match_pairs([[np.inf]], tolerance_m=1)
    with pytest.raises(InputError, match="tolerance_m must be greater than zero"):
        match_pairs([[1.0]], tolerance_m=0)
