"""From a line source over endless bodies to a point source over bodies of finite length.

A two-dimensional model has line antennas and bodies that never end across the section. Two steps bring its traces
back: `to_point_source` gives all waves the spreading and phase of a point source, `finite_length` gives a body's own
response (with the body less without it) the length that the body has. Both take rays as straight, with one velocity
for each arrival time, and the scalar response of an isotropic source: no antenna pattern and no polarisation.

How good that is, against three-dimensional Born integrals (`born`) over boxes in ground of permittivity 9, antennas
0.16 m apart: the largest error of the trace, in % of the largest value that the box would give if it were endless.
Graves are 0.6 m wide and 0.4 m thick, infants and stones 0.3 m both ways.

=====================================  =====  =====  =====  =====
top of the box, m                        0.5    0.5    1.1    1.1
centre frequency, MHz                    200    400    200    400
=====================================  =====  =====  =====  =====
endless, `to_point_source` alone         0.8    0.7    0.3    0.1
4 m long, centred                        2.9    3.5    1.1    0.9
2 m, centred                             2.0    2.2    0.7    0.5
2 m, 0.6 m off                           1.3    1.6    0.5    0.4
2 m, its end under the line              1.4    1.8    0.6    0.5
2 m, line 0.3 m beyond its end           1.5    1.9    0.6    0.5
  the same, % of its own peak            7.6   11.9    2.6    2.7
2 m, line 0.8 m beyond its end           1.4    1.0    0.7    0.2
  the same, % of its own peak           16.6   11.3    6.5    2.6
infant, 0.6 m long, centred              0.9    0.6    0.3    0.1
infant, 0.2 m off                        0.7    0.4    0.2    0.1
stone, 0.3 m long, centred               1.1    0.3    0.2    0.1
stone, 0.25 m beside the line            0.6    0.4    0.1    0.1
infant, centred, taken as endless         36     26     45     36
2 m, centred, taken as endless            14     14     18     14
=====================================  =====  =====  =====  =====

At 10 mS/m, in % of the endless box, all but the last two lines are at most 1.1. Born's integrals know no multiple
answers and no strong contrast: for a void or a metal body this shows the geometry only. Not in it: the surface (its
lateral waves, its refraction at grazing angles), antenna patterns and polarisation across the section, the reflections
by a body's end faces, bodies nearer than about a wavelength.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
from scipy import fft

from yewline._check import check_array, check_choice, check_finite, check_in_range, check_positive, check_velocity
from yewline.errors import InputError
from yewline.physics import point_over_line, share_beyond_end
from yewline.simulation.pulse import Pulse

__all__ = ["Answer", "DirectWave", "finite_length", "to_point_source"]

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]
Float32 = npt.NDArray[np.float32]

Answer = Literal["body", "mirror"]

_FLOOR = 0.01
"""Where a pulse's spectrum falls below this share of its peak, a trace is no longer stripped of it."""
_QUIET = 1e-4
"""Frequencies at which the pulse has less than this share of its peak carry nothing of a body's end."""
_EARLIEST = 0.5
"""Periods of the pulse's peak after time zero, before which the spreading is held: no body is that near."""
_DIRECT_UNTIL = 0.7
"""Periods after its arrival until which the direct wave is taken alone; over as many more it gives way."""
_ANSWER_POWER: Final = {"body": -1.25, "mirror": 0.75}
"""Power of 1/t that is applied after the half derivative; the rest of 1/√t before it."""
_LINE_ORDER = 1.5
"""Power of jω in the response of a thin, weak, endless body to a point source: stripped of it, each part is a spike."""
_AT_ONCE = 256
_END_STEP_M = 1e-3


@dataclass(frozen=True, slots=True)
class DirectWave:
    """The wave that goes straight from the transmitter to the receiver.

    Attributes
    ----------
    distance_m : between the antennas.
    v_m_per_ns : its velocity: that of air, or of the soil where the ground wave is the stronger.
    """

    distance_m: float
    v_m_per_ns: float

    def __post_init__(self) -> None:
        check_positive(self.distance_m, "distance_m")
        check_velocity(self.v_m_per_ns, "v_m_per_ns")


