"""Velocity from burials of known depth: where in time the strongest response over them lies."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
import xarray as xr
from scipy.spatial import cKDTree

from yewline.errors import InputError
from yewline.model import Finding, centroids
from yewline.recipe import section_of
from yewline.signal import Section, envelope
from yewline.signal.velocity import known_depth_velocity
from yewline.workspace.velocities import SourceVelocity

__all__ = ["DEPTH_SIGMA_M", "burials_velocity", "of_known_depth"]

F64 = npt.NDArray[np.float64]

NEAR_M: Final = 0.35
"""Traces nearer than this to a burial's middle look down on it."""
DEPTH_SIGMA_M: Final = 0.05
"""Standard deviation of a depth as excavated (common practice, no source)."""
FEWEST: Final = 3
DRAWS: Final = 199
SURE_P: Final = 0.05
SLOWEST, FASTEST, STEPS = 0.05, 0.18, 72
"""Velocities that soils have, m/ns; common practice, no source."""
FAINTEST: Final = 0.05
MOST_TRACES: Final = 40_000


def burials_velocity(
    lines: Mapping[str, xr.DataArray],
    lights: Mapping[str, xr.DataArray],
    burials: gpd.GeoDataFrame,
    *,
    visit: str,
    seed: int,
) -> tuple[SourceVelocity | None, list[Finding]]:
    """Velocity that puts the burials of known depth where they respond, with its error; or a finding that says why not.

    Notes
    -----
    All burials together tell at which velocity their depths fall on strong responses: the mean logarithm of the
    envelope over them, each time brought to its line's own level. Chance is what the same depths give at places on
    the same lines that lie off all known burials: only a better fit than 95 in 100 of those is used. Each burial's
    time then is that of its strongest response within a period of where that velocity expects it.

    What responds lies somewhere between the top and the base that were written down; which, nobody knows. So the
    middle of the two is taken, with (base − top)/√12 as an error that all burials share.
    """
    known = of_known_depth(burials)
    if len(known) < FEWEST:
        if burials.empty:
            return None, []
        text = f"{len(known)} of {len(burials)} known burials have a depth: too few for a velocity from them"
        do = "fill in top_m (and base_m) of the excavated ones"
        return None, [Finding("found", "velocity-burials", text, do=do, visit=visit)]
    seen = _seen_traces(lines, lights, centroids(known))
    if seen is None:
        return None, [_unused("no line crosses a burial of known depth", visit)]
    near = [np.asarray(part, np.intp) for part in seen.tree.query_ball_point(centroids(known), NEAR_M)]
    held = [i for i, part in enumerate(near) if len(part)]
    if len(held) < FEWEST:
        return None, [_unused(f"lines cross only {len(held)} burials of known depth", visit)]
    known, near = known.iloc[held], [near[i] for i in held]
    depth, shared_m = _depths(known)
    speeds = np.geomspace(SLOWEST, FASTEST, STEPS)
    curve = _alignment(seen, near, depth, speeds)
    best = float(speeds[int(curve.argmax())])
    p = _chance(seen, burials, depth, speeds, float(curve.max()), np.random.default_rng(seed))
    if p is None or p > SURE_P or not SLOWEST < best < FASTEST:
        why = "" if p is None else f" (p = {p:.2f})"
        return None, [_unused(f"the burials of known depth do not answer more strongly than other ground{why}", visit)]
    return _fitted(seen, near, depth, shared_m, best, visit=visit, p=p)


@dataclass(frozen=True)
class _Seen:
    """Traces of the lines that pass burials: places (n, 2), logarithm of the envelope (n, S) over its line's level."""

    xy: F64
    strength: npt.NDArray[np.float32]
    section: Section
    tree: cKDTree


