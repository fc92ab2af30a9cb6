"""Electrical conductivity of soil from that of its pore water and its clay."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from yewline._check import check_positive
from yewline.errors import InputError

__all__ = ["archie_conductivity", "conductivity_at_temperature", "surface_conductivity"]

Array = npt.NDArray[np.float64]


def archie_conductivity(
    saturation: npt.ArrayLike,
    *,
    porosity: npt.ArrayLike,
    water_ms_per_m: float,
    cementation: float = 1.3,
    saturation_exponent: float = 2.0,
    tortuosity: float = 1.0,
) -> Array:
    """Conductivity of clay-free soil by Archie's law.

    Parameters
    ----------
    saturation : any shape, share of the pores that holds water, 0 to 1; NaN stays NaN.
    porosity : share of pores, between 0 and 1, that broadcasts with it.
    water_ms_per_m : conductivity of the pore water, mS/m.
    cementation : m; about 1.3 in loose sand and 2 in sandstone (values from memory).
    saturation_exponent, tortuosity : n and a.

    Returns
    -------
    Broadcast shape, mS/m.

    Raises
    ------
    InputError : a share outside [0, 1], or a parameter that is not positive.

    Notes
    -----
    σ = σ_w φᵐ Sⁿ / a. Clay adds conduction of its own, which is not in it: see `surface_conductivity`.

    References
    ----------
    Archie 1942, Trans. AIME 146:54-62.

    Examples
    --------
    >>> float(archie_conductivity(1.0, porosity=0.4, water_ms_per_m=50.0, cementation=2.0).round(6))
    8.0
    """
    pores = _share(porosity, "porosity")
    if not np.isfinite(pores).all():
        raise InputError("porosity must be finite", received="nan")
    for name, value in (
        ("water_ms_per_m", water_ms_per_m),
        ("cementation", cementation),
        ("saturation_exponent", saturation_exponent),
        ("tortuosity", tortuosity),
    ):
        check_positive(value, name)
    s = _share(saturation, "saturation")
    # A single porosity is raised to its power as a plain number: arrays may round the last digit another way.
    formation = float(pores) ** cementation if pores.ndim == 0 else pores**cementation
    return np.asarray(water_ms_per_m * formation * s**saturation_exponent / tortuosity)


def surface_conductivity(clay: npt.ArrayLike) -> Array:
    """Conductivity along the surfaces of clay in moist soil, at 25 °C.

    Parameters
    ----------
    clay : any shape, share of the mass, 0 to 1; NaN stays NaN.

    Returns
    -------
    Same shape, mS/m; 0 in clay-free soil.

    Raises
    ------
    InputError : a share outside [0, 1].

    Notes
    -----
    σ_s = 2.3 C − 0.021 in dS/m, cut off at 0: a fit over soils of many kinds, with a wide scatter.

    References
    ----------
    Rhoades, Manteghi, Shouse & Alves 1989, Soil Sci. Soc. Am. J. 53:433-439 (coefficients from memory).

    Examples
    --------
    >>> surface_conductivity([0.0, 0.1]).round(3).tolist()
    [0.0, 20.9]
    """
    return np.maximum(230.0 * _share(clay, "clay") - 2.1, 0.0)


def conductivity_at_temperature(ms_per_m_at_25: npt.ArrayLike, temperature_c: npt.ArrayLike) -> Array:
    """Conductivity of soil water or soil at a temperature, from that at 25 °C.

    Parameters
    ----------
    ms_per_m_at_25 : any shape, mS/m, ≥ 0.
    temperature_c : −5 to 50 °C, that broadcasts with it.

    Raises
    ------
    InputError : a value out of range.

    Notes
    -----
    σ₂₅ = σ_T (0.4470 + 1.4034 e^{−T/26.815}).

    References
    ----------
    Corwin & Lesch 2005, Comput. Electron. Agric. 46:11-43, after Sheets & Hendrickx 1995.

    Examples
    --------
    >>> float(conductivity_at_temperature(141.35, 10.0).round(1))
    100.0
    """
    sigma, t = np.asarray(ms_per_m_at_25, dtype=np.float64), np.asarray(temperature_c, dtype=np.float64)
    if (sigma < 0.0).any():
        raise InputError("a conductivity must not be negative", received=f"{np.nanmin(sigma):g}")
    outside = t[(t < -5.0) | (t > 50.0)]
    if outside.size:
        raise InputError("temperature_c must lie between -5 and 50", received=f"{outside.flat[0]:g}")
    return np.asarray(sigma / (0.4470 + 1.4034 * np.exp(-t / 26.815)))


def _share(values: npt.ArrayLike, name: str) -> Array:
    share = np.asarray(values, dtype=np.float64)
    outside = share[(share < 0.0) | (share > 1.0)]
    if outside.size:
        raise InputError(f"{name} must lie between 0 and 1", received=f"{outside.flat[0]:g}")
    return share
