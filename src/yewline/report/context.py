"""What the report's template is given: plain texts, tables and pictures, in the order of the page."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import numpy as np

from yewline.report.basemap import world_bounds
from yewline.report.cells import Cell, Table
from yewline.report.comparisons import compared
from yewline.report.corrections import corrections
from yewline.report.days import days_section
from yewline.report.distances import distance_limit, distance_plot, null_plot
from yewline.report.equal_depth import equal_depth_section
from yewline.report.history import burial_lead, burial_table
from yewline.report.hotspots import TOO_LONG, longer_than_grave
from yewline.report.maps import LONGEST_LINK_M, strength_limits, visit_map
from yewline.report.moisture import moisture_limits, moisture_map
from yewline.report.moisture_figures import moisture_section
from yewline.report.palette import AMPLITUDE, STRENGTH
from yewline.report.pictures import Picture, make_picture
from yewline.report.radargrams import (
    RadargramView,
    amplitude_clip,
    crossings,
    natural_key,
    pixels_for_each,
    radargram_views,
    select_lines,
)
from yewline.report.raster import data_uri, palette_png
from yewline.report.rearranged import rearranged
from yewline.report.sentences import (
    answer_lead,
    chance_sentence,
    left_out_sentence,
    limits,
    not_concluded,
    precision_sentence,
    recall_sentence,
)
from yewline.report.slices import level_views, slice_views
from yewline.report.tables import hotspot_table, overview_table
from yewline.report.velocities import hyperbola_example, velocities
from yewline.report.words import (
    CARE,
    CAUTIONS,
    FOOTER,
    RESTRICTED,
    count,
    date_words,
    depth_label,
    listed,
    moisture_rank,
    moisture_sentence,
    own_name,
    rounded,
)
from yewline.workspace.results import SiteResult, VisitResult

__all__ = ["CONTENTS", "report_context"]

CONTENTS: Final = (
    ("answer", "The answer first"),
    ("maps", "Maps"),
    ("moisture", "Soil moisture"),
    ("velocity", "Velocity by several ways"),
    ("days", "Days and the wave"),
    ("slices", "Depth slices"),
    ("equal-depth", "Equal depth, equal time"),
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


def report_context(result: SiteResult) -> dict[str, Any]:
    """Everything that the template names."""
    return {
        "version": result.version,
        "title": result.settings.name,
        "about": result.settings.about,
        "restricted": RESTRICTED,
        "care": CARE,
        "footer": FOOTER,
        "contents": CONTENTS,
        **_answer(result),
        **_pictures(result),
        **moisture_section(result),
        "velocities": velocities(result),
        **days_section(result),
        **_radargrams(result),
        "corrections": corrections(result),
        "rearranged": rearranged(result),
        "amplitude_bar": _bar("Amplitude (relative)", AMPLITUDE, "negative", "positive", blank=False),
        **compared(result),
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
        "left_out": left_out_sentence(result),
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
            make_picture(
                visit_map(result, visit, bounds=bounds, limits=strength),
                f"Map of strength at {depth_label(visit, visit.chosen)}, visit {visit.name}, with {spots}{graves}.",
                f"{label}: {spots}{graves}. {_map_words(result, visit)}",
            )
        )
        if water is not None:
            moisture.append(_moisture_picture(result, visit, label, bounds, water))
        distances.append(
            make_picture(
                distance_plot(visit, limit_m=longest),
                f"Distances between hotspots and burials, visit {visit.name}, beside the range that chance gives. "
                + chance_sentence(visit),
                f"{label}: distances in both directions beside chance.",
            )
        )
        nulls.append(
            make_picture(
                null_plot(visit),
                f"Histograms of the mean distance by chance, visit {visit.name}, with the observed mean marked.",
                f"{label}: the observed mean among those that chance gives.",
            )
        )
        views = slice_views(result, visit, bounds=bounds, limits=every)
        between = [view for view in views if view.between]
        strips.append(
            {
                "name": visit.name,
                "views": [view for view in views if not view.between],
                "between": between,
                "count": count(len(between), "slice"),
                "levels": level_views(result, visit, bounds=bounds, limits=every),
            }
        )
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
        **_equal_depth(result, bounds, every),
        "strength_bar": _bar(
            "Strength (relative)", STRENGTH, f"{rounded(every[0])}", f"{rounded(every[1])} or more", blank=True
        ),
    }


def _equal_depth(result: SiteResult, bounds: Any, limits: tuple[float, float]) -> dict[str, Any]:
    found = equal_depth_section(result, bounds=bounds, limits=limits)
    bars = {name: _bar(*found[name], blank=True) for name in ("equal_error_bar", "equal_ratio_bar", "trust_bar")}
    return {**found, **bars}


def _map_words(result: SiteResult, visit: VisitResult) -> str:
    text = "No burials are known here."
    if len(result.burials):
        text = (
            "A line joins each hotspot to the burial it is matched with, or else to the nearest where that lies within "
            f"{LONGEST_LINK_M:g} m."
        )
    if result.settings.primary.rule == "noise" and not len(visit.drawn):
        text += " On the colour bar, a stroke marks the threshold of outlining."
    long = [str(name) for name in visit.scored["hotspot"][longer_than_grave(result, visit.scored)]]
    if long:
        length_m = result.settings.target.adult.length_m
        text += (
            f" Longer than {TOO_LONG:g} times an adult's grave ({length_m:g} m), so perhaps a pipe, a ditch or several "
            f"graves in a row: {listed([own_name(name, visit.name) for name in long])}. Counted like all others."
        )
    return text


def _moisture_picture(result: SiteResult, visit: VisitResult, label: str, bounds: Any, water: Any) -> Picture | None:
    readings = 0 if visit.readings is None else len(visit.readings)
    blurred = "" if visit.moisture_map is not None else " There are too few readings, or too far apart, for a map."
    return make_picture(
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
        for (kind, note), names in sorted(notes.items(), key=lambda item: item[0][0])
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
    return {
        "radargrams": {"any": any(views.values()), "chosen": chosen, "rest": rest},
        "hyperbola_view": hyperbola_example(result, clip=clip, pixels_each=each),
    }


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
        "burial_lead": burial_lead(result),
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
