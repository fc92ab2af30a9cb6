"""How well a variogram model explains readings: the likelihood of what is left when their mean is taken away."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.linalg import solve_triangular

from yewline._check import check_array
from yewline.errors import InputError
from yewline.geostat.covariance import VariogramModel

__all__ = ["Readings", "Spectrum", "check_readings", "log_likelihood", "restricted_log_likelihood", "without_mean"]

Array = npt.NDArray[np.float64]

_FEWEST: Final = 8
# Readings whose second axis is this much shorter than their first lie on one line.
_LINE: Final = 1e-6


@dataclass(frozen=True, slots=True)
class Readings:
    """Scattered readings that a variogram can be inferred from.

    Attributes
    ----------
    xy : (R, 2) places, m.
    values : (R,) readings.
    error_variance : (R,) variance of each reading's own error.
    """

    xy: Array
    values: Array
    error_variance: Array

    @property
    def repeats(self) -> int:
        """Number of readings at a place that an earlier one has."""
        return len(self.xy) - len(np.unique(self.xy, axis=0))

    @property
    def on_one_line(self) -> bool:
        """Whether all places lie on one straight line, which leaves every other direction unknown."""
        first, second = np.linalg.svd(self.xy - self.xy.mean(axis=0), compute_uv=False)
        return bool(second < _LINE * first)

    @property
    def sound(self) -> Readings:
        """The readings without those whose error is more than three times the median one, if enough are left."""
        kept = self.error_variance <= 9.0 * np.median(self.error_variance)
        if np.count_nonzero(kept) < _FEWEST or np.ptp(self.values[kept]) == 0:
            return self
        return Readings(self.xy[kept], self.values[kept], self.error_variance[kept])

    def distances(self) -> Array:
        """(R, R) distances, m."""
        x, y = self.xy.T
        return np.hypot(x[:, None] - x, y[:, None] - y)

    def range_bounds(self, longest_range_m: float | None) -> tuple[float, float]:
        """The practical ranges that the readings could tell from none and from endless ones, m.

        The shorter bound is half the distance that one in ten readings have their nearest neighbour within: a practical
        range below it is seen by hardly any pair. The longer is four times the greatest distance, or what is given.
        """
        apart = self.distances()
        nearest = np.where(apart > 0, apart, np.inf).min(axis=1)
        shortest = 0.5 * float(np.quantile(nearest, 0.1))
        longest = 4.0 * float(apart.max()) if longest_range_m is None else longest_range_m
        if longest <= shortest:
            raise InputError(
                "longest_range_m lies below what the readings can tell",
                received=longest,
                do=f"give more than {shortest:g} m, half the distance between neighbours",
            )
        return shortest, longest


def check_readings(xy: npt.ArrayLike, values: npt.ArrayLike, error_sd: float | npt.ArrayLike) -> Readings:
    """Readings fit for inferring a variogram, or the reason why they are not."""
    places = check_array(xy, "xy", ndim=2)
    z = check_array(values, "values", ndim=1)
    if places.shape != (len(z), 2):
        raise InputError("there must be one place (x, y) for each value", received=f"{places.shape} for {len(z)}")
    error = np.asarray(error_sd, dtype=np.float64)
    if error.shape not in ((), (len(z),)):
        raise InputError("error_sd must be one number, or one for each reading", received=f"shape {error.shape}")
    if not (np.isfinite(error).all() and (error >= 0).all()):
        raise InputError("error_sd must be finite and not negative", received=f"{np.min(error):g}")
    if len(z) < _FEWEST:
        raise InputError(
            f"inferring a variogram needs at least {_FEWEST} readings",
            received=len(z),
            do="take more readings, or assume a variogram and say so",
        )
    if np.ptp(z) == 0:
        raise InputError("the readings do not differ: there is no variogram to infer", received=f"all {z[0]:g}")
    if not np.ptp(places, axis=0).any():
        raise InputError("all readings lie at one place", do="a variogram needs readings at different places")
    return Readings(places, z, np.broadcast_to(error**2, z.shape).copy())


def restricted_log_likelihood(
    xy: npt.ArrayLike, values: npt.ArrayLike, *, model: VariogramModel, error_sd: float | npt.ArrayLike = 0.0
) -> float:
    """Logarithm of the likelihood of a variogram model, the unknown mean of the field integrated out (REML).

    Parameters
    ----------
    xy : (R, 2) places, m; at least eight.
    values : (R,) readings.
    model : variogram of the true field.
    error_sd : standard deviation of the readings' own independent errors; one number, or (R,).

    Returns
    -------
    Logarithm of the density of R − 1 orthonormal contrasts of the readings, whichever they are.

    Raises
    ------
    InputError : fewer than eight readings, all equal or at one place, or two that the model cannot tell apart.

    Notes
    -----
    With K the covariance of the readings, errors included, and m = (1ᵀK⁻¹z)/(1ᵀK⁻¹1), it is
    −½ [(R − 1) ln 2π + ln|K| + ln(1ᵀK⁻¹1) − ln R + (z − m)ᵀK⁻¹(z − m)].

    References
    ----------
    Patterson & Thompson 1971, Biometrika 58:545-554; Harville 1974, Biometrika 61:383-385 (the same likelihood with
    the mean integrated out).

    Examples
    --------
    >>> import numpy as np
    >>> noise = VariogramModel("exponential", partial_sill=0.0, range_m=1.0, nugget=1.0)
    >>> xy = np.column_stack([np.arange(9.0), np.zeros(9)])
    >>> round(restricted_log_likelihood(xy, np.arange(9.0), model=noise), 6)
    -37.351508
    """
    return log_likelihood(check_readings(xy, values, error_sd), model)


def log_likelihood(readings: Readings, model: VariogramModel) -> float:
    """`restricted_log_likelihood` of readings that are checked."""
    n = len(readings.values)
    covariance = model.covariance(readings.xy, readings.xy)
    covariance[np.diag_indices(n)] += model.nugget + readings.error_variance
    try:
        factor = np.linalg.cholesky(covariance)
    except np.linalg.LinAlgError as error:
        raise InputError(
            "the readings cannot be told apart by the variogram",
            do="give the model a nugget or the readings an error, or drop repeated readings",
        ) from error
    one, z = solve_triangular(factor, np.column_stack([np.ones(n), readings.values]), lower=True).T
    total = float(one @ one)
    left = z - (one @ z) / total * one
    spread = 2.0 * float(np.log(np.diagonal(factor)).sum()) + math.log(total / n)
    return -0.5 * ((n - 1) * math.log(2.0 * math.pi) + spread + float(left @ left))


def without_mean(values: Array) -> Array:
    """(R − 1, …) orthonormal contrasts of the rows of (R, …): what is left when the mean is not known.

    They come from the reflection that turns the mean into the first axis, so none of them has to be stored.
    """
    n = len(values)
    mirror = np.full(n, 1.0 / math.sqrt(n))
    mirror[0] -= 1.0
    mirror /= np.linalg.norm(mirror)
    return np.asarray(values - 2.0 * np.multiply.outer(mirror, mirror @ values))[1:]


@dataclass(frozen=True, slots=True)
class Spectrum:
    """Contrasts of readings in the axes in which a correlation is diagonal: any sill and nugget then cost R steps.

    Attributes
    ----------
    variance : (R − 1,) variance of each contrast under the correlation with sill one.
    power : (R − 1, draws) squares of the contrasts of each set of readings.
    """

    variance: Array
    power: Array

    @classmethod
    def of(cls, correlation: Array, values: Array) -> Spectrum:
        """Of a correlation (R, R) between the places, and readings (R, draws)."""
        variance, axes = np.linalg.eigh(without_mean(without_mean(correlation).T))
        return cls(np.maximum(variance, 0.0), (axes.T @ without_mean(values)) ** 2)

    def shape(self, nugget_share: npt.ArrayLike) -> Array:
        """(…, R − 1) variance of the contrasts when the sill is one and the nugget has a share in it."""
        share = np.asarray(nugget_share, dtype=np.float64)[..., None]
        return (1.0 - share) * self.variance + share

    def log_likelihood(self, shape: Array, sill: Array, error_variance: float) -> Array:
        """(sills,) restricted log-likelihood of the first set of readings, for one shape (R − 1,) and some sills."""
        spread = np.multiply.outer(sill, shape)
        spread += error_variance
        fit = (1.0 / spread) @ self.power[:, 0]
        np.log(spread, out=spread)
        return np.asarray(-0.5 * (len(shape) * math.log(2.0 * math.pi) + spread.sum(axis=1) + fit))
