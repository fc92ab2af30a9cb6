"""Another sample interval: traces resampled in time within their band."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Annotated

import numpy as np
import numpy.typing as npt
from pydantic import Field
from scipy.sparse import csr_array

from yewline._check import check_positive
from yewline.errors import InputError
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces

__all__ = ["default_interval_ns", "resample_time", "resampled"]

SAMPLES_A_PERIOD = 10.0
HALF_LENGTH = 10
"""Zero crossings of the sinc on either side."""
KAISER = 5.0
LARGEST_RATIO = 64.0


def default_interval_ns(section: Section) -> float:
    """A tenth of a period of the centre frequency, ns (common practice, no source)."""
    return section.period_ns / SAMPLES_A_PERIOD


def resampled(section: Section, *, interval_ns: float | None = None) -> Section:
    """The section that belongs to the result of `resample_time`.

    Examples
    --------
    >>> resampled(Section(interval_ns=0.1, spacing_m=0.05, centre_mhz=400.0)).interval_ns
    0.25
    """
    return replace(section, interval_ns=_interval(section, interval_ns))


def resample_time(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    interval_ns: Annotated[float | None, Field(gt=0, le=1_000)] = None,
) -> Traces:
    """Resample every trace to another sample interval; the first sample stays where it is.

    Where the new interval is longer, frequencies that it cannot hold are taken out first.

    Parameters
    ----------
    amplitude : (T, S) samples.
    section : sampling and antenna.
    interval_ns : new sample interval, ns; left out, a tenth of a period of the centre frequency.

    Returns
    -------
    (T, S') float32: the samples that lie within the recorded time. `resampled` gives the section that belongs to it.

    Raises
    ------
    InputError : an interval that cannot hold the antenna's centre frequency, or of less than 1/64 of the recorded one.

    Notes
    -----
    y_j = Σ_i x_i h(j·Δ'/Δ − i), h a sinc of the coarser of both samplings under a Kaiser window (β = 5) over ten of its
    zero crossings on either side, which is down by 50 dB from about 1.15 times the Nyquist frequency on. Beyond its
    ends a trace goes on at its last value; weights are scaled to a sum of one.

    References
    ----------
    Kaiser 1974, Proc. IEEE Int. Symp. Circuits and Systems, 20–23 (the window; from memory).

    Examples
    --------
    >>> section = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
    >>> t = 0.25 * np.arange(200)
    >>> new = resample_time(np.cos(2 * np.pi * 0.4 * t)[None], section, interval_ns=0.4)[0]
    >>> bool(abs(new - np.cos(2 * np.pi * 0.4 * 0.4 * np.arange(len(new))))[20:-20].max() < 2e-3)
    True
    """
    values = check_traces(amplitude)
    ratio = _interval(section, interval_ns) / section.interval_ns
    n = values.shape[1]
    count = math.floor((n - 1) / ratio + 1e-9) + 1
    scale = np.float32(max(float(np.abs(values).max()), 1e-30))
    weights = _weights(n, count, ratio)
    return np.ascontiguousarray((weights @ np.ascontiguousarray((values / scale).T)).T * scale, dtype=np.float32)


def _interval(section: Section, interval_ns: float | None) -> float:
    interval = default_interval_ns(section) if interval_ns is None else check_positive(interval_ns, "interval_ns")
    if interval >= 0.5 * section.period_ns:
        raise InputError(
            "the new sample interval cannot hold the antenna's centre frequency",
            received=f"{interval:g} ns for {section.centre_mhz:g} MHz",
            do=f"keep it below {0.5 * section.period_ns:g} ns; {default_interval_ns(section):g} serves",
        )
    if interval * LARGEST_RATIO < section.interval_ns:
        raise InputError(
            "the new sample interval is far shorter than the recorded one",
            received=f"{interval:g} ns from {section.interval_ns:g} ns",
            do="check both; a shorter interval adds no detail",
        )
    return interval


def _weights(n: int, count: int, ratio: float) -> csr_array:
    """(count, n) weights of the recorded samples in each new one."""
    coarser = max(1.0, ratio)
    reach = HALF_LENGTH * coarser
    place = ratio * np.arange(count)
    # A place within a millionth of a sample is that sample, whatever the division left over.
    place = np.where(np.abs(place - np.round(place)) < 1e-6, np.round(place), place)
    offsets = np.arange(-math.ceil(reach), math.ceil(reach) + 1)
    index = np.floor(place).astype(np.int64)[:, None] + offsets
    away = (place[:, None] - index) / reach
    window = np.i0(KAISER * np.sqrt(np.clip(1.0 - away**2, 0.0, None))) * (np.abs(away) <= 1.0)
    weights = np.sinc(away * HALF_LENGTH) * window
    weights /= weights.sum(axis=1, keepdims=True)
    # What would fall beyond an end counts for the last sample there.
    taps = len(offsets)
    rows = csr_array(
        (weights.astype(np.float32).ravel(), np.clip(index, 0, n - 1).ravel(), taps * np.arange(count + 1)),
        shape=(count, n),
    )
    rows.sum_duplicates()
    return rows
