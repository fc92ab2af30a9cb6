"""Two visits compared burial by burial: do their hotspots lie at different distances from the same burials?"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from yewline._check import check_choice, check_positive
from yewline.accuracy.capped import capped_means
from yewline.accuracy.distances import centroids_of, check_outlines
from yewline.accuracy.result import VisitComparison
from yewline.accuracy.shifts import draw_shifts
from yewline.accuracy.statement import comparison_statement, visits_sentence
from yewline.accuracy.window import Window
from yewline.errors import InputError
from yewline.statistics import block_mean_interval, sign_flip

__all__ = ["chance_of_capped", "compare_visits", "share_blocks"]

Array = npt.NDArray[np.float64]
Outlines = npt.NDArray[Any]
GapMeasure = Literal["hotspot centroid to burial outline", "centroid to centroid"]

_GRAVE_LENGTH_M = 2.1
_ALIKE_M = 1e-9  # distances that differ by less differ by rounding only


@dataclass(frozen=True, slots=True)
class _Visit:
    name: str
    hotspots: Array
    capped: Array
    nearest: npt.NDArray[np.intp]


def compare_visits(
    name_a: str,
    hotspots_a: Any,
    name_b: str,
    hotspots_b: Any,
    burial_outlines: Any,
    *,
    area: Any,
    tolerance_m: float,
    draws: int = 9_999,
    seed: int,
    n_visits: int,
    covered: Any = None,
    grave_length_m: float = _GRAVE_LENGTH_M,
    measure: GapMeasure = "hotspot centroid to burial outline",
) -> VisitComparison:
    """Compare two visits by the distance of each burial to its nearest hotspot, capped at the tolerance.

    A burial that no hotspot comes near counts with the tolerance, however far the next one is: so a visit is not
    called worse because its stray hotspots are far away. The distance is the one by which matches are gated, from a
    hotspot's centroid to the burial's outline: a hotspot on half a grave has its centroid half a metre from the
    grave's, and would mostly be capped there.

    Parameters
    ----------
    name_a, name_b : the visits.
    hotspots_a, hotspots_b : (H,) outlines of each visit's hotspots, site metres.
    burial_outlines : (B,) known burials.
    area : surveyed outline with its holes.
    tolerance_m : the cap.
    draws : of the permutation, the bootstrap and the chance level.
    seed : the same seed gives the same bytes.
    n_visits : how many visits the site has; below five, the statement says that nothing is said about moisture.
    covered : ground that both visits covered; burials whose centroid lies elsewhere are left out. The area where None.
    grave_length_m : the shortest shift of the chance level.
    measure : between what the distances are.

    Returns
    -------
    VisitComparison

    Raises
    ------
    InputError : outlines or area that cannot be used, or a tolerance or grave length that is not positive.

    Notes
    -----
    Burials that have the same nearest hotspot within the tolerance, on either visit, are not independent: they and all
    that hang together with them make one block, whose sign flips as one. With k blocks that differ between the visits
    the smallest two-sided p is 2/2^k. The interval is a bootstrap of whole blocks. The chance difference is the
    mean capped distance expected of visit b less that of visit a where each visit's hotspots, as they are clustered or
    spread, are shifted rigidly over the area.

    Examples
    --------
    >>> graves = [shapely.box(x, 0, x + 2, 1) for x in range(0, 24, 3)]
    >>> near = [shapely.box(x + 0.5, 0.2, x + 1.5, 0.8) for x in range(0, 24, 3)]
    >>> found = compare_visits("dry", [], "wet", near, graves, area=shapely.box(-3, -9, 27, 9), tolerance_m=0.5,
    ...                        draws=499, seed=1, n_visits=2)
    >>> found.paired_difference_m, found.p == found.smallest_p == 2 / 2**8
    (-0.5, True)
    """
    tolerance = check_positive(tolerance_m, "tolerance_m")
    length = check_positive(grave_length_m, "grave_length_m")
    check_choice(measure, "measure", ("hotspot centroid to burial outline", "centroid to centroid"))
    if draws < 1:
        raise InputError("at least one draw is needed", received=draws)
    window = Window.of(area)
    burials = check_outlines(burial_outlines, "burial outlines")
    ground = window if covered is None else _both(window, covered)
    centres = centroids_of(burials)
    held = ground.contains(centres) if ground is not None else np.zeros(len(burials), np.bool_)
    targets = burials if measure == "hotspot centroid to burial outline" else shapely.points(centres)
    a, b = (
        _visit(name, check_outlines(outlines, f"hotspots of {name}"), targets, tolerance)
        for name, outlines in ((name_a, hotspots_a), (name_b, hotspots_b))
    )
    for visit in (a, b):
        visit.capped[~held] = np.nan
    if not held.any():
        why = "no burials are known" if len(burials) == 0 else "no known burial lies on ground that both visits covered"
        return _empty(a, b, why, measure, tolerance, n_visits)
    difference = b.capped[held] - a.capped[held]
    difference[np.abs(difference) < _ALIKE_M] = 0.0
    blocks = share_blocks(a.nearest[held], b.nearest[held])
    test = sign_flip(difference, blocks=blocks, seed=np.random.default_rng([seed, 1]), draws=draws)
    count = int(blocks.max()) + 1
    interval = None
    if count > 1:
        interval = block_mean_interval(difference, blocks, seed=np.random.default_rng([seed, 2]), draws=draws)
    chance = [
        chance_of_capped(
            visit.hotspots, targets[held], window, tolerance_m=tolerance, grave_length_m=length, draws=draws, seed=seed
        )
        for visit in (a, b)
    ]
    found = VisitComparison(
        visit_a=name_a,
        visit_b=name_b,
        n=int(held.sum()),
        blocks=count,
        direction="burial to hotspot",
        paired_difference_m=test.statistic,
        low_m=None if interval is None else interval.low,
        high_m=None if interval is None else interval.high,
        p=test.p,
        smallest_p=test.smallest_p,
        chance_difference_m=chance[1] - chance[0],
        capped_a_m=a.capped,
        capped_b_m=b.capped,
        statement="",
        why="" if interval is not None else "a single block of burials has no interval",
        measure=measure,
        differing=int(np.count_nonzero(difference)),
        tolerance_m=tolerance,
    )
    statement = comparison_statement(
        found,
        hotspots=(len(a.hotspots), len(b.hotspots)),
        groups=_moving(difference, blocks),
        tolerance_m=tolerance,
        n_visits=n_visits,
    )
    return replace(found, statement=statement)


def share_blocks(nearest_a: npt.NDArray[np.intp], nearest_b: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
    """Block (n,) of each burial: burials that share a hotspot on either visit, and all that hang together with them.

    Parameters
    ----------
    nearest_a, nearest_b : (n,) each burial's nearest hotspot within the tolerance, −1 where there is none.

    Examples
    --------
    >>> share_blocks(np.array([0, 0, 1, -1]), np.array([-1, 2, 2, -1])).tolist()
    [0, 0, 0, 1]
    """
    n = len(nearest_a)
    rows, columns, offset = [], [], n
    for nearest in (nearest_a, nearest_b):
        has = np.flatnonzero(nearest >= 0)
        rows.append(has)
        columns.append(offset + nearest[has])
        offset += int(nearest.max(initial=-1)) + 1
    row, column = np.concatenate(rows), np.concatenate(columns)
    links = coo_array((np.ones(len(row), np.int8), (row, column)), shape=(offset, offset))
    labels = connected_components(links.tocsr(), directed=False)[1][:n]
    return np.unique(labels, return_inverse=True)[1].astype(np.intp)


def chance_of_capped(
    hotspots: Array,
    outlines: Outlines,
    window: Window,
    *,
    tolerance_m: float,
    grave_length_m: float,
    draws: int,
    seed: int,
) -> float:
    """Mean capped distance of burials to their nearest hotspot that the hotspots' own scatter would give, m.

    Parameters
    ----------
    hotspots : (H, 2) centroids.
    outlines : (B,) burial outlines (or points).
    window : the area.
    tolerance_m : the cap.
    grave_length_m : the shortest shift.
    draws, seed : of the shifts.

    Returns
    -------
    Mean over rigid shifts of the whole pattern by at least a grave length; where the area leaves no room for any, over
    placements of as many hotspots anywhere in it; the tolerance itself where there are no hotspots.
    """
    inside = hotspots[window.contains(hotspots)]
    if len(inside) == 0:
        return tolerance_m
    rng = np.random.default_rng([seed, 3])
    centres = centroids_of(outlines)
    seen = window.contains(centres)
    shifts = None
    if seen.any():
        shifts = draw_shifts(inside, centres[seen], window, grave_length_m=grave_length_m, draws=draws, rng=rng)
    if shifts is None:
        points = window.sample(rng, draws * len(inside)).reshape(draws, len(inside), 2)
        return float(capped_means(points, outlines, cap_m=tolerance_m).mean())
    means = []
    for start, stop in shifts.chunks(max(len(inside), len(outlines))):
        _, keep = shifts.keeps(inside, centres[seen], start, stop)
        means.append(capped_means(shifts.moved(inside, start, stop), outlines[seen], cap_m=tolerance_m, keep=keep))
    return float(np.concatenate(means).mean())


def _both(window: Window, covered: Any) -> Window | None:
    common = shapely.intersection(window.area, Window.of(covered, "covered ground").area)
    return Window.of(common) if common.area > 0 else None


def _visit(name: str, hotspots: Outlines, targets: Outlines, tolerance: float) -> _Visit:
    centres = centroids_of(hotspots)
    if len(hotspots) == 0 or len(targets) == 0:
        none = np.full(len(targets), -1, dtype=np.intp)
        return _Visit(name, centres, np.full(len(targets), tolerance), none)
    distance = np.asarray(shapely.distance(targets[:, None], shapely.points(centres)[None, :]))
    nearest = np.argmin(distance, axis=1)
    least = distance[np.arange(len(targets)), nearest]
    return _Visit(name, centres, np.minimum(least, tolerance), np.where(least <= tolerance, nearest, -1))


def _moving(difference: Array, blocks: npt.NDArray[np.intp]) -> int:
    sums = np.bincount(blocks, weights=difference)
    return int((np.abs(sums) >= _ALIKE_M).sum())


def _empty(a: _Visit, b: _Visit, why: str, measure: str, tolerance: float, n_visits: int) -> VisitComparison:
    return VisitComparison(
        visit_a=a.name,
        visit_b=b.name,
        n=0,
        blocks=0,
        direction="burial to hotspot",
        paired_difference_m=None,
        low_m=None,
        high_m=None,
        p=None,
        smallest_p=None,
        chance_difference_m=None,
        capped_a_m=a.capped,
        capped_b_m=b.capped,
        statement=" ".join([f"No comparison can be made: {why}.", *visits_sentence(n_visits)]),
        why=why,
        measure=measure,
        tolerance_m=tolerance,
    )
