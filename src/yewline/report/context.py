"""What the report's template is given: plain texts, tables and pictures, in the order of the page."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from matplotlib.figure import Figure

from yewline.report.basemap import world_bounds
from yewline.report.distances import comparison_plot, distance_limit, distance_plot, null_plot
from yewline.report.maps import strength_limits, visit_map
from yewline.report.moisture import moisture_limits, moisture_map
from yewline.report.palette import AMPLITUDE, STRENGTH
from yewline.report.radargrams import (
    RadargramView,
    amplitude_clip,
    crossings,
    natural_key,
    pixels_for_each,
    radargram_views,
    select_lines,
)
from yewline.report.raster import data_uri, figure_png, palette_png
from yewline.report.slices import slice_views
from yewline.report.tables import Cell, Table, burial_table, hotspot_table, overview_table
from yewline.report.words import (
    CAUTIONS,
    FOOTER,
    RESTRICTED,
    answer_lead,
    chance_sentence,
    count,
    date_words,
    depth_label,
    limits,
    listed,
    metres,
    moisture_rank,
    moisture_sentence,
    not_concluded,
    number,
    p_value,
    precision_sentence,
    recall_sentence,
)
from yewline.workspace.results import SiteResult, VisitResult

__all__ = ["CONTENTS", "Picture", "report_context"]

CONTENTS: Final = (
    ("answer", "The answer first"),
    ("maps", "Maps"),
    ("moisture", "Soil moisture"),
    ("slices", "Depth slices"),
    ("radargrams", "Radargrams"),
    ("distances", "Distances and chance"),
    ("comparison", "Visits compared"),
    ("tables", "Burials and hotspots"),
    ("choices", "Choices made"),
    ("quality", "Data quality"),
    ("limits", "Limits"),
    ("cautions", "Cautions"),
    ("provenance", "Provenance"),
)
FINDING_GROUPS: Final = (
    ("fault", "Left out", False),
    ("warning", "Warnings", False),
    ("assumed", "Assumed, because nobody said", False),
    ("found", "Found", True),
)


@dataclass(frozen=True, slots=True)
class Picture:
    """A plotted figure for the page."""

    uri: str
    width: int
    height: int
    alt: str
    caption: str


def report_context(result: SiteResult) -> dict[str, Any]:
    """Everything that the template names."""
    return {
        "version": result.version,
        "title": result.settings.name,
        "about": result.settings.about,
        "restricted": RESTRICTED,
        "footer": FOOTER,
        "contents": CONTENTS,
        **_answer(result),
        **_pictures(result),
        "radargrams": _radargrams(result),
        "amplitude_bar": _bar("Amplitude (relative)", AMPLITUDE, "negative", "positive", blank=False),
        **_comparisons(result),
        **_tables(result),
        **_closing(result),
    }


def _answer(result: SiteResult) -> dict[str, Any]:
    answers = []
    for visit in result.visits:
        sentences = [recall_sentence(result, visit), precision_sentence(visit), chance_sentence(visit)]
        rank = moisture_rank(result, visit)
        note = f"{date_words(visit.settings.date)}{rank and f', {rank} day'} · {count(len(visit.scored), 'hotspot')}"
        answers.append(
            {"name": visit.name, "note": note, "sentences": [sentence for sentence in sentences if sentence]}
        )
    # With many visits the same statement comes again and again: each is printed once here, and in full below.
    said = list(dict.fromkeys(c.statement for c in result.comparisons if c.statement))
    statements = [{"heading": "The visits compared", "text": text} for text in said[:3]]
    return {
        "lead": answer_lead(result),
        "answers": answers,
        "statements": statements,
        "not_concluded": not_concluded(result),
        "overview": overview_table(result),
        "scored": any(visit.score is not None for visit in result.visits),
    }


def _pictures(result: SiteResult) -> dict[str, Any]:
    bounds, strength = world_bounds(result), strength_limits(result)
    every, water, longest = strength_limits(result, every_slice=True), moisture_limits(result), distance_limit(result)
    maps, moisture, distances, nulls, strips = [], [], [], [], []
    for visit in result.visits:
        label = f"{visit.name}, {date_words(visit.settings.date)}"
        spots = count(len(visit.scored), "hotspot")
        graves = f" and {count(len(result.burials), 'known burial')}" if len(result.burials) else ""
        maps.append(
            _picture(
                visit_map(result, visit, bounds=bounds, limits=strength),
                f"Map of strength at {depth_label(visit, visit.chosen)}, visit {visit.name}, with {spots}{graves}.",
                f"{label}: {spots}{graves}. A line joins each hotspot to the burial it is matched with, or else to the "
                "nearest. On the colour bar, a stroke marks the threshold of outlining."
                if len(result.burials)
                else f"{label}: {spots}. No burials are known here.",
            )
        )
        if water is not None:
            moisture.append(_moisture_picture(result, visit, label, bounds, water))
        distances.append(
            _picture(
                distance_plot(visit, limit_m=longest),
                f"Distances between hotspots and burials, visit {visit.name}, beside the range that chance gives. "
                + chance_sentence(visit),
                f"{label}: distances in both directions beside chance.",
            )
        )
        nulls.append(
            _picture(
                null_plot(visit),
                f"Histograms of the mean distance by chance, visit {visit.name}, with the observed mean marked.",
                f"{label}: the observed mean among those that chance gives.",
            )
        )
        strips.append({"name": visit.name, "views": slice_views(result, visit, bounds=bounds, limits=every)})
    return {
        "maps": _kept(maps),
        "moisture": _kept(moisture),
        "moisture_words": [{"name": visit.name, "text": moisture_sentence(visit)} for visit in result.visits],
        "distances": _kept(distances),
        "nulls": _kept(nulls),
        "chance_notes": _chance_notes(result),
        "no_distances": "No burials are known here, so there are no distances to give."
        if all(visit.score is None for visit in result.visits)
        else "There are no hotspots, so there are no distances to give.",
        "strips": strips,
        "strength_bar": _bar(
            "Strength (relative)", STRENGTH, _short(every[0]), f"{_short(every[1])} or more", blank=True
        ),
    }


def _moisture_picture(result: SiteResult, visit: VisitResult, label: str, bounds: Any, water: Any) -> Picture | None:
    readings = 0 if visit.readings is None else len(visit.readings)
    blurred = "" if visit.moisture_map is not None else " There are too few readings, or too far apart, for a map."
    return _picture(
        moisture_map(result, visit, bounds=bounds, limits=water),
        f"Map of soil moisture, visit {visit.name}. {moisture_sentence(visit)}",
        f"{label}: {count(readings, 'reading')}.{blurred}{_map_error(visit)}",
    )


def _map_error(visit: VisitResult) -> str:
    if visit.moisture_map is None:
        return ""
    sd = visit.moisture_map["vwc_sd"].values
    known = sd[np.isfinite(sd)]
    return f" Standard deviation of the map's estimate: {np.median(known):.3f} m³/m³ (median)." if len(known) else ""


def _picture(figure: Figure | None, alt: str, caption: str) -> Picture | None:
    if figure is None:
        return None
    png = figure_png(figure)
    width, height = (round(96 * inches) for inches in figure.get_size_inches())
    return Picture(data_uri(png), width, height, alt, caption)


def _kept(pictures: list[Picture | None]) -> list[Picture]:
    return [picture for picture in pictures if picture is not None]


def _bar(name: str, scale: str, low: str, high: str, *, blank: bool) -> dict[str, Any]:
    ramp = np.repeat(np.arange(255, dtype=np.uint8)[None, :], 2, axis=0)
    alt = f"colours from {low} to {high}"
    return {
        "name": name,
        "uri": data_uri(palette_png(ramp, scale)),
        "low": low,
        "high": high,
        "alt": alt,
        "blank": blank,
    }


def _short(value: float) -> str:
    return number(value, 0 if abs(value) >= 100 else 2)


def _chance_notes(result: SiteResult) -> list[str]:
    """What each chance level has to remark, with the visits that it holds for where those are not all."""
    notes: dict[tuple[str, str], list[str]] = {}
    scored = [visit for visit in result.visits if visit.score is not None]
    for visit in scored:
        item = visit.score.hotspot_to_burial if visit.score is not None else None
        for kind, null in (("Pattern moved", item and item.shift), ("Placed anywhere", item and item.placement)):
            for note in null.notes if null else ():
                notes.setdefault((kind, note), []).append(visit.name)
    return [
        f"{kind}{f' ({listed(names)})' if len(names) < len(scored) else ''}: {note.rstrip('.')}."
        for (kind, note), names in notes.items()
    ]


def _radargrams(result: SiteResult) -> dict[str, Any]:
    spans = {visit.name: crossings(visit) for visit in result.visits}
    clip, each = amplitude_clip(result), pixels_for_each(result)
    views: dict[str, list[RadargramView]] = {
        visit.name: radargram_views(visit, spans[visit.name], clip=clip, pixels_each=each) for visit in result.visits
    }
    first = select_lines(spans)
    chosen = [
        {"name": line, "views": [v for shown in views.values() for v in shown if v.line == line]} for line in first
    ]
    rest = []
    for name, shown in views.items():
        others = [view for view in shown if view.line not in first]
        if others:
            rest.append({"name": name, "count": count(len(others), "more line"), "views": others})
    return {"any": any(views.values()), "chosen": chosen, "rest": rest}


def _comparisons(result: SiteResult) -> dict[str, Any]:
    items = []
    for c in result.comparisons:
        table = Table("The comparison in figures", ("Figure", "Value"))
        for head, note, text in (
            ("Distance", "capped at the tolerance", c.measure),
            ("Burials compared", f"in {count(c.blocks, 'block')} that share a hotspot", str(c.n)),
            ("Mean difference", f"{c.visit_b} minus {c.visit_a}, {c.direction}", metres(c.paired_difference_m)),
            ("95 % interval", c.why, "–" if c.low_m is None else f"{metres(c.low_m)} to {metres(c.high_m)}"),
            ("Difference by chance", "from the scatter of the hotspots alone", metres(c.chance_difference_m)),
            ("p, two-sided", "blocks of burials flipped together", p_value(c.p)),
            ("Smallest possible p", "with so few blocks", p_value(c.smallest_p)),
        ):
            table.rows.append([Cell(head, note), Cell(text)])
        heading = f"{c.visit_a} and {c.visit_b}"
        picture = _picture(
            comparison_plot(c),
            f"Distance from each burial to its nearest hotspot, {c.visit_a} across, {c.visit_b} upward.",
            "One mark for each known burial; a larger mark stands for several. Distances are capped at the tolerance.",
        )
        items.append(
            {"heading": heading, "text": _difference(c), "statement": c.statement, "table": table, "picture": picture}
        )
    alone = len(result.visits) < 2
    return {
        "comparisons": items,
        "no_comparison": "There was one visit only: nothing to compare it with."
        if alone
        else "Without known burials visits cannot be compared burial by burial.",
    }


def _difference(comparison: Any) -> str:
    d = comparison.paired_difference_m
    if d is None:
        return f"The visits cannot be compared: {comparison.why or 'there is too little to go on'}."
    if abs(d) < 0.005:
        return f"Over {count(comparison.n, 'burial')} the two visits did not differ on average."
    nearer, other = (comparison.visit_b, comparison.visit_a) if d < 0 else (comparison.visit_a, comparison.visit_b)
    return (
        f"Over {count(comparison.n, 'burial')}, the nearest hotspot lay {metres(abs(d))} closer on average on {nearer} "
        f"than on {other}."
    )


def _tables(result: SiteResult) -> dict[str, Any]:
    choices = Table("Choices", ("What", "Choice", "Why"))
    choices.rows.extend([Cell(what), Cell(value), Cell(why)] for what, value, why in result.choices)
    groups = []
    for grade, name, folded in FINDING_GROUPS:
        found = [finding for finding in result.findings if finding.grade == grade]
        if not found:
            continue
        table = Table(name, ("What", "Where", "Received", "What to do"))
        for f in found:
            where = " · ".join(part for part in (f.visit, f.line and f"line {f.line}") if part)
            table.rows.append([Cell(f.text, f.code), Cell(where, f.where), Cell(f.received), Cell(f.do)])
        groups.append({"name": name, "folded": folded, "count": count(len(found), "item"), "table": table})
    per_visit = [hotspot_table(result, visit) for visit in result.visits]
    return {
        "burial_table": burial_table(result),
        "hotspot_tables": [table for table in per_visit if table is not None],
        "choices": choices,
        "findings": groups,
    }


def _closing(result: SiteResult) -> dict[str, Any]:
    release = result.settings.release
    who = f"Release requires approval by: {release.decided_by}." if release.decided_by else (
        "Nobody is named in site.toml who decides on release. Until then, nothing here may be passed on."
    )  # fmt: skip
    visits = Table("Visits", ("Visit", "Day", "Antenna", "Lines", "Soil", "Weather", "Notes"))
    for visit in result.visits:
        settings = visit.settings
        antenna = f"{settings.antenna.centre_mhz:g} MHz, {settings.antenna.separation_m:g} m apart"
        visits.rows.append(
            [
                Cell(visit.name, f"operator: {settings.operator}" if settings.operator else ""),
                Cell(date_words(settings.date)),
                Cell(antenna),
                Cell(str(len(visit.radargrams))),
                Cell(settings.soil.texture),
                Cell(settings.weather),
                Cell(settings.notes),
            ]
        )
    inputs = Table("Inputs", ("File", "SHA-256"))
    inputs.rows.extend(
        [Cell(name), Cell(digest, kind="hash")] for name, digest in sorted(result.inputs.items(), key=_by_name)
    )
    return {
        "limits": limits(result),
        "cautions": CAUTIONS,
        "site_cautions": result.settings.cautions,
        "release": {
            "text": who + (f" Contact: {release.contact}." if release.contact else ""),
            "note": release.note,
        },
        "input_count": count(len(result.inputs), "input file"),
        "recipe_name": result.recipe_name,
        "recipe_digest": result.recipe_digest,
        "recipe": result.recipe,
        "visit_table": visits,
        "inputs": inputs,
    }


_by_name: Callable[[tuple[str, str]], Any] = lambda item: natural_key(item[0])  # noqa: E731
