"""Velocity from the hyperbolas of a visit's lines, and from the focus of the lines that have some."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from yewline.errors import InputError
from yewline.model import Finding
from yewline.progress import Progress
from yewline.recipe import run_lines, section_of
from yewline.signal import Section
from yewline.signal.velocity import (
    FitOptions,
    HyperbolaFit,
    HyperbolaSearch,
    LineScan,
    SearchOptions,
    VelocityEstimate,
    combine_estimates,
    diffraction_times,
    estimate_of,
    find_hyperbolas,
    fit_hyperbola,
    focus_estimate,
    hyperbola_velocity,
    pool_scans,
    scan_line,
    surest,
    surface_delay_ns,
)
from yewline.workspace.velocities import SeenHyperbola, SourceVelocity

__all__ = [
    "FEW",
    "FoundHyperbolas",
    "apex_places",
    "focus_velocity",
    "group_objects",
    "hyperbolas_velocity",
    "many_fits",
    "object_reach_m",
    "search_lines",
    "shared_parts",
    "shared_sigma",
    "surface_factor",
]

F64 = npt.NDArray[np.float64]

FEW: Final = 5
"""Below this many hyperbolas none can be told to be an outlier: all count, and the error is that of their spread."""
OBJECT_RADIUS_M: Final = 0.10
"""Standard deviation of the radius of what answers (stones, roots, lids), taken to be points: own choice, no source."""
ZERO_SHARE: Final = 0.05
"""Standard deviation of time zero and of the pulse's crest, in periods."""
SURFACE_SHARE: Final = 0.25
"""Standard deviation of the correction for the surface's phase, as a share of it: antennas differ."""
OBLIQUE_DEG: Final = 75.0
"""A long object crossed at less than this has a velocity that is too high by 1/sin of the angle: by 3.5 % and more."""
LONG_LINES: Final = 3
"""What is to count as long is met on this many lines."""
OBJECT_M: Final = 0.75
"""Hyperbolas of neighbouring lines nearer than this, at about the same time, are taken for one object's."""
FOCUS_LINES: Final = 12
LOOKED_FOR: Final = SearchOptions(false_alarms=0.2)
"""On each line; what is kept of it is then judged over the whole visit."""
FALSE_SHARE: Final = 0.1
"""Of the hyperbolas of a visit, at most, that are expected to be the noise's."""
MOST_TRACES: Final = 60_000
"""Of a larger survey a part of the lines is searched, evenly chosen."""
LEGS: Final = 21


@dataclass(frozen=True)
class FoundHyperbolas:
    """What the search of a visit's lines gave.

    `places` (n, 2) are those of the fits' apexes, site metres, and `along` (n, 2) the directions of their lines there.
    `refused` counts candidates by reason: those of `RefusedHyperbola`, and "chance" for what may be the noise's.
    """

    fits: tuple[HyperbolaFit, ...]
    air: tuple[HyperbolaFit, ...]
    places: F64
    along: F64
    refused: Mapping[str, int]
    searched: tuple[str, ...]
    findings: tuple[Finding, ...]


