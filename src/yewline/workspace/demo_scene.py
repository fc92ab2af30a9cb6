"""The invented burial ground of the demo: where everything lies, and the soil on two days.

Nothing here is taken from a real place. Sizes and spacings are common practice, no source.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from yewline.model import Grid
from yewline.simulation import (
    Burrow,
    Coffin,
    Drain,
    Fill,
    Grave,
    Layer,
    Root,
    Scene,
    Stone,
    grave_outline,
)
from yewline.simulation.antennas import antenna
from yewline.simulation.earth import DayWater, Drained, Ground, Patches, Soil
from yewline.simulation.scenes import Disturbance, ExtraLine, LinePlan, SceneDay, SceneFile, SolverGrid
from yewline.simulation.walking import LineShift, StartOffset

__all__ = [
    "DemoDay",
    "DemoLine",
    "DemoScene",
    "demo_days",
    "demo_lines",
    "demo_scene",
    "demo_scene_file",
    "line_format",
]

LINE_LENGTH_M = 27.0
LINE_SPACING_M = 0.5
TRACE_INTERVAL_M = 0.075
NOMINAL_MHZ = 270.0
"""What the antennas go by; loaded by the soil they radiate lower, and lower still where it is wet."""
WINDOW_NS = 55.2
GRIDS = (
    Grid(name="A", origin=(2.0, 1.5), rotation_deg=0.0),
    # Turned a little: its first line lies 0.2 m from the other grid at one end and 0.7 m at the other, a seam, no gap.
    Grid(name="B", origin=(2.1, 14.22), rotation_deg=1.0),
)
LINES_PER_GRID = {"A": 26, "B": 14}
AREA = ((1.5, 1.1), (15.0, 0.9), (29.4, 1.2), (29.6, 11.4), (29.4, 21.6), (15.0, 21.4), (1.8, 21.1), (1.6, 9.0))
TREE = (18.9, 9.6, 0.7)
"""Middle and radius of the trunk with the ground around it that cannot be walked."""
TOMB = (14.6, 17.6, 1.9, 1.0)
"""Middle, length along x and width of a table tomb."""
ROWS = (4.4, 7.3, 10.2, 13.1, 16.0)
"""y of the rows of graves, m."""
ROW_ENDS = (7.4, 23.2)
"""x between which the rows lie: the ground beside them, and north of them, was never used."""
TRENCH = shapely.box(2.6, 18.3, 9.2, 20.3)
"""Ground that was opened in the unused corner, where nobody was buried."""
OPENED = (
    ("strip over rows 2 and 3 and west of them", shapely.box(2.8, 5.6, 15.6, 12.1)),
    ("strip over row 4 and east of it", shapely.box(16.4, 11.4, 27.4, 14.9)),
)
"""Ground opened by the excavation: wider than the rows, so that some of it holds no grave."""
UNUSED = (
    (3.2, 6.4, 6.4, 11.2),
    (24.4, 12.2, 27.0, 14.0),
    (3.2, 18.7, 8.6, 19.9),
    (24.5, 3.0, 27.0, 9.5),
    (14.0, 19.0, 21.0, 20.6),
    (2.6, 2.2, 6.0, 5.0),
)
"""x0, y0, x1, y1 of parts of the ground beside the rows, the first three of them inside ground that was opened."""
OPENED_DEPTH_M = 1.5


@dataclass(frozen=True)
class DemoLine:
    """One planned line: its name, grid, and its ends in the grid's metres; `gap_m` is what an obstacle takes out."""

    name: str
    grid: Grid
    y_m: float
    gap_m: tuple[float, float] | None = None

    def places(self) -> npt.NDArray[np.float64]:
        """Distances of the traces along the line, m; those inside the gap are left out."""
        at = TRACE_INTERVAL_M * np.arange(round(LINE_LENGTH_M / TRACE_INTERVAL_M) + 1, dtype=np.float64)
        if self.gap_m is None:
            return at
        return at[(at < self.gap_m[0] - 1e-9) | (at > self.gap_m[1] + 1e-9)]


