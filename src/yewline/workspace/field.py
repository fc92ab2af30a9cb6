"""What the lines of a visit say of one another, as recorded, and what a person could accept of it."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable

from yewline.model import Finding, LineCorrection
from yewline.positions import check_field, correction_toml, propose_corrections
from yewline.workspace.load import LoadedVisit
from yewline.workspace.site import Visit

__all__ = ["PROPOSED", "field_findings", "proposed_in", "said_once"]

PROPOSED = "correction-proposed"
"""Code of a finding that holds a correction, ready to be accepted: TOML for `visit.toml`, in `received`."""


def field_findings(visit: Visit, loaded: LoadedVisit) -> list[Finding]:
    """Zigzag, lines out of order, drift over the session, noise, repeats and ties, and what could be accepted of it.

    Nothing is corrected before a person writes it into `visit.toml`.
    """
    if not loaded.radargrams:
        return []
    found = check_field(loaded.radargrams, visit=visit.name)
    text, do = (
        "a correction can be accepted",
        "if the field notes agree, write it at the end of visit.toml, and say why",
    )
    where = f"visits/{visit.name}/visit.toml"
    return [
        *found.findings,
        *(
            Finding("found", PROPOSED, text, where=where, received=correction_toml(each), do=do, visit=visit.name)
            for each in propose_corrections(found)
        ),
    ]


def proposed_in(findings: Iterable[Finding], visit: str) -> list[LineCorrection]:
    """The corrections of one visit that its findings propose."""
    told = [f.received for f in findings if f.code == PROPOSED and f.visit == visit]
    return [LineCorrection(**each) for text in told for each in tomllib.loads(text)["corrections"]]


def said_once(findings: list[Finding]) -> list[Finding]:
    """A line whose time zero drifts is also unlike the lines beside it: that is said once."""
    drifting = {(f.visit, f.line) for f in findings if f.code == "time-zero-drift"}
    return [f for f in findings if f.code != "time-zero-odd" or (f.visit, f.line) not in drifting]
