"""Zero-phase band-pass: keeps what the antenna can have sent, and moves no event in time."""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated

import numpy as np
import numpy.typing as npt
from pydantic import Field
from scipy.signal import butter

from yewline._check import check_positive
from yewline.errors import InputError
from yewline.signal.engines import COMPILED
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces

__all__ = ["band_pass", "default_band_mhz"]

LOW_SHARE = 0.3
HIGH_SHARE = 2.5
NYQUIST_SHARE = 0.95
"""The upper edge is held below this share of the Nyquist frequency, where the design of the filter is sound."""


def default_band_mhz(section: Section) -> tuple[float, float]:
    """0.3 to 2.5 × the centre frequency, MHz, held under the Nyquist frequency (common practice, no source)."""
    return LOW_SHARE * section.centre_mhz, min(HIGH_SHARE * section.centre_mhz, NYQUIST_SHARE * section.nyquist_mhz)


def band_pass(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    low_mhz: Annotated[float | None, Field(gt=0, le=20_000)] = None,
    high_mhz: Annotated[float | None, Field(gt=0, le=20_000)] = None,
    order: Annotated[int, Field(ge=1, le=10)] = 4,
) -> Traces:
    """Butterworth band-pass run forward and backward, so that no event moves.

    Parameters
    ----------
    amplitude : (T, S) samples.
    section : sampling and antenna.
    low_mhz : lower edge, MHz; left out, 0.3 × the antenna's centre frequency.
    high_mhz : upper edge, MHz; left out, 2.5 × the antenna's centre frequency, held under the Nyquist frequency.
    order : order of the filter; run both ways, each edge falls off with twice that order.

    Returns
    -------
    (T, S) float32.

    Raises
    ------
    InputError : edges in the wrong order or above the Nyquist frequency; traces shorter than the filter's padding.

    Notes
    -----
    The ends are extended by odd reflection over 3 × (2 × sections + 1) samples. Arithmetic is in double precision
    inside the recursion.

    References
    ----------
    Gustafsson 1996, IEEE Trans. Signal Process. 44:988–992 (forward–backward filtering; from memory).

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=200.0)
    >>> band_pass(np.ones((2, 64), np.float32), section).round(3).max().item()
    0.0
    """
    sos = _design(section, low_mhz, high_mhz, order)
    pad = 3 * (2 * len(sos) + 1 - min(int((sos[:, 2] == 0).sum()), int((sos[:, 5] == 0).sum())))
    values = check_traces(amplitude, samples=pad + 1)
    # Level of a constant input before each section and after the last one.
    gains = sos[:, :3].sum(axis=1) / sos[:, 3:].sum(axis=1)
    steady = np.concatenate([[1.0], np.cumprod(gains)])
    filtered: Traces = COMPILED.second_order_sections(values, sos, steady, pad)
    return filtered


def _design(section: Section, low_mhz: float | None, high_mhz: float | None, order: int) -> npt.NDArray[np.float64]:
    default_low, default_high = default_band_mhz(section)
    low = default_low if low_mhz is None else check_positive(low_mhz, "low_mhz")
    high = default_high if high_mhz is None else check_positive(high_mhz, "high_mhz")
    nyquist = section.nyquist_mhz
    if high >= nyquist or low >= nyquist:
        raise InputError(
            "the band reaches above the Nyquist frequency",
            received=f"{low:g} to {high:g} MHz with one sample each {section.interval_ns:g} ns (Nyquist {nyquist:g})",
            do="lower the band's edges, and check the sample interval and the centre frequency of the antenna",
        )
    if low >= high:
        raise InputError(
            "the band's lower edge must lie below its upper edge",
            received=f"{low:g} to {high:g} MHz",
            do="check low_mhz and high_mhz, the sample interval and the centre frequency of the antenna",
        )
    if not 1 <= order <= 10:
        raise InputError("order must lie between 1 and 10", received=order)
    return _sections(order, low / nyquist, high / nyquist)


@lru_cache(maxsize=32)
def _sections(order: int, low: float, high: float) -> npt.NDArray[np.float64]:
    """(order, 6) second-order sections for edges in shares of the Nyquist frequency; read-only because shared."""
    sos: npt.NDArray[np.float64] = butter(order, [low, high], "bandpass", output="sos")
    sos.setflags(write=False)
    return sos
