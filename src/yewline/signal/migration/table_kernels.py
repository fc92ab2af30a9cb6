"""Compiled diffraction sums over evenly spaced traces: what an operator is depends on the offset alone.

A table holds, for each depth and each whole offset between image column and trace, which two samples a sum reads and
with which weights. All columns share it, so each step is a row of samples times a number: no index is looked up
inside. Rows are times, (C, L, T). Each kernel has a NumPy twin in `kirchhoff_plain`.
"""

from __future__ import annotations

from typing import Any

import numpy.typing as npt
from numba import prange

from yewline._compiled import njit

__all__ = ["gather_even", "gather_even_parallel", "scatter_even", "scatter_even_parallel"]

Real = npt.NDArray[Any]

_FAST = {"contract", "reassoc", "nsz"}
STRIP = 64
"""Traces that one thread writes to at a time in the transpose."""


@njit(cache=True, nogil=True, fastmath=_FAST)
def _gather_depth(rows: Real, sample: Real, copy: Real, low: Real, high: Real, reach: Real, out: Real) -> None:
    """One depth of the image, (X,)."""
    n = len(out)
    for k in range(reach):
        first, second = rows[copy[k], sample[k]], rows[copy[k], sample[k] + 1]
        a, b = low[k], high[k]
        if k == 0:
            for i in range(n):
                out[i] += a * first[i] + b * second[i]
        else:
            # Views that start at zero keep the loops on the vector unit.
            ahead_first, ahead_second, target = first[k:n], second[k:n], out[: n - k]
            for i in range(len(target)):
                target[i] += a * ahead_first[i] + b * ahead_second[i]
            back_first, back_second, target = first[: n - k], second[: n - k], out[k:n]
            for i in range(len(target)):
                target[i] += a * back_first[i] + b * back_second[i]


@njit(cache=True, nogil=True)
def gather_even(rows: Real, sample: Real, copy: Real, low: Real, high: Real, reach: Real, image: Real) -> None:
    """image[z, x] += Σ_k low·rows[sample, x ± k] + high·rows[sample + 1, x ± k], one thread."""
    for z in range(len(image)):
        _gather_depth(rows, sample[z], copy[z], low[z], high[z], reach[z], image[z])


@njit(cache=True, nogil=True, parallel=True)
def gather_even_parallel(rows: Real, sample: Real, copy: Real, low: Real, high: Real, reach: Real, image: Real) -> None:
    """`gather_even` over all threads."""
    for z in prange(len(image)):
        _gather_depth(rows, sample[z], copy[z], low[z], high[z], reach[z], image[z])


@njit(cache=True, nogil=True, fastmath=_FAST)
def _add(target: Real, source: Real, size: float) -> None:
    for i in range(len(target)):
        target[i] += size * source[i]


@njit(cache=True, nogil=True)
def _scatter_strip(
    rows: Real, sample: Real, copy: Real, low: Real, high: Real, reach: Real, image: Real, start: int, stop: int
) -> None:
    """All that the image adds to traces start … stop − 1."""
    n = image.shape[1]
    for z in range(len(image)):
        for k in range(reach[z]):
            first, second = rows[copy[z, k], sample[z, k]], rows[copy[z, k], sample[z, k] + 1]
            # Column i reads traces i + k and i − k, so trace j gets columns j − k and j + k.
            begin = max(start, k)
            if begin < stop:
                source = image[z, begin - k : stop - k]
                _add(first[begin:stop], source, low[z, k])
                _add(second[begin:stop], source, high[z, k])
            end = min(stop, n - k)
            if k > 0 and start < end:
                source = image[z, start + k : end + k]
                _add(first[start:end], source, low[z, k])
                _add(second[start:end], source, high[z, k])


@njit(cache=True, nogil=True)
def scatter_even(rows: Real, sample: Real, copy: Real, low: Real, high: Real, reach: Real, image: Real) -> None:
    """rows += what the image adds to each time: the transpose of `gather_even`, one thread."""
    _scatter_strip(rows, sample, copy, low, high, reach, image, 0, image.shape[1])


@njit(cache=True, nogil=True, parallel=True)
def scatter_even_parallel(
    rows: Real, sample: Real, copy: Real, low: Real, high: Real, reach: Real, image: Real
) -> None:
    """`scatter_even` over all threads."""
    n = image.shape[1]
    for strip in prange((n + STRIP - 1) // STRIP):
        start = strip * STRIP
        _scatter_strip(rows, sample, copy, low, high, reach, image, start, min(start + STRIP, n))
