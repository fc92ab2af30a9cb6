"""What an antenna drawn over a scene records: a first-order forward model of radargrams, the fast one.

What it is: every scatterer answers the incident wave once, along its own two legs (transmitter to scatterer to
receiver), with travel times, spreading, loss and a reflection coefficient at normal incidence. Direct waves through
air and along the ground, ringing, wow and receiver noise are laid over it.

Where it holds, measured against the full wave over even soil of permittivity 5 and 14 at 200 and 400 MHz (tables in
docs/studies.md). Antennas on the ground send more into it than the same in air, which this model leaves out: with n the
soil's refractive index its answers are (2n/(1 + n))² too weak, 2.0 to 2.5 times. With that taken in,

- layers, and pipes two fifths of a wavelength across or more, have their strength within 26 % and their time within
  an eighth of a period; thinner pipes are too strong, 1.8 times at a fifth of a wavelength and 2.6 times at an eighth;
- what lies under a fill comes late by what the drier fill saves, up to a period, and has half to one and a half
  times its strength; its shape is right (correlation 0.92 and more) where it lies a wavelength deep or deeper;
- round stones have their time within a fifth of a period, their shape, and 0.64 to 1.02 of their strength;
- legs of hyperbolas are too weak: 0.75 m off a pipe 0.6 m deep by a factor of 2 to 4.

So amplitudes may be compared within one such model, not with a field, nor be used for what a survey could have missed.

What it leaves out: the top of a fill, which in even soil is its strongest answer; multiples and resonance inside
bodies (a void's later answers); refraction at bodies and at the ground's surface (each leg takes the column of soil at
the scatterer); the delay that a fill or a void puts on what lies below it, transmission losses at boundaries,
polarisation, dispersion, and the near field: of bodies nearer than half a wavelength it has a tenth to a quarter.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy import fft

from yewline._check import check_array, check_in_range
from yewline.errors import InputError
from yewline.model import make_radargram
from yewline.physics import ricker, ricker_spectrum
from yewline.simulation.electronics import Electronics, through_electronics
from yewline.simulation.instrument import Instrument
from yewline.simulation.spikes import PackedScatterers, Reach, spikes_compiled, spikes_plain
from yewline.units import C_M_PER_NS

__all__ = ["Electronics", "Instrument", "record_line", "record_traces"]

Array = npt.NDArray[np.float64]
Float32 = npt.NDArray[np.float32]

_FINER = 2
"""Spikes are laid on a grid this much finer than the samples: splitting one over two then costs little of the band."""
_NEAREST_M = 0.05
"""The direct waves of antennas closer than this are those at this distance: 1/r has no meaning inside the housing."""


def record_traces(
    packed: PackedScatterers,
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    instrument: Instrument,
    *,
    ground_v_m_per_ns: float | None = None,
    direct: bool = True,
    plain: bool = False,
) -> Float32:
    """The noiseless field at each trace of one straight line.

    Parameters
    ----------
    packed : scatterers from `pack`.
    x, y : (T,) middle between the antennas, m; the antennas lie along the line.
    instrument : the antennas and the sampling.
    ground_v_m_per_ns : velocity of the direct ground wave; None leaves it out.
    direct : add the direct waves.
    plain : use the plain twin of the kernel.

    Returns
    -------
    (T, S) float32; the transmitter sends a Ricker wavelet whose middle lies at `instrument.zero_ns`, 1 at 1 m.

    Raises
    ------
    InputError : no traces, positions that are not finite, or a velocity that cannot be.

    Examples
    --------
    >>> from yewline.simulation.scatterers import no_scatterers
    >>> from yewline.simulation.spikes import pack
    >>> quiet = record_traces(pack(no_scatterers()), [0.0, 0.1], [0.0, 0.0], Instrument())
    >>> quiet.shape, round(float(quiet[0].argmax()) * 0.25 - 5.0, 2)
    ((2, 256), 0.5)
    """
    xs, ys = _positions(x, y)
    along = _heading(xs, ys)
    heard = instrument.samples + math.ceil(3e3 / instrument.centre_mhz / instrument.interval_ns)
    in_air = 2.0 * instrument.height_m / C_M_PER_NS
    reach = Reach(
        0.5 * instrument.separation_m,
        instrument.aperture_m,
        instrument.pattern_power,
        instrument.zero_ns + in_air,
        instrument.interval_ns / _FINER,
        _FINER * heard,
    )
    grains, faces = (spikes_plain if plain else spikes_compiled)(packed, xs, ys, along, reach)
    field = _with_wavelet(grains, faces, instrument)
    if direct:
        field += _direct(instrument, ground_v_m_per_ns)
    return field


def record_line(
    packed: PackedScatterers,
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    instrument: Instrument,
    *,
    electronics: Electronics | None = None,
    ground_v_m_per_ns: float | None = None,
    seed: int | np.random.Generator = 0,
    attrs: dict[str, Any] | None = None,
) -> xr.DataArray:
    """One line as the instrument would store it.

    Parameters
    ----------
    packed, x, y, instrument, ground_v_m_per_ns : as in `record_traces`.
    electronics : noise, ringing, wow, coupling, gain and rounding; none of them by default.
    seed : of noise and coupling.
    attrs : attributes of the radargram, such as ``line`` and ``visit``.

    Returns
    -------
    Radargram (trace, time), time from the start of the record.

    Examples
    --------
    >>> from yewline.simulation.scatterers import no_scatterers
    >>> from yewline.simulation.spikes import pack
    >>> line = record_line(pack(no_scatterers()), [0.0, 0.1], [0.0, 0.0], Instrument(), attrs={"line": "L1"})
    >>> line.dims, line.attrs["line"], line.attrs["centre_mhz"]
    (('trace', 'time'), 'L1', 400.0)
    """
    parts = Electronics() if electronics is None else electronics
    field = record_traces(packed, x, y, instrument, ground_v_m_per_ns=ground_v_m_per_ns)
    apart = float(np.hypot(np.ptp(np.asarray(x, float)), np.ptp(np.asarray(y, float)))) / max(1, len(field) - 1)
    stored = through_electronics(field, instrument, parts, apart, np.random.default_rng(seed))
    return make_radargram(
        stored,
        interval_ns=instrument.interval_ns,
        x=x,
        y=y,
        attrs={"centre_mhz": instrument.centre_mhz, "separation_m": instrument.separation_m, **(attrs or {})},
    )


def _positions(x: npt.ArrayLike, y: npt.ArrayLike) -> tuple[Array, Array]:
    xs, ys = check_array(x, "x", ndim=1), check_array(y, "y", ndim=1)
    if len(xs) != len(ys):
        raise InputError("x and y must have the same length", received=f"{len(xs)} and {len(ys)}")
    return xs, ys


def _heading(x: Array, y: Array) -> Array:
    """Unit vector (T, 2) from the first trace to the last; +x where they are one place."""
    way = np.array([x[-1] - x[0], y[-1] - y[0]])
    length = float(np.hypot(*way))
    unit = way / length if length > 0 else np.array([1.0, 0.0])
    return np.tile(unit, (len(x), 1))


def _with_wavelet(grains: Float32, faces: Float32, instrument: Instrument) -> Float32:
    step = instrument.interval_ns / _FINER
    # The wavelet of a spike at the end must not come round to the start: as much again as the train's own margin.
    short = int(fft.next_fast_len(2 * (faces.shape[1] // _FINER) - instrument.samples, real=True))
    long = _FINER * short
    frequency = np.arange(short // 2 + 1) / (long * step)
    # Splitting a spike over two samples is, on average, a filter of sinc²: taken back where the wavelet has its band.
    shape = ricker_spectrum(frequency * 1e3, peak_mhz=instrument.centre_mhz) / np.sinc(frequency * step) ** 2
    turn = 2j * np.pi * frequency
    face_filter = (shape * turn / instrument.interval_ns).astype(np.complex64)
    grain_filter = (shape * turn * turn / instrument.interval_ns).astype(np.complex64)
    spectrum = fft.rfft(faces, long, axis=1)[:, : short // 2 + 1] * face_filter
    spectrum += fft.rfft(grains, long, axis=1)[:, : short // 2 + 1] * grain_filter
    return np.ascontiguousarray(fft.irfft(spectrum, short, axis=1)[:, : instrument.samples], dtype=np.float32)


def _direct(instrument: Instrument, ground_v_m_per_ns: float | None) -> Float32:
    time = instrument.interval_ns * np.arange(instrument.samples) - instrument.zero_ns
    apart = max(instrument.separation_m, _NEAREST_M)
    air = instrument.air / apart * ricker(time - apart / C_M_PER_NS, peak_mhz=instrument.centre_mhz)
    if ground_v_m_per_ns is None:
        return air.astype(np.float32)
    speed = check_in_range(ground_v_m_per_ns, "ground_v_m_per_ns", 0.01, C_M_PER_NS)
    late = apart / speed + 2.0 * instrument.height_m / C_M_PER_NS
    ground = instrument.ground / apart * ricker(time - late, peak_mhz=instrument.centre_mhz)
    return (air + ground).astype(np.float32)
