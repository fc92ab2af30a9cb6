"""Constant-velocity migration in frequency and wavenumber (Stolt), for antennas close together."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Annotated

import numpy as np
import numpy.typing as npt
from pydantic import Field
from scipy import fft

from yewline._check import check_in_range, check_velocity
from yewline.errors import InputError
from yewline.signal.engines import COMPILED
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces

__all__ = ["OVERSAMPLING", "WIDTH", "default_pad_m", "end_taper", "line_velocity", "migrate_stolt", "window_shape"]

OVERSAMPLING = 1.5
"""Padding of the time axis before its spectrum is interpolated."""
WIDTH = 8
"""Samples of the spectrum that make one interpolated value."""
TABLE_STEPS = 512
"""Steps of the table of interpolation weights within one bin; a power of two."""


def default_pad_m(section: Section, samples: int, velocity_m_per_ns: float) -> float:
    """Farthest that an event can move sideways in a record of `samples`, m: half the window times velocity."""
    return 0.5 * velocity_m_per_ns * section.interval_ns * samples


def migrate_stolt(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    velocity_m_per_ns: Annotated[float | None, Field(gt=0, le=0.2998)] = None,
    pad_m: Annotated[float | None, Field(ge=0, le=1_000)] = None,
    taper_m: Annotated[float, Field(ge=0, le=100)] = 0.0,
) -> Traces:
    """Collapse diffractions and move dipping reflections to where they come from, at one velocity.

    The antennas are taken to lie on one another (zero offset) and the line to be straight with even spacing, the
    section two-dimensional. Time stays time: the result is a section in vertical two-way time.

    Parameters
    ----------
    amplitude : (T, S) samples, the first one at time zero.
    section : sampling, trace spacing and velocity.
    velocity_m_per_ns : wave velocity, m/ns; left out, that of the ground as estimated for the visit.
    pad_m : silent ground put beyond the line's end, so that events that leave on one side do not come back on the
        other, m; left out, the farthest that an event can move.
    taper_m : length over which both ends of the line are faded in, m, which weakens the arcs that the line's ends
        make; 0 keeps every amplitude.

    Returns
    -------
    (T, S) float32. A single trace holds no dip, and comes back as it is.

    Raises
    ------
    InputError : no velocity, one above that of light, no trace spacing, or samples that are not finite.

    Notes
    -----
    Exploding reflectors at half the velocity: M(k, Ω) = |Ω|/|ω| · P(k, ω), ω = sgn(Ω)·√(Ω² + (vk/2)²), where k is
    horizontal wavenumber and Ω the frequency of vertical time. Frequencies below v|k|/2 belong to no upcoming wave and
    are left out. P is interpolated from 8 bins with a Kaiser–Bessel window whose transform is divided out of the
    samples beforehand, time counted from the middle of the record; the error is near that of single precision.

    References
    ----------
    Stolt 1978, Geophysics 43:23–48. Beatty, Nishimura & Pauly 2005, IEEE Trans. Med. Imaging 24:799–808 (shape of the
    window; from memory).

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=200.0, velocity_m_per_ns=0.1)
    >>> flat = np.tile(np.sin(0.4 * np.arange(64)) ** 3, (40, 1))
    >>> migrated = migrate_stolt(flat, section)
    >>> bool(abs(migrated[20, :8] - flat[20, :8]).max() < 0.05)
    True
    """
    values = check_traces(amplitude)
    speed = line_velocity(section, velocity_m_per_ns)
    n_trace, n_time = values.shape
    if n_trace == 1 or n_time == 1:
        return values.copy()
    if section.spacing_m <= 0:
        raise InputError(
            "migration needs the trace spacing",
            received=f"{section.spacing_m:g} m",
            do="check the positions of the line's traces",
        )
    pad = default_pad_m(section, n_time, speed) if pad_m is None else check_in_range(pad_m, "pad_m", 0.0, 1_000.0)
    taper = check_in_range(taper_m, "taper_m", 0.0, 100.0)
    if taper > 0:
        values = values * end_taper(n_trace, taper / section.spacing_m)[:, None]
    return _stolt(values, section, speed, math.ceil(pad / section.spacing_m))


def line_velocity(section: Section, velocity_m_per_ns: float | None) -> float:
    """The velocity that is given, else the section's, m/ns; refused where there is none."""
    given = section.velocity_m_per_ns if velocity_m_per_ns is None else velocity_m_per_ns
    if given is None:
        raise InputError("migration needs a velocity", do="give velocity_m_per_ns, or moisture readings for the visit")
    return check_velocity(given, "velocity_m_per_ns")


