"""What a run of the main job gives, for report and export to show."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely
import xarray as xr

from yewline.accuracy.result import ChanceLevel, DirectedDistances, Proportion, VisitComparison, VisitScore
from yewline.ground.confounders import Confounder
from yewline.ground.moisture_states import StatesCovered
from yewline.ground.summary import MoistureSummary
from yewline.model import Finding, SiteSettings, VelocityField, VisitSettings
from yewline.workspace.corrections import Correction
from yewline.workspace.day_summary import confounders_summary, day_summary, states_summary, wave_summary
from yewline.workspace.depth_summary import depth_errors_summary, equal_depth_summary, trust_summary
from yewline.workspace.moisture_summary import moisture_summary, pairs_summary
from yewline.workspace.rearranged import Rearranged, Seen
from yewline.workspace.stage_day import VisitDay
from yewline.workspace.stage_equal_depth import EqualDepth
from yewline.workspace.stage_known_depths import DepthCheck
from yewline.workspace.stage_moisture import MoistureFigures, MoistureOverVisits
from yewline.workspace.stage_trust import TrustFigures
from yewline.workspace.stage_wave import VisitWave
from yewline.workspace.velocities import SourceVelocity, VisitVelocities, velocities_summary

__all__ = [
    "ChanceLevel",
    "Correction",
    "Rearranged",
    "Seen",
    "SiteResult",
    "SourceVelocity",
    "VisitComparison",
    "VisitResult",
    "VisitScore",
    "VisitVelocities",
    "left_out_sentences",
    "run_schema",
]

UNSCORED = "no burials are known here"


@dataclass(frozen=True)
class VisitResult:
    """One visit's products.

    Attributes
    ----------
    name, settings : the visit's folder name and `visit.toml`.
    radargrams : line name to processed radargram (display branch of the recipe; for pictures, not for numbers).
    velocity : the velocity field used, its `source` says from what.
    readings, moisture, moisture_map : None where the visit has no readings. The map is a Dataset over (y, x) with
        `vwc` and `vwc_sd` [m³/m³], NaN where unsupported.
    slices : Dataset over (slice, y, x): `strength` (NaN without data), `coverage`, `depth_error` [m, 90 % half-width];
        coordinates `top` and `base` [m] on slice.
    chosen : index of the primary slice in `slices`.
    noise : median and robust sd of the chosen slice's strength.
    found : hotspots outlined by the noise rule; `equal_area`: by equal area; `drawn`: by a person for this visit.
    scored : those that are scored (drawn ones where there are any for this visit, else by the primary rule).
    score : against the known burials, or None where there are none.
    corrections : what was corrected on single lines, before and after.
    rearranged : corrections that move recordings or traces, accepted by a person or proposed, seen from above.
    velocities : the visit's velocity by several ways, side by side.
    moisture_figures : level and variability of moisture with intervals; None without readings.
    levels : level cuts (slice, y, x), where the ground is known not to be level: `top_height`, `base_height` [m].
    trust : how deep even ordinary ground answers above the noise; None where that is not told.
    trusted_depth : the same for each cell, over (y, x), m.
    attributes : further variables of the volume at the chosen slice, over (y, x); None where the site asks for none.
    burial_moisture : a row for each burial: moisture there and around; None without a map or burials.
    depth_check : depths at which burials of known depth answer, against those; None where no depth is known.
    day : rain before and during the survey; None without rain on record.
    wave : what the ground did to the wave; None where it cannot be told.
    """

    name: str
    settings: VisitSettings
    radargrams: Mapping[str, xr.DataArray]
    velocity: VelocityField
    readings: pd.DataFrame | None
    moisture: MoistureSummary | None
    moisture_map: xr.Dataset | None
    slices: xr.Dataset
    chosen: int
    noise: tuple[float, float]
    found: gpd.GeoDataFrame
    equal_area: gpd.GeoDataFrame
    drawn: gpd.GeoDataFrame
    scored: gpd.GeoDataFrame
    score: VisitScore | None
    corrections: tuple[Correction, ...] = ()
    rearranged: tuple[Rearranged, ...] = ()
    velocities: VisitVelocities | None = None
    moisture_figures: MoistureFigures | None = None
    levels: xr.Dataset | None = None
    trust: TrustFigures | None = None
    trusted_depth: xr.DataArray | None = None
    attributes: xr.Dataset | None = None
    burial_moisture: pd.DataFrame | None = None
    depth_check: DepthCheck | None = None
    day: VisitDay | None = None
    wave: VisitWave | None = None


@dataclass(frozen=True)
class SiteResult:
    """All visits of a site, and what is common to them.

    Attributes
    ----------
    root : the site folder.  settings : `site.toml`.
    area : surveyed outline with obstacles taken out, site metres; `area_assumed` where it is the hull of the lines.
    burials, opened : known burials and opened ground (may be empty tables).
    recipe : the recipe as TOML text; `recipe_name`, `recipe_digest`.
    findings : all that was found, assumed, warned of or left out.
    inputs : path relative to the site folder to SHA-256, of every file read.
    choices : the choices made, in plain words, (what, value, why) each.
    version : of yewline.
    left_out : names of the visits that were made, but that nothing could be drawn from.
    moisture : the visits' moisture against each other; None where fewer than two have readings.
    equal_depth : visits at equal depth beside equal time; None where nothing was compared.
    states : states of moisture that the visits have covered; None likewise.
    confounders : what else differs between the visits with readings; empty likewise.
    """

    root: Path
    settings: SiteSettings
    area: shapely.Polygon | shapely.MultiPolygon
    area_assumed: bool
    burials: gpd.GeoDataFrame
    opened: gpd.GeoDataFrame
    visits: tuple[VisitResult, ...]
    comparisons: tuple[VisitComparison, ...]
    recipe: str
    recipe_name: str
    recipe_digest: str
    findings: tuple[Finding, ...]
    inputs: dict[str, str]
    choices: tuple[tuple[str, str, str], ...]
    version: str
    left_out: tuple[str, ...] = ()
    moisture: MoistureOverVisits | None = None
    equal_depth: EqualDepth | None = None
    states: StatesCovered | None = None
    confounders: tuple[Confounder, ...] = ()

    def summary(self) -> dict[str, Any]:
        """The figures of ``yewline run --json`` except `report` and `seconds`, as `run_schema` describes them.

        Returns
        -------
        JSON types only. A figure that cannot be given is None, and `why` beside it says so.
        """
        return {
            "site": self.settings.name,
            "visits": [_visit_summary(visit) for visit in self.visits],
            "comparisons": [_comparison_summary(comparison) for comparison in self.comparisons],
            "moisture_comparisons": [] if self.moisture is None else pairs_summary(self.moisture),
            "equal_depth": None if self.equal_depth is None else equal_depth_summary(self.equal_depth),
            "states": states_summary(self.states),
            "confounders": confounders_summary(self.confounders),
        }


def run_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of the object that ``yewline run --json`` prints.

    Examples
    --------
    >>> sorted(run_schema()["required"])  # doctest: +NORMALIZE_WHITESPACE
    ['comparisons', 'confounders', 'equal_depth', 'moisture_comparisons', 'report', 'seconds', 'site', 'states',
    'visits']
    """
    text = resources.files("yewline.workspace").joinpath("run.schema.json").read_text("utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def left_out_sentences(result: SiteResult) -> tuple[str, ...]:
    """What could not be used, a sentence each: whole visits with the cause, then lines, burials, readings, files.

    Returns
    -------
    No sentence where everything was used.
    """
    out = [f"{name} was left out because {_cause(result, name)}." for name in result.left_out]
    used = {visit.name: set(visit.radargrams) for visit in result.visits}
    faults = [
        finding for finding in result.findings if finding.grade == "fault" and finding.visit not in result.left_out
    ]
    # A name given to a second file: the first one keeps it, so that the name alone would not show the loss.
    again = sum(finding.code == "line-duplicate" for finding in faults)
    lost = {(f.visit, f.line) for f in faults if f.line and f.line not in used.get(f.visit, ())}
    if lines := len(lost) + again:
        total = lines + sum(len(names) for names in used.values())
        out.append(f"{lines} of {total} lines could not be used.")
    told = [f.text for f in result.findings if f.code in ("burials-outside", "readings-outside", "opened-outside")]
    places: dict[str, list[str]] = {}
    for finding in faults:
        if not finding.line:
            places.setdefault(finding.text, []).append(finding.where)
    told += [f"{text} ({where[0] if len(where) == 1 else f'{len(where)} places'})" for text, where in places.items()]
    return (*out, *(f"{text[:1].upper()}{text[1:].rstrip('.')}." for text in dict.fromkeys(told)))


def _cause(result: SiteResult, visit: str) -> str:
    """Why a visit was left out: the fault that lies at the root, rather than what followed from it."""
    rank = {"readings-left-out": 0, "visit-left-out": 2, "visit-empty": 2, "visit-refused": 2}
    faults = [finding for finding in result.findings if finding.visit == visit and finding.grade == "fault"]
    if not faults:
        return "nothing of it could be used"
    root = min(faults, key=lambda finding: rank.get(finding.code, 1))
    received = f" (received {root.received})" if root.received else ""
    if root.code == "readings-left-out":
        return f"its moisture readings cannot be used: {root.text}{received}"
    others = sum(finding.line != "" for finding in faults)
    many = f", and {others - 1} more" if root.line and others > 1 else ""
    return f"{f'line {root.line}: ' if root.line else ''}{root.text}{received}{many}"


def _visit_summary(visit: VisitResult) -> dict[str, Any]:
    wet, score = visit.moisture, visit.score
    top, base = (float(visit.slices[side].values[visit.chosen]) for side in ("top", "base"))
    return _beside(
        {
            "visit": visit.name,
            "moisture": moisture_summary(wet, visit.moisture_figures),
            "velocity_m_per_ns": _beside(
                {"mean": _figure(visit.velocity.mean_m_per_ns), "sd": _figure(visit.velocity.mean_sigma_m_per_ns)},
                "the error of the velocity is not known",
            ),
            "velocities": velocities_summary(visit.velocities),
            "day": day_summary(visit.day),
            "wave": wave_summary(visit.wave),
            "hotspots": len(visit.scored),
            "trusted_depth_m": trust_summary(visit.trust),
            "depth_errors": depth_errors_summary(visit.depth_check),
            "slice_m": [round(top, 6), round(base, 6)],
            "tolerance_m": _figure(score.tolerance_m if score else None),
            "centroid_distance_m": _distance_summary(score.hotspot_to_burial if score else None),
            "burial_distance_m": _distance_summary(score.burial_to_hotspot if score else None),
            "recall": _share_summary(score.recall if score else None),
            "precision": _share_summary(score.precision if score else None),
        },
        UNSCORED,
    )


def _distance_summary(item: DirectedDistances | None) -> dict[str, Any]:
    if item is None:
        names = ("mean", "median", "low", "high", "chance_mean", "p")
        return {"n": 0, **dict.fromkeys(names), "why": UNSCORED}
    null = item.shift
    return _beside(
        {
            "n": item.n,
            "mean": _figure(item.mean_m),
            "median": _figure(item.median_m),
            "low": _figure(item.low_m),
            "high": _figure(item.high_m),
            "chance_mean": _figure(null.expected_m if null else None),
            "p": _figure(null.p if null else None),
        },
        item.why or (null.why if null is not None else "") or "too few distances",
    )


def _share_summary(share: Proportion | None) -> dict[str, Any]:
    if share is None:
        return {"value": None, "low": None, "high": None, "why": UNSCORED}
    figures = {"value": _figure(share.value), "low": _figure(share.low), "high": _figure(share.high)}
    return _beside(figures, share.why or "nothing to count")


def _comparison_summary(c: VisitComparison) -> dict[str, Any]:
    return _beside(
        {
            "visit_a": c.visit_a,
            "visit_b": c.visit_b,
            "n": c.n,
            "direction": c.direction,
            "paired_difference_m": _figure(c.paired_difference_m),
            "low": _figure(c.low_m),
            "high": _figure(c.high_m),
            "p": _figure(c.p),
            "smallest_p": _figure(c.smallest_p),
            "chance_difference_m": _figure(c.chance_difference_m),
            "statement": c.statement,
        },
        c.why or "too few burials",
    )


def _figure(value: float | None) -> float | None:
    """A finite number or None: JSON has no NaN."""
    return None if value is None or not math.isfinite(value) else float(value)


def _beside(figures: dict[str, Any], why: str) -> dict[str, Any]:
    """The figures, and why some of them are None, if any is."""
    return {**figures, "why": why} if any(value is None for value in figures.values()) else figures
