"""What was corrected on single lines, before and after: a table and pictures of each visit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from yewline.report.cells import Cell, Table
from yewline.report.palette import AMPLITUDE, STYLE, colour_map
from yewline.report.pictures import Picture, make_picture
from yewline.report.radargrams import natural_key
from yewline.report.words import count
from yewline.workspace.results import Correction, SiteResult, VisitResult

__all__ = ["MOST_PICTURED", "VisitCorrections", "corrections"]

MOST_PICTURED: Final = 4
"""Lines pictured of a visit; the table has them all."""
_CLIP_PERCENT: Final = 99.0


@dataclass(frozen=True, slots=True)
class VisitCorrections:
    """Of one visit: the table, and pictures of some."""

    visit: str
    table: Table
    picture: Picture | None


def corrections(result: SiteResult) -> list[VisitCorrections]:
    """Corrections of every visit that had any."""
    return [_of_visit(visit) for visit in result.visits if visit.corrections]


def _of_visit(visit: VisitResult) -> VisitCorrections:
    held = sorted(visit.corrections, key=lambda each: (each.kind, natural_key(each.line)))
    rows = [
        [Cell(each.line), Cell(_what(each)), Cell(_size(each, each.before)), Cell(_size(each, each.after))]
        for each in held
    ]
    table = Table(f"Corrected on {visit.name}", ("line", "what", "before", "after"), rows)
    # The largest drifts first, then the most faulty traces.
    shown = sorted(held, key=lambda each: (each.kind, -each.before))[:MOST_PICTURED]
    more = f" {count(len(held) - len(shown), 'more line')} in the table." if len(held) > len(shown) else ""
    caption = (
        f"{visit.name}: as recorded (left) and as corrected (right), on the same colours. Drift of time zero is "
        f"taken out trace by trace; a faulty trace takes what lies between its neighbours.{more}"
    )
    alt = f"Radargrams of {count(len(shown), 'line')} before and after correction"
    return VisitCorrections(visit.name, table, make_picture(_figure(shown), alt, caption))


def _what(each: Correction) -> str:
    return (
        "drift of time zero along the line" if each.kind == "drift" else "traces without signal, or with wild samples"
    )


def _size(each: Correction, value: float) -> str:
    return f"{value:.2f} ns" if each.kind == "drift" else count(round(value), "trace")


def _figure(shown: list[Correction]) -> Figure:
    with mpl.rc_context(STYLE):
        return _drawn(shown)


def _drawn(shown: list[Correction]) -> Figure:
    figure = Figure(figsize=(7.6, 0.5 + 1.75 * len(shown)), layout="constrained")
    axes = figure.subplots(len(shown), 2, squeeze=False)
    for row, each in zip(axes, shown, strict=True):
        limit = max(float(np.percentile(np.abs(each.mended), _CLIP_PERCENT)), 1e-30)
        for place, values, words in ((row[0], each.raw, "as recorded"), (row[1], each.mended, "corrected")):
            _draw(place, each, values, limit)
            place.set_title(f"{each.line}, {words}", fontsize=8, loc="left")
        row[0].set_ylabel("time (ns)", fontsize=7)
        row[1].set_yticklabels([])
    for place in axes[-1]:
        place.set_xlabel("distance along the line (m)", fontsize=7)
    return figure


def _draw(place: Axes, each: Correction, values: np.ndarray, limit: float) -> None:
    sides = (each.distance_m[0], each.distance_m[-1], each.time_ns[-1], each.time_ns[0])
    place.imshow(
        values.T,
        extent=sides,
        aspect="auto",
        cmap=colour_map(AMPLITUDE),
        vmin=-limit,
        vmax=limit,
        interpolation="nearest",
    )
    place.tick_params(labelsize=7)
