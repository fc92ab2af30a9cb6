"""Moisture in figures: level and variability apart, how far it is alike, and how visits differ."""

from __future__ import annotations

import math
from typing import Any, Final

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure

from yewline.report.cells import Cell, Table
from yewline.report.palette import INK, MUTED, NO_DATA, OTHER, PAPER, STYLE
from yewline.report.pictures import Picture, make_picture
from yewline.report.words import count, date_words, number, p_value, short_name
from yewline.workspace.results import SiteResult, VisitResult
from yewline.workspace.stage_moisture import MoistureAgainst, MoistureFigures, ScaleVariance

__all__ = ["comparison_sentences", "moisture_section", "variogram_plot"]

PANEL_IN: Final = 2.6
SHOWN_PLACES: Final = 5
LIKE_P: Final = 0.05


def moisture_section(result: SiteResult) -> dict[str, Any]:
    """What the page says of moisture besides its maps."""
    held = [(visit, visit.moisture_figures) for visit in result.visits if visit.moisture_figures is not None]
    return {
        "moisture_compared": comparison_sentences(result),
        "moisture_tables": [_level_table(held), _variability_table(held), _pattern_table(held), *_places_table(result)]
        if held
        else [],
        "variograms": _variograms(held),
        "moisture_notes": _notes(held),
        "burial_moisture": _burial_table(result),
    }


def comparison_sentences(result: SiteResult) -> list[str]:
    """How each pair of visits differs in level and in variability."""
    return [] if result.moisture is None else [_pair_sentence(pair) for pair in result.moisture.pairs]


def _pair_sentence(pair: MoistureAgainst) -> str:
    found = pair.found
    step, ratio = found.difference, found.ratio
    way = "more" if step.value >= 0 else "less"
    first = f"From {pair.earlier} to {pair.later} the ground held {abs(step.value):.3f} m³/m³ {way} water on average"
    if found.why:
        return f"{first}, and its deviation was {number(ratio.value)} times as large. {found.why}"
    ends = sorted((abs(step.low), abs(step.high))) if step.low * step.high > 0 else [step.low, step.high]
    text = f"{first} ({number(ends[0], 3)} to {number(ends[1], 3)}, 90 %; p = {p_value(found.difference_p)}). "
    text += f"How unevenly it was spread changed to {number(ratio.value)} times "
    text += f"({number(ratio.low)} to {number(ratio.high)}; p = {p_value(found.ratio_p)}), the readings' own error "
    text += "taken off. "
    rest = (
        f"Both were read at {count(found.pairs, 'place')}, which are compared one by one."
        if found.design == "paired"
        else "The visits were read at different places, and are compared as wholes."
    )
    if found.difference_common_sd:
        rest += f" Two probes: calibration alone may shift the difference by {found.difference_common_sd:.3f} (sd)."
    return text + rest


def _level_table(held: list[tuple[VisitResult, MoistureFigures]]) -> Table:
    heads = ("Visit", "Readings", "Mean", "Median", "Driest and wettest tenth", "Shared error")
    table = Table("Level of moisture (m³/m³): how wet", heads)
    for visit, figures in held:
        level = figures.level
        worth = f"worth {level.n_eff:.0f} independent" if math.isfinite(level.n_eff) else ""
        tenths = [_estimate(value, 3) for value in (level.p10, level.p90)]
        table.rows.append(
            [
                _visit_cell(visit),
                Cell(str(level.n), worth),
                _estimate(level.mean, 3),
                _estimate(level.median, 3),
                Cell(" and ".join(cell.text for cell in tenths), "; ".join(c.note for c in tenths if c.note)),
                Cell(f"± {level.common_sd:.3f}", "sd"),
            ]
        )
    return table


def _variability_table(held: list[tuple[VisitResult, MoistureFigures]]) -> Table:
    heads = ("Visit", "Deviation", "Robust", "Over the mean", "5–20 m apart", "Under 0.5 m apart")
    table = Table(
        "Variability of moisture (m³/m³): how unevenly it is spread, the readings' own error taken off", heads
    )
    for visit, figures in held:
        spread, scales = figures.variability, figures.scales
        table.rows.append(
            [
                _visit_cell(visit),
                _estimate(spread.sd, 3),
                _estimate(spread.robust_sd, 3),
                _share_cell(figures),
                _scale_cell(scales.macro),
                _scale_cell(scales.micro),
            ]
        )
    return table


