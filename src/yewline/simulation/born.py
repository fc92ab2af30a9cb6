"""Weak bodies in even ground, exactly to first order: the reference for spreading and finite length.

Born's approximation takes the field inside a body as that of the ground without it. For a weak contrast it leaves only
an integral over the body: over its volume for a point source, over its cross-section for a line source. Both are
worked out here by Gauss-Legendre quadrature, to any accuracy, without rays, far fields or Fresnel zones.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft

from yewline._check import check_array, check_finite, check_in_range
from yewline.errors import InputError
from yewline.physics import line_source_green, plane_wave
from yewline.simulation.instrument import Instrument
from yewline.simulation.pulse import Pulse
from yewline.units import C_M_PER_NS

__all__ = ["BornBox", "BornGround", "born_line", "born_point"]

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

_BAND = 1e-4
"""Frequencies at which the pulse has less than this share of its peak are left out."""
_NEAREST = 0.02
"""Nearest way from an antenna to a body, m: the quadrature does not resolve the pole of 1/r."""
_AT_ONCE = 1 << 16


@dataclass(frozen=True, slots=True)
class BornBox:
    """A body with its faces along the axes: `along_m` the line, `across_m` (the line at 0), `depth_m`, each (from, to).

    Raises
    ------
    InputError : a side that ends before it begins, or a top that is not below the antennas (depth 0).
    """

    along_m: tuple[float, float]
    across_m: tuple[float, float]
    depth_m: tuple[float, float]

    def __post_init__(self) -> None:
        for name in ("along_m", "across_m", "depth_m"):
            low, high = (check_finite(side, name) for side in getattr(self, name))
            if high <= low:
                raise InputError(f"{name} must end beyond where it begins", received=f"({low:g}, {high:g})")
        if self.depth_m[0] < _NEAREST:
            raise InputError(
                "the body is too near the antennas for this quadrature",
                received=f"top at {self.depth_m[0]:g} m",
                do=f"put it {_NEAREST:g} m or more below them",
            )


@dataclass(frozen=True, slots=True)
class BornGround:
    """Even ground without a surface, and how much a body in it differs.

    Attributes
    ----------
    permittivity, conductivity_ms_per_m : of the ground.
    contrast : permittivity of the body less that of the ground; the response is proportional to it.
    """

    permittivity: float = 9.0
    conductivity_ms_per_m: float = 0.0
    contrast: float = 0.1

    def __post_init__(self) -> None:
        check_in_range(self.permittivity, "permittivity", 1.0, 1e3)
        check_in_range(self.conductivity_ms_per_m, "conductivity_ms_per_m", 0.0, 1e5)
        check_finite(self.contrast, "contrast")


def born_point(
    box: BornBox,
    at_m: npt.ArrayLike,
    *,
    instrument: Instrument,
    ground: BornGround | None = None,
    pulse: Pulse | None = None,
    fineness: float = 1.0,
) -> Array:
    """What point antennas over a box record of it, in three dimensions.

    Parameters
    ----------
    box : the body.
    at_m : (T,) place of the middle between the antennas along the line; both lie at depth 0, y = 0.
    instrument : separation and sampling; nothing else of it is used but the centre frequency where no pulse is given.
    ground : round the box; `BornGround()` where it is not given.
    pulse : that the source sends; a Ricker at the instrument's centre frequency where it is not given.
    fineness : multiplies the number of points of the quadrature, for trials of its convergence.

    Returns
    -------
    (T, S) float64, V/m: the box's own response, for a source whose field is w(t − r/v)/r.

    Raises
    ------
    InputError : no places, or a fineness outside 0.25 to 8.

    Notes
    -----
    E = 4π W(ω) k₀² Δε ∫ G(r₁) G(r₂) dV with G = e^{−jkr}/(4πr), r₁ and r₂ from the antennas to the point. Each side of
    the box has points for 4 to each half wavelength of the pulse's upper edge (−40 dB).

    References
    ----------
    Chew 1995, Waves and Fields in Inhomogeneous Media, section 8.10 (Born approximation, scalar).

    Examples
    --------
    >>> stone = BornBox((-0.1, 0.1), (-0.1, 0.1), (0.4, 0.6))
    >>> born_point(stone, [0.0], instrument=Instrument(samples=64)).shape
    (1, 64)
    """
    return _record(_Task.of(box, at_m, instrument, ground, pulse, fineness), across=True)


def born_line(
    box: BornBox,
    at_m: npt.ArrayLike,
    *,
    instrument: Instrument,
    ground: BornGround | None = None,
    pulse: Pulse | None = None,
    fineness: float = 1.0,
) -> Array:
    """What line antennas over a box record of it when both go on across the section for ever (two dimensions).

    Parameters
    ----------
    box : its `across_m` is not used.
    at_m, instrument, ground, pulse, fineness : as in `born_point`.

    Returns
    -------
    (T, S) float64, V/m, for a line current equal to that of the 1 m element that radiates the pulse.

    Raises
    ------
    InputError : as in `born_point`.

    Notes
    -----
    E = 4π W(ω) k₀² Δε ∫ G(r₁) G(r₂) dA with G = −(j/4) H₀⁽²⁾(kr).

    References
    ----------
    Chew 1995, Waves and Fields in Inhomogeneous Media, section 8.10 (Born approximation, scalar).

    Examples
    --------
    >>> stone = BornBox((-0.1, 0.1), (-0.1, 0.1), (0.4, 0.6))
    >>> born_line(stone, [0.0], instrument=Instrument(samples=64)).shape
    (1, 64)
    """
    return _record(_Task.of(box, at_m, instrument, ground, pulse, fineness), across=False)


@dataclass(frozen=True, slots=True)
class _Task:
    """A box, the antennas' places (T,), and at the `omega` (F,) of the band: `k` and the `source` 4π W k₀² Δε."""

    box: BornBox
    at: Array
    instrument: Instrument
    long: int
    first: int
    omega: Array
    k: Complex
    source: Complex
    points_per_m: float

    @classmethod
    def of(
        cls,
        box: BornBox,
        at_m: npt.ArrayLike,
        instrument: Instrument,
        ground: BornGround | None,
        pulse: Pulse | None,
        fineness: float,
    ) -> _Task:
        at = check_array(at_m, "at_m", ndim=1)
        fine = check_in_range(fineness, "fineness", 0.25, 8.0)
        soil = BornGround() if ground is None else ground
        sent = Pulse("ricker", instrument.centre_mhz) if pulse is None else pulse
        step = instrument.interval_ns
        farthest = _farthest(box, at, instrument)
        # A period that the last arrival and its pulse do not outlast: otherwise they would come round to the start.
        slowest = C_M_PER_NS / math.sqrt(soil.permittivity)
        period = instrument.zero_ns + 2.0 * farthest / slowest + 2.0 * max(abs(side) for side in sent.span_ns())
        long = int(fft.next_fast_len(max(2 * instrument.samples, math.ceil(1.5 * period / step)), real=True))
        frequency = np.arange(long // 2 + 1) / (long * step)
        spectrum = sent.spectrum(1e3 * frequency)
        size = np.abs(spectrum) / np.abs(spectrum).max()
        size[0] = 0.0
        loud = np.flatnonzero(size > _BAND)
        band = slice(int(loud[0]), int(loud[-1]) + 1)
        omega = 2.0 * np.pi * frequency[band]
        wave = plane_wave(
            1e3 * frequency[band],
            permittivity=soil.permittivity,
            conductivity_ms_per_m=soil.conductivity_ms_per_m,
        )
        half_wave = 0.5 * slowest / (1e-3 * sent.band_mhz(0.01)[1])
        return cls(
            box=box,
            at=at,
            instrument=instrument,
            long=long,
            first=band.start,
            omega=omega,
            k=wave.beta_rad_per_m - 1j * wave.alpha_np_per_m,
            source=4.0 * np.pi * spectrum[band] * (omega / C_M_PER_NS) ** 2 * soil.contrast / step,
            points_per_m=4.0 * fine / half_wave,
        )


def _farthest(box: BornBox, at: Array, instrument: Instrument) -> float:
    along = max(abs(side - place) for side in box.along_m for place in (at.min(), at.max()))
    across = max(abs(side) for side in box.across_m)
    return float(np.linalg.norm([along + 0.5 * instrument.separation_m, across, box.depth_m[1]]))


def _record(task: _Task, *, across: bool) -> Array:
    x, wx = _nodes(task.box.along_m, task.points_per_m)
    z, wz = _nodes(task.box.depth_m, task.points_per_m)
    half = 0.5 * task.instrument.separation_m
    spectrum = np.zeros((len(task.at), task.long // 2 + 1), np.complex128)
    turn = np.exp(-1j * task.omega * task.instrument.zero_ns)
    for i, place in enumerate(task.at):
        weight = (wx[:, None] * wz).ravel()
        legs = [np.hypot(x[:, None] - place + side, z).ravel() for side in (-half, half)]
        inside = _volume(task, legs, weight) if across else _area(task, legs, weight)
        spectrum[i, task.first : task.first + len(task.omega)] = task.source * turn * inside
    return np.ascontiguousarray(fft.irfft(spectrum, task.long, axis=1)[:, : task.instrument.samples])


def _area(task: _Task, legs: list[Array], weight: Array) -> Complex:
    """∫ G G dA at each frequency."""
    out = line_source_green(task.k[:, None], legs[0])
    back = out if task.instrument.separation_m == 0 else line_source_green(task.k[:, None], legs[1])
    return np.asarray((out * back) @ weight)


def _volume(task: _Task, legs: list[Array], weight: Array) -> Complex:
    """∫ G G dV at each frequency, some rows of points at a time."""
    y, wy = _nodes(task.box.across_m, task.points_per_m)
    rows = max(1, _AT_ONCE // len(y))
    total = np.zeros(len(task.k), np.complex128)
    steps = np.diff(task.k)
    even = bool(np.abs(steps - steps[0]).max() < 1e-9 * abs(steps[0]))
    for start in range(0, len(weight), rows):
        part = slice(start, start + rows)
        out, back = (np.hypot(leg[part, None], y).ravel() for leg in legs)
        way = out + back
        # G(r1) G(r2) is one exponential of the whole way; without loss it turns alike from frequency to frequency.
        strength = (weight[part, None] * wy).ravel() / (16.0 * np.pi**2 * out * back)
        if not even:
            total += [np.exp(-1j * k * way) @ strength for k in task.k]
            continue
        turn = np.exp(-1j * task.k[0] * way) * strength
        more = np.exp(-1j * steps[0] * way)
        for j in range(len(task.k)):
            total[j] += turn.sum()
            turn *= more
    return total


def _nodes(side: tuple[float, float], points_per_m: float) -> tuple[Array, Array]:
    """Points and weights of Gauss and Legendre between two ends."""
    low, high = side
    x, w = np.polynomial.legendre.leggauss(max(6, math.ceil(points_per_m * (high - low)) + 4))
    return 0.5 * (low + high) + 0.5 * (high - low) * x, 0.5 * (high - low) * w