def to_point_source(
    traces: npt.ArrayLike,
    *,
    pulse: Pulse,
    interval_ns: float,
    zero_ns: float,
    v_m_per_ns: npt.ArrayLike,
    attenuation_np_per_m: float = 0.0,
    direct: DirectWave | None = None,
    answer: Answer = "body",
) -> Float32:
    """Traces of line antennas as point antennas would have recorded them (2.5-D).

    Parameters
    ----------
    traces : (T, S) field of a line current, in V/m: the current is that of an element of 1 m that radiates `pulse`.
    pulse : what the source sends.
    interval_ns : between samples.
    zero_ns : time on the record at which the pulse's middle leaves the source.
    v_m_per_ns : velocity of the waves that arrive at a time, one or (S,): the root mean square of the velocity along
        their way, weighted with time, where it changes with depth.
    attenuation_np_per_m : along the path, one way, at the centre frequency; the ground's permittivity and conductivity
        are taken as the same at all frequencies.
    direct : the direct wave, converted apart and exactly for even ground. Without it, what arrives in the first half
        period after `zero_ns` gets the spreading of that time; leave it out for the response of a body alone.
    answer : "body" for weakly scattering bodies, faces and layers of any shape; "mirror" for faces whose reflection
        does not change with the angle, such as metal sheet. They differ by 1/ωt of the wave, in quadrature.

    Returns
    -------
    (T, S) float32: in an even medium, w(t − r/v)/r for every wave that has gone the way r.

    Raises
    ------
    InputError : traces or settings out of range.

    Notes
    -----
    It takes bodies as endless across the section, and rays as straight. Far off, the point source's field is the line
    source's times √(jω / 2πσ) with σ = ∫ v² dt = v² t (Bleistein). Used here is

        t^(−a) √(jkv) t^(a − 1/2) / (v √(2π)),    (jkv)² = jω (jω + 2αv),

    where the split of the gain settles the next order in 1/ωt. With a = −5/4 that order is right for the Born response
    of any endless body: it follows from the thin line, 3-D over 2-D = √(jk/4πr) (1 − 5/(16jkr)) / (1 − 1/(4jkr)). With
    a = 3/4 it is right for an image source: the half derivative with respect to t², which takes the 1/√(t² − r²/v²) of
    a line's impulse into a point's spike exactly, splits so. Both act on traces stripped of their pulse (down to 1 % of
    its peak; it is put on again after), since a gain that changes within a pulse distorts it. Loss takes both fields
    alike and enters by the root only.

    The direct wave is converted by `physics.point_over_line`, cut where it is over, brought back to a line source's
    field by the inverse and taken off the rest, its long tail included.

    In even ground the error is below 0.5 % of the peak for the direct wave, from 0.1 m on, and for bodies as in the
    table of this module.

    References
    ----------
    Bleistein 1986, Geophysical Prospecting 34:686-703; Deregowski & Brown 1983, Geophysical Prospecting 31:293-333
    (half derivative).

    Examples
    --------
    >>> time = 0.25 * np.arange(200) - 5.0
    >>> line = np.zeros((1, 200))
    >>> at_20_ns = to_point_source(line + (time == 20.0), pulse=Pulse(), interval_ns=0.25, zero_ns=5.0, v_m_per_ns=0.1)
    >>> at_20_ns.shape, at_20_ns.dtype.name
    ((1, 200), 'float32')
    """
    power = _ANSWER_POWER[check_choice(answer, "answer", ("body", "mirror"))]
    stripped = _Stripped.of(traces, pulse, interval_ns, zero_ns)
    v = stripped.spread(v_m_per_ns)
    loss = check_in_range(attenuation_np_per_m, "attenuation_np_per_m", 0.0, 100.0)
    held = _EARLIEST * 1e3 / pulse.peak_mhz
    time = (np.maximum(stripped.time, 0.0) ** 4 + held**4) ** 0.25
    after = time**-power / (math.sqrt(2.0 * math.pi) * v)
    half = np.sqrt(1j * _wavenumber(stripped.omega, 1.0, loss * float(np.median(v))))
    found = np.empty(stripped.traces.shape, dtype=np.float32)
    for start in range(0, len(found), _AT_ONCE):
        rest = stripped.padded(slice(start, start + _AT_ONCE))
        alone = np.zeros_like(rest)
        if direct is not None:
            turn = point_over_line(_wavenumber(stripped.omega, direct.v_m_per_ns, loss), direct.distance_m)
            share = _direct_share(stripped.time, direct, pulse)
            alone = share * stripped.filter(rest, turn)
            # What a point source sends has no mean: one that the cut leaves would come back as a long tail. It goes
            # where the cut is.
            cut = share * (1.0 - share)
            alone -= cut * (alone.sum(axis=-1, keepdims=True) / cut.sum())
            rest = rest - stripped.filter(alone, _inverse(turn))
        bare = stripped.filter(rest, 1.0 / stripped.weight)
        field = after * stripped.filter(bare * time ** (power - 0.5), half)
        found[start : start + _AT_ONCE] = stripped.cut(alone + stripped.filter(field, stripped.weight))
    return found


