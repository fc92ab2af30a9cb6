"""The radar range equation: how much of the power comes back from a depth, and how deep the instrument sees."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
from scipy.special import lambertw

from yewline._check import check_choice, check_finite, check_in_range, check_positive
from yewline.errors import InputError
from yewline.physics.ranges import numbers_within
from yewline.units import NEPER_DB

__all__ = ["RadarTarget", "range_equation_db", "range_equation_depth_m"]

Array = npt.NDArray[np.float64]

# The power of distance that is left in the denominator once the target's own growth with distance is taken off.
_FALL: Final = {"smooth plane": 2, "rough plane": 3, "point": 4}


@dataclass(frozen=True, slots=True)
class RadarTarget:
    """What sends the wave back, and how well the antennas couple.

    Attributes
    ----------
    kind : "smooth plane", "rough plane" or "point".
    reflection : size of the reflection coefficient, above 0 to 1.
    radius_m : of a point target.
    antenna_db : efficiency and gain of both antennas, ξ_t ξ_r G_t G_r in dB; 0 is that of ideal isotropic ones.

    Raises
    ------
    InputError : a value out of range.
    """

    kind: Literal["smooth plane", "rough plane", "point"] = "smooth plane"
    reflection: float = 0.1
    radius_m: float = 0.1
    antenna_db: float = 0.0

    def __post_init__(self) -> None:
        check_choice(self.kind, "kind", tuple(_FALL))
        check_in_range(self.reflection, "reflection", 0.0, 1.0)
        check_positive(self.reflection, "reflection")
        check_positive(self.radius_m, "radius_m")
        check_finite(self.antenna_db, "antenna_db")


def range_equation_db(
    depth_m: npt.ArrayLike,
    target: RadarTarget,
    *,
    frequency_mhz: float,
    v_m_per_ns: npt.ArrayLike,
    alpha_db_per_m: npt.ArrayLike,
) -> Array:
    """Power received over power sent, from a target at a depth.

    Parameters
    ----------
    depth_m, v_m_per_ns, alpha_db_per_m : depth, velocity and one-way attenuation, shapes that broadcast; NaN stays NaN.
    target : what reflects.
    frequency_mhz : centre frequency.

    Returns
    -------
    Broadcast shape, dB (negative).

    Raises
    ------
    InputError : a value that is not positive, or a negative attenuation.

    Notes
    -----
    Q = 10 log₁₀ [ξ_tξ_rG_tG_r v² gσ_s e^{−4αL} / (64 π³ f² L⁴)] with gσ_s = πL²R² (smooth plane), πLλR²/2 (rough plane)
    or πa²R² (point).

    References
    ----------
    Annan & Davis 1977, Geol. Surv. Can. Pap. 77-1B:117-124; Davis & Annan 1989, Geophys. Prospect. 37:531-551 (from
    memory).

    Examples
    --------
    >>> target = RadarTarget("smooth plane", reflection=0.2)
    >>> range_equation_db(1.5, target, frequency_mhz=400.0, v_m_per_ns=0.1, alpha_db_per_m=1.0).round(2).item()
    -60.55
    """
    depth = _positive(depth_m, "depth_m")
    alpha = numbers_within(alpha_db_per_m, "alpha_db_per_m", 0.0, math.inf)
    at_one = _at_one_metre_db(target, frequency_mhz, v_m_per_ns)
    return np.asarray(at_one - 10.0 * _FALL[target.kind] * np.log10(depth) - 2.0 * alpha * depth)


def range_equation_depth_m(
    dynamic_range_db: float,
    target: RadarTarget,
    *,
    frequency_mhz: float,
    v_m_per_ns: npt.ArrayLike,
    alpha_db_per_m: npt.ArrayLike,
) -> Array:
    """Depth at which a target's echo falls to the noise: where `range_equation_db` is minus the dynamic range.

    Parameters
    ----------
    dynamic_range_db : power sent over the weakest power that is seen, of instrument and stacking together.
    target, frequency_mhz, v_m_per_ns, alpha_db_per_m : as in `range_equation_db`.

    Returns
    -------
    Broadcast shape, m.

    Raises
    ------
    InputError : as in `range_equation_db`, or a dynamic range that is not positive.

    Notes
    -----
    With A the equation at 1 m without absorption, D the dynamic range and n = 2, 3, 4 for the three kinds, the closed
    solution is L = (n/4α) W[(4α/n) 10^{(A + D)/10n}], α in Np/m and W Lambert's; without loss L = 10^{(A + D)/10n}.

    References
    ----------
    As in `range_equation_db`; Corless et al. 1996, Adv. Comput. Math. 5:329-359 (W).

    Examples
    --------
    >>> target = RadarTarget("smooth plane", reflection=0.2)
    >>> range_equation_depth_m(60.5457, target, frequency_mhz=400.0, v_m_per_ns=0.1, alpha_db_per_m=1.0).round(2).item()
    1.5
    """
    check_positive(dynamic_range_db, "dynamic_range_db")
    n = _FALL[target.kind]
    alpha = numbers_within(alpha_db_per_m, "alpha_db_per_m", 0.0, math.inf) / NEPER_DB
    free = 10.0 ** ((_at_one_metre_db(target, frequency_mhz, v_m_per_ns) + dynamic_range_db) / (10.0 * n))
    rate = 4.0 * alpha / n
    with np.errstate(divide="ignore", invalid="ignore"):
        lossy = lambertw(rate * free).real / rate
    return np.asarray(np.where(rate > 0.0, lossy, np.where(np.isnan(rate), np.nan, free)))


def _at_one_metre_db(target: RadarTarget, frequency_mhz: float, v_m_per_ns: npt.ArrayLike) -> Array:
    """The equation at 1 m without absorption, dB."""
    wavelength = 1e3 * _positive(v_m_per_ns, "v_m_per_ns") / check_positive(frequency_mhz, "frequency_mhz")
    areas = {
        "smooth plane": np.pi * np.ones_like(wavelength),
        "rough plane": np.pi * wavelength / 2.0,
        "point": np.pi * target.radius_m**2 * np.ones_like(wavelength),
    }
    ratio = wavelength**2 * areas[target.kind] * target.reflection**2 / (64.0 * np.pi**3)
    return np.asarray(target.antenna_db + 10.0 * np.log10(ratio))


def _positive(values: npt.ArrayLike, name: str) -> Array:
    array = numbers_within(values, name, 0.0, math.inf)
    if (array == 0.0).any():
        raise InputError(f"{name} must be greater than zero", received="0")
    return array
