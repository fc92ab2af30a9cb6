"""Recall by chance: how many burials a shifted pattern of hotspots matches, for many draws: compiled, with a twin."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from yewline._compiled import njit
from yewline.accuracy.capped import outline_distance, pack_outlines
from yewline.accuracy.distances import centroids_of
from yewline.accuracy.matching import match_pairs
from yewline.accuracy.shifts import Shifts

__all__ = ["chance_recall", "matched_counts", "matched_counts_scipy"]

Array = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

_MOST_PAIRS = 2**26  # pairs of hotspot and burial looked at over all draws
_FEW_DRAWS = 999  # of a pattern too large for all draws: the mean's error stays below two in a hundred


def chance_recall(hotspots: Array, outlines: npt.NDArray[Any], shifts: Shifts, *, tolerance_m: float) -> float:
    """Recall to expect where the hotspots know nothing of the burials: the mean over shifts of the share matched.

    Parameters
    ----------
    hotspots : (H, 2) centroids that are moved, m.
    outlines : (B,) burials that count toward recall; at least one.
    shifts : of the null of a rigid shift; hotspots that leave the area, and burials outside the shifted area, are left
        out where it says so.
    tolerance_m : gate of matching, from a hotspot's centroid to a burial's outline.

    Returns
    -------
    Share, 0 to 1, over all shifts, or over the first 999 of them where there are very many hotspots and burials.

    Examples
    --------
    >>> from yewline.accuracy import Window, draw_shifts
    >>> field, graves = Window.of(shapely.box(0, 0, 40, 30)), [shapely.box(x, 14, x + 2, 15) for x in (9, 19, 29)]
    >>> points = np.array([[10.0, 14.5], [20.0, 14.5], [30.0, 14.5]])
    >>> shifts = draw_shifts(points, points, field, grave_length_m=2.1, draws=999, rng=np.random.default_rng(1))
    >>> 0.0 < chance_recall(points, np.array(graves), shifts, tolerance_m=0.5) < 0.1
    True
    """
    draws, centres = len(shifts.vectors), centroids_of(outlines)
    if draws * len(hotspots) * len(outlines) > _MOST_PAIRS:
        draws = min(draws, _FEW_DRAWS)
    shares = []
    chunks = shifts.chunks(max(len(hotspots), len(outlines)))
    for start, stop in [(first, min(last, draws)) for first, last in chunks if first < draws]:
        stay, kept = shifts.keeps(hotspots, centres, start, stop)
        points = shifts.moved(hotspots, start, stop)
        if stay is not None:
            points = np.where(stay[:, :, None], points, np.inf)
        eligible = np.full(len(points), len(outlines)) if kept is None else kept.sum(axis=1)
        counts = matched_counts(points, outlines, tolerance_m=tolerance_m, keep=kept)
        shares.append(counts[eligible > 0] / eligible[eligible > 0])
    return float(np.concatenate(shares).mean())


def matched_counts(points: Array, outlines: npt.NDArray[Any], *, tolerance_m: float, keep: Bools | None = None) -> Ints:
    """The most burials that can be matched one to one with points within the tolerance, for each draw.

    Parameters
    ----------
    points : (D, n, 2) each draw's hotspot centroids, m; infinite ones match nothing.
    outlines : (B,) burial outlines, at least one.
    tolerance_m : pairs farther apart than this are never made.
    keep : (D, B) burials that may be matched; all where None.

    Returns
    -------
    counts : (D,) as many pairs as `match_pairs` makes.

    Notes
    -----
    Pairs are added one by one along the shortest augmenting path, until there is none: then they are as many as can be.

    References
    ----------
    Berge, C. 1957. Proc. Natl. Acad. Sci. 43, 842–844.

    Examples
    --------
    >>> graves = np.array([shapely.box(0, 0, 2, 1), shapely.box(0, 2, 2, 3)])
    >>> matched_counts(np.array([[[1.0, 0.5], [1.0, 0.6]], [[1.0, 1.5], [1.0, 0.6]]]), graves, tolerance_m=0.5).tolist()
    [1, 2]
    """
    # The boxes only sort out what is far; the sliver keeps rounding from sorting out what is just near enough.
    edges, starts, boxes = pack_outlines(outlines, margin_m=tolerance_m * (1.0 + 1e-6))
    every = np.ones((1, len(outlines)), np.bool_) if keep is None else np.ascontiguousarray(keep)
    gate = tolerance_m * (1.0 + 1e-12)
    return np.asarray(_counts(np.ascontiguousarray(points), edges, starts, boxes, gate, every))


def matched_counts_scipy(
    points: Array, outlines: npt.NDArray[Any], *, tolerance_m: float, keep: Bools | None = None
) -> Ints:
    """The same as `matched_counts` by shapely's distances and `match_pairs`: the twin that the kernel is held to."""
    counts = np.empty(len(points), np.int64)
    for d, draw in enumerate(points):
        there = outlines if keep is None else outlines[keep[d]]
        here = draw[np.isfinite(draw).all(axis=1)]
        gap = shapely.distance(shapely.points(here)[:, None], there[None, :])
        counts[d] = len(match_pairs(gap, tolerance_m=tolerance_m)[0])
    return counts


@njit(cache=True, nogil=True)
def _counts(points: Array, edges: Array, starts: Ints, boxes: Array, gate: float, keep: Bools) -> Ints:
    draws, n, m = points.shape[0], points.shape[1], boxes.shape[0]
    out = np.zeros(draws, np.int64)
    links = np.empty((m, n), np.int64)
    many = np.empty(m, np.int64)
    for d in range(draws):
        row = min(d, keep.shape[0] - 1)
        for j in range(m):
            many[j] = 0
            if not keep[row, j]:
                continue
            for i in range(n):
                x, y = points[d, i, 0], points[d, i, 1]
                if x < boxes[j, 0] or x > boxes[j, 2] or y < boxes[j, 1] or y > boxes[j, 3]:
                    continue
                if outline_distance(x, y, edges, starts[j], starts[j + 1]) <= gate:
                    links[j, many[j]] = i
                    many[j] += 1
        out[d] = _most_pairs(links, many)
    return out


@njit(cache=True, nogil=True)
def _most_pairs(links: Ints, many: Ints) -> int:
    """Size of the largest matching; row j of `links` begins with the `many[j]` points that burial j may have."""
    m, n = links.shape
    burial_of = np.full(n, -1)
    point_of = np.full(m, -1)
    came_from = np.empty(n, np.int64)
    seen = np.full(n, -1)
    queue = np.empty(m, np.int64)
    pairs = 0
    for j in range(m):
        queue[0] = j
        head, tail = 0, 1
        end = -1
        while head < tail and end < 0:
            b = queue[head]
            head += 1
            for k in range(many[b]):
                i = links[b, k]
                if seen[i] == j:
                    continue
                seen[i] = j
                came_from[i] = b
                if burial_of[i] < 0:
                    end = i
                    break
                queue[tail] = burial_of[i]
                tail += 1
        if end < 0:
            continue
        pairs += 1
        # Back along the path: each burial on it gives up its point for the next one.
        while end >= 0:
            b = came_from[end]
            before = point_of[b]
            burial_of[end], point_of[b] = b, end
            end = before
    return pairs
