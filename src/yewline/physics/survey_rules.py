"""Rules of thumb for laying out a survey: what can be resolved, and how densely to sample."""

from __future__ import annotations

import math

from yewline._check import check_finite, check_positive, check_velocity
from yewline.errors import InputError

__all__ = [
    "fresnel_radius_m",
    "time_interval_ns",
    "time_window_ns",
    "trace_spacing_m",
    "vertical_resolution_m",
    "wavelength_m",
]


def wavelength_m(*, centre_mhz: float, v_m_per_ns: float) -> float:
    """Wavelength at the centre frequency.

    Raises
    ------
    InputError : a value that is not positive, or a velocity above that of light.

    Examples
    --------
    >>> wavelength_m(centre_mhz=400.0, v_m_per_ns=0.1)
    0.25
    """
    return 1e3 * check_velocity(v_m_per_ns, "v_m_per_ns") / check_positive(centre_mhz, "centre_mhz")


def vertical_resolution_m(*, centre_mhz: float, v_m_per_ns: float) -> float:
    """Thinnest layer with top and base apart: a quarter of the wavelength (common practice).

    References
    ----------
    Annan & Cosway 1992, SAGEEP, 329-351.

    Examples
    --------
    >>> vertical_resolution_m(centre_mhz=400.0, v_m_per_ns=0.1)
    0.0625
    """
    return wavelength_m(centre_mhz=centre_mhz, v_m_per_ns=v_m_per_ns) / 4.0


def fresnel_radius_m(depth_m: float, *, centre_mhz: float, v_m_per_ns: float) -> float:
    """Radius of the first Fresnel zone at a depth: how wide an area answers as one.

    Notes
    -----
    √(λd/2 + λ²/16), the exact form of the common √(λd/2).

    Examples
    --------
    >>> round(fresnel_radius_m(1.5, centre_mhz=400.0, v_m_per_ns=0.1), 4)
    0.4375
    """
    if check_finite(depth_m, "depth_m") < 0:
        raise InputError("depth_m must not be negative", received=depth_m)
    wavelength = wavelength_m(centre_mhz=centre_mhz, v_m_per_ns=v_m_per_ns)
    return math.sqrt(wavelength * depth_m / 2.0 + wavelength**2 / 16.0)


def trace_spacing_m(*, centre_mhz: float, v_m_per_ns: float) -> float:
    """Widest spacing of traces that does not alias a flank: a quarter of the wavelength.

    References
    ----------
    Annan & Cosway 1992, SAGEEP, 329-351 (value from memory).

    Examples
    --------
    >>> trace_spacing_m(centre_mhz=400.0, v_m_per_ns=0.1)
    0.0625
    """
    return wavelength_m(centre_mhz=centre_mhz, v_m_per_ns=v_m_per_ns) / 4.0


def time_interval_ns(*, centre_mhz: float) -> float:
    """Longest sample interval: six samples a period of the centre frequency.

    References
    ----------
    Annan & Cosway 1992, SAGEEP, 329-351 (value from memory).

    Examples
    --------
    >>> round(time_interval_ns(centre_mhz=400.0), 5)
    0.41667
    """
    return 1e3 / (6.0 * check_positive(centre_mhz, "centre_mhz"))


def time_window_ns(depth_m: float, *, v_m_per_ns: float) -> float:
    """Time window to record for a depth: the two-way time and 30 % for what velocity may do.

    References
    ----------
    Annan & Cosway 1992, SAGEEP, 329-351 (value from memory).

    Examples
    --------
    >>> round(time_window_ns(1.5, v_m_per_ns=0.1), 9)
    39.0
    """
    return 1.3 * 2.0 * check_positive(depth_m, "depth_m") / check_positive(v_m_per_ns, "v_m_per_ns")
