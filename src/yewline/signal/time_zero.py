"""Time zero: the moment the wave enters the ground, found in each trace by the direct wave and set to sample 0."""

from __future__ import annotations

import math
from typing import Annotated, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field

from yewline._check import check_array, check_choice, check_in_range, check_positive
from yewline.errors import InputError
from yewline.signal.direct_wave import Followed, follow_front, follow_strongest
from yewline.signal.section import Section
from yewline.signal.shift import shift_by
from yewline.signal.smoothing import running_median
from yewline.signal.traces import Traces, check_traces
from yewline.units import C_M_PER_NS

__all__ = ["pick_time_zero", "start_at", "time_zero"]

F64 = npt.NDArray[np.float64]

PICKS = ("peak", "first_break", "energy_ratio", "aic", "correlation")
LARGEST_PLAIN = 1e15
SMALLEST_PLAIN = 1e-15
"""Outside these, squares of samples come near the ends of float32, so the line is scaled first."""


def time_zero(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    pick: Literal["peak", "first_break", "energy_ratio", "aic", "correlation"] = "peak",
    search_ns: Annotated[float | None, Field(gt=0, le=10_000)] = None,
    threshold: Annotated[float, Field(gt=0, lt=1)] = 0.05,
    smooth_traces: Annotated[int, Field(ge=1, le=999)] = 9,
) -> Traces:
    """Shift every trace, by parts of a sample, so that its first sample is the moment the wave enters the ground.

    The direct wave through the air travels the distance between the antennas, so time zero lies separation/c before
    it. Its drift along the line is followed trace by trace and smoothed by a running median, which keeps steps.

    Parameters
    ----------
    amplitude : (T, S) samples as recorded.
    section : sampling and antenna.
    pick : "peak", the crest of the direct wave's envelope; reflections are later measured by the same crest, so the
        length of the pulse drops out of depths but for what moisture moves the crest by where air and ground wave merge
        (0.3 ns at most for antennas 0.16 m apart at 400 MHz). "first_break", the moment the direct wave first rises
        above the threshold, which is earlier by the pulse's own rise. Both follow the strongest early swing, which
        wet ground may make the ground wave. The others follow the front of the wave through the air, so that what
        moisture does to the ground wave stays in the record: "energy_ratio", the onset by the energy ahead over that
        behind; "aic", the onset by Akaike's criterion; "correlation", the crest as for "peak".
    search_ns : the direct wave is looked for from the start of the record to here, ns; left out, half the record.
    threshold : for "first_break", share of the direct wave's largest swing.
    smooth_traces : traces in the running median of the drift; 1 takes every pick as it is.

    Returns
    -------
    (T, S') float32; samples before time zero are dropped, and the record ends where that of the trace that was moved
    most does: every sample that is left was recorded.

    Raises
    ------
    InputError : every trace is silent, fewer than 4 samples, or a value out of range.

    Notes
    -----
    Silent traces, and those whose direct wave is unlike the line's (correlation below 0.6), take the pick between their
    neighbours'. Where antennas are close together, air and ground wave merge, and the crest of their sum moves with the
    velocity of the ground, hence with moisture: 0.16 m apart at 400 MHz and with a ground wave of 0.6 the air wave's
    size, by +0.04 ns at 0.06 m/ns, −0.10 at 0.08, −0.26 at 0.10 and −0.04 at 0.13. Shifts use an 8-point sinc under the
    main lobe of a sinc four times as wide.

    The front runs from half a period before the onset to where a ground wave of 0.15 m/ns may set in, half a period
    after it at least. Its drift is followed by correlation with the line's mean of it; the onset is picked on that
    mean. A velocity that swings between 0.07 and 0.12 m/ns along a line, under a ramp of 1.2 and a step of 0.8 ns, with
    a ground wave of 1.2 times the air wave's size and noise of a fiftieth at 400 MHz, bends the drift that is found by
    at most 0.02 ns with antennas 0.5 or 0.3 m apart, and 0.13 with 0.16 m, where the two waves merge; that of "peak" by
    1.9, 1.2 and 0.6 ns.

    References
    ----------
    Allen 1978, Bull. Seismol. Soc. Am. 68:1521–1532 (short over long average); Maeda 1985, Zisin 38:365–379 (Akaike's
    criterion on the record); both from memory.

    Examples
    --------
    >>> t = 0.25 * np.arange(120)
    >>> pulse = lambda at: (1 - 2 * (np.pi * 0.4 * (t - at)) ** 2) * np.exp(-((np.pi * 0.4 * (t - at)) ** 2))
    >>> section = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
    >>> shifted = time_zero([pulse(6.0) + 0.5 * pulse(16.0)] * 3, section)
    >>> int(shifted[1, 20:].argmax()) + 20
    40
    """
    values = check_traces(amplitude, samples=4)
    zero = pick_time_zero(
        values, section, pick=pick, search_ns=search_ns, threshold=threshold, smooth_traces=smooth_traces
    )
    return start_at(values, section, zero)


