"""What a visit's recordings, people and burials say of velocity, as evidence for the fusion."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline.ground import Biases, VelocityEvidence
from yewline.recipe import section_of
from yewline.signal import Section
from yewline.signal.velocity import HyperbolaFit, hyperbola_velocity
from yewline.workspace.stage_lines import line_spacing
from yewline.workspace.velocities import RecordedVelocities, SourceVelocity
from yewline.workspace.velocity_hyperbolas import apex_places, group_objects, object_reach_m, shared_parts

__all__ = ["source_evidence"]

SIZE, ZERO = "size of objects", "time zero"
"""Errors that all sources share which follow legs of hyperbolas."""
F64 = npt.NDArray[np.float64]

_MEAN_OF_HALF_NORMAL: Final = math.sqrt(2.0 / math.pi)
_SD_OF_HALF_NORMAL: Final = math.sqrt(1.0 - 2.0 / math.pi)
_SETTING: Final = {"gather": "gathers"}


def source_evidence(
    recorded: RecordedVelocities,
    others: Sequence[SourceVelocity],
    lights: Mapping[str, xr.DataArray],
    *,
    use: Sequence[str],
    reference_depth_m: float,
    seed: int,
) -> list[VelocityEvidence]:
    """Evidence of velocity besides moisture.

    Parameters
    ----------
    recorded : from the visit's recordings.
    others : from people and from known depths.
    lights : the visit's lines without samples.
    use : sources that depths may rest on.
    reference_depth_m : depth that a velocity without a stated one holds for.
    seed : of the bootstrap behind the spread of hyperbolas.

    Notes
    -----
    Hyperbolas speak of their own places; those of objects crossed at an angle are left out, being too fast by a factor
    that nobody knows. What scatter they have beyond the errors of their fits is each one's own as far as hyperbolas of
    one object differ, and else belongs to the objects; what the bootstrap over lines and objects finds beyond that is
    shared by all. They stand for the depth of most of them: read one by one, their velocities would seem to grow with
    depth, because one that is too fast also lies too deep, or to fall with time, because wide objects are too fast most
    of all where they are shallow. Every other source is one value for the whole site.

    Objects are larger than points, which makes all sources that follow legs too fast, never too slow. With a radius
    that is half-normal about zero, as wide as `OBJECT_RADIUS_M`, they are so by √(2/π) of what that radius does on
    average: this is taken off, and √(1 − 2/π) of it remains as an error that they share.

    Wide flat things, lids among them, seem faster still: by the full wave 6 % at 0.3 m and 35 % at 0.6 m. So a
    hyperbola's own error holds its distance r from the weighted median of all, in quadrature: its weight is 1/(σ² + r²)
    as for errors with Cauchy's tails. Over 176 grounds (docs/studies.md) what joined velocity is off by fell so from
    4.5 to 3.6 %.

    References
    ----------
    Lange, Little & Taylor 1989, J. Am. Stat. Assoc. 84:881–896 (weights of Student's t, here of one degree of freedom;
    from memory).
    """
    found = []
    for source in (*recorded.sources, *others):
        if not source.compared or _SETTING.get(source.kind, source.kind) not in use:
            continue
        if source.kind == "hyperbolas":
            fits = [seen.fit for seen in recorded.hyperbolas if seen.fate == "used"]
            straight = [fit for fit in fits if "oblique" not in fit.cautions and fit.line in lights]
            if straight:
                found.append(_of_hyperbolas(straight, source, lights, seed=seed))
            continue
        found.append(_of_site(source, reference_depth_m, section_of(next(iter(lights.values())))))
    return found


def _of_site(source: SourceVelocity, reference_depth_m: float, section: Section) -> VelocityEvidence:
    about, shared = source.estimate, source.shared_sigma_m_per_ns
    own = math.sqrt(max(about.sigma_m_per_ns**2 - shared**2, (0.1 * about.sigma_m_per_ns) ** 2))
    deep = about.depth_to_m if math.isfinite(about.depth_to_m) else reference_depth_m
    factor, biases = _legs(deep, about.v_m_per_ns, section) if shared else (1.0, ())
    name = f"{source.kind} {about.label}".rstrip()
    return VelocityEvidence.of_site(name, about.v_m_per_ns / factor, own / about.v_m_per_ns, base_m=deep, shared=biases)


def _legs(depth_m: float, v_m_per_ns: float, section: Section) -> tuple[float, Biases]:
    """How much too fast sources that follow legs of hyperbolas are on average, and the errors that they share."""
    size, zero = (abs(part) / v_m_per_ns for part in shared_parts(v_m_per_ns, depth_m, section))
    return 1.0 + _MEAN_OF_HALF_NORMAL * size, ((SIZE, _SD_OF_HALF_NORMAL * size), (ZERO, zero))


def _of_hyperbolas(
    fits: Sequence[HyperbolaFit], source: SourceVelocity, lights: Mapping[str, xr.DataArray], *, seed: int
) -> VelocityEvidence:
    about, shared = source.estimate, source.shared_sigma_m_per_ns
    places = apex_places(fits, lights)
    section = section_of(lights[fits[0].line])
    things = group_objects(fits, places, near_m=object_reach_m(line_spacing(lights)), period_ns=section.period_ns)
    v = np.array([fit.v_m_per_ns for fit in fits])
    own = np.array([fit.sigma_v_m_per_ns for fit in fits]) / v
    spread = hyperbola_velocity(fits, seed=seed).spread_m_per_ns / about.v_m_per_ns
    within = min(_spread_within(v / about.v_m_per_ns, own, things), spread)
    own, spread = np.hypot(own, within), math.sqrt(spread**2 - within**2)
    own = np.hypot(own, _off_the_middle(v / about.v_m_per_ns, np.hypot(own, spread)))
    # Of the mean: what the errors above already say, and what the bootstrap says.
    of_things = sum(1.0 / (spread**2 + 1.0 / (own[things == thing] ** -2.0).sum()) for thing in np.unique(things))
    boot = max(about.sigma_m_per_ns**2 - shared**2, 0.0) / about.v_m_per_ns**2
    left = math.sqrt(max(boot - 1.0 / of_things, 0.0))
    factor, biases = _legs(about.depth_to_m, about.v_m_per_ns, section)
    return VelocityEvidence(
        "hyperbolas",
        places[:, 0],
        places[:, 1],
        np.full(len(v), about.depth_to_m),
        v / factor,
        own,
        (*biases, ("hyperbolas", left)),
        thing=things.astype(np.int64),
        thing_sigma=spread,
    )


def _off_the_middle(relative: F64, sigma: F64) -> F64:
    """How far each of many values lies off their median, weighted by their errors."""
    middle = np.quantile(relative, 0.5, weights=sigma**-2.0, method="inverted_cdf")
    return np.asarray(relative - middle)


def _spread_within(relative: F64, own: F64, things: npt.NDArray[np.int32]) -> float:
    """By how much hyperbolas of one object differ beyond the errors of their fits, one standard deviation."""
    count = np.bincount(things)
    off = relative - (np.bincount(things, relative) / np.maximum(count, 1))[things]
    freedom = int(np.sum(np.maximum(count - 1, 0)))
    if freedom == 0:
        return 0.0
    several = count[things] > 1
    return math.sqrt(max(float((off**2).sum()) / freedom - float(np.mean(own[several] ** 2)), 0.0))
