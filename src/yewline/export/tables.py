"""Tables of a result: plain rows with fixed decimals, so that the same result gives the same file."""

from __future__ import annotations

import csv
import io
import math
import re
from typing import Any, Final

import numpy as np

from yewline.export.depth_tables import depth_errors_table, equal_depth_table
from yewline.export.names import named_sets
from yewline.export.result_table import ResultTable
from yewline.model import HOTSPOT_COLUMNS, centroids
from yewline.report import burial_distances, burial_gaps, longer_than_grave, slice_error_m
from yewline.workspace.results import SiteResult, VisitResult

__all__ = ["ResultTable", "result_tables", "table_csv"]

PLACE: Final = re.compile("[xy][01]?(_m)?")


def result_tables(result: SiteResult) -> dict[str, ResultTable]:
    """All tables of a result, by the name of their file without its suffix."""
    return {
        "hotspots": _hotspots(result),
        "burials": _burials(result),
        "distances": _distances(result),
        "distance_summary": _distance_summary(result),
        "matches": _matches(result),
        "burial_history": _history(result),
        "comparisons": _comparisons(result),
        "slices": _slices(result),
        "equal_depth": equal_depth_table(result),
        "depth_errors": depth_errors_table(result),
        "moisture": _moisture(result),
        "burial_moisture": _burial_moisture(result),
        "velocities": _velocities(result),
        "hyperbolas": _hyperbolas(result),
        "wave": _wave(result),
        "day": _day(result),
        "lines": _lines(result),
        "findings": _findings(result),
    }


