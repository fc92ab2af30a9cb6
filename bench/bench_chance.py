"""Chance level of 9,999 draws: 40 hotspots and 30 burials in an irregular area with a hole.

All sides get the same draws, made beforehand, and give the mean nearest distance of every draw in float64. "a call a
draw" asks SciPy's KD-tree once a draw for each direction, with the tree of the burials made once; "batched" asks one
tree of burials once for the points of all draws, on two threads, so it knows one direction only. Our kernel always
gives both, also where its peer gives one. pointpats is timed on fewer draws and scaled. The last two rows time the
whole null, drawing included.
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable
from typing import Any

import numpy as np
import shapely
from pointpats import PointPattern
from scipy.spatial import cKDTree

from yewline.accuracy import Window, nearest_means, placement_level, shift_level

AREA = shapely.Polygon(
    [(0, 0), (38, -3), (44, 12), (36, 26), (14, 29), (-2, 18)], [[(18, 10), (24, 10), (24, 16), (18, 16)]]
)
DRAWS, HOTSPOTS, BURIALS = 9_999, 40, 30
FEW = 500  # draws on which pointpats is timed


def best(*jobs: Callable[[], Any], repeats: int = 9) -> list[float]:
    """Best time of each job, taken in turns."""
    found = [np.inf] * len(jobs)
    for _ in range(repeats):
        for index, job in enumerate(jobs):
            start = time.perf_counter()
            job()
            found[index] = min(found[index], time.perf_counter() - start)
    return found


def tree_a_draw(points: np.ndarray, burials: np.ndarray) -> np.ndarray:
    fixed = cKDTree(burials)
    out = np.empty((len(points), 2))
    for index, draw in enumerate(points):
        out[index, 0] = fixed.query(draw)[0].mean()
        out[index, 1] = cKDTree(draw).query(burials)[0].mean()
    return out


def tree_a_draw_one_way(points: np.ndarray, burials: np.ndarray) -> np.ndarray:
    fixed = cKDTree(burials)
    return np.array([fixed.query(draw)[0].mean() for draw in points])


def batched(points: np.ndarray, burials: np.ndarray) -> np.ndarray:
    apart = cKDTree(burials).query(points.reshape(-1, 2), workers=2)[0]
    return apart.reshape(points.shape[:2]).mean(axis=1)


def library_one_way(points: np.ndarray, burials: np.ndarray) -> np.ndarray:
    """pointpats at its fastest: one pattern of burials, asked with bare arrays, so that it builds no window a draw."""
    fixed = pattern(burials)
    # knn_other: for each point given, its nearest in this pattern.
    return np.array([fixed.knn_other(draw, 1)[1].mean() for draw in points])


def library_both_ways(points: np.ndarray, burials: np.ndarray) -> np.ndarray:
    """Both directions by pointpats: the way back needs a pattern of its own for each draw."""
    back = np.array([pattern(draw).knn_other(burials, 1)[1].mean() for draw in points])
    return np.stack([library_one_way(points, burials), back], axis=1)


def pattern(points: np.ndarray) -> PointPattern:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", FutureWarning)
        return PointPattern(points)


def run() -> list[dict[str, Any]]:
    window = Window.of(AREA)
    rng = np.random.default_rng(12)
    burials = window.sample(rng, BURIALS)
    points = window.sample(rng, DRAWS * HOTSPOTS).reshape(DRAWS, HOTSPOTS, 2)
    ours = nearest_means(points, burials)
    assert np.allclose(ours, tree_a_draw(points, burials), rtol=1e-12)
    assert np.allclose(ours[:, 0], batched(points, burials), rtol=1e-12)
    assert np.allclose(ours[:FEW], library_both_ways(points[:FEW], burials), rtol=1e-12)

    kernel_s, tree_s, one_way_s, batched_s, library_one_s, library_s = best(
        lambda: nearest_means(points, burials),
        lambda: tree_a_draw(points, burials),
        lambda: tree_a_draw_one_way(points, burials),
        lambda: batched(points, burials),
        lambda: library_one_way(points[:FEW], burials),
        lambda: library_both_ways(points[:FEW], burials),
    )
    library_one_s, library_s = library_one_s * DRAWS / FEW, library_s * DRAWS / FEW
    hotspots = points[0]
    placement_s, shift_s = best(
        lambda: placement_level(hotspots, burials, window, draws=DRAWS, seed=1),
        lambda: shift_level(hotspots, burials, window, grave_length_m=2.1, draws=DRAWS, seed=1),
    )
    rows = [
        ("chance level, both directions", kernel_s, "SciPy KD-tree, a call a draw and direction", tree_s, ">= 8 x"),
        ("chance level, hotspot to burial", kernel_s, "SciPy KD-tree, a call a draw", one_way_s, ">= 8 x"),
        ("chance level, hotspot to burial", kernel_s, "SciPy KD-tree, batched, 2 threads", batched_s, ">= 3 x"),
        ("chance level, hotspot to burial", kernel_s, f"pointpats, scaled from {FEW} draws", library_one_s, ">= 30 x"),
        ("chance level, both directions", kernel_s, f"pointpats, scaled from {FEW} draws", library_s, ">= 30 x"),
        ("null A whole, drawing included", placement_s, None, None, "-"),
        ("null B whole, drawing included", shift_s, None, None, "-"),
    ]
    return [
        {
            "name": f"{name}: {DRAWS} draws, {HOTSPOTS} hotspots, {BURIALS} burials",
            "ours_s": ours_s,
            "unit": "s",
            "peer": peer,
            "peer_s": peer_s,
            "ratio": None if peer_s is None else peer_s / ours_s,
            "target": target,
        }
        for name, ours_s, peer, peer_s, target in rows
    ]


if __name__ == "__main__":
    for row in run():
        print(row)
