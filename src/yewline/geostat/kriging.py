"""Ordinary kriging: the best unbiased weighted mean of readings, and how far it may be off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.linalg import solve_triangular
from scipy.linalg.blas import dtrmm

from yewline._check import check_array
from yewline.errors import InputError
from yewline.geostat.covariance import VariogramModel

__all__ = ["krige", "krige_weights"]

Array = npt.NDArray[np.float64]

# Covariances held at once: 100,000 doubles stay in a core's own cache.
_BLOCK: Final = 100_000
_SMALLEST_PIVOT: Final = 1e-12


def krige(
    xy: npt.ArrayLike,
    values: npt.ArrayLike,
    at: npt.ArrayLike,
    *,
    model: VariogramModel,
    error_sd: float | npt.ArrayLike = 0.0,
) -> tuple[Array, Array]:
    """Estimate the field at points from scattered readings, with the variance of the estimate.

    Parameters
    ----------
    xy : (R, 2) places of the readings, m. Readings may share a place if there is a nugget or an error.
    values : (R,) readings.
    at : (M, 2) where to estimate, m.
    model : variogram of the true field.
    error_sd : standard deviation of the readings' own independent errors; one number, or (R,).

    Returns
    -------
    estimate, variance : (M,) each. The variance is that of the true field (nugget included, the readings' errors not)
        about the estimate; that the model itself is estimated is not in it.

    Raises
    ------
    InputError : shapes do not fit, or two readings share a place without nugget or error.

    Notes
    -----
    With K the covariance of the readings and c that between readings and a point, m = (1ᵀK⁻¹z)/(1ᵀK⁻¹1) is the mean,
    the estimate m + cᵀK⁻¹(z − m) and the variance C(0) − cᵀK⁻¹c + (1 − 1ᵀK⁻¹c)²/(1ᵀK⁻¹1). K = LLᵀ is factorised once;
    points are worked through in blocks, so that memory does not grow with their number. The nugget counts as structure
    finer than a step: a point on a reading is estimated as its near neighbours are, so that a map has no spikes.
    Without nugget and error the estimate at a reading is the reading. A single reading is repeated everywhere, with
    the variance 2(C(0) − c) that this has.

    References
    ----------
    Isaaks & Srivastava 1989, An Introduction to Applied Geostatistics, ch. 12; Cressie 1993, Statistics for Spatial
    Data, §3.2 (readings with errors).

    Examples
    --------
    >>> model = VariogramModel("exponential", partial_sill=1.0, range_m=10.0)
    >>> estimate, variance = krige([[0, 0], [8, 0]], [1.0, 3.0], [[0, 0], [4, 0]], model=model)
    >>> estimate.round(9).tolist(), variance.round(3).tolist()
    ([1.0, 2.0], [0.0, 0.943])
    """
    z = check_array(values, "values", ndim=1)
    system = _factorise(xy, model, error_sd, len(z))
    points = _points(at, "at")
    ones = system.whiten(np.ones(len(z)))
    total = float(ones @ ones)
    readings = system.whiten(z)
    mean = float(ones @ readings) / total
    anomaly = readings - mean * ones
    estimate = np.empty(len(points))
    variance = np.empty(len(points))
    step = max(1, _BLOCK // len(z))
    for start in range(0, len(points), step):
        block = slice(start, start + step)
        # Points by readings in rows is readings by points in columns, the order in which the product works in place.
        covariance = model.covariance(points[block], system.xy).T
        white = dtrmm(1.0, system.inverse, covariance, lower=1, overwrite_b=1)
        estimate[block] = mean + anomaly @ white
        short = 1.0 - ones @ white
        variance[block] = model.sill - np.einsum("ij,ij->j", white, white) + short**2 / total
    return estimate, np.maximum(variance, 0.0)


def krige_weights(
    xy: npt.ArrayLike, at: npt.ArrayLike, *, model: VariogramModel, error_sd: float | npt.ArrayLike = 0.0
) -> tuple[Array, Array]:
    """The weights that `krige` gives to each reading, and the Lagrange multiplier.

    Parameters
    ----------
    xy, at, model, error_sd : as in `krige`.

    Returns
    -------
    weights : (R, M), each column sums to one; weights may be negative.
    lagrange : (M,) the μ of K·w + μ = c, so that the variance is C(0) − wᵀc − μ.

    Examples
    --------
    >>> model = VariogramModel("exponential", partial_sill=1.0, range_m=10.0)
    >>> weights, lagrange = krige_weights([[0, 0], [8, 0]], [[4, 0]], model=model)
    >>> weights.round(9).tolist()
    [[0.5], [0.5]]
    """
    places = _points(xy, "xy")
    system = _factorise(places, model, error_sd, len(places))
    white = system.inverse @ model.covariance(places, _points(at, "at"))
    ones = system.whiten(np.ones(len(places)))
    lagrange = (ones @ white - 1.0) / float(ones @ ones)
    return system.inverse.T @ (white - np.outer(ones, lagrange)), lagrange


@dataclass(frozen=True, slots=True)
class _System:
    xy: Array
    inverse: Array
    """L⁻¹, the inverse of the Cholesky factor of the readings' covariance."""

    def whiten(self, values: Array) -> Array:
        return np.asarray(self.inverse @ values)


def _factorise(xy: npt.ArrayLike, model: VariogramModel, error_sd: float | npt.ArrayLike, n: int) -> _System:
    places = _points(xy, "xy")
    if len(places) != n:
        raise InputError("there must be one value for each place", received=f"{n} values for {len(places)} places")
    error = np.asarray(error_sd, dtype=np.float64)
    if error.shape not in ((), (n,)):
        raise InputError("error_sd must be one number, or one for each reading", received=f"shape {error.shape}")
    if not (np.isfinite(error).all() and (error >= 0).all()):
        raise InputError("error_sd must be finite and not negative", received=f"{np.min(error):g}")
    covariance = model.covariance(places, places)
    covariance[np.diag_indices(n)] += model.nugget + error**2
    try:
        factor = np.linalg.cholesky(covariance)
    except np.linalg.LinAlgError:
        factor = np.zeros_like(covariance)
    # Rounding can let a singular matrix through with a pivot of nearly nothing.
    if np.diagonal(factor).min() ** 2 < _SMALLEST_PIVOT * model.sill:
        raise InputError(
            "the readings cannot be told apart by the variogram",
            received=_nearest_pair(places),
            do="give the model a nugget or the readings an error, or drop repeated readings",
        )
    return _System(places, np.asfortranarray(solve_triangular(factor, np.eye(n), lower=True)))


def _nearest_pair(places: Array) -> str:
    order = np.lexsort(places.T)
    gap = np.hypot(*np.diff(places[order], axis=0).T)
    x, y = places[order[int(gap.argmin())]]
    return f"two of them {gap.min():g} m apart at ({x:g}, {y:g})"


def _points(xy: npt.ArrayLike, name: str) -> Array:
    places = check_array(xy, name, ndim=2)
    if places.shape[1] != 2:
        raise InputError(f"{name} must be (n, 2) in the order x, y", received=f"shape {places.shape}")
    return places
