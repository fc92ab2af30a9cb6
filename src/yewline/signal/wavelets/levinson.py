"""Levinson's recursion: systems whose matrix is a symmetric Toeplitz matrix, in n² operations instead of n³."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_array
from yewline._compiled import njit
from yewline.errors import InputError

__all__ = ["ENGINES", "solve_levinson"]

F64 = npt.NDArray[np.float64]


@njit(cache=True, nogil=True)
def _levinson_compiled(column: F64, right: F64) -> F64:
    """(K, n) solutions of K systems; a row whose matrix is not positive definite comes back as NaN."""
    n_system, n = column.shape
    out = np.zeros((n_system, n))
    forward = np.empty(n)
    for k in range(n_system):
        r, y, x = column[k], right[k], out[k]
        error = r[0]
        if not error > 0.0:
            x[:] = np.nan
            continue
        forward[0] = 1.0
        x[0] = y[0] / error
        for m in range(1, n):
            lack = r[m]
            for i in range(1, m):
                lack += forward[i] * r[m - i]
            turn = -lack / error
            error *= 1.0 - turn * turn
            if not error > 0.0:
                x[:] = np.nan
                break
            for i in range(1, (m + 1) // 2):
                low, high = forward[i], forward[m - i]
                forward[i] = low + turn * high
                forward[m - i] = high + turn * low
            if m % 2 == 0:
                forward[m // 2] *= 1.0 + turn
            forward[m] = turn
            miss = y[m]
            for i in range(m):
                miss -= x[i] * r[m - i]
            step = miss / error
            for i in range(m):
                x[i] += step * forward[m - i]
            x[m] = step
    return out


def _levinson_plain(column: F64, right: F64) -> F64:
    """(K, n) solutions of K systems; a row whose matrix is not positive definite comes back as NaN."""
    out = np.full(column.shape, np.nan)
    for k, (r, y) in enumerate(zip(column, right, strict=True)):
        if not r[0] > 0.0:
            continue
        error, forward, x = r[0], np.ones(1), np.array([y[0] / r[0]])
        for m in range(1, len(r)):
            turn = -(forward @ r[m:0:-1]) / error
            padded = np.append(forward, 0.0)
            forward = padded + turn * padded[::-1]
            error *= 1.0 - turn * turn
            if not error > 0.0:
                break
            x = np.append(x, 0.0) + (y[m] - x @ r[m:0:-1]) / error * forward[::-1]
        else:
            out[k] = x
    return out


ENGINES: Final[dict[str, Callable[..., Any]]] = {"compiled": _levinson_compiled, "plain": _levinson_plain}


def solve_levinson(column: npt.ArrayLike, right: npt.ArrayLike, *, engine: str = "compiled") -> F64:
    """Solve symmetric positive definite Toeplitz systems, many of one size at a time.

    Parameters
    ----------
    column : (K, n) first column of each matrix: an autocorrelation at lags 0 … n − 1.
    right : (K, n) right-hand side of each.
    engine : "compiled" or "plain", its twin.

    Returns
    -------
    (K, n) solutions, float64.

    Raises
    ------
    InputError : shapes that differ, or a matrix that is not positive definite.

    Notes
    -----
    The prediction-error filter a of order m follows from that of order m − 1 and its mirror image by one reflection
    coefficient; each order adds one unknown of the solution.

    References
    ----------
    Levinson 1947, J. Math. Phys. 25:261–278; Golub & Van Loan, Matrix Computations, §4.7 (both from memory).

    Examples
    --------
    >>> solve_levinson([[2.0, 1.0]], [[1.0, 0.0]]).round(6).tolist()
    [[0.666667, -0.333333]]
    """
    columns = check_array(column, "column", ndim=2)
    rights = check_array(right, "right", ndim=2)
    if columns.shape != rights.shape:
        raise InputError(
            "each matrix needs a right-hand side of its size", received=f"{columns.shape} and {rights.shape}"
        )
    solved: F64 = ENGINES[engine](columns, rights)
    if not np.isfinite(solved).all():
        raise InputError(
            "the autocorrelation is not positive definite, so that no operator follows from it",
            received=f"{int((~np.isfinite(solved).all(axis=1)).sum())} of {len(solved)} systems",
            do="give more prewhitening or a shorter operator",
        )
    return solved
