"""Wave velocity from soil moisture, with an uncertainty that says what a shallow probe cannot know."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline._check import check_finite, check_positive
from yewline.errors import InputError
from yewline.ground.moisture_evidence import PROFILE_SIGMA_VWC
from yewline.ground.moisture_map import FEWEST_FOR_FIT
from yewline.ground.reading_error import split_reading_error
from yewline.ground.summary import MoistureSummary
from yewline.model import Soil, VelocityField
from yewline.physics import (
    TOPP_STANDARD_ERROR_VWC,
    mixed_permittivity,
    topp_permittivity,
    topp_slope,
    velocity_of_permittivity,
)
from yewline.units import Z90

__all__ = [
    "DECLARED_RELATIVE_SIGMA",
    "profile_sigma_vwc",
    "soil_model_sigma",
    "velocity_declared",
    "velocity_from_moisture",
    "velocity_slope",
]

Array = npt.NDArray[np.float64]

DECLARED_RELATIVE_SIGMA: Final = 0.10
"""Relative standard deviation of a declared velocity that comes without one (own choice, no source)."""

_POROSITY: Final = 0.45
_UNKNOWN_SD: Final = 0.03


def velocity_slope(vwc: npt.ArrayLike) -> Array:
    """Slope dv/dθ of velocity by Topp's relation, m/ns per m³/m³ (negative).

    Parameters
    ----------
    vwc : any shape, m³/m³; NaN stays NaN.

    Notes
    -----
    dv/dθ = −v ε′(θ) / 2ε. At 0.20 m³/m³ an error of 0.03 changes velocity by 9 %.

    References
    ----------
    Topp, Davis & Annan 1980, Water Resour. Res. 16(3):574-582.

    Examples
    --------
    >>> velocity_slope(0.2).round(4).item()
    -0.2725
    """
    eps = topp_permittivity(vwc)
    return np.asarray(-0.5 * velocity_of_permittivity(eps) * topp_slope(vwc) / eps)


def soil_model_sigma(vwc: npt.ArrayLike) -> Array:
    """How far two soil models disagree about velocity: half the difference of Topp's relation and a mixing model, m/ns.

    Parameters
    ----------
    vwc : any shape, m³/m³; NaN stays NaN.

    Notes
    -----
    The mixing model has exponent ½, grains of permittivity 5, water 80.1, and 45 % pores (where there is more water
    than that, as many as it fills). The two stand for one standard deviation on either side of their middle (own
    choice).

    References
    ----------
    Birchak et al. 1974, Proc. IEEE 62:93-98; Topp et al. 1980.

    Examples
    --------
    >>> soil_model_sigma(0.2).round(4).item()
    0.0013
    """
    theta = np.asarray(vwc, dtype=np.float64)
    mixed = velocity_of_permittivity(mixed_permittivity(theta, porosity=np.fmax(_POROSITY, theta)))
    return 0.5 * np.abs(mixed - velocity_of_permittivity(topp_permittivity(theta)))


def profile_sigma_vwc(*, support_depth_m: float, target_depth_m: float) -> float:
    """What a shallow probe does not know about the ground down to the target, m³/m³ (one standard deviation).

    Parameters
    ----------
    support_depth_m : the probe stands for 0 to this depth, m.
    target_depth_m : the wave travels from 0 to this depth, m.

    Notes
    -----
    `PROFILE_SIGMA_VWC` · ln(target / support), and zero where the probe reaches the target.

    Examples
    --------
    >>> round(profile_sigma_vwc(support_depth_m=0.12, target_depth_m=1.0), 4)
    0.0318
    >>> profile_sigma_vwc(support_depth_m=1.0, target_depth_m=0.8)
    0.0
    """
    ratio = check_positive(target_depth_m, "target_depth_m") / check_positive(support_depth_m, "support_depth_m")
    return PROFILE_SIGMA_VWC * max(0.0, math.log(ratio))


def velocity_from_moisture(
    summary: MoistureSummary,
    moisture_map: xr.Dataset | None,
    *,
    sigma_vwc: float,
    target_depth_m: float,
    support_depth_m: float | None = None,
) -> VelocityField:
    """Velocity v = c/√ε(θ) by Topp's relation over a moisture map, with its uncertainty.

    Parameters
    ----------
    summary : of the visit's readings.
    moisture_map : from `map_moisture`, or None where there were too few readings: the field is then uniform.
    sigma_vwc : standard deviation of one reading, m³/m³.
    target_depth_m : depth down to which the velocity is to serve, m (a grave's base, say).
    support_depth_m : depth that the readings stand for, m; by default that of the summary.

    Returns
    -------
    The field over the map's cells, with a single z; blank where the map is. Its mean is that of the mapped cells (of
    the mean reading without a map), and the mean's standard deviation never falls below what all readings share.

    Notes
    -----
    Variances of moisture that add up at a place: of the map; of the calibration common to all readings; of Topp's
    relation (0.013 m³/m³); of the profile below the probe. They become velocity by the slope at that moisture (a first
    order, which serves for errors up to about 0.05), and the disagreement between soil models is added. In the mean,
    the map's variance is replaced by that of the mean of the readings. Without a map, a place departs from that mean by
    the ground's own variability s², which comes on top of the mean's error: s²(1 + 1/n) + own²/n for n readings. Fewer
    than 8 readings do not tell s, which is then taken as 0.03 m³/m³ at least (own choice, no source);
    from 8 on, a 90 % interval made of s alone still holds only what Student's t says: 86 % at 8, 88 % at 20.

    The error of the profile is that of the mean down to `target_depth_m`, at every depth: the wave to a shallower
    reflector crosses less of the unknown, so nearer to the surface σ is too wide, never too narrow.

    References
    ----------
    Topp, Davis & Annan 1980, Water Resour. Res. 16(3):574-582.

    Examples
    --------
    >>> from yewline.model import make_readings
    >>> from yewline.ground.summary import summarise_moisture
    >>> table = make_readings(x=[0.0, 5.0], y=[0.0, 0.0], vwc=[0.19, 0.21])
    >>> summary = summarise_moisture(table, support_depth_m=0.12)
    >>> field = velocity_from_moisture(summary, None, sigma_vwc=0.03, target_depth_m=1.0)
    >>> round(field.mean_m_per_ns, 4), round(field.mean_sigma_m_per_ns, 4)
    (0.0943, 0.0131)
    """
    support = summary.support_depth_m if support_depth_m is None else support_depth_m
    own, common = split_reading_error(sigma_vwc)
    shared = _Shared(common, profile_sigma_vwc(support_depth_m=support, target_depth_m=target_depth_m))
    ground = _ground_variance(summary, own)
    of_mean = (ground + own**2) / summary.n
    if moisture_map is None or not np.isfinite(moisture_map["vwc"].to_numpy()).any():
        x = y = np.zeros(1)
        theta = np.full((1, 1), summary.mean)
        local = np.full((1, 1), ground + of_mean)
    else:
        x, y = (moisture_map[name].to_numpy().astype(np.float64) for name in ("x", "y"))
        theta = moisture_map["vwc"].to_numpy().astype(np.float64)
        local = moisture_map["vwc_sd"].to_numpy().astype(np.float64) ** 2
    v = velocity_of_permittivity(topp_permittivity(theta))
    return VelocityField(
        z=np.zeros(1),
        y=y,
        x=x,
        v_m_per_ns=v[None],
        sigma_m_per_ns=_sigma_v(theta, local + shared.variance)[None],
        mean_m_per_ns=float(np.nanmean(v)),
        mean_sigma_m_per_ns=float(_sigma_v(np.nanmean(theta), of_mean + shared.variance)),
        source=_words(summary, support, target_depth_m, shared, float(np.nanmean(theta))),
    )


def velocity_declared(soil: Soil) -> VelocityField | None:
    """The velocity that a visit's settings declare, the same everywhere; None where they declare none.

    Parameters
    ----------
    soil : from the visit's settings. Without a standard deviation of its own the velocity gets one of 10 %.

    Raises
    ------
    InputError : a velocity above that of light.

    Examples
    --------
    >>> velocity_declared(Soil(velocity_m_per_ns=0.09)).mean_sigma_m_per_ns
    0.009
    >>> velocity_declared(Soil()) is None
    True
    """
    v = soil.velocity_m_per_ns
    if v is None:
        return None
    check_finite(v, "velocity_m_per_ns")
    sigma = soil.velocity_sigma_m_per_ns
    if sigma is None:
        sigma = DECLARED_RELATIVE_SIGMA * v
        return VelocityField.uniform(
            v, sigma, f"declared in visit.toml; ± {100 * Z90 * sigma / v:.0f} % assumed (90 %)"
        )
    if sigma <= 0:
        raise InputError("velocity_sigma_m_per_ns must be greater than zero", received=sigma)
    return VelocityField.uniform(v, sigma, "declared in visit.toml, with its uncertainty")


def _ground_variance(summary: MoistureSummary, own: float) -> float:
    """Variance of moisture from place to place without the readings' own error, (m³/m³)²."""
    seen = max(summary.sd**2 - own**2, 0.0) if math.isfinite(summary.sd) else 0.0
    return seen if summary.n >= FEWEST_FOR_FIT else max(seen, _UNKNOWN_SD**2)