@dataclass(frozen=True)
class DemoScene:
    """What is in the ground and what is known of it."""

    scene: Scene
    known: tuple[str, ...]
    """Labels of the burials in the known set; the others are for the truth alone."""
    opened: tuple[tuple[str, shapely.Polygon], ...]
    area: shapely.Polygon
    obstacles: tuple[tuple[str, shapely.Polygon], ...]
    ground: Ground


@dataclass(frozen=True)
class DemoDay:
    """One visit: folder, day, its water, how the soil loads the antennas, readings, and what was seen of the day."""

    name: str
    date: dt.date
    water: DayWater
    loading: float
    readings: int
    weather: str
    notes: str
    grass_height_m: float
    leaf_cover: str


def demo_days() -> tuple[DemoDay, DemoDay]:
    """A dry and patchy day and a wet and even one, over the same structure of the ground."""
    dry = DayWater(
        Drained(surface=0.118, deep=0.150, profile_m=0.55),
        macro=Patches(0.036, (12.0, 12.0, 3.0)),
        micro=Patches(0.009, (0.30, 0.30, 0.15)),
        fade_m=0.9,
    )
    wet = DayWater(
        Drained(surface=0.272, deep=0.285, profile_m=0.55),
        macro=Patches(0.012, (12.0, 12.0, 3.0)),
        micro=Patches(0.010, (0.30, 0.30, 0.15)),
        fade_m=0.9,
    )
    return (
        DemoDay(
            "2031-05-dry",
            dt.date(2031, 5, 14),
            dry,
            0.80,
            100,
            "three weeks without rain, 19 °C, light wind",
            "short grass; the ground is hard on the knoll and softer under the tree",
            0.05,
            "full",
        ),
        DemoDay(
            "2031-11-wet",
            dt.date(2031, 11, 6),
            wet,
            0.72,
            80,
            "rain on most days of the past two weeks, 8 °C, overcast",
            "grass wet, no standing water",
            0.08,
            "half fallen",
        ),
    )


def demo_scene_file(ground: DemoScene, days: tuple[DemoDay, ...], lines: tuple[DemoLine, ...], seed: int) -> SceneFile:
    """The demo as the full-wave simulator takes it: each planned line straight through, obstacles or not.

    Lines are walked a little off the start and off the tape, swinging slowly about it; the field faults come later.
    """
    ends = []
    for line in lines:
        start, end = line.grid.to_site(np.array([[0.0, line.y_m], [LINE_LENGTH_M, line.y_m]])).tolist()
        ends.append(ExtraLine(line.name, (start[0], start[1]), (end[0], end[1])))
    return SceneFile(
        name="yarrowick-brow",
        about="The demo's invented burial ground.",
        seed=seed,
        scene=ground.scene,
        ground=ground.ground,
        days=tuple(SceneDay(day.name, day.date, day.water, loading=day.loading) for day in days),
        lines=LinePlan(trace_interval_m=TRACE_INTERVAL_M, extra=tuple(ends)),
        nominal_mhz=NOMINAL_MHZ,
        antenna=antenna(NOMINAL_MHZ, window_ns=WINDOW_NS),
        solver=SolverGrid(reach_m=1.5),
        disturbances=(
            Disturbance(StartOffset(sd_m=_WALKED_SD_M)),
            Disturbance(LineShift(sd_m=_WALKED_SD_M, swing_m=0.6 * _WALKED_SD_M)),
        ),
    )


def demo_lines(gap_margin_m: float = 0.15) -> tuple[DemoLine, ...]:
    """All planned lines; those that meet an obstacle stop before it and go on behind it."""
    lines = []
    blocked = shapely.unary_union([polygon for _, polygon in obstacles()])
    for grid in GRIDS:
        for n in range(LINES_PER_GRID[grid.name]):
            y = round(LINE_SPACING_M * n, 3)
            at = TRACE_INTERVAL_M * np.arange(round(LINE_LENGTH_M / TRACE_INTERVAL_M) + 1, dtype=np.float64)
            xy = grid.to_site(np.column_stack([at, np.full(len(at), y)]))
            hit = at[shapely.contains_xy(shapely.buffer(blocked, gap_margin_m), xy[:, 0], xy[:, 1])]
            gap = (float(hit.min()), float(hit.max())) if len(hit) else None
            lines.append(DemoLine(f"{grid.name}{n + 1:02d}", grid, y, gap))
    return tuple(lines)


