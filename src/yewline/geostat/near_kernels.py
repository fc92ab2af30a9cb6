"""Kriging of each point from its own nearest readings: a compiled kernel and its plain twin."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.linalg import solve_triangular

from yewline._compiled import njit

__all__ = ["INDISTINCT", "UNFIXED", "distances", "krige_near", "krige_near_plain"]

Array = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int64]

INDISTINCT: Final = 1
UNFIXED: Final = 2
"""What is wrong with a point's readings: the variogram cannot tell them apart, or they do not fix the drift."""

# A drift of which less than this share is left beside the other columns leaves its coefficient to rounding.
_LEFT: Final = 1e-6


def krige_near(
    near: Counts, table: Array, values: Array, design: Array, covariance: Array, goal: Array, least: float, out: Array
) -> tuple[int, int]:
    """Estimates at points, and their variances less the field's own.

    Parameters
    ----------
    near : (M, n) indices of each point's readings, rising along a row. A row like the one before costs a tenth.
    table : (R, R) covariance of the readings, nugget and errors on its diagonal.
    values : (R,) readings.
    design : (R, Q) columns of the mean at the readings.
    covariance : (M, n) of each point with its readings.
    goal : (M, Q) columns of the mean at the points.
    least : smallest pivot that is taken.
    out : (M, 2) to be filled: estimate, and what is added to the prior variance.

    Returns
    -------
    first, fault : the first point that failed and `INDISTINCT` or `UNFIXED`; or −1 and 0.

    Notes
    -----
    In each neighbourhood K = UᵀU, U⁻ᵀF = QB by modified Gram-Schmidt and r what Q leaves of U⁻ᵀz. With w = U⁻ᵀc and
    g = B⁻ᵀf the estimate is gᵀQᵀU⁻ᵀz + rᵀw and the variance C(0) − wᵀw + |g − Qᵀw|². All inner loops run along rows.
    """
    first, fault = _krige_near(near, table, values, design, covariance, goal, least, out)
    return int(first), int(fault)


@njit(cache=True, nogil=True, fastmath={"contract"})
def _krige_near(
    near: Counts, table: Array, values: Array, design: Array, covariance: Array, goal: Array, least: float, out: Array
) -> tuple[int, int]:
    count, n = near.shape
    q = design.shape[1]
    upper, inverse = np.empty((n, n)), np.empty(n)
    # One row a column of the design, then the readings: what remains of the readings is in the last.
    white, corner = np.empty((q + 1, n)), np.empty((q + 1, q + 1))
    w, g = np.empty(n), np.empty(q)
    for m in range(count):
        same = m > 0
        for i in range(n):
            if same and near[m, i] != near[m - 1, i]:
                same = False
        if not same:
            if _decompose(near[m], table, least, upper, inverse) != 0:
                return m, 1
            for i in range(n):
                for k in range(q):
                    white[k, i] = design[near[m, i], k]
                white[q, i] = values[near[m, i]]
            if _orthonormalise(upper, inverse, white, corner) != 0:
                return m, 2
        w[:] = covariance[m]
        _whiten(upper, inverse, w)
        estimate, added = 0.0, 0.0
        for i in range(n):
            estimate += white[q, i] * w[i]
            added -= w[i] * w[i]
        for k in range(q):
            g[k] = goal[m, k]
            for j in range(k):
                g[k] -= corner[j, k] * g[j]
            g[k] /= corner[k, k]
            estimate += g[k] * corner[k, q]
            short = g[k]
            for i in range(n):
                short -= white[k, i] * w[i]
            added += short * short
        out[m, 0] = estimate
        out[m, 1] = added
    return -1, 0


@njit(cache=True, nogil=True, fastmath={"contract"})
def _decompose(near: Counts, table: Array, least: float, upper: Array, inverse: Array) -> int:
    """U of K = UᵀU in the upper triangle, and one over its diagonal; 1 where a pivot is too small."""
    n = len(near)
    for i in range(n):
        for j in range(i, n):
            upper[i, j] = table[near[i], near[j]]
    for i in range(n):
        # Written so that a pivot which is not a number fails as well.
        if not upper[i, i] >= least:
            return 1
        inverse[i] = 1.0 / np.sqrt(upper[i, i])
        for j in range(i, n):
            upper[i, j] *= inverse[i]
        for k in range(i + 1, n):
            factor = upper[i, k]
            for j in range(k, n):
                upper[k, j] -= factor * upper[i, j]
    return 0


@njit(cache=True, nogil=True, fastmath={"contract"})
def _whiten(upper: Array, inverse: Array, values: Array) -> None:
    """U⁻ᵀ times values, in place."""
    n = len(values)
    for i in range(n):
        values[i] *= inverse[i]
        for j in range(i + 1, n):
            values[j] -= values[i] * upper[i, j]


@njit(cache=True, nogil=True, fastmath={"contract"})
def _orthonormalise(upper: Array, inverse: Array, white: Array, corner: Array) -> int:
    """Whiten the rows of `white`, and make all but the last orthonormal and the last free of them; 1 where one is not
    free of the others."""
    q, n = white.shape[0] - 1, white.shape[1]
    for k in range(q + 1):
        _whiten(upper, inverse, white[k])
        whole = 0.0
        for i in range(n):
            whole += white[k, i] * white[k, i]
        for j in range(k):
            share = 0.0
            for i in range(n):
                share += white[j, i] * white[k, i]
            corner[j, k] = share
            for i in range(n):
                white[k, i] -= share * white[j, i]
        if k < q:
            left = 0.0
            for i in range(n):
                left += white[k, i] * white[k, i]
            if not left > _LEFT * _LEFT * whole:
                return 1
            corner[k, k] = np.sqrt(left)
            for i in range(n):
                white[k, i] /= corner[k, k]
    return 0


@njit(cache=True, nogil=True, fastmath={"contract"})
def distances(near: Counts, readings: Array, points: Array) -> Array:
    """Distances (M, n) of points (M, 2) from their readings, rows of `readings` (R, 2)."""
    away = np.empty(near.shape)
    for m in range(near.shape[0]):
        for i in range(near.shape[1]):
            dx = points[m, 0] - readings[near[m, i], 0]
            dy = points[m, 1] - readings[near[m, i], 1]
            away[m, i] = np.sqrt(dx * dx + dy * dy)
    return away


def krige_near_plain(
    near: Counts, table: Array, values: Array, design: Array, covariance: Array, goal: Array, least: float, out: Array
) -> tuple[int, int]:
    """What `krige_near` does, a point at a time with NumPy's and SciPy's factorisations."""
    for m, index in enumerate(near):
        try:
            lower = np.linalg.cholesky(table[np.ix_(index, index)])
        except np.linalg.LinAlgError:
            return m, INDISTINCT
        if np.diagonal(lower).min() ** 2 < least:
            return m, INDISTINCT
        columns = solve_triangular(lower, design[index], lower=True)
        basis, corner = np.linalg.qr(columns)
        if (np.abs(np.diagonal(corner)) <= _LEFT * np.linalg.norm(columns, axis=0)).any():
            return m, UNFIXED
        z = solve_triangular(lower, values[index], lower=True)
        w = solve_triangular(lower, covariance[m], lower=True)
        g = solve_triangular(corner, goal[m], trans="T")
        out[m, 0] = g @ (basis.T @ z) + (z - basis @ (basis.T @ z)) @ w
        out[m, 1] = np.sum((g - basis.T @ w) ** 2) - w @ w
    return -1, 0
