"""A hand-made result of two (or more) visits, with everything a report has to show. Places and names are invented.

Figures are made consistent with one another (distances are real distances between the centroids), so that a test
can look for them in the page.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import xarray as xr

from yewline.accuracy import depth_errors
from yewline.accuracy.result import ChanceLevel, DirectedDistances, Proportion, VisitComparison, VisitScore
from yewline.ground.summary import MoistureSummary
from yewline.model import (
    BURIAL_COLUMNS,
    HOTSPOT_COLUMNS,
    OPENED_COLUMNS,
    Finding,
    SiteSettings,
    VelocityField,
    VisitSettings,
    centroids,
    empty_outlines,
    make_outlines,
    make_radargram,
    make_readings,
)
from yewline.signal.velocity import HyperbolaFit, VelocityEstimate, combine_estimates, fit_hyperbola
from yewline.workspace.results import SiteResult, SourceVelocity, VisitResult, VisitVelocities
from yewline.workspace.stage_known_depths import DepthChance, DepthCheck
from yewline.workspace.velocities import SeenHyperbola

WIDTH, HEIGHT, CELL = 28.0, 17.0, 0.25
AREA = shapely.Polygon(
    [(0, 0), (WIDTH, 0), (WIDTH, HEIGHT - 4), (WIDTH - 5, HEIGHT), (0, HEIGHT)],
    [[(18, 2), (20, 2), (20, 4), (18, 4)]],
)
TOLERANCE = 0.4
HOSTILE = "<script>alert('x')</script> & \"Co\""


def _box(x: float, y: float, length: float, width: float, turn_deg: float) -> shapely.Polygon:
    half = np.array([[-length, -width], [length, -width], [length, width], [-length, width]]) / 2
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return shapely.Polygon(half @ np.array([[c, s], [-s, c]]) + (x, y))


def make_burials(rng: np.random.Generator) -> gpd.GeoDataFrame:
    rows, shapes = [], []
    for row, y in enumerate((3.0, 7.5, 12.0)):
        for column in range(8):
            child = (row + column) % 5 == 4
            x = 2.5 + 2.9 * column + rng.normal(0, 0.25)
            shapes.append(
                _box(x, y + rng.normal(0, 0.2), *((1.2, 0.5) if child else (2.1, 0.75)), 84 + rng.normal(0, 5))
            )
            rows.append({"burial": f"B{len(rows) + 1:02d}", "kind": "child" if child else "adult", "top_m": 0.6})
    rows.append({"burial": "B25", "kind": "adult"})
    shapes.append(_box(30.5, 5.0, 2.1, 0.75, 90))  # outside the surveyed ground
    return make_outlines(BURIAL_COLUMNS, rows, shapes)


def _nearest(a: np.ndarray, b: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    d = np.hypot(a[:, None, 0] - b[None, :, 0], a[:, None, 1] - b[None, :, 1])
    return d.min(1), d.argmin(1).astype(np.intp)


def _chance(null: Any, a: np.ndarray, b: np.ndarray, observed: float, rng: np.random.Generator) -> ChanceLevel:
    sample = np.array(
        [_nearest((a + rng.uniform(2.1, 9, 2)) % (WIDTH, HEIGHT), b)[0].mean() for _ in range(400)], dtype=float
    )
    b_count = int((sample <= observed).sum())
    low, high = np.quantile(sample, [0.025, 0.975])
    return ChanceLevel(
        null=null,
        expected_m=float(sample.mean()),
        low_m=float(low),
        high_m=float(high),
        p=max((b_count + 1) / 401, 1 / 60 if null == "shift" else 0),
        smallest_p=1 / 60 if null == "shift" else 1 / 401,
        draws=400,
        sample_m=sample,
        notes=("Burials lie in rows 4.5 m apart: a shift by that much can match the pattern again.",)
        if null == "shift"
        else (),
    )


def _directed(direction: Any, measure: Any, d: np.ndarray, nearest: np.ndarray, chance: Any) -> DirectedDistances:
    if not np.isfinite(d).any():
        return DirectedDistances(
            direction, measure, d, nearest, None, None, None, None, None, why="there are no hotspots"
        )
    half = 1.96 * d.std() / np.sqrt(len(d))
    return DirectedDistances(
        direction=direction,
        measure=measure,
        distance_m=d,
        nearest=nearest,
        mean_m=float(d.mean()),
        median_m=float(np.median(d)),
        sd_m=float(d.std()),
        low_m=float(d.mean() - half),
        high_m=float(d.mean() + half),
        placement=chance and chance[0],
        shift=chance and chance[1],
    )


def make_score(
    hotspots: gpd.GeoDataFrame, burials: gpd.GeoDataFrame, opened: gpd.GeoDataFrame, seed: int
) -> VisitScore:
    rng = np.random.default_rng(seed)
    h, b = centroids(hotspots), centroids(burials)
    eligible = shapely.contains_properly(AREA, np.asarray(burials.geometry.values, object))
    none = (np.zeros(0), np.zeros(0, np.intp))
    far = (np.full(len(b), np.nan), np.full(len(b), -1, np.intp))
    hb, bh = (_nearest(h, b), _nearest(b, h)) if len(h) else (none, far)
    outline = shapely.distance(shapely.points(h)[:, None], np.asarray(burials.geometry.values, object)[None, :])
    pairs = [(i, int(outline[i].argmin())) for i in range(len(h)) if outline[i].min() <= TOLERANCE]
    seen: set[int] = set()
    pairs = [(i, j) for i, j in pairs if not (j in seen or seen.add(j)) and eligible[j]]
    assessable = (
        shapely.contains_xy(shapely.union_all(np.asarray(opened.geometry.values, object)), h[:, 0], h[:, 1])
        if len(opened) and len(h)
        else np.zeros(len(h), bool)
    )
    k, n = len(pairs), int(eligible.sum())
    precise = sum(bool(assessable[i]) for i, _ in pairs)

    def chance(a: np.ndarray, other: np.ndarray, d: np.ndarray) -> Any:
        return (
            tuple(_chance(null, a, other, float(d.mean()), rng) for null in ("placement", "shift")) if len(d) else None
        )

    return VisitScore(
        hotspot_to_burial=_directed("hotspot to burial", "centroid to centroid", *hb, chance(h, b, hb[0])),
        burial_to_hotspot=_directed(
            "burial to hotspot", "centroid to centroid", *bh, chance(b, h, bh[0]) if len(h) else None
        ),
        hotspot_to_outline=_directed(
            "hotspot to burial", "centroid to outline", outline.min(1) if len(h) else none[0], hb[1], None
        ),
        burial_to_outline=_directed("burial to hotspot", "centroid to outline", *bh, None),
        tolerance_m=TOLERANCE,
        matches=np.array(pairs, np.intp).reshape(-1, 2),
        match_distance_m=np.array([outline[i, j] for i, j in pairs]),
        recall=_proportion(k, n, "no known burial lies inside the covered ground"),
        precision=_proportion(
            precise, int(assessable.sum()), "no ground was opened, so a hotspot cannot be called wrong"
        ),
        eligible=np.asarray(eligible),
        assessable=np.asarray(assessable),
        notes=("One burial lies outside the covered ground and is left out of recall.",),
    )


def _proportion(k: int, n: int, why: str) -> Proportion:
    if n == 0:
        return Proportion(None, None, None, 0, 0, why)
    z = 1.959964
    middle, half = (k + z * z / 2) / (n + z * z), z / (n + z * z) * np.sqrt(k * (n - k) / n + z * z / 4)
    return Proportion(k / n, max(0.0, float(middle - half)), min(1.0, float(middle + half)), k, n)


def make_hotspots(
    visit: str, burials: gpd.GeoDataFrame, rng: np.random.Generator, hit: float, extra: int
) -> gpd.GeoDataFrame:
    shapes = []
    for x, y in centroids(burials)[:24]:
        if rng.random() < hit:
            shapes.append(_box(x + rng.normal(0, 0.2), y + rng.normal(0, 0.3), 1.6, 0.8, 84 + rng.normal(0, 12)))
    for _ in range(extra):
        shapes.append(_box(rng.uniform(2, WIDTH - 6), rng.uniform(2, HEIGHT - 4), 1.2, 0.9, rng.uniform(0, 180)))
    shapes = [shapely.segmentize(s, 0.2).buffer(0.1) for s in shapes]
    rows = [
        {
            "hotspot": f"H{i + 1:02d}",
            "visit": visit,
            "rule": "noise 3.0",
            "top_m": 0.6,
            "base_m": 0.8,
            "area_m2": s.area,
            "length_m": 1.8,
            "width_m": 1.0,
            "azimuth_deg": 92.0,
            "x": s.centroid.x,
            "y": s.centroid.y,
            "mean_strength": 2.1,
            "peak_strength": 3.4,
        }
        for i, s in enumerate(shapes)
    ]
    return make_outlines(HOTSPOT_COLUMNS, rows, shapes)


def make_lines(n_lines: int, burials: gpd.GeoDataFrame, v: float, rng: np.random.Generator) -> dict[str, xr.DataArray]:
    """Lines along x, with a hyperbola where a line passes within 1 m of a burial's centre."""
    lines = {}
    x = np.linspace(0, WIDTH, 300)
    t = 0.25 * np.arange(280)
    middle = centroids(burials)
    for i in range(n_lines):
        y = HEIGHT * (i + 0.5) / n_lines
        a = rng.normal(0, 0.25, (300, 280)) + 0.6 * np.sin(2 * np.pi * t / 14 + i)[None, :] * np.exp(-t / 12)
        for bx, by in middle[np.abs(middle[:, 1] - y) < 1]:
            arrival = 2 * np.hypot(0.75, np.hypot(x - bx, by - y)) / v
            u = np.pi * 0.4 * (t[None, :] - arrival[:, None])
            a += 1.6 * (1 - 2 * u**2) * np.exp(-(u**2)) * np.exp(-np.abs(x - bx) / 1.5)[:, None]
        name = f"L{i + 1:02d}"
        lines[name] = make_radargram(
            a, interval_ns=0.25, x=x, y=np.full(300, y), attrs={"line": name, "separation_m": 0.2, "centre_mhz": 300.0}
        )
    return lines


