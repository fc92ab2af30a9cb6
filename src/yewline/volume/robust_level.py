"""Where most of many differences lie, when a good part of them mean something else; and how sure that is."""

from __future__ import annotations

import warnings
from typing import Final

import numpy as np
import numpy.typing as npt

__all__ = ["common_difference"]

Array = npt.NDArray[np.float64]

_BISQUARE: Final = 4.685
"""Values farther off than so many standard deviations count for nothing (95 % efficient for normal errors)."""
_MEDIAN: Final = np.sqrt(0.5 * np.pi)
"""Standard error of a median, beside that of a mean: where a stretch is all of a piece."""
_ROUNDS: Final = 50
_FEWEST_GROUPS: Final = 3


def common_difference(values: Array, group: npt.NDArray[np.int64]) -> tuple[float, float]:
    """The difference that most depths share, and its standard error.

    Parameters
    ----------
    values : (B, Z) differences at places and depths; NaN where not known.
    group : (B,) number of the stretch of ground that each place belongs to: what lies in one is not independent.

    Returns
    -------
    Location and its standard error; NaN for both with fewer than three stretches.

    Notes
    -----
    The median over places is taken at each depth, which leaves little noise there; then the bisquare M-estimate over
    depths, from the mean of their shortest half, w wide. Its scale is the smaller of w/1.349 and the noise of a
    depth's median, by the scatter of the stretches' medians: where depths disagree by more, most of them are believed.
    Up to two fifths of the depths may be off all along the ground, and to the same side, or of the ground at all
    depths: they hardly move it. The error is √(π/2) s/√G, s the standard deviation over
    the G stretches of what each says by itself with the same weights.

    References
    ----------
    Rousseeuw & Leroy 1987, Robust Regression and Outlier Detection, ch. 4 (shortest half; named from memory).

    Examples
    --------
    >>> values = np.zeros((9, 10)) + np.linspace(-0.1, 0.1, 9)[:, None]
    >>> values[:, 6:] = 1.0
    >>> round(common_difference(values, np.arange(9))[0], 3)
    0.0
    """
    known = np.isfinite(values).any(axis=1)
    values, group = values[known], group[known]
    numbers = np.unique(group)
    if len(numbers) < _FEWEST_GROUPS:
        return np.nan, np.nan
    of_group = np.array([_median(values[group == number]) for number in numbers])
    noise = _median(1.4826 * np.abs(of_group - _median(of_group)))
    of_depth = _median(values)
    centre, weight = _centre(of_depth, _MEDIAN * float(_median(noise[:, None])[0]) / np.sqrt(len(numbers)))
    # Each stretch by itself, with the weights that depths were given.
    known = np.isfinite(of_group)
    level = np.where(known, weight * (np.nan_to_num(of_group) - np.nan_to_num(of_depth)), 0.0).sum(axis=1)
    total = (weight * known).sum(axis=1)
    level = level[total > 0] / total[total > 0]
    if len(level) < _FEWEST_GROUPS:
        return np.nan, np.nan
    return centre, float(_MEDIAN * level.std(ddof=1) / np.sqrt(len(level)))


def _median(values: Array) -> Array:
    """Median over the first axis of what is known; NaN where nothing is."""
    if not np.isnan(values).any():
        return np.asarray(np.median(values, axis=0))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        return np.asarray(np.nanmedian(values, axis=0))


def _centre(of_depth: Array, scale: float) -> tuple[float, Array]:
    """Bisquare M-estimate, and its weights: from the shortest half, at the smaller of its scale and the one given."""
    known = np.isfinite(of_depth)
    d = np.sort(of_depth[known])
    half = len(d) // 2 + 1
    width = d[half - 1 :] - d[: len(d) - half + 1]
    first = int(width.argmin())
    centre, scale = float(d[first : first + half].mean()), min(scale, float(width[first]) / 1.349)
    nearest = np.where(known, (np.nan_to_num(of_depth) >= d[first]) & (of_depth <= d[first + half - 1]), 0.0)
    for _ in range(_ROUNDS if scale > 0 else 0):
        u = np.where(known, (of_depth - centre) / (_BISQUARE * scale), np.inf)
        weight = np.where(np.abs(u) < 1, (1 - np.minimum(np.abs(u), 1.0) ** 2) ** 2, 0.0)
        if not weight.any():
            break
        before, nearest = centre, weight
        centre = float(weight[known] @ of_depth[known] / weight.sum())
        if abs(centre - before) < 1e-9 * scale:
            break
    return centre, nearest
