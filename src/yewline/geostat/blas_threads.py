"""Threads of matrix products: where many small ones follow each other, one a product and the products side by side."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from functools import cache
from typing import Any, Final

import threadpoolctl

__all__ = ["one_blas_thread", "side_by_side"]

_HELD: Final = threading.Lock()


@contextmanager
def one_blas_thread() -> Iterator[None]:
    """Within it a matrix product runs on the thread that asks for it.

    A library that spreads each small product over all cores waits at the end of each for its last thread; on a machine
    that is busy with other work that took eight times as long as a single thread (400 readings to 160,000 points).

    Examples
    --------
    >>> import numpy as np
    >>> with one_blas_thread():
    ...     float((np.ones((2, 2)) @ np.ones((2, 2))).sum())
    8.0
    """
    # The limit is one for the whole process: who comes second would put the first one's back for good.
    if not _HELD.acquire(blocking=False):
        yield
        return
    try:
        with _controller().limit(limits=1, user_api="blas"):
            yield
    finally:
        _HELD.release()


def side_by_side(work: Callable[[int], None], starts: Sequence[int]) -> None:
    """Do `work` for each start on all cores, with one thread for each matrix product.

    Examples
    --------
    >>> done = []
    >>> side_by_side(done.append, range(3))
    >>> sorted(done)
    [0, 1, 2]
    """
    with one_blas_thread(), ThreadPoolExecutor(os.cpu_count()) as pool:
        for future in [pool.submit(work, start) for start in starts]:
            future.result()


@cache
def _controller() -> Any:
    # Looking for the libraries costs milliseconds, so that it is done once: all are loaded by now.
    return threadpoolctl.ThreadpoolController()
