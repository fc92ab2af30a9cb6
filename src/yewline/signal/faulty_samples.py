"""Samples that cannot be true: wild ones that no wave makes, and those cut off at full scale."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.ndimage import correlate1d, maximum_filter1d

from yewline._check import check_positive
from yewline.signal.smoothing import running_median
from yewline.signal.traces import Traces

__all__ = ["LONGEST_HONEST_TOP", "cut_samples", "longest_runs", "wild_samples"]

F64 = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

SPIKE_SCORE = 30.0
"""A sample stands out when it leaves its neighbours by this many times what is usual; noise alone reaches 6, and a
strong direct wave whose time zero drifts along the line about 22 (measured on simulated lines)."""
SPIKE_SHARE = 0.6
"""A wild sample's sixth difference is as large as the sample itself; that of a wave is far smaller."""
ROUGH_SCORE = 8.0
LEAST_SCATTER = 0.08
"""Scatter of the logarithm of roughness between traces that is granted to any line."""
SIXTH_DIFFERENCE = np.array([1.0, -6.0, 15.0, -20.0, 15.0, -6.0, 1.0]) / -20.0
LONGEST_HONEST_TOP = 2
"""Samples in a row at the largest value that a smooth crest may have in a record of coarse steps."""


def wild_samples(values: F64) -> tuple[Flags, Flags, F64]:
    """Wild samples (T, S), traces of rapid noise (T,), and each sample's departure in units of what is usual.

    The rule is that of `spiky_traces`; fewer than three traces or 14 samples have nothing to be held against.
    """
    if values.shape[0] < 3 or values.shape[1] < 2 * len(SIXTH_DIFFERENCE):
        return np.zeros(values.shape, np.bool_), np.zeros(len(values), np.bool_), np.zeros(values.shape)
    local = values - np.median(values, axis=0)
    rapid = np.abs(correlate1d(local, SIXTH_DIFFERENCE, axis=1, mode="mirror"))
    # What is usual at one time is smoothed over its neighbours, and never below a share of the whole line's.
    usual = running_median(1.4826 * np.median(rapid, axis=0), 9)
    floor = max(0.25 * float(np.median(usual)), 1e-6 * float(np.abs(values).max()), np.finfo(np.float64).tiny)
    score = rapid / np.maximum(usual, floor)
    size = maximum_filter1d(np.abs(local), len(SIXTH_DIFFERENCE), axis=1)
    wild = (score > SPIKE_SCORE) & (rapid > SPIKE_SHARE * size)
    rough = np.log(np.maximum(np.median(score, axis=1), 1e-6))
    departure = rough - np.median(rough)
    scatter = max(1.4826 * float(np.median(np.abs(departure))), LEAST_SCATTER)
    return wild, departure > ROUGH_SCORE * scatter, score


def cut_samples(values: Traces, full_scale: float | None) -> tuple[Flags, npt.NDArray[np.int64]]:
    """Samples at full scale in traces that are cut there (T, S), and each trace's longest run of them (T,).

    The rule is that of `clipped_traces`.
    """
    highest, lowest = float(values.max()), float(values.min())
    if full_scale is None:
        # The converter's range is even about zero; a line that reaches only one end of it is cut there alone.
        top, base = highest, lowest
    else:
        top = check_positive(full_scale, "full_scale")
        base = -top
    runs = np.maximum(
        longest_runs(values >= top) if top > 0 else np.zeros(len(values), np.int64),
        longest_runs(values <= base) if base < 0 else np.zeros(len(values), np.int64),
    )
    # A trace that rests at one value from end to end is silent, not cut.
    runs[np.ptp(values, axis=1) == 0] = 0
    at = (values >= top) | (values <= base)
    return at & (runs > LONGEST_HONEST_TOP)[:, None], runs


def longest_runs(mask: Flags) -> npt.NDArray[np.int64]:
    """Longest run of true in each row, (T,)."""
    run = np.zeros(len(mask), np.int64)
    longest = run.copy()
    for column in mask.T:
        run = np.where(column, run + 1, 0)
        np.maximum(longest, run, out=longest)
    return longest
