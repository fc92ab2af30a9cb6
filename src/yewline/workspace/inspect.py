"""What a recorded line looks like before anything is done to it: dead, spiky and clipped traces, drift, noise."""

from __future__ import annotations

import numpy as np
import xarray as xr

from yewline.errors import InputError
from yewline.model import Finding
from yewline.recipe import section_of
from yewline.signal import clipped_traces, dead_traces, noise_level, spiky_traces, time_zero_drift

__all__ = ["faulty_traces", "inspect_line", "place_of"]


def faulty_traces(radargram: xr.DataArray) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """Indices of dead and spiky traces, which processing replaces by their neighbours."""
    amplitude = radargram.values
    return np.array(sorted({*dead_traces(amplitude).traces, *spiky_traces(amplitude).traces}), np.intp)


def inspect_line(radargram: xr.DataArray) -> list[Finding]:
    """Findings on one raw line, each with its trace numbers (from 1) and what to do."""
    line, visit = str(radargram.attrs.get("line", "")), str(radargram.attrs.get("visit", ""))
    amplitude = radargram.values
    section = section_of(radargram)
    findings = []

    def say(code: str, text: str, received: str, do: str, traces: tuple[int, ...] = ()) -> None:
        where = f"{place_of(radargram)}{_numbers(traces)}"
        findings.append(Finding("warning", code, text, where=where, received=received, do=do, visit=visit, line=line))

    dead = dead_traces(amplitude)
    if dead:
        text = f"{_count(dead.traces)} without signal"
        say("trace-dead", text, "", "replaced by their neighbours; walk the line again if many", dead.traces)
    spiky = spiky_traces(amplitude)
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
        say("time-zero-drift", text, f"{drift.drift_ns:.1f} ns", "corrected trace by trace; let the antenna warm up")
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
