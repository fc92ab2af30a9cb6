"""The demo site: a whole site folder of an invented burial ground, written from a seed, with its truth apart."""

from __future__ import annotations

import json
import shutil
import tempfile
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely

from yewline.errors import SiteError
from yewline.formats import write_geojson, write_outlines
from yewline.model import BURIAL_COLUMNS, OPENED_COLUMNS, Frame, make_outlines
from yewline.progress import SILENT, Progress
from yewline.simulation import Fault, Grave, SceneFile, grave_outline, surface_readings
from yewline.workspace.demo_fields import shipped_fields
from yewline.workspace.demo_files import write_lines, write_rain, write_readings_csv, write_readings_xlsx
from yewline.workspace.demo_scene import (
    NOMINAL_MHZ,
    OPENED_DEPTH_M,
    DemoDay,
    DemoLine,
    DemoScene,
    demo_days,
    demo_lines,
    demo_scene,
    demo_scene_file,
)
from yewline.workspace.demo_survey import Survey, demo_rain, first_order_fields, plan_faults, walk_visit
from yewline.workspace.demo_words import README, site_toml, visit_toml

__all__ = ["DEMO_SEED", "DemoTruth", "prepare_demo", "write_demo"]

DEMO_SEED = 12
_SUPPORT_M = 0.12
_SIGMA_VWC = 0.02
_KNOWN_SIGMA_M = 0.05
_STAMP = "truth/truth.json"


@dataclass(frozen=True)
class DemoTruth:
    """What a surveyor of the demo site could not know.

    Attributes
    ----------
    seed : what everything was drawn from.
    burials : all graves in the ground.
    known : labels of those in the known set.
    faults : planted in the recordings, tables and files.
    lines : each visit with the names of the lines that were recorded, as planned.
    """

    seed: int
    burials: tuple[Grave, ...]
    known: tuple[str, ...]
    faults: tuple[Fault, ...]
    lines: tuple[tuple[str, tuple[str, ...]], ...]


def prepare_demo(folder: Path, *, seed: int = DEMO_SEED, progress: Progress = SILENT) -> bool:
    """Write the demo site unless the folder already holds it with the same seed; true if it was written.

    Raises
    ------
    SiteError : the folder holds something else, or the demo of another seed; nothing is overwritten.
    """
    stamp = folder / _STAMP
    if stamp.is_file():
        there = json.loads(stamp.read_text(encoding="utf-8")).get("seed")
        if there == seed:
            return False
        raise SiteError(
            "the folder holds the demo of another seed",
            where=str(folder),
            received=f"seed {there} instead of {seed}",
            do="choose another folder, or leave the seed out",
        )
    write_demo(folder, seed=seed, progress=progress)
    return True


def write_demo(folder: Path, *, seed: int = DEMO_SEED, progress: Progress = SILENT) -> DemoTruth:
    """Write a complete site folder of an invented burial ground.

    Two visits, one dry and patchy, one wet and even, walked over the same ground with the same lines; field faults are
    planted in both. Recordings come from full-wave fields where those of the seed travel with the package, and from the
    first-order model otherwise; neither is what the processing assumes. The same seed writes the same bytes.

    Parameters
    ----------
    folder : to write; it must not exist, or be empty.
    seed : of everything that is drawn.
    progress : told of every line.

    Returns
    -------
    DemoTruth, which is also written to `truth/`, where no command reads it.

    Raises
    ------
    SiteError : the folder is not empty; nothing is overwritten.
    """
    root = Path(folder)
    if root.exists() and (not root.is_dir() or any(root.iterdir())):
        raise SiteError("the folder exists and is not empty", where=str(root), do="choose another name")
    ground, days, lines = demo_scene(seed), demo_days(), demo_lines()
    truth = DemoTruth(seed, ground.scene.graves, ground.known, plan_faults(days, lines, seed), ())
    root.parent.mkdir(parents=True, exist_ok=True)
    # Written beside its place and moved there whole: whoever stops it half-way can start it again.
    draft = Path(tempfile.mkdtemp(prefix=f".{root.name}-", dir=root.parent))
    try:
        truth = _write_site(draft / "site", truth, ground, days, lines, progress)
        if root.exists():
            root.rmdir()
        (draft / "site").rename(root)
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    return truth


def _write_site(
    root: Path,
    truth: DemoTruth,
    ground: DemoScene,
    days: tuple[DemoDay, DemoDay],
    lines: tuple[DemoLine, ...],
    progress: Progress,
) -> DemoTruth:
    root.mkdir()
    (root / "marks").mkdir()
    (root / "README.txt").write_text(README, encoding="utf-8")
    (root / "site.toml").write_text(site_toml(truth.seed), encoding="utf-8")
    write_rain(root / "rain.csv", demo_rain(days, truth.seed))
    walked = []
    scene = demo_scene_file(ground, days, lines, truth.seed)
    for number, (day, scene_day) in enumerate(zip(days, scene.days, strict=True)):
        fields = _fields(scene, day.name, progress)
        survey = walk_visit(day, lines, truth.faults, fields, instrument=scene.antenna_on(scene_day), seed=truth.seed)
        _write_visit(root / "visits" / day.name, survey, ground, percent=number == 1, seed=truth.seed)
        walked.append((day.name, tuple(line.plan.name for line in survey.lines)))
    _write_outlines(root, ground, truth.seed)
    whole = replace(truth, lines=tuple(walked))
    _write_truth(root, whole, ground, days)
    return whole


