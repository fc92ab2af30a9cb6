"""How far lines, or traces, may lie apart before migration mistakes steep responses for others."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from yewline._check import check_in_range, check_positive, check_velocity
from yewline.errors import InputError

__all__ = ["AliasedShare", "aliased_share", "aliasing_limit_m"]

_STEPS = 2_000


def aliasing_limit_m(velocity_m_per_ns: float, *, highest_mhz: float, dip_deg: float = 90.0) -> float:
    """Widest spacing of traces or lines at which responses of this dip are not aliased, m.

    Parameters
    ----------
    velocity_m_per_ns : in the ground, m/ns.
    highest_mhz : upper edge of the band, MHz.
    dip_deg : steepest dip of what is to be imaged, deg; diffractions have all dips up to 90.

    Returns
    -------
    λ_min / (4 sin θ), m; infinite for flat ground.

    Raises
    ------
    InputError : values out of range.

    Notes
    -----
    At zero offset an event of dip θ arrives later by 2Δx sin θ/v from trace to trace: half a period at the limit.

    References
    ----------
    Yilmaz 2001, Seismic Data Analysis, §1.2 and §4.3 (spatial aliasing). Grasmueck, Weger & Horstmeyer 2005, Geophysics
    70:K12–K19 (a quarter of a wavelength for radar in three dimensions; from memory).

    Examples
    --------
    >>> round(aliasing_limit_m(0.1, highest_mhz=400.0), 4)
    0.0625
    """
    speed = check_velocity(velocity_m_per_ns, "velocity_m_per_ns")
    highest = check_positive(highest_mhz, "highest_mhz")
    sine = np.sin(np.radians(check_in_range(dip_deg, "dip_deg", 0.0, 90.0)))
    wavelength = 1e3 * speed / highest
    return float("inf") if sine == 0 else float(wavelength / (4.0 * sine))


@dataclass(frozen=True, slots=True)
class AliasedShare:
    """What a spacing aliases.

    Attributes
    ----------
    share : of band × dips that is aliased, 0 to 1.
    clean_below_mhz : frequency up to which the steepest dip is not aliased, MHz.
    clean_within_deg : dip up to which the whole band is not aliased, deg.
    widest_m : spacing at which nothing would be aliased, m.
    """

    share: float
    clean_below_mhz: float
    clean_within_deg: float
    widest_m: float


def aliased_share(
    spacing_m: float, velocity_m_per_ns: float, *, band_mhz: tuple[float, float], steepest_deg: float = 90.0
) -> AliasedShare:
    """What share of a band of frequencies and of the dips in it a spacing aliases, for a warning.

    Parameters
    ----------
    spacing_m : between traces, or between lines for migration across them, m.
    velocity_m_per_ns : in the ground, m/ns.
    band_mhz : lower and upper edge of the band, MHz.
    steepest_deg : steepest dip that is to be imaged, deg; migration's aperture, say.

    Returns
    -------
    AliasedShare: frequencies and dips count alike, from the lower edge to the upper and from 0 to the steepest.

    Raises
    ------
    InputError : values out of range, or a band whose edges are not in order.

    Notes
    -----
    A frequency f is aliased at dip θ where f sin θ > v/(4Δx).

    Examples
    --------
    >>> found = aliased_share(0.25, 0.1, band_mhz=(200.0, 600.0))
    >>> round(found.share, 3), round(found.clean_below_mhz), round(found.clean_within_deg, 1)
    (0.822, 100, 9.6)
    """
    spacing = check_positive(spacing_m, "spacing_m")
    speed = check_velocity(velocity_m_per_ns, "velocity_m_per_ns")
    low, high = (check_positive(edge, "band_mhz") for edge in band_mhz)
    if low >= high:
        raise InputError("the band's lower edge must lie below its upper one", received=f"{low:g} to {high:g} MHz")
    steepest = np.radians(check_in_range(steepest_deg, "steepest_deg", 0.0, 90.0))
    edge = 1e3 * speed / (4.0 * spacing)
    frequency = low + (high - low) * (np.arange(_STEPS) + 0.5) / _STEPS
    clean = np.minimum(np.arcsin(np.minimum(edge / frequency, 1.0)), steepest)
    share = 0.0 if steepest == 0 else float(1.0 - (clean / steepest).mean())
    sine = float(np.sin(steepest))
    return AliasedShare(
        share=max(share, 0.0),
        clean_below_mhz=float("inf") if sine == 0 else edge / sine,
        clean_within_deg=float(np.degrees(np.arcsin(min(edge / high, 1.0)))),
        widest_m=aliasing_limit_m(speed, highest_mhz=high, dip_deg=float(np.degrees(steepest))),
    )