_WALKED_SD_M = 0.02
"""How far a line walked along a tape lies from where it is said to lie (common practice, no source)."""


def line_format(line: DemoLine) -> str:
    """The format in which a line is stored: several recorders and programs had a hand in the survey."""
    number = int(line.name[1:])
    if line.grid.name == "B":
        return "many" if number <= 3 else "flat"
    for last, name in ((5, "segy"), (10, "seg2"), (12, "text"), (16, "netcdf")):
        if number <= last:
            return name
    return "flat"


def obstacles() -> tuple[tuple[str, shapely.Polygon], ...]:
    """Ground that could not be walked."""
    x, y, radius = TREE
    turn = np.linspace(0, 2 * np.pi, 25)[:-1]
    tree = shapely.Polygon(np.column_stack([x + radius * np.cos(turn), y + radius * np.sin(turn)]).round(3))
    x, y, length, width = TOMB
    tomb = shapely.box(x - length / 2, y - width / 2, x + length / 2, y + width / 2)
    return (("tree", tree), ("table tomb", tomb))


def demo_scene(seed: int) -> DemoScene:
    """Everything in the ground, drawn from `seed`.

    Examples
    --------
    >>> scene = demo_scene(1)
    >>> 26 <= len(scene.scene.graves) <= 40, len(scene.known) < len(scene.scene.graves)
    (True, True)
    """
    rng = np.random.default_rng([seed, 1])
    area = shapely.Polygon(AREA)
    blocks = obstacles()
    graves = _graves(rng, area, blocks)
    taken = shapely.unary_union([grave_outline(grave) for grave in graves])
    stones = (*_stones(rng, area, taken), *_boulders(rng, taken))
    tree_x, tree_y, _ = TREE
    roots = tuple(_root(rng, tree_x, tree_y, turn) for turn in rng.uniform(0, 2 * math.pi, 7))
    drain = Drain(((28.6, 0.3, 0.62), (28.1, 7.5, 0.70), (27.9, 15.0, 0.80), (27.0, 22.0, 0.92)), 0.05, 5.0)
    burrow = Burrow(((3.4, 14.6, 0.30), (4.2, 14.3, 0.55), (4.9, 14.8, 0.80), (5.2, 15.6, 0.90)), 0.07, 1.5)
    layers = (
        Layer(0.30, Fill(0.37, 1.12), relief_m=0.025, relief_range_m=3.0, blur_m=0.012, seed=seed + 5),
        Layer(1.75, Fill(0.33, 0.90), relief_m=0.10, relief_range_m=6.0, blur_m=0.03, seed=seed + 6),
    )
    bounds = (0.8, 0.2, 30.2, 22.2)
    opened = (*OPENED, ("trench without burials", TRENCH))
    known = _known(rng, graves)
    return DemoScene(
        Scene(bounds, graves, stones, roots, (drain,), (burrow,), layers),
        known,
        opened,
        area,
        blocks,
        Ground(Soil(water_ms_per_m=45.0, surface_ms_per_m=3.0), structure_seed=seed + 7),
    )


def _graves(
    rng: np.random.Generator, area: shapely.Polygon, blocks: tuple[tuple[str, shapely.Polygon], ...]
) -> tuple[Grave, ...]:
    """Rough rows with gaps; a child's grave here and there, two cut across the rows."""
    blocked = shapely.buffer(shapely.unary_union([TRENCH, *(polygon for _, polygon in blocks)]), 0.2)
    room = shapely.buffer(area, -0.3)
    graves: list[Grave] = []
    taken: list[shapely.Geometry] = []
    for row, y_row in enumerate(ROWS):
        # Rows begin and end where the ground or the years gave out.
        x, end = ROW_ENDS[0] + rng.uniform(0.0, 2.0), ROW_ENDS[1] - rng.uniform(0.0, 2.0)
        while x < end:
            child = rng.random() < 0.24
            # A row sags and its graves are seldom in line.
            y = y_row + 0.2 * math.sin(0.5 * x + row) + rng.normal(0.0, 0.12)
            grave = _grave(rng, f"G{len(graves) + 1:02d}", x, y, child)
            outline = grave_outline(grave)
            free = room.contains(outline) and not blocked.intersects(outline)
            if free and not any(outline.distance(other) < 0.2 for other in taken) and rng.random() < 0.72:
                graves.append(grave)
                taken.append(outline)
            x += (1.0 if child else 1.3) + rng.uniform(0.0, 0.35)
    return tuple(graves)