def start_at(amplitude: npt.ArrayLike, section: Section, zero_ns: npt.ArrayLike) -> Traces:
    """Shift every trace, by parts of a sample, so that its first sample is the moment given.

    `time_zero` is this with what `pick_time_zero` finds. Apart, they let a filter run between them: it then sees the
    direct wave whole, where on a record that begins inside it the filter would answer to the edge with level bands.

    Parameters
    ----------
    amplitude : (T, S) samples.
    section : sampling.
    zero_ns : (T,) moment of each trace, ns after its first sample.

    Returns
    -------
    (T, S') float32; samples before that moment are dropped, and the record ends where that of the trace that was moved
    most does: every sample that is left was recorded.

    Raises
    ------
    InputError : samples or moments that are not finite, or not one moment for each trace.

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=400.0)
    >>> start_at([[0, 1, 2, 3, 4], [9, 0, 1, 2, 3]], section, [0.5, 1.0]).tolist()
    [[1.0, 2.0, 3.0], [1.0, 2.0, 3.0]]
    """
    values = check_traces(amplitude)
    zero = check_array(zero_ns, "zero_ns", ndim=1)
    if len(zero) != len(values):
        raise InputError(
            "each trace needs its own time zero",
            received=f"{len(zero)} for {len(values)} traces",
            do="give one a trace",
        )
    samples = zero / section.interval_ns
    # What no trace recorded must not pass for silence: the record ends where that of the most shifted trace does.
    lost = min(max(0, math.ceil(float(samples.max()) - 1e-6)), values.shape[1] - 1)
    return np.ascontiguousarray(shift_by(values, samples)[:, : values.shape[1] - lost])


def pick_time_zero(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    pick: Literal["peak", "first_break", "energy_ratio", "aic", "correlation"] = "peak",
    search_ns: float | None = None,
    threshold: float = 0.05,
    smooth_traces: int = 9,
    pulse: npt.ArrayLike | None = None,
) -> F64:
    """Time zero of each trace, (T,), in ns after its first sample; parameters as for `time_zero`, and one more.

    Parameters
    ----------
    amplitude, section, pick, search_ns, threshold, smooth_traces : as for `time_zero`.
    pulse : (2h + 1,) for "correlation", the pulse to follow instead of the line's own mean, at the line's sample
        interval; its middle sample is the moment that counts.

    Raises
    ------
    InputError : every trace is silent, fewer than 4 samples, a value out of range, a pulse that is even, short or flat,
        or one given to another way of picking.

    Examples
    --------
    >>> x = np.zeros((3, 64), np.float32)
    >>> x[:, 19:22] = [1.0, 2.0, 1.0]
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=400.0)
    >>> pick_time_zero(x, section).round(1).tolist()
    [10.0, 10.0, 10.0]
    """
    values = check_traces(amplitude, samples=4)
    check_choice(pick, "pick", PICKS)
    check_in_range(threshold, "threshold", 1e-6, 1.0)
    check_in_range(smooth_traces, "smooth_traces", 1, 999)
    if pulse is not None and pick != "correlation":
        raise InputError("a pulse can be followed by correlation only", received=f"pick={pick!r}", do="leave pulse out")
    n = values.shape[1]
    stop = n // 2 if search_ns is None else round(check_positive(search_ns, "search_ns") / section.interval_ns)
    followed = _follow(_scaled(values), min(max(stop, 4), n), section, pick, threshold, pulse)
    drift = running_median(followed.picks, smooth_traces)
    zero: F64 = (drift + followed.arrival) * section.interval_ns - section.separation_m / C_M_PER_NS
    return zero


def _follow(
    values: Traces, stop: int, section: Section, pick: str, threshold: float, pulse: npt.ArrayLike | None
) -> Followed:
    if pick in ("peak", "first_break"):
        return follow_strongest(values, stop, section, pick=pick, threshold=threshold)
    return follow_front(values, stop, section, pick=pick, pulse=None if pulse is None else _checked_pulse(pulse))


def _scaled(values: Traces) -> Traces:
    # Two passes without an array between them cost less than one over absolute values.
    peak = max(float(values.max()), -float(values.min()))
    return values if SMALLEST_PLAIN <= peak <= LARGEST_PLAIN or peak == 0.0 else values / np.float32(peak)


def _checked_pulse(pulse: npt.ArrayLike) -> npt.NDArray[np.float32]:
    given = check_array(pulse, "pulse", ndim=1, dtype=np.float32)
    if len(given) % 2 == 0 or len(given) < 5 or np.ptp(given) == 0:
        raise InputError(
            "pulse must be an odd number of samples, at least 5, with a swing",
            received=f"{len(given)} samples",
            do="give it at the line's sample interval, its middle sample the moment that counts as arrival",
        )
    return np.asarray(given / np.abs(given).max(), np.float32)
