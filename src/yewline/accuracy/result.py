"""What scoring a visit gives: plain frozen records, in metres, with the direction of every distance named."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

__all__ = ["ChanceLevel", "DirectedDistances", "Direction", "Measure", "Proportion", "VisitComparison", "VisitScore"]

Direction = Literal["hotspot to burial", "burial to hotspot"]
Measure = Literal["centroid to centroid", "centroid to outline"]


@dataclass(frozen=True, slots=True)
class ChanceLevel:
    """One null hypothesis beside one observed mean distance.

    Attributes
    ----------
    null : "placement" (A: hotspots anywhere in covered, verified ground) or "shift" (B: the whole pattern
        shifted rigidly by at least one grave length).
    expected_m : mean of the statistic over the draws, or None with `why`.
    low_m, high_m : its central 95 % range.
    p : Monte Carlo (b + 1)/(m + 1): chance of a mean distance as small as the one observed.
    smallest_p : the smallest p that this site's room for independent shifts can give.
    draws : m.
    sample_m : (D,) the statistic of each draw.
    why : why a figure cannot be given; empty where it can.
    notes : cautions in plain words (shifts near a row spacing, hotspots dropped at the edge ...).
    observed_m : the mean that is compared with the draws; a null leaves out what lies outside its window, so it can
        differ from the mean of all.
    zone_share : share of the area that the burials' zone takes up, for "shift" alone. Where it is small, hotspots that
        keep to the zone without keeping to the graves can give a small p as well.
    """

    null: Literal["placement", "shift"]
    expected_m: float | None
    low_m: float | None
    high_m: float | None
    p: float | None
    smallest_p: float | None
    draws: int
    sample_m: npt.NDArray[np.float64]
    why: str = ""
    notes: tuple[str, ...] = ()
    observed_m: float | None = None
    zone_share: float | None = None


@dataclass(frozen=True, slots=True)
class DirectedDistances:
    """Nearest distances in one direction, with their summary and chance levels.

    `distance_m` and `nearest` have one entry for each item of the first-named kind; `low_m` and `high_m` are the
    95 % bootstrap interval of the mean. Figures are None where there are too few items, and `why` says so.
    """

    direction: Direction
    measure: Measure
    distance_m: npt.NDArray[np.float64]
    nearest: npt.NDArray[np.intp]
    mean_m: float | None
    median_m: float | None
    sd_m: float | None
    low_m: float | None
    high_m: float | None
    placement: ChanceLevel | None = None
    shift: ChanceLevel | None = None
    why: str = ""

    @property
    def n(self) -> int:
        """Number of distances."""
        return len(self.distance_m)


@dataclass(frozen=True, slots=True)
class Proportion:
    """k of n with its 95 % Wilson interval; `value` is None where it cannot be given, and `why` says so."""

    value: float | None
    low: float | None
    high: float | None
    k: int
    n: int
    why: str = ""


@dataclass(frozen=True, slots=True)
class VisitScore:
    """One visit's hotspots against the known burials.

    Attributes
    ----------
    hotspot_to_burial, burial_to_hotspot : centroid to centroid, with both chance levels.
    hotspot_to_outline : from each hotspot's centroid to the nearest burial's outline (0 inside).
    burial_to_outline : from each burial's centroid to the nearest hotspot's outline (0 inside).
    tolerance_m : the gate of matching, on hotspot centroid to burial outline.
    matches : (M, 2) pairs of indices (hotspot, burial), one to one.
    match_distance_m : (M,) centroid-to-outline distance of each pair.
    recall : matched burials of the eligible ones.  precision : matched hotspots of those on opened ground.
    eligible : (B,) bool, burials inside covered ground.
    assessable : (H,) bool, hotspots whose centroid lies on opened ground; elsewhere one can be neither right nor wrong.
    chance_recall : recall to expect of the same pattern of hotspots shifted as under null B; None with
        `chance_recall_why`. More hotspots match more burials by luck, so recall means little without it.
    """

    hotspot_to_burial: DirectedDistances
    burial_to_hotspot: DirectedDistances
    hotspot_to_outline: DirectedDistances
    burial_to_outline: DirectedDistances
    tolerance_m: float
    matches: npt.NDArray[np.intp]
    match_distance_m: npt.NDArray[np.float64]
    recall: Proportion
    precision: Proportion
    eligible: npt.NDArray[np.bool_]
    assessable: npt.NDArray[np.bool_]
    notes: tuple[str, ...] = field(default=())
    chance_recall: float | None = None
    chance_recall_why: str = ""


@dataclass(frozen=True, slots=True)
class VisitComparison:
    """Two visits compared burial by burial: distances of burial to hotspot, capped at the tolerance.

    `paired_difference_m` is the mean of (visit_b minus visit_a): negative means that visit_b's hotspots lie closer.
    `low_m`, `high_m` are the 95 % interval; `p` two-sided, by flipping the sign of whole blocks of burials
    that share a hotspot; `smallest_p` the smallest that so few blocks can give; `chance_difference_m` the difference
    that the scatter of the hotspots alone would give. `measure` says between what the distances are; they are NaN for
    burials outside the ground compared, and `n` counts the others. `differing` of them have capped distances that
    differ between the visits, `tolerance_m` is the cap. `statement` puts the result in words, to stand under a heading
    that names both visits. Figures are None where they cannot be given, and `why` says so.
    """

    visit_a: str
    visit_b: str
    n: int
    blocks: int
    direction: Direction
    paired_difference_m: float | None
    low_m: float | None
    high_m: float | None
    p: float | None
    smallest_p: float | None
    chance_difference_m: float | None
    capped_a_m: npt.NDArray[np.float64]
    capped_b_m: npt.NDArray[np.float64]
    statement: str
    why: str = ""
    measure: str = "hotspot centroid to burial outline"
    differing: int = 0
    tolerance_m: float | None = None
