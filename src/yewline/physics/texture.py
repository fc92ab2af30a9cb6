"""Permittivity and loss of soil from its grain sizes: the semi-empirical texture model."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_in_range
from yewline.errors import InputError
from yewline.physics.water import water_relaxation
from yewline.units import EPS0_F_PER_M

__all__ = ["GRAIN_G_PER_CM3", "texture_conductivity", "texture_permittivity"]

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

GRAIN_G_PER_CM3: Final = 2.66
"""Density of the grains that the texture model takes, g/cm³."""

_ALPHA: Final = 0.65
_SOLID: Final = (1.01 + 0.44 * GRAIN_G_PER_CM3) ** 2 - 0.062


def texture_conductivity(sand: npt.ArrayLike, clay: npt.ArrayLike, bulk_g_per_cm3: npt.ArrayLike = 1.5) -> Array:
    """Effective conductivity that the texture model gives to the water in soil.

    Parameters
    ----------
    sand, clay : shares of the mass, 0 to 1, that broadcast together.
    bulk_g_per_cm3 : dry bulk density that broadcasts with them.

    Returns
    -------
    Broadcast shape, mS/m; never below 0, where the fit would lead in loose sand.

    Notes
    -----
    σ = 0.0467 + 0.2204 ρ_b − 0.4111 S + 0.6614 C in S/m, for 0.3 to 1.3 GHz. It is a term of `texture_permittivity`
    and not the conductivity of the soil. Some codes subtract the clay term, with its coefficient divided by 100; the
    paper adds it. Corrections to the paper (IEEE TGRS 33(6):1340) were not at hand: no agreement better than 1 % is
    claimed.

    References
    ----------
    Peplinski, Ulaby & Dobson 1995, IEEE Trans. Geosci. Remote Sens. 33(3):803-807.

    Examples
    --------
    >>> float(texture_conductivity(0.4, 0.3).round(2))
    411.28
    """
    s, c = _shares(sand, clay)
    return 1e3 * np.maximum(0.0467 + 0.2204 * _density(bulk_g_per_cm3) - 0.4111 * s + 0.6614 * c, 0.0)


def texture_permittivity(
    vwc: npt.ArrayLike,
    *,
    sand: npt.ArrayLike,
    clay: npt.ArrayLike,
    frequency_mhz: float,
    bulk_g_per_cm3: npt.ArrayLike = 1.5,
    temperature_c: float = 20.0,
) -> Complex:
    """Complex relative permittivity ε′ − jε″ of soil by the texture model.

    Parameters
    ----------
    vwc : any shape, m³/m³, 0 to the pores that go with the bulk density; NaN stays NaN.
    sand, clay : shares of the mass, 0 to 1, that broadcast with it.
    frequency_mhz : 50 to 1300 MHz. The model was fitted from 300 MHz on: below, it is stretched.
    bulk_g_per_cm3 : dry bulk density that broadcasts with it.
    temperature_c : of the water, 0 to 40 °C.

    Returns
    -------
    Broadcast shape, complex; its loss holds conduction as well as relaxation.

    Raises
    ------
    InputError : a value out of range, or more water than pores.

    Notes
    -----
    With α = 0.65, ε_s = 4.69, β′ = 1.2748 − 0.519S − 0.152C and β″ = 1.33797 − 0.603S − 0.166C:
    ε′ = 1.15 [1 + (ρ_b/ρ_s)(ε_s^α − 1) + θ^β′ ε′_w^α − θ]^{1/α} − 0.68 and ε″ = θ^{β″/α} ε″_w, where the loss of the
    water has the relaxation of pure water and σ(ρ_s − ρ_b)/(2πf ε₀ ρ_s θ) with σ of `texture_conductivity`. In middling
    soil it lies up to a third above Topp's relation: the models differ that much.

    References
    ----------
    Peplinski, Ulaby & Dobson 1995, IEEE Trans. Geosci. Remote Sens. 33(3):803-807; Dobson, Ulaby, Hallikainen &
    El-Rayes 1985, IEEE Trans. Geosci. Remote Sens. GE-23:35-46; water as in `water_relaxation` by Stogryn.

    Examples
    --------
    >>> eps = texture_permittivity(0.2, sand=0.4, clay=0.2, frequency_mhz=500.0)
    >>> eps.real.round(3).item(), (-eps.imag).round(3).item()
    (13.126, 2.101)
    """
    f = 1e6 * check_in_range(frequency_mhz, "frequency_mhz", 50.0, 1300.0)
    s, c = _shares(sand, clay)
    packed = _density(bulk_g_per_cm3) / GRAIN_G_PER_CM3
    theta = np.asarray(vwc, dtype=np.float64)
    bad = (theta < 0.0) | (theta > 1.0 - packed + 1e-9)
    if bad.any():
        raise InputError(
            "vwc must lie between 0 and the pores of the soil",
            received=f"{np.broadcast_to(theta, bad.shape)[bad].flat[0]:g}",
            do="lower the bulk density, or the water content",
        )
    water = water_relaxation(check_in_range(temperature_c, "temperature_c", 0.0, 40.0), model="stogryn")
    wet = water.at(frequency_mhz)
    real = 1.0 + packed * (_SOLID**_ALPHA - 1.0) + theta ** (1.2748 - 0.519 * s - 0.152 * c) * wet.real**_ALPHA - theta
    # θ^{β″/α}·(relaxation + conduction/θ), with the division by θ drawn into the power: no 0/0 in dry soil.
    power = (1.33797 - 0.603 * s - 0.166 * c) / _ALPHA
    sigma = 1e-3 * texture_conductivity(s, c, bulk_g_per_cm3) * (1.0 - packed) / (2.0 * np.pi * f * EPS0_F_PER_M)
    loss = theta**power * -wet.imag + theta ** (power - 1.0) * sigma
    return np.asarray(1.15 * real ** (1.0 / _ALPHA) - 0.68 - 1j * loss)


def _shares(sand: npt.ArrayLike, clay: npt.ArrayLike) -> tuple[Array, Array]:
    s, c = np.asarray(sand, dtype=np.float64), np.asarray(clay, dtype=np.float64)
    for name, share in (("sand", s), ("clay", c)):
        if not ((share >= 0.0) & (share <= 1.0)).all():
            raise InputError(f"{name} must lie between 0 and 1", received=f"{share.flat[0]:g}")
    if (s + c > 1.0 + 1e-9).any():
        raise InputError("sand and clay must not exceed 1 together", received=f"{np.max(s + c):g}")
    return s, c


def _density(bulk_g_per_cm3: npt.ArrayLike) -> Array:
    bulk = np.asarray(bulk_g_per_cm3, dtype=np.float64)
    bad = ~((bulk > 0.0) & (bulk < GRAIN_G_PER_CM3))
    if bad.any():
        raise InputError(
            f"bulk_g_per_cm3 must lie between 0 and {GRAIN_G_PER_CM3:g}", received=f"{bulk[bad].flat[0]:g}"
        )
    return bulk
