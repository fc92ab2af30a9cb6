"""Constants of an absorbing layer with graded conductivity (perfectly matched layer)."""

from __future__ import annotations

import math

from yewline._check import check_choice, check_in_range, check_positive
from yewline.errors import InputError
from yewline.units import ETA0_OHM

__all__ = ["absorber_conductivity_s_per_m", "absorber_reflection"]


def absorber_conductivity_s_per_m(
    cell_m: float, *, permittivity: float = 1.0, order: float = 3.0, rule: str = "roden-gedney"
) -> float:
    """Greatest conductivity of a polynomially graded absorber of about ten cells that reflects least.

    Parameters
    ----------
    cell_m : cell, m.
    permittivity : relative permittivity of the medium that the absorber continues, ≥ 1.
    order : exponent m of the grading, 1 to 6; 3 or 4 is common practice.
    rule : "roden-gedney" or "taflove"; they differ by 0.07 %, because one rounds η₀ to 120π.

    Returns
    -------
    S/m.

    Notes
    -----
    σ = (m + 1) / (150π √ε Δ), or 0.8 (m + 1) / (η₀ √ε Δ).

    References
    ----------
    Roden & Gedney 2000, Microw. Opt. Technol. Lett. 27:334-339, eq. 15; Taflove & Hagness 2005, Computational
    Electrodynamics, ch. 7.

    Examples
    --------
    >>> round(absorber_conductivity_s_per_m(0.01), 6)
    0.848826
    """
    cell = check_positive(cell_m, "cell_m")
    root = math.sqrt(_permittivity(permittivity))
    factor = check_in_range(order, "order", 1.0, 6.0) + 1.0
    if check_choice(rule, "rule", ("roden-gedney", "taflove")) == "taflove":
        return 0.8 * factor / (ETA0_OHM * root * cell)
    return factor / (150.0 * math.pi * root * cell)


def absorber_reflection(
    conductivity_s_per_m: float,
    *,
    thickness_m: float,
    permittivity: float = 1.0,
    order: float = 3.0,
    angle_deg: float = 0.0,
) -> float:
    """Reflection by the wall behind a graded absorber, before the error of the grid.

    Parameters
    ----------
    conductivity_s_per_m : greatest conductivity, at the wall, S/m.
    thickness_m : of the absorber, m.
    permittivity, order : as in `absorber_conductivity_s_per_m`.
    angle_deg : angle of incidence from the normal, 0 to 90.

    Notes
    -----
    R = exp(−2 η₀ √ε σ d cos θ / (m + 1)), for a stretch κ + σ/(jωε₀) of lengths. A grid does not reach this
    figure: −60 to −80 dB is common practice, no source.

    References
    ----------
    Taflove & Hagness 2005, Computational Electrodynamics, ch. 7 (from memory).

    Examples
    --------
    >>> sigma = absorber_conductivity_s_per_m(0.01, rule="taflove")
    >>> f"{absorber_reflection(sigma, thickness_m=0.1):.2e}"
    '1.13e-07'
    """
    sigma = check_positive(conductivity_s_per_m, "conductivity_s_per_m")
    loss = ETA0_OHM * math.sqrt(_permittivity(permittivity)) * sigma
    slant = math.cos(math.radians(check_in_range(angle_deg, "angle_deg", 0.0, 90.0)))
    factor = check_in_range(order, "order", 1.0, 6.0) + 1.0
    return math.exp(-2.0 * loss * check_positive(thickness_m, "thickness_m") * slant / factor)


def _permittivity(value: float) -> float:
    eps = check_positive(value, "permittivity")
    if eps < 1:
        raise InputError("permittivity must be at least 1", received=f"{eps:g}")
    return eps
