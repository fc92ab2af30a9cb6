"""What is known of the ground: surveyed area, obstacles, known burials, opened ground, outlines a person drew."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely

from yewline.errors import YewlineError
from yewline.formats import read_area, read_burials, read_drawn_hotspots, read_opened
from yewline.model import BURIAL_COLUMNS, HOTSPOT_COLUMNS, OPENED_COLUMNS, Finding, empty_outlines
from yewline.workspace.site import Site

__all__ = ["Outlines", "area_of_lines", "load_drawn", "load_outlines"]


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
    for stem in ("area", "obstacles", "burials", "opened"):
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
            findings.append(Finding("found", stem, f"{len(table)} outlines of {stem}"))
    return Outlines(found["area"], found["obstacles"], tables["burials"], tables["opened"], tuple(findings))


def load_drawn(site: Site, visit: str) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """Hotspots that a person drew for a visit, from all of `marks/*.geojson`."""
    table, findings = empty_outlines(HOTSPOT_COLUMNS), []
    for path in sorted((site.root / "marks").glob("*.geojson")):
        try:
            drawn, said = read_drawn_hotspots(path, site.settings.frame, visit)
        except YewlineError as error:
            findings.append(Finding.of_error(error, "marks-left-out", visit=visit))
            continue
        findings += said
        if len(drawn):
            table = (
                drawn
                if table.empty
                else gpd.GeoDataFrame(
                    {name: [*table[name], *drawn[name]] for name in HOTSPOT_COLUMNS},
                    geometry=[*table.geometry, *drawn.geometry],
                )
            )
    return table, findings


def area_of_lines(xy: Iterable[np.ndarray[tuple[int, int], np.dtype[np.float64]]], margin_m: float) -> shapely.Geometry:
    """The hull of all trace positions with a margin: the surveyed area where no outline of it was given."""
    points = shapely.multipoints(np.concatenate(list(xy)))
    return shapely.buffer(shapely.convex_hull(points), margin_m, join_style="mitre")
