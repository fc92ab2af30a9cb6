"""One-to-one matching of hotspots and burials, gated by a tolerance, and the proportions that follow from it."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy.optimize import linear_sum_assignment

from yewline._check import check_finite, check_positive
from yewline.accuracy.result import Proportion
from yewline.errors import InputError
from yewline.statistics import wilson

__all__ = ["LEAST_TOLERANCE_M", "match_pairs", "proportion", "tolerance_from_budget"]

Array = npt.NDArray[np.float64]

LEAST_TOLERANCE_M = 0.25
"""No tolerance is smaller, however good the positions."""


def tolerance_from_budget(outline_sigma_m: float, track_sigma_m: float, truth_sigma_m: float) -> float:
    """Tolerance of matching from the errors of position: twice their quadrature sum, never below 0.25 m.

    It follows from how well things could be placed, never from how well they matched.

    Parameters
    ----------
    outline_sigma_m : 1 sd of a hotspot's centroid from outlining it, m.
    track_sigma_m : 1 sd of the radar's track, m.
    truth_sigma_m : 1 sd of the burials' recorded place, m.

    Raises
    ------
    InputError : an error that is negative or not finite.

    Examples
    --------
    >>> round(tolerance_from_budget(0.3, 0.1, 0.0), 6), tolerance_from_budget(0.05, 0.05, 0.05)
    (0.632456, 0.25)
    """
    square = 0.0
    for name, value in (
        ("outline_sigma_m", outline_sigma_m),
        ("track_sigma_m", track_sigma_m),
        ("truth_sigma_m", truth_sigma_m),
    ):
        sigma = check_finite(value, name)
        if sigma < 0:
            raise InputError(f"{name} must not be negative", received=sigma)
        square += sigma * sigma
    return max(LEAST_TOLERANCE_M, 2.0 * math.sqrt(square))


def match_pairs(distance: npt.ArrayLike, *, tolerance_m: float) -> tuple[npt.NDArray[np.intp], Array]:
    """Pair rows and columns one to one: as many pairs within the tolerance as there can be, then the least distance.

    Parameters
    ----------
    distance : (H, B) from each hotspot to each burial, m.
    tolerance_m : pairs farther apart than this are never made.

    Returns
    -------
    pairs : (M, 2) indices (hotspot, burial), by hotspot.
    distance : (M,) of each pair, m.

    Raises
    ------
    InputError : the tolerance is not positive, or distances are not a table of finite numbers.

    Notes
    -----
    A pair beyond the gate costs more than all pairs within it together, so the least total cost makes the most pairs.

    References
    ----------
    Kuhn, H. W. 1955. Nav. Res. Logist. Q. 2, 83–97.

    Examples
    --------
    >>> pairs, apart = match_pairs([[1.0, 1.1], [1.2, 5.0]], tolerance_m=2.0)
    >>> pairs.tolist(), round(float(apart.sum()), 3)
    ([[0, 1], [1, 0]], 2.3)
    """
    tolerance = check_positive(tolerance_m, "tolerance_m")
    table = np.asarray(distance, dtype=np.float64)
    if table.ndim != 2 or not np.isfinite(table).all():
        raise InputError("distances must be a finite table (hotspots, burials)", received=f"shape {table.shape}")
    if table.size == 0:
        return np.empty((0, 2), dtype=np.intp), np.empty(0)
    within = table <= tolerance * (1.0 + 1e-12)
    beyond = (min(table.shape) + 1) * tolerance
    rows, columns = linear_sum_assignment(np.where(within, table, beyond))
    good = within[rows, columns]
    return np.column_stack([rows, columns])[good].astype(np.intp), table[rows, columns][good]


def proportion(k: int, n: int, *, why_none: str) -> Proportion:
    """k of n with its 95 % Wilson interval, or `why_none` where n is zero.

    Examples
    --------
    >>> found = proportion(18, 24, why_none="nothing was dug")
    >>> round(found.low, 3), round(found.high, 3)
    (0.551, 0.88)
    """
    if n == 0:
        return Proportion(value=None, low=None, high=None, k=k, n=n, why=why_none)
    low, high = wilson(k, n)
    return Proportion(value=k / n, low=low, high=high, k=k, n=n)
