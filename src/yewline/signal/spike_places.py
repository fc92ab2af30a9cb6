"""Which samples of a trace are wild: those whose value, if it were free, would leave nothing odd around them."""

from __future__ import annotations

import math
from functools import lru_cache
from itertools import combinations

import numpy as np
import numpy.typing as npt

__all__ = ["SIXTH_DIFFERENCE", "wild_places"]

F64 = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Index = npt.NDArray[np.int64]

SIXTH_DIFFERENCE = np.array([1.0, -6.0, 15.0, -20.0, 15.0, -6.0, 1.0]) / -20.0
HALF = len(SIXTH_DIFFERENCE) // 2
APART = 3 * HALF
"""Odd samples further apart than this have no wild sample and no difference in common."""
RUN_PRICE = 50.0
NEXT_PRICE = 25.0
"""What freeing a sample must take from the sum of squared sixth differences, in units of their variance: the first of a
run, and one that follows it. In noise it takes 3.2 times a χ² of one degree: more than 50 once in ten thousand samples,
more than 25 once in two hundred."""
MOST_TRIED = 5_000
"""Sets of samples that are all tried; beyond, one sample at a time is added to the best set so far."""
MOST_FREE = 12
CONTEXT = 12
"""Samples beyond a stretch on either side whose own roughness is granted to it."""


def wild_places(trace: F64, odd: Flags, usual: F64, *, most: float) -> Flags:
    """The wild samples among and beside those with an odd sixth difference.

    A wild sample makes its neighbours' differences odd as well, and two equal ones make those beside them odder than
    their own. So samples are freed to take whatever value leaves the smallest differences: each, then every two, and so
    on, as long as one more takes much away. What had to be freed is wild; samples in a row are freed more readily than
    others.

    Parameters
    ----------
    trace : (S,) samples less what is common to the line.
    odd : (S,) samples whose sixth difference stands out.
    usual : (S,) standard deviation of the sixth difference, as is usual at that time.
    most : sixth difference, in units of what is usual, above which a stretch is not explained by some wild samples: it
        is then named as a whole, with the samples on either side that bear on it.

    Returns
    -------
    (S,) wild samples.
    """
    wild = np.zeros_like(odd)
    at = np.flatnonzero(odd)
    for part in np.split(at, np.flatnonzero(np.diff(at) > APART) + 1):
        if len(part):
            # A wild sample may lie as far from an odd one as the difference reaches.
            first, stop = max(int(part[0]) - HALF, 0), min(int(part[-1]) + HALF + 1, len(trace))
            wild[_explained(trace, usual, first, stop, most)] = True
    return wild


def _explained(trace: F64, usual: F64, first: int, stop: int, most: float) -> Index:
    """The fewest of the samples first … stop − 1 that explain what is odd there, or all of them."""
    centre = np.arange(max(first - HALF, HALF), min(stop + HALF, len(trace) - HALF))
    scale = np.maximum(usual[centre], _roughness(trace, int(centre[0]), int(centre[-1]) + 1))
    odd = _differences(trace, centre) / scale
    # What each sample adds to each difference.
    lag = np.arange(first, stop) - centre[:, None] + HALF
    reached = (lag >= 0) & (lag <= 2 * HALF)
    matrix = np.where(reached, SIXTH_DIFFERENCE[np.clip(lag, 0, 2 * HALF)], 0.0) / scale[:, None]
    normal, pulled = matrix.T @ matrix, matrix.T @ odd
    # A ridge in the last digits: near the record's ends a sample may hardly bear on any difference.
    normal[np.diag_indices_from(normal)] += 1e-12 * np.trace(normal)
    free, worth, idle = np.zeros(0, np.int64), 0.0, 0
    best = free
    for count in range(1, min(MOST_FREE, stop - first) + 1):
        few = math.comb(stop - first, count) <= MOST_TRIED
        best, then = _best_of(normal, pulled, _sets(stop - first, count) if few else _more(best, stop - first))
        if then > worth:
            free, worth, idle = best, then, 0
        elif (idle := idle + 1) == 2:
            break
    while len(free) > 1:
        fewer, then = _best_of(normal, pulled, np.array([np.delete(free, n) for n in range(len(free))]))
        if then < worth:
            break
        free, worth = fewer, then
    rest = odd - matrix[:, free] @ np.linalg.solve(normal[np.ix_(free, free)], pulled[free])
    return first + free if np.abs(rest).max() <= most else np.arange(first, stop)


@lru_cache(maxsize=128)
def _sets(samples: int, count: int) -> Index:
    """(N, count) all sets of that many samples; read-only because shared."""
    sets = np.array(list(combinations(range(samples), count)), np.int64)
    sets.setflags(write=False)
    return sets


def _more(free: Index, samples: int) -> Index:
    """(N, k + 1) the set `free` with each other sample."""
    others = np.setdiff1d(np.arange(samples), free)
    return np.sort(np.concatenate([np.repeat(free[None], len(others), axis=0), others[:, None]], axis=1), axis=1)


def _best_of(normal: F64, pulled: F64, sets: Index) -> tuple[Index, float]:
    """Of sets of samples (N, k), that which takes most from the sum of squares when freed, less its price."""
    wanted = pulled[sets]
    freed = np.linalg.solve(normal[sets[:, :, None], sets[:, None, :]], wanted[..., None])[..., 0]
    runs = 1 + (np.diff(sets, axis=1) > 1).sum(axis=1)
    worth = (wanted * freed).sum(axis=1) - RUN_PRICE * runs - NEXT_PRICE * (sets.shape[1] - runs)
    at = int(worth.argmax())
    return sets[at], float(worth[at])


def _differences(trace: F64, centre: Index) -> F64:
    """Sixth differences of a trace about some samples, scaled so that a single wild sample keeps its size."""
    return trace[centre[:, None] + np.arange(-HALF, HALF + 1)] @ SIXTH_DIFFERENCE


def _roughness(trace: F64, first: int, stop: int) -> float:
    """Standard deviation of the sixth difference beside a stretch, on its quieter side: where a wave passes, more."""
    found = []
    for at in (np.arange(first - CONTEXT, first), np.arange(stop, stop + CONTEXT)):
        inside = at[(at >= HALF) & (at < len(trace) - HALF)]
        if len(inside) >= HALF:
            found.append(1.4826 * float(np.median(np.abs(_differences(trace, inside)))))
    return min(found, default=0.0)
