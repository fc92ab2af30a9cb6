"""Patches of a map above a threshold: how much, how many, how large, and whether they lie together."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from yewline._check import check_array, check_finite, check_positive
from yewline.errors import InputError

__all__ = ["PatchArrangement", "PatchSummary", "describe_patches", "patch_arrangement"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

_FEWEST_SURROGATES: Final = 19
_VERDICT_P: Final = 0.05


@dataclass(frozen=True, slots=True)
class PatchSummary:
    """What `describe_patches` finds.

    Attributes
    ----------
    threshold : above it a cell belongs to a patch.
    area_share : of the cells that have a value.
    count : patches.
    mean_area_m2, largest_area_m2 : zero where there is no patch.
    connectivity : 4 (cells that share an edge hang together) or 8 (an edge or a corner).
    """

    threshold: float
    area_share: float
    count: int
    mean_area_m2: float
    largest_area_m2: float
    connectivity: int


@dataclass(frozen=True, slots=True)
class PatchArrangement:
    """What `patch_arrangement` finds.

    Attributes
    ----------
    joins : edges between two cells above the threshold.
    expected_joins : median of the surrogates', at equal area.
    count : patches.
    expected_count : median of the surrogates'.
    p : two-sided p-value of the joins, 2 · min of (b + 1)/(m + 1) of both sides.
    surrogates : m.
    verdict : "clustered", "dispersed" or "as chance would have it" (p above 0.05).
    """

    joins: int
    expected_joins: float
    count: int
    expected_count: float
    p: float
    surrogates: int
    verdict: str


def describe_patches(
    field: npt.ArrayLike,
    spacing_m: float | tuple[float, float],
    *,
    above: float | None = None,
    percentile: float | None = None,
    connectivity: int = 8,
) -> PatchSummary:
    """Area, count and size of the patches of a map that lie above a threshold.

    Parameters
    ----------
    field : (Y, X) map; cells without a value are NaN and belong to nothing.
    spacing_m : size of a cell, m; one number, or that along y and along x.
    above : threshold in the unit of the map; a cell at the threshold is not above it.
    percentile : or the percentile of the map's cells that is the threshold.
    connectivity : 8 or 4.

    Raises
    ------
    InputError : no cell has a value, neither or both thresholds are given, or the connectivity is another.

    Examples
    --------
    >>> field = [[1, 0, 0, 1], [0, 1, 0, 1], [0, 0, 0, 1]]
    >>> found = describe_patches(field, 0.5, above=0.5)
    >>> found.count, round(found.area_share, 3), found.mean_area_m2, found.largest_area_m2
    (2, 0.417, 0.625, 0.75)
    >>> describe_patches(field, 0.5, above=0.5, connectivity=4).count
    3
    """
    values, blank = _checked(field)
    threshold = _threshold(values[~blank], above, percentile)
    spacing = [check_positive(step, "spacing_m") for step in np.broadcast_to(spacing_m, (2,))]
    sizes = _patch_sizes(_above(values, threshold), connectivity) * math.prod(spacing)
    return PatchSummary(
        threshold=threshold,
        area_share=float(np.count_nonzero(_above(values, threshold)) / np.count_nonzero(~blank)),
        count=len(sizes),
        mean_area_m2=float(sizes.mean()) if len(sizes) else 0.0,
        largest_area_m2=float(sizes.max()) if len(sizes) else 0.0,
        connectivity=connectivity,
    )


def patch_arrangement(
    field: npt.ArrayLike,
    surrogates: Iterable[npt.NDArray[Any]],
    *,
    above: float | None = None,
    percentile: float | None = None,
    connectivity: int = 8,
) -> PatchArrangement:
    """Whether a map's patches lie together more, or less, than in maps that share its variogram and nothing else.

    Parameters
    ----------
    field, above, percentile, connectivity : as in `describe_patches`.
    surrogates : blocks (b, Y, X), at least 19 maps in all. Those of `surrogate_maps` for a kriged map, which is
        smoother than the ground; those of `unconditional_fields` for a field that was not mapped from readings.

    Raises
    ------
    InputError : all or no cells lie above the threshold, or the surrogates are too few, of another shape or blank.

    Notes
    -----
    Joins between cells above the threshold measure how compact that area is: many where it is one patch, few where it
    is in pieces. Each surrogate is cut so that as many cells lie above, over the same cells with a value. Shuffling
    cells instead would call every map clustered, for likeness of neighbours is in the variogram already. What is
    tested is an arrangement *beyond* the variogram, which counts as known; whether readings are alike at all is for
    `morans_i`.

    References
    ----------
    Cliff & Ord 1981, Spatial Processes, §1.4 (joins); surrogates with the same covariance: Viladomat et al. 2014,
    Biometrics 70:409–418.

    Examples
    --------
    >>> from yewline.geostat import FieldDraws, VariogramModel, unconditional_fields
    >>> rough = VariogramModel("exponential", partial_sill=1.0, range_m=2.0)
    >>> surrogates = unconditional_fields(range(20), range(20), model=rough, draws=FieldDraws(99, seed=1))
    >>> one_patch = np.pad(np.ones((10, 10)), 5)
    >>> patch_arrangement(one_patch, surrogates, above=0.5).verdict
    'clustered'
    """
    values, blank = _checked(field)
    wet = _above(values, _threshold(values[~blank], above, percentile))
    area = int(np.count_nonzero(wet))
    if not 0 < area < np.count_nonzero(~blank):
        raise InputError(
            "some cells must lie above the threshold and some not",
            received=f"{area} of {np.count_nonzero(~blank)} above",
            do="choose another threshold",
        )
    joins, counts = [], []
    for block in surrogates:
        if block.shape[1:] != values.shape:
            raise InputError(
                f"surrogates must have the shape of the map, {values.shape}", received=f"shape {block.shape[1:]}"
            )
        if not np.isfinite(block[:, ~blank]).all():
            raise InputError("surrogates must have a value wherever the map has one")
        for surrogate in block:
            largest = np.argsort(np.where(blank, -np.inf, surrogate), axis=None)[-area:]
            mask = np.zeros(values.shape, dtype=np.bool_)
            mask.flat[largest] = True
            joins.append(_joins(mask))
            counts.append(len(_patch_sizes(mask, connectivity)))
    m = len(joins)
    if m < _FEWEST_SURROGATES:
        raise InputError(f"there must be at least {_FEWEST_SURROGATES} surrogates", received=m)
    seen, drawn = _joins(wet), np.array(joins)
    above_p, below_p = ((np.count_nonzero(beyond) + 1) / (m + 1) for beyond in (drawn >= seen, drawn <= seen))
    p = min(1.0, 2.0 * min(above_p, below_p))
    side = "clustered" if above_p < below_p else "dispersed"
    return PatchArrangement(
        joins=seen,
        expected_joins=float(np.median(drawn)),
        count=len(_patch_sizes(wet, connectivity)),
        expected_count=float(np.median(counts)),
        p=p,
        surrogates=m,
        verdict=side if p <= _VERDICT_P else "as chance would have it",
    )


def _checked(field: npt.ArrayLike) -> tuple[Array, Mask]:
    values = check_array(field, "field", ndim=2, finite=False)
    blank = np.isnan(values)
    if blank.all():
        raise InputError("no cell of the map has a value", received=f"shape {values.shape}")
    return values, blank


def _threshold(values: Array, above: float | None, percentile: float | None) -> float:
    if above is not None and percentile is None:
        return check_finite(above, "above")
    if above is None and percentile is not None:
        if not 0 <= check_finite(percentile, "percentile") <= 100:
            raise InputError("percentile must lie between 0 and 100", received=percentile)
        return float(np.percentile(values, percentile))
    raise InputError("either above or percentile must be given", received=f"{above} and {percentile}")


def _above(values: Array, threshold: float) -> Mask:
    # NaN is above nothing.
    return np.asarray(values > threshold)


def _patch_sizes(mask: Mask, connectivity: int) -> npt.NDArray[np.intp]:
    """Cells of each patch."""
    if connectivity not in (4, 8):
        raise InputError("connectivity must be 4 or 8", received=connectivity)
    labels, _ = ndimage.label(mask, ndimage.generate_binary_structure(2, 1 if connectivity == 4 else 2))
    return np.bincount(labels.ravel())[1:]


def _joins(mask: Mask) -> int:
    return int(np.count_nonzero(mask[1:] & mask[:-1]) + np.count_nonzero(mask[:, 1:] & mask[:, :-1]))
