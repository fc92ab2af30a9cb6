"""A section as plane waves: its transform over time and along the line, and weights laid on that."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft

from yewline._check import check_in_range
from yewline.errors import InputError
from yewline.signal.scale import near_one
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces

__all__ = ["FkSpectrum", "fk_spectrum", "need_spacing", "weigh_plane_waves"]

F64 = npt.NDArray[np.float64]
Weights = Callable[[F64, F64], npt.NDArray[np.float32]]
"""Weights (K, F) of plane waves, from wavenumbers (K, 1) in cycles/m and frequencies (1, F) in cycles/ns."""

LEAST_PAD = 32
MOST_PAD_TRACES = 400


@dataclass(frozen=True, slots=True, eq=False)
class FkSpectrum:
    """The plane waves that a section is made of.

    Attributes
    ----------
    values : (K, F) complex64; the sum of |values|² over all wavenumbers and both signs of frequency is the energy of
        the tapered section.
    wavenumber_per_m : (K,) cycles per metre along the line, rising; positive for what comes later along the line.
    frequency_mhz : (F,) from zero to Nyquist.
    """

    values: npt.NDArray[np.complex64]
    wavenumber_per_m: F64
    frequency_mhz: F64


def fk_spectrum(amplitude: npt.ArrayLike, section: Section, *, taper_share: float = 0.1) -> FkSpectrum:
    """Transform of a section over time and along the line, for looking at dips.

    Parameters
    ----------
    amplitude : (T, S) samples at even spacing.
    section : sampling and trace spacing.
    taper_share : share of the line, at each end, and of the record, at its end, over which the samples fade to zero.
        Time zero is not faded.

    Returns
    -------
    FkSpectrum, of the section with as much silence again beside and below it.

    Raises
    ------
    InputError : samples that are not finite, no trace spacing, or a share outside 0 to 0.5.

    Notes
    -----
    U(k, f) = Σ u(x, t) e^{−j2π(ft − kx)} / √N: an event that comes p ns later each metre lies on k = p·f.

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=200.0)
    >>> x, t = np.arange(64)[:, None] * 0.1, np.arange(128) * 0.5
    >>> spectrum = fk_spectrum(np.cos(2 * np.pi * 0.2 * (t - 5.0 * x)), section)
    >>> row, column = np.unravel_index(np.abs(spectrum.values).argmax(), spectrum.values.shape)
    >>> round(float(spectrum.wavenumber_per_m[row]), 1), round(float(spectrum.frequency_mhz[column]))
    (1.0, 203)
    """
    values = check_traces(amplitude)
    share = check_in_range(taper_share, "taper_share", 0.0, 0.5)
    need_spacing(section, "the wavenumbers of a section")
    unit, factor = near_one(values)
    along, down = _fade(len(unit), share), _fade(unit.shape[1], share)
    down[: len(down) // 2] = 1.0
    shape = [fft.next_fast_len(2 * n, real=True) for n in unit.shape]
    spectrum = fft.fft(fft.rfft(unit * along[:, None] * down, shape[1], axis=1), shape[0], axis=0)
    # A wave e^{j(ωt − kx)} falls on the negative of the transform's own wavenumber.
    wavenumber = -fft.fftfreq(shape[0], section.spacing_m)
    order = np.argsort(wavenumber)
    scale = np.float32(float(factor) / np.sqrt(shape[0] * shape[1]))
    frequency = 1e3 * fft.rfftfreq(shape[1], section.interval_ns)
    values_out = np.ascontiguousarray(spectrum[order] * scale, np.complex64)
    return FkSpectrum(values_out, wavenumber[order], frequency)


def weigh_plane_waves(unit: Traces, section: Section, weights: Weights) -> Traces:
    """The section with each of its plane waves multiplied by a weight.

    Beyond its ends and its record the section goes on as its own mirror image, fading out: what is level stays level,
    and a fan that is even in dip meets no edge.

    Parameters
    ----------
    unit : (T, S) samples of size near one.
    section : sampling and trace spacing.
    weights : of the plane waves.

    Returns
    -------
    (T, S) float32.
    """
    n_trace, n_time = unit.shape
    pads = (min(max(n_trace // 2, LEAST_PAD), MOST_PAD_TRACES), max(n_time // 2, LEAST_PAD))
    held = _mirrored(_mirrored(unit, pads[0], axis=0), pads[1], axis=1)
    wavenumber = -fft.fftfreq(held.shape[0], section.spacing_m)[:, None]
    frequency = fft.rfftfreq(held.shape[1], section.interval_ns)[None, :]
    spectrum = fft.fft(fft.rfft(held, axis=1), axis=0, overwrite_x=True)
    spectrum *= weights(wavenumber, frequency)
    rows = fft.ifft(spectrum, axis=0, overwrite_x=True)[:n_trace]
    weighed: Traces = np.ascontiguousarray(fft.irfft(rows, held.shape[1], axis=1)[:, :n_time])
    return weighed


def need_spacing(section: Section, what: str) -> None:
    """Refuse a section whose traces have no distance from one another."""
    if section.spacing_m <= 0:
        raise InputError(
            f"{what} need the trace spacing",
            received=f"{section.spacing_m:g} m",
            do="check the positions of the line's traces",
        )


def _mirrored(values: Traces, pad: int, *, axis: int) -> Traces:
    """Values with their fading mirror image after them and, at the very end, that before them; of a fast length."""
    n = values.shape[axis]
    length = fft.next_fast_len(n + 2 * pad, real=True)
    full = np.pad(values, [(pad, pad) if a == axis else (0, 0) for a in range(2)], mode="symmetric")
    fade = _half_cosine(pad)
    if axis == 0:
        fade = fade[:, None]
    head, body, tail = np.split(full, [pad, pad + n], axis=axis)
    between = np.zeros([length - n - 2 * pad if a == axis else values.shape[a] for a in range(2)], np.float32)
    return np.concatenate([body, tail * np.flip(fade), between, head * fade], axis=axis)


def _half_cosine(n: int) -> npt.NDArray[np.float32]:
    """(n,) rising from 0 to 1."""
    return (0.5 - 0.5 * np.cos(np.pi * (np.arange(n) + 0.5) / n)).astype(np.float32)


def _fade(n: int, share: float) -> npt.NDArray[np.float32]:
    """(n,) one, fading at both ends over a share of the whole."""
    edge = round(share * n)
    fade = np.ones(n, np.float32)
    if edge:
        fade[:edge] = _half_cosine(edge)
        fade[n - edge :] = fade[:edge][::-1]
    return fade