def search_lines(
    lines: Mapping[str, xr.DataArray],
    lights: Mapping[str, xr.DataArray],
    *,
    visit: str,
    workers: int,
    progress: Progress,
) -> FoundHyperbolas:
    """Hyperbolas on all processed lines of a visit, segment by segment; in a large survey on an even choice of them.

    Lines are gone through twice: first for what noise gives on all of them together, then for the hyperbolas that stand
    out of it.
    """
    names, findings = _chosen(lights, visit)

    def look(name: str) -> tuple[list[LineScan], str]:
        try:
            return [scan_line(values, section, LOOKED_FOR) for values, section in _runs(lines[name])], ""
        except InputError as error:
            return [], error.problem

    looked = run_lines(look, names, workers=workers, progress=progress, label=f"look for hyperbolas {visit}")
    for name, (_, problem) in zip(names, looked, strict=True):
        if problem:
            text, do = f"no hyperbolas could be looked for: {problem}", "look at the line"
            findings.append(Finding("warning", "velocity-line", text, do=do, visit=visit, line=name))
    # Of every line its maxima alone are held: enough to tell what is rare on this visit.
    scans = {name: each for name, (each, _) in zip(names, looked, strict=True)}
    noise = pool_scans(scan for each in scans.values() for scan in each)

    def fit(name: str) -> list[HyperbolaSearch]:
        return [
            find_hyperbolas(values, section, LOOKED_FOR, line=name, scan=scan, noise=noise)
            for (values, section), scan in zip(_runs(lines[name]), scans[name], strict=True)
        ]

    promising = [
        name for name in names if any((noise.expected(s) <= LOOKED_FOR.false_alarms).any() for s in scans[name])
    ]
    work = run_lines(fit, promising, workers=workers, progress=progress, label=f"fit hyperbolas {visit}")
    # A piece of line expects its part of what noise gives on the visit.
    found = [
        (search, noise.room / scan.room)
        for name, searches in zip(promising, work, strict=True)
        for search, scan in zip(searches, scans[name], strict=True)
        if scan.room > 0
    ]
    refused = Counter(candidate.reason for search, _ in found for candidate in search.refused)

    def sure(fits: list[tuple[HyperbolaFit, float]]) -> tuple[HyperbolaFit, ...]:
        """Those of which few can be the noise's, over the whole visit."""
        kept = surest([(fit.expected_false or 0.0) * times for fit, times in fits], FALSE_SHARE)
        refused["chance"] += int((~kept).sum())
        return tuple(fit for (fit, _), good in zip(fits, kept, strict=True) if good)

    fits = sure([(fit, times) for search, times in found for fit in search.fits])
    air = sure([(wave, times) for search, times in found for wave in search.air])
    places = apex_places(fits, lights)
    along = np.array([_direction(lights[fit.line], fit.x_m) for fit in fits]).reshape(-1, 2)
    return FoundHyperbolas(fits, air, places, along, dict(+refused), tuple(names), tuple(findings))


def hyperbolas_velocity(
    found: FoundHyperbolas, section: Section, *, line_spacing_m: float, seed: int
) -> tuple[SourceVelocity | None, tuple[SeenHyperbola, ...]]:
    """One velocity from all hyperbolas, and what became of each.

    Hyperbolas of one line share its errors, and those of one object its shape: the bootstrap draws lines, then objects,
    and the larger error counts.
    """
    air = tuple(SeenHyperbola(fit, "air") for fit in found.air)
    usable = [i for i, fit in enumerate(found.fits) if fit.kind == "ground" and fit.sigma_v_m_per_ns > 0]
    if not usable:
        return None, (*(SeenHyperbola(fit, "unusable") for fit in found.fits), *air)
    reach_m = object_reach_m(line_spacing_m)
    objects = group_objects(found.fits, found.places, near_m=reach_m, period_ns=section.period_ns)
    blocks = ([fit.line for fit in found.fits], [str(number) for number in objects])
    source, outliers = many_fits([found.fits[i] for i in usable], section, seed=seed,
                                 blocks=[[names[i] for i in usable] for names in blocks])  # fmt: skip
    fits = [
        fit.with_caution("oblique") if angle < OBLIQUE_DEG else fit
        for fit, angle in zip(found.fits, _crossings(found, objects), strict=True)
    ]
    fates = ["unusable"] * len(found.fits)
    for number, i in enumerate(usable):
        fates[i] = "outlier" if number in outliers else "used"
    seen = [SeenHyperbola(fit, fate) for fit, fate in zip(fits, fates, strict=True)]  # type: ignore[arg-type]
    lines, things = (len({names[i] for i in usable}) for names in blocks)
    note = f"{source.estimate.n} hyperbolas on {lines} lines, of {things} objects or so"
    return replace(source, note=note), (*seen, *air)


def many_fits(
    fits: Sequence[HyperbolaFit], section: Section, *, seed: int, blocks: Sequence[Sequence[str]]
) -> tuple[SourceVelocity, frozenset[int]]:
    """One velocity from hyperbolas of the ground, and which of them are outliers; the widest of several bootstraps."""
    if len(fits) < FEW:
        mean = combine_estimates([estimate_of(fit) for fit in fits]).mean
        own = replace(
            mean, source="hyperbolas", cautions=("few-hyperbolas",), dof=float(max(len(fits) - 1, 1)), label=""
        )
        outliers: frozenset[int] = frozenset()
        kept = list(fits)
    else:
        each = [hyperbola_velocity(fits, seed=seed, blocks=names, level=0.95) for names in blocks]
        widest = max(each, key=lambda one: one.high_m_per_ns - one.low_m_per_ns)
        own, outliers = widest.estimate, frozenset(widest.outliers)
        kept = [fit for i, fit in enumerate(fits) if i not in outliers]
    deep = float(np.median([fit.depth_m for fit in kept]))
    shared = shared_sigma(own.v_m_per_ns, deep, section)
    # Hyperbolas go down to many depths; what they say holds down to the usual one of them.
    whole = replace(own, sigma_m_per_ns=math.hypot(own.sigma_m_per_ns, shared), depth_to_m=deep)
    return SourceVelocity("hyperbolas", whole, shared), outliers


