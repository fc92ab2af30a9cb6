"""Plane waves in a lossy medium, and velocity from permittivity."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline._check import check_velocity
from yewline.errors import InputError
from yewline.units import C_M_PER_NS, EPS0_F_PER_M, MU0_H_PER_M, NEPER_DB

__all__ = ["PlaneWave", "permittivity_of_velocity", "plane_wave", "velocity_of_permittivity"]

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PlaneWave:
    """How a plane wave travels in a medium; all members have the shape of the inputs broadcast together.

    Attributes
    ----------
    alpha_np_per_m, alpha_db_per_m : attenuation along the path, one way.
    beta_rad_per_m : phase constant.
    v_m_per_ns : phase velocity.
    wavelength_m, skin_depth_m : 2π/β and 1/α (infinite without loss).
    loss_tangent : σ/(ωε).
    """

    alpha_np_per_m: Array
    alpha_db_per_m: Array
    beta_rad_per_m: Array
    v_m_per_ns: Array
    wavelength_m: Array
    skin_depth_m: Array
    loss_tangent: Array


def plane_wave(
    frequency_mhz: npt.ArrayLike, *, permittivity: npt.ArrayLike, conductivity_ms_per_m: npt.ArrayLike = 0.0
) -> PlaneWave:
    """Velocity and attenuation of a plane wave, exact for any loss.

    Parameters
    ----------
    frequency_mhz : any shape, MHz, > 0.
    permittivity : relative permittivity, ≥ 1, that broadcasts with it.
    conductivity_ms_per_m : mS/m, ≥ 0, that broadcasts with it.

    Raises
    ------
    InputError : a value out of range.

    Notes
    -----
    α, β = ω √(με/2) · {√[1 + (σ/ωε)²] ∓ 1}^½, the medium not magnetic. The small difference under the root is taken as
    tan²δ / (√(1 + tan²δ) + 1), which keeps its digits where the loss is small.

    References
    ----------
    Annan 2005, in Near-Surface Geophysics (SEG); Balanis, Advanced Engineering Electromagnetics, ch. 4.

    Examples
    --------
    >>> wave = plane_wave(100.0, permittivity=9.0, conductivity_ms_per_m=10.0)
    >>> wave.v_m_per_ns.round(6).item(), wave.alpha_db_per_m.round(4).item()
    (0.099441, 5.427)
    """
    f, eps, sigma = np.broadcast_arrays(
        _at_least(frequency_mhz, "frequency_mhz", 0.0, strict=True),
        _at_least(permittivity, "permittivity", 1.0),
        _at_least(conductivity_ms_per_m, "conductivity_ms_per_m", 0.0),
    )
    omega = 2e6 * np.pi * f
    tangent = sigma * 1e-3 / (omega * EPS0_F_PER_M * eps)
    root = np.sqrt(1.0 + tangent**2)
    base = omega * np.sqrt(0.5 * MU0_H_PER_M * EPS0_F_PER_M * eps)
    alpha = base * tangent / np.sqrt(root + 1.0)
    beta = base * np.sqrt(root + 1.0)
    with np.errstate(divide="ignore"):
        skin = 1.0 / alpha
    return PlaneWave(
        alpha_np_per_m=alpha,
        alpha_db_per_m=alpha * NEPER_DB,
        beta_rad_per_m=beta,
        v_m_per_ns=omega / beta * 1e-9,
        wavelength_m=2.0 * np.pi / beta,
        skin_depth_m=skin,
        loss_tangent=tangent,
    )


def velocity_of_permittivity(permittivity: npt.ArrayLike) -> Array:
    """Velocity c/√ε of a wave without loss, m/ns.

    Parameters
    ----------
    permittivity : any shape, relative, ≥ 1; NaN stays NaN.

    Examples
    --------
    >>> float(velocity_of_permittivity(9.0).round(6))
    0.099931
    """
    return C_M_PER_NS / np.sqrt(_at_least(permittivity, "permittivity", 1.0))


def permittivity_of_velocity(v_m_per_ns: npt.ArrayLike) -> Array:
    """Relative permittivity (c/v)² of a medium without loss.

    Parameters
    ----------
    v_m_per_ns : any shape, m/ns, above 0 and at most that of light; NaN stays NaN.

    Raises
    ------
    InputError : a velocity that is not positive, or above that of light.

    Examples
    --------
    >>> float(permittivity_of_velocity(0.1).round(3))
    8.988
    """
    v = _at_least(v_m_per_ns, "v_m_per_ns", 0.0, strict=True)
    fast = v[v > C_M_PER_NS]
    if fast.size:
        check_velocity(float(fast.max()), "v_m_per_ns")
    return np.maximum((C_M_PER_NS / v) ** 2, 1.0)


def _at_least(values: npt.ArrayLike, name: str, low: float, *, strict: bool = False) -> Array:
    array = np.asarray(values, dtype=np.float64)
    bad = array[(array <= low) if strict else (array < low)]
    if bad.size:
        what = "greater than" if strict else "at least"
        raise InputError(f"{name} must be {what} {low:g}", received=f"{bad.flat[0]:g}")
    return array
