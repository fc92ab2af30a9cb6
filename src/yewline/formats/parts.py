"""Long arrays worked on in a few threads, each with its own run of traces."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

__all__ = ["over_parts"]

T = TypeVar("T")

_THREADED_FROM = 1_000_000
_MOST_THREADS = 8


def over_parts(n_trace: int, n_sample: int, work: Callable[[int, int], T]) -> list[T]:
    """Call ``work(first, stop)`` for runs of traces that cover all of them, and return the results in order.

    The work must let go of the interpreter (compiled code, large NumPy calls) to gain from threads; unlike a
    parallel kernel it needs no loading time, and may itself be called from several threads. Small arrays are done
    in one piece.

    Examples
    --------
    >>> over_parts(10, 3, lambda first, stop: stop - first)
    [10]
    """
    if n_trace * n_sample < _THREADED_FROM:
        return [work(0, n_trace)]
    count = max(1, min(os.cpu_count() or 1, _MOST_THREADS, n_trace))
    cuts = [n_trace * k // count for k in range(count + 1)]
    with ThreadPoolExecutor(count) as pool:
        return list(pool.map(work, cuts[:-1], cuts[1:]))
