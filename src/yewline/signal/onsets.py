"""Onsets: the sample at which a wave sets in, picked in each trace by itself."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

__all__ = ["akaike", "energy_ratio", "pick_onsets", "vertex"]

F64 = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

ENERGY_FLOOR = 1e-4
"""Share of a trace's largest energy that is added to the long window: noise below a hundredth of the swing is quiet."""
VARIANCE_FLOOR = 1e-8
"""Share of a trace's largest energy below which a stretch counts as silent, so that a record without noise has no onset
in the last digits of its samples."""
FEWEST_BEFORE = 2
"""Samples ahead of an onset without which nothing can be said of what was there before."""


def energy_ratio(x: F64, short: int, long: int, *, floor: float = ENERGY_FLOOR) -> F64:
    """Mean energy of the `short` samples from each sample on, over that of these and the `long` ones before them.

    Parameters
    ----------
    x : (T, S) samples without offset.
    short, long : samples in what lies ahead and behind.
    floor : share of the trace's largest energy that is added to the denominator.

    Returns
    -------
    (T, S); zero where the window ahead is not whole, or fewer than two samples lie behind.

    Notes
    -----
    With no floor, sample i holds the classic ratio of a short to a long running mean that both end at i + short − 1.

    References
    ----------
    Allen 1978, Bull. Seismol. Soc. Am. 68:1521–1532 (short over long average; from memory).
    """
    n = x.shape[1]
    total = np.concatenate([np.zeros((len(x), 1)), np.cumsum(x * x, axis=1)], axis=1)
    at = np.arange(n)
    stop, start = np.minimum(at + short, n), np.maximum(at - long, 0)
    ahead = (total[:, stop] - total[:, at]) / short
    both = (total[:, stop] - total[:, start]) / (stop - start)
    ratio: F64 = ahead / np.maximum(both + floor * np.max(x * x, axis=1, keepdims=True), 1e-300)
    ratio[:, (at < FEWEST_BEFORE) | (at + short > n)] = 0.0
    return ratio


def akaike(x: F64, stop: Index) -> F64:
    """Akaike's criterion of each sample as the one that parts two stationary stretches of the record before `stop`.

    Parameters
    ----------
    x : (T, S).
    stop : (T,) samples of each trace that are looked at, at least 5.

    Returns
    -------
    (T, S); infinite outside 2 … stop − 2.

    Notes
    -----
    a_k = k ln var(x_0 … x_{k−1}) + (n − k − 1) ln var(x_k … x_{n−1}): the form that needs no autoregressive model.

    References
    ----------
    Maeda 1985, Zisin 38:365–379 (from memory).
    """
    n = x.shape[1]
    first = np.concatenate([np.zeros((len(x), 1)), np.cumsum(x, axis=1)], axis=1)
    second = np.concatenate([np.zeros((len(x), 1)), np.cumsum(x * x, axis=1)], axis=1)
    k = np.arange(n)[None]
    end = np.minimum(stop, n)[:, None]
    left, right = np.maximum(k, 1), np.maximum(end - k, 1)
    mean = first[:, :n] / left
    before = second[:, :n] / left - mean * mean
    mean = (np.take_along_axis(first, end, axis=1) - first[:, :n]) / right
    after = (np.take_along_axis(second, end, axis=1) - second[:, :n]) / right - mean * mean
    floor = np.maximum(VARIANCE_FLOOR * np.max(x * x, axis=1, keepdims=True), 1e-300)
    criterion: F64 = k * np.log(np.maximum(before, floor)) + (end - k - 1) * np.log(np.maximum(after, floor))
    criterion[(k < FEWEST_BEFORE) | (k > end - 2)] = np.inf
    return criterion


def pick_onsets(x: F64, crest: Index, period: float, pick: str) -> F64:
    """Onset of the first wave of each trace, in samples: at or ahead of its largest early swing.

    Parameters
    ----------
    x : (T, S) samples.
    crest : (T,) sample of the largest early swing of each trace.
    period : of the antenna's centre frequency, in samples.
    pick : "aic", by Akaike's criterion; "energy_ratio", by the energy ahead over that ahead and behind.

    Returns
    -------
    (T,) with parts of a sample.
    """
    # Nothing behind the last crest bears on an onset ahead of it.
    x = x[:, : int(crest.max()) + math.ceil(2.0 * period) + 1]
    n = x.shape[1]
    # The offset of what comes before: later samples hold the wave itself.
    quiet = np.arange(n) < np.maximum(crest - math.ceil(period), min(4, n))[:, None]
    level = np.nanmedian(np.where(quiet, x, np.nan), axis=1, keepdims=True)
    flat = x - level
    if pick == "aic":
        end = np.clip(crest + math.ceil(0.5 * period), 5, n)
        first = akaike(flat, end).argmin(axis=1)
        # A second look that ends soon after the first: a stronger wave behind it no longer bears on the parting.
        score = -akaike(flat, np.clip(first + math.ceil(period), 5, end))
    else:
        score = np.log(np.maximum(energy_ratio(flat, max(2, round(0.5 * period)), max(4, round(2 * period))), 1e-300))
        score[np.arange(n) > crest[:, None]] = -np.inf
        score[:, :FEWEST_BEFORE] = -np.inf
    best = score.argmax(axis=1)
    return best + vertex(score, best)


def vertex(score: npt.NDArray[np.floating], best: Index) -> F64:
    """Offset in samples of the crest of the parabola through the best score and its neighbours; none at the edge."""
    inner = np.clip(best, 1, score.shape[1] - 2)
    left, top, right = (np.take_along_axis(score, (inner + d)[:, None], axis=1)[:, 0].astype(float) for d in (-1, 0, 1))
    with np.errstate(invalid="ignore"):
        bend = left - 2.0 * top + right
    usable = (bend < 0) & np.isfinite(bend) & (inner == best)
    return np.where(usable, 0.5 * (np.where(usable, left, 0.0) - np.where(usable, right, 0.0)), 0.0) / np.where(
        usable, bend, 1.0
    )
