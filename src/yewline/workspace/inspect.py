"""What a recorded line looks like before anything is done to it: dead, spiky and clipped traces, drift, noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

from yewline.errors import InputError
from yewline.model import Finding
from yewline.recipe import section_of
from yewline.signal import TraceFaults, clipped_traces, dead_traces, noise_level, spiky_traces, time_zero_drift

__all__ = ["LineFaults", "faulty_traces", "inspect_line", "line_faults", "place_of"]

Indices = np.ndarray[tuple[int], np.dtype[np.intp]]


@dataclass(frozen=True, slots=True)
class LineFaults:
    """Dead and spiky traces of a raw line."""

    dead: TraceFaults
    spiky: TraceFaults

    @property
    def traces(self) -> Indices:
        """Indices of both, which processing replaces by their neighbours."""
        return np.array(sorted({*self.dead.traces, *self.spiky.traces}), np.intp)


def line_faults(radargram: xr.DataArray) -> LineFaults:
    """Look for dead and spiky traces: the slowest look at a line, so that it is taken once."""
    return LineFaults(dead_traces(radargram.values), spiky_traces(radargram.values))


def faulty_traces(radargram: xr.DataArray) -> Indices:
    """Indices of dead and spiky traces, which processing replaces by their neighbours."""
    return line_faults(radargram).traces


def inspect_line(radargram: xr.DataArray, faults: LineFaults | None = None) -> list[Finding]:
    """Findings on one raw line, each with its trace numbers (from 1) and what to do; `faults` where they are known."""
    line, visit = str(radargram.attrs.get("line", "")), str(radargram.attrs.get("visit", ""))
    amplitude = radargram.values
    section = section_of(radargram)
    findings = []

    def say(code: str, text: str, received: str, do: str, traces: tuple[int, ...] = ()) -> None:
        where = f"{place_of(radargram)}{_numbers(traces)}"
        findings.append(Finding("warning", code, text, where=where, received=received, do=do, visit=visit, line=line))

    known = line_faults(radargram) if faults is None else faults
    dead, spiky = known.dead, known.spiky
    if dead:
        text = f"{_count(dead.traces)} without signal"
        say("trace-dead", text, "", "replaced by their neighbours; walk the line again if many", dead.traces)
    # A dead trace is unlike its neighbours in every way: it is named once.
    if wild := tuple(trace for trace in spiky.traces if trace not in dead.traces):
        text = f"{_count(wild)} with wild samples"
        received = f"up to {spiky.largest:.0f} times what is usual"
        say("trace-spiky", text, received, "replaced by their neighbours; look for a loose cable", wild)
    if clipped := clipped_traces(amplitude):
        text = f"{_count(clipped.traces)} cut off at full scale"
        say("trace-clipped", text, f"{clipped.samples} samples", "lower the receiver's gain", clipped.traces)
    try:
        drift = time_zero_drift(amplitude, section)
        noise = noise_level(amplitude, section)
    except InputError:
        # A section too short or too empty to judge has been named already.
        return findings
    if drift.drifting:
        text = "time zero drifts along the line"
        say(
            "time-zero-drift",
            text,
            f"{drift.drift_ns:.1f} ns",
            "the step time_zero corrects it trace by trace; let the antenna warm up",
        )
    if noise.usable_ns < 0.5 * noise.window_ns:
        text = f"nothing above the noise after {noise.usable_ns:.0f} of {noise.window_ns:.0f} ns"
        say("noise-early", text, "", "what lies deeper cannot be seen on this line")
    return findings


def place_of(radargram: xr.DataArray) -> str:
    """The recorded file of a line, relative to the site folder."""
    visit, file = (str(radargram.attrs.get(name, "")) for name in ("visit", "file"))
    return f"visits/{visit}/lines/{file}" if visit and file else file


def _count(traces: tuple[int, ...]) -> str:
    return "1 trace" if len(traces) == 1 else f"{len(traces)} traces"


def _numbers(traces: tuple[int, ...], most: int = 6) -> str:
    if not traces:
        return ""
    shown = ", ".join(str(trace + 1) for trace in traces[:most])
    return f", trace {shown}" + (" …" if len(traces) > most else "")
