"""Field faults to plant in clean recordings, each with its truth: for demonstrations and for testing checks."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_finite, check_positive
from yewline.errors import InputError

__all__ = ["FAULT_KINDS", "Fault", "FaultKind", "drift_time_zero", "kill_traces", "reverse_line", "spike_traces"]

Float32 = npt.NDArray[np.float32]

FaultKind = Literal[
    "time-zero-drift",
    "dead-trace",
    "spiky-trace",
    "duplicate-name",
    "gap",
    "wrong-sample-count",
    "reversed-line",
    "swapped-lines",
]
FAULT_KINDS: tuple[FaultKind, ...] = (
    "time-zero-drift",
    "dead-trace",
    "spiky-trace",
    "duplicate-name",
    "gap",
    "wrong-sample-count",
    "reversed-line",
    "swapped-lines",
)


@dataclass(frozen=True, slots=True)
class Fault:
    """One planted fault.

    Attributes
    ----------
    kind : one of `FAULT_KINDS`.
    visit, line : where.
    traces : traces of the line that it touches, counted from 1; empty for the whole line.
    other : a second line that it touches: the one swapped with, or the true name of the one misnamed.
    amount, unit : size of the fault.
    """

    kind: FaultKind
    visit: str
    line: str
    traces: tuple[int, ...] = ()
    other: str = ""
    amount: float = 1.0
    unit: str = "line"

    def as_dict(self) -> dict[str, Any]:
        """A plain dictionary for JSON."""
        return asdict(self)


def drift_time_zero(amplitude: npt.ArrayLike, *, interval_ns: float, drift_ns: float) -> Float32:
    """Let the start of the record drift evenly along the line: the last trace comes `drift_ns` late.

    Parameters
    ----------
    amplitude : (T, S).
    interval_ns : sample interval, ns.
    drift_ns : at the last trace; positive is later.

    Returns
    -------
    (T, S) float32, shifted by linear interpolation between samples; samples from before the record repeat the first.

    Examples
    --------
    >>> drift_time_zero([[0, 8, 0, 0], [0, 8, 0, 0]], interval_ns=0.5, drift_ns=0.5).tolist()
    [[0.0, 8.0, 0.0, 0.0], [0.0, 0.0, 8.0, 0.0]]
    """
    values = check_array(amplitude, "amplitude", ndim=2, dtype=np.float32)
    late = check_finite(drift_ns, "drift_ns") / check_positive(interval_ns, "interval_ns")
    n_trace, n_time = values.shape
    at = np.arange(n_time, dtype=np.float64)
    shifts = late * np.linspace(0.0, 1.0, n_trace) if n_trace > 1 else np.array([late])
    return np.stack([np.interp(at - shift, at, row) for row, shift in zip(values, shifts, strict=True)]).astype(
        np.float32
    )


def kill_traces(amplitude: npt.ArrayLike, traces: npt.ArrayLike) -> Float32:
    """Lose contact: the given traces (counted from 0) hold nothing but zeros.

    Examples
    --------
    >>> kill_traces([[1.0, 2.0], [3.0, 4.0]], [1]).tolist()
    [[1.0, 2.0], [0.0, 0.0]]
    """
    values = check_array(amplitude, "amplitude", ndim=2, dtype=np.float32).copy()
    values[_places(traces, len(values))] = 0.0
    return values


def spike_traces(
    amplitude: npt.ArrayLike,
    traces: npt.ArrayLike,
    *,
    height: float,
    seed: int | np.random.Generator,
    share: float = 0.04,
) -> Float32:
    """Put stray spikes into the given traces (counted from 0).

    Parameters
    ----------
    amplitude : (T, S).
    traces : which ones.
    height : of the largest spikes, in the samples' unit; signs are mixed.
    seed : of their places.
    share : of the samples that are spikes, at least three a trace.

    Examples
    --------
    >>> int((spike_traces(np.zeros((2, 100)), [0], height=9.0, seed=1) != 0).sum())
    4
    """
    values = check_array(amplitude, "amplitude", ndim=2, dtype=np.float32).copy()
    top = check_positive(height, "height")
    rng = np.random.default_rng(seed)
    n = max(3, round(share * values.shape[1]))
    for trace in _places(traces, len(values)):
        at = rng.choice(values.shape[1], min(n, values.shape[1]), replace=False)
        values[trace, at] = top * rng.uniform(0.6, 1.0, len(at)) * rng.choice([-1.0, 1.0], len(at))
    return values


def reverse_line(amplitude: npt.ArrayLike) -> Float32:
    """Walk the line from its other end without noting it.

    Examples
    --------
    >>> reverse_line([[1.0, 2.0], [3.0, 4.0]]).tolist()
    [[3.0, 4.0], [1.0, 2.0]]
    """
    values = check_array(amplitude, "amplitude", ndim=2, dtype=np.float32)
    return np.ascontiguousarray(values[::-1])


def _places(traces: npt.ArrayLike, n: int) -> npt.NDArray[np.int64]:
    at = np.atleast_1d(np.asarray(traces, dtype=np.int64))
    bad = at[(at < 0) | (at >= n)]
    if len(bad):
        raise InputError("there is no such trace", received=f"{bad[0]} of {n}", do="count traces from 0")
    return at
