"""A recorded file as its reader hands it on: samples, what its headers say, and what was assumed."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from yewline.model.finding import Finding

__all__ = ["ReadHints", "Recording"]


@dataclass(frozen=True, slots=True)
class ReadHints:
    """What the surveyor declared about files that do not say it themselves (from `visit.toml`).

    `interval_unit` says what a SEG-Y integer interval counts: "us" (the standard) or "ps" (picoseconds).
    """

    interval_ns: float | None = None
    interval_unit: str | None = None


@dataclass(frozen=True, slots=True)
class Recording:
    """One recorded file.

    Attributes
    ----------
    amplitude : (trace, sample) float32, C order, as recorded: no gain, no shift, NaN kept.
    interval_ns : sample interval, or None where neither the file nor the hints give it.
    interval_source : where `interval_ns` came from, in words for the import report.
    format : the reader's name in the registry.
    delay_ns : time of the first sample.
    x, y : (trace,) coordinates from the headers, in the units and system `coordinates` names; or None.
    coordinates : e.g. "length, as in the file" or "degrees"; empty without coordinates.
    line : (trace,) line label of each trace where one file holds many lines, or None.
    headers : further header fields used, by name: (trace,) arrays.
    notes : what was found and assumed while reading.
    """

    amplitude: npt.NDArray[np.float32]
    interval_ns: float | None
    interval_source: str
    format: str
    delay_ns: float = 0.0
    x: npt.NDArray[np.float64] | None = None
    y: npt.NDArray[np.float64] | None = None
    coordinates: str = ""
    line: npt.NDArray[np.str_] | None = None
    headers: dict[str, npt.NDArray[np.generic]] = field(default_factory=dict)
    notes: tuple[Finding, ...] = ()
