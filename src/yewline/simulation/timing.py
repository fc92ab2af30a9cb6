"""Traces that do not start when they should, as layers: drift along the line, and jitter from trace to trace."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import numpy.typing as npt
from scipy import fft

from yewline._check import check_array, check_in_range, check_positive
from yewline.errors import InputError
from yewline.simulation.faults import Fault
from yewline.simulation.layers import LayerTruth, LineSetting, SignalLayer

__all__ = ["Drift", "Jitter", "delay_traces"]

Float32 = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift(SignalLayer):
    """Time zero that moves along a line as cables and electronics change their temperature; positive is later.

    Attributes
    ----------
    linear_ns : even change from the first trace to the last.
    walk_ns : standard deviation, at the last trace, of a random walk that starts at zero.
    warm_ns, warm_m : a settling that approaches `warm_ns` and has all but 1/e of it after `warm_m`.
    """

    kind: ClassVar[str] = "drift"
    linear_ns: float = 0.0
    walk_ns: float = 0.0
    warm_ns: float = 0.0
    warm_m: float = 10.0

    def __post_init__(self) -> None:
        check_in_range(self.linear_ns, "linear_ns", -100.0, 100.0)
        check_in_range(self.walk_ns, "walk_ns", 0.0, 100.0)
        check_in_range(self.warm_ns, "warm_ns", -100.0, 100.0)
        check_positive(self.warm_m, "warm_m")

    @property
    def rank(self) -> int:
        """It moves the sampler against the transmitter: all that the transmitter caused moves with it."""
        return 50

    def apply(self, amplitude: Float32, setting: LineSetting, rng: np.random.Generator) -> tuple[Float32, LayerTruth]:
        """The line with each trace delayed by its drift."""
        n = len(amplitude)
        walk = np.concatenate([[0.0], np.cumsum(rng.standard_normal(n - 1))]) / math.sqrt(max(1, n - 1))
        settled = 1.0 - np.exp(-setting.spacing_m * np.arange(n) / self.warm_m)
        drift = self.linear_ns * np.linspace(0.0, 1.0, n) + self.walk_ns * walk + self.warm_ns * settled
        size = round(float(np.ptp(drift)), 3)
        fault = Fault("time-zero-drift", setting.visit, setting.line, amount=size, unit="ns over the line")
        moved = delay_traces(amplitude, drift, interval_ns=setting.interval_ns)
        return moved, self.told(setting, faults=(fault,) if size > 0 else (), arrays={"drift_ns": drift})


@dataclass(frozen=True, slots=True, kw_only=True)
class Jitter(SignalLayer):
    """A start time that is a little different in every trace.

    Attributes
    ----------
    sd_ns : its standard deviation.
    """

    kind: ClassVar[str] = "jitter"
    sd_ns: float

    def __post_init__(self) -> None:
        check_in_range(self.sd_ns, "sd_ns", 0.0, 100.0)

    @property
    def rank(self) -> int:
        """With the drift."""
        return 60

    def apply(self, amplitude: Float32, setting: LineSetting, rng: np.random.Generator) -> tuple[Float32, LayerTruth]:
        """The line with each trace delayed by its jitter."""
        late = self.sd_ns * rng.standard_normal(len(amplitude))
        moved = delay_traces(amplitude, late, interval_ns=setting.interval_ns)
        return moved, self.told(setting, arrays={"jitter_ns": late})


def delay_traces(amplitude: npt.ArrayLike, late_ns: npt.ArrayLike, *, interval_ns: float) -> Float32:
    """Delay each trace by its own time, which may be parts of a sample.

    Parameters
    ----------
    amplitude : (T, S).
    late_ns : (T,) positive is later.
    interval_ns : sample interval, ns.

    Returns
    -------
    (T, S) float32. Before the record and after it a trace is taken to fade from its first and last sample to zero.

    Raises
    ------
    InputError : not one delay a trace, or one longer than the record.

    Examples
    --------
    >>> abs(delay_traces([[0, 0, 8, 0, 0, 0]], [1.0], interval_ns=0.5)).round(4).tolist()
    [[0.0, 0.0, 0.0, 0.0, 8.0, 0.0]]
    """
    values = check_array(amplitude, "amplitude", ndim=2, dtype=np.float32)
    late = check_array(late_ns, "late_ns", ndim=1) / check_positive(interval_ns, "interval_ns")
    n_trace, n_time = values.shape
    if len(late) != n_trace:
        raise InputError("there must be one delay for each trace", received=f"{len(late)} for {n_trace} traces")
    if np.abs(late).max() >= n_time:
        raise InputError(
            "a trace cannot be delayed by more than the record",
            received=f"{np.abs(late).max() * interval_ns:g} ns on {n_time * interval_ns:g} ns",
        )
    if not late.any():
        return values.copy()
    pad = math.ceil(float(np.abs(late).max())) + 32
    long = int(fft.next_fast_len(n_time + 2 * pad, real=True))
    fade = 0.5 - 0.5 * np.cos(np.pi * (np.arange(pad) + 0.5) / pad)
    padded = np.zeros((n_trace, long))
    padded[:, :pad] = values[:, :1] * fade
    padded[:, pad : pad + n_time] = values
    padded[:, pad + n_time : n_time + 2 * pad] = values[:, -1:] * fade[::-1]
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(long) * late[:, None])
    moved = np.fft.irfft(np.fft.rfft(padded, axis=1) * turn, long, axis=1)[:, pad : pad + n_time]
    return np.ascontiguousarray(moved, dtype=np.float32)
