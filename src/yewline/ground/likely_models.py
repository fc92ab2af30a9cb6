"""Variogram models that the readings leave possible: one fitted range would make every interval too narrow."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.linalg import eigh, helmert
from scipy.spatial.distance import cdist

from yewline._check import check_array, check_choice, check_finite
from yewline.errors import InputError
from yewline.geostat import FAMILIES, VariogramModel, correlation

__all__ = ["likely_models"]

Array = npt.NDArray[np.float64]

# Share of the readings' variance without correlation over distance.
_NUGGET_SHARES: Final = (0.02, 0.1, 0.2, 0.35, 0.5, 0.7, 0.9)
_STEP_OF_RANGE: Final = 1.5
_LONGEST: Final = 2.0  # times the readings' extent


def likely_models(
    xy: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    own_error_sd: float = 0.0,
    family: str = "exponential",
    draws: int = 100,
    seed: int = 0,
) -> tuple[VariogramModel, ...]:
    """Draws from the posterior of the ground's variogram under a constant mean, all equally likely.

    Parameters
    ----------
    xy : (R, 2) places, m, R ≥ 3.
    values : (R,) readings that are not all equal.
    own_error_sd : standard deviation of each reading's own error; its variance is taken off the nugget.
    family : one of `geostat.FAMILIES`.
    draws : how many models.
    seed : the same integer gives the same models.

    Returns
    -------
    Models of the true field, without the readings' error.

    Raises
    ------
    InputError : too few or equal readings, or all at one place.

    Notes
    -----
    With V the correlation of the readings at a range a and a nugget's share s, y the readings' R − 1 contrasts
    (Helmert), the variance under the scale prior 1/σ² integrates to
    p(a, s | z) ∝ p(a) |V_y|^(−1/2) (yᵀV_y⁻¹y)^(−(R−1)/2), and σ² given a, s is yᵀV_y⁻¹y / χ²(R − 1). The prior of the
    range is even in log a, from half the median distance of neighbours to twice the readings' extent; that of s is even
    over a few values from 0.02 to 0.9. The bounds matter: readings alone do not exclude a range much longer than the
    ground, and the integrated likelihood does not vanish there (Berger et al. 2001). Draws of (a, s) are systematic.

    References
    ----------
    Handcock & Stein 1993, Technometrics 35:403-410; Berger, De Oliveira & Sansó 2001, J. Am. Stat. Assoc. 96:1361-1374.

    Examples
    --------
    >>> models = likely_models([[0, 0], [1, 0], [2, 0], [9, 0]], [0.1, 0.12, 0.15, 0.3], draws=20)
    >>> len(models), min(m.range_m for m in models) >= 0.5, max(m.range_m for m in models) <= 18.0
    (20, True, True)
    """
    places = check_array(xy, "xy", ndim=2)
    z = check_array(values, "values", ndim=1)
    check_choice(family, "family", FAMILIES)
    if places.shape != (len(z), 2):
        raise InputError("there must be one place (x, y) for each value", received=f"{places.shape} for {len(z)}")
    if len(z) < 3 or np.ptp(z) <= 0:
        raise InputError("a variogram needs three readings or more that are not all equal", received=f"{len(z)} values")
    own = check_finite(own_error_sd, "own_error_sd") ** 2
    distance = cdist(places, places)
    if distance.max() <= 0:
        raise InputError("all readings lie at one place", do="a variogram needs readings at different places")
    contrasts = helmert(len(z))
    y = contrasts @ z
    ranges = _ranges(distance)
    shares = np.asarray(_NUGGET_SHARES)
    log_p = np.empty((len(ranges), len(shares)))
    squares = np.empty_like(log_p)
    for i, a in enumerate(ranges):
        # One decomposition serves every share of the nugget.
        values_of, vectors = eigh(contrasts @ correlation(distance / a, family) @ contrasts.T)
        power = (vectors.T @ y) ** 2
        variance = (1.0 - shares) * np.maximum(values_of, 0.0)[:, None] + shares
        squares[i] = np.sum(power[:, None] / variance, axis=0)
        log_p[i] = -0.5 * np.sum(np.log(variance), axis=0) - 0.5 * len(y) * np.log(squares[i])
    p = np.exp(log_p - log_p.max()).ravel()
    rng = np.random.default_rng(seed)
    at = (np.arange(draws) + rng.random()) / draws
    chosen = np.minimum(np.searchsorted(np.cumsum(p / p.sum()), at), p.size - 1)
    sills = squares.ravel()[chosen] / rng.chisquare(len(y), draws)
    models = []
    for index, sill in zip(chosen, sills, strict=True):
        i, j = divmod(int(index), len(shares))
        nugget = max(shares[j] * sill - own, 0.0)
        models.append(
            VariogramModel(family, partial_sill=(1.0 - shares[j]) * sill, range_m=float(ranges[i]), nugget=nugget)
        )
    return tuple(models)


def _ranges(distance: Array) -> Array:
    apart = np.where(distance > 0, distance, np.inf).min(axis=1)
    shortest, longest = 0.5 * float(np.median(apart)), _LONGEST * float(distance.max())
    steps = math.ceil(math.log(longest / shortest) / math.log(_STEP_OF_RANGE)) + 1
    return np.geomspace(shortest, longest, max(steps, 2))
