"""Band-pass of four corners in the frequency domain: flat inside, nothing outside, ramps between."""

from __future__ import annotations

import math
from typing import Annotated, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field
from scipy import fft

from yewline._check import check_choice, check_finite
from yewline.errors import InputError
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces

__all__ = ["band_pass_trapezoid", "default_corners_mhz"]

CORNER_SHARES = (0.15, 0.3, 2.0, 3.0)
NYQUIST_SHARES = (0.8, 0.95)
"""The upper corners are held below these shares of the Nyquist frequency."""


def default_corners_mhz(section: Section) -> tuple[float, float, float, float]:
    """0.15, 0.3, 2 and 3 × the centre frequency, MHz, the last two held under the Nyquist frequency (our choice)."""
    low, flat, high, end = (share * section.centre_mhz for share in CORNER_SHARES)
    return (
        low,
        flat,
        *(min(corner, share * section.nyquist_mhz) for corner, share in zip((high, end), NYQUIST_SHARES, strict=True)),
    )  # type: ignore[return-value]


def band_pass_trapezoid(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    low_stop_mhz: Annotated[float | None, Field(ge=0, le=20_000)] = None,
    low_pass_mhz: Annotated[float | None, Field(ge=0, le=20_000)] = None,
    high_pass_mhz: Annotated[float | None, Field(gt=0, le=20_000)] = None,
    high_stop_mhz: Annotated[float | None, Field(gt=0, le=20_000)] = None,
    ramp: Literal["cosine", "linear"] = "cosine",
) -> Traces:
    """Band-pass with four corner frequencies, zero-phase: all is kept between the inner two, nothing beyond the outer.

    Against `band_pass`: the flat part changes no amplitude at all, and a steeper ramp rings for longer (about one over
    its width).

    Parameters
    ----------
    amplitude : (T, S) samples.
    section : sampling and antenna.
    low_stop_mhz : nothing is kept at and below this frequency, MHz; left out, 0.15 × the antenna's centre frequency.
    low_pass_mhz : all is kept from here, MHz; left out, 0.3 × the centre frequency.
    high_pass_mhz : all is kept up to here, MHz; left out, 2 × the centre frequency, held under 0.8 of Nyquist.
    high_stop_mhz : nothing is kept at and above this, MHz; left out, 3 × the centre frequency, held under 0.95 of
        Nyquist.
    ramp : between stop and pass, "cosine" (half a turn, which rings less) or "linear".

    Returns
    -------
    (T, S) float32.

    Raises
    ------
    InputError : corners out of order or above the Nyquist frequency; samples that are not finite.

    Notes
    -----
    Gain of the cosine ramp from f₁ to f₂: ½ (1 − cos π(f − f₁)/(f₂ − f₁)). The ends are extended by odd reflection over
    one over the narrower ramp's width, as far as the record reaches, and faded to zero there.

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=200.0)
    >>> t = 0.5 * np.arange(400)
    >>> wave = np.cos(2 * np.pi * 0.2 * (t - 100.0))[None]
    >>> kept = band_pass_trapezoid(wave + 3.0, section)
    >>> bool(abs(kept - wave)[0, 100:300].max() < 0.01)
    True
    """
    values = check_traces(amplitude)
    check_choice(ramp, "ramp", ("cosine", "linear"))
    corners = _corners(section, (low_stop_mhz, low_pass_mhz, high_pass_mhz, high_stop_mhz))
    n = values.shape[1]
    narrow = min(width for width in (corners[1] - corners[0], corners[3] - corners[2], corners[2]) if width > 0)
    pad = math.ceil(1_000.0 / narrow / section.interval_ns)
    part = min(pad, n - 1)
    # Scaled first: the sums of a transform over enormous samples would else leave float32.
    scale = max(float(np.abs(values).max()), 1e-30)
    x = values / np.float32(scale)
    mean = x.mean(axis=1, dtype=np.float64, keepdims=True).astype(np.float32)
    padded = _extended(x - mean, part, pad)
    length = padded.shape[1]
    gain = _gain(1_000.0 * fft.rfftfreq(length, section.interval_ns), corners, ramp).astype(np.float32)
    spectrum = fft.rfft(padded, axis=1)
    spectrum *= gain
    kept = fft.irfft(spectrum, length, axis=1, overwrite_x=True)[:, part : part + n] + gain[0] * mean
    return np.ascontiguousarray(kept * np.float32(scale), dtype=np.float32)


def _extended(x: Traces, part: int, pad: int) -> Traces:
    """Traces with `part` samples of odd reflection at either end, faded out, and at least `pad` zeros behind."""
    n = x.shape[1]
    padded = np.zeros((len(x), fft.next_fast_len(n + 2 * part + pad, real=True)), np.float32)
    padded[:, part : part + n] = x
    if part > 0:
        # Without the fade the padding would begin with a jump.
        fade = np.sin(0.5 * np.pi * np.arange(1, part + 1) / (part + 1)).astype(np.float32) ** 2
        padded[:, :part] = fade * (2 * x[:, :1] - x[:, part:0:-1])
        padded[:, part + n : n + 2 * part] = fade[::-1] * (2 * x[:, -1:] - x[:, -2 : -2 - part : -1])
    return padded


def _corners(section: Section, given: tuple[float | None, ...]) -> tuple[float, float, float, float]:
    names = ("low_stop_mhz", "low_pass_mhz", "high_pass_mhz", "high_stop_mhz")
    f1, f2, f3, f4 = (
        default if value is None else check_finite(value, name)
        for name, value, default in zip(names, given, default_corners_mhz(section), strict=True)
    )
    if not 0 <= f1 <= f2 < f3 <= f4:
        raise InputError(
            "the four corners must rise",
            received=f"{f1:g}, {f2:g}, {f3:g}, {f4:g} MHz",
            do="check the corners, the sample interval and the centre frequency of the antenna",
        )
    if f4 > section.nyquist_mhz:
        raise InputError(
            "the band reaches above the Nyquist frequency",
            received=f"{f4:g} MHz with one sample each {section.interval_ns:g} ns (Nyquist {section.nyquist_mhz:g})",
            do="lower the upper corners, and check the sample interval and the centre frequency of the antenna",
        )
    return f1, f2, f3, f4


def _gain(
    frequency: npt.NDArray[np.float64], corners: tuple[float, float, float, float], ramp: str
) -> npt.NDArray[np.float64]:
    f1, f2, f3, f4 = corners
    # A ramp of no width is a wall; its own corner passes.
    rise = np.clip((frequency - f1) / (f2 - f1), 0.0, 1.0) if f2 > f1 else (frequency >= f2).astype(np.float64)
    fall = np.clip((f4 - frequency) / (f4 - f3), 0.0, 1.0) if f4 > f3 else (frequency <= f3).astype(np.float64)
    if ramp == "cosine":
        rise, fall = 0.5 * (1.0 - np.cos(np.pi * rise)), 0.5 * (1.0 - np.cos(np.pi * fall))
    gain: npt.NDArray[np.float64] = rise * fall
    return gain
