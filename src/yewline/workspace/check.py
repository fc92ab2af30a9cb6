"""`check`: read everything, say what was found, assumed and wrong; nothing is written."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
import pandas as pd
import shapely

from yewline.errors import YewlineError
from yewline.model import Finding, digest
from yewline.positions import LineSettings, Rewalk, line_settings, resurvey_list, settings_findings
from yewline.progress import SILENT, Progress
from yewline.workspace.field import PROPOSED, field_findings, said_once
from yewline.workspace.inputs import hash_inputs
from yewline.workspace.inspect import inspect_line
from yewline.workspace.lazy import lights_of
from yewline.workspace.load import LoadedVisit, load_visit
from yewline.workspace.site import Site, Visit
from yewline.workspace.stage_day import visit_days
from yewline.workspace.stage_ground import load_readings, no_velocity
from yewline.workspace.stage_lines import first_steps, guard_visit, load_recipe
from yewline.workspace.survey_checks import delay_findings, frame_findings
from yewline.workspace.survey_frame import Products, survey_frame
from yewline.workspace.truth import Outlines, area_of_lines, check_frame, load_drawn, load_outlines, within
from yewline.workspace.velocity_gathers import gathers_velocity

__all__ = ["CheckReport", "check_site"]


@dataclass(frozen=True)
class CheckReport:
    """All findings, in the order of the folder, and the hash of every file read."""

    site: str
    findings: tuple[Finding, ...]
    inputs: dict[str, str]
    again: dict[str, tuple[Rewalk, ...]] = field(default_factory=dict)
    """Lines to walk again, by visit, in the order of a short walk."""

    @property
    def to_accept(self) -> dict[str, str]:
        """Corrections that a person could accept, by visit, as TOML for its `visit.toml`."""
        told: dict[str, list[str]] = {}
        for finding in self.findings:
            if finding.code == PROPOSED:
                told.setdefault(finding.visit, []).append(finding.received)
        return {visit: "\n\n".join(texts) for visit, texts in told.items()}

    def as_dict(self) -> dict[str, Any]:
        """A plain dictionary for ``--json``."""
        count = Counter(finding.grade for finding in self.findings)
        return {
            "site": self.site,
            "faults": count["fault"],
            "warnings": count["warning"],
            "assumptions": count["assumed"],
            "findings": [finding.as_dict() for finding in self.findings],
            "to_accept": self.to_accept,
            "walk_again": {visit: [asdict(walk) for walk in walks] for visit, walks in self.again.items()},
            "inputs": self.inputs,
            "digest": digest(self.inputs),
        }


def check_site(site: Site, *, progress: Progress = SILENT) -> CheckReport:
    """Check a site: every file is read, every line inspected; the raw files stay as they are."""
    inputs = hash_inputs(site, progress=progress)
    findings: list[Finding] = []
    recipe = None
    try:
        recipe = load_recipe(site)
        findings.append(Finding("found", "recipe", f"recipe '{recipe.name}'"))
        if site.settings.recipe and (site.root / "recipe.toml").is_file():
            text = f"recipe.toml goes before the built-in recipe '{site.settings.recipe}' that site.toml names"
            findings.append(Finding("found", "recipe-file-first", text, where="recipe.toml"))
    except YewlineError as error:
        findings.append(Finding.of_error(error, "recipe"))
    try:
        check_frame(site)
    except YewlineError as error:
        findings.append(Finding.of_error(error, "frame"))
    findings += [*frame_findings(site), *site.strays()]
    outlines = load_outlines(site)
    places: list[np.ndarray[Any, Any]] = []
    tried_lines = Products()
    again: dict[str, tuple[Rewalk, ...]] = {}
    used: dict[str, dict[str, LineSettings]] = {}
    read: dict[str, pd.DataFrame | None] = {}
    if not site.settings.release.decided_by:
        text = "nobody is named who decides on release"
        findings.append(Finding("warning", "release", text, where="site.toml", do="fill in [release]"))
    findings += [
        Finding(
            "warning",
            "date",
            "the date is still that of the template",
            where=f"visits/{visit.name}/visit.toml",
            received=str(visit.settings.date),
            do="write the day of the survey",
            visit=visit.name,
        )
        for visit in site.visits
        if visit.settings.date.year == 2000
    ]
    for visit in site.visits:
        loaded = load_visit(site, visit, progress=progress)
        used[visit.name] = {line: line_settings(light) for line, light in lights_of(loaded.radargrams).items()}
        said_of = [*loaded.findings, *delay_findings(visit), *field_findings(visit, loaded)]
        findings += said_of
        findings += _counted(visit, loaded)
        places += [np.column_stack([r["x"], r["y"]]) for r in lights_of(loaded.radargrams).values()]
        if recipe is None:
            findings += [finding for radargram in loaded.radargrams.values() for finding in inspect_line(radargram)]
        else:
            # What the first steps refuse, a run would leave out.
            tried = first_steps(loaded, recipe, cache=None, progress=progress, label=f"inspect {visit.name}")
            findings += tried.findings
            said_of += tried.findings
            tried_lines.lines[visit.name] = (tried.lines, [])
            findings += guard_visit(site, visit.name, recipe, loaded.radargrams)
        readings, _, said = load_readings(site, visit, _area(outlines, loaded))
        findings += said
        read[visit.name] = readings
        if readings is None and visit.settings.soil.velocity_m_per_ns is None:
            findings.append(Finding.of_error(no_velocity(visit), "no-velocity", visit=visit.name))
        findings += _gathers(site, visit)
        findings += load_drawn(site, visit.name)[1]
        again[visit.name] = resurvey_list(said_of, loaded.ends, north_deg=_north(site))
    findings += visit_days(site, read)[1]
    area = outlines.area if outlines.area is not None else area_of_lines(places, 0.5) if places else None
    findings += (outlines if area is None else within(outlines, area)).findings
    # Line by line within a visit it was said there already.
    walked = {visit: lines for visit, lines in used.items() if lines}
    findings += [finding for finding in settings_findings(walked) if not finding.line]
    findings += _frame_faults(site, tried_lines, findings)
    told = tuple(site.inside(finding) for finding in said_once(findings))
    return CheckReport(site.settings.name, told, inputs, again)


def _frame_faults(site: Site, tried: Products, known: list[Finding]) -> list[Finding]:
    """What a run would refuse once lines and ground are together: the slice, the cell, the area."""
    if not any(lines for lines, _ in tried.lines.values()):
        return []
    try:
        frame = survey_frame(site, tried)
    except YewlineError as error:
        return [] if any(f.grade == "fault" for f in known) else [Finding.of_error(error, "run-refused")]
    return [finding for finding in frame.findings if finding.code == "depth-short"]


def _gathers(site: Site, visit: Visit) -> list[Finding]:
    """What a run would say of a visit's offset gathers, and the velocity that each gives."""
    sources, findings = gathers_velocity(visit, relative=site.relative)
    told = [
        Finding(
            "found",
            "gather",
            f"gather {source.estimate.label}: {source.kind.replace('gather', 'reflections')} at "
            f"{source.estimate.v_m_per_ns:.3f} m/ns",
            received=source.note,
            visit=visit.name,
        )
        for source in sources
    ]
    return [*told, *findings]


def _north(site: Site) -> float:
    """Bearing of the site's +y axis; that of a local frame where control points do not fit, which is said elsewhere."""
    try:
        return site.settings.frame.bearing_of_y_deg()
    except YewlineError:
        return site.settings.frame.north_deg


def _counted(visit: Visit, loaded: LoadedVisit) -> list[Finding]:
    if not loaded.radargrams:
        return []
    held = lights_of(loaded.radargrams).values()
    formats = Counter(str(radargram.attrs["format"]) for radargram in held)
    metres = sum(float(radargram["distance"][-1]) for radargram in held)
    text = f"{len(loaded.radargrams)} lines, {metres:.0f} m, {sum(len(r) for r in held)} traces"
    return [Finding("found", "lines", text, received=", ".join(sorted(formats)), visit=visit.name)]


def _area(outlines: Outlines, loaded: LoadedVisit) -> shapely.Geometry | None:
    if outlines.area is not None:
        return outlines.area
    # Lines that cannot be used were walked all the same: readings beside them are not astray.
    places = [np.column_stack([r["x"], r["y"]]) for r in lights_of(loaded.radargrams).values()]
    places += [np.array(loaded.planned)] if loaded.planned else []
    return area_of_lines(places, 0.5) if places else None
