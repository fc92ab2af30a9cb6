"""What an instrument does to a clean radargram, as layers that can be switched one by one, each telling its truth.

Coupling, ringing, wow and conversion stand here; drift and jitter in `timing`; noise, interference, spikes and dead
traces in `disturbances`; where the antenna truly was in `walking`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar, Literal

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from yewline._check import check_choice, check_in_range, check_positive
from yewline.errors import InputError
from yewline.simulation.disturbances import ReceiverNoise
from yewline.simulation.instrument import Instrument
from yewline.simulation.layers import Layer, LayerTruth, LineSetting, SignalLayer, check_count
from yewline.simulation.timing import Jitter

__all__ = [
    "Converter",
    "Coupling",
    "Electronics",
    "Ringing",
    "Wow",
    "layers_of",
    "through_electronics",
]

Array = npt.NDArray[np.float64]
Float32 = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Electronics:
    """What the instrument does to a signal: all strengths are in the field's own unit, before the gain.

    Attributes
    ----------
    counts : counts per unit of field; samples are rounded and clipped to `full_scale`. 0 leaves them as they are.
    full_scale : largest count, that of 16 bits.
    noise : standard deviation of receiver noise.
    ringing, ringing_ns, ringing_decay_ns : strength of the antenna's ringing after the direct wave, its period and
        the time in which it falls to 1/e.
    wow, wow_ns : slow recovery of the receiver after the direct wave, and the time in which it falls to 1/e.
    coupling_sd, coupling_m : spread of the antenna's coupling to the ground and the distance over which it changes.
    jitter_ns : spread of the start time from trace to trace.
    """

    counts: float = 0.0
    full_scale: int = 32_767
    noise: float = 0.0
    ringing: float = 0.0
    ringing_ns: float = 3.1
    ringing_decay_ns: float = 9.0
    wow: float = 0.0
    wow_ns: float = 15.0
    coupling_sd: float = 0.0
    coupling_m: float = 0.6
    jitter_ns: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Coupling(SignalLayer):
    """How well the antennas sit on the ground: a factor on all that comes out of it, changing along the line.

    Attributes
    ----------
    sd : standard deviation of the factor about one.
    range_m : distance over which it changes (standard deviation of the Gaussian that smooths it).
    bumps : times that the antennas lose the ground, at places drawn at random.
    bump_m : length over which each lasts.
    bump_loss : share of the amplitude lost at its middle.
    """

    kind: ClassVar[str] = "coupling"
    sd: float = 0.0
    range_m: float = 0.6
    bumps: int = 0
    bump_m: float = 0.3
    bump_loss: float = 0.5

    def __post_init__(self) -> None:
        check_in_range(self.sd, "sd", 0.0, 0.5)
        check_positive(self.range_m, "range_m")
        check_count(self.bumps, "bumps")
        check_positive(self.bump_m, "bump_m")
        check_in_range(self.bump_loss, "bump_loss", 0.0, 0.95)

    @property
    def rank(self) -> int:
        """After the ground has rung, before the antenna's own ringing, which needs no ground."""
        return 20

    def apply(self, amplitude: Float32, setting: LineSetting, rng: np.random.Generator) -> tuple[Float32, LayerTruth]:
        """The line times its coupling, which is never below a twentieth."""
        n = len(amplitude)
        factor = 1.0 + self.sd * _swing(n, self.range_m, setting.spacing_m, rng)
        at = setting.spacing_m * np.arange(n)
        for place in np.sort(rng.uniform(0.0, 1.0, self.bumps)) * at[-1]:
            # A Gaussian whose width at half height is the bump's length.
            factor *= 1.0 - self.bump_loss * np.exp2(-((2.0 * (at - place) / self.bump_m) ** 2))
        factor = np.maximum(factor, 0.05).astype(np.float32)
        return np.asarray(amplitude * factor[:, None], np.float32), self.told(setting, arrays={"coupling": factor})


