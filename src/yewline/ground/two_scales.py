"""Variance at the micro scale, which makes clutter, and at the macro scale, which bends images."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.spatial.distance import cdist
from scipy.special import ndtri

from yewline._check import check_in_range
from yewline.errors import InputError
from yewline.ground.effective_size import freedom_under_models, variance_interval
from yewline.ground.moisture_sample import Estimate, Models, MoistureSample, sample_moisture

__all__ = ["MACRO_M", "MICRO_M", "ScaleVariance", "TwoScales", "pairs_needed", "two_scales"]

Array = npt.NDArray[np.float64]

MICRO_M: Final = (0.05, 0.5)
"""Distances of the micro scale, m (common practice, no source)."""
MACRO_M: Final = (5.0, 20.0)
"""Distances of the macro scale, m (common practice, no source)."""

_FEWEST_PAIRS: Final = 30  # common practice: Journel & Huijbregts 1978, Mining Geostatistics
_ROUNDING_M: Final = 1e-6  # readings placed 0.05 m apart are so in the file, not in binary


@dataclass(frozen=True, slots=True)
class ScaleVariance:
    """Variance between readings that lie as far apart as one scale says.

    Attributes
    ----------
    shortest_m, longest_m : the scale.
    pairs : pairs of readings at it.
    variance : half the mean squared difference, without the readings' own error, (m³/m³)².
    freedom : independent pairs that would be as sure (median over the likely models).
    why : why it was not measured, in plain words; else empty.
    """

    shortest_m: float
    longest_m: float
    pairs: int
    variance: Estimate
    freedom: float
    why: str


@dataclass(frozen=True, slots=True)
class TwoScales:
    """Variance at two scales.

    Attributes
    ----------
    micro, macro : each scale by itself; the macro one holds the micro one, as a variogram does.
    added : what the macro scale adds to the micro one, not below zero; NaN where either was not measured.
    micro_share : the micro scale's share of the macro scale's variance, 0 to 1; NaN likewise.
    confidence : of the intervals.
    notes : what was assumed or changed.
    """

    micro: ScaleVariance
    macro: ScaleVariance
    added: float
    micro_share: float
    confidence: float
    notes: tuple[str, ...]


def two_scales(
    readings: pd.DataFrame,
    *,
    sigma_vwc: float,
    micro_m: tuple[float, float] = MICRO_M,
    macro_m: tuple[float, float] = MACRO_M,
    models: Models = None,
    confidence: float = 0.90,
) -> TwoScales:
    """Split one visit's variability into that at micro and that at macro scale.

    Parameters
    ----------
    readings, sigma_vwc, models : as in `sample_moisture`.
    micro_m, macro_m : shortest and longest distance of each scale, m, both ends included.
    confidence : of the intervals, 0.5 to 0.999.

    Returns
    -------
    Both scales. A scale with fewer than 30 pairs is "not measured", with the reason: a grid of 1 m cannot see the scale
    that makes clutter.

    Raises
    ------
    InputError : scales that overlap or run backwards, no readings, or values that are not finite.

    Notes
    -----
    γ = Σ (zᵢ − zⱼ)²/2N − e² over the N pairs of a scale, e the readings' own error. Pairs share readings and
    neighbourhood, so N says little: the sum is a quadratic form zᵀAz, nearly E χ²(ν)/ν with ν = tr(AK)²/tr(AKAK)
    (`variance_freedom`). Own error that is stated too large or too small moves the micro scale most.

    Examples
    --------
    >>> from yewline.model import make_readings
    >>> grid = make_readings(x=np.tile(np.arange(0.0, 30.0, 5.0), 6), y=np.repeat(np.arange(0.0, 30.0, 5.0), 6),
    ...     vwc=0.2 + 0.002 * (np.arange(36.0) * 7 % 11))
    >>> found = two_scales(grid, sigma_vwc=0.001)
    >>> found.macro.pairs, found.micro.why
    (438, 'Not measured: no two readings lie 0.05 to 0.5 m apart; the nearest are 5 m apart.')
    """
    check_in_range(confidence, "confidence", 0.5, 0.999)
    if not 0 <= micro_m[0] < micro_m[1] <= macro_m[0] < macro_m[1]:
        raise InputError("the micro scale must lie below the macro scale", received=f"{micro_m} and {macro_m} m")
    sample = sample_moisture(readings, sigma_vwc=sigma_vwc, models=models)
    distance = cdist(sample.xy, sample.xy)
    micro, macro = (_at_scale(sample, distance, scale, confidence) for scale in (micro_m, macro_m))
    added = share = float("nan")
    if not (micro.why or macro.why):
        added = max(macro.variance.value - micro.variance.value, 0.0)
        if macro.variance.value > 0:
            share = min(micro.variance.value / macro.variance.value, 1.0)
    return TwoScales(micro, macro, added, share, confidence, sample.notes)


def pairs_needed(relative_error: float, *, confidence: float = 0.90) -> int:
    """Independent pairs (each far from the next) that fix a scale's variance to a relative error.

    Parameters
    ----------
    relative_error : half-width of the interval over the variance, 0.05 to 1; a variance to 0.4 is a deviation to 0.2.
    confidence : of that interval.

    Notes
    -----
    Half a squared difference of Gaussian readings has a relative variance of 2, so N = 2 (z/r)².

    Examples
    --------
    >>> pairs_needed(0.4), pairs_needed(0.2)
    (34, 136)
    """
    check_in_range(relative_error, "relative_error", 0.05, 1.0)
    z = float(ndtri(0.5 + 0.5 * check_in_range(confidence, "confidence", 0.5, 0.999)))
    return math.ceil(2.0 * (z / relative_error) ** 2)


def _at_scale(sample: MoistureSample, distance: Array, scale: tuple[float, float], confidence: float) -> ScaleVariance:
    low, high = scale
    near = (distance >= low - _ROUNDING_M) & (distance <= high + _ROUNDING_M) & (distance > 0)
    pairs = int(near.sum()) // 2
    why = sample.why or _why_not(distance, low, high, pairs)
    if why:
        return ScaleVariance(low, high, pairs, Estimate(float("nan")), float("nan"), why)
    # zᵀAz is half the mean squared difference: A is the graph's Laplacian over twice its number of edges.
    form = (np.diag(near.sum(axis=1)) - near) / (2.0 * pairs)
    value = float(sample.vwc @ form @ sample.vwc)
    error = sample.own_error_sd**2
    freedom = freedom_under_models(form, sample.xy, sample.models, own_error_sd=sample.own_error_sd)
    ends = (max(end - error, 0.0) for end in variance_interval(value, freedom, confidence))
    return ScaleVariance(low, high, pairs, Estimate(max(value - error, 0.0), *ends), float(np.median(freedom)), "")


def _why_not(distance: Array, low: float, high: float, pairs: int) -> str:
    if pairs >= _FEWEST_PAIRS:
        return ""
    if pairs:
        return f"Not measured: {pairs} pairs of readings lie {low:g} to {high:g} m apart ({_FEWEST_PAIRS} are needed)."
    apart = distance[distance > 0]
    nearest, farthest = float(apart.min()), float(apart.max())
    rest = f"the nearest are {nearest:.3g} m apart" if nearest > high else f"the farthest are {farthest:.3g} m apart"
    return f"Not measured: no two readings lie {low:g} to {high:g} m apart; {rest}."
