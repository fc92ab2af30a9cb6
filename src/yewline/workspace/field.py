"""What the lines of a visit say of one another, as recorded."""

from __future__ import annotations

from yewline.model import Finding
from yewline.positions import check_field
from yewline.workspace.load import LoadedVisit
from yewline.workspace.site import Visit

__all__ = ["field_findings", "said_once"]


def field_findings(visit: Visit, loaded: LoadedVisit) -> list[Finding]:
    """Zigzag, lines out of order, drift over the session, noise, repeats and ties; nothing is corrected."""
    if not loaded.radargrams:
        return []
    return list(check_field(loaded.radargrams, visit=visit.name).findings)


def said_once(findings: list[Finding]) -> list[Finding]:
    """A line whose time zero drifts is also unlike the lines beside it: that is said once."""
    drifting = {(f.visit, f.line) for f in findings if f.code == "time-zero-drift"}
    return [f for f in findings if f.code != "time-zero-odd" or (f.visit, f.line) not in drifting]
