"""Confidence intervals of a proportion: Wilson's, with and without continuity correction, and the exact one."""

from __future__ import annotations

import math
from typing import NamedTuple

from scipy.special import betaincinv, ndtri

from yewline._check import check_in_range
from yewline.errors import InputError

__all__ = ["Interval", "clopper_pearson", "wilson"]


class Interval(NamedTuple):
    """Lower and upper end of an interval."""

    low: float
    high: float


def wilson(k: int, n: int, *, level: float = 0.95, continuity: bool = False) -> Interval:
    """Wilson's score interval of a proportion `k` of `n`.

    It keeps its coverage near `level` for the small counts that a burial ground gives, and never leaves 0 to 1.

    Parameters
    ----------
    k, n : successes and trials; 0 ≤ k ≤ n, n ≥ 1.
    level : two-sided confidence level.
    continuity : with the continuity correction, which makes it wider and nearer to the exact interval.

    Returns
    -------
    Interval

    Raises
    ------
    InputError : counts that are not whole, negative, or with k above n.

    Notes
    -----
    Without correction, with q = 1 − p: (2np + z² ± z √(z² + 4npq)) / (2(n + z²)).
    With it: (2np + z² − 1 − z √(z² − 2 − 1/n + 4p(nq + 1))) / (2(n + z²)) below and
    (2np + z² + 1 + z √(z² + 2 − 1/n + 4p(nq − 1))) / (2(n + z²)) above; 0 and 1 where k is 0 or n.

    References
    ----------
    Wilson, E. B. 1927. J. Am. Stat. Assoc. 22, 209–212. Newcombe, R. G. 1998. Stat. Med. 17, 857–872 (methods 3, 4).

    Examples
    --------
    >>> low, high = wilson(3, 10)
    >>> round(low, 4), round(high, 4)
    (0.1078, 0.6032)
    """
    k, n = _counts(k, n)
    z = float(ndtri(0.5 + 0.5 * _level(level)))
    p = k / n
    q = 1.0 - p
    bottom = 2.0 * (n + z * z)
    middle = 2.0 * n * p + z * z
    if continuity:
        below = z * z - 2.0 - 1.0 / n + 4.0 * p * (n * q + 1.0)
        above = z * z + 2.0 - 1.0 / n + 4.0 * p * (n * q - 1.0)
        low = (middle - 1.0 - z * math.sqrt(max(below, 0.0))) / bottom
        high = (middle + 1.0 + z * math.sqrt(max(above, 0.0))) / bottom
    else:
        half = z * math.sqrt(z * z + 4.0 * n * p * q)
        low, high = (middle - half) / bottom, (middle + half) / bottom
    return Interval(0.0 if k == 0 else max(low, 0.0), 1.0 if k == n else min(high, 1.0))


def clopper_pearson(k: int, n: int, *, level: float = 0.95) -> Interval:
    """The exact interval of a proportion `k` of `n`, by inverting the two binomial tails.

    Its coverage is never below `level`; it is wider than Wilson's. At `level` 0.90 its upper end is the one-sided
    95 % bound: with no miss in 20 trials, 1 − 0.05^(1/20) = 0.139.

    Parameters
    ----------
    k, n : successes and trials; 0 ≤ k ≤ n, n ≥ 1.
    level : two-sided confidence level.

    Returns
    -------
    Interval

    Raises
    ------
    InputError : counts that are not whole, negative, or with k above n.

    Notes
    -----
    With α = 1 − level: the α/2 quantile of Beta(k, n − k + 1) and the 1 − α/2 quantile of Beta(k + 1, n − k).

    References
    ----------
    Clopper, C. J. & Pearson, E. S. 1934. Biometrika 26, 404–413. Newcombe, R. G. 1998. Stat. Med. 17 (method 5).

    Examples
    --------
    >>> round(clopper_pearson(0, 20).high, 4)
    0.1684
    """
    k, n = _counts(k, n)
    tail = 0.5 * (1.0 - _level(level))
    low = 0.0 if k == 0 else float(betaincinv(k, n - k + 1, tail))
    high = 1.0 if k == n else float(betaincinv(k + 1, n - k, 1.0 - tail))
    return Interval(low, high)


def _level(level: float) -> float:
    return check_in_range(level, "level", 0.5, 0.9999999)


def _counts(k: int, n: int) -> tuple[int, int]:
    if int(k) != k or int(n) != n:
        raise InputError("counts of a proportion must be whole numbers", received=f"{k} of {n}")
    if n < 1:
        raise InputError("a proportion needs at least one trial", received=f"{k} of {n}")
    if not 0 <= k <= n:
        raise InputError("the count must lie between 0 and the number of trials", received=f"{k} of {n}")
    return int(k), int(n)
