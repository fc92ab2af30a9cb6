"""Level of a visit's moisture: mean, median and percentiles with intervals that neighbouring readings do not shrink."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.special import betaincinv

from yewline._check import check_in_range
from yewline.ground.effective_size import effective_size, means_under_models, reading_covariances
from yewline.ground.moisture_sample import Estimate, Models, MoistureSample, sample_moisture, weighted_quantiles

__all__ = ["MoistureLevel", "moisture_level"]

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class MoistureLevel:
    """Level of one visit, m³/m³.

    Attributes
    ----------
    n, places : readings that count, and places at which they lie.
    n_eff : independent readings that would fix the mean as well (median over the likely models); NaN without interval.
    mean, median, p10, p90 : values with the ends of their intervals, without the common error.
    common_sd : error that all readings share (calibration); it shifts everything alike and does not shrink with n.
    confidence : of the intervals.
    why : why there are no intervals, in plain words; else empty.
    notes : what was assumed or changed.
    """

    n: int
    places: int
    n_eff: float
    mean: Estimate
    median: Estimate
    p10: Estimate
    p90: Estimate
    common_sd: float
    confidence: float
    why: str
    notes: tuple[str, ...]


def moisture_level(
    readings: pd.DataFrame,
    *,
    sigma_vwc: float,
    models: Models = None,
    area: shapely.Geometry | None = None,
    confidence: float = 0.90,
) -> MoistureLevel:
    """Level of one visit's moisture with honest intervals.

    Parameters
    ----------
    readings, sigma_vwc, models, area : as in `sample_moisture`.
    confidence : of the intervals, 0.5 to 0.999.

    Returns
    -------
    The level. With fewer than eight readings, or equal ones, values only, and `why`.

    Raises
    ------
    InputError : no readings, values that are not finite, or two readings at one place under a model that has no nugget.

    Notes
    -----
    The mean is that of generalised least squares, (1ᵀK⁻¹z)/(1ᵀK⁻¹1), with variance 1/(1ᵀK⁻¹1); over several models its
    interval is that of the mixture, and the value its centre. It is the mean of the process of which this ground is one
    piece: where the range is as long as the ground, n_eff is small however many readings there are. Without intervals
    it is the mean weighted by area. Median and percentiles are weighted by area; the interval of a percentile p runs
    between the percentiles at the ends of Jeffreys' interval of p at the effective size of the weighted mean. It cannot
    pass the lowest and highest reading, so that percentiles' intervals are too short where the range nears the ground's
    extent; docs/studies.md has the measured coverage.

    References
    ----------
    Cressie 1993, Statistics for Spatial Data, §1.3; Griffith 2005, Annals of the AAG 95:740-760 (effective size).
    Woodruff 1952, J. Am. Stat. Assoc. 47:635-646 (percentiles); Brown, Cai & DasGupta 2001, Stat. Sci. 16:101-133.

    Examples
    --------
    >>> from yewline.geostat import VariogramModel
    >>> from yewline.model import make_readings
    >>> table = make_readings(x=np.arange(10.0), y=np.zeros(10), vwc=np.linspace(0.1, 0.19, 10))
    >>> level = moisture_level(table, sigma_vwc=1e-6, models=VariogramModel("exponential", 1e-3, 6.0))
    >>> round(level.mean.value, 3), round(level.n_eff, 2), level.why
    (0.145, 3.2, '')
    """
    check_in_range(confidence, "confidence", 0.5, 0.999)
    sample = sample_moisture(readings, sigma_vwc=sigma_vwc, models=models, area=area)
    shares = np.array([0.5, 0.1, 0.9])
    middle = weighted_quantiles(sample.vwc, shares, sample.weights)
    if sample.why:
        mean, size = Estimate(float(sample.weights @ sample.vwc)), float("nan")
        percentiles = [Estimate(float(value)) for value in middle]
    else:
        means = means_under_models(sample.xy, sample.vwc, sample.models, own_error_sd=sample.own_error_sd)
        size = float(np.median(means.size))
        mean = Estimate(float(means.value.mean()), *means.interval(confidence))
        ends = _ends(shares, _size_of_weighted(sample), confidence)
        percentiles = [
            Estimate(float(value), *map(float, weighted_quantiles(sample.vwc, pair, sample.weights)))
            for value, pair in zip(middle, ends, strict=True)
        ]
    return MoistureLevel(
        n=len(sample.vwc),
        places=len(np.unique(sample.xy, axis=0)),
        n_eff=size,
        mean=mean,
        median=percentiles[0],
        p10=percentiles[1],
        p90=percentiles[2],
        common_sd=sample.common_sd,
        confidence=confidence,
        why=sample.why,
        notes=sample.notes,
    )


def _size_of_weighted(sample: MoistureSample) -> float:
    covariances = reading_covariances(sample.xy, sample.models, own_error_sd=sample.own_error_sd)
    sizes = [effective_size(covariance, weights=sample.weights) for covariance in covariances]
    return float(np.median(sizes))


def _ends(shares: Array, size: float, confidence: float) -> Array:
    tail = 0.5 * (1.0 - confidence)
    a, b = size * shares + 0.5, size * (1.0 - shares) + 0.5
    return np.column_stack([betaincinv(a, b, tail), betaincinv(a, b, 1.0 - tail)])
