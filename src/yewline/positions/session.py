"""A session's lines one after another: how time zero drifts and steps, and how noise and penetration change."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline._check import check_array, check_positive
from yewline.model import Finding, interval_ns, spacing_m
from yewline.signal import NoiseLevel, Section, noise_level, pick_time_zero
from yewline.signal.session_drift import session_drift
from yewline.units import Z90

__all__ = [
    "LineNoise",
    "line_noise",
    "line_time_zero_ns",
    "noise_findings",
    "session_findings",
]

F64 = npt.NDArray[np.float64]

FEWEST_LINES = 5
LIMIT_NS = 0.5
STEP_NS = 0.2
SAMPLE_TRACES = 200
NOISE_TIMES = 3.0
SHALLOW_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class LineNoise:
    """Noise and penetration of one line beside those of its visit.

    Attributes
    ----------
    level : as measured.
    times : its noise over the visit's median.
    share : time until which the ground answers, over the visit's median.
    """

    level: NoiseLevel
    times: float
    share: float


def line_time_zero_ns(radargram: xr.DataArray) -> float:
    """Time zero of a whole line, ns after the first sample: the median over its traces.

    Raises
    ------
    InputError : every trace is silent, or fewer than 4 samples.
    """
    every = max(1, len(radargram) // SAMPLE_TRACES)
    return float(np.median(pick_time_zero(radargram.values[::every], _section(radargram), smooth_traces=1)))


def session_findings(
    zero_ns: Mapping[str, float],
    *,
    clock_s: Sequence[float] | None = None,
    limit_ns: float = LIMIT_NS,
    step_ns: float = STEP_NS,
) -> list[Finding]:
    """Steps, odd lines and drift of time zero over the lines of one session, as warnings.

    Parameters
    ----------
    zero_ns : line to its time zero, ns, as from `line_time_zero_ns`; in the order recorded where there is no clock.
    clock_s : (L,) clock time of each line, s; None: lines count as equally far apart.
    limit_ns : drift over the session above which it is told, ns (0.5: from memory, no source).
    step_ns : smallest step told, ns.

    Returns
    -------
    findings : empty for fewer than five lines, which show no drift.

    Raises
    ------
    InputError : values that are not finite, or another number of times than of lines.

    Notes
    -----
    Steps and drift are those of `yewline.signal.session_drift`. Nothing is changed: each line has its own time zero,
    and what a step asks for is an explanation. Direct waves are aligned by their shape; how large they are, which
    moisture changes, plays no part.

    Examples
    --------
    >>> rough = 0.02 * np.random.default_rng(0).standard_normal(12)
    >>> zero = {f"L{i}": 5.0 + (1.0 if i >= 6 else 0.0) + rough[i] for i in range(12)}
    >>> [(finding.line, finding.text) for finding in session_findings(zero)]
    [('L6', 'time zero steps between lines L5 and L6')]
    """
    limit = check_positive(limit_ns, "limit_ns")
    names = list(zero_ns)
    if len(names) < FEWEST_LINES:
        return []
    zero = check_array(list(zero_ns.values()), "zero_ns", ndim=1)
    clock = np.arange(len(names), dtype=np.float64) if clock_s is None else check_array(clock_s, "clock_s", ndim=1)
    drift = session_drift(zero, clock, smallest_step_ns=step_ns)
    order = np.argsort(clock, kind="stable")
    place = {int(line): k for k, line in enumerate(order)}
    findings = []
    for line, size, sigma in zip(drift.step_line.tolist(), drift.step_ns, drift.step_sigma_ns, strict=True):
        before = names[int(order[place[line] - 1])]
        findings.append(
            Finding(
                "warning",
                "time-zero-step",
                f"time zero steps between lines {before} and {names[line]}",
                received=f"{size:+.2f} ± {Z90 * sigma:.2f} ns (90 %)",
                do="ask what was changed there (cable, antenna, battery); each line is set to its own time zero",
                line=names[line],
            )
        )
    for k in np.flatnonzero(drift.outlier & (np.abs(zero - drift.fitted_ns) > step_ns)).tolist():
        findings.append(
            Finding(
                "warning",
                "time-zero-odd",
                "the line's time zero is unlike that of the lines before and after it",
                received=f"{zero[k] - drift.fitted_ns[k]:+.2f} ns",
                do="look at its direct wave; check whether its file belongs to this visit",
                line=names[k],
            )
        )
    slow = drift.drift_ns - float(np.abs(drift.step_ns).sum())
    if slow > limit:
        unit = "" if clock_s is None else f" in {np.ptp(clock) / 60:.0f} min"
        findings.append(
            Finding(
                "warning",
                "time-zero-session",
                "time zero drifts over the session",
                received=f"{slow:.2f} ns{unit}, apart from steps",
                do="let the antenna warm up for 10 to 20 minutes; each line is set to its own time zero",
            )
        )
    return findings


def line_noise(lines: Mapping[str, xr.DataArray]) -> dict[str, LineNoise]:
    """Noise at the end of the record and usable time of each line, beside the visit's medians.

    Parameters
    ----------
    lines : name to radargram as recorded, before any gain.

    Raises
    ------
    InputError : samples that are not finite.
    """
    levels = {}
    for name, line in lines.items():
        every = max(1, len(line) // SAMPLE_TRACES)
        levels[name] = noise_level(line.values[::every], _section(line))
    if not levels:
        return {}
    noise = float(np.median([level.noise for level in levels.values()]))
    usable = float(np.median([level.usable_ns for level in levels.values()]))
    return {
        name: LineNoise(
            level, level.noise / noise if noise > 0 else 1.0, level.usable_ns / usable if usable > 0 else 1.0
        )
        for name, level in levels.items()
    }


def noise_findings(
    noise: Mapping[str, LineNoise], *, velocity_m_per_ns: float | None = None, noise_times: float = NOISE_TIMES
) -> list[Finding]:
    """One finding for the visit's noise and penetration, and a warning for each line that falls short of them.

    Parameters
    ----------
    noise : from `line_noise`.
    velocity_m_per_ns : to tell penetration as depth as well.
    noise_times : noise this many times the visit's is told.
    """
    if not noise:
        return []
    usable = float(np.median([each.level.usable_ns for each in noise.values()]))
    level = float(np.median([each.level.noise for each in noise.values()]))
    deep = f", {0.5 * velocity_m_per_ns * usable:.1f} m" if velocity_m_per_ns is not None else ""
    findings = [
        Finding(
            "found",
            "noise-level",
            f"the ground answers above the noise until {usable:.0f} ns{deep}",
            received=f"noise {level:.3g} in the units recorded, median of {len(noise)} lines",
        )
    ]
    for line, each in noise.items():
        if each.times > check_positive(noise_times, "noise_times"):
            text = "the line is noisier than the others"
            do = "look for a telephone, a radio or a loose cable; walk it again"
            findings.append(
                Finding("warning", "line-noise", text, received=f"{each.times:.1f} times", do=do, line=line)
            )
        elif each.share < SHALLOW_SHARE:
            text = "the ground answers for a shorter time than on the other lines"
            received = f"{each.level.usable_ns:.0f} ns against {usable:.0f} ns"
            do = "check the contact of the antenna; what lies deeper may be unseen on this line"
            findings.append(Finding("found", "line-shallow", text, received=received, do=do, line=line))
    return findings


def _section(radargram: xr.DataArray) -> Section:
    return Section(
        interval_ns=interval_ns(radargram),
        spacing_m=spacing_m(radargram),
        centre_mhz=float(radargram.attrs["centre_mhz"]),
        separation_m=float(radargram.attrs.get("separation_m", 0.0)),
    )
