"""What the ground's surface does to the phase of a wave that antennas on it send down at an angle."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import hankel2

from yewline._check import check_array, check_positive, check_velocity
from yewline.units import C_M_PER_NS

__all__ = ["surface_delay_ns"]

F64 = npt.NDArray[np.float64]

TRAVELLING: Final = 120
EVANESCENT: Final = 40


def surface_delay_ns(across_m: npt.ArrayLike, *, depth_m: float, v_m_per_ns: float, frequency_mhz: float) -> F64:
    """How much later than distance over velocity a crest gets from an antenna on the ground to a point in it.

    Below 0 at steep angles beyond the critical one: the wave enters the ground with a phase that changes with the
    angle, so that crests along a hyperbola's legs come early and its velocity would be found several per cent too high.

    Parameters
    ----------
    across_m : (n,) horizontal distance between antenna and point, m.
    depth_m : of the point, m.
    v_m_per_ns : wave velocity in the ground, m/ns.
    frequency_mhz : of the wave, MHz.

    Returns
    -------
    (n,) ns, one way.

    Raises
    ------
    InputError : a value out of range.

    Notes
    -----
    Field of a line current on the boundary of two half-spaces (electric field along it, as with antennas laid across
    the line), E ∝ ∫ e^{−jkₓx − jk_z d}/(k_z + k_z0) dkₓ, against that in endless ground, H₀⁽²⁾(kR). Far below the
    surface the phase becomes that of Fresnel's transmission, atan(√(n² sin²θ − 1)/(n cos θ)) early; a few wavelengths
    down it is a third to a half less, which the integral has and the ray does not.

    References
    ----------
    Felsen & Marcuvitz 1973, Radiation and Scattering of Waves, ch. 5 (the integral). Smith 1984, IEEE Trans. Antennas
    Propag. 32:232–246 (pattern of antennas on a half-space). Both from memory.

    Examples
    --------
    >>> surface_delay_ns([0.0, 1.0], depth_m=1.0, v_m_per_ns=0.1, frequency_mhz=400.0).round(2).tolist()
    [-0.01, -0.3]
    """
    across = np.abs(check_array(across_m, "across_m", ndim=1))
    depth, v = check_positive(depth_m, "depth_m"), check_velocity(v_m_per_ns, "v_m_per_ns")
    omega = 2e-3 * math.pi * check_positive(frequency_mhz, "frequency_mhz")
    k, k_air = omega / v, omega / C_M_PER_NS
    # Angles for travelling waves, and hyperbolic ones for those that die away with depth; midpoints, so that no sample
    # lies on a branch point.
    steps = _steps(k * float(np.hypot(across, depth).max()))
    angle = (np.arange(steps) + 0.5) * (0.5 * math.pi / steps)
    deepest = math.asinh(25.0 / (k * depth))
    fading = (np.arange(EVANESCENT) + 0.5) * (deepest / EVANESCENT)
    lateral = k * np.concatenate([np.sin(angle), np.cosh(fading)])
    down = k * np.concatenate([np.cos(angle), -1j * np.sinh(fading)])
    width = np.concatenate([k * np.cos(angle) * (0.5 * math.pi / steps), k * np.sinh(fading) * (deepest / EVANESCENT)])
    above = np.sqrt((k_air**2 - lateral**2).astype(np.complex128))
    # e^{+jωt}: what does not travel must die away, so the root in the lower half-plane.
    above = np.where(above.imag > 0, -above, above)
    weight = width * np.exp(-1j * down * depth) / (down + above)
    # A plain sum: the matrix product would wake the linear algebra library's threads for a few thousand numbers.
    field = (np.cos(np.outer(across, lateral)) * weight).sum(axis=1)
    ahead = np.angle(field / hankel2(0, k * np.hypot(across, depth)))
    # The phase is below half a turn wherever a wave is to be seen.
    return np.asarray(-ahead / omega)


def _steps(phase: float) -> int:
    """Enough samples for a phase of this size to be followed."""
    return max(TRAVELLING, math.ceil(4.0 * phase))
