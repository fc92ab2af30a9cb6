"""Kriging that does not take the variogram for known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri

from yewline._check import check_array, check_in_range
from yewline.geostat.kriging import krige
from yewline.geostat.posterior import VariogramPosterior

__all__ = ["PosteriorEstimate", "krige_posterior"]

Array = npt.NDArray[np.float64]

_HALVINGS: Final = 30
# Estimates of all nodes at once are held for this many points.
_BLOCK: Final = 20_000


@dataclass(frozen=True, slots=True)
class PosteriorEstimate:
    """A field estimated under every variogram that readings allow.

    Attributes
    ----------
    estimate, variance : (M,) mean and variance of the mixture.
    low, high : (M,) ends of the interval that was asked for; None if none was.
    """

    estimate: Array
    variance: Array
    low: Array | None = None
    high: Array | None = None


def krige_posterior(
    xy: npt.ArrayLike,
    values: npt.ArrayLike,
    at: npt.ArrayLike,
    *,
    posterior: VariogramPosterior,
    error_sd: float | npt.ArrayLike = 0.0,
    level: float | None = None,
) -> PosteriorEstimate:
    """Estimate the field at points from scattered readings, the variogram's own uncertainty included.

    Parameters
    ----------
    xy, values, at : as in `krige`.
    posterior : of the variogram, inferred from the same readings.
    error_sd : as in `krige`, and the same that the posterior was inferred with.
    level : probability of an interval at each point, between 0.5 and 0.999; without it none is computed, which takes
        longer than the estimate.

    Returns
    -------
    Estimate and variance of the true field (nugget included, the readings' errors not), and the interval.

    Raises
    ------
    InputError : as `krige`, or a level out of bounds.

    Notes
    -----
    With m_k, s_k² the ordinary kriging estimate and variance under node k of weight w_k: the estimate is Σ w_k m_k, the
    variance Σ w_k s_k² (within) + Σ w_k (m_k − m)² (between). The interval's ends are quantiles of the mixture of
    normal distributions; the nodes differ in their sills too, which gives the mixture its longer tails.

    References
    ----------
    Handcock & Stein 1993, Technometrics 35:403-410.

    Examples
    --------
    >>> from yewline.geostat import variogram_posterior
    >>> xy = np.column_stack([np.arange(12.0), np.zeros(12)])
    >>> z = np.sin(xy[:, 0] / 3)
    >>> found = krige_posterior(xy, z, [[5.5, 0.0]], posterior=variogram_posterior(xy, z), level=0.9)
    >>> bool(found.low[0] < np.sin(5.5 / 3) < found.high[0])
    True
    """
    points = check_array(at, "at", ndim=2)
    if level is not None:
        check_in_range(level, "level", 0.5, 0.999)
    nodes, weights = posterior.models, posterior.weights
    parts = []
    for start in range(0, len(points), _BLOCK):
        block = points[start : start + _BLOCK]
        mean, variance = np.stack([krige(xy, values, block, model=m, error_sd=error_sd) for m in nodes], axis=1)
        estimate = weights @ mean
        total = weights @ (variance + (mean - estimate) ** 2)
        ends = [] if level is None else _quantiles(mean, np.sqrt(variance), weights, level)
        parts.append([estimate, total, *ends])
    return PosteriorEstimate(*(np.concatenate(part) for part in zip(*parts, strict=True)))


def _quantiles(mean: Array, sd: Array, weights: Array, level: float) -> list[Array]:
    """Ends (points,) of the interval of a mixture (nodes, points) of normal distributions."""
    ends = []
    # A node of no spread is a step; the smallest number keeps it one.
    sd = np.maximum(sd, np.finfo(np.float64).tiny)
    for probability in (0.5 - level / 2.0, 0.5 + level / 2.0):
        # The mixture's quantile lies between the least and the greatest of its nodes' own.
        own = mean + sd * float(ndtri(probability))
        low, high = own.min(axis=0), own.max(axis=0)
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            short = weights @ ndtr((middle - mean) / sd) < probability
            low, high = np.where(short, middle, low), np.where(short, high, middle)
        ends.append(0.5 * (low + high))
    return ends
