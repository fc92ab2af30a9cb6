"""A homogeneous medium that is not magnetic, and the wavenumber in it."""

from __future__ import annotations

import cmath
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_finite
from yewline.errors import InputError
from yewline.units import C_M_PER_S, MU0_H_PER_M

__all__ = ["AIR", "Medium", "angular_frequency", "wavenumber"]

Complex = npt.NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Medium:
    """Relative permittivity ε′ − jε″ and conductivity of a homogeneous medium, permeability that of vacuum.

    Parameters
    ----------
    permittivity : relative, real or complex (time convention e^{+jωt}, so a loss has a negative imaginary part).
    conductivity_ms_per_m : mS/m, ≥ 0.

    Raises
    ------
    InputError : a permittivity whose real part is not positive or that amplifies, a negative conductivity.

    Examples
    --------
    >>> Medium(9.0, 10.0)
    Medium(permittivity=9.0, conductivity_ms_per_m=10.0)
    """

    permittivity: complex = 1.0
    conductivity_ms_per_m: float = 0.0

    def __post_init__(self) -> None:
        eps = complex(self.permittivity)
        if not cmath.isfinite(eps) or eps.real <= 0:
            raise InputError("permittivity must have a real part greater than 0", received=self.permittivity)
        if eps.imag > 0:
            raise InputError(
                "permittivity amplifies the wave",
                received=self.permittivity,
                do="with e^{+jωt} a loss is a negative imaginary part: ε′ − jε″",
            )
        if check_finite(self.conductivity_ms_per_m, "conductivity_ms_per_m") < 0:
            raise InputError("conductivity_ms_per_m must not be negative", received=self.conductivity_ms_per_m)


AIR: Final = Medium()
"""Air, taken as vacuum."""


def angular_frequency(frequency_mhz: npt.ArrayLike) -> Complex:
    """Angular frequency in rad/s of a frequency in MHz that may be complex.

    A frequency f − jγ/(2π) belongs to a signal multiplied by e^{−γt}; see `apply_transfer`.

    Parameters
    ----------
    frequency_mhz : any shape, MHz; real part ≥ 0, imaginary part ≤ 0, not zero.

    Raises
    ------
    InputError : a frequency outside that quadrant, zero, or not finite.

    Examples
    --------
    >>> round(angular_frequency(400.0).real.item() / 1e9, 6)
    2.513274
    """
    f = np.asarray(frequency_mhz, dtype=np.complex128)
    if not np.isfinite(f).all():
        raise InputError("frequency_mhz holds values that are not finite")
    if np.any((f.real < 0) | (f.imag > 0) | (f == 0)):
        raise InputError(
            "frequency_mhz must be greater than 0", do="a damped one has a negative imaginary part and no negative real"
        )
    return np.asarray(2e6 * np.pi * f)


def wavenumber(frequency_mhz: npt.ArrayLike, *, medium: Medium = AIR) -> Complex:
    """Wavenumber k = β − jα in a lossy medium, rad/m.

    Parameters
    ----------
    frequency_mhz : any shape, MHz; may be complex, as in `angular_frequency`.
    medium : the medium.

    Returns
    -------
    Same shape, with the root whose imaginary part is not positive: e^{−jkr} decays outward.

    Notes
    -----
    k² = ω²μ₀ε₀(ε′ − jε″) − jωμ₀σ.

    References
    ----------
    Harrington 1961, Time-Harmonic Electromagnetic Fields, ch. 2.

    Examples
    --------
    >>> wavenumber(400.0, medium=Medium(9.0, 10.0)).round(6).item()
    (25.157972-0.627688j)
    """
    omega = angular_frequency(frequency_mhz)
    squared = (omega / C_M_PER_S) ** 2 * medium.permittivity - 1j * omega * (
        MU0_H_PER_M * 1e-3 * medium.conductivity_ms_per_m
    )
    root = np.sqrt(squared)
    return np.asarray(np.where(root.imag > 0, -root, root))
