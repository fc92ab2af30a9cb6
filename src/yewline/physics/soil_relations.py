"""Published relations between the permittivity of soil and its water, each one there and back.

Each was fitted in the direction from permittivity to water; the way back is its exact inverse. `permittivity.py` has
Topp's and the mixing model, `texture.py` the one that needs grain sizes.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from yewline.physics.ranges import numbers_within
from yewline.physics.site_fit import SiteFit, site_moisture, site_permittivity

__all__ = [
    "malicki_moisture",
    "malicki_permittivity",
    "malicki_porosity_moisture",
    "malicki_porosity_permittivity",
    "roth_moisture",
    "roth_permittivity",
    "schaap_moisture",
    "schaap_permittivity",
    "topp_reynolds_moisture",
    "topp_reynolds_permittivity",
]

Array = npt.NDArray[np.float64]

_EPS: Final = (1.0, 81.0)
_VWC: Final = (0.0, 0.9)
# a and b of θ = a + b√ε.
_TOPP_REYNOLDS: Final = (-0.176, 0.115)
# Coefficients of ε⁰ … ε³. Of the organic constant both signs are in circulation: with + there would be 5 % of water in
# air, so the minus is physical.
_ROTH: Final = {
    False: (-0.0728, 0.0448, -0.00195, 3.61e-5),
    True: (-0.0233, 0.0285, -4.31e-4, 3.04e-6),
}


def topp_reynolds_moisture(permittivity: npt.ArrayLike) -> Array:
    """Water content by the line in √ε that Topp & Reynolds fitted to mineral soils of many kinds.

    Parameters
    ----------
    permittivity : any shape, 1 to 81; NaN stays NaN. Below 2.3 the line gives less than no water.

    Notes
    -----
    θ = 0.115 √ε − 0.176. This pair is often given as Herkelrath's, whose two numbers are fitted at each site.

    References
    ----------
    Topp & Reynolds 1998, Soil Tillage Res. 47:125-132.

    Examples
    --------
    >>> float(topp_reynolds_moisture(9.0).round(3))
    0.169
    """
    return site_moisture(permittivity, SiteFit(*_TOPP_REYNOLDS))


def topp_reynolds_permittivity(vwc: npt.ArrayLike) -> Array:
    """Permittivity at which `topp_reynolds_moisture` gives `vwc` (any shape, 0 to 0.9 m³/m³; NaN stays NaN).

    References
    ----------
    Topp & Reynolds 1998, Soil Tillage Res. 47:125-132.

    Examples
    --------
    >>> float(topp_reynolds_permittivity(0.169).round(9))
    9.0
    """
    return site_permittivity(vwc, SiteFit(*_TOPP_REYNOLDS))


def malicki_moisture(permittivity: npt.ArrayLike, *, bulk_g_per_cm3: npt.ArrayLike) -> Array:
    """Water content from permittivity and dry bulk density, mineral and organic soils alike.

    Parameters
    ----------
    permittivity : any shape, 1 to 81; NaN stays NaN.
    bulk_g_per_cm3 : dry bulk density, 0.1 to 2.4, that broadcasts with it. The fit saw 0.13 and more (from memory).

    Raises
    ------
    InputError : a value out of range.

    Notes
    -----
    θ = (√ε − 0.819 − 0.168 ρ − 0.159 ρ²) / (7.17 + 1.18 ρ), eq. 10. A code in circulation has 0.168 ρ² in it.

    References
    ----------
    Malicki, Plagge & Roth 1996, Eur. J. Soil Sci. 47:357-366, eq. 10.

    Examples
    --------
    >>> float(malicki_moisture(9.0, bulk_g_per_cm3=1.5).round(5))
    0.17576
    """
    base, slope = _malicki(bulk_g_per_cm3)
    return np.asarray((np.sqrt(numbers_within(permittivity, "permittivity", *_EPS)) - base) / slope)


def malicki_permittivity(vwc: npt.ArrayLike, *, bulk_g_per_cm3: npt.ArrayLike) -> Array:
    """Permittivity at which `malicki_moisture` gives `vwc` (any shape, 0 to 0.9 m³/m³; NaN stays NaN).

    References
    ----------
    Malicki, Plagge & Roth 1996, Eur. J. Soil Sci. 47:357-366, eq. 10.

    Examples
    --------
    >>> float(malicki_permittivity(0.17576, bulk_g_per_cm3=1.5).round(3))
    9.0
    """
    base, slope = _malicki(bulk_g_per_cm3)
    return np.asarray((base + slope * numbers_within(vwc, "vwc", *_VWC)) ** 2)


def malicki_porosity_moisture(permittivity: npt.ArrayLike, *, porosity: npt.ArrayLike) -> Array:
    """Water content from permittivity and porosity.

    Parameters
    ----------
    permittivity : any shape, 1 to 81; NaN stays NaN.
    porosity : share of pores, 0.2 to 0.8, that broadcasts with it: beyond, the fit turns over.

    Raises
    ------
    InputError : a value out of range.

    Notes
    -----
    θ = (√ε − 3.47 + 6.22 n − 3.82 n²) / (7.01 + 6.89 n − 7.83 n²), eq. 12.

    References
    ----------
    Malicki, Plagge & Roth 1996, Eur. J. Soil Sci. 47:357-366, eq. 12.

    Examples
    --------
    >>> float(malicki_porosity_moisture(9.0, porosity=0.45).round(5))
    0.18246
    """
    base, slope = _malicki_porosity(porosity)
    return np.asarray((np.sqrt(numbers_within(permittivity, "permittivity", *_EPS)) - base) / slope)


def malicki_porosity_permittivity(vwc: npt.ArrayLike, *, porosity: npt.ArrayLike) -> Array:
    """Permittivity at which `malicki_porosity_moisture` gives `vwc` (any shape, 0 to 0.9 m³/m³; NaN stays NaN).

    References
    ----------
    Malicki, Plagge & Roth 1996, Eur. J. Soil Sci. 47:357-366, eq. 12.

    Examples
    --------
    >>> float(malicki_porosity_permittivity(0.18246, porosity=0.45).round(3))
    9.0
    """
    base, slope = _malicki_porosity(porosity)
    return np.asarray((base + slope * numbers_within(vwc, "vwc", *_VWC)) ** 2)


def roth_moisture(permittivity: npt.ArrayLike, *, organic: bool = False) -> Array:
    """Water content by Roth's polynomial of mineral or of organic soils.

    Parameters
    ----------
    permittivity : any shape, 1 to 81; NaN stays NaN. The mineral fit saw moist soil: in air it gives −0.03.
    organic : take the fit of organic soils.

    Raises
    ------
    InputError : a permittivity out of range.

    Notes
    -----
    Mineral: θ = −0.0728 + 0.0448 ε − 0.00195 ε² + 3.61·10⁻⁵ ε³. Organic: θ = −0.0233 + 0.0285 ε − 4.31·10⁻⁴ ε² +
    3.04·10⁻⁶ ε³.

    References
    ----------
    Roth, Malicki & Plagge 1992, J. Soil Sci. 43:1-13.

    Examples
    --------
    >>> float(roth_moisture(9.0).round(4)), float(roth_moisture(9.0, organic=True).round(4))
    (0.1988, 0.2005)
    """
    eps = numbers_within(permittivity, "permittivity", *_EPS)
    return np.asarray(np.polynomial.polynomial.polyval(eps, _ROTH[bool(organic)]))


def roth_permittivity(vwc: npt.ArrayLike, *, organic: bool = False) -> Array:
    """Permittivity at which `roth_moisture` gives `vwc`: the cubic's only real root.

    Parameters
    ----------
    vwc : any shape, m³/m³, 0 to 0.9; NaN stays NaN.
    organic : take the fit of organic soils.

    Notes
    -----
    Both cubics rise everywhere, so that t³ + pt + q = 0 has p > 0 and one real root, −2 √(p/3) sinh(φ/3) with
    sinh φ = (3q/2p) √(3/p). The organic fit would put soil with less than 0.005 m³/m³ below vacuum: it is held at 1.

    References
    ----------
    Roth, Malicki & Plagge 1992, J. Soil Sci. 43:1-13.

    Examples
    --------
    >>> float(roth_permittivity(roth_moisture(9.0)).round(9))
    9.0
    """
    c0, c1, c2, c3 = _ROTH[bool(organic)]
    b, c = c2 / c3, c1 / c3
    d = (c0 - numbers_within(vwc, "vwc", *_VWC)) / c3
    p = c - b * b / 3.0
    q = 2.0 * b**3 / 27.0 - b * c / 3.0 + d
    phi = np.arcsinh(1.5 * q / p * np.sqrt(3.0 / p))
    return np.maximum(-2.0 * np.sqrt(p / 3.0) * np.sinh(phi / 3.0) - b / 3.0, 1.0)


def schaap_moisture(permittivity: npt.ArrayLike) -> Array:
    """Water content of forest floor (litter, raw humus) from permittivity.

    Parameters
    ----------
    permittivity : any shape, 1 to 81; NaN stays NaN. Below 1.21 there is no water left.

    Raises
    ------
    InputError : a permittivity out of range.

    Notes
    -----
    θ = (0.133 √ε − 0.146)^0.885.

    References
    ----------
    Schaap, de Lange & Heimovaara 1997, Soil Technol. 11:261-269 (journal from memory).

    Examples
    --------
    >>> float(schaap_moisture(9.0).round(4))
    0.2963
    """
    root = np.sqrt(numbers_within(permittivity, "permittivity", *_EPS))
    return np.asarray(np.maximum(0.133 * root - 0.146, 0.0) ** 0.885)


def schaap_permittivity(vwc: npt.ArrayLike) -> Array:
    """Permittivity at which `schaap_moisture` gives `vwc` (any shape, 0 to 0.9 m³/m³; NaN stays NaN).

    References
    ----------
    As in `schaap_moisture`.

    Examples
    --------
    >>> float(schaap_permittivity(schaap_moisture(9.0)).round(9))
    9.0
    """
    return np.asarray(((numbers_within(vwc, "vwc", *_VWC) ** (1.0 / 0.885) + 0.146) / 0.133) ** 2)


def _malicki(bulk_g_per_cm3: npt.ArrayLike) -> tuple[Array, Array]:
    rho = numbers_within(bulk_g_per_cm3, "bulk_g_per_cm3", 0.1, 2.4)
    return 0.819 + 0.168 * rho + 0.159 * rho**2, 7.17 + 1.18 * rho


def _malicki_porosity(porosity: npt.ArrayLike) -> tuple[Array, Array]:
    n = numbers_within(porosity, "porosity", 0.2, 0.8)
    return 3.47 - 6.22 * n + 3.82 * n**2, 7.01 + 6.89 * n - 7.83 * n**2