def shared_sigma(v_m_per_ns: float, depth_m: float, section: Section) -> float:
    """What a common error of the objects' radius and of time zero does to velocities from hyperbolas, m/ns.

    Examples
    --------
    >>> section = Section(interval_ns=0.2, spacing_m=0.05, centre_mhz=400.0)
    >>> round(shared_sigma(0.1, 1.0, section), 4)
    0.0042
    """
    return math.hypot(*shared_parts(v_m_per_ns, depth_m, section))


def shared_parts(v_m_per_ns: float, depth_m: float, section: Section) -> tuple[float, float]:
    """The two parts of `shared_sigma`: of the objects' radius and of time zero, m/ns; both fall with depth."""
    x = depth_m * np.linspace(-1.0, 1.0, LEGS)
    antennas = section.separation_m
    plain = {"x0_m": 0.0, "depth_m": depth_m, "v_m_per_ns": v_m_per_ns, "separation_m": antennas}
    round_object = diffraction_times(x, **plain, radius_m=OBJECT_RADIUS_M)
    late = diffraction_times(x, **plain) + ZERO_SHARE * section.period_ns
    options = FitOptions(separation_m=antennas)
    radius, zero = (fit_hyperbola(x, t, options).v_m_per_ns - v_m_per_ns for t in (round_object, late))
    return radius, zero


def surface_factor(v_m_per_ns: float, depth_m: float, section: Section) -> float:
    """How much too high a velocity is that takes no account of the surface's phase (antennas on the ground).

    Examples
    --------
    >>> round(surface_factor(0.1, 1.0, Section(interval_ns=0.2, spacing_m=0.05, centre_mhz=400.0)), 2)
    1.04
    """
    x, half = depth_m * np.linspace(-1.0, 1.0, LEGS), 0.5 * section.separation_m
    options = FitOptions(separation_m=section.separation_m)
    v = v_m_per_ns
    for _ in range(3):
        times = diffraction_times(x, x0_m=0.0, depth_m=depth_m, v_m_per_ns=v, separation_m=section.separation_m)

        def late(across: F64, v: float = v) -> F64:
            return surface_delay_ns(across, depth_m=depth_m, v_m_per_ns=v, frequency_mhz=section.centre_mhz)

        both = late(x - half) + late(x + half) - 2.0 * late(np.array([half]))
        factor = fit_hyperbola(x, times + both, options).v_m_per_ns / v
        v = v_m_per_ns / factor
    return factor


def focus_velocity(
    lines: Mapping[str, xr.DataArray],
    seen: Sequence[SeenHyperbola],
    *,
    visit: str,
    seed: int,
    workers: int,
    progress: Progress,
) -> SourceVelocity | None:
    """Velocity at which the lines with most hyperbolas focus best; None where none of them has a clear top.

    Focusing follows whole legs and so the surface's phase with them: that is taken out, with a quarter of it as error.
    """
    used = [one.fit for one in seen if one.fate == "used"]
    ranked = Counter(fit.line for fit in used).most_common()
    names = [name for name, _ in ranked if _segments(lines[name]) == 1][:FOCUS_LINES]

    def one(name: str) -> VelocityEstimate | None:
        values, section = _runs(lines[name])[0] if len(lines[name]) >= 8 else (None, None)
        if values is None or section is None:
            return None
        try:
            found = focus_estimate(values, section, seed=seed).estimate
        except InputError:
            return None
        return None if found is None or "top-at-the-end" in found.cautions else replace(found, label=name)

    tops = [top for top in run_lines(one, names, workers=workers, progress=progress, label=f"focus {visit}") if top]
    if not tops:
        return None
    mean = combine_estimates(tops).mean
    section = section_of(lines[tops[0].label])
    deep = float(np.median([fit.depth_m for fit in used]))
    factor = surface_factor(mean.v_m_per_ns, deep, section)
    v = mean.v_m_per_ns / factor
    shared = shared_sigma(v, deep, section)
    own = math.hypot(mean.sigma_m_per_ns, SURFACE_SHARE * abs(factor - 1.0) * v)
    estimate = VelocityEstimate(
        v_m_per_ns=v,
        sigma_m_per_ns=math.hypot(own, shared),
        source="focus",
        depth_to_m=deep,
        n=len(tops),
        cautions=tuple(dict.fromkeys(code for top in tops for code in top.cautions)),
    )
    note = f"{len(tops)} lines; divided by {factor:.3f} for the surface's phase"
    return SourceVelocity("focus", estimate, shared, note=note)


