"""The report's tables of figures: visits side by side, hotspot by hotspot."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from yewline.report.cells import Cell, Table
from yewline.report.history import burial_states
from yewline.report.hotspots import longer_than_grave, other_rule
from yewline.report.sentences import compared_words
from yewline.report.words import count, date_words, depth_label, metres, number, p_value
from yewline.units import Z90
from yewline.workspace.results import SiteResult, VisitResult

__all__ = ["hotspot_table", "overview_table"]


def overview_table(result: SiteResult) -> Table:
    """A few figures of every visit, side by side."""
    visits = result.visits
    table = Table("The visits in figures", ("", *(visit.name for visit in visits)))

    table.add("Day", "", [Cell(date_words(v.settings.date), v.settings.weather) for v in visits])
    table.add("Soil moisture", "mean and standard deviation (sd) of the readings", [_moisture(v) for v in visits])
    table.add(
        "Wave velocity",
        "mean ± half-width of its 90 % interval, which is 1.64 standard deviations",
        [_velocity(v) for v in visits],
    )
    table.add(
        "Slice", "estimated depth ± half-width of the 90 % interval", [Cell(depth_label(v, v.chosen)) for v in visits]
    )
    table.add("Hotspots", "on that slice", [_hotspots(result, v) for v in visits])
    if all(visit.score is None for visit in visits):
        return table
    table.add("Known burials matched", "recall, with 95 % interval", [_recall(result, v) for v in visits])
    table.add(
        "Hotspots that matched a burial",
        "precision: of those on opened ground only, with 95 % interval",
        [_share(v, "precision") for v in visits],
    )
    table.add(
        "Hotspot to burial",
        "mean distance; in brackets its 95 % interval",
        [_distance(v, "hotspot_to_burial") for v in visits],
    )
    table.add(
        "Burial to hotspot",
        "mean distance; in brackets its 95 % interval",
        [_distance(v, "burial_to_hotspot") for v in visits],
    )
    table.add("Matching tolerance", "from the budget of position errors", [_tolerance(v) for v in visits])
    return table


def _moisture(visit: VisitResult) -> Cell:
    wet = visit.moisture
    if wet is None:
        return Cell("–", "no readings")
    return Cell(f"{wet.mean:.3f} m³/m³, sd {wet.sd:.3f}", f"n = {wet.n}, 0 to {wet.support_depth_m:.2f} m deep")


def _velocity(visit: VisitResult) -> Cell:
    velocity = visit.velocity
    text = f"{velocity.mean_m_per_ns:.4f} ± {Z90 * velocity.mean_sigma_m_per_ns:.4f} m/ns"
    return Cell(text, velocity.source)


def _hotspots(result: SiteResult, visit: VisitResult) -> Cell:
    kind = "drawn by a person" if len(visit.drawn) else "outlined by rule"
    other, rule = other_rule(result, visit)
    long = int(longer_than_grave(result, visit.scored).sum())
    told = [kind, f"{len(other)} by {rule}"] + ([f"{long} longer than an expected grave"] if long else [])
    return Cell(str(len(visit.scored)), "; ".join(told))


def _recall(result: SiteResult, visit: VisitResult) -> Cell:
    cell, told = _share(visit, "recall"), []
    if visit.score is not None and visit.score.recall.value is not None:
        chance, why = visit.score.chance_recall, visit.score.chance_recall_why or "not worked out"
        told = [f"by chance {number(chance)}" if chance is not None else f"chance level: {why}"]
    shared = sum(state == "part" for state in burial_states(result, visit))
    if shared:
        lie = "lies" if shared == 1 else "lie"
        told.append(f"{shared} more {lie} in a hotspot's outline, or beside one matched elsewhere")
    return Cell(cell.text, "; ".join([cell.note, *told]))


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
    text = metres(item.mean_m)
    text += f" ({number(item.low_m)} to {number(item.high_m)})" if item.low_m is not None else " (no interval)"
    null = item.shift
    if null is None or null.expected_m is None:
        return Cell(text, "chance level: " + ((null.why if null is not None else "") or "not worked out"))
    smallest = "" if null.smallest_p is None else f"; smallest possible {p_value(null.smallest_p)}"
    seen = ""
    if null.observed_m is not None and abs(null.observed_m - item.mean_m) >= 0.005:
        some = compared_words(null)
        seen = f"{metres(null.observed_m)} where chance is worked out{some and f' ({some})'}; "
    return Cell(text, f"{seen}chance {metres(null.expected_m)}, p = {p_value(null.p)}{smallest}")


def _tolerance(visit: VisitResult) -> Cell:
    return Cell("–", "no known burials") if visit.score is None else Cell(metres(visit.score.tolerance_m))


def hotspot_table(result: SiteResult, visit: VisitResult) -> Table | None:
    """Every hotspot of a visit: size, direction, strength, and the burial it was compared with."""
    if not len(visit.scored):
        return None
    heads: tuple[str, ...] = ("Hotspot", "Depth (m)", "Area (m²)", "Length × width (m)", "Azimuth (°)", "Peak strength")
    scored = visit.score is not None and len(result.burials) > 0
    if scored:
        heads += ("Nearest burial, middle to middle", "Match", "Ground opened")
    table = Table(f"{visit.name}: {count(len(visit.scored), 'hotspot')}", heads)
    long = longer_than_grave(result, visit.scored)
    for i, row in enumerate(visit.scored.to_dict("records")):
        cells = [
            Cell(str(row["hotspot"]), _placed(float(row["position_sigma_m"]))),
            Cell(f"{number(row['top_m'])}–{number(row['base_m'])}"),
            Cell(number(row["area_m2"])),
            Cell(
                f"{number(row['length_m'])} × {number(row['width_m'])}",
                "longer than an expected grave" if long[i] else "",
            ),
            Cell(number(row["azimuth_deg"], 0)),
            Cell(number(row["peak_strength"], 0 if abs(row["peak_strength"]) >= 100 else 2)),
        ]
        table.rows.append(cells + (_against_burials(result, visit, i) if scored else []))
    return table


def _placed(sigma_m: float) -> str:
    """How well the traces that carry a hotspot are placed, as the half-width of the 90 % interval along each axis."""
    return f"traces placed ± {Z90 * sigma_m:.2f} m" if math.isfinite(sigma_m) else ""


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
