"""The pulse that a transmitter sends: what an equivalent point source radiates, the current behind it, and its band."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
from scipy import fft

from yewline._check import check_array, check_choice, check_in_range, check_positive
from yewline.errors import InputError
from yewline.physics import (
    gaussian_derivative,
    gaussian_derivative_band_mhz,
    gaussian_derivative_spectrum,
    ricker,
    ricker_band_mhz,
    ricker_current,
    ricker_spectrum,
)
from yewline.units import MU0_H_PER_M

__all__ = ["CURRENT_A_PER_FIELD_NS", "PULSE_KINDS", "Pulse", "PulseKind"]

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

PulseKind = Literal["ricker", "gaussian-derivative", "recorded"]
PULSE_KINDS: Final[tuple[PulseKind, ...]] = ("ricker", "gaussian-derivative", "recorded")

CURRENT_A_PER_FIELD_NS: Final = -4.0 * math.pi / MU0_H_PER_M * 1e-9
"""Current in an element of 1 m for one V/m·ns of the pulse's running integral, A: −0.01."""

FEWEST_SAMPLES: Final = 8
LARGEST_END: Final = 0.01
"""A recorded pulse must begin and end below this share of its largest swing."""
LARGEST_MEAN: Final = 0.05
"""Share of ∫|w| that ∫w of a recorded pulse may be: no finite source radiates at zero frequency."""
LEVEL_OUTSIDE: Final = 0.01
"""A recorded pulse's spectrum must have fallen to this share (−40 dB) at its own Nyquist frequency."""
_TAPERED: Final = 0.1
"""Share of a recorded pulse that fades at each end: what little it starts with must not ring between samples."""
_FINER: Final = 16
_AT_ONCE: Final = 1 << 20
"""Times by frequencies in one sweep of a Fourier sum, so that a long time axis does not fill the memory."""


