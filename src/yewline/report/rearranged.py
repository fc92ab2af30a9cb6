"""Lines seen from above, as listed and as corrected: what a person accepted, or could accept."""

from __future__ import annotations

from typing import Final

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from yewline.report.cells import Cell, Table
from yewline.report.corrections import VisitCorrections
from yewline.report.palette import NO_DATA, STRENGTH, STYLE, colour_map
from yewline.report.pictures import make_picture
from yewline.report.words import listed
from yewline.workspace.results import Rearranged, Seen, SiteResult, VisitResult

__all__ = ["rearranged"]

MOST_PICTURED: Final = 3
_MOST_NAMED: Final = 6


def rearranged(result: SiteResult) -> list[VisitCorrections]:
    """What was accepted or proposed on every visit that had any."""
    return [_of_visit(visit) for visit in result.visits if visit.rearranged]


def _of_visit(visit: VisitResult) -> VisitCorrections:
    rows = [
        [
            Cell(_what(each)),
            Cell("accepted" if each.accepted else "proposed, not applied", each.correction.reason),
            Cell(f"{each.before.likeness:.2f}"),
            Cell(f"{each.after.likeness:.2f}"),
        ]
        for each in visit.rearranged
    ]
    head = ("what the lines say", "state", "likeness to neighbours as listed", "as corrected")
    table = Table(f"Lines moved on {visit.name}", head, rows)
    shown = visit.rearranged[:MOST_PICTURED]
    caption = (
        f"{visit.name}: strength of response from above at one time, each line a row, as listed (left) and as "
        "corrected (right). Lines that the correction is about are marked. Neighbouring lines cross the same ground: "
        "what is longer than their spacing goes on from row to row."
    )
    alt = f"{listed([_what(each) for each in shown])}: lines seen from above before and after"
    return VisitCorrections(visit.name, table, make_picture(_figure(shown), alt, caption))


def _what(each: Rearranged) -> str:
    names = list(each.lines)
    some = listed(names) if len(names) <= _MOST_NAMED else f"{names[0]} to {names[-1]} ({len(names)} lines)"
    if each.correction.kind == "swapped":
        return f"recordings of {some} exchanged"
    if each.correction.kind == "reversed":
        return f"{some} walked the other way round"
    return f"zigzag of {each.correction.offset_m or 0.0:+.2f} m on {some}"


def _figure(shown: tuple[Rearranged, ...]) -> Figure:
    with mpl.rc_context(STYLE):
        heights = [0.5 + 0.17 * max(len(each.before.lines), len(each.after.lines)) for each in shown]
        figure = Figure(figsize=(7.6, 0.4 + sum(heights)), layout="constrained")
        axes = figure.subplots(len(shown), 2, squeeze=False, gridspec_kw={"height_ratios": heights})
        for row, each in zip(axes, shown, strict=True):
            known = each.after.strength[np.isfinite(each.after.strength)]
            low, high = np.percentile(known, (10, 98)) if len(known) else (0.0, 1.0)
            for place, seen, words in ((row[0], each.before, "as listed"), (row[1], each.after, "as corrected")):
                _draw(place, seen, each.lines, (float(low), float(high)))
                place.set_title(f"{_what(each)}: {words}" if words == "as listed" else words, fontsize=8, loc="left")
        for place in axes[-1]:
            place.set_xlabel("distance along the lines (m)", fontsize=7)
        return figure


def _draw(place: Axes, seen: Seen, concerned: tuple[str, ...], limits: tuple[float, float]) -> None:
    lines, along = seen.lines, seen.along_m
    colours = colour_map(STRENGTH).with_extremes(bad=NO_DATA)
    place.imshow(
        seen.strength,
        extent=(along[0], along[-1], len(lines) - 0.5, -0.5),
        aspect="auto",
        cmap=colours,
        vmin=limits[0],
        vmax=limits[1],
        interpolation="nearest",
    )
    place.set_yticks(range(len(lines)), [f"▸ {line}" if line in concerned else line for line in lines])
    place.tick_params(labelsize=6.5)
