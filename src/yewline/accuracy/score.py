"""One visit scored against the known burials: distances, chance levels, matches, recall and precision."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from yewline._check import check_positive
from yewline.accuracy.distances import (
    centroid_distances,
    centroids_of,
    check_outlines,
    outline_distances,
    summarise,
)
from yewline.accuracy.matching import match_pairs, proportion
from yewline.accuracy.nulls import ChancePair, ShiftNull, placement_level, shift_null
from yewline.accuracy.recall import chance_recall
from yewline.accuracy.result import DirectedDistances, Direction, Measure, VisitScore
from yewline.accuracy.window import Window
from yewline.errors import InputError

__all__ = ["score_visit"]

Array = npt.NDArray[np.float64]
Outlines = npt.NDArray[Any]

_NO_OPENED = "no opened ground was recorded, so a hotspot can be neither right nor wrong"
_NO_ELIGIBLE = "no known burial lies on covered ground"


def score_visit(
    hotspot_outlines: Any,
    burial_outlines: Any,
    *,
    area: Any,
    covered: Any = None,
    opened: Any = None,
    tolerance_m: float,
    grave_length_m: float,
    draws: int = 9_999,
    seed: int,
) -> VisitScore:
    """Score a visit's hotspots against the known burials, beside what chance alone would give.

    Parameters
    ----------
    hotspot_outlines : (H,) outlines, found or drawn, site metres.
    burial_outlines : (B,) known burials.
    area : surveyed outline with its holes.
    covered : ground that the visit's lines covered; the area where None. Burials count toward recall, and ground toward
        chance, inside both only.
    opened : excavated ground, a geometry or several; None or empty where none was recorded.
    tolerance_m : gate of matching, from a hotspot's centroid to a burial's outline.
    grave_length_m : the shortest shift of null B.
    draws : of each null, and of the bootstrap.
    seed : the same seed gives the same bytes.

    Returns
    -------
    VisitScore

    Raises
    ------
    InputError : outlines or areas that cannot be used, a tolerance or grave length that is not positive, or covered
        ground that lies outside the area.

    Notes
    -----
    Eligible burials (centroid on covered ground) are matched first, and hotspots left over may match the others, so
    that burials beyond the covered ground never change recall. A hotspot is assessable where its centroid lies on
    opened ground, and nowhere else: a burial known from ground that was not opened could only ever add a hit, never a
    miss. Null A is drawn over the opened ground, and compares the hotspots that lie there; without opened ground, or
    where that is little but the burials themselves, it is drawn over all covered ground, against known burials only.
    The recall to expect by chance is the mean share of eligible burials that the shifted patterns of null B match.

    Examples
    --------
    >>> graves = [shapely.box(x, 4, x + 2, 5) for x in (3, 9, 15)]
    >>> spots = [shapely.box(3.2, 4.1, 4.8, 4.9), shapely.box(20, 12, 21, 13)]
    >>> score = score_visit(spots, graves, area=shapely.box(0, 0, 25, 15), tolerance_m=0.5, grave_length_m=2.1,
    ...                     draws=199, seed=1)
    >>> score.matches.tolist(), score.recall.k, score.recall.n, score.precision.value
    ([[0, 0]], 1, 3, None)
    """
    tolerance = check_positive(tolerance_m, "tolerance_m")
    length = check_positive(grave_length_m, "grave_length_m")
    hotspots = check_outlines(hotspot_outlines, "hotspot outlines")
    burials = check_outlines(burial_outlines, "burial outlines")
    ground = _ground(area, covered)
    spots, graves = centroids_of(hotspots), centroids_of(burials)
    eligible = ground.contains(graves)
    gap = outline_distances(spots, burials)
    matches, apart = _match(gap, eligible, tolerance)
    dug = _union(opened, "opened ground")
    assessable = _assessable(spots, dug)
    placement, null_b, notes = _chance(spots, graves, burials, ground, dug, length, draws, seed)
    shift = null_b.levels
    expected, why = _expected_recall(null_b, burials[eligible], tolerance)
    centre = centroid_distances(spots, graves)
    right = int(assessable[matches[:, 0]].sum())
    return VisitScore(
        hotspot_to_burial=_with_chance(
            _summary(centre, "hotspot to burial", "centroid to centroid", draws, seed, 1),
            placement.hotspot_to_burial,
            shift.hotspot_to_burial,
        ),
        burial_to_hotspot=_with_chance(
            _summary(centre.T, "burial to hotspot", "centroid to centroid", draws, seed, 2),
            placement.burial_to_hotspot,
            shift.burial_to_hotspot,
        ),
        hotspot_to_outline=_summary(gap, "hotspot to burial", "centroid to outline", draws, seed, 3),
        burial_to_outline=_summary(
            outline_distances(graves, hotspots), "burial to hotspot", "centroid to outline", draws, seed, 4
        ),
        tolerance_m=tolerance,
        matches=matches,
        match_distance_m=apart,
        recall=proportion(int(eligible[matches[:, 1]].sum()), int(eligible.sum()), why_none=_NO_ELIGIBLE),
        precision=proportion(
            right,
            int(assessable.sum()),
            why_none=_NO_OPENED if dug is None else "no hotspot lies on opened ground",
        ),
        eligible=eligible,
        assessable=assessable,
        notes=notes,
        chance_recall=expected,
        chance_recall_why=why,
    )


def _ground(area: Any, covered: Any) -> Window:
    window = Window.of(area)
    if covered is None:
        return window
    common = shapely.intersection(window.area, Window.of(covered, "covered ground").area)
    if common.area == 0:
        raise InputError("covered ground lies outside the area", do="check the frame of the lines and of the area")
    return Window.of(common, "covered ground")


def _union(opened: Any, name: str) -> Any:
    if opened is None:
        return None
    given = check_outlines([opened] if isinstance(opened, shapely.Geometry) else opened, name)
    union = shapely.union_all(given) if len(given) else None
    return union if union is not None and union.area > 0 else None


def _match(gap: Array, eligible: npt.NDArray[np.bool_], tolerance: float) -> tuple[npt.NDArray[np.intp], Array]:
    pairs: list[npt.NDArray[np.intp]] = []
    free = np.ones(len(gap), np.bool_)
    for chosen in (eligible, ~eligible):
        rows, columns = np.flatnonzero(free), np.flatnonzero(chosen)
        found, _ = match_pairs(gap[np.ix_(rows, columns)], tolerance_m=tolerance)
        pair = np.column_stack([rows[found[:, 0]], columns[found[:, 1]]]).astype(np.intp)
        free[pair[:, 0]] = False
        pairs.append(pair)
    matches = np.concatenate(pairs)
    matches = matches[np.argsort(matches[:, 0], kind="stable")]
    return matches, gap[matches[:, 0], matches[:, 1]]


def _assessable(spots: Array, dug: Any) -> npt.NDArray[np.bool_]:
    if dug is None or len(spots) == 0:
        return np.zeros(len(spots), np.bool_)
    shapely.prepare(dug)
    return np.asarray(shapely.intersects_xy(dug, spots[:, 0], spots[:, 1]), dtype=np.bool_)


def _expected_recall(null: ShiftNull, burials: Outlines, tolerance: float) -> tuple[float | None, str]:
    if len(burials) == 0:
        return None, _NO_ELIGIBLE
    if null.shifts is None:
        return None, null.levels.hotspot_to_burial.why
    return chance_recall(null.hotspots, burials, null.shifts, tolerance_m=tolerance), ""


def _chance(
    spots: Array, graves: Array, burials: Outlines, ground: Window, dug: Any, length: float, draws: int, seed: int
) -> tuple[ChancePair, ShiftNull, tuple[str, ...]]:
    verified, notes = _verified(burials, ground, dug)
    placement = placement_level(
        spots, graves, verified, draws=draws, seed=np.random.default_rng([seed, 5]), notes=notes
    )
    shift = shift_null(spots, graves, ground, grave_length_m=length, draws=draws, seed=np.random.default_rng([seed, 6]))
    said: tuple[str, ...] = ()
    away = int((~ground.contains(graves)).sum())
    if away:
        said += (
            f"{away} of {len(graves)} known burials lie outside the covered ground and do not count toward recall",
        )
    if dug is None and len(spots):
        said += (_NO_OPENED,)
    return placement, shift, said


def _verified(burials: Outlines, ground: Window, dug: Any) -> tuple[Window, tuple[str, ...]]:
    against = "against known burials only: what lies between them was not opened"
    if dug is None:
        return ground, (against,)
    opened = shapely.intersection(dug, ground.area)
    if opened.area == 0:
        return ground, (against, "no opened ground lies on the covered ground")
    graves = shapely.intersection(shapely.union_all(burials), ground.area)
    # Opened ground that is little but graves would tell nothing: a hotspot anywhere in it lies on one.
    if shapely.difference(opened, graves).area < max(graves.area, 1e-9):
        return ground, (against, "opened ground holds little but the burials themselves")
    return Window.of(opened, "opened ground"), ("over opened ground",)


def _summary(
    distance: Array, direction: Direction, measure: Measure, draws: int, seed: int, stream: int
) -> DirectedDistances:
    return summarise(
        distance, direction=direction, measure=measure, seed=np.random.default_rng([seed, 10 + stream]), draws=draws
    )


def _with_chance(distances: DirectedDistances, placement: Any, shift: Any) -> DirectedDistances:
    return replace(distances, placement=placement, shift=shift)
