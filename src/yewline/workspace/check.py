"""`check`: read everything, say what was found, assumed and wrong; nothing is written."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from yewline.errors import YewlineError
from yewline.model import Finding, digest
from yewline.progress import SILENT, Progress
from yewline.workspace.inputs import hash_inputs
from yewline.workspace.inspect import inspect_line
from yewline.workspace.load import LoadedVisit, load_visit
from yewline.workspace.site import Site, Visit
from yewline.workspace.stage_ground import load_readings
from yewline.workspace.stage_lines import guard_visit, load_recipe
from yewline.workspace.truth import Outlines, area_of_lines, load_drawn, load_outlines

__all__ = ["CheckReport", "check_site"]


@dataclass(frozen=True)
class CheckReport:
    """All findings, in the order of the folder, and the hash of every file read."""

    site: str
    findings: tuple[Finding, ...]
    inputs: dict[str, str]

    def as_dict(self) -> dict[str, Any]:
        """A plain dictionary for ``--json``."""
        count = Counter(finding.grade for finding in self.findings)
        return {
            "site": self.site,
            "faults": count["fault"],
            "warnings": count["warning"],
            "assumptions": count["assumed"],
            "findings": [finding.as_dict() for finding in self.findings],
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
    except YewlineError as error:
        findings.append(Finding.of_error(error, "recipe"))
    outlines = load_outlines(site)
    findings += outlines.findings
    if not site.settings.release.decided_by:
        text = "nobody is named who decides on release"
        findings.append(Finding("warning", "release", text, where="site.toml", do="fill in [release]"))
    for visit in site.visits:
        loaded = load_visit(site, visit, progress=progress)
        findings += loaded.findings
        findings += _counted(visit, loaded)
        for radargram in progress.over(loaded.radargrams.values(), f"inspect {visit.name}"):
            findings += inspect_line(radargram)
        if recipe is not None:
            findings += guard_visit(site, visit.name, recipe, loaded.radargrams)
        findings += load_readings(site, visit, _area(outlines, loaded))[1]
        findings += load_drawn(site, visit.name)[1]
    findings += _burials_outside(outlines)
    return CheckReport(site.settings.name, tuple(site.inside(finding) for finding in findings), inputs)


def _counted(visit: Visit, loaded: LoadedVisit) -> list[Finding]:
    if not loaded.radargrams:
        text = "no line of this visit can be used"
        return [Finding("fault", "visit-empty", text, where=f"visits/{visit.name}", visit=visit.name)]
    held = loaded.radargrams.values()
    formats = Counter(str(radargram.attrs["format"]) for radargram in held)
    metres = sum(float(radargram["distance"][-1]) for radargram in held)
    text = f"{len(loaded.radargrams)} lines, {metres:.0f} m, {sum(len(r) for r in held)} traces"
    return [Finding("found", "lines", text, received=", ".join(sorted(formats)), visit=visit.name)]


def _area(outlines: Outlines, loaded: LoadedVisit) -> shapely.Geometry | None:
    if outlines.area is not None:
        return outlines.area
    places = [np.column_stack([r["x"], r["y"]]) for r in loaded.radargrams.values()]
    return area_of_lines(places, 0.5) if places else None


def _burials_outside(outlines: Outlines) -> list[Finding]:
    if outlines.area is None or outlines.burials.empty:
        return []
    outside = ~shapely.intersects(outlines.burials.geometry.values, outlines.area)
    if not outside.any():
        return []
    names = ", ".join(str(name) for name in outlines.burials["burial"][outside].head(8))
    text = f"{int(outside.sum())} known burials lie outside the surveyed area and are not scored"
    do = "check their frame if they should lie inside"
    return [Finding("warning", "burials-outside", text, where="burials", received=names, do=do)]
