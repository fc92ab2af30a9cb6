"""Rules of thumb for how deep a radar sees, and for how wide it looks there."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_choice, check_positive
from yewline.errors import InputError
from yewline.physics.ranges import numbers_within

__all__ = [
    "DEPTH_RULES",
    "antenna_separation_m",
    "attenuation_rule_db_per_m",
    "centre_frequency_mhz",
    "depth_rule_m",
    "footprint_radius_m",
]

Array = npt.NDArray[np.float64]

DEPTH_RULES: Final = {
    "35/sigma": "35 over the conductivity in mS/m (Annan & Cosway 1992, from memory)",
    "30/alpha": "30 over the attenuation in dB/m (Annan & Cosway 1992, from memory)",
    "3 skin depths": "three times the low-loss skin depth (an open teaching text)",
}
"""The rules of `depth_rule_m` with their sources; they differ by half, and none knows the instrument."""

# ½ √(μ₀/ε₀) in S⁻¹: α = 188.37 σ/√ε Np/m where loss is low.
_LOW_LOSS: Final = 0.5 * 376.730_313_5
_CONES: Final = {"conyers-goodman": 1.0, "critical-angle": -1.0}


def depth_rule_m(
    rule: str,
    *,
    conductivity_ms_per_m: npt.ArrayLike = 0.0,
    attenuation_db_per_m: npt.ArrayLike = 0.0,
    permittivity: npt.ArrayLike = 1.0,
) -> Array:
    """Deepest that a radar sees by one of the rules of thumb.

    Parameters
    ----------
    rule : one of `DEPTH_RULES`; "35/sigma" takes the conductivity, "30/alpha" the attenuation, "3 skin depths" the
        conductivity and the permittivity.
    conductivity_ms_per_m, attenuation_db_per_m, permittivity : any shapes that broadcast; NaN stays NaN.

    Returns
    -------
    Broadcast shape, m; infinite in a medium without loss.

    Raises
    ------
    InputError : a rule that is not known, or a negative value.

    Notes
    -----
    D < 35/σ; D < 30/α; D = 3δ with δ = 2√(ε₀/μ₀) √ε/σ = 0.0053088 √ε/σ (σ in S/m).

    References
    ----------
    Annan & Cosway 1992, SAGEEP, 329-351 (the two first, from memory).

    Examples
    --------
    >>> depth_rule_m("35/sigma", conductivity_ms_per_m=10.0).item()
    3.5
    >>> depth_rule_m("3 skin depths", conductivity_ms_per_m=10.0, permittivity=9.0).round(2).item()
    4.78
    """
    check_choice(rule, "rule", tuple(DEPTH_RULES))
    sigma = numbers_within(conductivity_ms_per_m, "conductivity_ms_per_m", 0.0, math.inf)
    alpha = numbers_within(attenuation_db_per_m, "attenuation_db_per_m", 0.0, math.inf)
    eps = numbers_within(permittivity, "permittivity", 1.0, math.inf)
    with np.errstate(divide="ignore"):
        if rule == "35/sigma":
            return np.asarray(35.0 / sigma)
        if rule == "30/alpha":
            return np.asarray(30.0 / alpha)
        return np.asarray(3e3 * np.sqrt(eps) / (_LOW_LOSS * sigma))


def attenuation_rule_db_per_m(conductivity_ms_per_m: npt.ArrayLike, permittivity: npt.ArrayLike) -> Array:
    """Attenuation by the printed rule of thumb, 3 % above the exact limit of low loss (`plane_wave` has the exact one).

    Parameters
    ----------
    conductivity_ms_per_m, permittivity : any shapes that broadcast; mS/m and relative.

    Notes
    -----
    α = 1.69 σ/√ε dB/m; the limit of low loss is 1.636 σ/√ε.

    References
    ----------
    Annan 1991, as cited in an open teaching text: 30 mS/m at a permittivity of 25 is 10.1 dB/m.

    Examples
    --------
    >>> attenuation_rule_db_per_m(30.0, 25.0).round(2).item()
    10.14
    """
    sigma = numbers_within(conductivity_ms_per_m, "conductivity_ms_per_m", 0.0, math.inf)
    return np.asarray(1.69 * sigma / np.sqrt(numbers_within(permittivity, "permittivity", 1.0, math.inf)))


def footprint_radius_m(
    depth_m: float, *, centre_mhz: float, v_m_per_ns: float, permittivity: float, cone: str = "conyers-goodman"
) -> float:
    """Long radius of the area that the antenna lights at a depth.

    Parameters
    ----------
    depth_m, centre_mhz, v_m_per_ns : depth, centre frequency and velocity.
    permittivity : of the soil, > 1.
    cone : "conyers-goodman" (√(ε + 1)) or "critical-angle" (√(ε − 1), the cone of the critical angle exactly).

    Raises
    ------
    InputError : a value out of range.

    Notes
    -----
    λ/4 + d/√(ε ± 1): both signs are printed.

    References
    ----------
    Conyers & Goodman 1997, Ground-Penetrating Radar (+); Annan & Cosway 1992 (−); both from memory.

    Examples
    --------
    >>> round(footprint_radius_m(1.5, centre_mhz=400.0, v_m_per_ns=0.1, permittivity=9.0), 4)
    0.5368
    """
    check_choice(cone, "cone", tuple(_CONES))
    if check_positive(permittivity, "permittivity") <= 1.0:
        raise InputError("permittivity must be greater than 1", received=permittivity)
    wavelength = 1e3 * check_positive(v_m_per_ns, "v_m_per_ns") / check_positive(centre_mhz, "centre_mhz")
    return wavelength / 4.0 + check_positive(depth_m, "depth_m") / math.sqrt(permittivity + _CONES[cone])


def centre_frequency_mhz(resolution_m: float, *, permittivity: float) -> float:
    """Centre frequency for a wanted resolution: half a wavelength, twice as strict as `vertical_resolution_m`.

    Notes
    -----
    f = 150 / (Δz √ε).

    References
    ----------
    Annan & Cosway 1992, SAGEEP, 329-351 (from memory).

    Examples
    --------
    >>> centre_frequency_mhz(0.25, permittivity=9.0)
    200.0
    """
    return 150.0 / (
        check_positive(resolution_m, "resolution_m") * math.sqrt(check_positive(permittivity, "permittivity"))
    )


def antenna_separation_m(depth_m: float, *, permittivity: float) -> float:
    """Distance of transmitter and receiver that aims both at a depth by the critical angle.

    Notes
    -----
    S = 2d / √(ε − 1).

    References
    ----------
    Annan & Cosway 1992, SAGEEP, 329-351 (from memory).

    Examples
    --------
    >>> round(antenna_separation_m(1.5, permittivity=9.0), 4)
    1.0607
    """
    if check_positive(permittivity, "permittivity") <= 1.0:
        raise InputError("permittivity must be greater than 1", received=permittivity)
    return 2.0 * check_positive(depth_m, "depth_m") / math.sqrt(permittivity - 1.0)
