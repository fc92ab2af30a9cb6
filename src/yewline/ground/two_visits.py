"""Two visits compared in level and variability, by tests that neighbouring readings do not inflate."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.spatial import cKDTree
from scipy.special import fdtr

from yewline._check import check_choice, check_in_range, check_positive
from yewline.geostat import VariogramModel
from yewline.ground.declustering import declustering_weights
from yewline.ground.effective_size import (
    MeansUnderModels,
    correlation_freedom,
    correlation_tail,
    crossing,
    freedom_under_models,
    means_under_models,
    spread_form,
)
from yewline.ground.likely_models import likely_models
from yewline.ground.moisture_sample import FEWEST_FOR_INFERENCE, Estimate, MoistureSample, sample_moisture

__all__ = ["ComparisonChoices", "MoistureComparison", "compare_moisture", "match_places"]

Array = npt.NDArray[np.float64]
Design = Literal["paired", "unpaired"]

_LARGEST_LOG_RATIO: Final = 15.0
_STEPS: Final = 25


@dataclass(frozen=True, slots=True)
class ComparisonChoices:
    """How two visits are compared.

    Attributes
    ----------
    design : "paired" where both read the same places, "unpaired", or "auto": paired where at least eight readings, and
        half of those of the smaller visit, have a partner.
    tolerance_m : readings of two visits this near count as one place (about the moisture's smallest patches).
    same_probe : one probe with one calibration in both visits: the common error then leaves a difference of levels.
    confidence : of the intervals.
    """

    design: Literal["auto", "paired", "unpaired"] = "auto"
    tolerance_m: float = 0.5
    same_probe: bool = True
    confidence: float = 0.90

    def __post_init__(self) -> None:
        check_choice(self.design, "design", ("auto", "paired", "unpaired"))
        check_positive(self.tolerance_m, "tolerance_m")
        check_in_range(self.confidence, "confidence", 0.5, 0.999)


@dataclass(frozen=True, slots=True)
class MoistureComparison:
    """Level and variability of a later visit against an earlier one.

    Attributes
    ----------
    design : "paired" or "unpaired".
    pairs : places that both visits read.
    difference : later mean minus earlier mean, m³/m³, without the common error.
    difference_p : two-sided p of no difference.
    difference_common_sd : what calibration adds to the error of the difference; zero with one probe.
    ratio : later over earlier standard deviation of the ground, the readings' own error taken off.
    ratio_p : two-sided p of equal variability.
    freedom : degrees of freedom of the test of variability, earlier and later (paired: the same).
    confidence : of the intervals.
    why : why nothing is tested, in plain words; else empty. Then the difference and ratio are only described.
    notes : what was assumed or changed, of both visits.
    """

    design: Design
    pairs: int
    difference: Estimate
    difference_p: float
    difference_common_sd: float
    ratio: Estimate
    ratio_p: float
    freedom: tuple[float, float]
    confidence: float
    why: str
    notes: tuple[str, ...]


Fit = Callable[[Array, Array, float], Sequence[VariogramModel]]
"""Draws of likely models from places (R, 2), values (R,) and the readings' own standard deviation."""


def _default_fit(xy: Array, values: Array, own_error_sd: float) -> Sequence[VariogramModel]:
    return likely_models(xy, values, own_error_sd=own_error_sd)


def compare_moisture(
    earlier: pd.DataFrame,
    later: pd.DataFrame,
    *,
    sigma_vwc: float,
    choices: ComparisonChoices = ComparisonChoices(),
    fit: Fit = _default_fit,
) -> MoistureComparison:
    """Compare level and variability of two visits of one ground.

    Parameters
    ----------
    earlier, later : tables of readings as `model.make_readings` gives them.
    sigma_vwc : standard deviation of one reading, m³/m³, split by `split_reading_error`.
    choices : design, tolerance of a place, probe and confidence.
    fit : gives the likely variogram models of values at places; a posterior from elsewhere can be plugged in.

    Returns
    -------
    The comparison. With fewer than eight readings in a visit, or equal ones, only values and `why`.

    Raises
    ------
    InputError : no readings, or values that are not finite.

    Notes
    -----
    Paired. Level: the mean of the differences d by generalised least squares under the likely models of d. Variability:
    the test of Pitman and Morgan, that sum s and difference d are uncorrelated where both variances are equal, with the
    effective size of a correlation between two autocorrelated fields, 1 + tr(AK_s) tr(AK_d)/tr(AK_s A K_d), in place of
    n. Its interval holds the ratios that the test would not reject. Unpaired. Level: difference of the two means, as if
    the visits were independent, which is too careful where the ground keeps its pattern. Variability: F with ν₁ and ν₂
    degrees of freedom (`variance_freedom`). All p and intervals are mixtures over the likely models. The ratio R of the
    readings' variances becomes that of the ground's by (R s₁² − e²)/(s₁² − e²), with e the smaller of both own errors.
    docs/studies.md has the measured size of both tests: that of level is careful where the range is short against the
    ground, that of variability calls too much different where readings are strongly skewed, which is noted then.

    References
    ----------
    Pitman 1939, Biometrika 31:9-12; Morgan 1939, Biometrika 31:13-19. Clifford, Richardson & Hémon 1989, Biometrics
    45:123-134, and Dutilleul 1993, Biometrics 49:305-314 (effective size of a correlation).

    Examples
    --------
    >>> from yewline.model import make_readings
    >>> x, y = (a.ravel() for a in np.meshgrid(np.arange(0.0, 25.0, 5.0), np.arange(0.0, 25.0, 5.0)))
    >>> pattern = 0.03 * np.sin(x) * np.cos(2 * y)
    >>> found = compare_moisture(make_readings(x=x, y=y, vwc=0.2 + pattern),
    ...     make_readings(x=x, y=y, vwc=0.3 + 0.5 * pattern + 0.002 * np.cos(7 * x)), sigma_vwc=0.001)
    >>> found.design, found.difference_p < 0.01, found.ratio_p < 0.01, round(found.ratio.value, 1)
    ('paired', True, True, 0.5)
    """
    one, two = (sample_moisture(table, sigma_vwc=sigma_vwc, models=()) for table in (earlier, later))
    first, second = match_places(one.xy, two.xy, tolerance_m=choices.tolerance_m)
    enough = len(first) >= max(FEWEST_FOR_INFERENCE, 0.5 * min(len(one.vwc), len(two.vwc)))
    paired = choices.design == "paired" or (choices.design == "auto" and enough)
    common = 0.0 if choices.same_probe else math.sqrt(2.0) * one.common_sd
    notes = tuple(f"Earlier visit: {n}" for n in one.notes) + tuple(f"Later visit: {n}" for n in two.notes)
    alone = len(one.vwc) + len(two.vwc) - 2 * len(first)
    if paired and alone:
        notes += (f"{alone} readings have no partner in the other visit and are left out of the comparison.",)
    why = _why_not(one, two, len(first) if paired else None)
    described = MoistureComparison(
        design="paired" if paired else "unpaired",
        pairs=len(first),
        difference=Estimate(float(two.weights @ two.vwc - one.weights @ one.vwc)),
        difference_p=float("nan"),
        difference_common_sd=common,
        ratio=Estimate(
            _ground_ratio(one, two)(_variance(two) / _variance(one)) if _variance(one) > 0 else float("nan")
        ),
        ratio_p=float("nan"),
        freedom=(float("nan"), float("nan")),
        confidence=choices.confidence,
        why=why,
        notes=notes,
    )
    if why:
        return described
    if paired:
        xy = 0.5 * (one.xy[first] + two.xy[second])
        weights = declustering_weights(xy)
        one, two = (
            replace(sample, xy=xy, vwc=sample.vwc[index], weights=weights)
            for sample, index in ((one, first), (two, second))
        )
        return _paired(described, one, two, fit)
    return _unpaired(described, one, two, fit)


def match_places(
    xy_a: npt.ArrayLike, xy_b: npt.ArrayLike, *, tolerance_m: float
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Pair readings of two visits that are each other's nearest and no farther apart than the tolerance.

    Parameters
    ----------
    xy_a, xy_b : (A, 2) and (B, 2) places, m.
    tolerance_m : farthest that partners lie apart.

    Returns
    -------
    Indices into both, (P,) each, in the order of the first; each reading is in one pair at most.

    Examples
    --------
    >>> a, b = match_places([[0, 0], [5, 0], [9, 0]], [[5.2, 0], [0.1, 0], [5.3, 0]], tolerance_m=0.5)
    >>> a.tolist(), b.tolist()
    ([0, 1], [1, 0])
    """
    a, b = np.asarray(xy_a, dtype=np.float64), np.asarray(xy_b, dtype=np.float64)
    away, to_b = cKDTree(b).query(a)
    to_a = cKDTree(a).query(b)[1]
    held = np.flatnonzero((to_a[to_b] == np.arange(len(a))) & (away <= check_positive(tolerance_m, "tolerance_m")))
    return held, to_b[held]


def _paired(described: MoistureComparison, one: MoistureSample, two: MoistureSample, fit: Fit) -> MoistureComparison:
    xy = one.xy
    own = math.hypot(one.own_error_sd, two.own_error_sd)
    gain, total = two.vwc - one.vwc, two.vwc + one.vwc
    if np.ptp(gain) <= 1e-9:
        return replace(
            described, why="Both visits differ by the same amount at every place: one is no new measurement."
        )
    of_gain, of_total = fit(xy, gain, own), fit(xy, total, own)
    means = means_under_models(xy, gain, of_gain, own_error_sd=own)
    form = spread_form(one.weights)
    freedom = correlation_freedom(form, xy, of_gain, of_total, own_error_sd=own)
    v1, v2, c = (float(p @ form @ q) for p, q in ((one.vwc,) * 2, (two.vwc,) * 2, (one.vwc, two.vwc)))

    def above(log_ratio: float) -> float:
        """One-sided p that the ratio of variances is larger than this."""
        r = math.exp(log_ratio)
        correlation = (v2 - r * v1) / math.sqrt(max((v2 + r * v1) ** 2 - 4.0 * r * c * c, 1e-300))
        return correlation_tail(correlation, freedom)

    return _with_tests(described, one, two, means, above, v2 / v1, (float(np.median(freedom)),) * 2)


def _unpaired(described: MoistureComparison, one: MoistureSample, two: MoistureSample, fit: Fit) -> MoistureComparison:
    means, freedoms = [], []
    for sample in (one, two):
        models = fit(sample.xy, sample.vwc, sample.own_error_sd)
        means.append(means_under_models(sample.xy, sample.vwc, models, own_error_sd=sample.own_error_sd))
        form = spread_form(sample.weights)
        freedoms.append(freedom_under_models(form, sample.xy, models, own_error_sd=sample.own_error_sd))
    first, second = means
    gain = MeansUnderModels(
        (second.value - first.value[:, None]).ravel(),
        np.hypot(second.sd, first.sd[:, None]).ravel(),
        np.array([]),
    )
    ratio = _variance(two) / _variance(one)
    # All pairs of models count; so many distributions are only worth it on a coarser ladder of freedoms.
    steps = (np.arange(_STEPS) + 0.5) / _STEPS
    nu1, nu2 = np.quantile(freedoms[0], steps)[:, None], np.quantile(freedoms[1], steps)

    def above(log_ratio: float) -> float:
        return float(fdtr(nu2, nu1, ratio / math.exp(log_ratio)).mean())

    freedom = (float(np.median(freedoms[0])), float(np.median(freedoms[1])))
    return _with_tests(described, one, two, gain, above, ratio, freedom)


def _with_tests(
    described: MoistureComparison,
    one: MoistureSample,
    two: MoistureSample,
    gain: MeansUnderModels,
    above: Callable[[float], float],
    ratio: float,
    freedom: tuple[float, float],
) -> MoistureComparison:
    tail = 0.5 * (1.0 - described.confidence)
    to_ground = _ground_ratio(one, two)
    ends = (
        to_ground(math.exp(crossing(above, share, -_LARGEST_LOG_RATIO, _LARGEST_LOG_RATIO)))
        for share in (1.0 - tail, tail)
    )
    return replace(
        described,
        difference=Estimate(float(gain.value.mean()), *gain.interval(described.confidence)),
        difference_p=_two_sided(gain.below(0.0)),
        ratio=Estimate(to_ground(ratio), *ends),
        ratio_p=_two_sided(above(0.0)),
        freedom=freedom,
    )


def _two_sided(share: float) -> float:
    return min(2.0 * min(share, 1.0 - share), 1.0)


def _variance(sample: MoistureSample) -> float:
    return float(sample.vwc @ spread_form(sample.weights) @ sample.vwc) if len(sample.vwc) > 1 else float("nan")


def _ground_ratio(one: MoistureSample, two: MoistureSample) -> Callable[[float], float]:
    """Ratio of the ground's deviations from that of the readings' variances."""
    # One error for both, the smaller, so that equal variances of readings stay equal ones of the ground.
    v1, error = _variance(one), min(one.own_error_sd, two.own_error_sd) ** 2

    def of(ratio: float) -> float:
        return math.sqrt(max(ratio * v1 - error, 0.0) / (v1 - error)) if v1 > error else float("nan")

    return of


def _why_not(one: MoistureSample, two: MoistureSample, pairs: int | None) -> str:
    for name, sample in (("Earlier", one), ("Later", two)):
        if sample.why:
            return f"{name} visit: {sample.why}"
    if pairs is not None and pairs < FEWEST_FOR_INFERENCE:
        return (
            f"Only {pairs} places were read in both visits ({FEWEST_FOR_INFERENCE} are needed): "
            "they are not compared in pairs."
        )
    return ""
