"""What comes in from outside or from the receiver itself, as layers: noise, interference, spikes, dead traces."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import numpy.typing as npt

from yewline._check import check_in_range, check_positive
from yewline.errors import InputError
from yewline.simulation.faults import Fault, FaultKind, kill_traces, spike_traces
from yewline.simulation.layers import LayerTruth, LineSetting, SignalLayer, check_count

__all__ = ["Bursts", "DeadTraces", "ReceiverNoise", "Spikes", "Transmitter"]

Array = npt.NDArray[np.float64]
Float32 = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiverNoise(SignalLayer):
    """Noise of the receiver, normal, fresh in every trace.

    Attributes
    ----------
    white : standard deviation of its white part, in the field's unit.
    coloured : standard deviation of its coloured part.
    exponent : of the coloured part: its power falls with frequency to this power; 1 is flicker noise.

    Notes
    -----
    The coloured part is drawn over twice the record's length and cut, so that its two ends are not tied together; its
    slowest wave is as long as that.
    """

    kind: ClassVar[str] = "noise"
    white: float
    coloured: float = 0.0
    exponent: float = 1.0

    def __post_init__(self) -> None:
        check_in_range(self.white, "white", 0.0, 1e30)
        check_in_range(self.coloured, "coloured", 0.0, 1e30)
        check_in_range(self.exponent, "exponent", 0.0, 4.0)

    @property
    def rank(self) -> int:
        """After interference, which comes in before the receiver."""
        return 80

    def apply(self, amplitude: Float32, setting: LineSetting, rng: np.random.Generator) -> tuple[Float32, LayerTruth]:
        """The line with noise added."""
        noise = self.draw(amplitude.shape[0], amplitude.shape[1], rng)
        told = {"noise": float(noise.std())}
        return (amplitude + noise).astype(np.float32), self.told(setting, values=told)

    def draw(self, traces: int, samples: int, rng: np.random.Generator) -> Array:
        """(T, S) of the noise alone."""
        noise = self.white * rng.standard_normal((traces, samples))
        long = 2 * samples
        shape = np.zeros(samples + 1)
        shape[1:samples] = np.arange(1, samples, dtype=np.float64) ** (-0.5 * self.exponent)
        total = float((shape**2).sum())
        if self.coloured > 0 and total > 0:
            # Each term of the real series adds 2|a|²/N² to the variance; a standard complex normal has |a|² of two.
            shape *= self.coloured * long / np.sqrt(4.0 * total)
            drawn = rng.standard_normal((2, traces, samples + 1))
            noise += np.fft.irfft(shape * (drawn[0] + 1j * drawn[1]), long, axis=1)[:, :samples]
        return noise


@dataclass(frozen=True, slots=True, kw_only=True)
class Transmitter(SignalLayer):
    """A narrow-band transmitter nearby, a radio or telephone, as a receiver that samples in real time records it.

    Attributes
    ----------
    frequency_mhz : its carrier; beyond the Nyquist frequency it appears folded back, as it would.
    level : amplitude of the carrier, in the field's unit.
    bandwidth_mhz : width at half power; 0 is a pure tone in each trace.
    share : of the line over which it is on, in one stretch, 0 to 1.

    Notes
    -----
    Its phase is new in every trace, for nothing ties it to the survey's own clock. With a bandwidth, the phase walks
    at random: the spectrum is then a Lorentz line.
    """

    kind: ClassVar[str] = "transmitter"
    frequency_mhz: float
    level: float
    bandwidth_mhz: float = 0.0
    share: float = 1.0

    def __post_init__(self) -> None:
        check_positive(self.frequency_mhz, "frequency_mhz")
        check_in_range(self.level, "level", 0.0, 1e30)
        check_in_range(self.bandwidth_mhz, "bandwidth_mhz", 0.0, self.frequency_mhz)
        check_in_range(self.share, "share", 0.0, 1.0)

    @property
    def rank(self) -> int:
        """It comes in through the antenna, and keeps no time with the survey: after drift and jitter."""
        return 70

    def apply(self, amplitude: Float32, setting: LineSetting, rng: np.random.Generator) -> tuple[Float32, LayerTruth]:
        """The line with the carrier added."""
        n_trace, n_time = amplitude.shape
        length = round(self.share * n_trace)
        first = int(rng.integers(0, n_trace - length + 1))
        on = np.zeros(n_trace, bool)
        on[first : first + length] = True
        phase = np.asarray(rng.uniform(0.0, 2.0 * np.pi, n_trace))
        turn = 2e-3 * np.pi * self.frequency_mhz * setting.interval_ns * np.arange(n_time) + phase[:, None]
        # Δν = D/2π at half power, D the growth of the phase's variance a unit of time.
        step = np.sqrt(2e-3 * np.pi * self.bandwidth_mhz * setting.interval_ns)
        turn = turn + step * np.cumsum(rng.standard_normal((n_trace, n_time)), axis=1)
        carrier = np.where(on[:, None], self.level * np.cos(turn), 0.0)
        told = self.told(setting, arrays={"on": on, "phase_rad": phase})
        return (amplitude + carrier).astype(np.float32), told


@dataclass(frozen=True, slots=True, kw_only=True)
class Bursts(SignalLayer):
    """Impulsive interference: sparks, switches, ignition; each burst falls into one trace.

    Attributes
    ----------
    per_100_traces : how many, on average (Poisson).
    height : largest swing of each, in the field's unit.
    length_ns : in which it falls to 1/e.
    """

    kind: ClassVar[str] = "bursts"
    per_100_traces: float
    height: float
    length_ns: float = 5.0

    def __post_init__(self) -> None:
        check_in_range(self.per_100_traces, "per_100_traces", 0.0, 1e3)
        check_in_range(self.height, "height", 0.0, 1e30)
        check_positive(self.length_ns, "length_ns")

    @property
    def rank(self) -> int:
        """It comes in through the antenna, as the transmitter does."""
        return 75

    def apply(self, amplitude: Float32, setting: LineSetting, rng: np.random.Generator) -> tuple[Float32, LayerTruth]:
        """The line with the bursts added."""
        n_trace, n_time = amplitude.shape
        n = int(rng.poisson(self.per_100_traces * n_trace / 100.0))
        trace, start = rng.integers(0, n_trace, n), rng.integers(0, n_time, n)
        since = setting.interval_ns * (np.arange(n_time) - start[:, None])
        shape = rng.standard_normal((n, n_time)) * np.where(since >= 0, np.exp(-since.clip(0.0) / self.length_ns), 0.0)
        top = np.abs(shape).max(axis=1, keepdims=True)
        added = (self.height * shape / np.where(top > 0, top, 1.0)).astype(np.float32)
        loud = amplitude.copy()
        np.add.at(loud, trace, added)
        start_ns = setting.interval_ns * start
        return loud, self.told(setting, arrays={"trace": trace, "start_ns": start_ns, "added": added})


@dataclass(frozen=True, slots=True, kw_only=True)
class Spikes(SignalLayer):
    """Traces with single wild samples, as a bad connector makes them.

    Attributes
    ----------
    count : traces hit, at places drawn at random.
    traces : or these, counted from 1, and no others.
    height : of the largest spikes, as a share of the direct wave's largest swing.
    share : of a trace's samples that are spikes, at least three.
    """

    kind: ClassVar[str] = "spikes"
    count: int = 0
    traces: tuple[int, ...] = ()
    height: float = 1.0
    share: float = 0.04

    def __post_init__(self) -> None:
        _check_traces(self.count, self.traces)
        check_positive(self.height, "height")
        check_in_range(self.share, "share", 0.0, 1.0)

    @property
    def rank(self) -> int:
        """After all noise, before conversion: full scale holds for spikes too."""
        return 85

    def apply(self, amplitude: Float32, setting: LineSetting, rng: np.random.Generator) -> tuple[Float32, LayerTruth]:
        """The line with its spikes; the truth keeps the samples that they took the place of."""
        at = _places(len(amplitude), self.count, 1, self.traces, rng)
        if not len(at) or setting.loud == 0.0:
            return amplitude.copy(), self.told(setting)
        wild = spike_traces(amplitude, at, height=self.height * setting.loud, seed=rng, share=self.share)
        trace, sample = np.nonzero(wild != amplitude)
        told = self.told(
            setting,
            faults=(_fault("spiky-trace", setting, at),),
            arrays={"trace": trace, "sample": sample, "replaced": amplitude[trace, sample]},
        )
        return wild, told


@dataclass(frozen=True, slots=True, kw_only=True)
class DeadTraces(SignalLayer):
    """Traces that hold nothing: contact lost for a moment.

    Attributes
    ----------
    count : times that it happens, at places drawn at random.
    run : traces lost each time.
    traces : or these, counted from 1, and no others.
    """

    kind: ClassVar[str] = "dead-traces"
    count: int = 0
    run: int = 1
    traces: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        _check_traces(self.count, self.traces)
        check_count(self.run, "run", 1)

    @property
    def rank(self) -> int:
        """After all that a trace could hold."""
        return 90

    def apply(self, amplitude: Float32, setting: LineSetting, rng: np.random.Generator) -> tuple[Float32, LayerTruth]:
        """The line with those traces at zero."""
        at = _places(len(amplitude), self.count, self.run, self.traces, rng)
        if not len(at):
            return amplitude.copy(), self.told(setting)
        told = self.told(setting, faults=(_fault("dead-trace", setting, at),), arrays={"trace": at})
        return kill_traces(amplitude, at), told


def _check_traces(count: int, traces: tuple[int, ...]) -> None:
    check_count(count, "count")
    for number in traces:
        check_count(number, "number of a trace")
    if count and traces:
        raise InputError(
            "give either a count or the traces", received=f"count {count} and {len(traces)} traces", do="drop one"
        )


def _places(n: int, count: int, run: int, traces: tuple[int, ...], rng: np.random.Generator) -> npt.NDArray[np.int64]:
    """Traces hit, from 0: those named, or runs that neither touch nor overlap, drawn at random."""
    if traces:
        named = np.unique(np.asarray(traces, np.int64))
        if named[0] < 1 or named[-1] > n:
            raise InputError(
                "there is no such trace",
                received=f"{named[0] if named[0] < 1 else named[-1]} of {n}",
                do="count traces from 1",
            )
        return named - 1
    if count == 0:
        return np.zeros(0, np.int64)
    free = n - count * (run + 1) + 1
    if free < 0:
        raise InputError(
            "the line is too short for so many faulty traces",
            received=f"{count} times {run} of {n}",
            do=f"ask for {(n + 1) // (run + 1)} times or fewer",
        )
    # Runs with a trace between them, taken out of the line, leave places that can be drawn freely.
    first = np.sort(rng.choice(free + count, count, replace=False)) + run * np.arange(count)
    return (first[:, None] + np.arange(run)).ravel()


def _fault(kind: FaultKind, setting: LineSetting, at: npt.NDArray[np.int64]) -> Fault:
    traces = tuple((at + 1).tolist())
    return Fault(kind, setting.visit, setting.line, traces, amount=float(len(traces)), unit="traces")