def make_slices(hotspots: gpd.GeoDataFrame, rng: np.random.Generator, n_slices: int = 10) -> xr.Dataset:
    x, y = CELL * np.arange(int(WIDTH / CELL) + 1), CELL * np.arange(int(HEIGHT / CELL) + 1)
    xx, yy = np.meshgrid(x, y)
    covered = shapely.contains_xy(AREA, xx, yy)
    strength = np.empty((n_slices, *xx.shape), np.float32)
    for k in range(n_slices):
        s = rng.gamma(4.0, 0.18, xx.shape)
        for cx, cy in centroids(hotspots):
            s += 2.4 * np.exp(-(((xx - cx) / 0.6) ** 2) - ((yy - cy) / 0.9) ** 2) * np.exp(-(((k - 4) / 2.5) ** 2))
        strength[k] = np.where(covered, s, np.nan)
    top = 0.2 + 0.1 * np.arange(n_slices)
    return xr.Dataset(
        {
            "strength": (("slice", "y", "x"), strength),
            "coverage": (("slice", "y", "x"), np.isfinite(strength)),
            "depth_error": (("slice", "y", "x"), np.full(strength.shape, 0.07, np.float32)),
        },
        coords={"top": ("slice", top), "base": ("slice", top + 0.2), "y": y, "x": x},
    )


