"""Join counts: do places of one kind neighbour each other more often than chance would have them?"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import sparse

from yewline._check import check_array
from yewline.errors import InputError
from yewline.geostat.moran import check_weights, permuted

__all__ = ["JoinCounts", "join_counts"]

Array = npt.NDArray[np.float64]

_ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True)
class JoinCounts:
    """What `join_counts` finds.

    Attributes
    ----------
    inside : joins of two marked places.
    outside : joins of two unmarked places.
    across : joins of one of each.
    expected_inside, expected_across : their means over arrangements of the marks.
    p_clustered : share of arrangements with at least so many joins inside, (b + 1)/(m + 1); NaN if none were drawn.
    p_dispersed : share of arrangements with at least so many joins across, (b + 1)/(m + 1).
    """

    inside: float
    outside: float
    across: float
    expected_inside: float
    expected_across: float
    p_clustered: float
    p_dispersed: float


def join_counts(
    marked: npt.ArrayLike,
    weights: sparse.csr_array,
    *,
    seed: int | np.random.Generator,
    permutations: int = 999,
) -> JoinCounts:
    """Count neighbours by kind, and test them against all arrangements of the marks among the places.

    For readings, whose places were chosen without knowing their values. Cells of a map are no such places: mapping
    alone makes neighbours alike, and this test would always call them clustered. For maps see `patch_arrangement`.

    Parameters
    ----------
    marked : (n,) true where a place is marked (wetter than a threshold, say); some must be and some not.
    weights : (n, n) binary, as of `neighbour_weights` with `row_standardised=False`; every place needs a neighbour.
    seed : integer or generator for the permutations.
    permutations : how many to draw; 0 leaves them out.

    Raises
    ------
    InputError : all or no places are marked, or the weights do not fit, are not binary or leave a place alone.

    Notes
    -----
    Joins are Σ wᵢⱼ/2 over ordered pairs, so that a neighbourhood that is not mutual counts half. With n₁ of n marked
    the mean inside is S₀/2 · n₁(n₁ − 1)/(n(n − 1)) and across S₀ · n₁(n − n₁)/(n(n − 1)).

    References
    ----------
    Cliff & Ord 1981, Spatial Processes, §1.4 and 2.2 (sampling without replacement).

    Examples
    --------
    >>> from yewline.geostat.neighbours import neighbour_weights
    >>> line = neighbour_weights([[i, 0] for i in range(8)], within_m=1.0, row_standardised=False)
    >>> found = join_counts([1, 1, 1, 1, 0, 0, 0, 0], line, seed=1)
    >>> found.inside, found.across, found.outside, found.expected_inside
    (3.0, 1.0, 3.0, 1.5)
    """
    kinds = check_array(marked, "marked", ndim=1)
    n = len(kinds)
    if not np.isin(kinds, (0.0, 1.0)).all():
        raise InputError("marks must be true or false", received=f"{kinds[~np.isin(kinds, (0.0, 1.0))][0]:g}")
    ones = float(kinds.sum())
    if not 0 < ones < n:
        raise InputError("some places must be marked and some not", received=f"{ones:g} of {n} marked")
    w = check_weights(weights, n)
    if not (w.data[w.data > 0] == 1.0).all():
        raise InputError("join counts need binary weights", do="make them with row_standardised=False")
    total = float(w.sum())
    degrees = w.sum(axis=1) + w.sum(axis=0)

    def joins_of(many: Array) -> Array:
        inside = 0.5 * np.einsum("mn,nm->m", many, w @ many.T)
        return np.column_stack([inside, 0.5 * (many @ degrees) - 2.0 * inside])

    inside, across = joins_of(kinds[None])[0].tolist()
    drawn = permuted(kinds, joins_of, permutations, seed)
    p_clustered, p_dispersed = math.nan, math.nan
    if permutations:
        as_many = np.count_nonzero(drawn >= [inside - _ROUNDING, across - _ROUNDING], axis=0)
        p_clustered, p_dispersed = ((as_many + 1) / (permutations + 1)).tolist()
    chance = total / (n * (n - 1))
    return JoinCounts(
        inside=inside,
        outside=0.5 * total - inside - across,
        across=across,
        expected_inside=0.5 * chance * ones * (ones - 1),
        expected_across=chance * ones * (n - ones),
        p_clustered=p_clustered,
        p_dispersed=p_dispersed,
    )
