"""Faults of a recorded line as masks: what is dead, what is noisy, which samples are wild, which are cut off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline._check import check_positive
from yewline.signal.faulty_samples import (
    LONGEST_HONEST_TOP,
    SPIKE_SCORE,
    Oddness,
    cut_samples,
    lone_runs,
    longest_runs,
    odd_samples,
    runs_of,
)
from yewline.signal.quality import dead_traces
from yewline.signal.section import Section
from yewline.signal.spike_places import wild_places
from yewline.signal.traces import Traces, check_traces

__all__ = ["TraceRepair", "default_longest_cut_ns", "default_longest_spike_ns", "find_faults", "runs_of"]

Flags = npt.NDArray[np.bool_]

MOST_WILD = 0.1
"""A trace with a larger share of wild samples is replaced as a whole: too little of its own is left."""
MOST_ODD = 0.5
"""In a trace with a larger share of odd samples nobody can tell which are sound."""


@dataclass(frozen=True, slots=True)
class TraceRepair:
    """What `repair_traces` finds and does: to be shown beside the line, so that nobody takes it for recorded.

    Attributes
    ----------
    dead : (T,) traces without signal: replaced by their neighbours.
    noisy : (T,) traces of rapid noise, or with too many wild samples: replaced by their neighbours.
    wild : (T, S) single wild samples in other traces: interpolated inside the trace.
    cut : (T, S) samples at full scale in cut crests.
    restored : (T, S) those of them whose cut is short enough to be restored; the rest stays as it was recorded.
    """

    dead: Flags
    noisy: Flags
    wild: Flags
    cut: Flags
    restored: Flags

    @property
    def replaced(self) -> Flags:
        """(T,) traces that are replaced as a whole."""
        return self.dead | self.noisy

    @property
    def changed(self) -> Flags:
        """(T, S) every sample that is not as it was recorded once the line is repaired."""
        return self.wild | self.restored | self.replaced[:, None]

    def __bool__(self) -> bool:
        return bool(self.replaced.any() or self.wild.any() or self.cut.any())


def default_longest_spike_ns(section: Section) -> float:
    """Two fifths of a period of the centre frequency, ns: what the samples on either side still fix."""
    return 0.4 * section.period_ns


def default_longest_cut_ns(section: Section) -> float:
    """Half a period of the centre frequency, ns: one crest; a longer cut has lost more than its top."""
    return section.period_ns / 2.0


def find_faults(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    longest_spike_ns: float | None = None,
    longest_cut_ns: float | None = None,
    full_scale: float | None = None,
) -> TraceRepair:
    """Find dead, noisy, spiky and clipped traces, and sort out what of each can be repaired.

    Parameters
    ----------
    amplitude : (T, S) samples as recorded.
    section : sampling and antenna.
    longest_spike_ns : wild samples in a row that are still interpolated inside their trace, ns; left out, two fifths of
        a period of the centre frequency. A trace with a longer run is replaced by its neighbours.
    longest_cut_ns : cut crests up to this length are restored, ns; left out, half a period of the centre frequency.
    full_scale : the largest value that the receiver can hold, if known; left out, the largest in the line.

    Returns
    -------
    TraceRepair.

    Raises
    ------
    InputError : samples that are not finite, or a value that is not positive.

    Notes
    -----
    The rules are those of `dead_traces`, `spiky_traces` and `clipped_traces`; once a line is known to be cut, every
    sample at that level counts, but for a spike that reaches it. Which samples of an odd stretch are wild is told by
    freeing them, each, then every two, and so on, as long as one more takes 50 variances from the sum of squared sixth
    differences, or 25 where it follows another.

    Examples
    --------
    >>> x = np.sin(0.3 * np.arange(80) + 0.2 * np.arange(30)[:, None])
    >>> x[4] = 0.0
    >>> x[7, 33] += 60.0
    >>> faults = find_faults(x, Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=190.0))
    >>> np.flatnonzero(faults.replaced).tolist(), np.argwhere(faults.wild).tolist()
    ([4], [[7, 33]])
    """
    values = check_traces(amplitude)
    spike_ns = default_longest_spike_ns(section) if longest_spike_ns is None else longest_spike_ns
    cut_ns = default_longest_cut_ns(section) if longest_cut_ns is None else longest_cut_ns
    most_wild = max(3, round(check_positive(spike_ns, "longest_spike_ns") / section.interval_ns))
    most_cut = max(1, round(check_positive(cut_ns, "longest_cut_ns") / section.interval_ns))
    dead = np.zeros(len(values), np.bool_)
    dead[list(dead_traces(values).traces)] = True
    cut = _cut(values, full_scale, most_wild) & ~dead[:, None]
    found = odd_samples(values.astype(np.float64))
    # The corner where a crest is cut off has a large sixth difference of its own.
    wild = _wild(found, found.odd & ~_widened(cut, 3) & ~dead[:, None])
    noisy = (found.rough | (longest_runs(wild) > most_wild) | (wild.mean(axis=1) > MOST_WILD)) & ~dead
    whole = dead | noisy
    wild &= ~whole[:, None]
    restored = np.zeros_like(cut)
    for trace, start, stop in runs_of(cut & ~whole[:, None]):
        # A cut that the record begins or ends with has a flank on one side only.
        if stop - start <= most_cut and start > 0 and stop < values.shape[1]:
            restored[trace, start:stop] = True
    return TraceRepair(dead=dead, noisy=noisy, wild=wild, cut=cut, restored=restored)


def _wild(found: Oddness, odd: Flags) -> Flags:
    """The wild samples that make the odd ones odd; all of a trace where nobody can tell."""
    wild = np.zeros_like(odd)
    for trace in np.flatnonzero(odd.any(axis=1) & ~found.rough):
        if odd[trace].mean() > MOST_ODD:
            wild[trace] = True
        else:
            wild[trace] = wild_places(found.local[trace], odd[trace], found.usual, most=SPIKE_SCORE)
    return wild


def _cut(values: Traces, full_scale: float | None, longest_spike: int) -> Flags:
    """Samples at full scale, on the sides where some trace of the line is cut there for three samples or more."""
    in_runs, _ = cut_samples(values, full_scale, longest_lone=longest_spike)
    cut = np.zeros_like(in_runs)
    for sign in (1.0, -1.0):
        side = in_runs & (sign * values > 0)
        if longest_runs(side).max() > LONGEST_HONEST_TOP:
            # Where the level is known to cut, the short tops that touch it were cut as well.
            level = (sign * values)[side].max() if full_scale is None else full_scale
            top = sign * values >= level
            cut |= top & ~lone_runs(values, top, longest_spike)
    return cut


def _widened(mask: Flags, by: int) -> Flags:
    """`mask` grown by `by` samples on both sides."""
    wide = mask.copy()
    for step in range(1, by + 1):
        wide[:, step:] |= mask[:, :-step]
        wide[:, :-step] |= mask[:, step:]
    return wide
