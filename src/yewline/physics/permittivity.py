"""Relative permittivity of soil from its water content, and back."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_in_range, check_positive
from yewline.errors import InputError
from yewline.physics.ranges import numbers_within

__all__ = [
    "TOPP_STANDARD_ERROR_VWC",
    "ledieu_moisture",
    "ledieu_permittivity",
    "mixed_moisture",
    "mixed_permittivity",
    "topp_moisture",
    "topp_moisture_exact",
    "topp_permittivity",
    "topp_slope",
]

Array = npt.NDArray[np.float64]

TOPP_STANDARD_ERROR_VWC: Final = 0.013
"""Standard error of Topp's relation for mineral soils, m³/m³ (value from memory of Topp et al. 1980)."""

_VWC_HIGHEST: Final = 0.6
# Coefficients of θ⁰ … θ³ in ε(θ), and of ε⁰ … ε³ in θ(ε).
_FORWARD: Final = (3.03, 9.3, 146.0, -76.7)
_BACK: Final = (-5.3e-2, 2.92e-2, -5.5e-4, 4.3e-6)
# a and b of θ = a + b√ε.
_LEDIEU: Final = (-0.1758, 0.1138)


def topp_permittivity(vwc: npt.ArrayLike) -> Array:
    """Relative permittivity of mineral soil that holds `vwc` of water.

    Parameters
    ----------
    vwc : any shape, volumetric water content, m³/m³, 0 to 0.6; NaN stays NaN.

    Returns
    -------
    Same shape, relative permittivity.

    Raises
    ------
    InputError : a water content outside [0, 0.6].

    Notes
    -----
    ε = 3.03 + 9.3θ + 146.0θ² − 76.7θ³. Not for peat, heavy clay or saline soil.

    References
    ----------
    Topp, Davis & Annan 1980, Water Resour. Res. 16(3):574-582.

    Examples
    --------
    >>> topp_permittivity([0.1, 0.2]).round(4).tolist()
    [5.3433, 10.1164]
    """
    return np.asarray(np.polynomial.polynomial.polyval(numbers_within(vwc, "vwc", 0.0, _VWC_HIGHEST), _FORWARD))


def topp_slope(vwc: npt.ArrayLike) -> Array:
    """Slope dε/dθ of Topp's relation at `vwc`, to carry an error of moisture over to permittivity.

    Parameters
    ----------
    vwc : any shape, m³/m³, 0 to 0.6; NaN stays NaN.

    References
    ----------
    Topp, Davis & Annan 1980, Water Resour. Res. 16(3):574-582.

    Examples
    --------
    >>> float(topp_slope(0.2).round(3))
    58.496
    """
    slope = (_FORWARD[1], 2 * _FORWARD[2], 3 * _FORWARD[3])
    return np.asarray(np.polynomial.polynomial.polyval(numbers_within(vwc, "vwc", 0.0, _VWC_HIGHEST), slope))


def topp_moisture(permittivity: npt.ArrayLike) -> Array:
    """Water content from permittivity by the polynomial that Topp fitted for this direction.

    Parameters
    ----------
    permittivity : any shape, 2 to 60; NaN stays NaN. The relation is meant for about 3 to 40.

    Returns
    -------
    Same shape, m³/m³.

    Notes
    -----
    θ = −5.3·10⁻² + 2.92·10⁻² ε − 5.5·10⁻⁴ ε² + 4.3·10⁻⁶ ε³ (eq. 7). It is a fit of its own and not the inverse of
    `topp_permittivity`: there and back differs by up to 0.015 between 0.05 and 0.45; see `topp_moisture_exact`.

    References
    ----------
    Topp, Davis & Annan 1980, Water Resour. Res. 16(3):574-582, eq. 7.

    Examples
    --------
    >>> float(topp_moisture(9.0).round(5))
    0.16838
    """
    return np.asarray(np.polynomial.polynomial.polyval(numbers_within(permittivity, "permittivity", 2.0, 60.0), _BACK))


def topp_moisture_exact(permittivity: npt.ArrayLike) -> Array:
    """Water content at which `topp_permittivity` gives `permittivity`: the cubic solved.

    Parameters
    ----------
    permittivity : any shape, from 3.03 (dry) to 44.6 (at 0.6 m³/m³); NaN stays NaN.

    Returns
    -------
    Same shape, m³/m³.

    References
    ----------
    Topp, Davis & Annan 1980, Water Resour. Res. 16(3):574-582; the root by Viète's trigonometric form.

    Examples
    --------
    >>> float(topp_moisture_exact(topp_permittivity(0.27)).round(12))
    0.27
    """
    highest = float(topp_permittivity(_VWC_HIGHEST))
    eps = numbers_within(permittivity, "permittivity", _FORWARD[0], highest * (1 + 1e-12))
    b, c = _FORWARD[2] / _FORWARD[3], _FORWARD[1] / _FORWARD[3]
    d = (_FORWARD[0] - eps) / _FORWARD[3]
    # θ = u − b/3 gives u³ + pu + q = 0 with three real roots; the middle one lies between 0 and 0.6.
    p = c - b * b / 3.0
    q = 2.0 * b**3 / 27.0 - b * c / 3.0 + d
    angle = np.arccos(np.clip(1.5 * q / p * math.sqrt(-3.0 / p), -1.0, 1.0)) / 3.0
    theta = 2.0 * math.sqrt(-p / 3.0) * np.cos(angle - 2.0 * math.pi / 3.0) - b / 3.0
    return np.clip(theta, 0.0, _VWC_HIGHEST)


