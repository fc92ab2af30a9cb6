"""Permutation tests of two samples and of paired differences, exact where the arrangements can all be listed."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_choice
from yewline.errors import InputError

__all__ = ["EXACT_LIMIT", "Alternative", "PermutationTest", "monte_carlo_p", "sign_flip", "two_sample"]

Alternative = Literal["two-sided", "greater", "less"]
Array = npt.NDArray[np.float64]

EXACT_LIMIT = 2**14
"""Up to so many arrangements all are listed; above, they are drawn."""

_CHUNK = 2**20  # numbers held at a time while arrangements are drawn: 8 MB


@dataclass(frozen=True, slots=True)
class PermutationTest:
    """What a permutation test gives.

    Attributes
    ----------
    statistic : the observed difference of means, or mean of the paired differences.
    p : its p-value.
    smallest_p : the smallest p that data of this size could give.
    exact : whether all arrangements were listed.
    arrangements : how many were listed, or drawn.
    """

    statistic: float
    p: float
    smallest_p: float
    exact: bool
    arrangements: int


def monte_carlo_p(at_least_as_extreme: int, draws: int) -> float:
    """p-value from random draws: (b + 1)/(m + 1), which is never zero.

    The observed arrangement counts as one of those that chance could have given; b/m alone rejects too often.

    Parameters
    ----------
    at_least_as_extreme : b, draws at least as extreme as the observation.
    draws : m.

    Raises
    ------
    InputError : b is negative or above m.

    References
    ----------
    Phipson, B. & Smyth, G. K. 2010. Stat. Appl. Genet. Mol. Biol. 9, article 39.

    Examples
    --------
    >>> monte_carlo_p(0, 999)
    0.001
    """
    if not 0 <= at_least_as_extreme <= draws:
        raise InputError("the count must lie between 0 and the draws", received=f"{at_least_as_extreme} of {draws}")
    return (at_least_as_extreme + 1) / (draws + 1)


def two_sample(
    first: npt.ArrayLike,
    second: npt.ArrayLike,
    *,
    seed: int | np.random.Generator,
    draws: int = 9_999,
    alternative: Alternative = "two-sided",
) -> PermutationTest:
    """Test whether two samples differ in their mean, by dealing their values anew.

    Parameters
    ----------
    first, second : (n,), (m,) values.
    seed : of the draws; not used where all arrangements are listed.
    draws : arrangements drawn where there are more than `EXACT_LIMIT`.
    alternative : of mean(first) − mean(second).

    Returns
    -------
    PermutationTest

    Raises
    ------
    InputError : a sample is empty or not finite.

    References
    ----------
    Fisher, R. A. 1935. The Design of Experiments. Efron, B. & Tibshirani, R. 1993. An Introduction to the
    Bootstrap, ch. 15. Phipson & Smyth 2010 for the drawn p-value.

    Examples
    --------
    >>> test = two_sample([1, 1, 1, 1], [0, 0, 0, 0], seed=1, alternative="greater")
    >>> test.exact, round(test.p * 70)
    (True, 1)
    """
    a = check_array(first, "first sample", ndim=1)
    b = check_array(second, "second sample", ndim=1)
    check_choice(alternative, "alternative", ("two-sided", "greater", "less"))
    pooled = np.concatenate([a, b])
    count, n = len(pooled), len(a)
    observed = float(a.mean() - b.mean())
    arrangements = math.comb(count, n)
    total = float(pooled.sum())
    if arrangements <= EXACT_LIMIT:
        chosen = np.array(list(itertools.combinations(range(count), n)), dtype=np.intp)
        sums = pooled[chosen].sum(axis=1)
        exact = True
    else:
        rng = np.random.default_rng(seed)
        sums = np.concatenate(
            [rng.permuted(np.tile(pooled, (size, 1)), axis=1)[:, :n].sum(axis=1) for size in _chunks(draws, count)]
        )
        exact = False
    statistic = sums / n - (total - sums) / len(b)
    scale = float(np.abs(pooled - total / count).max())
    # With equal samples the mirrored arrangement is as extreme, so two-sided p cannot fall to one arrangement.
    twins = 2 if alternative == "two-sided" and n == len(b) else 1
    return _judge(statistic, observed, alternative, exact=exact, floor=twins / arrangements, scale=scale)


def sign_flip(
    difference: npt.ArrayLike,
    *,
    seed: int | np.random.Generator,
    blocks: npt.ArrayLike | None = None,
    draws: int = 9_999,
    alternative: Alternative = "two-sided",
) -> PermutationTest:
    """Test whether paired differences have mean zero, by flipping their signs; whole blocks flip together.

    Pairs that are not independent of one another belong to one block. Blocks whose differences add up to zero
    change nothing when flipped, and do not count toward the smallest p.

    Parameters
    ----------
    difference : (n,) paired differences.
    seed : of the draws; not used where all arrangements are listed.
    blocks : (n,) label of each pair's block; each pair its own where None.
    draws : arrangements drawn where there are more than `EXACT_LIMIT`.
    alternative : of the mean difference.

    Returns
    -------
    PermutationTest : `smallest_p` is 2/2^k (two-sided; 1/2^k one-sided) for k blocks that are not zero, and at least
        1/(m + 1) where m arrangements were drawn.

    Raises
    ------
    InputError : no differences, values that are not finite, or labels that do not fit.

    References
    ----------
    Fisher, R. A. 1935. The Design of Experiments, §21. Winkler, A. M. et al. 2014. NeuroImage 92, 381–397
    (exchangeability blocks). Phipson & Smyth 2010 for the drawn p-value.

    Examples
    --------
    >>> test = sign_flip([0.2, 0.1, 0.3, 0.4], seed=1)
    >>> test.p, test.smallest_p
    (0.125, 0.125)
    >>> sign_flip([0.2, 0.1, 0.3, 0.4], blocks=[0, 0, 1, 1], seed=1).p
    0.5
    """
    values = check_array(difference, "difference", ndim=1)
    check_choice(alternative, "alternative", ("two-sided", "greater", "less"))
    sums = _block_sums(values, blocks)
    scale = float(np.abs(values).max())
    moving = sums[np.abs(sums) > 1e-12 * scale]
    k = len(moving)
    observed = float(moving.sum())
    floor = min(1.0, (2.0 if alternative == "two-sided" else 1.0) / 2.0**k)
    if 2**k <= EXACT_LIMIT:
        bits = (np.arange(2**k)[:, None] >> np.arange(k)[None, :]) & 1
        totals = (1.0 - 2.0 * bits) @ moving if k else np.zeros(1)
        exact = True
    else:
        rng = np.random.default_rng(seed)
        totals = np.concatenate([(1.0 - 2.0 * rng.integers(0, 2, (size, k))) @ moving for size in _chunks(draws, k)])
        exact = False
    n = len(values)
    return _judge(totals / n, observed / n, alternative, exact=exact, floor=floor, scale=scale)


def _block_sums(values: Array, blocks: npt.ArrayLike | None) -> Array:
    if blocks is None:
        return values
    labels = np.asarray(blocks)
    if labels.shape != values.shape:
        raise InputError("blocks must hold one label a difference", received=f"{labels.shape} for {values.shape}")
    _, index = np.unique(labels, return_inverse=True)
    return np.asarray(np.bincount(index, weights=values), dtype=np.float64)


def _chunks(draws: int, width: int) -> list[int]:
    if draws < 1:
        raise InputError("at least one draw is needed", received=draws)
    size = max(1, _CHUNK // max(width, 1))
    return [min(size, draws - start) for start in range(0, draws, size)]


def _judge(
    statistic: Array, observed: float, alternative: Alternative, *, exact: bool, floor: float, scale: float
) -> PermutationTest:
    # Arrangements that equal the observed one must count as equal, whatever the order of summation.
    slack = 1e-10 * scale
    if alternative == "two-sided":
        extreme = int((np.abs(statistic) >= abs(observed) - slack).sum())
    elif alternative == "greater":
        extreme = int((statistic >= observed - slack).sum())
    else:
        extreme = int((statistic <= observed + slack).sum())
    m = len(statistic)
    p = extreme / m if exact else monte_carlo_p(extreme, m)
    smallest = floor if exact else max(floor, 1.0 / (m + 1))
    return PermutationTest(statistic=observed, p=p, smallest_p=smallest, exact=exact, arrangements=m)
