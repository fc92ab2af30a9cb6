"""What the machine's memory does: bytes a second of plain copies, read and written ones counted, once a process."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor
from functools import cache

import numpy as np

BYTES, REPEATS = 256 * 2**20, 7
"""Far more than any cache holds."""


@cache
def copy_bytes_a_second(threads: int) -> float:
    """Bytes read and written a second by copies of long arrays, on one thread or more: the best of several."""
    here = np.ones(BYTES // 8)
    there = np.empty_like(here)
    parts = [slice(n * len(here) // threads, (n + 1) * len(here) // threads) for n in range(threads)]
    best = float("inf")
    with ThreadPoolExecutor(threads) as pool:
        for _ in range(REPEATS):
            start = time.perf_counter()
            list(pool.map(lambda part: np.copyto(there[part], here[part]), parts))
            best = min(best, time.perf_counter() - start)
    return 2 * BYTES / best
