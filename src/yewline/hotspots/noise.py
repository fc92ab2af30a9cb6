"""Noise of a slice: what strong response is measured against."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_finite, check_in_range
from yewline.errors import InputError

__all__ = ["equal_area_level", "noise_level", "noise_rule_level"]

_QUARTILE_TO_SD: Final = 1.482602218505602
"""1/Φ⁻¹(¾): a normal distribution's standard deviation over the distance from its median to a quartile."""

_FLAT: Final = 1e-6


def covered_values(strength: npt.ArrayLike, inside: npt.NDArray[np.bool_] | None = None) -> npt.NDArray[np.float64]:
    """Strengths of the cells that hold data, and lie inside where that is asked for."""
    values = check_array(strength, "strength", ndim=2, finite=False)
    if np.isinf(values).any():
        raise InputError("strength holds infinite values", do="blank cells without data with NaN")
    keep = np.isfinite(values)
    if inside is not None:
        if inside.shape != values.shape:
            raise InputError("inside must fit strength", received=f"{inside.shape} for {values.shape}")
        keep &= inside
    kept: npt.NDArray[np.float64] = values[keep]
    return kept


def noise_level(strength: npt.ArrayLike, *, inside: npt.NDArray[np.bool_] | None = None) -> tuple[float, float]:
    """Median and robust standard deviation of a slice's strength.

    Parameters
    ----------
    strength : (Y, X) strength of a slice; NaN where there is no data.
    inside : (Y, X) cells to look at; all if left out.

    Returns
    -------
    The median and the robust standard deviation of the covered cells; NaN, NaN where none is covered.

    Raises
    ------
    InputError : infinite values, or not a map.

    Notes
    -----
    Strength is a positive envelope with a long upper tail, and what is looked for lies in that tail. So the spread is
    taken from the weaker half alone: the median absolute deviation below the median, which is the median less the
    lower quartile, times 1.4826 (as it is for a normal distribution). Graves, stones and drains, which can fill a
    tenth of a burial ground, then hardly widen the noise that they are measured against. Because an upper tail is
    longer than a lower one, more cells of pure noise exceed a threshold than the normal distribution says; the
    threshold is a yardstick common to all visits, not a probability.

    References
    ----------
    Hampel, F. R. (1974), J. Am. Stat. Assoc. 69(346):383–393 (median absolute deviation; named from memory).

    Examples
    --------
    >>> median, sd = noise_level([[1.0, 2.0, 3.0, 4.0, 100.0]])
    >>> median, round(sd, 4)
    (3.0, 1.4826)
    """
    values = covered_values(strength, inside)
    if len(values) == 0:
        return math.nan, math.nan
    quartile, median = np.quantile(values, [0.25, 0.5])
    return float(median), float(_QUARTILE_TO_SD * (median - quartile))


def noise_rule_level(median: float, robust_sd: float, threshold: float) -> float:
    """The noise rule: median + threshold × robust sd; infinite where there is no noise to measure against.

    A slice without spread (constant, but for rounding) has no yardstick: nothing in it is strong, so its level is
    beyond every value. The same holds for a slice without data.

    Examples
    --------
    >>> noise_rule_level(2.0, 0.5, 3.0), noise_rule_level(2.0, 0.0, 3.0)
    (3.5, inf)
    """
    factor = check_finite(threshold, "threshold")
    if not (math.isfinite(median) and math.isfinite(robust_sd)) or robust_sd <= _FLAT * abs(median):
        return math.inf
    return median + factor * robust_sd


def equal_area_level(strength: npt.ArrayLike, share: float, *, inside: npt.NDArray[np.bool_] | None = None) -> float:
    """The equal-area rule: the level that the strongest `share` of the covered area exceeds.

    It outlines the same share of ground on every visit, whatever the noise, so that visits can be compared by *where*
    their strong response lies; the price is that it outlines something even where there is nothing but noise.

    Returns
    -------
    The level; infinite where nothing is covered, or where all of the slice is alike.

    Raises
    ------
    InputError : a share that is not between 0 and 1.

    Examples
    --------
    >>> equal_area_level([[1.0, 2.0, 3.0, 4.0, 5.0]], 0.25)
    4.0
    """
    part = check_in_range(share, "share", 0.0, 1.0)
    values = covered_values(strength, inside)
    if len(values) == 0 or np.ptp(values) <= _FLAT * float(np.abs(values).max()):
        return math.inf
    return float(np.quantile(values, 1.0 - part))