@dataclass(frozen=True, slots=True)
class _Shared:
    """Errors of moisture that are the same at every place of one visit, m³/m³."""

    calibration: float
    profile: float

    @property
    def variance(self) -> float:
        return self.calibration**2 + self.profile**2 + TOPP_STANDARD_ERROR_VWC**2


def _sigma_v(theta: npt.ArrayLike, variance_vwc: npt.ArrayLike) -> Array:
    return np.hypot(velocity_slope(theta) * np.sqrt(variance_vwc), soil_model_sigma(theta))


def _words(summary: MoistureSummary, support: float, target: float, shared: _Shared, theta: float) -> str:
    per_vwc = abs(float(velocity_slope(theta))) / float(velocity_of_permittivity(topp_permittivity(theta)))

    def percent(sigma: float) -> str:
        return f"± {100 * Z90 * sigma * per_vwc:.0f} %"

    what = "reading" if summary.n == 1 else "readings"
    return (
        f"{summary.n} moisture {what} (0 to {support:.2f} m) by Topp et al. 1980; 90 % of velocity from calibration "
        f"{percent(shared.calibration)}, soil relation {percent(TOPP_STANDARD_ERROR_VWC)}, moisture below the probe "
        f"down to {target:.2f} m {percent(shared.profile)}"
    )
