"""What the compiled kernels of this folder mean, in NumPy."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["stack_along"]

F32 = npt.NDArray[np.float32]
I32 = npt.NDArray[np.int32]
Index = npt.NDArray[np.int64]


def stack_along(x: F32, apex: Index, lead: int, whole: I32, part: F32, stop: I32) -> tuple[F32, F32, F32]:
    """Sum, sum of squares and count of samples along curves: see the compiled one."""
    shape = (len(apex), whole.shape[1])
    total, square, count = (np.zeros(shape, np.float32) for _ in range(3))
    for a, at in enumerate(apex):
        for d in range(len(whole)):
            trace = at + lead + d
            if 0 <= trace < len(x):
                base, share = whole[d, : stop[d]], part[d, : stop[d]]
                value = x[trace, base] + share * (x[trace, base + 1] - x[trace, base])
                total[a, : stop[d]] += value
                square[a, : stop[d]] += value * value
                count[a, : stop[d]] += 1.0
    return total, square, count
