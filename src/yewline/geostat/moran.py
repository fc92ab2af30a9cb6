"""Moran's I: are values at neighbouring places more alike than chance would have them?"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.special import ndtr

from yewline._check import check_array, check_choice
from yewline.errors import InputError

__all__ = ["MoransI", "check_weights", "morans_i", "permuted"]

Array = npt.NDArray[np.float64]
Alternative = Literal["greater", "less", "two-sided"]

_CHUNK: Final = 2_000_000
_ROUNDING: Final = 1e-12


@dataclass(frozen=True, slots=True)
class MoransI:
    """What `morans_i` finds.

    Attributes
    ----------
    i : above `expected` where neighbours are alike (clustered), below where they differ (dispersed).
    expected : −1/(n − 1), its mean over arrangements of the values.
    variance : of I over arrangements, exact (randomisation, not normality).
    z : (I − expected) over the root of the variance.
    p_z : p-value of z by the normal distribution.
    p_permutation : p-value from arrangements drawn, (b + 1)/(m + 1); NaN if none were.
    alternative : "greater" (clustered), "less" (dispersed) or "two-sided"; of both p-values.
    """

    i: float
    expected: float
    variance: float
    z: float
    p_z: float
    p_permutation: float
    alternative: str


def morans_i(
    values: npt.ArrayLike,
    weights: sparse.csr_array,
    *,
    seed: int | np.random.Generator,
    permutations: int = 999,
    alternative: Alternative = "greater",
) -> MoransI:
    """Moran's I of values at places, tested against all arrangements of the same values among the places.

    Parameters
    ----------
    values : (n,) values at at least four places, not all equal.
    weights : (n, n) as of `neighbour_weights`; every place needs a neighbour.
    seed : integer or generator for the permutations.
    permutations : how many to draw; 0 leaves them out.
    alternative : whether likeness ("greater"), unlikeness ("less") or either is looked for.

    Raises
    ------
    InputError : all values are equal, there are fewer than four, or the weights do not fit or leave a place alone.

    Notes
    -----
    I = n/S₀ · Σᵢⱼ wᵢⱼ zᵢ zⱼ / Σᵢ zᵢ², with z the deviations from the mean and S₀ the sum of the weights. A small p
    says that the values are not placed at random. It does not say how far the likeness reaches; a variogram does.
    Two-sided permutation p-values count arrangements at least as far from the expected value.

    References
    ----------
    Moran 1950, Biometrika 37:17–23; Cliff & Ord 1981, Spatial Processes, §1.5 and 2.3 (variance).

    Examples
    --------
    >>> from yewline.geostat.neighbours import neighbour_weights
    >>> line = neighbour_weights([[i, 0] for i in range(8)], within_m=1.0)
    >>> found = morans_i([1, 1, 1, 1, 5, 5, 5, 5], line, seed=1)
    >>> round(found.i, 3), round(found.expected, 3), bool(found.p_permutation < 0.05)
    (0.75, -0.143, True)
    """
    check_choice(alternative, "alternative", ("greater", "less", "two-sided"))
    y = check_array(values, "values", ndim=1)
    w = check_weights(weights, len(y))
    n = len(y)
    if n < 4:
        raise InputError("there must be at least four values", received=n)
    z = y - y.mean()
    if np.ptp(y) == 0 or z @ z <= (_ROUNDING * np.abs(y).max()) ** 2 * n:
        raise InputError("the values are all equal", received=f"{y[0]:g}", do="without variation nothing can be alike")
    total = float(w.sum())
    scale = n / total / float(z @ z)
    observed = scale * float(z @ (w @ z))
    expected = -1.0 / (n - 1)
    variance = _variance(z, w, total)
    score = (observed - expected) / math.sqrt(variance)
    drawn = permuted(z, lambda many: scale * np.einsum("mn,nm->m", many, w @ many.T), permutations, seed)
    beyond = {
        "greater": drawn >= observed - _ROUNDING,
        "less": drawn <= observed + _ROUNDING,
        "two-sided": np.abs(drawn - expected) >= abs(observed - expected) - _ROUNDING,
    }[alternative]
    tail = {"greater": ndtr(-score), "less": ndtr(score), "two-sided": 2.0 * ndtr(-abs(score))}[alternative]
    p = (np.count_nonzero(beyond) + 1) / (permutations + 1) if permutations else math.nan
    return MoransI(observed, expected, variance, score, float(tail), p, alternative)


def permuted(
    values: Array, statistic: Callable[[Array], Array], permutations: int, seed: int | np.random.Generator
) -> Array:
    """A statistic of rearranged values.

    Parameters
    ----------
    values : (n,) what is rearranged.
    statistic : takes (k, n) arrangements and gives k of something.
    permutations : how many are drawn.
    seed : integer or generator.

    Examples
    --------
    >>> permuted(np.arange(3.0), lambda many: many.sum(axis=1), 2, seed=1).tolist()
    [3.0, 3.0]
    """
    if int(permutations) != permutations or permutations < 0:
        raise InputError("permutations must be a whole number of at least 0", received=permutations)
    source = np.random.default_rng(seed)
    step = max(1, _CHUNK // len(values))
    counts = [min(step, permutations - start) for start in range(0, permutations, step)]
    parts = [statistic(source.permuted(np.broadcast_to(values, (k, len(values))), axis=1)) for k in counts]
    return np.concatenate(parts) if parts else np.empty(0)


def check_weights(weights: Any, n: int) -> sparse.csr_array:
    """Return weights as a sparse array, refused if they do not fit `n` places, are negative or leave a place alone.

    Examples
    --------
    >>> check_weights([[0, 1], [1, 0]], 2).sum()
    np.float64(2.0)
    """
    w = sparse.csr_array(weights, dtype=np.float64)
    if w.shape != (n, n):
        raise InputError(f"weights must be {n} × {n}, one row and column a value", received=f"shape {w.shape}")
    if w.nnz and not (np.isfinite(w.data).all() and w.data.min() >= 0):
        raise InputError("weights must be finite and not negative", received=f"{w.data.min():g}")
    if w.diagonal().any():
        raise InputError("no place may be its own neighbour", received=f"{np.count_nonzero(w.diagonal())} that are")
    alone = np.flatnonzero(np.asarray(w.sum(axis=1)).ravel() == 0)
    if len(alone):
        raise InputError(
            "some places have no neighbour",
            received=f"{len(alone)} of {n}, the first is number {alone[0]}",
            do="leave them out, or give them the nearest places as neighbours",
        )
    return w


def _variance(z: Array, w: sparse.csr_array, s0: float) -> float:
    n = len(z)
    s1 = 0.5 * float(((w + w.T) ** 2).sum())
    s2 = float(((w.sum(axis=1) + w.sum(axis=0)) ** 2).sum())
    kurtosis = n * float((z**4).sum()) / float(z @ z) ** 2
    first = n * ((n * n - 3 * n + 3) * s1 - n * s2 + 3 * s0 * s0)
    second = kurtosis * ((n * n - n) * s1 - 2 * n * s2 + 6 * s0 * s0)
    return (first - second) / ((n - 1) * (n - 2) * (n - 3) * s0 * s0) - 1.0 / (n - 1) ** 2