def ledieu_moisture(permittivity: npt.ArrayLike) -> Array:
    """Water content from permittivity by Ledieu's linear relation in √ε.

    Parameters
    ----------
    permittivity : any shape, 2 to 60; NaN stays NaN.

    Returns
    -------
    Same shape, m³/m³.

    Notes
    -----
    θ = 0.1138 √ε − 0.1758.

    References
    ----------
    Ledieu, de Ridder, de Clerck & Dautrebande 1986, J. Hydrol. 88:319-328.

    Examples
    --------
    >>> float(ledieu_moisture(9.0).round(4))
    0.1656
    """
    return _LEDIEU[1] * np.sqrt(numbers_within(permittivity, "permittivity", 2.0, 60.0)) + _LEDIEU[0]


def ledieu_permittivity(vwc: npt.ArrayLike) -> Array:
    """Permittivity at which `ledieu_moisture` gives `vwc`.

    Parameters
    ----------
    vwc : any shape, m³/m³, 0 to 0.6; NaN stays NaN.

    References
    ----------
    Ledieu, de Ridder, de Clerck & Dautrebande 1986, J. Hydrol. 88:319-328.

    Examples
    --------
    >>> float(ledieu_permittivity(0.1656).round(4))
    9.0
    """
    return np.asarray(((numbers_within(vwc, "vwc", 0.0, _VWC_HIGHEST) - _LEDIEU[0]) / _LEDIEU[1]) ** 2)


def mixed_permittivity(
    vwc: npt.ArrayLike,
    *,
    porosity: npt.ArrayLike,
    solid: float = 5.0,
    water: float = 80.1,
    air: float = 1.0,
    exponent: float = 0.5,
) -> Array:
    """Permittivity of soil as a mixture of solid, water and air.

    Parameters
    ----------
    vwc : any shape, volumetric water content, m³/m³, 0 to `porosity`; NaN stays NaN.
    porosity : share of pores, between 0 and 1; it broadcasts with `vwc`.
    solid, water, air : relative permittivities of the parts.
    exponent : 0.5 is the complex refractive index model; 0.46 was fitted by Roth et al. 1990.

    Returns
    -------
    Broadcast shape, relative permittivity.

    Raises
    ------
    InputError : a water content above the porosity, or a parameter out of range.

    Notes
    -----
    ε^α = (1 − n) ε_s^α + θ ε_w^α + (n − θ) ε_a^α.

    References
    ----------
    Birchak, Gardner, Hipp & Victor 1974, Proc. IEEE 62:93-98; Roth, Schulin, Flühler & Attinger 1990, Water Resour.
    Res. 26:2267-2273.

    Examples
    --------
    >>> float(mixed_permittivity(0.2, porosity=0.4).round(5))
    11.09964
    """
    check_in_range(exponent, "exponent", 0.01, 1.0)
    pores = numbers_within(porosity, "porosity", 0.0, 1.0)
    if not np.isfinite(pores).all():
        raise InputError("porosity must be finite", received="nan")
    theta = numbers_within(vwc, "vwc", 0.0, pores)
    parts = [check_positive(value, name) for name, value in (("solid", solid), ("water", water), ("air", air))]
    s, w, a = (value**exponent for value in parts)
    return ((1.0 - pores) * s + theta * w + (pores - theta) * a) ** (1.0 / exponent)


def mixed_moisture(
    permittivity: npt.ArrayLike,
    *,
    porosity: npt.ArrayLike,
    solid: float = 5.0,
    water: float = 80.1,
    air: float = 1.0,
    exponent: float = 0.5,
) -> Array:
    """Water content at which `mixed_permittivity` gives `permittivity`: the mixture solved for its water.

    Parameters
    ----------
    permittivity : any shape, from that of the dry to that of the saturated soil; NaN stays NaN.
    porosity, solid, water, air, exponent : as in `mixed_permittivity`.

    Returns
    -------
    Broadcast shape, m³/m³.

    Raises
    ------
    InputError : a permittivity that this soil has at no water content, or a parameter out of range.

    Notes
    -----
    θ = [ε^α − (1 − n) ε_s^α − n ε_a^α] / (ε_w^α − ε_a^α).

    References
    ----------
    As in `mixed_permittivity`.

    Examples
    --------
    >>> float(mixed_moisture(10.0, porosity=1 - 1.3 / 2.65, solid=4.0, water=80.0).round(3))
    0.21
    """
    if check_positive(water, "water") <= check_positive(air, "air"):
        raise InputError("water must have a higher permittivity than air", received=f"{water:g} and {air:g}")
    pores = numbers_within(porosity, "porosity", 0.0, 1.0)
    parts = {"solid": solid, "water": water, "air": air, "exponent": exponent}
    dry = mixed_permittivity(0.0, porosity=pores, **parts)
    full = mixed_permittivity(pores, porosity=pores, **parts)
    eps = numbers_within(permittivity, "permittivity", 0.0, full * (1.0 + 1e-12))
    powered = (eps**exponent - dry**exponent) / (water**exponent - air**exponent)
    numbers_within(powered, "vwc", -1e-12, 1.0, do="a permittivity below that of the dry soil has no water content")
    return np.clip(powered, 0.0, pores)
