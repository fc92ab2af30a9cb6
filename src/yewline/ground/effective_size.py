"""How much correlated readings say: effective sizes of a mean and of a variance, and mixtures over likely models."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import brentq
from scipy.spatial.distance import cdist
from scipy.special import ndtr
from scipy.stats import chi2
from scipy.stats import t as student

from yewline._check import check_array
from yewline.errors import InputError
from yewline.geostat import VariogramModel, correlation
from yewline.statistics import Interval

__all__ = [
    "MeansUnderModels",
    "correlation_freedom",
    "correlation_tail",
    "crossing",
    "effective_size",
    "freedom_under_models",
    "means_under_models",
    "reading_covariances",
    "spread_form",
    "variance_freedom",
    "variance_interval",
]

Array = npt.NDArray[np.float64]


def effective_size(covariance: npt.ArrayLike, *, weights: npt.ArrayLike | None = None) -> float:
    """Number of independent readings whose mean would be as sure as that of these correlated ones.

    Parameters
    ----------
    covariance : (R, R) covariance of the readings, the same variance in all.
    weights : (R,) weights of the mean, that sum to one; by default those of generalised least squares.

    Returns
    -------
    n_eff = sill / Var(mean).

    Raises
    ------
    InputError : a matrix that is not square, or not positive definite.

    Notes
    -----
    Var(mean) = wᵀKw, and 1/(1ᵀK⁻¹1) for generalised least squares, the smallest of all.

    References
    ----------
    Cressie 1993, Statistics for Spatial Data, §1.3; Griffith 2005, Annals of the AAG 95:740-760.

    Examples
    --------
    >>> round(effective_size([[1.0, 0.5], [0.5, 1.0]]), 6)
    1.333333
    """
    k = check_array(covariance, "covariance", ndim=2)
    if k.shape[0] != k.shape[1]:
        raise InputError("a covariance must be square", received=f"shape {k.shape}")
    if weights is None:
        return float(k[0, 0] * cho_solve(_factor(k), np.ones(len(k))).sum())
    w = check_array(weights, "weights", ndim=1)
    return float(k[0, 0] / (w @ k @ w))


def variance_freedom(form: Array, covariance: Array) -> float:
    """Degrees of freedom of the variance estimate zᵀAz (A annuls the mean) from readings with a covariance.

    Notes
    -----
    E = tr(AK) and Var = 2 tr(AKAK) for Gaussian readings, so zᵀAz is nearly E χ²(ν)/ν with ν = tr(AK)² / tr(AKAK).

    References
    ----------
    Satterthwaite 1946, Biometrics Bulletin 2:110-114; Box 1954, Ann. Math. Stat. 25:290-302.

    Examples
    --------
    >>> round(variance_freedom(spread_form(np.full(5, 0.2)), np.eye(5)), 9)
    4.0
    """
    product = form @ covariance
    return float(np.trace(product) ** 2 / np.sum(product * product.T))


def freedom_under_models(form: Array, xy: Array, models: Sequence[VariogramModel], *, own_error_sd: float) -> Array:
    """Degrees of freedom of zᵀAz under each of several models, (K,)."""
    covariances = reading_covariances(xy, models, own_error_sd=own_error_sd)
    return np.array([variance_freedom(form, covariance) for covariance in covariances])


def correlation_freedom(
    form: Array,
    xy: Array,
    models: Sequence[VariogramModel],
    others: Sequence[VariogramModel],
    *,
    own_error_sd: float = 0.0,
) -> Array:
    """Degrees of freedom of the correlation between two autocorrelated fields, under each pair of models, (K,).

    Notes
    -----
    Var(r) = tr(AK₁AK₂)/(tr(AK₁) tr(AK₂)) where the fields are independent, n_eff = 1 + 1/Var(r), and n_eff − 2 are
    left, here no fewer than a half. Models of both fields are drawn independently, so they are paired in order.

    References
    ----------
    Clifford, Richardson & Hémon 1989, Biometrics 45:123-134; Dutilleul 1993, Biometrics 49:305-314.

    Examples
    --------
    >>> white = VariogramModel("spherical", 1.0, 0.1)
    >>> line = np.column_stack([np.arange(12.0), np.zeros(12)])
    >>> correlation_freedom(spread_form(np.full(12, 1 / 12)), line, [white], [white]).round(9).tolist()
    [10.0]
    """
    found = []
    pairs = (reading_covariances(xy, each, own_error_sd=own_error_sd) for each in (models, others))
    for covariance, other in zip(*pairs, strict=True):
        a, b = form @ covariance, form @ other
        found.append(float(np.trace(a) * np.trace(b) / np.sum(a * b.T)) - 1.0)
    return np.maximum(np.array(found), 0.5)


def correlation_tail(r: float, freedom: Array) -> float:
    """Probability of a correlation below r where there is none, as a mixture over (K,) degrees of freedom."""
    bounded = min(max(r, -1.0 + 1e-15), 1.0 - 1e-15)
    return float(student.cdf(bounded * np.sqrt(freedom / (1.0 - bounded**2)), freedom).mean())


def variance_interval(variance: float, freedom: Array, confidence: float) -> Interval:
    """Interval of the expectation of a variance estimate that is E χ²(ν)/ν, as a mixture over (K,) freedoms.

    Examples
    --------
    >>> low, high = variance_interval(1.0, np.array([10.0]), 0.9)
    >>> round(low, 4), round(high, 4)
    (0.5462, 2.5379)
    """
    tail = 0.5 * (1.0 - confidence)

    def below(log_ratio: float) -> float:
        return float(chi2.cdf(freedom * math.exp(log_ratio), freedom).mean())

    return Interval(*(variance * math.exp(-crossing(below, share, -200.0, 10.0)) for share in (1.0 - tail, tail)))


def spread_form(weights: Array) -> Array:
    """The matrix A of the weighted variance zᵀAz = Σ wᵢ(zᵢ − z̄)² / (1 − Σ wᵢ²): with equal weights the usual one."""
    return np.asarray((np.diag(weights) - np.outer(weights, weights)) / (1.0 - weights @ weights))


def reading_covariances(xy: Array, models: Sequence[VariogramModel], *, own_error_sd: float) -> Iterator[Array]:
    """(R, R) covariance of readings under each model: the ground's, its nugget and each reading's own error."""
    distance = cdist(xy, xy)  # once for all models that are the same in every direction
    for model in models:
        if model.ratio == 1.0:
            covariance = model.partial_sill * correlation(distance / model.range_m, model.family)
        else:
            covariance = model.covariance(xy, xy)
        covariance[np.diag_indices_from(covariance)] += model.nugget + own_error_sd**2
        yield covariance


@dataclass(frozen=True, slots=True)
class MeansUnderModels:
    """A mean under each of several models: (K,) values, their standard deviations, and effective sizes."""

    value: Array
    sd: Array
    size: Array

    def interval(self, confidence: float) -> Interval:
        """Of the even mixture of normal distributions."""
        tail = 0.5 * (1.0 - confidence)
        reach = 10.0 * float(self.sd.max())
        low, high = float(self.value.min()) - reach, float(self.value.max()) + reach
        return Interval(*(crossing(self.below, share, low, high) for share in (tail, 1.0 - tail)))

    def below(self, value: float) -> float:
        """Probability that the mean lies below a value."""
        return float(ndtr((value - self.value) / self.sd).mean())


def means_under_models(
    xy: Array, values: Array, models: Sequence[VariogramModel], *, own_error_sd: float
) -> MeansUnderModels:
    """The mean of readings by generalised least squares under each model.

    Raises
    ------
    InputError : two readings share a place without nugget or error.
    """
    found = []
    for k in reading_covariances(xy, models, own_error_sd=own_error_sd):
        pull = cho_solve(_factor(k), np.ones(len(k)))
        total = float(pull.sum())
        found.append((float(pull @ values) / total, total**-0.5, k[0, 0] * total))
    return MeansUnderModels(*np.array(found).T)


def crossing(function: Callable[[float], float], level: float, low: float, high: float) -> float:
    """Where a function that is monotonic between two points takes a value."""
    return float(brentq(lambda at: function(at) - level, low, high, xtol=1e-12, rtol=1e-10))


def _factor(covariance: Array) -> tuple[Array, bool]:
    try:
        return cho_factor(covariance, lower=True)
    except np.linalg.LinAlgError as error:
        raise InputError(
            "two readings share a place, or nearly, and the model has neither nugget nor error",
            do="give the readings' error, or a model with a nugget",
        ) from error
