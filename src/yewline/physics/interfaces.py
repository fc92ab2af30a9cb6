"""Reflection and transmission at a plane boundary between two media.

Sign convention: e^{+jωt}, ε = ε′ − jε″. The wave comes from medium 1.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from yewline._check import check_positive
from yewline.errors import InputError
from yewline.units import EPS0_F_PER_M

__all__ = [
    "brewster_angle_deg",
    "complex_permittivity",
    "critical_angle_deg",
    "reflection_normal",
    "reflection_te",
    "reflection_tm",
    "transmission_normal",
]

Complex = npt.NDArray[np.complex128]


def complex_permittivity(
    permittivity: npt.ArrayLike, *, conductivity_ms_per_m: npt.ArrayLike, frequency_mhz: npt.ArrayLike
) -> Complex:
    """Relative complex permittivity ε′ − jσ/(ωε₀).

    Parameters
    ----------
    permittivity, conductivity_ms_per_m, frequency_mhz : shapes that broadcast together; relative, mS/m, MHz.

    Examples
    --------
    >>> complex_permittivity(9.0, conductivity_ms_per_m=10.0, frequency_mhz=400.0).round(4).item()
    (9-0.4494j)
    """
    omega = 2e6 * np.pi * np.asarray(frequency_mhz, dtype=np.float64)
    if np.any(omega <= 0):
        raise InputError("frequency_mhz must be greater than 0")
    loss = np.asarray(conductivity_ms_per_m, dtype=np.float64) * 1e-3 / (omega * EPS0_F_PER_M)
    return np.asarray(np.asarray(permittivity, dtype=np.float64) - 1j * loss)


def reflection_normal(eps1: npt.ArrayLike, eps2: npt.ArrayLike) -> Complex:
    """Reflection coefficient of the electric field at normal incidence.

    Negative where permittivity rises across the boundary; positive for an air-filled void under soil.

    Parameters
    ----------
    eps1, eps2 : relative permittivities of the two media, real or complex, shapes that broadcast together.

    Notes
    -----
    R = (√ε₁ − √ε₂) / (√ε₁ + √ε₂), both media not magnetic.

    References
    ----------
    Balanis, Advanced Engineering Electromagnetics, ch. 5; Annan 2005, in Near-Surface Geophysics (SEG).

    Examples
    --------
    >>> reflection_normal(1.0, 9.0).real.item()
    -0.5
    """
    n1, n2 = _index(eps1), _index(eps2)
    return np.asarray((n1 - n2) / (n1 + n2))


def transmission_normal(eps1: npt.ArrayLike, eps2: npt.ArrayLike) -> Complex:
    """Transmission coefficient of the electric field at normal incidence: 1 + R = 2√ε₁ / (√ε₁ + √ε₂).

    Parameters
    ----------
    eps1, eps2 : as in `reflection_normal`.

    Examples
    --------
    >>> transmission_normal(1.0, 9.0).real.item()
    0.5
    """
    return np.asarray(1.0 + reflection_normal(eps1, eps2))


def reflection_te(eps1: npt.ArrayLike, eps2: npt.ArrayLike, *, angle_deg: npt.ArrayLike) -> Complex:
    """Reflection coefficient with the electric field across the plane of incidence.

    Parameters
    ----------
    eps1, eps2 : relative permittivities, real or complex.
    angle_deg : angle of incidence from the normal, 0 to 90, that broadcasts with them.

    Raises
    ------
    InputError : an angle outside [0, 90].

    Notes
    -----
    R = (n₁ cos θ₁ − n₂ cos θ₂) / (n₁ cos θ₁ + n₂ cos θ₂) with Snell's law for θ₂. Beyond the critical angle |R| = 1.

    References
    ----------
    Balanis, Advanced Engineering Electromagnetics, ch. 5.

    Examples
    --------
    >>> round(reflection_te(1.0, 9.0, angle_deg=60.0).real.item(), 6)
    -0.703465
    """
    n1, n2, cos1, cos2 = _snell(eps1, eps2, angle_deg)
    return np.asarray((n1 * cos1 - n2 * cos2) / (n1 * cos1 + n2 * cos2))


def reflection_tm(eps1: npt.ArrayLike, eps2: npt.ArrayLike, *, angle_deg: npt.ArrayLike) -> Complex:
    """Reflection coefficient of the *magnetic* field, which lies across the plane of incidence.

    At normal incidence it is minus `reflection_normal`.

    Parameters
    ----------
    eps1, eps2, angle_deg : as in `reflection_te`.

    Notes
    -----
    R = (n₂ cos θ₁ − n₁ cos θ₂) / (n₂ cos θ₁ + n₁ cos θ₂).

    References
    ----------
    Balanis, Advanced Engineering Electromagnetics, ch. 5.

    Examples
    --------
    >>> round(reflection_tm(1.0, 9.0, angle_deg=60.0).real.item(), 6)
    0.220789
    """
    n1, n2, cos1, cos2 = _snell(eps1, eps2, angle_deg)
    return np.asarray((n2 * cos1 - n1 * cos2) / (n2 * cos1 + n1 * cos2))


def brewster_angle_deg(eps1: float, eps2: float) -> float:
    """Angle of incidence without reflection of the magnetic field (TM), media without loss.

    Examples
    --------
    >>> round(brewster_angle_deg(1.0, 9.0), 4)
    71.5651
    """
    ratio = check_positive(eps2, "eps2") / check_positive(eps1, "eps1")
    return float(np.degrees(np.arctan(np.sqrt(ratio))))


def critical_angle_deg(eps1: float, eps2: float) -> float | None:
    """Angle of incidence from which all is reflected, media without loss; None where the second is the denser.

    Examples
    --------
    >>> round(critical_angle_deg(9.0, 1.0), 4), critical_angle_deg(1.0, 9.0)
    (19.4712, None)
    """
    ratio = check_positive(eps2, "eps2") / check_positive(eps1, "eps1")
    return float(np.degrees(np.arcsin(np.sqrt(ratio)))) if ratio < 1 else None


def _index(eps: npt.ArrayLike) -> Complex:
    value = np.asarray(eps, dtype=np.complex128)
    if np.any(value.real <= 0):
        raise InputError("permittivity must have a real part greater than 0")
    return np.asarray(np.sqrt(value))


def _snell(
    eps1: npt.ArrayLike, eps2: npt.ArrayLike, angle_deg: npt.ArrayLike
) -> tuple[Complex, Complex, npt.NDArray[np.float64], Complex]:
    angle = np.asarray(angle_deg, dtype=np.float64)
    if np.any((angle < 0) | (angle > 90)):
        raise InputError("angle_deg must lie between 0 and 90")
    n1, n2 = _index(eps1), _index(eps2)
    cos1 = np.cos(np.radians(angle))
    cos2 = np.sqrt(1.0 - (n1 / n2 * np.sin(np.radians(angle))) ** 2)
    # With e^{+jωt} the wave in medium 2 must decay away from the boundary: Im(n₂ cos θ₂) ≤ 0.
    cos2 = np.where((n2 * cos2).imag > 0, -cos2, cos2)
    return n1, n2, cos1, cos2
