"""Field faults to plant in clean recordings, each with its truth: for demonstrations and for testing checks."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_finite, check_positive
from yewline.errors import InputError

__all__ = [
    "FAULT_KINDS",
    "LEDGER_KINDS",
    "Fault",
    "FaultKind",
    "StoredLine",
    "draw_ledger_faults",
    "drift_time_zero",
    "kill_traces",
    "muddle_lines",
    "reverse_line",
    "spike_traces",
]

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
LEDGER_KINDS: tuple[FaultKind, ...] = ("gap", "duplicate-name", "reversed-line", "swapped-lines")
"""Faults of a whole line among the others of its visit."""


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


@dataclass(frozen=True, slots=True, eq=False)
class StoredLine:
    """A line as it stands in the folder after all that befell it.

    Attributes
    ----------
    name : under which it is stored.
    amplitude : (T, S).
    walked : name of the planned line that was truly walked.
    turned : whether it was walked from the other end than noted.
    """

    name: str
    amplitude: Float32
    walked: str
    turned: bool = False


def muddle_lines(lines: Mapping[str, npt.ArrayLike], faults: Iterable[Fault]) -> tuple[StoredLine, ...]:
    """Let whole-line faults befall the lines of one visit: left out, misnamed, turned round, swapped.

    Parameters
    ----------
    lines : name to amplitude (T, S), in the order walked.
    faults : of `LEDGER_KINDS`; others are passed over. A "gap" leaves `line` out; "duplicate-name" stores `other`
        under the name `line` too; "reversed-line" turns `line` round; "swapped-lines" stores `line` and `other` under
        each other's name.

    Returns
    -------
    The lines stored, in the order walked.

    Raises
    ------
    InputError : a fault names a line that is not there, or that another fault has touched already.

    Examples
    --------
    >>> lines = {name: [[float(n)]] for n, name in enumerate(("L1", "L2", "L3"))}
    >>> stored = muddle_lines(lines, [Fault("swapped-lines", "dry", "L1", other="L3"), Fault("gap", "dry", "L2")])
    >>> [(line.name, line.walked) for line in stored]
    [('L3', 'L1'), ('L1', 'L3')]
    """
    stored = {
        name: StoredLine(name, check_array(data, f"amplitude of {name}", ndim=2, dtype=np.float32), name)
        for name, data in lines.items()
    }
    touched: set[str] = set()
    for fault in faults:
        if fault.kind not in LEDGER_KINDS:
            continue
        for name in (fault.line, fault.other):
            if name and name not in lines:
                raise InputError(f"a fault of kind {fault.kind} names a line that is not there", received=name)
            if name in touched:
                raise InputError("two faults touch one line", received=name, do="give each a line of its own")
        if fault.kind in ("duplicate-name", "swapped-lines") and fault.other in ("", fault.line):
            raise InputError(f"a fault of kind {fault.kind} needs a second line", received=repr(fault.other))
        touched |= {fault.line, fault.other} - {""}
        if fault.kind == "gap":
            del stored[fault.line]
        elif fault.kind == "duplicate-name":
            stored[fault.other] = replace(stored[fault.other], name=fault.line)
        elif fault.kind == "reversed-line":
            line = stored[fault.line]
            stored[fault.line] = replace(line, amplitude=reverse_line(line.amplitude), turned=True)
        else:
            stored[fault.line] = replace(stored[fault.line], name=fault.other)
            stored[fault.other] = replace(stored[fault.other], name=fault.line)
    return tuple(stored.values())


def draw_ledger_faults(
    names: Iterable[str], kinds: Iterable[FaultKind], *, visit: str, seed: int | np.random.Generator
) -> tuple[Fault, ...]:
    """Draw which lines whole-line faults befall: no two on the same or neighbouring lines, none on the outermost.

    Parameters
    ----------
    names : of the lines, in the order walked.
    kinds : one for each fault wanted, of `LEDGER_KINDS`. Lines swapped are two apart, so that both were walked the
        same way; the line misnamed is given the name of the one walked before it.
    visit : its name.
    seed : of the draw.

    Raises
    ------
    InputError : a kind that is none of `LEDGER_KINDS`, or too few lines.

    Examples
    --------
    >>> drawn = draw_ledger_faults([f"L{n}" for n in range(9)], ["gap"], visit="dry", seed=1)
    >>> drawn[0].kind, drawn[0].line in {f"L{n}" for n in range(1, 8)}
    ('gap', True)
    """
    lines, rng = list(names), np.random.default_rng(seed)
    touched: set[int] = set()
    faults = []
    for kind in kinds:
        if kind not in LEDGER_KINDS:
            raise InputError(f"kind must be one of {', '.join(LEDGER_KINDS)}", received=repr(kind))
        reach = {"swapped-lines": (0, 2), "duplicate-name": (-1, 0)}.get(kind, (0, 0))
        free = [
            n
            for n in range(1 - reach[0], len(lines) - 1 - reach[1])
            if not touched & set(range(n + reach[0] - 1, n + reach[1] + 2))
        ]
        if not free:
            raise InputError(
                "there are too few lines for so many faults",
                received=f"{len(lines)} lines",
                do="ask for fewer faults, or survey more lines",
            )
        at = int(rng.choice(free))
        touched |= {at + reach[0], at, at + reach[1]}
        if kind == "duplicate-name":
            faults.append(Fault(kind, visit, lines[at - 1], other=lines[at]))
        elif kind == "swapped-lines":
            faults.append(Fault(kind, visit, lines[at], other=lines[at + 2], amount=2, unit="lines"))
        else:
            faults.append(Fault(kind, visit, lines[at]))
    return tuple(faults)


def _places(traces: npt.ArrayLike, n: int) -> npt.NDArray[np.int64]:
    at = np.atleast_1d(np.asarray(traces, dtype=np.int64))
    bad = at[(at < 0) | (at >= n)]
    if len(bad):
        raise InputError("there is no such trace", received=f"{bad[0]} of {n}", do="count traces from 0")
    return at