@dataclass(frozen=True, slots=True)
class Pulse:
    """What a transmitter sends: the field of an equivalent point source 1 m away in air, of largest swing 1.

    Attributes
    ----------
    kind : "ricker"; "gaussian-derivative", the first derivative of a Gaussian, its positive half first; or "recorded",
        the user's own samples.
    peak_mhz : peak of the amplitude spectrum; that of a recorded pulse is found, whatever is given here.
    samples : of a recorded pulse, in any unit.
    interval_ns : between them.

    Raises
    ------
    InputError : samples that are not finite, fewer than 8, all zero, that do not return to zero at both ends, whose
        mean is not near zero, or whose band does not end before their Nyquist frequency.

    Notes
    -----
    Time zero is the pulse's middle: that of the formula, or the crest of a recorded pulse's envelope. A recorded pulse
    is scaled to a largest swing of one (its sign is kept), its outer tenths fade to zero, what is left of its mean is
    taken out under a half-cosine bell, and it is read between samples by its Fourier series.

    Transfer. A current I(t) in a short element of length l across the plane has, broadside and far off in air, the
    field E(r, t) = −(μ0 l / 4πr) dI/dt(t − r/c). So that E = w(t − r/c)/r in V/m, a 1 m element carries
    I(t) = −(4π/μ0) ∫ w dt, in A, with t in s.

    References
    ----------
    Field of a current element: Balanis, Antenna Theory, section 4.2 (formula from memory). Ricker 1953, Geophysics
    18:10-40.

    Examples
    --------
    >>> pulse = Pulse("ricker", 400.0)
    >>> pulse.field([0.0]).tolist(), [round(f) for f in pulse.band_mhz()]
    ([1.0], [24, 1106])
    >>> bool(abs(pulse.current([-10.0, 10.0])).max() < 1e-12)
    True
    """

    kind: PulseKind = "ricker"
    peak_mhz: float = 400.0
    samples: tuple[float, ...] = ()
    interval_ns: float = 0.0

    def __post_init__(self) -> None:
        check_choice(self.kind, "kind", PULSE_KINDS)
        if self.kind == "recorded":
            object.__setattr__(self, "samples", _checked(self.samples, self.interval_ns))
            object.__setattr__(self, "peak_mhz", self._series().peak_mhz)
        elif len(self.samples):
            raise InputError(
                f"a pulse of kind {self.kind} has a formula, not samples",
                received=f"{len(self.samples)} samples",
                do='give kind "recorded", or leave the samples out',
            )
        check_positive(self.peak_mhz, "peak_mhz")

    def field(self, time_ns: npt.ArrayLike) -> Array:
        """Field w in V/m at 1 m, at times from the pulse's middle; any shape."""
        time = np.asarray(time_ns, dtype=np.float64)
        if self.kind == "ricker":
            return ricker(time, peak_mhz=self.peak_mhz)
        if self.kind == "gaussian-derivative":
            return gaussian_derivative(time, peak_mhz=self.peak_mhz)
        series = self._series()
        return _sum(series, series.weights, time)

    def current(self, time_ns: npt.ArrayLike) -> Array:
        """Current in A of a 1 m element that radiates `field`: its running integral times −4π/μ0; any shape."""
        time = np.asarray(time_ns, dtype=np.float64)
        if self.kind == "ricker":
            integral = ricker_current(time, peak_mhz=self.peak_mhz)
        elif self.kind == "gaussian-derivative":
            # ∫ −(t/σ) e^{½ − t²/2σ²} dt, and a derivative f e^{−(2πfσ)²/2} has the peak of its spectrum at 1/(2πσ).
            sigma = 1e3 / (2.0 * math.pi * self.peak_mhz)
            integral = sigma * np.exp(0.5 - 0.5 * (time / sigma) ** 2)
        else:
            series = self._series()
            weights = series.weights / (2j * np.pi * series.frequency_ghz)
            before = _sum(series, weights, np.array([series.first_ns]))[0]
            inside = (time >= series.first_ns) & (time <= series.last_ns)
            integral = np.where(inside, _sum(series, weights, time) - before, 0.0)
        return np.asarray(CURRENT_A_PER_FIELD_NS * integral)

    def spectrum(self, frequency_mhz: npt.ArrayLike) -> Complex:
        """Fourier transform ∫ w e^{−j2πft} dt, ns; a recorded pulse has none above its Nyquist frequency."""
        frequency = np.asarray(frequency_mhz, dtype=np.float64)
        if self.kind == "ricker":
            return ricker_spectrum(frequency, peak_mhz=self.peak_mhz).astype(np.complex128)
        if self.kind == "gaussian-derivative":
            return gaussian_derivative_spectrum(frequency, peak_mhz=self.peak_mhz)
        series = self._series()
        turn = np.exp(-2j * np.pi * 1e-3 * np.multiply.outer(frequency, series.time_ns))
        inside = np.abs(frequency) * self.interval_ns < 500.0
        return np.asarray(np.where(inside, turn @ series.values * self.interval_ns, 0.0))

    def band_mhz(self, level: float = 0.01) -> tuple[float, float]:
        """Lower and upper frequency at which the amplitude spectrum has fallen to `level` (−40 dB) of its peak.

        Parameters
        ----------
        level : share of the peak, 0.001 to 1.
        """
        share = check_in_range(level, "level", 1e-3, 1.0)
        if self.kind == "ricker":
            return ricker_band_mhz(peak_mhz=self.peak_mhz, level=share)
        if self.kind == "gaussian-derivative":
            return gaussian_derivative_band_mhz(peak_mhz=self.peak_mhz, level=share)
        series = self._series()
        frequency = np.linspace(0.0, 500.0 / self.interval_ns, _FINER * len(series.values), endpoint=False)
        size = np.abs(self.spectrum(frequency))
        above = np.flatnonzero(size >= share * size.max())
        low, high = int(above[0]), int(above[-1])
        lower = 0.0 if low == 0 else _crossing(frequency, size, low - 1, share * size.max())
        upper = frequency[-1] if high == len(size) - 1 else _crossing(frequency, size, high, share * size.max())
        return float(lower), float(upper)

    def span_ns(self, level: float = 1e-6) -> tuple[float, float]:
        """Earliest and latest time at which the field is above `level` of its largest swing, from the middle.

        Parameters
        ----------
        level : share of the largest swing, 1e-9 to 1; a recorded pulse spans all its samples, whatever the level.
        """
        share = check_in_range(level, "level", 1e-9, 1.0)
        if self.kind == "recorded":
            series = self._series()
            return float(series.time_ns[0]), float(series.time_ns[-1])
        time = np.linspace(-3e3, 3e3, 60_001) / self.peak_mhz
        loud = time[np.abs(self.field(time)) >= share]
        return float(loud[0]), float(loud[-1])

    def _series(self) -> _Series:
        return _series(self.samples, self.interval_ns)


@dataclass(frozen=True, slots=True)
class _Series:
    """A recorded pulse made ready.

    `time_ns`, `values` are its samples, scaled and tapered; `weights` at `frequency_ghz` its Fourier series over a
    padded stretch that begins at `first_ns` and is read until `last_ns`.
    """

    time_ns: Array
    values: Array
    frequency_ghz: Array
    weights: Complex
    first_ns: float
    last_ns: float
    peak_mhz: float


