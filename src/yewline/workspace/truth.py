"""What is known of the ground: surveyed area, obstacles, known burials, opened ground, outlines a person drew."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely

from yewline.errors import FrameError, YewlineError
from yewline.formats import projected_system, read_area, read_burials, read_drawn_hotspots, read_opened
from yewline.marks import drawn_geojson, read_journal, replay
from yewline.model import BURIAL_COLUMNS, HOTSPOT_COLUMNS, OPENED_COLUMNS, Finding, empty_outlines, make_outlines
from yewline.workspace.site import OUTLINE_STEMS, Site

__all__ = ["Outlines", "area_of_lines", "check_frame", "load_drawn", "load_outlines", "within"]

JOURNAL = "journal.jsonl"

_KINDS = {
    "burials": ("known burials", "no known burials: hotspots are mapped, but not scored"),
    "opened": ("outlines of opened ground", "no opened ground: precision cannot be given"),
}


@dataclass(frozen=True)
class Outlines:
    """Outlines of a site, in site metres; `area` is None where the surveyor gave none; obstacles are cut out."""

    area: shapely.Geometry | None
    obstacles: shapely.Geometry | None
    burials: gpd.GeoDataFrame
    opened: gpd.GeoDataFrame
    findings: tuple[Finding, ...]


def load_outlines(site: Site) -> Outlines:
    """Read the site's outlines; a file that cannot be used becomes a fault and counts as absent."""
    findings: list[Finding] = []
    frame = site.settings.frame
    found: dict[str, shapely.Geometry | None] = {"area": None, "obstacles": None}
    tables = {"burials": empty_outlines(BURIAL_COLUMNS), "opened": empty_outlines(OPENED_COLUMNS)}
    readers = {"burials": read_burials, "opened": read_opened}
    for stem in OUTLINE_STEMS:
        try:
            path = site.outline_path(stem)
            if path is None:
                continue
            if stem in found:
                found[stem], said = read_area(path, frame)
            else:
                tables[stem], said = readers[stem](path, frame)
            findings += said
        except YewlineError as error:
            findings.append(Finding.of_error(error, f"{stem}-left-out"))
    for stem, table in tables.items():
        if len(table):
            findings.append(Finding("found", stem, f"{len(table)} {_KINDS[stem][0]}"))
        elif not site.outline_paths(stem):
            do = f"if there are any, put them into {stem}.csv or a GIS file of that name"
            findings.append(Finding("assumed", f"{stem}-none", _KINDS[stem][1], do=do))
    return Outlines(found["area"], found["obstacles"], tables["burials"], tables["opened"], tuple(findings))


def within(outlines: Outlines, area: shapely.Geometry) -> Outlines:
    """The same outlines without burials and opened ground that lie outside the surveyed area; findings name them."""
    kept: dict[str, gpd.GeoDataFrame] = {}
    said: list[Finding] = []
    for stem, table, told in (
        ("burials", outlines.burials, "known burials lie outside the surveyed area and are not scored"),
        ("opened", outlines.opened, "outlines of opened ground lie outside the surveyed area and are not used"),
    ):
        outside = ~shapely.intersects(np.asarray(table.geometry.values, dtype=object), area)
        kept[stem] = table[~outside].reset_index(drop=True) if outside.any() else table
        if outside.any():
            names = ", ".join(str(name) for name in table.loc[outside, table.columns[0]].head(8))
            text, do = f"{int(outside.sum())} of {len(table)} {told}", "check their frame if they should lie inside"
            said.append(Finding("warning", f"{stem}-outside", text, where=stem, received=names, do=do))
    return replace(outlines, burials=kept["burials"], opened=kept["opened"], findings=(*outlines.findings, *said))


def check_frame(site: Site) -> None:
    """Refuse a frame that results could not be written in.

    Raises
    ------
    FrameError : an EPSG code that is unknown or not of a projected system, or control points that do not fit.
    """
    frame = site.settings.frame
    if frame.epsg is None:
        return
    try:
        projected_system(frame)
        frame.to_projected()
    except FrameError as error:
        raise FrameError(error.problem, where="site.toml, [frame]", received=error.received, do=error.do) from error


def load_drawn(site: Site, visit: str) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """Hotspots that a person drew for a visit: from the journal of marks, and from all of `marks/*.geojson`."""
    tables: list[gpd.GeoDataFrame] = []
    findings: list[Finding] = []
    journal = site.root / "marks" / JOURNAL
    readers: list[Callable[[], tuple[gpd.GeoDataFrame, list[Finding]]]] = [partial(_from_journal, journal, visit)]
    readers += [
        partial(read_drawn_hotspots, path, site.settings.frame, visit)
        for path in sorted((site.root / "marks").glob("*.geojson"))
    ]
    for read in readers:
        try:
            drawn, said = read()
        except YewlineError as error:
            findings.append(Finding.of_error(error, "marks-left-out", visit=visit))
            continue
        findings += said
        tables += [drawn] if len(drawn) else []
    if not tables:
        return empty_outlines(HOTSPOT_COLUMNS), findings
    columns = {name: [value for table in tables for value in table[name]] for name in HOTSPOT_COLUMNS}
    return gpd.GeoDataFrame(columns, geometry=[g for table in tables for g in table.geometry]), findings


def _from_journal(path: Path, visit: str) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    acts, findings = read_journal(path)
    rows, outlines = [], []
    for feature in drawn_geojson(replay(acts))["features"]:
        about = feature["properties"]
        if about["visit"] in ("", visit):
            rows.append({"hotspot": about["hotspot"], "visit": visit, "source": "drawn", "rule": "drawn"})
            outlines.append(shapely.geometry.shape(feature["geometry"]))
    return make_outlines(HOTSPOT_COLUMNS, rows, outlines), findings


def area_of_lines(xy: Iterable[np.ndarray[tuple[int, int], np.dtype[np.float64]]], margin_m: float) -> shapely.Geometry:
    """The hull of all trace positions with a margin: the surveyed area where no outline of it was given."""
    points = shapely.multipoints(np.concatenate(list(xy)))
    return shapely.buffer(shapely.convex_hull(points), margin_m, join_style="mitre")
