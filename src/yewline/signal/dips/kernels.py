"""Compiled kernels of this folder, one thread each; `kernels_plain` says in NumPy what they mean."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from yewline._compiled import njit

__all__ = ["stack_along"]

F32 = npt.NDArray[np.float32]
I32 = npt.NDArray[np.int32]
Index = npt.NDArray[np.int64]


@njit(cache=True, nogil=True)
def stack_along(x: F32, apex: Index, lead: int, whole: I32, part: F32, stop: I32) -> tuple[F32, F32, F32]:
    """Sum, sum of squares and count of samples along curves.

    Parameters
    ----------
    x : (T, S) samples.
    apex : (A,) traces, also beyond the line, about which the curves lie.
    lead : trace of the first row of the tables, relative to the apex.
    whole, part : (D, J) sample, and share of the next one, that curve j meets d traces on from the first row.
    stop : (D,) how many curves are still inside the record there; they are ordered by time.
    """
    n_trace = x.shape[0]
    n_curve = whole.shape[1]
    total = np.zeros((len(apex), n_curve), np.float32)
    square = np.zeros((len(apex), n_curve), np.float32)
    count = np.zeros((len(apex), n_curve), np.float32)
    for a in range(len(apex)):
        sums, squares, counts = total[a], square[a], count[a]
        for d in range(whole.shape[0]):
            trace = apex[a] + lead + d
            if 0 <= trace < n_trace:
                row, base, share = x[trace], whole[d], part[d]
                for j in range(stop[d]):
                    low = row[base[j]]
                    value = low + share[j] * (row[base[j] + 1] - low)
                    sums[j] += value
                    squares[j] += value * value
                    counts[j] += np.float32(1.0)
    return total, square, count
