"""Mean nearest distances of many draws at once, in both directions: compiled, with a plain NumPy twin."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import prange

from yewline._compiled import njit

__all__ = ["nearest_means", "nearest_means_numpy"]

Array = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


_FEW_PAIRS = 2**20  # below so many pairs, waking other threads takes longer than the work


# No value is NaN here, and which of two equal minima is taken does not matter; sums keep their written order, so that
# every thread count gives the same bytes.
@njit(cache=True, nogil=True, fastmath={"nnan", "nsz"})
def _one_draw(points: Array, x: Array, y: Array, keep_points: Bools, keep_targets: Bools, out: Array) -> None:
    n, m = points.shape[0], x.shape[0]
    best = np.full(m, np.inf)
    total = 0.0
    kept = 0
    for i in range(n):
        nearest = np.inf
        for j in range(m):
            dx = points[i, 0] - x[j]
            dy = points[i, 1] - y[j]
            square = dx * dx + dy * dy
            nearest = min(nearest, square)
            best[j] = min(best[j], square)
        if keep_points[i]:
            total += np.sqrt(nearest)
            kept += 1
    out[0] = total / kept if kept > 0 else np.nan
    total = 0.0
    kept = 0
    for j in range(m):
        if keep_targets[j]:
            total += np.sqrt(best[j])
            kept += 1
    out[1] = total / kept if kept > 0 else np.nan


@njit(cache=True, nogil=True)
def _serial(points: Array, x: Array, y: Array, keep_points: Bools, keep_targets: Bools) -> Array:
    out = np.empty((points.shape[0], 2))
    for d in range(points.shape[0]):
        p, t = min(d, keep_points.shape[0] - 1), min(d, keep_targets.shape[0] - 1)
        _one_draw(points[d], x, y, keep_points[p], keep_targets[t], out[d])
    return out


@njit(cache=True, nogil=True, parallel=True)
def _parallel(points: Array, x: Array, y: Array, keep_points: Bools, keep_targets: Bools) -> Array:
    out = np.empty((points.shape[0], 2))
    for d in prange(points.shape[0]):
        p = min(np.int64(d), keep_points.shape[0] - 1)
        t = min(np.int64(d), keep_targets.shape[0] - 1)
        _one_draw(points[d], x, y, keep_points[p], keep_targets[t], out[d])
    return out


def nearest_means(
    points: Array, targets: Array, *, keep_points: Bools | None = None, keep_targets: Bools | None = None
) -> Array:
    """Mean distance of points to their nearest target, and of targets to their nearest point, for each draw.

    Every pair is looked at: for the tens of points that a burial ground has, this is faster than any tree.

    Parameters
    ----------
    points : (D, n, 2) each draw's points.
    targets : (m, 2).
    keep_points : (D, n) or (1, n): points that enter the first mean; all where None.
    keep_targets : (D, m) or (1, m): targets that enter the second mean; all where None.

    Returns
    -------
    means : (D, 2) point to target, target to point; NaN where nothing is kept. Points and targets that are not kept
        still count as neighbours of the others.

    Examples
    --------
    >>> nearest_means(np.array([[[0.0, 0.0], [4.0, 3.0]]]), np.array([[0.0, 0.0]])).tolist()
    [[2.5, 0.0]]
    """
    every_point, every_target = _masks(points, targets, keep_points, keep_targets)
    x, y = np.ascontiguousarray(targets[:, 0]), np.ascontiguousarray(targets[:, 1])
    run = _serial if points.shape[0] * points.shape[1] * len(targets) < _FEW_PAIRS else _parallel
    return np.asarray(run(np.ascontiguousarray(points), x, y, every_point, every_target))


def nearest_means_numpy(
    points: Array, targets: Array, *, keep_points: Bools | None = None, keep_targets: Bools | None = None
) -> Array:
    """The same as `nearest_means` in plain NumPy: the twin that the compiled kernel is held to."""
    every_point, every_target = _masks(points, targets, keep_points, keep_targets)
    distance = np.sqrt(((points[:, :, None, :] - targets[None, None]) ** 2).sum(axis=-1))
    shape = (len(points), points.shape[1]), (len(points), len(targets))
    with np.errstate(invalid="ignore"):
        means = [
            np.where(keep, near, 0.0).sum(axis=1) / keep.sum(axis=1)
            for near, keep in (
                (distance.min(axis=2), np.broadcast_to(every_point, shape[0])),
                (distance.min(axis=1), np.broadcast_to(every_target, shape[1])),
            )
        ]
    return np.stack(means, axis=1)


def _masks(points: Array, targets: Array, keep_points: Bools | None, keep_targets: Bools | None) -> tuple[Bools, Bools]:
    return (
        np.ones((1, points.shape[1]), np.bool_) if keep_points is None else np.ascontiguousarray(keep_points),
        np.ones((1, len(targets)), np.bool_) if keep_targets is None else np.ascontiguousarray(keep_targets),
    )
