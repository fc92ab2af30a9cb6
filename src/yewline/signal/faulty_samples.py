"""Samples that cannot be true: wild ones that no wave makes, and those cut off at full scale."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import correlate1d, maximum_filter1d

from yewline._check import check_positive
from yewline.signal.smoothing import running_median
from yewline.signal.spike_places import SIXTH_DIFFERENCE
from yewline.signal.traces import Traces

__all__ = [
    "LONGEST_HONEST_TOP",
    "SPIKE_SCORE",
    "Oddness",
    "cut_samples",
    "lone_runs",
    "longest_runs",
    "odd_samples",
    "runs_of",
]

F64 = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

SPIKE_SCORE = 30.0
"""A sample stands out when it leaves its neighbours by this many times what is usual; noise alone reaches 6, and a
strong direct wave whose time zero drifts along the line about 22 (measured on simulated lines)."""
SPIKE_SHARE = 0.3
"""A wild sample's sixth difference is as large as the sample itself, and two equal ones in a row still keep 0.45 of it;
a wave of ten samples a period keeps 0.003, and reaches this share at 4.2 samples a period."""
SPIKE_ALONE = 3.0
"""A wild sample's sixth difference is this many times larger than any nearby in three of the four traces beside it: a
wave, however sharp, is much the same there."""
NEARBY = 4
"""Samples that a wave moves between traces, or less."""
LEAST_SHARED = 0.5
"""A crest that is cut off in one trace is at least this share of full scale in one of the next two."""
LONGEST_LONE = 4
"""Samples at full scale in a row that no neighbour shares are a spike up to this length, and a cut beyond it."""
ROUGH_SCORE = 8.0
LEAST_SCATTER = 0.08
"""Scatter of the logarithm of roughness between traces that is granted to any line."""
LONGEST_HONEST_TOP = 2
"""Samples in a row at the largest value that a smooth crest may have in a record of coarse steps."""


@dataclass(frozen=True, slots=True, eq=False)
class Oddness:
    """What stands out of a line, and against what.

    Attributes
    ----------
    local : (T, S) samples less their median over the traces.
    odd : (T, S) samples whose sixth difference is that of a wild sample, or of one beside it.
    rough : (T,) traces of rapid noise.
    score : (T, S) size of the sixth difference in units of what is usual.
    usual : (S,) what is usual at that time.
    """

    local: F64
    odd: Flags
    rough: Flags
    score: F64
    usual: F64


def odd_samples(values: F64) -> Oddness:
    """Samples that stand out as wild ones do, and traces of rapid noise.

    The rule is that of `spiky_traces`; fewer than three traces or 14 samples have nothing to be held against.
    """
    shape = values.shape
    if shape[0] < 3 or shape[1] < 2 * len(SIXTH_DIFFERENCE):
        nothing = np.zeros(shape)
        return Oddness(nothing, nothing > 0, np.zeros(shape[0], np.bool_), nothing, np.ones(shape[1]))
    local = values - np.median(values, axis=0)
    rapid = np.abs(correlate1d(local, SIXTH_DIFFERENCE, axis=1, mode="mirror"))
    # What is usual at one time is smoothed over its neighbours, and never below a share of the whole line's.
    usual = running_median(1.4826 * np.median(rapid, axis=0), 9)
    floor = max(0.25 * float(np.median(usual)), 1e-6 * float(np.abs(values).max()), np.finfo(np.float64).tiny)
    usual = np.maximum(usual, floor)
    score = rapid / usual
    odd = score > SPIKE_SCORE
    if odd.any():
        odd &= rapid > SPIKE_SHARE * maximum_filter1d(np.abs(local), len(SIXTH_DIFFERENCE), axis=1)
        rows = np.flatnonzero(odd.any(axis=1))
        odd[rows] &= rapid[rows] > SPIKE_ALONE * _beside(rapid, rows)
    rough = np.log(np.maximum(np.median(score, axis=1), 1e-6))
    departure = rough - np.median(rough)
    scatter = max(1.4826 * float(np.median(np.abs(departure))), LEAST_SCATTER)
    return Oddness(local, odd, departure > ROUGH_SCORE * scatter, score, usual)


def _beside(values: F64, rows: npt.NDArray[np.intp]) -> F64:
    """Largest value nearby in four neighbours of some traces, the second largest of them: one may be faulty itself."""
    largest = maximum_filter1d(values, 2 * NEARBY + 1, axis=1)
    last = len(values) - 1
    four = []
    for away in (1, 2):
        # Beyond the line's ends the neighbour on the other side counts twice.
        before, after = rows - away, rows + away
        four += [np.where(before < 0, after, before), np.where(after > last, before, after)]
    found: F64 = np.sort([largest[np.clip(near, 0, last)] for near in four], axis=0)[2]
    return found


def cut_samples(
    values: Traces, full_scale: float | None, *, longest_lone: int = LONGEST_LONE
) -> tuple[Flags, npt.NDArray[np.int64]]:
    """Samples at full scale in traces that are cut there (T, S), and each trace's longest run of them (T,).

    The rule is that of `clipped_traces`. A run of up to `longest_lone` samples that no neighbour shares is a spike.
    """
    highest, lowest = float(values.max()), float(values.min())
    if full_scale is None:
        # The converter's range is even about zero; a line that reaches only one end of it is cut there alone.
        top, base = highest, lowest
    else:
        top = check_positive(full_scale, "full_scale")
        base = -top
    above = (values >= top) & (top > 0)
    below = (values <= base) & (base < 0)
    for at in (above, below):
        at &= ~lone_runs(values, at, longest_lone)
    runs = np.maximum(longest_runs(above), longest_runs(below))
    # A trace that rests at one value from end to end is silent, not cut.
    runs[np.ptp(values, axis=1) == 0] = 0
    return (above | below) & (runs > LONGEST_HONEST_TOP)[:, None], runs


def lone_runs(values: Traces, at: Flags, longest: int) -> Flags:
    """Runs of `at` up to that length where neither neighbour comes near to their level: spikes, and no crests."""
    lone = np.zeros_like(at)
    if len(values) < 2 or not at.any():
        return lone
    for trace, start, stop in runs_of(at):
        if stop - start <= longest:
            level = values[trace, start]
            beside = values[max(trace - 1, 0) : trace + 2 : 2] if trace else values[1:2]
            near = beside[:, max(start - NEARBY, 0) : stop + NEARBY]
            lone[trace, start:stop] = (np.sign(level) * near).max() < LEAST_SHARED * abs(level)
    return lone


def longest_runs(mask: Flags) -> npt.NDArray[np.int64]:
    """Longest run of true in each row, (T,)."""
    run = np.zeros(len(mask), np.int64)
    longest = run.copy()
    for column in mask.T:
        run = np.where(column, run + 1, 0)
        np.maximum(longest, run, out=longest)
    return longest


def runs_of(mask: Flags) -> list[tuple[int, int, int]]:
    """Runs of true in the rows of `mask`, as (row, first, one past the last), in order."""
    edge = np.diff(np.pad(mask, ((0, 0), (1, 1))).astype(np.int8), axis=1)
    row, start = np.nonzero(edge == 1)
    stop = np.nonzero(edge == -1)[1]
    return list(zip(row.tolist(), start.tolist(), stop.tolist(), strict=True))
