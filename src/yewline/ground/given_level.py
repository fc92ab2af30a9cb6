"""Variability given level: how far moisture spreads depends on its mean, so that wet and dry days are not alike."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_in_range
from yewline.errors import InputError

__all__ = ["FEWEST_FOR_CURVE", "VariabilityGivenLevel", "variability_given_level"]

Array = npt.NDArray[np.float64]

FEWEST_FOR_CURVE: Final = 3
"""A curve of two numbers needs one visit more."""
_SMALLEST_SPAN: Final = 0.03  # m³/m³: visits at nearly one level do not show how spread depends on it (own choice)


@dataclass(frozen=True, slots=True)
class VariabilityGivenLevel:
    """How variable each visit is for its level.

    Attributes
    ----------
    expected_sd : (V,) standard deviation expected at each visit's level, m³/m³; NaN where nothing is expected.
    relative : (V,) standard deviation over that; NaN likewise.
    bounded : (V,) sd/√(θ(φ − θ)), which needs no other visit.
    k1, k2 : of the curve sd = k1 θ e^{−k2 θ}; NaN where it was not fitted.
    residual_sd : of ln(sd) about the curve; NaN where it was not fitted.
    why : which of the two was chosen, and why.
    """

    expected_sd: Array
    relative: Array
    bounded: Array
    k1: float
    k2: float
    residual_sd: float
    why: str


def variability_given_level(mean: npt.ArrayLike, sd: npt.ArrayLike, *, porosity: float) -> VariabilityGivenLevel:
    """Tell variability from level over the visits of one ground.

    Parameters
    ----------
    mean, sd : (V,) level and standard deviation of each visit's ground, m³/m³, both greater than zero.
    porosity : φ, volume of pores, m³/m³; no level may reach it.

    Returns
    -------
    With three visits or more that span 0.03 m³/m³ of level: each visit's deviation relative to a curve through all of
    them. Else `bounded` alone.

    Raises
    ------
    InputError : values that are not positive, not equally many, or a level that reaches the porosity.

    Notes
    -----
    Moisture lies between 0 and φ, so its spread must vanish at both ends and is often hump-shaped between. The CV falls
    with θ even where the spread does not change at all, so it reports a wetter day as a more even one. The curve is
    ln(sd/θ) = ln k1 − k2 θ, fitted by least squares; it has its hump at θ = 1/k2. √(θ(φ − θ)) is the largest standard
    deviation that a mean θ allows between 0 and φ (half the ground dry, half full: Bhatia & Davis 2000, Am. Math. Mon.
    107:353-357), so `bounded` lies between 0 and 1. That it takes the hump in the middle of the pores is an assumption:
    soils have it drier or wetter by texture.

    References
    ----------
    Famiglietti et al. 2008, Water Resour. Res. 44:W01423 (CV = k1 e^{−k2 θ}; form from memory); Vereecken et al. 2007,
    Geophys. Res. Lett. 34:L22402 (hump by soil hydraulics; background).

    Examples
    --------
    >>> found = variability_given_level([0.1, 0.2, 0.3], [0.03, 0.04, 0.03], porosity=0.45)
    >>> found.relative.round(3).tolist(), round(1 / found.k2, 3)
    ([0.953, 1.101, 0.953], 0.182)
    """
    theta = check_array(mean, "mean", ndim=1)
    spread = check_array(sd, "sd", ndim=1)
    phi = check_in_range(porosity, "porosity", 0.05, 0.95)
    if len(theta) != len(spread):
        raise InputError("each visit has one mean and one sd", received=f"{len(theta)} and {len(spread)}")
    if min(theta.min(), spread.min()) <= 0:
        raise InputError(
            "means and standard deviations must be greater than zero",
            received=f"{min(theta.min(), spread.min()):g}",
            do="leave out visits that read the same everywhere",
        )
    if theta.max() >= phi:
        raise InputError(
            "a visit's level reaches the porosity", received=f"{theta.max():g} of {phi:g}", do="check both"
        )
    bounded = spread / np.sqrt(theta * (phi - theta))
    unknown = np.full(len(theta), np.nan)
    if len(theta) < FEWEST_FOR_CURVE:
        why = f"{len(theta)} visits do not show how spread depends on level ({FEWEST_FOR_CURVE} are needed)"
    elif np.ptp(theta) < _SMALLEST_SPAN:
        why = f"The visits' levels span only {np.ptp(theta):.3f} m³/m³, too little to show how spread depends on level"
    else:
        design = np.column_stack([np.ones(len(theta)), -theta])
        (log_k1, k2), *_ = np.linalg.lstsq(design, np.log(spread / theta), rcond=None)
        expected = theta * np.exp(log_k1 - k2 * theta)
        squares = float(np.sum(np.log(spread / expected) ** 2))
        why = f"Relative to a curve through {len(theta)} visits, with {len(theta) - 2} degrees of freedom left."
        left = float(np.sqrt(squares / (len(theta) - 2)))
        return VariabilityGivenLevel(expected, spread / expected, bounded, float(np.exp(log_k1)), float(k2), left, why)
    nan = float("nan")
    return VariabilityGivenLevel(unknown, unknown.copy(), bounded, nan, nan, nan, f"{why}: only `bounded` is given.")