def table_csv(table: ResultTable) -> bytes:
    """A table as CSV (RFC 4180, UTF-8): six significant digits, places to the millimetre, empty where there is nothing.

    Examples
    --------
    >>> table_csv(ResultTable("", ("a", "b"), [("x", 0.1 + 0.2), ("y, z", float("nan"))]))
    b'a,b\\r\\nx,0.3\\r\\n"y, z",\\r\\n'
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(table.columns)
    # Six digits would round an easting to a metre.
    forms = [".3f" if PLACE.fullmatch(name) else ".6g" for name in table.columns]
    writer.writerows([[_text(value, form) for value, form in zip(row, forms, strict=True)] for row in table.rows])
    return out.getvalue().encode("utf-8")


def _text(value: Any, form: str) -> str:
    if value is None:
        return ""
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, float | np.floating):
        return format(float(value), form) if math.isfinite(value) else ""
    return str(value)


def _hotspots(result: SiteResult) -> ResultTable:
    table = ResultTable(
        "hotspots of all visits: those scored, and others found or drawn; longer_than_grave: by half and more",
        ("set", "scored", *HOTSPOT_COLUMNS, "longer_than_grave"),
    )
    for visit in result.visits:
        used = "drawn" if len(visit.drawn) else result.settings.primary.rule
        for name, outlines in named_sets(result, visit).items():
            for row, long in zip(outlines.to_dict("records"), longer_than_grave(result, outlines), strict=True):
                table.rows.append((name, name == used, *(row[column] for column in HOTSPOT_COLUMNS), bool(long)))
    return table


def _burials(result: SiteResult) -> ResultTable:
    columns = ("burial", "kind", "x_m", "y_m", "area_m2", "top_m", "base_m", "sigma_xy_m", "evidence")
    table = ResultTable("known burials; x and y are the centroid, site metres", columns)
    for row, (x, y) in zip(result.burials.to_dict("records"), centroids(result.burials), strict=True):
        table.rows.append(
            (row["burial"], row["kind"], x, y, float(row["geometry"].area), row["top_m"], row["base_m"],
             row["sigma_xy_m"], row["evidence"])
        )  # fmt: skip
    return table


def _scores(visit: VisitResult) -> tuple[Any, ...]:
    score = visit.score
    if score is None:
        return ()
    return score.hotspot_to_burial, score.burial_to_hotspot, score.hotspot_to_outline, score.burial_to_outline


def _distances(result: SiteResult) -> ResultTable:
    columns = ("visit", "direction", "measure", "from", "to", "distance_m")
    table = ResultTable("every nearest distance, with its direction", columns)
    burials = [str(name) for name in result.burials["burial"]]
    for visit in result.visits:
        spots = [str(name) for name in visit.scored["hotspot"]]
        for item in _scores(visit):
            first, second = (spots, burials) if item.direction == "hotspot to burial" else (burials, spots)
            names = first if len(first) == item.n else _eligible(visit, first)
            for name, to, distance in zip(names, item.nearest, item.distance_m, strict=True):
                target = second[int(to)] if 0 <= to < len(second) else None
                table.rows.append((visit.name, item.direction, item.measure, name, target, float(distance)))
    return table


def _eligible(visit: VisitResult, burials: list[str]) -> list[str]:
    return [] if visit.score is None else [burials[i] for i in np.flatnonzero(visit.score.eligible)]


def _distance_summary(result: SiteResult) -> ResultTable:
    columns = (
        "visit", "direction", "measure", "n", "mean_m", "median_m", "sd_m", "low_m", "high_m", "null", "chance_mean_m",
        "chance_low_m", "chance_high_m", "p", "smallest_p", "draws", "why",
    )  # fmt: skip
    table = ResultTable("distances summed up, beside each chance level (one row a null)", columns)
    for visit in result.visits:
        for item in _scores(visit):
            head = (visit.name, item.direction, item.measure, item.n, item.mean_m, item.median_m, item.sd_m, item.low_m,
                    item.high_m)  # fmt: skip
            nulls = [null for null in (item.shift, item.placement) if null is not None]
            for null in nulls:
                table.rows.append(
                    (*head, null.null, null.expected_m, null.low_m, null.high_m, null.p, null.smallest_p, null.draws,
                     item.why or null.why)
                )  # fmt: skip
            if not nulls:
                table.rows.append((*head, *[None] * 7, item.why))
    return table


def _matches(result: SiteResult) -> ResultTable:
    table = ResultTable(
        "hotspots matched with burials, one to one; distance_m is from the hotspot's centroid to the burial's outline",
        ("visit", "hotspot", "burial", "distance_m", "tolerance_m"),
    )
    for visit in result.visits:
        if visit.score is None:
            continue
        for (hotspot, burial), distance in zip(visit.score.matches, visit.score.match_distance_m, strict=True):
            spot, grave = visit.scored["hotspot"].iloc[int(hotspot)], result.burials["burial"].iloc[int(burial)]
            table.rows.append((visit.name, spot, grave, float(distance), visit.score.tolerance_m))
    return table


def _history(result: SiteResult) -> ResultTable:
    columns = (
        "burial", "kind", "visit", "eligible", "matched", "hotspot", "outline_distance_m", "inside_hotspot",
        "centroid_distance_m",
    )  # fmt: skip
    table = ResultTable(
        "each burial on each visit; hotspot: its match, or else the nearest; outline_distance_m: from that hotspot's "
        "centroid to the burial's outline; inside_hotspot: whose outline holds its centroid; centroid_distance_m: to "
        "the nearest hotspot's centroid",
        columns,
    )
    scored = [visit for visit in result.visits if visit.score is not None]
    n = len(result.burials)
    near = {visit.name: (burial_distances(visit, n), burial_gaps(result, visit)) for visit in scored}
    for i, (name, kind) in enumerate(zip(result.burials["burial"], result.burials["kind"], strict=True)):
        for visit in scored:
            spots, (apart, gaps) = visit.scored["hotspot"].tolist(), near[visit.name]
            gap, eligible = gaps[i], bool(visit.score.eligible[i]) if visit.score is not None else None
            held, inside = (spots[k] if k >= 0 else None for k in (gap.hotspot, gap.inside))
            table.rows.append((name, kind, visit.name, eligible, gap.matched, held, gap.gap_m, inside, float(apart[i])))
    return table


def _comparisons(result: SiteResult) -> ResultTable:
    columns = (
        "visit_a", "visit_b", "direction", "measure", "tolerance_m", "n", "differing", "blocks", "paired_difference_m",
        "low_m", "high_m", "p", "smallest_p", "chance_difference_m", "statement", "why",
    )  # fmt: skip
    table = ResultTable("visits compared burial by burial; the difference is visit_b minus visit_a", columns)
    table.rows.extend(tuple(getattr(c, name) for name in columns) for c in result.comparisons)
    return table


def _slices(result: SiteResult) -> ResultTable:
    columns = ("visit", "top_m", "base_m", "depth_error_m", "chosen", "covered_share", "median_strength")
    table = ResultTable("depth slices; depth_error_m is the half-width of the 90 % interval", columns)
    for visit in result.visits:
        strength, covered = visit.slices["strength"].values, visit.slices["coverage"].values
        for k, (top, base) in enumerate(zip(visit.slices["top"].values, visit.slices["base"].values, strict=True)):
            known = strength[k][np.isfinite(strength[k])]
            median = float(np.median(known)) if len(known) else None
            table.rows.append(
                (
                    visit.name,
                    float(top),
                    float(base),
                    slice_error_m(visit, k),
                    k == visit.chosen,
                    float(covered[k].mean()),
                    median,
                )
            )
    return table


def _moisture(result: SiteResult) -> ResultTable:
    columns = (
        "visit", "date", "n", "mean", "median", "p10", "p90", "sd", "cv", "robust_sd", "support_depth_m",
        "velocity_m_per_ns", "velocity_sd_m_per_ns", "velocity_source",
    )  # fmt: skip
    table = ResultTable(
        "water content (m³/m³) of each visit, and the velocity used; sd is that of the readings", columns
    )
    for visit in result.visits:
        wet = visit.moisture
        figures = tuple(None if wet is None else getattr(wet, name) for name in columns[2:11])
        v = visit.velocity
        table.rows.append((visit.name, visit.settings.date, *figures, v.mean_m_per_ns, v.mean_sigma_m_per_ns, v.source))
    return table


def _burial_moisture(result: SiteResult) -> ResultTable:
    columns = (
        "visit", "burial", "vwc", "vwc_sd", "vwc_ring", "vwc_ring_sd", "contrast", "contrast_sd", "readings_inside",
        "readings_ring", "smoothing_m", "why",
    )  # fmt: skip
    table = ResultTable(
        "water content (m³/m³) at each known burial by the map, in a ring of 1 m around it, and their contrast; sd: "
        "upper bounds; smoothing_m: ground smaller than that is not seen by the map",
        columns,
    )
    for visit in result.visits:
        if visit.burial_moisture is not None:
            rows = visit.burial_moisture.to_dict("records")
            table.rows.extend((visit.name, *(row[name] for name in columns[1:])) for row in rows)
    return table


def _velocities(result: SiteResult) -> ResultTable:
    columns = (
        "visit", "source", "label", "used", "compared", "velocity_m_per_ns", "sd_m_per_ns", "low_m_per_ns",
        "high_m_per_ns", "n", "depth_from_m", "depth_to_m", "shift", "shift_sd", "cautions", "rests_on",
    )  # fmt: skip
    table = ResultTable(
        "velocity of each visit by several ways; low and high: 95 % interval; shift: how far a source lies off what "
        "the others say, relative",
        columns,
    )
    for visit in result.visits:
        for i, source in enumerate(visit.velocities.sources if visit.velocities is not None else ()):
            about, used = source.estimate, visit.velocities is not None and visit.velocities.used == i
            join = None if visit.velocities is None else visit.velocities.join
            check = None if join is None else join.check(source)
            against = (None, None) if check is None else (check.shift, check.shift_sigma)
            table.rows.append(
                (visit.name, source.kind, about.label, used, source.compared, about.v_m_per_ns, about.sigma_m_per_ns,
                 *source.interval, about.n, about.depth_from_m, about.depth_to_m, *against, " ".join(about.cautions),
                 source.note)
            )  # fmt: skip
    return table


def _hyperbolas(result: SiteResult) -> ResultTable:
    columns = (
        "visit", "line", "became", "by", "along_m", "time_ns", "velocity_m_per_ns", "sd_m_per_ns", "depth_m",
        "expected_false", "cautions",
    )  # fmt: skip
    table = ResultTable(
        "hyperbolas found on the lines or laid by people, and what became of each; time_ns: straight down", columns
    )
    for visit in result.visits:
        held = visit.velocities
        if held is None:
            continue
        each = [*((seen.fit, seen.fate) for seen in held.hyperbolas), *((fit, "laid by hand") for fit in held.people)]
        for fit, fate in each:
            table.rows.append(
                (visit.name, fit.line, fate, fit.by, fit.x_m, fit.t0_ns, fit.v_m_per_ns, fit.sigma_v_m_per_ns,
                 fit.depth_m, fit.expected_false, " ".join(fit.cautions))
            )  # fmt: skip
    return table


def _wave(result: SiteResult) -> ResultTable:
    figures = (
        "velocity_m_per_ns", "wavelength_m", "resolution_m", "attenuation_db_per_m", "conductivity_ms_per_m", "reach_m"
    )  # fmt: skip
    columns = (
        "visit", "date", "level", "vwc", "vwc_from", "frequency_mhz", "relation",
        *(f"{name}{end}" for name in figures for end in ("", "_low", "_high")),
        "fill_contrast_vwc", "fill_reflection_db", "dynamic_range_db", "scattering_index",
    )  # fmt: skip
    table = ResultTable(
        "the wave in the ground of each visit, at its mean moisture and where a tenth of the ground is drier (p10) or "
        "wetter (p90); low and high: 90 % interval; reach_m: for a reflector of the fill's strength",
        columns,
    )
    for visit in result.visits:
        if visit.wave is None:
            continue
        made, read = visit.wave.figures, "readings" if visit.wave.from_readings else "velocity"
        index = made.scattering_index
        for i, level in enumerate(("p10", "mean", "p90")):
            values = [
                float(end[i])
                for figure in (getattr(made, name) for name in figures)
                for end in (figure.value, figure.low, figure.high)
            ]
            table.rows.append(
                (visit.name, visit.settings.date, level, float(made.levels.vwc[i]), read, made.frequency_mhz,
                 made.model.name, *values, made.options.contrast_vwc, float(made.contrast_db[i]),
                 made.options.dynamic_range_db, None if index is None else float(index.value[i]))
            )  # fmt: skip
    return table


def _day(result: SiteResult) -> ResultTable:
    amounts = ("index_mm", "days_since_wet", "days_since_heavy", "on_day_mm", "in_window_mm")
    columns = (
        "visit", "date", *(f"{name}_{end}" for name in amounts for end in ("low", "high")),
        *(f"rain_{days}_days_mm_{end}" for days in (3, 7, 30) for end in ("low", "high")),
        "trend", "older_rain_mm", "days_not_measured", "half_life_days", "file",
    )  # fmt: skip
    table = ResultTable(
        "rain before and on the day of each visit; low and high: ends of what is known, high empty where it is open; "
        "older_rain_mm: what rain from before the record could add to the index at most",
        columns,
    )
    for visit in result.visits:
        if visit.day is None:
            continue
        record = visit.day.record
        between = [*(getattr(record, name) for name in amounts), *(record.totals_mm[days] for days in (3, 7, 30))]
        ends = [end for amount in between for end in (amount.low, amount.high)]
        table.rows.append(
            (visit.name, visit.settings.date, *ends, record.trend, record.truncation_mm, len(record.missing),
             record.options.half_life_days, visit.day.source)
        )  # fmt: skip
    return table


def _lines(result: SiteResult) -> ResultTable:
    columns = ("visit", "line", "traces", "samples", "interval_ns", "length_m", "x0_m", "y0_m", "x1_m", "y1_m")
    table = ResultTable("lines of survey as they were used, site metres", columns)
    for visit in result.visits:
        for name, line in visit.radargrams.items():
            x, y, distance = (line[coordinate].values for coordinate in ("x", "y", "distance"))
            table.rows.append(
                (visit.name, name, line.sizes["trace"], line.sizes["time"], float(line.attrs["interval_ns"]),
                 float(distance[-1] - distance[0]), float(x[0]), float(y[0]), float(x[-1]), float(y[-1]))
            )  # fmt: skip
    return table


def _findings(result: SiteResult) -> ResultTable:
    columns = ("grade", "code", "visit", "line", "where", "text", "received", "do")
    table = ResultTable("what was found, assumed, warned of or left out (fault)", columns)
    table.rows.extend(tuple(getattr(finding, name) for name in columns) for finding in result.findings)
    return table
