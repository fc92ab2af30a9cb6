"""Levels of lines from differences of pairs, and how far each is off a smooth trend across lines."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.stats import chi2

__all__ = ["chance_of", "levels_of_pairs", "off_trend"]

Array = npt.NDArray[np.float64]


def levels_of_pairs(pairs: list[tuple[int, int, float, float]], n: int) -> tuple[Array, Array]:
    """Levels of n lines whose differences fit those of the pairs best; and their variances. NaN for what has no pair.

    A pair is two numbers, the level of the first less that of the second, and the standard error of that. What is odd
    about one line's ground enters all its pairs: its level's variance is half that of a difference.

    Examples
    --------
    >>> level, variance = levels_of_pairs([(0, 1, 2.0, 1.0), (1, 2, 1.0, 1.0), (0, 2, 3.0, 1.0)], 4)
    >>> (level - level[0]).round(6).tolist(), variance.round(6).tolist()
    ([0.0, -2.0, -3.0, nan], [0.5, 0.5, 0.5, nan])
    """
    level, variance = np.full(n, np.nan), np.full(n, np.nan)
    if not pairs:
        return level, variance
    i, j = np.array([pair[0] for pair in pairs]), np.array([pair[1] for pair in pairs])
    difference, square = np.array([pair[2] for pair in pairs]), np.array([pair[3] for pair in pairs]) ** 2
    square = np.maximum(square, 1e-12)
    rows = np.zeros((len(pairs), n))
    rows[np.arange(len(pairs)), i], rows[np.arange(len(pairs)), j] = 1.0, -1.0
    weight = 1.0 / np.sqrt(square)
    solved = np.linalg.lstsq(rows * weight[:, None], difference * weight, rcond=None)[0]
    count = np.bincount(np.concatenate([i, j]), minlength=n)
    known = count > 0
    level[known] = solved[known]
    half = np.bincount(np.concatenate([i, j]), np.concatenate([square, square]), n)
    variance[known] = 0.5 * half[known] / count[known]
    return level, variance


def off_trend(at: Array, level: Array, variance: Array, width: int) -> tuple[Array, Array]:
    """Levels less their trend across lines, and the covariance of that.

    The trend is a straight line through the nearest lines, `width` of them, with tricube weights; what is off it weighs
    less, and at first what is off the running median.

    Examples
    --------
    >>> away, _ = off_trend(np.arange(9.0), 3.0 + np.arange(9.0), np.ones(9), 5)
    >>> bool(np.abs(away).max() < 1e-9)
    True
    """
    n = len(level)
    smooth = np.zeros((n, n))
    nearest = [np.argsort(np.abs(at - own), kind="stable")[: min(width, n)] for own in at]
    trust = _trust(level - np.array([np.median(level[near]) for near in nearest]))
    for _ in range(5):
        for k, near in enumerate(nearest):
            offset = at[near] - at[k]
            reach = max(1.01 * float(np.abs(offset).max()), 1e-9)
            root = np.sqrt(trust[near] * (1 - (np.abs(offset) / reach) ** 3) ** 3)
            design = np.column_stack([np.ones(len(near)), offset]) * root[:, None]
            smooth[k, near] = np.linalg.lstsq(design, np.diag(root), rcond=None)[0][0]
        away = level - smooth @ level
        trust = _trust(away)
    keep = np.eye(n) - smooth
    return away, keep @ np.diag(variance) @ keep.T


def _trust(away: Array) -> Array:
    """Bisquare weights by distance from a trend, at 6 times its median: never nothing, so that a line can be laid."""
    scale = 6 * 1.4826 * float(np.median(np.abs(away)))
    if scale <= 0:
        return np.ones(len(away))
    return np.maximum(1e-3, (1 - np.minimum(np.abs(away) / scale, 1.0) ** 2) ** 2)


def chance_of(away: Array, covariance: Array) -> float:
    """Chance of values so far from zero, by χ² in what their covariance spans."""
    values, axes = np.linalg.eigh(covariance)
    real = values > 1e-6 * values.max()
    return float(chi2.sf(((axes.T @ away)[real] ** 2 / values[real]).sum(), int(real.sum())))