def finite_length(
    difference: npt.ArrayLike,
    *,
    across_m: npt.ArrayLike,
    pulse: Pulse,
    interval_ns: float,
    zero_ns: float,
    v_m_per_ns: npt.ArrayLike,
    attenuation_np_per_m: float = 0.0,
) -> Float32:
    """The response of a body as long across the line as it is, from that of an endless one.

    Parameters
    ----------
    difference : (T, S) traces with the body less those without it, converted by `to_point_source`.
    across_m : (2,) or (T, 2) where the body begins and ends across the line, which lies at 0; −inf and inf are allowed.
        Both on one side: the line passes beyond the body's end. Taken to the millimetre.
    pulse, interval_ns, zero_ns, v_m_per_ns, attenuation_np_per_m : as in `to_point_source`.

    Returns
    -------
    (T, S) float32; `difference` itself for an endless body.

    Raises
    ------
    InputError : a body that ends before it begins, or traces or settings out of range.

    Notes
    -----
    At each arrival time t, hence path L = vt, and each frequency what lies beyond an end is taken off:
    `physics.share_beyond_end`, Fresnel's integral with the exact phase and the exact strength of the end's own
    diffraction. The half at an end under the line, and the diffraction that comes √(t² + 4y²/v²) − t later, follow
    from it. It acts on traces stripped of their pulse and of (jω)^(3/2), which a thin body's response has (a Rayleigh
    line): so each of its parts is one spike, however the parts' answers add up.

    Worth doing where the body is shorter than `physics.two_fresnel_zones_m`, or its end is nearer than half of that.
    Not in it: the face of the end itself (a reflector where it leans toward the line, strong for steep and highly
    contrasting ends), waves that run inside the body to its end and back, any change of cross-section along the body,
    and the pattern of the antennas. Bodies nearer than a wavelength have ends whose near field is not in it either.

    References
    ----------
    Bleistein & Handelsman 1986, Asymptotic Expansions of Integrals, section 9.4.

    Examples
    --------
    >>> shape = {"pulse": Pulse(), "interval_ns": 0.25, "zero_ns": 5.0, "v_m_per_ns": 0.1}
    >>> echo = np.zeros((1, 200))
    >>> echo[0] = Pulse().field(0.25 * np.arange(200) - 25.0)
    >>> half = finite_length(echo, across_m=(0.0, np.inf), **shape)
    >>> float(half.max().round(3))
    0.5
    """
    ends = _checked_ends(across_m)
    stripped = _Stripped.of(difference, pulse, interval_ns, zero_ns, order=_LINE_ORDER)
    if len(ends) not in (1, len(stripped.traces)):
        raise InputError(
            "across_m must have one row, or one for each trace",
            received=f"{len(ends)} rows for {len(stripped.traces)} traces",
        )
    v = stripped.spread(v_m_per_ns)
    loss = check_in_range(attenuation_np_per_m, "attenuation_np_per_m", 0.0, 100.0)
    near, far = np.broadcast_to(ends, (len(stripped.traces), 2)).T
    # What lies beyond a point y is the share beyond |y|, or the whole less that where y is negative.
    whole = (near < 0).astype(np.float64) - (far < 0).astype(np.float64)
    found = whole[:, None] * stripped.traces
    distances = np.abs(np.concatenate([near, far]))
    signs = np.concatenate([np.where(near < 0, -1.0, 1.0), np.where(far < 0, 1.0, -1.0)])
    return (found + _ends(stripped, distances.reshape(2, -1), signs.reshape(2, -1), v, loss)).astype(np.float32)