def of_known_depth(burials: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Burials with a depth, excavated or probed."""
    top = burials["top_m"].to_numpy(float)
    evidence = burials["evidence"].isin(["excavated", "probed"]).to_numpy()
    return burials[np.isfinite(top) & (top > 0) & evidence].reset_index(drop=True)


def _depths(known: gpd.GeoDataFrame) -> tuple[F64, float]:
    """Depth of what responds, (B,), and the standard deviation that all share, m."""
    top, base = known["top_m"].to_numpy(float), known["base_m"].to_numpy(float)
    base = np.where(np.isfinite(base) & (base > top), base, top)
    return 0.5 * (top + base), float(np.mean(base - top)) / math.sqrt(12.0)


def _seen_traces(lines: Mapping[str, xr.DataArray], lights: Mapping[str, xr.DataArray], middles: F64) -> _Seen | None:
    burials = cKDTree(middles)
    places, strengths, total = [], [], 0
    section: Section | None = None
    for name, light in lights.items():
        xy = np.column_stack([light["x"].values, light["y"].values])
        if total >= MOST_TRACES or not (burials.query(xy, distance_upper_bound=NEAR_M)[0] < NEAR_M).any():
            continue
        own = section_of(light)
        if section is not None and not math.isclose(own.interval_ns, section.interval_ns, rel_tol=1e-6):
            continue
        section = section or own
        strength = envelope(lines[name].values, own)
        level = np.maximum(np.median(strength, axis=0), np.finfo(np.float32).tiny)
        places.append(xy)
        strengths.append(np.log(np.maximum(strength / level, np.float32(FAINTEST))))
        total += len(xy)
    if section is None:
        return None
    samples = min(part.shape[1] for part in strengths)
    xy = np.concatenate(places)
    return _Seen(xy, np.concatenate([part[:, :samples] for part in strengths]), section, cKDTree(xy))


def _alignment(seen: _Seen, near: list[npt.NDArray[np.intp]], depth: F64, speeds: F64) -> F64:
    """(V,) mean strength over the burials where each velocity puts their depths."""
    times = np.arange(seen.strength.shape[1]) * seen.section.interval_ns
    path = np.hypot(2.0 * depth, seen.section.separation_m)
    total = np.zeros(len(speeds))
    for part, way in zip(near, path, strict=True):
        total += np.interp(way / speeds, times, seen.strength[part].mean(axis=0, dtype=np.float64), right=0.0)
    return total / len(near)


def _chance(
    seen: _Seen, burials: gpd.GeoDataFrame, depth: F64, speeds: F64, found: float, rng: np.random.Generator
) -> float | None:
    """Chance of as good an alignment at places off all known burials; None where there is no such ground."""
    ground = shapely.buffer(shapely.union_all(np.asarray(burials.geometry.values, dtype=object)), NEAR_M)
    free = np.flatnonzero(~shapely.contains_xy(ground, seen.xy[:, 0], seen.xy[:, 1]))
    if len(free) < 10 * len(depth):
        return None
    as_good = 0
    for _ in range(DRAWS):
        at = seen.xy[rng.choice(free, len(depth), replace=False)]
        near = [np.asarray(part, np.intp) for part in seen.tree.query_ball_point(at, NEAR_M)]
        as_good += float(_alignment(seen, near, depth, speeds).max()) >= found
    return (as_good + 1) / (DRAWS + 1)


def _fitted(
    seen: _Seen, near: list[npt.NDArray[np.intp]], depth: F64, shared_m: float, best: float, *, visit: str, p: float
) -> tuple[SourceVelocity | None, list[Finding]]:
    section = seen.section
    period = section.period_ns
    picked = []
    for i, (part, deep) in enumerate(zip(near, depth, strict=True)):
        trace = seen.strength[part].mean(axis=0)
        expected = math.hypot(2.0 * deep, section.separation_m) / best
        first = max(int((expected - period) / section.interval_ns), 1)
        stop = min(math.ceil((expected + period) / section.interval_ns) + 1, len(trace) - 1)
        if stop - first < 3:
            continue
        at = first + int(trace[first:stop].argmax())
        # What is no stronger than the line's usual level at that time is no response.
        if trace[at] > 0 and first < at < stop - 1:
            picked.append((i, at * section.interval_ns))
    if len(picked) < FEWEST:
        return None, [_unused(f"only {len(picked)} of {len(near)} burials of known depth show a response", visit)]
    used = depth[[i for i, _ in picked]]
    try:
        fit = known_depth_velocity(
            used,
            [time for _, time in picked],
            sigma_depth_m=np.full(len(used), DEPTH_SIGMA_M),
            sigma_time_ns=np.full(len(used), 0.25 * period),
            zero_sigma_ns=0.05 * period,
            separation_m=section.separation_m,
        )
    except InputError as error:
        return None, [_unused(f"the burials of known depth give no velocity: {error.problem}", visit)]
    own = fit.estimate
    common = own.v_m_per_ns * shared_m / float(used.mean())
    estimate = replace(own, sigma_m_per_ns=math.hypot(own.sigma_m_per_ns, common))
    note = (
        f"{len(used)} of {len(near)} burials; p = {p:.3f} for other ground; top or base unknown: ±{shared_m:.2f} m (sd)"
    )
    return SourceVelocity("known depths", estimate, note=note), []


def _unused(text: str, visit: str) -> Finding:
    return Finding("found", "velocity-burials", f"no velocity from known depths: {text}", visit=visit)
