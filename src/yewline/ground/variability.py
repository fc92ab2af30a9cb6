"""Variability of a visit's moisture: deviations of the ground, with the readings' own error taken off."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from yewline._check import check_in_range
from yewline.ground.effective_size import freedom_under_models, means_under_models, spread_form, variance_interval
from yewline.ground.moisture_sample import Estimate, Models, MoistureSample, sample_moisture, weighted_quantiles
from yewline.statistics import Interval

__all__ = ["MoistureVariability", "moisture_variability"]

Array = npt.NDArray[np.float64]

_MAD_TO_SD: Final = 1.4826  # 1/Φ⁻¹(¾)
_IQR_TO_SD: Final = 0.7413  # 1/(2 Φ⁻¹(¾))
# Of Gaussian readings, the median absolute deviation and the interquartile range both use this share.
_EFFICIENCY: Final = 0.3674


@dataclass(frozen=True, slots=True)
class MoistureVariability:
    """Variability of one visit, m³/m³, of the ground: the readings' own error is taken off.

    Attributes
    ----------
    n : readings that count.
    freedom : degrees of freedom of the standard deviation (median over the likely models); n − 1 if independent.
    sd, robust_sd, iqr_sd : standard deviation, 1.4826 × median absolute deviation, 0.7413 × interquartile range.
    cv : standard deviation over mean. It mixes level with variability: see `variability_given_level`.
    reading_sd : standard deviation of the readings, own error included.
    own_error_sd : what was taken off, in variance.
    confidence : of the intervals.
    why : why there are no intervals, in plain words; else empty.
    notes : what was assumed or changed.
    """

    n: int
    freedom: float
    sd: Estimate
    cv: Estimate
    robust_sd: Estimate
    iqr_sd: Estimate
    reading_sd: float
    own_error_sd: float
    confidence: float
    why: str
    notes: tuple[str, ...]


def moisture_variability(
    readings: pd.DataFrame,
    *,
    sigma_vwc: float,
    models: Models = None,
    area: shapely.Geometry | None = None,
    confidence: float = 0.90,
) -> MoistureVariability:
    """Variability of one visit's moisture with honest intervals.

    Parameters
    ----------
    readings, sigma_vwc, models, area : as in `sample_moisture`.
    confidence : of the intervals, 0.5 to 0.999.

    Returns
    -------
    The variability. With fewer than eight readings, or equal ones, values only, and `why`.

    Raises
    ------
    InputError : no readings, or values that are not finite.

    Notes
    -----
    It is the variability over this ground, not that of the process (its sill), which a ground shorter than the range
    does not show. s² = Σ wᵢ(zᵢ − z̄)²/(1 − Σ wᵢ²) with the weights by area is nearly E χ²(ν)/ν, ν = tr(AK)²/tr(AKAK)
    (`variance_freedom`), which gives its interval, as a mixture over the likely models; the own error's variance e² is
    then taken off s² and both ends. Robust deviations have the interval that goes with 0.3674 ν, their share of a
    Gaussian sample's information. The interval of the CV joins those of deviation and mean as if independent.

    References
    ----------
    Satterthwaite 1946, Biometrics Bulletin 2:110-114. Rousseeuw & Croux 1993, J. Am. Stat. Assoc. 88:1273-1283 (the
    median absolute deviation and its efficiency, 36.74 %).

    Examples
    --------
    >>> from yewline.geostat import VariogramModel
    >>> from yewline.model import make_readings
    >>> table = make_readings(x=10.0 * np.arange(9), y=np.zeros(9), vwc=[0.2, 0.3, 0.2, 0.3, 0.2, 0.3, 0.2, 0.3, 0.25])
    >>> found = moisture_variability(table, sigma_vwc=1e-6, models=VariogramModel("spherical", 2e-3, 5.0))
    >>> round(found.sd.value, 4), round(found.freedom, 2), round(found.sd.low, 4), round(found.sd.high, 4)
    (0.0514, 7.6, 0.0367, 0.0896)
    """
    check_in_range(confidence, "confidence", 0.5, 0.999)
    sample = sample_moisture(readings, sigma_vwc=sigma_vwc, models=models, area=area)
    variance, robust, iqr = _deviations(sample)
    mean = float(sample.weights @ sample.vwc)
    error = sample.own_error_sd**2
    if sample.why:
        freedom, mean_ends = None, Interval(float("nan"), float("nan"))
    else:
        form = spread_form(sample.weights)
        freedom = freedom_under_models(form, sample.xy, sample.models, own_error_sd=sample.own_error_sd)
        means = means_under_models(sample.xy, sample.vwc, sample.models, own_error_sd=sample.own_error_sd)
        mean, mean_ends = float(means.value.mean()), means.interval(confidence)
    sd = _estimate(variance, error, freedom, confidence)
    return MoistureVariability(
        n=len(sample.vwc),
        freedom=float("nan") if freedom is None else float(np.median(freedom)),
        sd=sd,
        cv=_ratio(sd, Estimate(mean, *mean_ends)),
        robust_sd=_estimate(robust**2, error, freedom, confidence, share=_EFFICIENCY),
        iqr_sd=_estimate(iqr**2, error, freedom, confidence, share=_EFFICIENCY),
        reading_sd=math.sqrt(variance),
        own_error_sd=sample.own_error_sd,
        confidence=confidence,
        why=sample.why,
        notes=sample.notes + _notes(variance, error, sd),
    )


def _deviations(sample: MoistureSample) -> tuple[float, float, float]:
    """Variance, and the two robust deviations, of the weighted readings."""
    if len(sample.vwc) < 2:
        return (float("nan"),) * 3
    variance = float(sample.vwc @ spread_form(sample.weights) @ sample.vwc)
    q1, median, q3 = weighted_quantiles(sample.vwc, [0.25, 0.5, 0.75], sample.weights)
    away = float(weighted_quantiles(np.abs(sample.vwc - median), [0.5], sample.weights)[0])
    return max(variance, 0.0), _MAD_TO_SD * away, _IQR_TO_SD * float(q3 - q1)


def _estimate(
    variance: float, error: float, freedom: Array | None, confidence: float, *, share: float = 1.0
) -> Estimate:
    """Standard deviation without the error, with its interval."""
    value = math.sqrt(max(variance - error, 0.0))
    if freedom is None:
        return Estimate(value)
    ends = variance_interval(variance, share * freedom, confidence)
    low, high = (math.sqrt(max(end - error, 0.0)) for end in ends)
    return Estimate(value, low, high)


def _ratio(top: Estimate, bottom: Estimate) -> Estimate:
    """Ratio of two independent estimates: their relative distances to each end add up in quadrature."""
    if not bottom.value > 0:
        return Estimate(float("nan"))
    value = top.value / bottom.value
    if not (np.isfinite(top.high) and bottom.low > 0):
        return Estimate(value)
    if top.value == 0:
        return Estimate(0.0, 0.0, top.high / bottom.low)
    above = math.hypot(math.log(top.high / top.value), math.log(bottom.value / bottom.low))
    below = math.hypot(math.log(top.value / top.low), math.log(bottom.high / bottom.value)) if top.low > 0 else np.inf
    return Estimate(value, value * math.exp(-below), value * math.exp(above))


def _notes(variance: float, error: float, sd: Estimate) -> tuple[str, ...]:
    if error > 0 and variance > 0 and sd.low == 0:
        return (
            "The ground's own variability is not told apart from the readings' error: its interval starts at zero.",
        )
    return ()