def end_taper(n_trace: int, length: float) -> npt.NDArray[np.float32]:
    """(T,) half cosines over `length` traces at both ends."""
    edge = np.minimum(np.arange(n_trace), np.arange(n_trace)[::-1]) + 0.5
    return (0.5 - 0.5 * np.cos(np.pi * np.minimum(edge / length, 1.0))).astype(np.float32)


def _stolt(values: Traces, section: Section, speed: float, pad_traces: int) -> Traces:
    n_trace, n_time = values.shape
    length = 2 * fft.next_fast_len(math.ceil(OVERSAMPLING * n_time / 2) + WIDTH, real=True)
    n_x = fft.next_fast_len(n_trace + pad_traces)
    middle = n_time // 2
    weight = _equaliser(n_time, length)
    # Time is counted from the middle of the record, where the interpolation of its spectrum is most exact.
    centred = np.zeros((n_trace, length), np.float32)
    np.multiply(values[:, middle:], weight[middle:], out=centred[:, : n_time - middle])
    np.multiply(values[:, :middle], weight[:middle], out=centred[:, length - middle :])
    spectrum = fft.fft(fft.rfft(centred, axis=1), n_x, axis=0, overwrite_x=True)
    # v·k/2 in bins of the frequency axis: k = 2πj/(N·Δx), one bin = 2π/(M·Δt).
    lateral = 0.5 * speed * np.arange(n_x // 2 + 1) * (length * section.interval_ns / (n_x * section.spacing_m))
    COMPILED.stolt_map(spectrum, lateral, _table(), length, middle)
    columns = fft.ifft(spectrum, axis=0, overwrite_x=True)[:n_trace]
    return np.ascontiguousarray(fft.irfft(columns, length, axis=1)[:, :n_time])


def window_shape() -> float:
    """Shape of the Kaiser–Bessel window for its width and oversampling (Beatty et al. 2005, eq. 5; from memory)."""
    return math.pi * math.sqrt((WIDTH / OVERSAMPLING * (OVERSAMPLING - 0.5)) ** 2 - 0.8)


@lru_cache(maxsize=1)
def _table() -> npt.NDArray[np.float32]:
    """(steps + 1, 8) interpolation weights; the arrays are read-only because they are shared."""
    offset = np.arange(TABLE_STEPS + 1)[:, None] / TABLE_STEPS - np.arange(-WIDTH // 2 + 1, WIDTH // 2 + 1)
    inside = np.maximum(1.0 - (2.0 * offset / WIDTH) ** 2, 0.0)
    table: npt.NDArray[np.float32] = (np.i0(window_shape() * np.sqrt(inside)) / np.i0(window_shape())).astype(
        np.float32
    )
    # The window ends half its width away: what lies there exactly counts for nothing on either side.
    table[np.abs(offset) >= WIDTH / 2] = 0.0
    table.setflags(write=False)
    return table


@lru_cache(maxsize=64)
def _equaliser(n_time: int, length: int) -> npt.NDArray[np.float32]:
    """(S,) one over the window's transform at each sample: what the interpolation would else fade."""
    place = (np.arange(n_time) - n_time // 2) / length
    root = np.sqrt(window_shape() ** 2 - (math.pi * WIDTH * place) ** 2)
    weight: npt.NDArray[np.float32] = (np.i0(window_shape()) * root / (WIDTH * np.sinh(root))).astype(np.float32)
    weight.setflags(write=False)
    return weight