@dataclass(frozen=True, slots=True)
class _Stripped:
    """Traces with room around them, and what takes a pulse off and puts it on.

    `traces` (T, S); `pad` samples are put before and after them, `time` (N,) is that of the padded samples after time
    zero; `long` the length of the Fourier transforms, `omega` (F,) in rad/ns, `weight` (F,) what strips by division,
    `loud` (F,) where it matters.
    """

    traces: Array
    pad: int
    time: Array
    long: int
    interval_ns: float
    omega: Array
    weight: Complex
    loud: npt.NDArray[np.bool_]

    @classmethod
    def of(
        cls, traces: npt.ArrayLike, pulse: Pulse, interval_ns: float, zero_ns: float, *, order: float = 0.0
    ) -> _Stripped:
        values = check_array(traces, "traces", ndim=2)
        step = check_positive(interval_ns, "interval_ns")
        zero = check_finite(zero_ns, "zero_ns")
        if pulse.peak_mhz * step > 250.0:
            raise InputError(
                "the sample interval is too coarse for the pulse",
                received=f"{step:g} ns at {pulse.peak_mhz:g} MHz",
                do=f"use {250.0 / pulse.peak_mhz:.3g} ns or less (four samples a period)",
            )
        pad = math.ceil(1.5 * max(abs(side) for side in pulse.span_ns(1e-3)) / step)
        padded = values.shape[1] + 2 * pad
        long = int(fft.next_fast_len(2 * padded, real=True))
        frequency = np.arange(long // 2 + 1) / (long * step)
        spectrum = pulse.spectrum(1e3 * frequency) * (1j * frequency) ** order
        size = np.abs(spectrum) / np.abs(spectrum).max()
        turn = np.where(size > 0, spectrum / np.where(size > 0, np.abs(spectrum), 1.0), 1.0)
        return cls(
            traces=values,
            pad=pad,
            time=step * (np.arange(padded) - pad) - zero,
            long=long,
            interval_ns=step,
            omega=2.0 * np.pi * frequency,
            weight=turn * (size + _FLOOR),
            loud=size > _QUIET,
        )

    def spread(self, v_m_per_ns: npt.ArrayLike) -> Array:
        """The velocity at every padded sample."""
        given = np.asarray(v_m_per_ns, dtype=np.float64)
        samples = self.traces.shape[1]
        if given.shape not in ((), (samples,)):
            raise InputError(
                "v_m_per_ns must be one number or one for each sample",
                received=f"shape {given.shape} for {samples} samples",
            )
        for speed in np.unique(given):
            check_velocity(float(speed), "v_m_per_ns")
        return np.pad(np.broadcast_to(given, (samples,)), self.pad, mode="edge")

    def padded(self, part: slice = slice(None)) -> Array:
        """(T, N) traces with silence before and after."""
        return np.pad(self.traces[part], ((0, 0), (self.pad, self.pad)))

    def filter(self, values: Array, turn: Complex) -> Array:
        spectrum = fft.rfft(values, self.long, axis=1) * turn
        return np.asarray(fft.irfft(spectrum, self.long, axis=1)[:, : values.shape[1]])

    def cut(self, values: Array) -> Array:
        return values[:, self.pad : values.shape[1] - self.pad]


def _direct_share(time: Array, direct: DirectWave, pulse: Pulse) -> Array:
    """One until the direct wave is over, then smoothly down to zero."""
    while_ns = _DIRECT_UNTIL * 1e3 / pulse.peak_mhz
    late = np.clip((time - direct.distance_m / direct.v_m_per_ns - while_ns) / while_ns, 0.0, 1.0)
    return np.asarray(1.0 - late**2 * (3.0 - 2.0 * late))


def _wavenumber(omega: Array, v: npt.ArrayLike, loss: float) -> Complex:
    """k of ground whose permittivity and conductivity do not change with frequency: (jk)² = jω (jω + 2αv) / v²."""
    speed = np.asarray(v, dtype=np.float64)
    return np.asarray(-1j * np.sqrt(1j * omega * (1j * omega + 2.0 * loss * speed)) / speed)


def _inverse(turn: Complex) -> Complex:
    """1/turn, and nothing at frequency zero, where a line source has no far field."""
    some = turn != 0
    return np.where(some, 1.0 / np.where(some, turn, 1.0), 0.0)


def _ends(stripped: _Stripped, distances: Array, signs: Array, v: Array, loss: float) -> Array:
    """(T, S) what lies beyond ends at `distances` (E, T) from the line, times `signs`, added up."""
    bare = stripped.filter(stripped.padded(), 1.0 / stripped.weight)
    omega = stripped.omega[stripped.loud]
    # Before time zero nothing arrives; what stripping leaves there goes with the shortest of paths.
    time = np.maximum(stripped.time, 1e-3)
    place = stripped.interval_ns * np.arange(len(time))
    turn = np.exp(-1j * omega[:, None] * place)
    wavenumber = _wavenumber(omega[:, None], v if np.ptp(v) > 0 else v[:1], loss)
    spectrum = np.zeros((len(bare), len(stripped.omega)), np.complex128)
    steps = np.round(distances / _END_STEP_M)
    for step in np.unique(steps[np.isfinite(steps)]):
        end = float(step) * _END_STEP_M
        later = np.hypot(time, 2.0 * end / v) - time
        # An end that answers after the record must not come round to its start.
        heard = np.flatnonzero(place + later <= place[-1])
        if not len(heard):
            continue
        mine = np.flatnonzero((steps == step).any(axis=0))
        weight = np.where(steps[:, mine] == step, signs[:, mine], 0.0).sum(axis=0)
        k = wavenumber[:, heard] if wavenumber.shape[1] > 1 else wavenumber
        share = share_beyond_end(k, v[heard] * time[heard], end)
        share *= turn[:, heard]
        answer = (weight[:, None] * bare[np.ix_(mine, heard)]) @ share.T
        spectrum[np.ix_(mine, np.flatnonzero(stripped.loud))] += answer
    field = fft.irfft(spectrum * stripped.weight, stripped.long, axis=1)[:, : len(time)]
    return stripped.cut(np.asarray(field))


def _checked_ends(across_m: npt.ArrayLike) -> Array:
    ends = np.atleast_2d(np.asarray(across_m, dtype=np.float64))
    if ends.ndim != 2 or ends.shape[1] != 2:
        raise InputError("across_m must hold two numbers, or two for each trace", received=f"shape {ends.shape}")
    if np.isnan(ends).any():
        raise InputError("across_m must hold numbers, or ±inf", received="nan")
    wrong = ends[:, 1] <= ends[:, 0]
    if wrong.any():
        raise InputError(
            "a body must end beyond where it begins",
            received=f"from {ends[wrong][0, 0]:g} to {ends[wrong][0, 1]:g} m",
            do="give the end with the smaller y first",
        )
    return ends
