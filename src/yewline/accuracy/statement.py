"""Two visits compared, in a few plain sentences."""

from __future__ import annotations

import numpy as np

from yewline.accuracy.result import VisitComparison

__all__ = ["FEWEST_VISITS", "comparison_statement", "visits_sentence"]

FEWEST_VISITS = 5
"""Below so many visits nothing is said about moisture."""


def comparison_statement(
    comparison: VisitComparison, *, hotspots: tuple[int, int], groups: int, tolerance_m: float, n_visits: int
) -> str:
    """What a comparison shows, what it cannot, and what it does not say.

    It stands under a heading that names both visits, so it names a visit only where one is told from the other.

    Parameters
    ----------
    comparison : its figures.
    hotspots : how many each visit has.
    groups : groups of burials that share a hotspot, or single burials, that differ between the visits.
    tolerance_m : the cap.
    n_visits : how many visits the site has.
    """
    parts = [
        f"Visit {name} has no hotspots."
        for name, count in zip((comparison.visit_a, comparison.visit_b), hotspots, strict=True)
        if count == 0
    ]
    if not any(hotspots):
        parts = ["Neither visit has hotspots, so there is nothing to compare."]
    elif groups == 0:
        parts.append(_all_alike(comparison, tolerance_m))
    else:
        parts += _difference(comparison, groups, tolerance_m)
        parts.append(_by_chance(comparison))
    return " ".join([*parts, *visits_sentence(n_visits)])


def visits_sentence(n_visits: int) -> list[str]:
    """That nothing is said about moisture, where the visits are too few for it; else nothing.

    Examples
    --------
    >>> visits_sentence(2), visits_sentence(5)
    (['With 2 visits, fewer than five, no claim about moisture is made.'], [])
    """
    if n_visits >= FEWEST_VISITS:
        return []
    count = "one visit" if n_visits == 1 else f"{n_visits} visits"
    return [f"With {count}, fewer than five, no claim about moisture is made."]


def _all_alike(comparison: VisitComparison, tolerance: float) -> str:
    if comparison.differing:
        return (
            f"No difference is shown: {_distances(comparison, tolerance)}, differ only for burials that share a "
            "hotspot, and among those the differences cancel out."
        )
    held = np.isfinite(comparison.capped_a_m)
    if float(comparison.capped_a_m[held].min()) >= tolerance:
        return (
            f"On both visits every burial lies {tolerance:.2f} m or farther from the middle of any hotspot, so there "
            "is nothing to compare."
        )
    return (
        f"On both visits every burial lies equally far from the middle of its nearest hotspot, or {tolerance:.2f} m or "
        "farther from any, so no difference can be seen."
    )


def _difference(comparison: VisitComparison, groups: int, tolerance: float) -> list[str]:
    difference, p, smallest = comparison.paired_difference_m, comparison.p, comparison.smallest_p
    if difference is None or p is None or smallest is None:  # never with groups that differ
        return []
    nearer = comparison.visit_b if difference < 0 else comparison.visit_a
    size = abs(difference)
    over = "for the one burial compared" if comparison.n == 1 else f"on average over {comparison.n} burials"
    least = f"Here p cannot fall below {smallest:.2g}, because {_cause(comparison, groups, smallest)}."
    measured = f"These are {_distances(comparison, tolerance)}."
    if p <= 0.05:
        by = f"by {size:.2f} m" if size >= 0.005 else "by less than 0.01 m"
        return [
            f"The visits differ: the hotspots of {nearer} lie closer to the known burials, {by} {over} (p = {p:.2g}).",
            measured,
            least,
            "A difference does not say what caused it.",
        ]
    by = f"the hotspots of {nearer} lie closer by {size:.2f} m" if size >= 0.005 else "it is less than 0.01 m"
    said = [f"No difference is shown: {by} {over} (p = {p:.2g}).", measured, least]
    return [*said, "So few burials could not have shown one."] if smallest > 0.05 else said


def _distances(comparison: VisitComparison, tolerance: float) -> str:
    if comparison.measure == "centroid to centroid":
        return f"distances from the burial's middle to the nearest hotspot's middle, counted up to {tolerance:.2f} m"
    return (
        "distances from burial to the nearest hotspot's middle, measured to the burial's outline and counted up to "
        f"{tolerance:.2f} m"
    )


def _cause(comparison: VisitComparison, groups: int, smallest: float) -> str:
    if smallest > 2.0 / 2.0**groups * (1.0 + 1e-9):
        return f"{round(1.0 / smallest) - 1:,} draws were made"
    n, differing = comparison.n, comparison.differing
    if differing == n:
        cause = "there is only one burial" if n == 1 else f"there are only {n} burials"
    else:
        cause = f"only {differing} of {n} burials {'differs' if differing == 1 else 'differ'}"
    return cause if groups == differing else f"{cause}, which count as {groups} because some share a hotspot"


def _by_chance(comparison: VisitComparison) -> str:
    chance = comparison.chance_difference_m
    if chance is None or abs(chance) < 0.005:
        return "By chance alone, from how many hotspots there are and how they lie, no difference is expected."
    nearer = comparison.visit_b if chance < 0 else comparison.visit_a
    return (
        f"By chance alone, from how many hotspots there are and how they lie, those of {nearer} would be "
        f"{abs(chance):.2f} m closer."
    )
