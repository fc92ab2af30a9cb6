"""Offset gathers of a visit: recordings with growing antenna distance, their offsets in a table beside each."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.stats import theilslopes

from yewline.errors import FormatError, InputError, YewlineError
from yewline.formats import description_path, read_recording
from yewline.model import Finding, ReadHints
from yewline.signal import Section, band_pass, dewow, pick_time_zero
from yewline.signal.velocity import VelocityEstimate, combine_estimates, find_direct_waves, find_reflections
from yewline.units import C_M_PER_NS
from yewline.workspace.site import Visit
from yewline.workspace.velocities import SourceVelocity

__all__ = ["OFFSETS_SUFFIX", "gather_files", "gathers_velocity", "read_offsets"]

F64 = npt.NDArray[np.float64]

OFFSETS_SUFFIX: Final = ".offsets.csv"
"""``cmp1.offsets.csv`` holds the offsets of ``cmp1.sgy``, whatever its suffix."""
AIR_PERIODS, GROUND_PERIODS, LATE_PERIODS = 0.05, 0.1, 0.5
"""Standard deviation of time zero, in periods, from the wave through the air, that along the ground, first arrivals."""
FIRST_PERIODS: Final = 2.0
FEWEST: Final = 5


def gather_files(visit: Visit) -> list[Path]:
    """All files in the visit's folder of gathers, tables of offsets and descriptions among them."""
    return sorted(path for path in (visit.path / "gathers").rglob("*") if path.is_file())


def read_offsets(path: Path) -> F64:
    """Offsets of a gather from a table with a column ``offset_m``: one row a trace, in their order.

    Parameters
    ----------
    path : CSV; a column ``trace`` may stand beside, and then counts from 1 without a gap.

    Returns
    -------
    (T,) distances between transmitter and receiver, m.

    Raises
    ------
    FormatError : no such column, a row that is no distance, or traces out of order.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> table = pathlib.Path(tempfile.mkdtemp()) / "cmp1.offsets.csv"
    >>> _ = table.write_text("trace,offset_m\\n1,0.3\\n2,0.5\\n")
    >>> read_offsets(table).tolist()
    [0.3, 0.5]
    """
    rows = list(csv.reader(path.read_text(encoding="utf-8-sig", errors="replace").splitlines()))
    heads = [head.strip().lower() for head in rows[0]] if rows else []
    if "offset_m" not in heads or set(heads) - {"offset_m", "trace"}:
        raise FormatError(
            "a table of offsets has a column offset_m, and at most a column trace beside it",
            where=f"{path}, row 1",
            received=", ".join(heads) or "nothing",
            do="write offset_m into its first row",
        )
    place = heads.index("offset_m")
    offsets = []
    for number, row in enumerate((row for row in rows[1:] if any(cell.strip() for cell in row)), start=1):
        try:
            value = float(row[place])
            counted = number if "trace" not in heads else int(row[heads.index("trace")])
        except (IndexError, ValueError):
            value, counted = math.nan, number
        if not (math.isfinite(value) and abs(value) < 100.0) or counted != number:
            raise FormatError(
                "a row of offsets holds no distance in metres, or not the next trace",
                where=f"{path}, row {number + 1}",
                received=", ".join(row),
                do="give each trace one row, in order, from trace 1",
            )
        offsets.append(value)
    return np.array(offsets, np.float64)


def gathers_velocity(
    visit: Visit, *, relative: Callable[[Path], str]
) -> tuple[tuple[SourceVelocity, ...], list[Finding]]:
    """Velocities from all gathers of a visit: of each its reflections together, and its ground wave."""
    how = visit.settings.recording
    hints = ReadHints(interval_ns=how.interval_ns, interval_unit=how.interval_unit)
    sources: list[SourceVelocity] = []
    findings: list[Finding] = []
    files = gather_files(visit)
    descriptions = {description_path(path) for path in files}
    recorded = [path for path in files if path not in descriptions and not path.name.endswith(OFFSETS_SUFFIX)]
    for path in recorded:
        try:
            made, said = _one(path, visit, hints)
        except YewlineError as error:
            findings.append(replace(Finding.of_error(error, "gather-left-out", visit=visit.name)))
            if not error.where:
                findings[-1] = replace(findings[-1], where=relative(path))
            continue
        sources += made
        findings += [replace(finding, where=relative(path), visit=visit.name) for finding in said]
    stems = {path.name.split(".")[0] for path in recorded}
    for path in files:
        if path.name.endswith(OFFSETS_SUFFIX) and path.name.removesuffix(OFFSETS_SUFFIX) not in stems:
            text, do = "a table of offsets without a recording of that name", "check both names"
            findings.append(Finding("warning", "gather-offsets", text, where=relative(path), do=do, visit=visit.name))
    return tuple(sources), findings


@dataclass(frozen=True)
class _Gather:
    """A gather with time zero at the moment the wave leaves: (T, S), (T,), and the standard deviation of that."""

    amplitude: npt.NDArray[np.float32]
    offset: F64
    section: Section
    zero_sigma_ns: float


