"""Bootstrap intervals of a mean: percentile, bias-corrected and accelerated, and of whole blocks."""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri

from yewline._check import check_array, check_choice, check_in_range
from yewline.errors import InputError
from yewline.statistics.intervals import Interval

__all__ = ["block_mean_interval", "mean_interval"]

Array = npt.NDArray[np.float64]

_CHUNK = 2**20  # resampled values held at a time: 8 MB


def mean_interval(
    values: npt.ArrayLike,
    *,
    seed: int | np.random.Generator,
    draws: int = 9_999,
    level: float = 0.95,
    method: Literal["bca", "percentile"] = "bca",
) -> Interval:
    """Bootstrap interval of the mean of independent values.

    Distances are skewed, so their interval should not be symmetric: "bca" corrects the percentile interval for
    bias and skewness. Values that are all equal give an interval of no width.

    Parameters
    ----------
    values : (n,) at least two.
    seed : of the resampling.
    draws : number of resamples.
    level : two-sided confidence level.
    method : "bca" or "percentile".

    Returns
    -------
    Interval

    Raises
    ------
    InputError : fewer than two values, or values that are not finite.

    Notes
    -----
    With z₀ = Φ⁻¹(share of resampled means below the mean) and a = Σu³/(6 (Σu²)^{3/2}) from the jackknife's
    u = mean(θ₍.₎) − θ₍ᵢ₎, the ends are the resampled means at Φ(z₀ + (z₀ + z)/(1 − a(z₀ + z))).

    References
    ----------
    Efron, B. 1987. J. Am. Stat. Assoc. 82, 171–185. Davison, A. C. & Hinkley, D. V. 1997. Bootstrap Methods, ch. 5.

    Examples
    --------
    >>> low, high = mean_interval([0.2, 0.5, 0.9, 1.4, 0.3], seed=1)
    >>> low < 0.66 < high
    True
    """
    x = check_array(values, "values", ndim=1)
    check_choice(method, "method", ("bca", "percentile"))
    tail = 0.5 * (1.0 - check_in_range(level, "level", 0.5, 0.9999999))
    if len(x) < 2:
        raise InputError("a bootstrap interval needs at least two values", received=len(x))
    mean = float(x.mean())
    if np.ptp(x) == 0.0:
        return Interval(float(x[0]), float(x[0]))
    means = _resampled(x, np.ones(len(x)), draws, np.random.default_rng(seed))
    shares = np.array([tail, 1.0 - tail])
    if method == "bca":
        shares = _bca_shares(x, mean, means, shares)
    low, high = np.quantile(means, shares)
    return Interval(float(low), float(high))


def block_mean_interval(
    values: npt.ArrayLike,
    blocks: npt.ArrayLike,
    *,
    seed: int | np.random.Generator,
    draws: int = 9_999,
    level: float = 0.95,
) -> Interval:
    """Percentile bootstrap interval of a mean whose values depend on one another inside blocks.

    Whole blocks are drawn with replacement; the mean is the sum of their values over the number of their values.

    Parameters
    ----------
    values : (n,) values.
    blocks : (n,) label of each value's block; at least two blocks.
    seed, draws, level : as in `mean_interval`.

    Returns
    -------
    Interval

    Raises
    ------
    InputError : fewer than two blocks, labels that do not fit, or values that are not finite.

    References
    ----------
    Davison, A. C. & Hinkley, D. V. 1997. Bootstrap Methods and their Application, §3.8 (resampling of groups).

    Examples
    --------
    >>> low, high = block_mean_interval([0.1, 0.2, 0.5, 0.6], [0, 0, 1, 1], seed=1)
    >>> round(low, 3), round(high, 3)
    (0.15, 0.55)
    """
    x = check_array(values, "values", ndim=1)
    labels = np.asarray(blocks)
    tail = 0.5 * (1.0 - check_in_range(level, "level", 0.5, 0.9999999))
    if labels.shape != x.shape:
        raise InputError("blocks must hold one label a value", received=f"{labels.shape} for {x.shape}")
    _, index = np.unique(labels, return_inverse=True)
    sums = np.asarray(np.bincount(index, weights=x), dtype=np.float64)
    sizes = np.bincount(index).astype(np.float64)
    if len(sums) < 2:
        raise InputError("a block bootstrap needs at least two blocks", received=len(sums))
    if np.ptp(x) == 0.0:
        return Interval(float(x[0]), float(x[0]))
    means = _resampled(sums, sizes, draws, np.random.default_rng(seed))
    low, high = np.quantile(means, [tail, 1.0 - tail])
    return Interval(float(low), float(high))


def _resampled(sums: Array, sizes: Array, draws: int, rng: np.random.Generator) -> Array:
    if draws < 1:
        raise InputError("at least one draw is needed", received=draws)
    n = len(sums)
    size = max(1, _CHUNK // n)
    parts = []
    for start in range(0, draws, size):
        chosen = rng.integers(0, n, (min(size, draws - start), n))
        parts.append(sums[chosen].sum(axis=1) / sizes[chosen].sum(axis=1))
    return np.concatenate(parts)


def _bca_shares(x: Array, mean: float, means: Array, shares: Array) -> Array:
    # Resampled means that equal the mean count half, so that a symmetric sample has no bias; the share is kept off
    # 0 and 1, where its normal score would be infinite.
    slack = 1e-12 * float(np.abs(x).max())
    below = float((means < mean - slack).mean() + 0.5 * (np.abs(means - mean) <= slack).mean())
    edge = 0.5 / len(means)
    z0 = float(ndtri(min(max(below, edge), 1.0 - edge)))
    u = x - mean  # the jackknife's deviations of a mean are these over n − 1, and the factor cancels
    acceleration = float((u**3).sum() / (6.0 * (u**2).sum() ** 1.5))
    shifted = z0 + ndtri(shares)
    return np.asarray(ndtr(z0 + shifted / (1.0 - acceleration * shifted)))