def make_visit(
    name: str,
    day: dt.date,
    burials: gpd.GeoDataFrame,
    opened: gpd.GeoDataFrame,
    *,
    wet: bool,
    seed: int,
    n_lines: int = 35,
) -> VisitResult:
    rng = np.random.default_rng(seed)
    level, spread, v = (0.29, 0.015, 0.074) if wet else (0.14, 0.045, 0.112)
    hotspots = make_hotspots(name, burials, rng, hit=0.75 if wet else 0.55, extra=3 if wet else 7)
    rx, ry = rng.uniform(0.5, 22, 40), rng.uniform(0.5, 16, 40)
    field = lambda x, y: level + spread * np.sin(x / 4 + seed) * np.cos(y / 3)  # noqa: E731
    readings = make_readings(x=rx, y=ry, vwc=field(rx, ry) + rng.normal(0, 0.01, 40), row=np.arange(2, 42))
    slices = make_slices(hotspots, rng)
    xx, yy = np.meshgrid(slices["x"].values[::2], slices["y"].values[::2])
    near = np.hypot(xx[..., None] - rx, yy[..., None] - ry).min(-1) < 3
    known = shapely.contains_xy(AREA, xx, yy) & near
    vwc = np.where(known, field(xx, yy), np.nan)
    moisture_map = xr.Dataset(
        {"vwc": (("y", "x"), vwc), "vwc_sd": (("y", "x"), np.where(known, 0.02, np.nan))},
        coords={"y": yy[:, 0], "x": xx[0]},
        attrs={"variogram": "exponential", "range_m": 6.2, "sill": 0.0018, "nugget": 0.0002},
    )
    w = readings["vwc"].to_numpy()
    summary = MoistureSummary(
        n=40,
        mean=float(w.mean()),
        median=float(np.median(w)),
        p10=float(np.quantile(w, 0.1)),
        p90=float(np.quantile(w, 0.9)),
        sd=float(w.std(ddof=1)),
        cv=float(w.std(ddof=1) / w.mean()),
        robust_sd=float(1.4826 * np.median(np.abs(w - np.median(w)))),
        support_depth_m=0.12,
    )
    settings = VisitSettings.model_validate(
        {
            "date": day,
            "antenna": {"centre_mhz": 300.0, "separation_m": 0.2},
            "weather": "overcast after a week of rain" if wet else "sunny, dry for three weeks",
            "notes": "grass cut short",
            "soil": {"texture": "sandy loam"},
        }
    )
    chosen = slices["strength"].values[4]
    median = float(np.nanmedian(chosen))
    score = make_score(hotspots, burials, opened, seed + 7)
    return VisitResult(
        name=name,
        settings=settings,
        radargrams=make_lines(n_lines, burials, v, rng),
        velocity=VelocityField.uniform(v, 0.006, "moisture readings, Topp relation"),
        readings=readings,
        moisture=summary,
        moisture_map=moisture_map,
        slices=slices,
        chosen=4,
        noise=(median, float(1.4826 * np.nanmedian(np.abs(chosen - median)))),
        found=hotspots,
        equal_area=hotspots.iloc[: max(1, len(hotspots) // 2)].reset_index(drop=True),
        drawn=empty_outlines(HOTSPOT_COLUMNS),
        scored=hotspots,
        score=score,
        depth_check=make_depth_check(burials, score, 0.09 if wet else 0.15, seed),
        velocities=make_velocities(v, "L01"),
    )


def make_fit(line: str, x_m: float, v: float) -> HyperbolaFit:
    x = x_m + np.linspace(-0.9, 0.9, 15)
    t = 2 * np.hypot(0.8, x - x_m) / v
    fit = fit_hyperbola(x, t + 0.05 * np.sin(9 * x))
    return replace(fit, line=line)


def make_velocities(v: float, line: str, *, off: float = 1.0) -> VisitVelocities:
    """Moisture used; hyperbolas of the same ground, or `off` times as fast; a ground wave that is only shown."""
    moisture = SourceVelocity("moisture", VelocityEstimate(v, 0.006, "moisture", depth_to_m=1.5, n=40), note="readings")
    seen = tuple(
        SeenHyperbola(make_fit(line, x, speed), fate)
        for x, speed, fate in (
            (5.0, off * v, "used"),
            (9.0, off * v, "used"),
            (14.0, 0.19, "outlier"),
            (20.0, 0.29, "air"),
        )
    )
    about = VelocityEstimate(off * v, 0.003, "hyperbolas", depth_to_m=0.8, n=2, dof=9.0, cautions=("few-hyperbolas",))
    hyperbolas = SourceVelocity("hyperbolas", about, 0.002, note="2 hyperbolas on 1 line")
    surface = VelocityEstimate(1.1 * v, 0.004, "ground wave", depth_to_m=0.3, label="cmp1")
    ground = SourceVelocity("ground wave", surface, compared=False)
    return VisitVelocities(
        0,
        (moisture, hyperbolas, ground),
        combine_estimates([moisture.estimate, hyperbolas.estimate]),
        seen,
        lines=6,
    )


def make_comparison(a: VisitResult, b: VisitResult, n_visits: int) -> VisitComparison:
    capped = [np.minimum(np.maximum(v.score.burial_to_hotspot.distance_m - 0.3, 0), TOLERANCE) for v in (a, b)]
    for distances in capped:
        distances[24:] = np.nan
    difference = (capped[1] - capped[0])[:24]
    half = 1.96 * difference.std() / np.sqrt(24)
    return VisitComparison(
        visit_a=a.name,
        visit_b=b.name,
        n=24,
        blocks=21,
        direction="burial to hotspot",
        paired_difference_m=float(difference.mean()),
        low_m=float(difference.mean() - half),
        high_m=float(difference.mean() + half),
        p=0.031,
        smallest_p=2.0**-20,
        chance_difference_m=-0.02,
        capped_a_m=capped[0],
        capped_b_m=capped[1],
        statement=f"With {n_visits} visits nothing can be said about moisture: the visits differ in more than that.",
    )


def make_depth_check(burials: gpd.GeoDataFrame, score: VisitScore, half_m: float, seed: int) -> DepthCheck:
    known = burials.iloc[:24]
    estimated = known["top_m"].to_numpy(float) + np.random.default_rng(seed).normal(0.08, 0.1, 24)
    estimated[3] = np.nan
    half, top = np.full(24, half_m), known["top_m"].to_numpy(float)
    errors = depth_errors(estimated, half, top)
    some = np.isin(np.arange(24), score.matches[:, 1])
    table = pd.DataFrame(known[["burial", "kind", "top_m", "base_m"]]).assign(
        estimated_m=estimated, half_width_m=half, contrast=4.0, at_end=np.arange(24) == 3, matched=some,
        difference_m=errors.difference_m, holds_top=errors.holds_top, meets_body=errors.meets_body,
    )  # fmt: skip
    matched = depth_errors(estimated[some], half[some], top[some])
    return DepthCheck(table, (0.5, 1.5), errors, matched, DepthChance(0.31, 0.22, 0.22, 0.01, 99), False)


def make_site(n_visits: int = 2, n_lines: int = 35, *, known: bool = True, root: Path = Path("site")) -> SiteResult:
    rng = np.random.default_rng(5)
    burials = make_burials(rng)
    opened = make_outlines(
        OPENED_COLUMNS,
        [{"opened": "T1", "depth_reached_m": 1.4}, {"opened": "T2", "depth_reached_m": 1.1}],
        [shapely.box(0.5, 1.0, 24.5, 9.5), shapely.box(1, 10.4, 15, 13.6)],
    )
    visits = tuple(
        make_visit(
            f"{2030 + i // 4}-{3 * (i % 4) + 1:02d}-{'wet' if i % 2 else 'dry'}",
            dt.date(2030 + i // 4, 3 * (i % 4) + 1, 12),
            burials,
            opened,
            wet=bool(i % 2),
            seed=20 + i,
            n_lines=n_lines,
        )
        for i in range(n_visits)
    )
    comparisons = tuple(make_comparison(visits[0], other, n_visits) for other in visits[1:])
    settings = SiteSettings.model_validate(
        {
            "name": "Hollow Bank old burial ground",
            "about": "An invented hillside burial ground, for tests only.",
            "frame": {"north_deg": 12.0},
            "release": {"decided_by": "the Hollow Bank descendants' council", "note": "No map leaves the council."},
            "cautions": ["Please read this with somebody you trust."],
        }
    )
    result = SiteResult(
        root=root,
        settings=settings,
        area=AREA,
        area_assumed=False,
        burials=burials,
        opened=opened,
        visits=visits,
        comparisons=comparisons,
        recipe='name = "standard"\n\n[[before]]\nstep = "dewow"\nwindow_ns = 12.0\n\n[[before]]\nstep = "band_pass"\n',
        recipe_name="standard",
        recipe_digest="8d5a21f0c3b94e77a1c0de42",
        findings=(
            Finding("found", "interval", "sample interval from the rev-2 field", where="visits/a/lines/L01.sgy"),
            Finding(
                "assumed", "area-hull", "no outline was given", do="give area.geojson", received="hull of the lines"
            ),
            Finding(
                "warning",
                "time-zero-drift",
                "time zero drifts by 1.2 ns along the line",
                visit=visits[0].name,
                line="L07",
                where="visits/a/lines/L07.sgy",
                do="look at the line's first arrivals",
            ),
            Finding(
                "fault",
                "sample-count",
                "fewer samples than the header says",
                where="visits/a/lines/L19.sgy, byte 3240",
                received="498 of 512",
                do="export the line again",
                visit=visits[0].name,
                line="L19",
            ),
        ),
        inputs={f"visits/a/lines/L{i:02d}.sgy": f"{i:064x}" for i in range(1, 9)} | {"site.toml": "ab" * 32},
        choices=(
            ("Slice", "0.60–0.80 m", "set before the survey was looked at"),
            ("Outlining rule", "3.0 × noise above the median", "default"),
            ("Tolerance", "0.40 m", "twice the quadrature sum of position errors"),
        ),
        version="0.1.0",
    )
    return result if known else without_burials(result)


def without_burials(result: SiteResult) -> SiteResult:
    return replace(
        result,
        burials=empty_outlines(BURIAL_COLUMNS),
        opened=empty_outlines(OPENED_COLUMNS),
        visits=tuple(replace(visit, score=None, depth_check=None) for visit in result.visits),
        comparisons=(),
    )


def without_readings(result: SiteResult) -> SiteResult:
    return replace(
        result,
        visits=tuple(replace(visit, readings=None, moisture=None, moisture_map=None) for visit in result.visits),
    )


def without_hotspots(result: SiteResult) -> SiteResult:
    none = empty_outlines(HOTSPOT_COLUMNS)
    visits = tuple(
        replace(
            visit, found=none, equal_area=none, scored=none, score=make_score(none, result.burials, result.opened, 3)
        )
        for visit in result.visits
    )
    comparisons = tuple(
        replace(
            c,
            n=0,
            blocks=0,
            paired_difference_m=None,
            low_m=None,
            high_m=None,
            p=None,
            smallest_p=None,
            chance_difference_m=None,
            capped_a_m=np.zeros(0),
            capped_b_m=np.zeros(0),
            why="a visit has no hotspots",
        )
        for c in result.comparisons
    )
    return replace(result, visits=visits, comparisons=comparisons)


def with_hostile_names(result: SiteResult) -> SiteResult:
    """Every text that a person can write holds markup."""
    visit = result.visits[0]
    burials = result.burials.copy()
    burials["burial"] = [HOSTILE, *burials["burial"][1:]]
    scored = visit.scored.copy()
    scored["hotspot"] = [HOSTILE, *scored["hotspot"][1:]]
    settings = visit.settings.model_copy(update={"weather": HOSTILE, "notes": HOSTILE, "operator": HOSTILE})
    lines = {HOSTILE if name == "L07" else name: line for name, line in visit.radargrams.items()}
    hostile = replace(visit, name=HOSTILE, settings=settings, scored=scored, found=scored, radargrams=lines)
    site = result.settings.model_copy(
        update={
            "name": HOSTILE,
            "about": HOSTILE,
            "cautions": (HOSTILE,),
            "release": result.settings.release.model_copy(update={"decided_by": HOSTILE, "note": HOSTILE}),
        }
    )
    return replace(
        result,
        settings=site,
        burials=burials,
        visits=(hostile, *result.visits[1:]),
        comparisons=tuple(replace(c, visit_a=HOSTILE, statement=HOSTILE) for c in result.comparisons),
        findings=(Finding("fault", HOSTILE, HOSTILE, HOSTILE, HOSTILE, HOSTILE, HOSTILE, HOSTILE),),
        choices=((HOSTILE, HOSTILE, HOSTILE),),
        recipe=HOSTILE,
        recipe_name=HOSTILE,
        inputs={HOSTILE: HOSTILE},
    )
