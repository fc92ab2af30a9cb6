"""How much water soil keeps against a suction: plausible ranges from its texture, not pass or fail values."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_choice, check_in_range
from yewline.errors import InputError
from yewline.physics.ranges import numbers_within

__all__ = ["retained_vwc", "water_limits_vwc"]

Array = npt.NDArray[np.float64]

# b, ψ_s in cm, θ_s of each class.
_RETENTION: Final = {
    "sand": (4.05, 12.1, 0.395),
    "loamy sand": (4.38, 9.0, 0.410),
    "sandy loam": (4.90, 21.8, 0.435),
    "silt loam": (5.30, 78.6, 0.485),
    "loam": (5.39, 47.8, 0.451),
    "sandy clay loam": (7.12, 29.9, 0.420),
    "silty clay loam": (7.75, 35.6, 0.477),
    "clay loam": (8.52, 63.0, 0.476),
    "sandy clay": (10.4, 15.3, 0.426),
    "silty clay": (10.4, 49.0, 0.492),
    "clay": (11.4, 40.5, 0.482),
}


def retained_vwc(suction_cm: npt.ArrayLike, *, texture: str) -> Array:
    """Water content that a soil of a texture class keeps against a suction.

    Parameters
    ----------
    suction_cm : any shape, cm of water, ≥ 0; 336.5 is 33 kPa (drained), 15 296 is 1500 kPa (plants wilt).
    texture : name of a class; silt is not in the table.

    Returns
    -------
    Same shape, m³/m³; full below the suction at which air enters.

    Raises
    ------
    InputError : a class that is not in the table, or a negative suction.

    Notes
    -----
    ψ = ψ_s (θ/θ_s)^{−b}. Tables of this kind differ by up to 0.08 for one class (sand drained: 0.17 here, 0.09 by
    Rawls et al. 1982).

    References
    ----------
    Clapp & Hornberger 1978, Water Resour. Res. 14:601-604, Table 2.

    Examples
    --------
    >>> retained_vwc([336.5, 15296.0], texture="loam").round(4).tolist()
    [0.314, 0.1547]
    """
    b, entry, full = _RETENTION[check_choice(texture, "texture", tuple(_RETENTION))]
    suction = numbers_within(suction_cm, "suction_cm", 0.0, np.inf)
    return np.asarray(full * (np.maximum(suction, entry) / entry) ** (-1.0 / b))


def water_limits_vwc(sand: float, clay: float, *, organic: float = 0.01) -> tuple[float, float, float]:
    """Water contents at which plants wilt (1500 kPa), that is left after draining (33 kPa), and of full pores.

    Parameters
    ----------
    sand, clay : shares of the mass, 0 to 1; clay at most 0.6.
    organic : organic matter, share of the mass, at most 0.08.

    Returns
    -------
    wilted, drained, saturated : m³/m³.

    Raises
    ------
    InputError : outside the range of the fit.

    References
    ----------
    Saxton & Rawls 2006, Soil Sci. Soc. Am. J. 70:1569-1578, Table 1.

    Examples
    --------
    >>> [round(value, 4) for value in water_limits_vwc(0.2, 0.2, organic=0.025)]
    [0.1365, 0.3209, 0.4821]
    """
    s = check_in_range(sand, "sand", 0.0, 1.0)
    c = check_in_range(clay, "clay", 0.0, 0.6)
    om = 100.0 * check_in_range(organic, "organic", 0.0, 0.08)
    if s + c > 1.0 + 1e-9:
        raise InputError("sand and clay must not exceed 1 together", received=f"{s:g} and {c:g}")
    dry = -0.024 * s + 0.487 * c + 0.006 * om + 0.005 * s * om - 0.013 * c * om + 0.068 * s * c + 0.031
    moist = -0.251 * s + 0.195 * c + 0.011 * om + 0.006 * s * om - 0.027 * c * om + 0.452 * s * c + 0.299
    drained = moist + 1.283 * moist**2 - 0.374 * moist - 0.015
    over = 0.278 * s + 0.034 * c + 0.022 * om - 0.018 * s * om - 0.027 * c * om - 0.584 * s * c + 0.078
    saturated = drained + over + (0.636 * over - 0.107) - 0.097 * s + 0.043
    return 1.14 * dry - 0.02, drained, saturated
