"""Readings that do not fit their neighbours: named with how far they are off, never dropped."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree
from scipy.stats import norm

from yewline._check import check_array, check_in_range, check_positive
from yewline.errors import InputError

__all__ = ["FEWEST_FOR_OUTLIERS", "Outliers", "find_outliers"]

Array = npt.NDArray[np.float64]

FEWEST_FOR_OUTLIERS: Final = 12
"""With fewer readings nobody can say what their neighbours lead one to expect (own choice)."""
_NEIGHBOURS: Final = 8


@dataclass(frozen=True, slots=True)
class Outliers:
    """How far each reading is off its neighbours.

    Attributes
    ----------
    distance : (R,) reading less the median of its neighbours, less the middle of all such differences, in robust
        standard deviations of them.
    expected : (R,) median of the neighbours.
    limit : distance beyond which a reading is named.
    named : (R,) whether it is.
    """

    distance: Array
    expected: Array
    limit: float
    named: npt.NDArray[np.bool_]


def find_outliers(
    xy: npt.ArrayLike, values: npt.ArrayLike, *, own_sd: float, false_alarm: float = 0.05
) -> Outliers | None:
    """Readings that are far off the median of their eight nearest neighbours, by the deviations of all the others.

    Parameters
    ----------
    xy : (R, 2) places, m.
    values : (R,) readings.
    own_sd : standard deviation of one reading; it stands in where most readings are alike to the last digit.
    false_alarm : chance that a visit without any mistake has a reading named.

    Returns
    -------
    None with fewer than 12 readings.

    Raises
    ------
    InputError : shapes do not fit.

    Notes
    -----
    Hampel's identifier on spatial residuals: |r − median r| > g · 1.4826 · median |r − median r|. For R independent
    normal residuals g would be the quantile z(1 − α/2R); the median deviation is itself uncertain, and residuals at the
    edge of the ground spread wider than those inside, so that g is larger by the factor 1.06 + 4.2/R. Factor and rate
    were measured on clean correlated fields: see docs/studies.md.

    References
    ----------
    Hampel 1974, J. Am. Stat. Assoc. 69:383-393; Davies & Gather 1993, J. Am. Stat. Assoc. 88:782-792.

    Examples
    --------
    >>> x, y = (a.ravel() for a in np.meshgrid(np.arange(5.0), np.arange(4.0)))
    >>> values = 0.2 + 0.004 * x + 0.003 * np.sin(7.0 * x + 3.0 * y)
    >>> values[7] += 0.15
    >>> np.flatnonzero(find_outliers(np.column_stack([x, y]), values, own_sd=0.01).named).tolist()
    [7]
    """
    places, read = check_array(xy, "xy", ndim=2), check_array(values, "values", ndim=1)
    if places.shape != (len(read), 2):
        raise InputError("each reading needs its place", received=f"{places.shape} for {len(read)}")
    floor, alpha = check_positive(own_sd, "own_sd"), check_in_range(false_alarm, "false_alarm", 1e-6, 0.5)
    n = len(read)
    if n < FEWEST_FOR_OUTLIERS:
        return None
    # One more is asked for, since each reading is its own nearest; of readings that share a place any may come first.
    near = cKDTree(places).query(places, k=_NEIGHBOURS + 1)[1]
    others = near != np.arange(n)[:, None]
    others[others.all(axis=1), -1] = False
    expected = np.median(read[near[others].reshape(n, _NEIGHBOURS)], axis=1)
    off = read - expected
    off -= np.median(off)
    scale = 1.4826 * float(np.median(np.abs(off)))
    distance = off / (scale if scale > 0 else floor)
    limit = float(norm.isf(alpha / (2 * n))) * (1.06 + 4.2 / n)
    return Outliers(distance, expected, limit, np.abs(distance) > limit)
