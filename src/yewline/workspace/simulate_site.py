"""A simulated site's folder, from finished lines: what a surveyor would have, with the truth apart."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely

from yewline.formats import LINE_COLUMNS, SegyOptions, write_geojson, write_outlines, write_segy
from yewline.model import BURIAL_COLUMNS, OPENED_COLUMNS, Frame, make_outlines
from yewline.simulation import grave_outline, reverse_line
from yewline.simulation.earth import soil_on_day, surface_readings
from yewline.simulation.scenes import SceneDay, SceneFile, planned_lines
from yewline.workspace.demo_files import write_readings_csv
from yewline.workspace.simulate_folder import Identity
from yewline.workspace.simulate_ledger import LedgerLine, ledger_of
from yewline.workspace.simulate_truth import write_truth
from yewline.workspace.simulate_words import readme, site_toml, visit_toml
from yewline.workspace.simulate_work import Piece

__all__ = ["write_simulated_site"]

ReadPiece = Callable[[str, str], Piece]

_KNOWN_SIGMA_M: Final = 0.05
_BED_M: Final = 0.35
"""Of a known burial the remains are drawn, not the shaft: so much above the base of the cut."""
_LEAST_VWC, _MOST_VWC = 0.01, 0.6
_WARMTH_SD_C: Final = 0.5
_READINGS, _OUTLINES = 3, 4
"""Mark the seeds of what is drawn for the folder among those drawn from the scene's seed."""


def write_simulated_site(root: Path, scene: SceneFile, identity: Identity, piece: ReadPiece) -> None:
    """Write the whole site; the same lines give the same bytes.

    Parameters
    ----------
    root : folder to write; it must not exist.
    scene : what was simulated.
    identity : which days and lines of it.
    piece : gives the finished line of a day and a line.
    """
    (root / "marks").mkdir(parents=True)
    (root / "README.txt").write_text(readme(scene), encoding="utf-8")
    (root / "site.toml").write_text(site_toml(scene, _KNOWN_SIGMA_M), encoding="utf-8")
    area = _area(scene, identity.lines)
    ledgers: dict[str, tuple[LedgerLine, ...]] = {}
    for day in (day for day in scene.days if day.name in identity.days):
        folder = root / "visits" / day.name
        (folder / "lines").mkdir(parents=True)
        ledgers[day.name] = ledger_of(scene, day.name, identity.lines)
        _write_lines(folder, day.name, ledgers[day.name], piece)
        readings = _readings(scene, day, area)
        if len(readings):
            write_readings_csv(folder / "readings.csv", readings, support_m=scene.readings.support_depth_m)
        # Without readings a surveyor would find the velocity from diffraction legs.
        fitted = None if len(readings) else piece(day.name, identity.lines[0]).about["v_m_per_ns"]
        (folder / "visit.toml").write_text(visit_toml(scene, day, velocity_m_per_ns=fitted), encoding="utf-8")
    _write_outlines(root, scene, area)
    write_truth(root / "truth", scene, identity, ledgers, piece)


def _write_lines(folder: Path, day: str, ledger: tuple[LedgerLine, ...], piece: ReadPiece) -> None:
    rows: list[list[object]] = []
    for line in ledger:
        recorded = piece(day, line.walked)
        stored = recorded.arrays["stored"]
        write_segy(
            folder / "lines" / line.file,
            reverse_line(stored) if line.turned else stored,
            interval_ns=recorded.about["interval_ns"],
            options=SegyOptions(text=("INVENTED DATA: SIMULATED, RECORDED NOWHERE",)),
        )
        said = recorded if line.planned == line.walked else piece(day, line.planned)
        ends = [round(float(value), 3) + 0.0 for value in said.arrays["said_xy"][[0, -1]].ravel()]
        rows.append([line.name, "", line.file, "", "", *ends, ""])
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(LINE_COLUMNS)
    writer.writerows(rows)
    (folder / "lines.csv").write_text(text.getvalue(), encoding="utf-8")


