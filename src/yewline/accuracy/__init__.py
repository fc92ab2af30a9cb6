"""Hotspots against known burials: distances, chance levels, matches, and visits compared."""

from __future__ import annotations

from yewline.accuracy.capped import capped_means, capped_means_shapely
from yewline.accuracy.depths import DepthErrors, depth_errors
from yewline.accuracy.distances import (
    centroid_distances,
    centroids_of,
    check_outlines,
    outline_distances,
    summarise,
)
from yewline.accuracy.matching import LEAST_TOLERANCE_M, match_pairs, proportion, tolerance_from_budget
from yewline.accuracy.nearest import nearest_means, nearest_means_numpy
from yewline.accuracy.nulls import ChancePair, placement_level, shift_level
from yewline.accuracy.overlap import Overlap
from yewline.accuracy.randomness import ClarkEvans, clark_evans, donnelly, poisson_nearest
from yewline.accuracy.recall import chance_recall, matched_counts, matched_counts_scipy
from yewline.accuracy.result import (
    ChanceLevel,
    DirectedDistances,
    Direction,
    Measure,
    Proportion,
    VisitComparison,
    VisitScore,
)
from yewline.accuracy.score import score_visit
from yewline.accuracy.shifts import Shifts, Variant, draw_shifts, row_note
from yewline.accuracy.statement import FEWEST_VISITS
from yewline.accuracy.visits import compare_visits, share_blocks
from yewline.accuracy.window import Window, rings_contain_numpy

__all__ = [
    "FEWEST_VISITS",
    "LEAST_TOLERANCE_M",
    "ChanceLevel",
    "ChancePair",
    "ClarkEvans",
    "DepthErrors",
    "DirectedDistances",
    "Direction",
    "Measure",
    "Overlap",
    "Proportion",
    "Shifts",
    "Variant",
    "VisitComparison",
    "VisitScore",
    "Window",
    "capped_means",
    "capped_means_shapely",
    "centroid_distances",
    "centroids_of",
    "chance_recall",
    "check_outlines",
    "clark_evans",
    "compare_visits",
    "depth_errors",
    "donnelly",
    "draw_shifts",
    "match_pairs",
    "matched_counts",
    "matched_counts_scipy",
    "nearest_means",
    "nearest_means_numpy",
    "outline_distances",
    "placement_level",
    "poisson_nearest",
    "proportion",
    "rings_contain_numpy",
    "row_note",
    "score_visit",
    "share_blocks",
    "shift_level",
    "summarise",
    "tolerance_from_budget",
]