def _share_cell(figures: MoistureFigures) -> Cell:
    """Deviation over the mean, which calls a wetter day a more even one; so beside it what such a level allows."""
    cell = _estimate(figures.variability.cv, 2)
    notes = [cell.note]
    if math.isfinite(figures.for_its_level):
        notes.append(f"{figures.for_its_level:.2f} times the usual")
    if math.isfinite(figures.share_of_most):
        notes.append(f"{100 * figures.share_of_most:.0f} % of the most")
    return Cell(cell.text, "; ".join(note for note in notes if note))


def _pattern_table(held: list[tuple[VisitResult, MoistureFigures]]) -> Table:
    heads = ("Visit", "Alike over", "Between readings", "Moran's I", "Wetter quarter")
    table = Table("Pattern of moisture: over what distance it is alike", heads)
    for visit, figures in held:
        moran = figures.moran
        table.rows.append(
            [
                _visit_cell(visit),
                _range_cell(figures),
                _nugget_cell(figures),
                Cell("–") if moran is None else Cell(number(moran.i), f"p = {p_value(float(moran.p_permutation))}"),
                _patches_cell(figures),
            ]
        )
    return table


def _visit_cell(visit: VisitResult) -> Cell:
    return Cell(visit.name, date_words(visit.settings.date))


def _scale_cell(scale: ScaleVariance) -> Cell:
    if scale.why:
        return Cell("–", "not measured")
    found = scale.variance
    ends = [math.sqrt(max(end, 0.0)) for end in (found.low, found.high) if math.isfinite(end)]
    note = f"{number(ends[0], 3)} to {number(ends[1], 3)}" if len(ends) == 2 else ""
    return Cell(number(math.sqrt(max(found.value, 0.0)), 3), note)


def _estimate(value: Any, digits: int) -> Cell:
    known = math.isfinite(value.low) and math.isfinite(value.high)
    return Cell(
        number(value.value, digits), f"{number(value.low, digits)} to {number(value.high, digits)}" if known else ""
    )


def _range_cell(figures: MoistureFigures) -> Cell:
    found = figures.range_m
    if found is None:
        return Cell("–", "too few readings")
    if found.bounded_below and found.bounded_above:
        return Cell(f"{found.value:.2g} m", f"{found.low:.2g} to {found.high:.2g} m")
    if found.bounded_below:
        return Cell(f"at least {found.low:.2g} m")
    if found.bounded_above:
        return Cell(f"at most {found.high:.2g} m", "or shorter than readings lie apart")
    return Cell("not told", "by these readings")


def _nugget_cell(figures: MoistureFigures) -> Cell:
    found = figures.nugget_share
    if found is None:
        return Cell("–")
    return Cell(f"{100 * found.value:.0f} %", f"{100 * found.low:.0f} to {100 * found.high:.0f} %")


def _patches_cell(figures: MoistureFigures) -> Cell:
    patches = figures.patches
    if patches is None:
        return Cell("–")
    many = "1 patch" if patches.count == 1 else f"{patches.count} patches"
    verdict = "" if figures.arrangement is None else figures.arrangement.verdict
    return Cell(f"{many}, the largest {patches.largest_area_m2:.0f} m²", verdict)


def _places_table(result: SiteResult) -> list[Table]:
    places = None if result.moisture is None else result.moisture.places
    if places is None or not len(places):
        return []
    heads = ("Place", "x (m)", "y (m)", "From the mean", "Over visits", "Index")
    caption = "Places that were read on every visit and stay nearest to the mean: worth reading first next time"
    table = Table(caption, heads)
    for i, (x, y, mean, sd, index) in enumerate(places.head(SHOWN_PLACES).to_numpy(float), start=1):
        figures = [number(x, 1), number(y, 1), f"{100 * mean:+.0f} %", f"± {100 * sd:.0f} %", number(index)]
        table.rows.append([Cell(str(i)), *(Cell(text) for text in figures)])
    return [table]


