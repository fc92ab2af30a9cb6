"""Estimated depths against excavated ones: how far they lie off, and whether their intervals keep their promise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_in_range
from yewline.accuracy.matching import proportion
from yewline.accuracy.result import Proportion
from yewline.errors import InputError
from yewline.units import Z90

__all__ = ["DepthErrors", "depth_errors"]

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class DepthErrors:
    """Estimated depths of N burials against what was excavated; those without an estimate are NaN, and do not count.

    Attributes
    ----------
    difference_m : (N,) estimated depth less that of the top; positive where the estimate is too deep.
    half_width_m : (N,) half-width of the 90 % interval of the difference: of the estimate and of the excavation.
    holds_top : (N,) whether the interval of the estimate holds the top.
    meets_body : (N,) whether it meets the body, from top to base; as `holds_top` where no base is known.
    n : how many burials have an estimate.
    mean_m, rms_m : of the differences; None where there are none.
    top_share, body_share : how many hold the top and meet the body.
    """

    difference_m: Array
    half_width_m: Array
    holds_top: npt.NDArray[np.bool_]
    meets_body: npt.NDArray[np.bool_]
    n: int
    mean_m: float | None
    rms_m: float | None
    top_share: Proportion
    body_share: Proportion


def depth_errors(
    estimated_m: npt.ArrayLike,
    half_width_m: npt.ArrayLike,
    top_m: npt.ArrayLike,
    *,
    base_m: npt.ArrayLike | None = None,
    truth_sigma_m: float = 0.05,
) -> DepthErrors:
    """Hold estimated depths to excavated ones.

    Parameters
    ----------
    estimated_m : (N,) depths of the responses, m; NaN where there is none.
    half_width_m : (N,) half-widths of their 90 % intervals, m.
    top_m, base_m : (N,) excavated depths of the bodies' tops, and of their bases where known (else NaN), m.
    truth_sigma_m : standard deviation of an excavated depth (0.05 m: common practice, no source).

    Raises
    ------
    InputError : lists of different length, a top that is not known, or an error that is negative.

    Notes
    -----
    A half-width is √(h² + (1.645 σ)²) of the estimate's own h and the excavation's σ. What answers lies somewhere
    between a body's top and its base, and nobody knows where: "holds the top" is the strict question, "meets the body"
    the one that a depth alone can be asked.

    Examples
    --------
    >>> found = depth_errors([0.9, 1.2, np.nan], [0.1, 0.1, 0.1], [0.85, 0.9, 1.0], base_m=[1.1, 1.25, np.nan])
    >>> found.n, round(found.mean_m, 3), found.top_share.k, found.body_share.k
    (2, 0.175, 1, 2)
    """
    estimated, half, top = (
        check_array(values, name, ndim=1, finite=False)
        for name, values in (("estimated_m", estimated_m), ("half_width_m", half_width_m), ("top_m", top_m))
    )
    base = np.full(len(top), np.nan) if base_m is None else check_array(base_m, "base_m", ndim=1, finite=False)
    if not len(estimated) == len(half) == len(top) == len(base):
        received = f"{len(estimated)}, {len(half)}, {len(top)} and {len(base)}"
        raise InputError("estimates, half-widths, tops and bases must be as many", received=received)
    if not np.isfinite(top).all():
        raise InputError("every burial must have an excavated top", do="leave out those without one")
    sigma = check_in_range(truth_sigma_m, "truth_sigma_m", 0.0, 10.0)
    known = np.isfinite(estimated)
    if (half[known] < 0).any():
        raise InputError("half_width_m must not be negative", received=float(half[known].min()))
    wide = np.where(known, np.hypot(half, Z90 * sigma), np.nan)
    difference = np.where(known, estimated - top, np.nan)
    below = np.fmax(base, top)
    with np.errstate(invalid="ignore"):
        holds = np.abs(difference) <= wide
        meets = (estimated + wide >= top) & (estimated - wide <= below)
    n, why = int(known.sum()), "no burial has an estimated depth"
    return DepthErrors(
        difference_m=difference,
        half_width_m=wide,
        holds_top=holds,
        meets_body=meets,
        n=n,
        mean_m=float(difference[known].mean()) if n else None,
        rms_m=float(np.sqrt((difference[known] ** 2).mean())) if n else None,
        top_share=proportion(int(holds.sum()), n, why_none=why),
        body_share=proportion(int(meets.sum()), n, why_none=why),
    )