@dataclass(frozen=True, slots=True, kw_only=True)
class Ringing(SignalLayer):
    """What the antennas go on sending after the direct wave: the same in every trace.

    Attributes
    ----------
    strength : of its envelope at time zero, as a share of the direct wave's largest swing.
    period_ns, decay_ns : of the ringing, and the time in which it falls to 1/e.
    through : "antenna", within the antennas, the same whatever the ground; or "ground", between antennas and ground,
        which changes along the line with the coupling.

    Notes
    -----
    s·D·½(1 + tanh(4t/P))·e^{−t⁺/τ}·cos(2πt/P), t from time zero, t⁺ its positive part.
    """

    kind: ClassVar[str] = "ringing"
    strength: float
    period_ns: float = 3.1
    decay_ns: float = 9.0
    through: Literal["antenna", "ground"] = "antenna"

    def __post_init__(self) -> None:
        check_in_range(self.strength, "strength", 0.0, 10.0)
        check_positive(self.period_ns, "period_ns")
        check_positive(self.decay_ns, "decay_ns")
        check_choice(self.through, "through", ("antenna", "ground"))

    @property
    def rank(self) -> int:
        """In the ground before the coupling, in the antenna after it."""
        return 10 if self.through == "ground" else 30

    def apply(self, amplitude: Float32, setting: LineSetting, rng: np.random.Generator) -> tuple[Float32, LayerTruth]:
        """The line with the ringing added."""
        if self.period_ns < 2.0 * setting.interval_ns:
            raise InputError(
                "the ringing is faster than the samples can follow",
                received=f"a period of {self.period_ns:g} ns at {setting.interval_ns:g} ns a sample",
                do=f"give a period of {2 * setting.interval_ns:g} ns or more",
            )
        time = setting.times_ns(amplitude.shape[1])
        ring = _started(time, self.period_ns / 4.0, self.decay_ns) * np.cos(2.0 * np.pi * time / self.period_ns)
        return _with_waveform(self, amplitude, self.strength * ring, setting)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wow(SignalLayer):
    """The slow recovery of a receiver that the direct wave has driven hard, and its offset.

    Attributes
    ----------
    strength : at time zero, as a share of the direct wave's largest swing; may be negative.
    decay_ns : in which it falls to 1/e.
    offset : of all samples, as such a share.
    """

    kind: ClassVar[str] = "wow"
    strength: float
    decay_ns: float = 15.0
    offset: float = 0.0

    def __post_init__(self) -> None:
        check_in_range(self.strength, "strength", -10.0, 10.0)
        check_positive(self.decay_ns, "decay_ns")
        check_in_range(self.offset, "offset", -10.0, 10.0)

    @property
    def rank(self) -> int:
        """The receiver's answer to all that came through the antenna."""
        return 40

    def apply(self, amplitude: Float32, setting: LineSetting, rng: np.random.Generator) -> tuple[Float32, LayerTruth]:
        """The line with the wow added."""
        slow = _started(setting.times_ns(amplitude.shape[1]), 1.5, self.decay_ns)
        return _with_waveform(self, amplitude, self.strength * slow + self.offset, setting)


@dataclass(frozen=True, slots=True, kw_only=True)
class Converter(SignalLayer):
    """Gain and conversion to whole counts, cut off at full scale.

    Attributes
    ----------
    counts : counts a unit of field before the gain.
    headroom : or full scale as a multiple of the direct wave's largest swing, before the gain; below 1 cuts it off.
    bits : of the converter, 8 to 24.
    gain_db, gain_db_per_ns, gain_limit_db : a gain burnt into the record: at time zero, its growth after it, and its
        largest value.
    """

    kind: ClassVar[str] = "converter"
    counts: float = 0.0
    headroom: float = 0.0
    bits: int = 16
    gain_db: float = 0.0
    gain_db_per_ns: float = 0.0
    gain_limit_db: float = 80.0

    def __post_init__(self) -> None:
        check_in_range(self.counts, "counts", 0.0, 1e30)
        check_in_range(self.headroom, "headroom", 0.0, 1e6)
        check_in_range(check_count(self.bits, "bits"), "bits", 8, 24)
        check_in_range(self.gain_db, "gain_db", -120.0, 120.0)
        check_in_range(self.gain_db_per_ns, "gain_db_per_ns", 0.0, 10.0)
        check_in_range(self.gain_limit_db, "gain_limit_db", self.gain_db, 240.0)
        if (self.counts > 0) == (self.headroom > 0):
            raise InputError(
                "a converter needs either its counts a unit of field or its headroom",
                received=f"counts {self.counts:g} and headroom {self.headroom:g}",
                do="give one of the two above 0",
            )

    @property
    def rank(self) -> int:
        """The last thing that happens to a sample."""
        return 100

    def apply(self, amplitude: Float32, setting: LineSetting, rng: np.random.Generator) -> tuple[Float32, LayerTruth]:
        """The line in counts; the truth has the gain of each sample and how many of each trace were cut off."""
        top = 2 ** (self.bits - 1) - 1
        counts = self.counts
        if counts == 0.0:
            if setting.loud == 0.0:
                raise InputError(
                    "headroom over a silent line means nothing",
                    received="a line of zeros",
                    do="give `counts` instead of `headroom`",
                )
            counts = top / (self.headroom * setting.loud)
        late = np.maximum(setting.times_ns(amplitude.shape[1]), 0.0)
        gain = 10.0 ** (np.minimum(self.gain_db + self.gain_db_per_ns * late, self.gain_limit_db) / 20.0)
        whole = np.rint(counts * gain * amplitude.astype(np.float64))
        clipped = ((whole > top) | (whole < -top - 1)).sum(axis=1)
        # Adding zero takes the sign off −0, which a recorder's integers do not have.
        stored = (np.clip(whole, -top - 1, top) + 0.0).astype(np.float32)
        told = self.told(
            setting,
            values={"counts_per_unit": counts, "full_scale": float(top), "clipped_samples": float(clipped.sum())},
            arrays={"gain": gain, "clipped": clipped},
        )
        return stored, told


