"""Accuracy: each visit's hotspots against the known burials, and the visits against each other."""

from __future__ import annotations

import itertools

import geopandas as gpd
import shapely

from yewline.accuracy import compare_visits, score_visit, tolerance_from_budget
from yewline.accuracy.result import VisitComparison, VisitScore
from yewline.hotspots import outline_sigma_m
from yewline.model import SiteSettings
from yewline.progress import Progress
from yewline.workspace.stage_hotspots import Outlined
from yewline.workspace.truth import Outlines

__all__ = ["compare_all", "match_tolerance_m", "score_one"]


def match_tolerance_m(
    settings: SiteSettings, burials: gpd.GeoDataFrame, *, cell_m: float, spacing_m: float, position_sigma_m: float
) -> float:
    """The tolerance that `site.toml` fixes, or that of the error budget: outline, traces and truth.

    Parameters
    ----------
    cell_m, spacing_m : of the volume and its lines.
    position_sigma_m : of the traces of the visit that is placed worst: one tolerance serves all visits.
    """
    if settings.primary.tolerance_m is not None:
        return settings.primary.tolerance_m
    truth_sigma_m = float(burials["sigma_xy_m"].median()) if len(burials) else 0.05
    return tolerance_from_budget(outline_sigma_m(cell_m, spacing_m), position_sigma_m, truth_sigma_m)


def score_one(
    outlined: Outlined, outlines: Outlines, settings: SiteSettings, area: shapely.Geometry, *, tolerance_m: float
) -> VisitScore | None:
    """Score one visit; None where no burial is known."""
    if outlines.burials.empty:
        return None
    return score_visit(
        outlined.scored.geometry.values,
        outlines.burials.geometry.values,
        area=area,
        covered=outlined.covered,
        opened=None if outlines.opened.empty else shapely.union_all(outlines.opened.geometry.values),
        tolerance_m=tolerance_m,
        grave_length_m=settings.target.adult.length_m,
        draws=settings.primary.draws,
        seed=settings.primary.seed,
    )


def compare_all(
    outlined: dict[str, Outlined],
    outlines: Outlines,
    settings: SiteSettings,
    area: shapely.Geometry,
    *,
    tolerance_m: float,
    progress: Progress,
) -> tuple[VisitComparison, ...]:
    """Compare every two visits, the earlier first."""
    if outlines.burials.empty:
        return ()
    pairs = list(itertools.combinations(outlined, 2))
    return tuple(
        compare_visits(
            a,
            outlined[a].scored.geometry.values,
            b,
            outlined[b].scored.geometry.values,
            outlines.burials.geometry.values,
            area=area,
            tolerance_m=tolerance_m,
            draws=settings.primary.draws,
            seed=settings.primary.seed,
            n_visits=len(outlined),
        )
        for a, b in progress.over(pairs, "compare visits")
    )
