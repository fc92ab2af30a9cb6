"""Compiled kernels of this folder, one thread each; `kernels_plain` says in NumPy what they mean."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from yewline._compiled import njit

__all__ = ["stack_neighbours"]

F32 = npt.NDArray[np.float32]
Index = npt.NDArray[np.int64]


@njit(cache=True, nogil=True, fastmath={"contract"})
def stack_neighbours(x: F32, first: int, stop: int, whole: Index, part: F32) -> tuple[F32, F32, Index]:
    """Square of the sum, and sum of squares, over traces t + first … t + stop − 1, each read along a dip.

    Parameters
    ----------
    x : (T, S) samples.
    first, stop : neighbours, relative to each trace; those beyond the line are left out.
    whole, part : (stop − first,) samples, and share of the next one, by which each neighbour is late. Samples beyond
        the record count as its first or last.

    Returns
    -------
    (T, S) twice, and (T,) how many traces were there.
    """
    n_trace, n = x.shape
    total = np.zeros_like(x)
    square = np.zeros_like(x)
    count = np.zeros(n_trace, np.int64)
    for t in range(n_trace):
        sums, squares = total[t], square[t]
        for d in range(first, stop):
            if 0 <= t + d < n_trace:
                count[t] += 1
                row, move, share = x[t + d], whole[d - first], part[d - first]
                begin, end = min(max(0, -move), n), max(min(n, n - 1 - move), 0)
                for i in range(begin):
                    sums[i] += row[0]
                    squares[i] += row[0] * row[0]
                for i in range(max(end, begin), n):
                    sums[i] += row[n - 1]
                    squares[i] += row[n - 1] * row[n - 1]
                if begin < end:
                    # Views that start at zero: an index that might be negative keeps the loop off the vector unit.
                    low, high = row[begin + move : end + move], row[begin + move + 1 : end + move + 1]
                    here, there = sums[begin:end], squares[begin:end]
                    for i in range(len(here)):
                        value = low[i] + share * (high[i] - low[i])
                        here[i] += value
                        there[i] += value * value
        for i in range(n):
            sums[i] *= sums[i]
    return total, square, count