def _area(scene: SceneFile, lines: tuple[str, ...]) -> shapely.Polygon:
    """The ground that was walked: the hull of the lines, with half the spacing of lines around it."""
    ends = [end for line in planned_lines(scene.lines) if line.name in lines for end in (line.start, line.end)]
    hull = shapely.convex_hull(shapely.multipoints(ends))
    walked = shapely.buffer(hull, 0.5 * scene.lines.spacing_m, cap_style="square", join_style="mitre")
    return shapely.intersection(walked, shapely.box(*scene.scene.bounds))


def _readings(scene: SceneFile, day: SceneDay, area: shapely.Polygon) -> npt.NDArray[np.float64]:
    """Readings (R, 4) x, y, water content, temperature: spread over the ground, with the probe's own error."""
    count = scene.readings.count
    if count == 0:
        return np.empty((0, 4))
    rng = np.random.default_rng([scene.seed, _READINGS, scene.days.index(day)])
    xy = _spread(area, count, rng)
    true = surface_readings(scene.ground, day.water, *xy.T, support_depth_m=scene.readings.support_depth_m)
    read = np.clip(true + rng.normal(0.0, scene.readings.sigma_vwc, count), _LEAST_VWC, _MOST_VWC)
    warm = soil_on_day(scene.ground, day.water).temperature_c + rng.normal(0.0, _WARMTH_SD_C, count)
    return np.column_stack([xy, read, warm])


def _spread(area: shapely.Polygon, count: int, rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """Points (count, 2) inside an area, in strips there and back: of the next candidates the one farthest from all."""
    x0, y0, x1, y1 = area.bounds
    points = np.empty((0, 2))
    while len(points) < count:
        drawn = rng.uniform((x0, y0), (x1, y1), (24, 2)).round(2)
        inside = drawn[shapely.contains_xy(area, drawn[:, 0], drawn[:, 1])]
        if not len(inside):
            continue
        off = np.hypot(*(inside[:, None, :] - points[None]).T).min(axis=0) if len(points) else np.zeros(len(inside))
        points = np.vstack([points, inside[int(off.argmax())]])
    strip = np.floor((points[:, 1] - y0) / np.sqrt(area.area / count)).astype(np.int64)
    along = np.where(strip % 2 == 0, points[:, 0], -points[:, 0])
    return points[np.lexsort((along, strip))]


def _write_outlines(root: Path, scene: SceneFile, area: shapely.Polygon) -> None:
    rng = np.random.default_rng([scene.seed, _OUTLINES])
    rows: list[dict[str, Any]] = []
    shapes: list[shapely.Polygon] = []
    for grave in scene.scene.graves:
        if grave.label not in scene.known:
            continue
        # As excavated and drawn to a plan: near the truth, not on it.
        dx, dy = rng.normal(0.0, _KNOWN_SIGMA_M, 2)
        shapes.append(shapely.affinity.translate(grave_outline(grave), dx, dy))
        rows.append(
            {
                "burial": grave.label,
                "kind": grave.kind,
                "top_m": round(max(grave.top_m, grave.base_m - _BED_M), 2),
                "base_m": round(grave.base_m, 2),
                "sigma_xy_m": _KNOWN_SIGMA_M,
            }
        )
    if rows:
        write_outlines(root / "burials.gpkg", {"burials": make_outlines(BURIAL_COLUMNS, rows, shapes)}, Frame())
    if scene.opened:
        opened = [{"opened": part.label, "depth_reached_m": part.depth_m} for part in scene.opened]
        outlines = [part.outline() for part in scene.opened]
        write_geojson(root / "opened.geojson", make_outlines(OPENED_COLUMNS, opened, outlines))
    write_geojson(root / "area.geojson", gpd.GeoDataFrame({"name": ["surveyed"]}, geometry=[area]))