def _burial_table(result: SiteResult) -> Table | None:
    """Moisture at each burial and its contrast to the ground around it, visit by visit."""
    tables = {visit.name: visit.burial_moisture for visit in result.visits if visit.burial_moisture is not None}
    if not tables:
        return None
    table = Table("Moisture at known burials by the map (m³/m³), and less that of a ring around", ("Burial", *tables))
    rows = [found.to_dict("records") for found in tables.values()]
    for same in zip(*rows, strict=True):
        table.rows.append([Cell(str(same[0]["burial"])), *(_at_burial(row) for row in same)])
    return table


def _at_burial(row: dict[Any, Any]) -> Cell:
    if not math.isfinite(row["vwc"]):
        return Cell("–", "beyond what readings support")
    if not math.isfinite(row["contrast"]):
        return Cell(number(row["vwc"], 3))
    contrast = number(row["contrast"], 3)
    sign = "" if contrast.startswith("−") else "+"
    return Cell(number(row["vwc"], 3), f"{sign}{contrast}, sd up to {number(row['contrast_sd'], 3)}")


def _notes(held: list[tuple[VisitResult, MoistureFigures]]) -> list[str]:
    notes = []
    for visit, figures in held:
        told = [figures.level.why, *figures.level.notes, figures.scales.micro.why, figures.scales.macro.why]
        notes += [f"{visit.name}: {text}" for text in dict.fromkeys(told) if text]
    return notes


def _variograms(held: list[tuple[VisitResult, MoistureFigures]]) -> Picture | None:
    shown = [(visit, figures) for visit, figures in held if figures.bins is not None]
    names = ", ".join(visit.name for visit, _ in shown)
    return make_picture(
        variogram_plot(shown),
        f"Variograms of soil moisture, visits {names}: half the mean squared difference of readings by their distance.",
        "How unlike readings become with distance, in the same scales for all visits. Dots: pairs of readings, larger "
        "where there are more; line: the likeliest model; dashed: the readings' own error; grey: where the range lies "
        "(90 %).",
    )


def variogram_plot(shown: list[tuple[VisitResult, MoistureFigures]]) -> Figure | None:
    """One panel a visit, all with the same axes; None without a visit that has enough readings."""
    if not shown:
        return None
    longest = max(float(figures.bins.distance_m.max()) for _, figures in shown if figures.bins is not None)
    highest = 1.15 * max(float(figures.bins.gamma.max()) for _, figures in shown if figures.bins is not None)
    wide = 0.75 + PANEL_IN * len(shown)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(wide, 2.7))
        for i, (visit, figures) in enumerate(shown):
            box = ((0.65 + i * PANEL_IN) / wide, 0.18, (PANEL_IN - 0.25) / wide, 0.66)
            axes = figure.add_axes(box)
            _draw_variogram(axes, figures, longest)
            axes.set(xlim=(0, 1.05 * longest), ylim=(0, highest), xlabel="distance (m)")
            axes.set_title(short_name(visit.name, 24))
            if i:
                axes.set_yticklabels([])
            else:
                axes.set_ylabel("semivariance\n(m³/m³)²")
                axes.ticklabel_format(axis="y", style="sci", scilimits=(0, 0), useMathText=False)
        return figure


def _draw_variogram(axes: Any, figures: MoistureFigures, longest: float) -> None:
    bins, model, found = figures.bins, figures.model, figures.range_m
    assert bins is not None
    assert model is not None
    assert found is not None
    low = found.low if found.bounded_below else 0.0
    high = found.high if found.bounded_above else 2.0 * longest
    axes.axvspan(low, high, color=NO_DATA, linewidth=0, zorder=0)
    error = figures.variability.own_error_sd**2
    h = np.linspace(1e-6, 1.05 * longest, 200)
    axes.axhline(error, color=MUTED, linewidth=0.9, linestyle=(0, (4, 2)), zorder=1)
    axes.plot(h, model.gamma(h) + error, color=INK, linewidth=1.4, zorder=2)
    size = 8.0 + 60.0 * bins.pairs / bins.pairs.max()
    axes.scatter(bins.distance_m, bins.gamma, s=size, color=OTHER, edgecolors=PAPER, linewidths=0.7, zorder=3)