def _chosen(lights: Mapping[str, xr.DataArray], visit: str) -> tuple[list[str], list[Finding]]:
    names = list(lights)
    total = sum(len(lights[name]) for name in names)
    step = max(1, math.ceil(total / MOST_TRACES))
    if step == 1:
        return names, []
    text = f"hyperbolas were looked for on every line in {step}"
    said = Finding("found", "velocity-lines", text, received=f"{total} traces", visit=visit)
    return names[::step], [said]


def _runs(line: xr.DataArray) -> list[tuple[npt.NDArray[np.float32], Section]]:
    """Each segment of a line on its own: a hyperbola does not go on behind a gap."""
    section, segment = section_of(line), line["segment"].values
    if len(np.unique(segment)) == 1:
        return [(line.values, section)]
    edges = [0, *(np.flatnonzero(np.diff(segment)) + 1).tolist(), len(segment)]
    runs = [slice(a, b) for a, b in pairwise(edges) if b - a >= 5]
    known = {name: getattr(section, name) for name in ("distance_m", "elevation_m", "x_m", "y_m")}
    along = {name: values for name, values in known.items() if values is not None}
    return [
        (line.values[run], replace(section, **{name: values[run] for name, values in along.items()})) for run in runs
    ]


def _segments(line: xr.DataArray) -> int:
    return len(np.unique(line["segment"].values))


def apex_places(fits: Sequence[HyperbolaFit], lights: Mapping[str, xr.DataArray]) -> F64:
    """Places (n, 2) of hyperbolas' apexes, site metres."""
    return np.array([_place(lights[fit.line], fit.x_m) for fit in fits]).reshape(-1, 2)


def _place(light: xr.DataArray, x_m: float) -> tuple[float, float]:
    distance = light["distance"].values
    return float(np.interp(x_m, distance, light["x"].values)), float(np.interp(x_m, distance, light["y"].values))


def _direction(light: xr.DataArray, x_m: float) -> tuple[float, float]:
    """Unit vector of the line about a place."""
    half = 0.5 * max(float(np.ptp(light["distance"].values)) / max(len(light) - 1, 1), 1e-3) * LEGS
    (x0, y0), (x1, y1) = _place(light, x_m - half), _place(light, x_m + half)
    size = math.hypot(x1 - x0, y1 - y0)
    return ((x1 - x0) / size, (y1 - y0) / size) if size > 0 else (1.0, 0.0)


def _crossings(found: FoundHyperbolas, objects: npt.NDArray[np.int32]) -> F64:
    """Angle (n,) at which each hyperbola's line crosses its object, degrees; 90 for what is not seen to be long."""
    angle = np.full(len(found.fits), 90.0)
    for number in np.unique(objects):
        mine = np.flatnonzero(objects == number)
        if len({found.fits[i].line for i in mine}) < LONG_LINES:
            continue
        off = found.places[mine] - found.places[mine].mean(axis=0)
        size, axes = np.linalg.eigh(off.T @ off)
        # Drawn out along one direction, not strewn about.
        if size[0] < 0.05 * size[1]:
            angle[mine] = np.degrees(np.arccos(np.clip(np.abs(found.along[mine] @ axes[:, 1]), 0.0, 1.0)))
    return angle


def group_objects(
    fits: Sequence[HyperbolaFit], places: F64, *, near_m: float, period_ns: float
) -> npt.NDArray[np.int32]:
    """Which hyperbolas may come from one thing: those that lie near one another, at about the same time."""
    pairs = cKDTree(places).query_pairs(near_m, output_type="ndarray")
    late = np.array([fit.t0_ns for fit in fits])
    pairs = pairs[np.abs(late[pairs[:, 0]] - late[pairs[:, 1]]) < period_ns]
    n = len(fits)
    joined = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    objects: npt.NDArray[np.int32] = connected_components(joined, directed=False)[1]
    return objects


def object_reach_m(line_spacing_m: float) -> float:
    """How near to each other hyperbolas of one thing lie: on neighbouring lines, too."""
    return max(OBJECT_M, 1.2 * line_spacing_m)
