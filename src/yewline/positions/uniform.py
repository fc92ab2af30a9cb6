"""Settings that should not differ between the lines of a visit, or between visits."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import xarray as xr

from yewline.errors import InputError
from yewline.model import Finding, interval_ns, spacing_m

__all__ = ["LineSettings", "line_settings", "settings_findings"]


@dataclass(frozen=True, slots=True)
class LineSettings:
    """How one line was recorded; None where it is not known.

    Attributes
    ----------
    interval_ns, samples, window_ns : sample interval, samples of a trace, length of the record.
    start_ns : time of the first sample.
    trace_spacing_m : distance between traces; what varies by a twentieth is alike.
    centre_mhz, separation_m : antenna.
    gain, stacking : of the receiver, as the file says.
    """

    interval_ns: float
    samples: int
    window_ns: float
    start_ns: float
    trace_spacing_m: float
    centre_mhz: float | None = None
    separation_m: float | None = None
    gain: str | None = None
    stacking: str | None = None


_WORDS = {
    "interval_ns": ("sample interval", "ns", 1e-4),
    "samples": ("number of samples", "", 0.0),
    "window_ns": ("time window", "ns", 1e-4),
    "start_ns": ("time of the first sample", "ns", 1e-4),
    "trace_spacing_m": ("distance between traces", "m", 0.05),
    "centre_mhz": ("centre frequency", "MHz", 1e-4),
    "separation_m": ("antenna separation", "m", 1e-4),
    "gain": ("receiver's gain", "", 0.0),
    "stacking": ("stacking", "", 0.0),
}
_EFFECT = {
    "gain": "strengths cannot be compared: bring both to one gain, or record again",
    "stacking": "noise levels differ: strengths can be compared, limits of detection cannot",
    "trace_spacing_m": "check the wheel and the trigger; resample to equal distance",
    "centre_mhz": "strengths and depths cannot be compared: process them apart",
    "separation_m": "time zero and shallow depths differ: process them apart",
}


def line_settings(radargram: xr.DataArray) -> LineSettings:
    """Read what a radargram says of its settings.

    Examples
    --------
    >>> from yewline.model import make_radargram
    >>> import numpy as np
    >>> line = make_radargram(np.zeros((5, 100)), interval_ns=0.5, x=0.1 * np.arange(5), y=np.zeros(5))
    >>> line_settings(line).window_ns
    50.0
    """
    step, count = interval_ns(radargram), int(radargram.sizes["time"])

    def number(name: str) -> float | None:
        value = radargram.attrs.get(name)
        return None if value is None else float(value)

    def text(name: str) -> str | None:
        value = radargram.attrs.get(name)
        return None if value is None else str(value)

    return LineSettings(
        interval_ns=step,
        samples=count,
        window_ns=step * count,
        start_ns=float(radargram["time"][0]),
        trace_spacing_m=spacing_m(radargram),
        centre_mhz=number("centre_mhz"),
        separation_m=number("separation_m"),
        gain=text("gain"),
        stacking=text("stacking"),
    )


def settings_findings(visits: Mapping[str, Mapping[str, LineSettings]]) -> list[Finding]:
    """Lines that differ from most of their visit, and visits that differ from the first.

    Parameters
    ----------
    visits : visit to its lines' settings, by line.

    Returns
    -------
    findings : a warning for each line and setting, then for each visit and setting. Where samples differ because the
        interval or the window does, only these are told.

    Raises
    ------
    InputError : a visit without lines.

    Examples
    --------
    >>> usual = LineSettings(0.5, 100, 50.0, 0.0, 0.1)
    >>> odd = LineSettings(0.4, 125, 50.0, 0.0, 0.1)
    >>> found = settings_findings({"may": {"L1": usual, "L2": usual, "L3": odd}})
    >>> [(f.line, f.text, f.received) for f in found]
    [('L3', 'the sample interval differs from that of the other lines', '0.4 ns instead of 0.5 ns')]
    """
    findings = []
    usual: dict[str, dict[str, float | str]] = {}
    for visit, lines in visits.items():
        if not lines:
            raise InputError("a visit without lines has no settings", received=visit)
        usual[visit] = {name: most for name in _WORDS if (most := _most(lines, name)) is not None}
        for line, settings in lines.items():
            for name in _differing(settings, usual[visit]):
                value = getattr(settings, name)
                findings.append(_told(name, value, usual[visit][name], "that of the other lines", visit, line))
    first = next(iter(usual), "")
    for visit, settings_of in list(usual.items())[1:]:
        differing = [n for n in _WORDS if _unlike(n, settings_of.get(n), usual[first].get(n))]
        for name in _telling(differing):
            told = _told(name, settings_of[name], usual[first][name], f"that of visit {first}", visit, "")
            findings.append(told)
    return findings


def _most(lines: Mapping[str, LineSettings], name: str) -> float | str | None:
    """The commonest value; of equally common ones, that of the earlier line."""
    known = [value for settings in lines.values() if (value := getattr(settings, name)) is not None]
    if not known:
        return None
    keys = [round(value, 6) if isinstance(value, float) and name != "trace_spacing_m" else value for value in known]
    if name == "trace_spacing_m":
        return float(sorted(known)[len(known) // 2])
    best = Counter(keys).most_common(1)[0][0]
    found: float | str = known[keys.index(best)]
    return found


def _unlike(name: str, value: float | str | None, other: float | str | None) -> bool:
    if value is None or other is None:
        return False
    if isinstance(value, str) or isinstance(other, str):
        return value != other
    return abs(value - other) > _WORDS[name][2] * max(abs(value), abs(other), 1e-9)


def _differing(settings: LineSettings, usual: Mapping[str, float | str]) -> list[str]:
    return _telling([name for name in _WORDS if _unlike(name, getattr(settings, name), usual.get(name))])


def _telling(differing: list[str]) -> list[str]:
    """Without what only follows from another difference: samples are window over interval."""
    if "samples" in differing and ("interval_ns" in differing or "window_ns" in differing):
        differing = [name for name in differing if name != "samples"]
    return differing


def _told(name: str, value: float | str, other: float | str, than: str, visit: str, line: str) -> Finding:
    word, unit, _ = _WORDS[name]
    shown, usual = (f"{v:g} {unit}".rstrip() if not isinstance(v, str) else v for v in (value, other))
    return Finding(
        "warning",
        f"settings-{name.replace('_', '-')}",
        f"the {word} differs from {than}",
        received=f"{shown} instead of {usual}",
        do=_EFFECT.get(name, "check the instrument's settings; they should stay as they are over all visits"),
        visit=visit,
        line=line,
    )
