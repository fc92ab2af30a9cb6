"""What the compiled kernels of this folder mean, in NumPy."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["stack_neighbours"]

F32 = npt.NDArray[np.float32]
Index = npt.NDArray[np.int64]


def stack_neighbours(x: F32, first: int, stop: int, whole: Index, part: F32) -> tuple[F32, F32, Index]:
    """Square of the sum, and sum of squares, over neighbouring traces: see the compiled one."""
    n_trace, n = x.shape
    total, square = np.zeros(x.shape), np.zeros(x.shape)
    count = np.zeros(n_trace, np.int64)
    for d in range(first, stop):
        here = np.arange(max(0, -d), max(0, min(n_trace, n_trace - d)))
        place = np.clip(np.arange(n) + whole[d - first] + float(part[d - first]), 0, n - 1)
        low = np.minimum(np.floor(place).astype(np.int64), max(n - 2, 0))
        share = place - low
        value = x[here + d][:, low] * (1 - share) + x[here + d][:, np.minimum(low + 1, n - 1)] * share
        total[here] += value
        square[here] += value**2
        count[here] += 1
    return (total**2).astype(np.float32), square.astype(np.float32), count
