"""Estimates of velocity side by side: their disagreement, their mean, and many hyperbolas brought to one velocity."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr
from scipy.stats import chi2
from scipy.stats import t as student

from yewline._check import check_in_range
from yewline.errors import InputError
from yewline.signal.velocity.estimate import VelocityEstimate
from yewline.signal.velocity.hyperbola import HyperbolaFit

__all__ = [
    "EstimatePair",
    "HyperbolaVelocity",
    "VelocityComparison",
    "combine_estimates",
    "estimate_of",
    "hyperbola_velocity",
]

F64 = npt.NDArray[np.float64]

OUTLIER: Final = 3.5
"""Modified z-score beyond which a hyperbola is named an outlier (Iglewicz & Hoaglin 1993)."""
AGREE_P: Final = 0.05


@dataclass(frozen=True, slots=True)
class EstimatePair:
    """Two estimates compared: difference (first − second), its standard deviation, and how likely that is by chance."""

    first: str
    second: str
    difference_m_per_ns: float
    sigma_m_per_ns: float
    p: float


@dataclass(frozen=True, slots=True)
class VelocityComparison:
    """Estimates side by side.

    Attributes
    ----------
    estimates : all that were given, in their order; none is dropped.
    score : (n,) how many standard deviations each lies off the mean.
    pairs : each with each.
    chi2, dof, p : of all about the weighted mean: a small p says that they disagree by more than their errors.
    widened : factor by which the mean's standard deviation was multiplied for that, 1 or more.
    mean : the weighted mean.
    """

    estimates: tuple[VelocityEstimate, ...]
    score: tuple[float, ...]
    pairs: tuple[EstimatePair, ...]
    chi2: float
    dof: int
    p: float
    widened: float
    mean: VelocityEstimate


@dataclass(frozen=True, slots=True)
class HyperbolaVelocity:
    """Velocity of a site or visit from its hyperbolas.

    Attributes
    ----------
    estimate : mean velocity with its standard deviation, outliers left out.
    low_m_per_ns, high_m_per_ns : its interval at `level`.
    spread_m_per_ns : standard deviation of the velocity from place to place, beyond the fits' own errors.
    used, outliers, unusable : numbers of the hyperbolas, from 0, that count; that lie too far off; and that are waves
        through the air, impossible, or without a standard deviation. Together they are all.
    score : (n,) modified z-score of each; NaN where unusable.
    with_outliers_m_per_ns : the mean with the outliers in.
    """

    estimate: VelocityEstimate
    low_m_per_ns: float
    high_m_per_ns: float
    level: float
    spread_m_per_ns: float
    used: tuple[int, ...]
    outliers: tuple[int, ...]
    unusable: tuple[int, ...]
    score: tuple[float, ...]
    with_outliers_m_per_ns: float


def estimate_of(fit: HyperbolaFit) -> VelocityEstimate:
    """A hyperbola's velocity as an estimate, down to its object's depth.

    Raises
    ------
    InputError : a wave through the air, or a hyperbola without a standard deviation.

    Examples
    --------
    >>> from yewline.signal.velocity.fit import draw_hyperbola
    >>> estimate_of(draw_hyperbola(3.0, 20.0, 0.1, leg_m=1.0, reading_sigma_ns=0.5)).depth_to_m
    1.0
    """
    if fit.kind != "ground":
        raise InputError(
            "this hyperbola tells nothing of the ground's velocity",
            received=f"{fit.v_m_per_ns:.3f} m/ns ({fit.kind})",
            do="leave it out: it comes from something above the ground",
        )
    if not fit.covariance:
        raise InputError("this hyperbola has no covariance", do="fit it, or draw it with the error of reading")
    return VelocityEstimate(
        fit.v_m_per_ns,
        max(fit.sigma_v_m_per_ns, 1e-9),
        "hyperbola" if fit.by == "search" else "hyperbola by a person",
        depth_to_m=fit.depth_m,
        dof=fit.dof,
        label=fit.line,
        cautions=fit.cautions,
    )


def combine_estimates(
    estimates: Sequence[VelocityEstimate], *, common_sigma_m_per_ns: float = 0.0
) -> VelocityComparison:
    """Set estimates side by side: do they agree, and what is their mean?

    Parameters
    ----------
    estimates : of one piece of ground; of each its own error.
    common_sigma_m_per_ns : standard deviation that all share, such as that of time zero, m/ns; it does not shrink.

    Returns
    -------
    VelocityComparison

    Raises
    ------
    InputError : no estimates.

    Notes
    -----
    Weights 1/σ². χ² = Σ((v − mean)/σ)² on n − 1 degrees of freedom; where it exceeds them, the mean's standard
    deviation is multiplied by √(χ²/(n − 1)). Velocities down to different depths may differ in truth: the mean then is
    of what they have in common, and the pairs say where they part.

    References
    ----------
    Birge 1932, Phys. Rev. 40:207–227 (from memory).

    Examples
    --------
    >>> pair = [VelocityEstimate(0.10, 0.003, "hyperbolas"), VelocityEstimate(0.12, 0.004, "known depths")]
    >>> both = combine_estimates(pair)
    >>> round(both.chi2, 6), round(both.widened, 6), round(both.mean.v_m_per_ns, 6)
    (16.0, 4.0, 0.1072)
    """
    held = tuple(estimates)
    if not held:
        raise InputError("there are no estimates to compare", received="none")
    common = check_in_range(common_sigma_m_per_ns, "common_sigma_m_per_ns", 0.0, 1.0)
    v = np.array([one.v_m_per_ns for one in held])
    sigma = np.array([one.sigma_m_per_ns for one in held])
    weight = 1.0 / sigma**2
    mean = float(weight @ v / weight.sum())
    total = float((((v - mean) / sigma) ** 2).sum())
    dof = len(held) - 1
    widened = math.sqrt(max(1.0, total / dof)) if dof else 1.0
    p = float(chi2.sf(total, dof)) if dof else 1.0
    pairs = []
    for one, other in itertools.combinations(held, 2):
        both = math.hypot(one.sigma_m_per_ns, other.sigma_m_per_ns)
        difference = one.v_m_per_ns - other.v_m_per_ns
        pairs.append(EstimatePair(one.name, other.name, difference, both, float(2.0 * ndtr(-abs(difference) / both))))
    joined = VelocityEstimate(
        v_m_per_ns=mean,
        sigma_m_per_ns=math.hypot(widened / math.sqrt(float(weight.sum())), common),
        source="all estimates" if dof else held[0].source,
        depth_from_m=min(one.depth_from_m for one in held),
        depth_to_m=max(one.depth_to_m for one in held),
        n=len(held),
        cautions=("disagreement",) if p < AGREE_P else (),
    )
    return VelocityComparison(held, tuple(((v - mean) / sigma).tolist()), tuple(pairs), total, dof, p, widened, joined)


def hyperbola_velocity(
    fits: Sequence[HyperbolaFit],
    *,
    seed: int | np.random.Generator,
    level: float = 0.95,
    draws: int = 2_000,
    blocks: Sequence[str] | None = None,
    common_sigma_m_per_ns: float = 0.0,
) -> HyperbolaVelocity:
    """One velocity from many hyperbolas, with an interval by the bootstrap and outliers named.

    Parameters
    ----------
    fits : hyperbolas of a site or visit.
    seed : of the bootstrap.
    level : of the interval.
    draws : of the bootstrap.
    blocks : (n,) which hyperbolas depend on one another, such as those of one line or object; they are drawn together.
    common_sigma_m_per_ns : standard deviation that all share, such as that of time zero, m/ns.

    Returns
    -------
    HyperbolaVelocity

    Raises
    ------
    InputError : no hyperbola that tells of the ground, or blocks that do not fit.

    Notes
    -----
    Outliers: |v − median|/√(σ² + s²) above 3.5, with s = 1.4826 × the median absolute deviation. Mean with weights
    1/(σ² + τ²), τ² the variance between places by the method of moments. Its standard deviation is that of the means of
    blocks drawn with replacement, times √(B/(B − 1)) for B blocks, and not below that of the weights; the interval is
    Student's t on B − 1. One block has no bootstrap: then the fits' own errors stand, with a caution.

    References
    ----------
    Iglewicz & Hoaglin 1993, How to Detect and Handle Outliers (modified z-score). DerSimonian & Laird 1986, Control.
    Clin. Trials 7:177–188. Davison & Hinkley 1997, Bootstrap Methods, §3.8. (From memory.)

    Examples
    --------
    >>> sure = ((1e-4, 0, 0), (0, 0.04, 0), (0, 0, 4e-6))
    >>> fits = [HyperbolaFit(k, 20.0, v, sure) for k, v in enumerate([0.099, 0.101, 0.1, 0.102, 0.098, 0.15, 0.2995])]
    >>> found = hyperbola_velocity(fits, seed=1)
    >>> round(found.estimate.v_m_per_ns, 4), found.outliers, found.unusable
    (0.1, (5,), (6,))
    """
    share = check_in_range(level, "level", 0.5, 0.999_999)
    common = check_in_range(common_sigma_m_per_ns, "common_sigma_m_per_ns", 0.0, 1.0)
    count = int(check_in_range(draws, "draws", 100, 1_000_000))
    names = [str(i) for i in range(len(fits))] if blocks is None else [str(block) for block in blocks]
    if len(names) != len(fits):
        raise InputError("blocks must hold one name a hyperbola", received=f"{len(names)} for {len(fits)}")
    usable = [i for i, fit in enumerate(fits) if fit.kind == "ground" and fit.sigma_v_m_per_ns > 0]
    if not usable:
        raise InputError(
            "no hyperbola tells of the ground's velocity",
            received=f"{len(fits)} hyperbolas",
            do="look for hyperbolas on more lines, or use another estimator",
        )
    v = np.array([fits[i].v_m_per_ns for i in usable])
    sigma = np.array([fits[i].sigma_v_m_per_ns for i in usable])
    middle = float(np.median(v))
    mad = 1.4826 * float(np.median(np.abs(v - middle)))
    score = (v - middle) / np.hypot(sigma, mad)
    keep = np.abs(score) <= OUTLIER
    if not keep.any():
        keep[:] = True
    between = _between(v[keep], sigma[keep])
    weight = 1.0 / (sigma[keep] ** 2 + between)
    mean = float(weight @ v[keep] / weight.sum())
    kept = [i for i, good in zip(usable, keep, strict=True) if good]
    error, free, cautions = _bootstrap(v[keep], weight, [names[i] for i in kept], count, np.random.default_rng(seed))
    sigma_mean = math.hypot(error, common)
    half = float(student.ppf(0.5 + 0.5 * share, free)) * sigma_mean
    full = np.full(len(fits), math.nan)
    full[usable] = score
    every = 1.0 / (sigma**2 + _between(v, sigma))
    estimate = VelocityEstimate(
        v_m_per_ns=mean,
        sigma_m_per_ns=max(sigma_mean, 1e-9),
        source="hyperbolas",
        depth_to_m=max(fits[i].depth_m for i in kept),
        n=len(kept),
        dof=free,
        cautions=cautions,
    )
    return HyperbolaVelocity(
        estimate,
        mean - half,
        mean + half,
        share,
        math.sqrt(between),
        tuple(kept),
        tuple(i for i, good in zip(usable, keep, strict=True) if not good),
        tuple(i for i in range(len(fits)) if i not in usable),
        tuple(full.tolist()),
        float(every @ v / every.sum()),
    )


def _between(v: F64, sigma: F64) -> float:
    """Variance between places by the method of moments, 0 where the fits' own errors explain the spread."""
    if len(v) < 2:
        return 0.0
    weight = 1.0 / sigma**2
    mean = weight @ v / weight.sum()
    excess = float(weight @ (v - mean) ** 2) - (len(v) - 1)
    return max(0.0, excess / float(weight.sum() - (weight**2).sum() / weight.sum()))


def _bootstrap(
    v: F64, weight: F64, names: list[str], draws: int, rng: np.random.Generator
) -> tuple[float, float, tuple[str, ...]]:
    """Standard deviation of the weighted mean, its degrees of freedom, and cautions."""
    stated = 1.0 / math.sqrt(float(weight.sum()))
    order = {name: k for k, name in enumerate(dict.fromkeys(names))}
    index = np.array([order[name] for name in names])
    n = len(order)
    if n < 2:
        return stated, math.inf, ("one-hyperbola",)
    sums, sizes = np.bincount(index, weights=weight * v), np.bincount(index, weights=weight)
    chosen = rng.integers(0, n, (draws, n))
    means = sums[chosen].sum(axis=1) / sizes[chosen].sum(axis=1)
    error = float(means.std()) * math.sqrt(n / (n - 1))
    return max(error, stated), float(n - 1), ("few-hyperbolas",) if n < 5 else ()