def _fields(scene: SceneFile, visit: str, progress: Progress) -> dict[str, npt.NDArray[np.float32]]:
    """Full-wave fields where they travel with the package, those of the first order otherwise."""
    held = shipped_fields()
    if held is not None and held.seed == scene.seed:
        return held.of_visit(visit)
    return first_order_fields(scene, visit, progress=progress)


def _write_visit(folder: Path, survey: Survey, ground: DemoScene, *, percent: bool, seed: int) -> None:
    folder.mkdir(parents=True)
    day = survey.day
    (folder / "visit.toml").write_text(
        visit_toml(
            day,
            centre_mhz=NOMINAL_MHZ,
            instrument=survey.instrument,
            percent=percent,
            sigma_vwc=_SIGMA_VWC,
        ),
        encoding="utf-8",
    )
    write_lines(survey, folder)
    table = _readings(day, ground, seed)
    if percent:
        write_readings_xlsx(folder / "readings.xlsx", table, support_m=_SUPPORT_M)
    else:
        write_readings_csv(folder / "readings.csv", table, support_m=_SUPPORT_M)


def _readings(day: DemoDay, ground: DemoScene, seed: int) -> npt.NDArray[np.float64]:
    """Readings x, y, water content, temperature: spread evenly with some freedom, with the probe's own error."""
    rng = np.random.default_rng([seed, 3, day.date.toordinal()])
    room = shapely.difference(ground.area, shapely.union_all([polygon for _, polygon in ground.obstacles]))
    x0, y0, x1, y1 = room.bounds
    step = float(np.sqrt(room.area / day.readings))
    places = []
    for j, y in enumerate(np.arange(y0 + step / 2, y1, step)):
        for x in np.arange(x0 + step / 2, x1, step)[:: 1 if j % 2 == 0 else -1]:
            point = shapely.Point(x + rng.normal(0, 0.25), y + rng.normal(0, 0.25))
            if room.contains(point):
                places.append((point.x, point.y))
    xy = np.round(places, 2)
    true = surface_readings(ground.ground, day.water, xy[:, 0], xy[:, 1], support_depth_m=_SUPPORT_M)
    read = np.clip(true + rng.normal(0.0, _SIGMA_VWC, len(true)), 0.02, 0.5)
    warm = (15.5 if day.date.month < 9 else 9.0) + rng.normal(0.0, 0.6, len(true))
    return np.column_stack([xy, read, warm])


def _write_outlines(root: Path, ground: DemoScene, seed: int) -> None:
    rng = np.random.default_rng([seed, 4])
    rows: list[dict[str, Any]] = []
    shapes: list[shapely.Polygon] = []
    for grave in ground.scene.graves:
        if grave.label not in ground.known:
            continue
        # As excavated and drawn to a plan: near the truth, not on it.
        dx, dy = rng.normal(0.0, _KNOWN_SIGMA_M, 2)
        shapes.append(shapely.affinity.translate(grave_outline(grave), dx, dy))
        rows.append(
            {
                "burial": f"B{len(rows) + 1:02d}",
                "kind": grave.kind,
                "top_m": round(grave.base_m - 0.35, 2),
                "base_m": round(grave.base_m, 2),
                "sigma_xy_m": _KNOWN_SIGMA_M,
            }
        )
    write_outlines(root / "burials.gpkg", {"burials": make_outlines(BURIAL_COLUMNS, rows, shapes)}, Frame())
    opened = [{"opened": name, "depth_reached_m": OPENED_DEPTH_M} for name, _ in ground.opened]
    write_geojson(root / "opened.geojson", make_outlines(OPENED_COLUMNS, opened, [shape for _, shape in ground.opened]))
    write_geojson(root / "area.geojson", gpd.GeoDataFrame({"name": ["surveyed"]}, geometry=[ground.area]))
    names = [name for name, _ in ground.obstacles]
    write_geojson(
        root / "obstacles.geojson",
        gpd.GeoDataFrame({"name": names}, geometry=[shape for _, shape in ground.obstacles]),
    )


def _write_truth(root: Path, truth: DemoTruth, ground: DemoScene, days: tuple[DemoDay, DemoDay]) -> None:
    folder = root / "truth"
    folder.mkdir()
    rows = [
        {"burial": grave.label, "kind": grave.kind, "top_m": grave.top_m, "base_m": grave.base_m, "sigma_xy_m": 0.0}
        for grave in truth.burials
    ]
    shapes = [grave_outline(grave) for grave in truth.burials]
    write_geojson(folder / "burials.geojson", make_outlines(BURIAL_COLUMNS, rows, shapes))
    scene = ground.scene
    told: dict[str, Any] = {
        "seed": truth.seed,
        "note": "What lies in the invented ground and what was planted. No command reads this file as data.",
        "known": list(truth.known),
        "faults": [fault.as_dict() for fault in truth.faults],
        "lines": {visit: list(names) for visit, names in truth.lines},
        "ground": asdict(ground.ground),
        "days": {
            day.name: {"radiated_mhz": day.loading * NOMINAL_MHZ, "profile": day.water.kind, **asdict(day.water)}
            for day in days
        },
        "graves": [asdict(grave) for grave in scene.graves],
        "stones": [asdict(stone) for stone in scene.stones],
        "roots": [asdict(tube) for tube in scene.roots],
        "drains": [asdict(tube) for tube in scene.drains],
        "burrows": [asdict(tube) for tube in scene.burrows],
        "layers": [asdict(layer) for layer in scene.layers],
    }
    (folder / "truth.json").write_text(json.dumps(told, indent=1, sort_keys=True) + "\n", encoding="utf-8")