def _one(path: Path, visit: Visit, hints: ReadHints) -> tuple[list[SourceVelocity], list[Finding]]:
    stem = path.name.split(".")[0]
    table = path.with_name(stem + OFFSETS_SUFFIX)
    if not table.is_file():
        raise FormatError(
            "a gather without offsets gives no velocity",
            where=str(path),
            received=f"no {table.name}",
            do=f"write the distance between transmitter and receiver of each trace into {table.name}, column offset_m",
        )
    recording = read_recording(path, hints)
    if recording.interval_ns is None:
        raise FormatError("nothing gives the sample interval", where=str(path), do="declare it under [recording]")
    offset = read_offsets(table)
    if len(offset) != len(recording.amplitude):
        raise FormatError(
            "a gather has one offset for each trace",
            where=str(table),
            received=f"{len(offset)} for {len(recording.amplitude)} traces",
            do="give each trace one row",
        )
    gather, findings = _zeroed(
        np.nan_to_num(recording.amplitude, nan=0.0, posinf=0.0, neginf=0.0),
        np.abs(offset),
        recording.interval_ns,
        visit,
    )
    sources = _reflections(gather, stem)
    waves = find_direct_waves(gather.amplitude, gather.section, gather.offset, zero_sigma_ns=gather.zero_sigma_ns)
    if waves.ground is not None:
        note = "only the uppermost soil, a few decimetres: shown, not compared"
        ground = waves.ground.estimate(stem)
        sources.append(SourceVelocity("ground wave", ground, compared=False, note=note))
    if not sources:
        do = "look at it: layers that reflect, and offsets of at least half their depth, are needed"
        findings.append(Finding("warning", "gather-empty", "no reflection could be followed on this gather", do=do))
    return sources, findings


def _zeroed(
    recorded: npt.NDArray[np.float32], offset: F64, interval_ns: float, visit: Visit
) -> tuple[_Gather, list[Finding]]:
    """Filtered, and shifted so that time counts from when the wave leaves, as the wave through the air tells it."""
    steps = np.diff(np.unique(offset))
    section = Section(
        interval_ns=interval_ns,
        spacing_m=float(np.median(steps)) if len(steps) else 0.0,
        centre_mhz=visit.settings.antenna.centre_mhz,
    )
    live = np.flatnonzero(recorded.any(axis=1))
    if len(live) < FEWEST:
        raise InputError(f"a gather needs {FEWEST} traces with a signal", received=len(live))
    onsets = np.array([pick_time_zero(recorded[i][None], section, pick="aic", smooth_traces=1)[0] for i in live])
    # What arrives first goes along a straight line: with the velocity of light, or, where that wave is weak, slower.
    slope = max(float(theilslopes(onsets, offset[live])[0]) if np.ptp(offset[live]) > 0 else 0.0, 1.0 / C_M_PER_NS)
    first = max(int(float(np.median(onsets - slope * offset[live])) / interval_ns), 0)
    values = band_pass(dewow(recorded, section), section)
    early = _Gather(np.ascontiguousarray(values[:, first:]), offset, section, LATE_PERIODS * section.period_ns)
    waves = find_direct_waves(early.amplitude, section, offset, zero_sigma_ns=0.0)
    direct = waves.air or waves.ground
    findings = []
    if waves.air is None:
        what = "the wave along the ground" if direct is not None else "first arrivals"
        text = f"the gather shows no clear wave through the air: time zero is taken from {what}"
        do = "its velocity is less sure; begin with the antennas close together"
        findings.append(Finding("assumed", "gather-zero", text, do=do))
    if direct is None:
        return early, findings
    more = max(round(direct.t0_ns / interval_ns), 0)
    left = direct.t0_ns - more * interval_ns
    share = AIR_PERIODS if waves.air is not None else GROUND_PERIODS
    sigma = math.hypot(share * section.period_ns, left, direct.sigma_t0_ns)
    return replace(early, amplitude=np.ascontiguousarray(early.amplitude[:, more:]), zero_sigma_ns=sigma), findings


def _reflections(gather: _Gather, stem: str) -> list[SourceVelocity]:
    fits = find_reflections(gather.amplitude, gather.section, gather.offset, zero_sigma_ns=gather.zero_sigma_ns)
    # A direct wave is a reflection from no depth: what comes so early is none.
    first = FIRST_PERIODS * gather.section.period_ns
    ground = [fit for fit in fits if fit.kind == "ground" and fit.sigma_v_m_per_ns > 0 and fit.t0_ns >= first]
    if not ground:
        return []
    mean = combine_estimates([fit.estimate() for fit in ground]).mean
    codes: dict[str, Any] = dict.fromkeys(code for fit in ground for code in fit.cautions)
    estimate = VelocityEstimate(
        v_m_per_ns=mean.v_m_per_ns,
        sigma_m_per_ns=mean.sigma_m_per_ns,
        source="gather",
        depth_to_m=mean.depth_to_m,
        n=len(ground),
        dof=ground[0].dof if len(ground) == 1 else None,
        label=stem,
        cautions=tuple(codes),
    )
    times = ", ".join(f"{fit.t0_ns:.0f}" for fit in ground)
    return [SourceVelocity("gather", estimate, note=f"reflections at {times} ns, offsets to {gather.offset.max():g} m")]
