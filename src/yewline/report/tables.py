"""The report's tables as plain text cells: visits side by side, burial by burial, hotspot by hotspot."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from yewline.report.words import count, date_words, depth_label, metres, number, own_name, p_value
from yewline.units import Z90
from yewline.workspace.results import SiteResult, VisitResult

__all__ = ["Cell", "Table", "burial_distances", "burial_table", "hotspot_table", "overview_table"]


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: its text, a smaller second line, and a kind that the page may mark ("yes", "no" or "out")."""

    text: str
    note: str = ""
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """A caption, column heads, and rows whose first cell heads the row; `dense` keeps second lines on the first."""

    caption: str
    heads: tuple[str, ...]
    rows: list[list[Cell]] = field(default_factory=list)
    dense: bool = False


def overview_table(result: SiteResult) -> Table:
    """A few figures of every visit, side by side."""
    visits = result.visits
    table = Table("The visits in figures", ("", *(visit.name for visit in visits)))

    def row(head: str, note: str, cells: list[Cell]) -> None:
        table.rows.append([Cell(head, note), *cells])

    row("Day", "", [Cell(date_words(v.settings.date), v.settings.weather) for v in visits])
    row("Soil moisture", "mean of readings ± their standard deviation", [_moisture(v) for v in visits])
    row("Wave velocity", "± half-width of the 90 % interval of the mean", [_velocity(v) for v in visits])
    row("Slice", "estimated depth ± half-width of the 90 % interval", [Cell(depth_label(v, v.chosen)) for v in visits])
    row("Hotspots", "on that slice", [_hotspots(v) for v in visits])
    if all(visit.score is None for visit in visits):
        return table
    row("Known burials matched", "recall, with 95 % interval", [_share(v, "recall") for v in visits])
    row("Hotspots that were right", "precision, on opened ground only", [_share(v, "precision") for v in visits])
    row(
        "Hotspot to burial",
        "mean distance; in brackets its 95 % interval",
        [_distance(v, "hotspot_to_burial") for v in visits],
    )
    row(
        "Burial to hotspot",
        "mean distance; in brackets its 95 % interval",
        [_distance(v, "burial_to_hotspot") for v in visits],
    )
    row("Matching tolerance", "from the budget of position errors", [_tolerance(v) for v in visits])
    return table


def _moisture(visit: VisitResult) -> Cell:
    wet = visit.moisture
    if wet is None:
        return Cell("–", "no readings")
    return Cell(f"{wet.mean:.3f} ± {wet.sd:.3f} m³/m³", f"n = {wet.n}, 0 to {wet.support_depth_m:.2f} m deep")


def _velocity(visit: VisitResult) -> Cell:
    velocity = visit.velocity
    text = f"{velocity.mean_m_per_ns:.4f} ± {Z90 * velocity.mean_sigma_m_per_ns:.4f} m/ns"
    return Cell(text, velocity.source)


def _hotspots(visit: VisitResult) -> Cell:
    kind = "drawn by a person" if len(visit.drawn) else "outlined by rule"
    return Cell(str(len(visit.scored)), f"{kind}; {len(visit.equal_area)} by equal area")


def _share(visit: VisitResult, name: str) -> Cell:
    if visit.score is None:
        return Cell("–", "no known burials")
    share: Any = getattr(visit.score, name)
    if share.value is None:
        return Cell("–", share.why)
    return Cell(f"{share.k} of {share.n}", f"{share.value:.2f} ({number(share.low)} to {number(share.high)})")


def _distance(visit: VisitResult, name: str) -> Cell:
    if visit.score is None:
        return Cell("–", "no known burials")
    item: Any = getattr(visit.score, name)
    if item.mean_m is None:
        return Cell("–", item.why)
    text = f"{metres(item.mean_m)} ({number(item.low_m)} to {number(item.high_m)})"
    null = item.shift
    if null is None or null.expected_m is None:
        return Cell(text, "chance level: " + ((null.why if null is not None else "") or "not worked out"))
    smallest = "" if null.smallest_p is None else f"; smallest possible {p_value(null.smallest_p)}"
    return Cell(text, f"chance {metres(null.expected_m)}, p = {p_value(null.p)}{smallest}")