def layers_of(parts: Electronics) -> tuple[Layer, ...]:
    """The same instrument as `Electronics`, in layers that can be switched one by one.

    Strengths are equal; random numbers are not, and the antenna's ringing and wow no longer change with its coupling.

    Examples
    --------
    >>> [layer.key for layer in layers_of(Electronics(counts=3_000.0, noise=0.001, wow=0.02))]
    ['wow', 'noise', 'converter']
    """
    found: list[Layer] = []
    if parts.coupling_sd > 0:
        found.append(Coupling(sd=parts.coupling_sd, range_m=parts.coupling_m))
    if parts.ringing > 0:
        found.append(Ringing(strength=parts.ringing, period_ns=parts.ringing_ns, decay_ns=parts.ringing_decay_ns))
    if parts.wow != 0:
        found.append(Wow(strength=parts.wow, decay_ns=parts.wow_ns))
    if parts.jitter_ns > 0:
        found.append(Jitter(sd_ns=parts.jitter_ns))
    if parts.noise > 0:
        found.append(ReceiverNoise(white=parts.noise))
    if parts.counts > 0:
        found.append(Converter(counts=parts.counts, bits=int(parts.full_scale).bit_length() + 1))
    return tuple(found)


def _swing(n: int, range_m: float, spacing_m: float, rng: np.random.Generator) -> Array:
    """(T,) of a smooth random line of mean square one."""
    steps = max(1.0, range_m / spacing_m) if spacing_m > 0 else 1.0
    swing = ndimage.gaussian_filter1d(rng.standard_normal(n), steps, mode="reflect")
    return np.asarray(swing / (math.sqrt(float((swing**2).mean())) or 1.0))


def _started(time: Array, rise_ns: float, decay_ns: float) -> Array:
    """An envelope that sets in at time zero and falls off after it."""
    return np.asarray(0.5 * (1.0 + np.tanh(time / rise_ns)) * np.exp(-np.maximum(time, 0.0) / decay_ns))


def _with_waveform(layer: Layer, amplitude: Float32, shape: Array, setting: LineSetting) -> tuple[Float32, LayerTruth]:
    """The line with one waveform added to every trace, given as a share of the direct wave."""
    waveform = (setting.loud * shape).astype(np.float32)
    told = layer.told(setting, values={"direct": setting.loud}, arrays={"waveform": waveform})
    return amplitude + waveform, told


def through_electronics(
    field: Float32, instrument: Instrument, parts: Electronics, spacing_m: float, rng: np.random.Generator
) -> Float32:
    """The field (T, S) as the instrument stores it: ringing, wow, coupling, jitter, noise and rounding in one go.

    The same is to be had in separate layers, each with its truth, from `layers_of`.
    """
    n_trace, n_time = field.shape
    time = instrument.interval_ns * np.arange(n_time) - instrument.zero_ns
    started = np.clip(time, 0.0, None)
    loud = np.abs(field).max(axis=1, keepdims=True)
    after = 0.5 * (1.0 + np.tanh(time / 1.5))
    ring = after * np.exp(-started / parts.ringing_decay_ns) * np.cos(2 * np.pi * time / parts.ringing_ns)
    slow = after * np.exp(-started / parts.wow_ns)
    signal = field + loud * (parts.ringing * ring + parts.wow * slow)
    steps = max(1.0, parts.coupling_m / spacing_m) if spacing_m > 0 else 1.0
    swing = ndimage.gaussian_filter1d(rng.standard_normal(n_trace), steps, mode="reflect")
    swing = swing / (swing.std() or 1.0)
    signal = signal * (1.0 + parts.coupling_sd * swing[:, None])
    if parts.jitter_ns > 0:
        late = np.asarray(rng.normal(0.0, parts.jitter_ns / instrument.interval_ns, n_trace))
        signal = _shifted(signal, late)
    signal = signal + parts.noise * rng.standard_normal(signal.shape)
    if parts.counts > 0:
        # Adding zero takes the sign off −0, which a recorder's integers do not have.
        signal = np.clip(np.rint(parts.counts * signal), -parts.full_scale - 1, parts.full_scale) + 0.0
    return signal.astype(np.float32)


def _shifted(signal: Array, samples: Array) -> Array:
    n = signal.shape[1]
    phase = np.exp(-2j * np.pi * np.fft.rfftfreq(2 * n)[None, :] * samples[:, None])
    return np.fft.irfft(np.fft.rfft(signal, 2 * n, axis=1) * phase, 2 * n, axis=1)[:, :n]
