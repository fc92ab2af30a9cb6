"""The Matérn family of correlation, which seismology and scattering theory know as von Kármán's.

It stands apart from `covariance.FAMILIES`: there a family is chosen for readings, and too few readings lie close enough
to each other to tell a smoothness from a nugget. Here the smoothness is a choice of the person who builds a ground.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from yewline._check import check_choice, check_in_range, check_positive
from yewline.errors import InputError

__all__ = ["SMOOTHNESS_BOUNDS", "matern_correlation", "matern_length"]

Array = npt.NDArray[np.float64]

SMOOTHNESS_BOUNDS: Final = (0.2, 50.0)
"""Least and greatest smoothness. Below, most of the variance would lie in wavelengths far finer than a grain of soil;
above, the field cannot be told from the Gaussian family."""

# All families of the package share one value at the practical range: e⁻³ = 0.0498, the "0.05" of the trade.
_LOG_AT_RANGE: Final = -3.0

MaternConvention = Literal["plain", "karman", "gstools"]
_CONVENTIONS: Final = ("plain", "karman", "gstools")


def matern_correlation(distance_over_range: npt.ArrayLike, smoothness: float) -> Array:
    """Matérn (von Kármán) correlation at a distance given in units of the practical range.

    Parameters
    ----------
    distance_over_range : any shape, ≥ 0.
    smoothness : ν, within `SMOOTHNESS_BOUNDS`. 0.5 is the exponential family; the Gaussian is the limit of large ν.
        Von Kármán's Hurst number is the same ν.

    Returns
    -------
    Same shape, from 1 at distance zero towards 0; e⁻³ = 0.0498 at distance 1.

    Raises
    ------
    InputError : a distance is negative or not finite, or the smoothness is out of bounds.

    Notes
    -----
    ρ = 2^{1−ν}/Γ(ν) · z^ν K_ν(z), with z = z₃ · distance/range and z₃ the root of ρ(z₃) = e⁻³, found numerically once
    for each ν.

    References
    ----------
    Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, eq. 4.14. von Kármán 1948, Proc. Natl. Acad.
    Sci. 34:530-539 (the same function, for turbulence).

    Examples
    --------
    >>> matern_correlation([0.0, 0.5, 1.0], 0.5).round(4).tolist()
    [1.0, 0.2231, 0.0498]
    """
    nu = check_in_range(smoothness, "smoothness", *SMOOTHNESS_BOUNDS)
    r = np.asarray(distance_over_range, dtype=np.float64)
    good = np.isfinite(r) & (r >= 0)
    if not good.all():
        raise InputError("distances must be finite and not negative", received=float(r[~good].flat[0]))
    return np.exp(_log_correlation(np.asarray(_argument_at_range(nu) * r), nu))


def matern_length(range_m: float, smoothness: float, convention: MaternConvention) -> float:
    """The length that another convention writes for a Matérn model with a practical range of `range_m`.

    Parameters
    ----------
    range_m : practical range, m.
    smoothness : ν, within `SMOOTHNESS_BOUNDS`.
    convention : how the argument z of the correlation is written with that length: "plain" is √(2ν)·h/ℓ (the usual one
        of statistics), "karman" is h/a (the usual one of scattering theory), "gstools" is √ν·h/ℓ.

    Examples
    --------
    >>> round(matern_length(3.0, 0.5, "plain"), 9), round(matern_length(3.0, 0.5, "karman"), 9)
    (1.0, 1.0)
    """
    nu = check_in_range(smoothness, "smoothness", *SMOOTHNESS_BOUNDS)
    check_choice(convention, "convention", _CONVENTIONS)
    factor = {"plain": math.sqrt(2.0 * nu), "karman": 1.0, "gstools": math.sqrt(nu)}[convention]
    return check_positive(range_m, "range_m") * factor / _argument_at_range(nu)


@lru_cache(maxsize=64)
def _argument_at_range(nu: float) -> float:
    def over(z: float) -> float:
        return float(_log_correlation(np.array(z), nu)) - _LOG_AT_RANGE

    # The root grows from 2.0 (ν = 0.2) about as √(12ν) does; the bracket holds it for every smoothness allowed.
    return float(optimize.brentq(over, 0.5, 10.0 + 5.0 * math.sqrt(nu), xtol=1e-14, rtol=1e-14))


def _log_correlation(z: Array, nu: float) -> Array:
    # kve is the Bessel function times e^z, so far distances keep their digits; near zero it overflows for large ν,
    # and there the series 1 − z²/(4(ν − 1)) is exact to the last digit (z < 3e-5 for ν = 50, smaller for smaller ν).
    inside = np.where(z > 0, z, 1.0)
    scale = (1.0 - nu) * math.log(2.0) - float(special.gammaln(nu))
    with np.errstate(over="ignore"):
        bessel = special.kve(nu, inside)
    finite = np.isfinite(bessel)
    logs = scale + nu * np.log(inside) + np.log(np.where(finite, bessel, 1.0)) - inside
    near = -(np.minimum(inside, 1.0) ** 2) / (4.0 * (nu - 1.0)) if nu > 1.0 else np.zeros_like(inside)
    # A correlation is at most one; the logarithms may overshoot it by their round-off.
    return np.where(z > 0, np.minimum(np.where(finite, logs, near), 0.0), 0.0)
