"""What a run corrected on single lines, before and after: drift of time zero, and faulty traces."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline.errors import InputError
from yewline.model import Finding
from yewline.recipe import section_of
from yewline.signal import pick_time_zero, shift_by, time_zero_drift
from yewline.workspace.inspect import faulty_traces, line_faults
from yewline.workspace.load import load_lines
from yewline.workspace.site import Site, Visit
from yewline.workspace.stage_lines import mend_line

__all__ = ["CORRECTED", "Correction", "correction_of", "corrections_of"]

CORRECTED: Final[Mapping[str, str]] = {
    "time-zero-drift": "drift",
    "trace-dead": "traces",
    "trace-spiky": "traces",
}
"""Codes of findings that a run corrects by itself, and how."""
EARLY_PERIODS: Final = 10.0
"""Of the centre frequency: the part of the record that shows the direct wave."""
BESIDE: Final = 40
"""Traces shown to both sides of what was mended."""
MOST_SHOWN: Final = 300
"""Traces shown from the first faulty one on."""


@dataclass(frozen=True)
class Correction:
    """One correction of one line.

    Attributes
    ----------
    line : its name.
    kind : "drift" (time zero set trace by trace) or "traces" (replaced by their neighbours).
    before, after : of the drift in ns, or the number of faulty traces.
    raw, mended : (T, S) the stretch that shows it best, as recorded and as corrected.
    distance_m, time_ns : (T,) and (S,) of that stretch; times as recorded.
    """

    line: str
    kind: str
    before: float
    after: float
    raw: npt.NDArray[np.float32]
    mended: npt.NDArray[np.float32]
    distance_m: npt.NDArray[np.float64]
    time_ns: npt.NDArray[np.float64]


def corrections_of(
    site: Site, visit: Visit, findings: Iterable[Finding], *, zero: Mapping[str, Any] | None
) -> tuple[Correction, ...]:
    """Corrections of a visit, as its findings name them; only the lines concerned are read again.

    Parameters
    ----------
    findings : those of the visit count.
    zero : parameters of the recipe's `time_zero`; None where it has none, and drift stays as it was.
    """
    wanted: dict[tuple[str, str], None] = {}
    for finding in findings:
        kind = CORRECTED.get(finding.code, "") if finding.visit == visit.name and finding.line else ""
        if kind and (zero is not None or kind != "drift"):
            wanted.setdefault((finding.line, kind))
    raw = load_lines(site, visit, {line for line, _ in wanted})
    made = (correction_of(raw[line], kind, zero or {}) for line, kind in sorted(wanted) if line in raw)
    return tuple(correction for correction in made if correction is not None)


def correction_of(raw: xr.DataArray, kind: str, zero: Mapping[str, Any]) -> Correction | None:
    """One line before and after; None where nothing can be told of it.

    Parameters
    ----------
    raw : the line as recorded.
    kind : "drift" or "traces".
    zero : parameters of the recipe's `time_zero`, None among them for what follows from the antenna.
    """
    try:
        return _drift(raw, zero) if kind == "drift" else _traces(raw)
    except InputError:
        # A line too short or too silent to be judged was not corrected either.
        return None


def _drift(raw: xr.DataArray, parameters: Mapping[str, Any]) -> Correction:
    section = section_of(raw)
    mended = mend_line(raw).values
    zero = pick_time_zero(mended, section, **{name: value for name, value in parameters.items() if value is not None})
    # Moved to the line's typical time zero, so that the direct wave can be seen.
    level = shift_by(mended, (zero - np.median(zero)) / section.interval_ns)
    samples = _early(float(np.median(zero)) + EARLY_PERIODS * section.period_ns, raw)
    before, after = (time_zero_drift(values, section).drift_ns for values in (mended, level))
    return _correction(raw, "drift", (before, after), level, slice(None), slice(0, samples))


def _traces(raw: xr.DataArray) -> Correction | None:
    faults = line_faults(raw)
    bad = faults.traces
    if len(bad) == 0:
        return None
    mended = mend_line(raw, faults)
    left = len(np.intersect1d(faulty_traces(mended), bad))
    near = slice(max(0, int(bad[0]) - BESIDE), min(int(bad[-1]), int(bad[0]) + MOST_SHOWN) + BESIDE + 1)
    return _correction(raw, "traces", (float(len(bad)), float(left)), mended.values, near, slice(None))


def _early(until_ns: float, raw: xr.DataArray) -> int:
    return int(np.clip(round(until_ns / section_of(raw).interval_ns), 8, raw.sizes["time"]))


def _correction(
    raw: xr.DataArray,
    kind: str,
    sizes: tuple[float, float],
    mended: npt.NDArray[np.float32],
    traces: slice,
    samples: slice,
) -> Correction:
    return Correction(
        str(raw.attrs["line"]),
        kind,
        *sizes,
        np.array(raw.values[traces, samples], np.float32),
        np.array(mended[traces, samples], np.float32),
        raw["distance"].values[traces].astype(np.float64),
        raw["time"].values[samples].astype(np.float64),
    )