def _grave(rng: np.random.Generator, label: str, x: float, y: float, child: bool) -> Grave:
    azimuth = float(rng.normal(4.0, 6.0)) % 180.0
    if rng.random() < 0.05:
        azimuth = (azimuth + 90.0) % 180.0
    length = rng.uniform(1.0, 1.35) if child else rng.uniform(1.9, 2.25)
    width = rng.uniform(0.45, 0.6) if child else rng.uniform(0.65, 0.85)
    base = rng.uniform(0.65, 0.95) if child else rng.uniform(0.95, 1.35)
    # Age decides how much there is to see: a coffin with air in it, a collapsed one, or only the cut.
    age = rng.random()
    oldest_with_void, most_void = (0.35, 0.10) if child else (0.65, 0.20)
    void = most_void * rng.uniform(0.3, 1.0) if age < oldest_with_void else 0.0
    blur = 0.004 + 0.022 * age
    fill = Fill(porosity=float(0.42 + rng.uniform(0.03, 0.09)), wetness=float(rng.choice([0.74, 0.82, 1.15])))
    coffin = Coffin(length - 0.25, width - 0.18, 0.26 if child else 0.34, float(void)) if void > 0 else None
    return Grave(
        label,
        "child" if child else "adult",
        round(x, 3),
        round(y, 3),
        round(float(length), 3),
        round(float(width), 3),
        round(azimuth, 2),
        0.2,
        round(float(base), 3),
        fill,
        coffin,
        round(float(blur), 4),
    )


def _stones(rng: np.random.Generator, area: shapely.Polygon, taken: shapely.Geometry) -> tuple[Stone, ...]:
    stones: list[Stone] = []
    x0, y0, x1, y1 = area.bounds
    while len(stones) < 44:
        x, y = rng.uniform((x0, y0), (x1, y1))
        if not area.contains(shapely.Point(x, y)) or taken.contains(shapely.Point(x, y)):
            continue
        radius = float(rng.choice([0.06, 0.09, 0.13, 0.18], p=[0.45, 0.3, 0.18, 0.07]))
        depth = float(rng.uniform(0.25 + radius, 1.5))
        stones.append(Stone(round(x, 3), round(y, 3), round(depth, 3), radius, round(float(rng.uniform(5.0, 7.5)), 2)))
    return tuple(stones)


def _boulders(rng: np.random.Generator, taken: shapely.Geometry) -> tuple[Stone, ...]:
    """A few large stones in the ground that was never used, as deep as graves: each can pass for one."""
    stones = []
    for x0, y0, x1, y1 in UNUSED:
        x, y = rng.uniform((x0, y0), (x1, y1))
        radius, depth = rng.uniform(0.22, 0.34), rng.uniform(1.1, 1.4)
        if taken.distance(shapely.Point(x, y)) > 1.0:
            stones.append(Stone(round(x, 3), round(y, 3), round(depth, 3), round(radius, 3), 5.5))
    return tuple(stones)


def _root(rng: np.random.Generator, x: float, y: float, turn: float) -> Root:
    points = []
    depth = rng.uniform(0.2, 0.4)
    for step in range(5):
        far = 0.4 + 0.75 * step
        bend = turn + rng.normal(0.0, 0.15)
        points.append(
            (round(x + far * math.cos(bend), 3), round(y + far * math.sin(bend), 3), round(depth + 0.05 * step, 3))
        )
    return Root(tuple(points), radius_m=round(float(rng.uniform(0.018, 0.035)), 4), permittivity=15.0)


def _known(rng: np.random.Generator, graves: tuple[Grave, ...]) -> tuple[str, ...]:
    """Burials known from excavation and probing: about three in four."""
    opened = shapely.unary_union([polygon for _, polygon in OPENED])
    return tuple(
        grave.label for grave in graves if opened.contains(shapely.Point(grave.x, grave.y)) or rng.random() < 0.7
    )
