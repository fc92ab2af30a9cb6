"""Running median of each sample over a window of traces that slides along the line and stands still at its ends."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from yewline._compiled import njit

__all__ = ["ENGINES", "sliding_median"]

F32 = npt.NDArray[np.float32]


@njit(cache=True, nogil=True)
def _place(window: F32, value: np.float32) -> int:
    """First index in the ordered window whose value is not below `value`."""
    low, size = 0, len(window)
    # Halved without a branch, which the processor could not foretell.
    while size > 1:
        half = size // 2
        low += half if window[low + half - 1] < value else 0
        size -= half
    return low


@njit(cache=True, nogil=True)
def _sliding_median_compiled(columns: F32, count: int) -> F32:
    """(S, n − count + 1) median of each window of `count` neighbours, for each row of `columns` (S, n).

    The window is kept in order: what leaves and what enters are found by halving, what lies between moves by one.
    """
    n_row, n = columns.shape
    out = np.empty((n_row, n - count + 1), np.float32)
    window = np.empty(count, np.float32)
    middle, even = count // 2, count % 2 == 0
    for row in range(n_row):
        x = columns[row]
        window[:] = np.sort(x[:count])
        for start in range(n - count + 1):
            if start > 0:
                leaves, enters = x[start - 1], x[start + count - 1]
                hole = _place(window, leaves)
                if enters >= leaves:
                    while hole + 1 < count and window[hole + 1] < enters:
                        window[hole] = window[hole + 1]
                        hole += 1
                else:
                    while hole > 0 and window[hole - 1] > enters:
                        window[hole] = window[hole - 1]
                        hole -= 1
                window[hole] = enters
            if even:
                out[row, start] = np.float32(0.5) * (window[middle - 1] + window[middle])
            else:
                out[row, start] = window[middle]
    return out


def _sliding_median_plain(columns: F32, count: int) -> F32:
    """(S, n − count + 1) median of each window of `count` neighbours, for each row of `columns` (S, n)."""
    windows = np.lib.stride_tricks.sliding_window_view(columns, count, axis=1)
    return np.median(windows, axis=2).astype(np.float32)


ENGINES: Final[dict[str, Callable[..., Any]]] = {
    "compiled": _sliding_median_compiled,
    "plain": _sliding_median_plain,
}


def sliding_median(values: F32, count: int, *, engine: str = "compiled") -> F32:
    """Median over `count` neighbouring traces about each trace; at the ends the window stays as long and stands still.

    Parameters
    ----------
    values : (T, S) samples.
    count : traces in the window, 1 to T; an even number has half of it before the trace.
    engine : "compiled" or "plain", its twin.

    Returns
    -------
    (T, S) float32.

    Examples
    --------
    >>> sliding_median(np.array([[1.0], [2.0], [9.0], [4.0]], np.float32), 3)[:, 0].tolist()
    [2.0, 2.0, 4.0, 4.0]
    """
    n = len(values)
    medians = ENGINES[engine](np.ascontiguousarray(values.T), count)
    # Windows that stand still at the ends are worked out once.
    first = np.clip(np.arange(n) - count // 2, 0, n - count)
    return np.ascontiguousarray(medians.T[first])