def _tolerance(visit: VisitResult) -> Cell:
    return Cell("–", "no known burials") if visit.score is None else Cell(metres(visit.score.tolerance_m))


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


def burial_table(result: SiteResult) -> Table | None:
    """Every known burial on every visit: matched by which hotspot, or how far the nearest lay."""
    if not len(result.burials) or all(visit.score is None for visit in result.visits):
        return None
    table = Table(
        "Known burials, visit by visit", ("Burial", "Kind", *(visit.name for visit in result.visits)), dense=True
    )
    distances = [burial_distances(visit, len(result.burials)) for visit in result.visits]
    for i, (name, kind) in enumerate(zip(result.burials["burial"], result.burials["kind"], strict=True)):
        cells = [_history(visit, i, float(d[i])) for visit, d in zip(result.visits, distances, strict=True)]
        table.rows.append([Cell(str(name)), Cell(str(kind)), *cells])
    return table


def _history(visit: VisitResult, burial: int, distance: float) -> Cell:
    if visit.score is None:
        return Cell("–", "not scored", "out")
    match = np.flatnonzero(visit.score.matches[:, 1] == burial)
    if len(match):
        spot = own_name(str(visit.scored["hotspot"].iloc[int(visit.score.matches[match[0], 0])]), visit.name)
        if not visit.score.eligible[burial]:
            return Cell(f"near {spot}", "not counted: outside the covered ground", "out")
        off = float(visit.score.match_distance_m[match[0]])
        return Cell(f"matched: {spot}", f"{metres(off)} outside it" if off > 0 else "inside it", "yes")
    if not visit.score.eligible[burial]:
        return Cell("not counted", "outside the covered ground", "out")
    return Cell("no match", f"nearest {metres(distance)} away" if np.isfinite(distance) else "no hotspot", "no")


def hotspot_table(result: SiteResult, visit: VisitResult) -> Table | None:
    """Every hotspot of a visit: size, direction, strength, and the burial it was compared with."""
    if not len(visit.scored):
        return None
    heads: tuple[str, ...] = ("Hotspot", "Depth (m)", "Area (m²)", "Length × width (m)", "Azimuth (°)", "Peak strength")
    scored = visit.score is not None and len(result.burials) > 0
    if scored:
        heads += ("Nearest burial", "Match", "Ground opened")
    table = Table(f"{visit.name}: {count(len(visit.scored), 'hotspot')}", heads)
    for i, row in enumerate(visit.scored.to_dict("records")):
        cells = [
            Cell(str(row["hotspot"])),
            Cell(f"{number(row['top_m'])}–{number(row['base_m'])}"),
            Cell(number(row["area_m2"])),
            Cell(f"{number(row['length_m'])} × {number(row['width_m'])}"),
            Cell(number(row["azimuth_deg"], 0)),
            Cell(number(row["peak_strength"], 0 if abs(row["peak_strength"]) >= 100 else 2)),
        ]
        table.rows.append(cells + (_against_burials(result, visit, i) if scored else []))
    return table


def _against_burials(result: SiteResult, visit: VisitResult, hotspot: int) -> list[Cell]:
    score = visit.score
    if score is None:  # the caller asked only for scored visits
        return []
    names = result.burials["burial"]
    nearest = score.hotspot_to_burial
    near = Cell(f"{names.iloc[int(nearest.nearest[hotspot])]}, {metres(float(nearest.distance_m[hotspot]))}")
    match = np.flatnonzero(score.matches[:, 0] == hotspot)
    found = Cell(str(names.iloc[int(score.matches[match[0], 1])]), "", "yes") if len(match) else Cell("none", "", "no")
    return [near, found, Cell("yes" if score.assessable[hotspot] else "no")]
