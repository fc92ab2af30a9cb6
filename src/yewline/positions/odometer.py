"""Odometer: from counted to true distance along a line, through what marks, ends and crossing lines say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.linalg import cho_factor, cho_solve

from yewline._check import check_array, check_finite, check_positive
from yewline.errors import InputError
from yewline.model import Finding, add_provenance
from yewline.units import Z90

__all__ = ["Mark", "RubberBand", "odometer_findings", "rubber_band", "stretch_line"]

F64 = npt.NDArray[np.float64]

SLIP_M2_PER_M = 4e-4
"""Variance that a metre adds where nothing is known: 2 cm over 1 m, 10 cm over 25 m (from memory, no source)."""
SLIP_SPREAD = 1.5
"""How little that is known: standard deviation of its natural logarithm."""
SCALE_SD = 0.05
OUTLIER = 4.0
CANDIDATES = np.geomspace(1e-7, 0.1, 25)


@dataclass(frozen=True, slots=True)
class Mark:
    """A place on a line that is known: an end, a mark at the tape, or a crossing line.

    Attributes
    ----------
    counted_m : what the odometer said there.
    true_m : where it is, m from the line's start.
    sigma_m : standard deviation of `true_m` and of hitting the mark, together.
    source : "end", "mark" or the crossing line's name, for messages.
    """

    counted_m: float
    true_m: float
    sigma_m: float = 0.02
    source: str = "mark"

    def __post_init__(self) -> None:
        check_finite(self.counted_m, "counted_m")
        check_finite(self.true_m, "true_m")
        check_positive(self.sigma_m, "sigma_m")


@dataclass(frozen=True, slots=True)
class RubberBand:
    """Counted distance stretched to fit what is known.

    Attributes
    ----------
    distance_m, sigma_m : (T,) true distance of each trace and its standard deviation.
    scale, scale_sigma : true metres for each metre counted, over the whole line.
    slip_m2_per_m : variance that slip adds for each metre.
    residual_m : (M,) of each mark after the fit.
    left_out_m : (M,) how far each mark lies from where all the others put it; NaN where no two others are left.
    outlier : (M,) marks that were not used, for they contradict all others.
    """

    distance_m: F64
    sigma_m: F64
    scale: float
    scale_sigma: float
    slip_m2_per_m: float
    residual_m: F64
    left_out_m: F64
    outlier: npt.NDArray[np.bool_]


def rubber_band(counted_m: npt.ArrayLike, marks: Sequence[Mark]) -> RubberBand:
    """Stretch counted distance so that it passes the marks as closely as they are known.

    Parameters
    ----------
    counted_m : (T,) distance of each trace as counted.
    marks : at least two at different counts: the ends of the line, marks at the tape, crossing lines.

    Returns
    -------
    RubberBand; `distance_m` never runs backwards where counting does not.

    Raises
    ------
    InputError : fewer than two marks, or all at one count; counts that are not finite.

    Notes
    -----
    True distance is a + b·c + w(c) for the count c; b is the scale, w a random walk whose variance grows by q for each
    metre counted (slip adds up, and is bridged between two marks), and marks err by their own sigma. The estimate is
    the mean of w given the marks: a piecewise-linear rubber band, loose where marks are inexact. Few marks cannot
    tell q, so the estimate and its variance are means over q, weighted by the restricted likelihood of the marks and a
    wide prior (0.02 m over 1 m; q is known to a factor e^1.5). A mark more than 4
    standard deviations from where all the others put it is left out, the worst first, while three are left.

    References
    ----------
    Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, section 2.7 (explicit basis functions).

    Examples
    --------
    >>> band = rubber_band([0.0, 5.0, 10.0], [Mark(0.0, 0.0), Mark(10.0, 10.2)])
    >>> band.distance_m.round(3).tolist(), round(band.scale, 2)
    ([0.0, 5.1, 10.2], 1.02)
    """
    counted = check_array(counted_m, "counted_m", ndim=1)
    if len(marks) < 2 or np.ptp([mark.counted_m for mark in marks]) == 0:
        raise InputError(
            "an odometer needs marks at two places at least",
            received=f"{len(marks)} marks",
            do="give the ends of the line, or marks along it",
        )
    at = np.array([mark.counted_m for mark in marks], np.float64)
    said = np.array([mark.true_m for mark in marks], np.float64)
    sigma = np.array([mark.sigma_m for mark in marks], np.float64)
    used = np.ones(len(at), bool)
    far, score = _left_out(at, said, sigma, used)
    while used.sum() > 3 and score.max() > OUTLIER:
        used[int(score.argmax())] = False
        far, score = _left_out(at, said, sigma, used)
    fit = _fit(at[used], said[used], sigma[used])
    mean, sd = fit.predict(counted)
    scale, scale_sigma, slip = fit.scale()
    rising = bool((np.diff(counted) >= 0).all())
    return RubberBand(
        distance_m=np.maximum.accumulate(mean) if rising else mean,
        sigma_m=sd,
        scale=scale,
        scale_sigma=scale_sigma,
        slip_m2_per_m=slip,
        residual_m=said - fit.predict(at)[0],
        left_out_m=far,
        outlier=~used,
    )


def stretch_line(radargram: xr.DataArray, band: RubberBand) -> xr.DataArray:
    """The same line with its traces moved along it to where the rubber band puts them.

    Parameters
    ----------
    radargram : whose `distance` is what was counted.
    band : from `rubber_band` on that distance.

    Returns
    -------
    radargram with other `x`, `y`, `distance`; `sigma_xy` holds the band's own error as well, and the provenance a step.

    Raises
    ------
    InputError : the band has another number of traces, or the line no length.
    """
    counted = radargram["distance"].values
    if len(counted) != len(band.distance_m):
        raise InputError("the rubber band is of another line", received=f"{len(band.distance_m)} for {len(counted)}")
    x, y = radargram["x"].values, radargram["y"].values
    if not np.ptp(counted) > 0:
        raise InputError("the line has no length", received=f"{len(counted)} traces at one place")
    moved = [_along(band.distance_m, counted, values) for values in (x, y)]
    sigma = np.hypot(radargram["sigma_xy"].values, band.sigma_m)
    placed = radargram.assign_coords(
        x=("trace", moved[0], {"units": "m"}),
        y=("trace", moved[1], {"units": "m"}),
        distance=("trace", band.distance_m - band.distance_m[0], {"units": "m"}),
        sigma_xy=("trace", sigma, {"units": "m"}),
    )
    return add_provenance(placed, {"step": "odometer", "scale": round(band.scale, 6)})


def odometer_findings(
    band: RubberBand, marks: Sequence[Mark], *, line: str = "", end_limit_m: float = 0.10, scale_limit: float = 0.005
) -> list[Finding]:
    """What the marks of a line say about its odometer.

    Parameters
    ----------
    band, marks : from and for `rubber_band`.
    line : its name.
    end_limit_m : local slip is told where all of its 90 % interval lies beyond this, m (0.10: from memory, no source).
        Marks are off by centimetres themselves, and on even ground most slips lie just below the limit.
    scale_limit : departure of the scale from one above which it is told (wheels err by 0.5 to 2 %: from memory).

    Examples
    --------
    >>> marks = [Mark(0.0, 0.0), Mark(10.0, 10.2), Mark(20.0, 20.4)]
    >>> band = rubber_band([0.0, 20.0], marks)
    >>> odometer_findings(band, marks, line="A03")[0].text
    'the odometer counts short: 1.020 m for each metre counted'
    """
    findings = []
    off = band.scale - 1.0
    if abs(off) > max(scale_limit, 2 * band.scale_sigma):
        word = "short" if off > 0 else "long"
        findings.append(
            Finding(
                "warning",
                "odometer-scale",
                f"the odometer counts {word}: {band.scale:.3f} m for each metre counted",
                received=f"± {Z90 * band.scale_sigma:.3f} (90 %)",
                do="stretch the line to its marks; calibrate the wheel on this ground",
                line=line,
            )
        )
    for mark, far, out in zip(marks, band.left_out_m, band.outlier, strict=True):
        if out:
            findings.append(
                Finding(
                    "warning",
                    "odometer-mark",
                    f"the {mark.source} at {mark.true_m:g} m contradicts all others, and is not used",
                    received=f"{far:+.2f} m from where they put it",
                    do="check its number in the field notes",
                    line=line,
                )
            )
    keep = ~band.outlier
    at = np.array([mark.counted_m for mark in marks])[keep]
    said = np.array([mark.true_m for mark in marks])[keep]
    order = np.argsort(at)
    # Against the scale of most of the way: a slip would tilt the fitted one and so hide part of itself.
    slip = np.diff(said[order]) - _scale_of_most(np.diff(at[order]), np.diff(said[order])) * np.diff(at[order])
    sigma = np.array([mark.sigma_m for mark in marks])[keep][order]
    noise = np.hypot(sigma[1:], sigma[:-1])
    for k in np.flatnonzero(np.abs(slip) > np.maximum(end_limit_m + Z90 * noise, 3 * noise)):
        findings.append(
            Finding(
                "warning",
                "odometer-slip",
                f"the wheel {'slipped' if slip[k] > 0 else 'ran on'} between {said[order][k]:g} and "
                f"{said[order][k + 1]:g} m",
                received=f"{slip[k]:+.2f} ± {Z90 * noise[k]:.2f} m",
                do="set more marks there, or walk that part again",
                line=line,
            )
        )
    return findings


def _scale_of_most(counted: F64, true: F64) -> float:
    """Median of true over counted, each gap between marks with the weight of its length."""
    held = counted > 0
    if not held.any():
        return 1.0
    ratio, weight = true[held] / counted[held], counted[held]
    order = np.argsort(ratio)
    ratio, share = ratio[order], np.cumsum(weight[order]) / weight.sum()
    # Where half the way lies to either side, the middle between the two.
    return 0.5 * float(ratio[np.searchsorted(share, 0.5 - 1e-9)] + ratio[np.searchsorted(share, 0.5 + 1e-9)])


def _along(true: F64, counted: F64, values: F64) -> F64:
    """Values along the line as first placed, read at the new distances; beyond its ends it goes on straight."""
    inside = np.interp(true, counted, values)
    length = counted[-1] - counted[0]
    slope = (values[-1] - values[0]) / length
    return inside + slope * (np.minimum(true - counted[0], 0.0) + np.maximum(true - counted[-1], 0.0))


@dataclass(frozen=True, slots=True)
class _Walk:
    """The fit for one variance of slip, and how likely that is."""

    q: float
    share: float
    beta: F64
    inverse: F64
    residual: F64
    factor: tuple[F64, bool]


@dataclass(frozen=True, slots=True)
class _Fit:
    at: F64
    walks: tuple[_Walk, ...]

    def predict(self, where: F64) -> tuple[F64, F64]:
        """Mean and standard deviation of true distance at counts `where`."""
        start, centre = float(self.at.min()), float(self.at.mean())
        # Before the first mark the walk runs backwards from it: that is a second walk, of its own.
        ahead, behind = np.maximum(where - start, 0.0), np.maximum(start - where, 0.0)
        common = np.minimum.outer(ahead, self.at - start)
        trend, basis = _trend(where, centre), _trend(self.at, centre)
        means, squares = np.zeros(len(where)), np.zeros(len(where))
        for walk in self.walks:
            cross = walk.q * common
            mean = trend @ walk.beta + cross @ walk.residual
            reduced = cho_solve(walk.factor, cross.T)
            left = trend - reduced.T @ basis
            variance = walk.q * (ahead + behind) - (cross * reduced.T).sum(axis=1)
            variance += ((left @ walk.inverse) * left).sum(axis=1)
            means += walk.share * mean
            squares += walk.share * (np.maximum(variance, 0.0) + mean**2)
        return means, np.sqrt(np.maximum(squares - means**2, 0.0))

    def scale(self) -> tuple[float, float, float]:
        """Metres for each metre counted, its standard deviation, and the variance of slip (geometric mean)."""
        share = np.array([walk.share for walk in self.walks])
        slope = np.array([walk.beta[1] for walk in self.walks])
        variance = np.array([walk.inverse[1, 1] for walk in self.walks])
        mean = float(share @ slope)
        spread = float(np.sqrt(max(float(share @ (variance + slope**2)) - mean**2, 0.0)))
        return mean, spread, float(np.exp(share @ np.log([walk.q for walk in self.walks])))


def _trend(at: F64, centre: float) -> F64:
    return np.column_stack([np.ones(len(at)), at - centre])


def _fit(at: F64, said: F64, sigma: F64) -> _Fit:
    """All variances of slip that the marks leave possible, with their shares."""
    start, centre = float(at.min()), float(at.mean())
    basis, path = _trend(at, centre), np.minimum.outer(at - start, at - start)
    # The scale is one within a twentieth, whatever the marks: two of them at a metre's distance must not bend a line.
    prior, target = np.diag([0.0, 1.0 / SCALE_SD**2]), np.array([0.0, 1.0 / SCALE_SD**2])
    walks, log = [], []
    for q in CANDIDATES:
        factor = cho_factor(q * path + np.diag(sigma**2))
        reduced = cho_solve(factor, np.column_stack([basis, said]))
        precision = basis.T @ reduced[:, :2] + prior
        inverse = np.linalg.inv(precision)
        beta = inverse @ (basis.T @ reduced[:, 2] + target)
        rest = said - basis @ beta
        weights = reduced[:, 2] - reduced[:, :2] @ beta
        score = -np.log(np.diag(factor[0])).sum() - 0.5 * np.log(np.linalg.det(precision))
        score -= 0.5 * (rest @ weights + ((beta[1] - 1.0) / SCALE_SD) ** 2)
        score -= 0.5 * (np.log(q / SLIP_M2_PER_M) / SLIP_SPREAD) ** 2
        walks.append((float(q), beta, inverse, weights, factor))
        log.append(float(score))
    share = np.exp(np.array(log) - max(log))
    share /= share.sum()
    kept = [k for k in range(len(walks)) if share[k] > 1e-5]
    total = sum(share[kept])
    return _Fit(at, tuple(_Walk(walks[k][0], float(share[k] / total), *walks[k][1:]) for k in kept))


def _left_out(at: F64, said: F64, sigma: F64, used: npt.NDArray[np.bool_]) -> tuple[F64, F64]:
    """How far each mark lies from where all others that are used put it, in metres and in standard deviations."""
    far, score = np.full(len(at), np.nan), np.zeros(len(at))
    for k in range(len(at)):
        rest = used.copy()
        rest[k] = False
        if rest.sum() >= 2 and np.ptp(at[rest]) > 0:
            mean, sd = _fit(at[rest], said[rest], sigma[rest]).predict(at[k : k + 1])
            far[k] = said[k] - mean[0]
            score[k] = abs(far[k]) / np.hypot(sd[0], sigma[k]) if used[k] else 0.0
    return far, score
