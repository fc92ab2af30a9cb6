"""Burial by burial: what each known grave gave on each visit, all distances in one measure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import shapely

from yewline.model import centroids
from yewline.report.cells import Cell, Table
from yewline.report.words import count, listed, metres, own_name
from yewline.workspace.results import SiteResult, VisitResult

__all__ = [
    "BurialGap",
    "BurialState",
    "burial_distances",
    "burial_gaps",
    "burial_lead",
    "burial_states",
    "burial_table",
]

BurialState = Literal["yes", "part", "no", "out"]
"""Matched; in or beside a hotspot that is not its match; without a response; not counted."""


@dataclass(frozen=True, slots=True)
class BurialGap:
    """How one burial lies to the hotspots of a visit.

    Attributes
    ----------
    hotspot : index of the hotspot that it is matched with, or else of the one whose middle is nearest; -1 for none.
    gap_m : from that hotspot's middle (centroid) to the burial's outline, 0 inside: the measure of matching.
    matched : whether they are a match.
    inside : index of the hotspot whose outline holds the burial's middle, -1 for none; `inside_gap_m` from that one's
        middle to the burial's outline.
    """

    hotspot: int
    gap_m: float
    matched: bool
    inside: int
    inside_gap_m: float


def burial_gaps(result: SiteResult, visit: VisitResult) -> list[BurialGap]:
    """How every burial lies to the hotspots of a visit, in the measure by which matches are made."""
    score, n = visit.score, len(result.burials)
    if score is None or not len(visit.scored):
        return [BurialGap(-1, math.nan, False, -1, math.nan)] * n
    outlines = np.asarray(result.burials.geometry.values, dtype=object)
    gap = np.asarray(shapely.distance(outlines[:, None], shapely.points(centroids(visit.scored))[None, :]))
    match = {int(burial): int(hotspot) for hotspot, burial in score.matches}
    out = []
    for i in range(n):
        hotspot = match.get(i, int(np.argmin(gap[i])))
        inside = int(score.burial_to_outline.nearest[i]) if score.burial_to_outline.distance_m[i] == 0 else -1
        inside_gap_m = float(gap[i, inside]) if inside >= 0 else math.nan
        out.append(BurialGap(hotspot, float(gap[i, hotspot]), i in match, inside, inside_gap_m))
    return out


def burial_states(result: SiteResult, visit: VisitResult) -> list[BurialState]:
    """The state of every burial on a visit; none where the visit is not scored."""
    if visit.score is None:
        return []
    return [_state(visit, i, gap) for i, gap in enumerate(burial_gaps(result, visit))]


def _state(visit: VisitResult, burial: int, gap: BurialGap) -> BurialState:
    if visit.score is None or not visit.score.eligible[burial]:
        return "out"
    if gap.matched:
        return "yes"
    return "part" if gap.inside >= 0 or gap.gap_m <= visit.score.tolerance_m else "no"


def burial_distances(visit: VisitResult, n_burials: int) -> npt.NDArray[np.float64]:
    """Distance (B,) from each burial's centroid to the nearest hotspot's, NaN where it was not measured."""
    out = np.full(n_burials, np.nan)
    if visit.score is None:
        return out
    distance = visit.score.burial_to_hotspot.distance_m
    if len(distance) == n_burials:
        out[:] = distance
    elif len(distance) == int(visit.score.eligible.sum()):
        out[visit.score.eligible] = distance
    return out


def burial_lead(result: SiteResult) -> str:
    """What the table of burials says, in a sentence or two, before its rows are read one by one."""
    told = []
    for visit in result.visits:
        states = burial_states(result, visit)
        if not states:
            continue
        silent, shared = states.count("no"), states.count("part")
        text = f"{visit.name}: {states.count('yes')} with a match, {silent} without a response"
        told.append(text + (f", {shared} in or beside a hotspot that is not their match" if shared else ""))
    if not told:
        return ""
    return (
        f"Of {count(len(result.burials), 'known burial')}: {'; '.join(told)}. A known grave without a response is "
        "still a grave: it shows what a survey like this one can pass over."
    )


def burial_table(result: SiteResult) -> Table | None:
    """Every known burial on every visit: matched by which hotspot, or how it lies to the nearest."""
    if not len(result.burials) or all(visit.score is None for visit in result.visits):
        return None
    heads = ("Burial", "Kind", *(visit.name for visit in result.visits))
    table = Table("Known burials, visit by visit", heads, dense=True)
    gaps = [(visit, burial_gaps(result, visit)) for visit in result.visits]
    for i, (name, kind) in enumerate(zip(result.burials["burial"], result.burials["kind"], strict=True)):
        cells = [_history(result, visit, i, gap[i]) for visit, gap in gaps]
        table.rows.append([Cell(str(name)), Cell(str(kind)), *cells])
    return table


def _history(result: SiteResult, visit: VisitResult, burial: int, gap: BurialGap) -> Cell:
    if visit.score is None:
        return Cell("–", "not scored", "out")
    state = _state(visit, burial, gap)
    spot = _spot(visit, gap.hotspot)
    if state == "out":
        note = "not counted: outside the covered ground"
        return Cell(f"near {spot}", note, state) if gap.matched else Cell("not counted", note.split(": ")[1], state)
    apart = "its middle lies inside" if gap.gap_m == 0 else f"its middle lies {metres(gap.gap_m)} off"
    if state == "yes":
        return Cell(f"hotspot {spot}", apart, state)
    if gap.inside >= 0:
        away = f"whose middle lies {metres(gap.inside_gap_m)} off"
        return Cell(f"inside hotspot {_spot(visit, gap.inside)}", f"{away}{_instead(result, visit, gap.inside)}", state)
    if state == "part":
        return Cell(f"beside hotspot {spot}", f"{apart}{_instead(result, visit, gap.hotspot)}", state)
    note = f"nearest hotspot {metres(gap.gap_m)} off" if gap.hotspot >= 0 else "no hotspot"
    return Cell("without a response", note, state)


def _instead(result: SiteResult, visit: VisitResult, hotspot: int) -> str:
    """Which burial a hotspot is matched with instead."""
    others = [] if visit.score is None else [int(b) for h, b in visit.score.matches if h == hotspot]
    names = [str(result.burials["burial"].iloc[i]) for i in others]
    return f"; matched with {listed(names)}" if names else ""


def _spot(visit: VisitResult, hotspot: int) -> str:
    return own_name(str(visit.scored["hotspot"].iloc[hotspot]), visit.name) if hotspot >= 0 else ""