def _checked(samples: npt.ArrayLike, interval_ns: float) -> tuple[float, ...]:
    values = check_array(samples, "samples of the recorded pulse", ndim=1)
    step = check_positive(interval_ns, "interval_ns")
    top = float(np.abs(values).max())
    if len(values) < FEWEST_SAMPLES:
        raise InputError(
            "the recorded pulse is too short",
            received=f"{len(values)} samples over {step * (len(values) - 1):g} ns",
            do=f"give {FEWEST_SAMPLES} samples or more, from silence to silence",
        )
    if top == 0.0:
        raise InputError("the recorded pulse is all zeros", do="give the samples of a pulse")
    ends = np.abs(values[[0, -1]]) / top
    if ends.max() > LARGEST_END:
        raise InputError(
            "the recorded pulse does not begin and end at zero",
            received=f"{100 * ends[0]:.1f} % of its largest swing at the start, {100 * ends[1]:.1f} % at the end",
            do=f"give more of it, or fade its ends to {100 * LARGEST_END:g} % or less",
        )
    mean = abs(float(values.sum())) / float(np.abs(values).sum())
    if mean > LARGEST_MEAN:
        raise InputError(
            "the recorded pulse has a mean, which no antenna radiates",
            received=f"|∫w| is {100 * mean:.1f} % of ∫|w|",
            do=f"take its offset and slow drift out, to {100 * LARGEST_MEAN:g} % or less",
        )
    size = np.abs(np.fft.rfft(values, _FINER * len(values)))
    outer = size[round(0.98 * len(size)) :].max() / size.max()
    if outer > LEVEL_OUTSIDE:
        raise InputError(
            "the recorded pulse is sampled too coarsely for its band",
            received=f"{20 * math.log10(outer):.0f} dB of its peak at the Nyquist frequency, {500 / step:g} MHz",
            do="sample it more finely: its spectrum must have fallen by 40 dB there",
        )
    return tuple(values.tolist())


@lru_cache(maxsize=16)
def _series(samples: tuple[float, ...], interval_ns: float) -> _Series:
    n = len(samples)
    fade = max(2, round(_TAPERED * n))
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade)
    values = np.array(samples)
    values[:fade] *= ramp
    values[-fade:] *= ramp[::-1]
    bell = 1.0 - np.cos(2.0 * np.pi * (np.arange(n) + 0.5) / n)
    values -= values.sum() * bell / bell.sum()
    long = int(fft.next_fast_len(3 * n, real=True))
    before = (long - n) // 2
    padded = np.zeros(long)
    padded[before : before + n] = values
    weights = np.fft.rfft(padded) * (2.0 / long)
    # The mean is zero already, and the Nyquist term has no phase of its own.
    weights[0] = 0.0
    if long % 2 == 0:
        weights[-1] = 0.0
    analytic = np.fft.ifft(weights, _FINER * long) * (_FINER * long)
    top = _crest(np.abs(analytic.real))[1]
    middle = _crest(np.abs(analytic))[0] / _FINER
    frequency = np.fft.rfftfreq(long, interval_ns)
    size = np.abs(weights)
    heard = size > 1e-9 * size.max()
    size_fine = np.abs(np.fft.rfft(values, 64 * n))
    return _Series(
        time_ns=np.asarray(interval_ns * (before + np.arange(n) - middle), np.float64),
        values=values / top,
        frequency_ghz=frequency[heard],
        weights=weights[heard] / top,
        first_ns=-interval_ns * middle,
        last_ns=interval_ns * (long - 1 - middle),
        peak_mhz=1e3 * float(np.fft.rfftfreq(64 * n, interval_ns)[size_fine.argmax()]),
    )


def _sum(series: _Series, weights: Complex, time: Array) -> Array:
    """The Fourier sum at any times; zero outside the padded stretch, where the series would repeat itself."""
    flat = time.ravel()
    found = np.zeros(len(flat))
    inside = np.flatnonzero((flat >= series.first_ns) & (flat <= series.last_ns))
    chunk = max(1, _AT_ONCE // len(weights))
    for start in range(0, len(inside), chunk):
        part = inside[start : start + chunk]
        turn = np.exp(2j * np.pi * np.multiply.outer(flat[part] - series.first_ns, series.frequency_ghz))
        found[part] = (turn @ weights).real
    return found.reshape(time.shape)


def _crest(y: Array) -> tuple[float, float]:
    """Place and height of the largest value, by the parabola through it and its neighbours."""
    k = int(y.argmax())
    left, top, right = float(y[k - 1]), float(y[k]), float(y[(k + 1) % len(y)])
    offset = 0.5 * (left - right) / (left - 2.0 * top + right)
    return k + offset, top - 0.25 * (left - right) * offset


def _crossing(x: Array, y: Array, k: int, level: float) -> float:
    """Where the line from point k to the next passes `level`."""
    return float(x[k] + (level - y[k]) / (y[k + 1] - y[k]) * (x[k + 1] - x[k]))
