"""Notch: one frequency, such as that of a transmitter nearby, taken out of every trace."""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated

import numpy as np
import numpy.typing as npt
from pydantic import Field
from scipy.signal import iirnotch, tf2sos

from yewline._check import check_positive
from yewline.errors import InputError
from yewline.signal.engines import COMPILED
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces

__all__ = ["default_notch_width_mhz", "notch"]

WIDTH_SHARE = 0.1
PAD = 9
"""Samples of odd reflection at either end, three times the filter's coefficients, as for the band-pass."""


def default_notch_width_mhz(frequency_mhz: float) -> float:
    """A tenth of the frequency, MHz: a quality factor of 10 (our choice)."""
    return WIDTH_SHARE * frequency_mhz


def notch(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    frequency_mhz: Annotated[float | None, Field(gt=0, le=20_000)] = None,
    width_mhz: Annotated[float | None, Field(gt=0, le=20_000)] = None,
) -> Traces:
    """Take one frequency out of each trace, forward and backward, so that no event moves.

    A narrow notch rings: it needs about 1/width to tell the frequency from others, and within that time of the ends of
    the record some of it stays. It also takes out what the ground sent back at that frequency.

    Parameters
    ----------
    amplitude : (T, S) samples.
    section : sampling and antenna.
    frequency_mhz : what to take out, MHz; it has no default, because it is not the antenna's but a source's nearby.
    width_mhz : between the frequencies where one pass keeps 1/√2 of the amplitude, and both passes half, MHz; left out,
        a tenth of the frequency.

    Returns
    -------
    (T, S) float32.

    Raises
    ------
    InputError : no frequency; one at or above the Nyquist frequency; a width that reaches down to zero or up to the
        Nyquist frequency; fewer than 10 samples.

    Notes
    -----
    A second-order section with zeros on the unit circle at the frequency, run both ways, the ends extended by odd
    reflection over 9 samples. Its gain at 0 and at the Nyquist frequency is one.

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=200.0)
    >>> t = 0.5 * np.arange(800)
    >>> hum = np.sin(2 * np.pi * 0.1 * t)[None]
    >>> bool(abs(notch(hum, section, frequency_mhz=100.0, width_mhz=20.0)[0, 200:600]).max() < 0.01)
    True
    """
    sos = _design(section, frequency_mhz, width_mhz)
    values = check_traces(amplitude, samples=PAD + 1)
    # The section's gain for a constant is one, so a constant is the steady state before and after it.
    filtered: Traces = COMPILED.second_order_sections(values, sos, np.ones(2), PAD)
    return filtered


def _design(section: Section, frequency_mhz: float | None, width_mhz: float | None) -> npt.NDArray[np.float64]:
    if frequency_mhz is None:
        raise InputError(
            "a notch needs the frequency that it is to take out",
            do="give frequency_mhz: the line that stands out in the spectrum of the record's quiet end",
        )
    frequency = check_positive(frequency_mhz, "frequency_mhz")
    width = default_notch_width_mhz(frequency) if width_mhz is None else check_positive(width_mhz, "width_mhz")
    nyquist = section.nyquist_mhz
    if frequency + 0.5 * width >= nyquist or frequency <= 0.5 * width:
        raise InputError(
            "the notch must lie between zero and the Nyquist frequency",
            received=f"{frequency:g} ± {0.5 * width:g} MHz with one sample each {section.interval_ns:g} ns "
            f"(Nyquist {nyquist:g})",
            do="check frequency_mhz and the sample interval, or make width_mhz smaller",
        )
    return _sections(frequency, width, nyquist)


@lru_cache(maxsize=32)
def _sections(frequency_mhz: float, width_mhz: float, nyquist_mhz: float) -> npt.NDArray[np.float64]:
    """The filter's section, kept: designing it takes longer than filtering a line."""
    sos: npt.NDArray[np.float64] = tf2sos(*iirnotch(frequency_mhz, frequency_mhz / width_mhz, fs=2.0 * nyquist_mhz))
    sos.flags.writeable = False
    return sos
