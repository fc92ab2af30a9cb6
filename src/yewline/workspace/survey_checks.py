"""Checks of what positions rest on: control points, pegs and the distances between them, the delay of positions."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

from yewline.errors import YewlineError
from yewline.formats import Column, read_numbers
from yewline.model import Finding
from yewline.positions import (
    PegDistance,
    TargetPass,
    adjust_pegs,
    control_findings,
    estimate_latency,
    fit_control,
    latency_findings,
    peg_findings,
)
from yewline.units import Z90
from yewline.workspace.site import Site, Visit

__all__ = ["PASSES_FILE", "PEG_FILES", "delay_findings", "frame_findings"]

PEG_FILES = ("pegs.csv", "peg_distances.csv")
PASSES_FILE = "target_passes.csv"


def frame_findings(site: Site) -> list[Finding]:
    """What control points, and pegs with the distances between them, say of themselves."""
    findings: list[Finding] = []
    frame = site.settings.frame
    if frame.control:
        findings += _told(
            "control", lambda: control_findings(fit_control(frame.control), limit_m=frame.tolerance_m), "site.toml"
        )
    plan, measured = (site.root / name for name in PEG_FILES)
    if plan.is_file() and measured.is_file():
        findings += _told("pegs", lambda: _pegs(plan, measured), measured.name)
    elif plan.is_file() or measured.is_file():
        there, lacks = (plan, measured) if plan.is_file() else (measured, plan)
        text, do = "the pegs cannot be checked", f"add {lacks.name}, or take {there.name} away"
        findings.append(Finding("warning", "pegs", text, where=there.name, do=do))
    return findings


def delay_findings(visit: Visit) -> list[Finding]:
    """How late positions arrive, by targets passed in both directions."""
    path = visit.path / PASSES_FILE
    if not path.is_file():
        return []
    where = f"visits/{visit.name}/{PASSES_FILE}"
    return [replace(each, visit=visit.name) for each in _told("latency", lambda: _latency(visit, path), where)]


def _told(code: str, look: Callable[[], Iterable[Finding]], where: str) -> list[Finding]:
    try:
        return [replace(each, where=each.where or where) for each in look()]
    except YewlineError as error:
        fault = Finding.of_error(error, code)
        return [replace(fault, where=fault.where or where)]


def _pegs(plan_path: Path, measured_path: Path) -> list[Finding]:
    plan = read_numbers(
        plan_path, (Column("x", -1e7, 1e7), Column("y", -1e7, 1e7)), texts=("peg",), required=("peg", "x", "y")
    )
    columns = (Column("distance_m", 0.01, 1e5), Column("sigma_m", 0.001, 10.0, blank=0.03))
    measured = read_numbers(measured_path, columns, texts=("from", "to"), required=("from", "to", "distance_m"))
    faults = [each for table in (plan, measured) for each in table.findings if each.grade == "fault"]
    distances = [
        PegDistance(str(row["from"]), str(row["to"]), float(row["distance_m"]), float(row["sigma_m"]))
        for row in measured.rows.to_dict("records")
    ]
    places = {str(row["peg"]): (float(row["x"]), float(row["y"])) for row in plan.rows.to_dict("records")}
    network = adjust_pegs(places, distances)
    text = f"{len(places)} pegs and {len(distances)} distances between them"
    received = f"closure {network.closure:.1f} times the errors stated" if network.spare > 0 else ""
    return [*faults, Finding("found", "pegs", text, received=received), *peg_findings(network, distances)]


def _latency(visit: Visit, path: Path) -> list[Finding]:
    columns = (
        Column("speed_m_per_s", 0.05, 10.0),
        Column("place_m", -1e5, 1e5),
        Column("sigma_m", 0.001, 10.0, blank=0.03),
    )
    needed = ("target", "direction", "speed_m_per_s", "place_m")
    table = read_numbers(path, columns, texts=("target", "direction"), required=needed)
    passes = [
        TargetPass(
            str(row["target"]),
            str(row["direction"]),
            float(row["speed_m_per_s"]),
            float(row["place_m"]),
            float(row["sigma_m"]),
        )
        for row in table.rows.to_dict("records")
    ]
    found = estimate_latency(passes)
    taken = visit.settings.recording.latency_s
    do = f"for tracks, write latency_s = {found.latency_s:.3f} under [recording] in visit.toml"
    said = [replace(each, do=do) for each in latency_findings(found)]
    if taken and abs(taken - found.latency_s) <= 2 * found.sigma_s:
        said = []
    text = f"positions are {found.latency_s:.3f} ± {Z90 * found.sigma_s:.3f} s late (90 %)"
    return [
        *(each for each in table.findings if each.grade == "fault"),
        Finding("found", "latency-found", text, received=f"{found.passes} passes of {found.targets} targets"),
        *said,
    ]
