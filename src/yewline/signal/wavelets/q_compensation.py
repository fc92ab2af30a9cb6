"""Frequency-dependent attenuation undone: high frequencies brought back as the ground took them, later ones more."""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field
from scipy import fft

from yewline._check import check_choice, check_in_range
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces

__all__ = ["q_compensation"]

F32 = npt.NDArray[np.float32]

AT_ONCE = 256


def q_compensation(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    q_star: Annotated[float | None, Field(gt=0, le=100_000)] = None,
    dispersion: Literal["kept", "undone"] = "kept",
    highest_gain_db: Annotated[float, Field(ge=0, le=80)] = 30.0,
) -> Traces:
    """Undo the part of the ground's absorption that grows with frequency, by one filter that changes with time.

    Amplitude-true: the filter follows from one number, the same for every trace, line and visit, and is linear; so that
    number is fitted once for a whole site. It raises the level of late times as well: put it before `compensate`, whose
    own rate is then fitted on what it leaves.

    Parameters
    ----------
    amplitude : (T, S) samples, the first one at time zero.
    section : sampling, antenna and the site's fitted Q*.
    q_star : quality factor Q*, a plain number; left out, the site's fitted one, or no compensation where none was
        fitted.
    dispersion : whether the slower travel of low frequencies that goes with the loss is undone too, or kept.
    highest_gain_db : largest gain at any time and frequency; beyond where it is reached the gain falls back to one, so
        that what is only noise is not blown up, dB.

    Returns
    -------
    (T, S) float32.

    Raises
    ------
    InputError : samples that are not finite, or a value out of range.

    Notes
    -----
    y(t) = Σ_f X(f) Λ(f, t) e^{jϕ(f, t)} e^{j2πft}, β = e^{−πft/Q*}, Λ = (β + s)/(β² + s): 1/β where the loss is small,
    with its largest value, (1 + √(1 + 1/s))/2, at the highest gain. Dispersion with constant Q and the centre frequency
    as the one whose time is right: ϕ = −(2ft/Q*) ln(f/f_c).

    References
    ----------
    Turner & Siggins 1994, Geophysics 59:1144–1155 (Q* of radar); Wang 2002, Geophysics 67:657–663 (stabilised inverse
    filter, from whose Λ this is); Aki & Richards 2002, Quantitative Seismology, §5.5 (dispersion); all from memory.

    Examples
    --------
    >>> section = Section(interval_ns=1.0, spacing_m=0.1, centre_mhz=100.0)
    >>> t = np.arange(200)
    >>> tone = np.cos(2 * np.pi * 0.1 * t) * np.exp(-np.pi * 0.1 * t / 30.0)
    >>> level = q_compensation([tone], section, q_star=30.0, highest_gain_db=60.0)
    >>> np.abs(level[0, 50:150]).max().round(1).item()
    1.0
    """
    check_choice(dispersion, "dispersion", ("kept", "undone"))
    values = check_traces(amplitude)
    factor = section.q_star if q_star is None else check_in_range(q_star, "q_star", 1e-9, 100_000.0)
    gain = 10.0 ** (check_in_range(highest_gain_db, "highest_gain_db", 0.0, 80.0) / 20.0)
    if factor is None or gain == 1.0:
        return values.copy()
    matrix = _matrix(values.shape[1], section.interval_ns, float(factor), section.centre_mhz, dispersion, gain)
    peak = np.float32(max(float(np.abs(values).max()), 1e-30))
    compensated = ((values / peak) @ matrix).astype(np.float32, copy=False)
    compensated *= peak
    return compensated


@lru_cache(maxsize=8)
def _matrix(samples: int, interval_ns: float, factor: float, centre_mhz: float, dispersion: str, gain: float) -> F32:
    """(S, S) the filter as a matrix: input sample down, output sample across; read-only because shared."""
    length = int(fft.next_fast_len(2 * samples, real=True))
    frequency = np.fft.rfftfreq(length, interval_ns)
    # Λ's largest value over all β is (1 + √(1 + 1/s))/2.
    steady = 1.0 / ((2.0 * gain - 1.0) ** 2 - 1.0)
    logs = np.log(np.maximum(frequency, frequency[1]) / (1e-3 * centre_mhz))
    out = np.empty((samples, samples), np.float32)
    for first in range(0, samples, AT_ONCE):
        rows = np.arange(first, min(first + AT_ONCE, samples))
        turns = interval_ns * rows[:, None] * frequency / factor
        loss = np.exp(-np.pi * turns)
        response = ((loss + steady) / (loss**2 + steady)).astype(np.complex128)
        if dispersion == "undone":
            response *= np.exp(-2j * turns * logs)
        if length % 2 == 0:
            response[:, -1] = response[:, -1].real
        kernel = fft.irfft(response, length, axis=1)
        # Output sample i takes input sample τ with the filter's response at a delay of i − τ, before or after.
        out[:, rows] = np.take_along_axis(kernel, (rows[:, None] - np.arange(samples)) % length, axis=1).T
    out.setflags(write=False)
    return out
