"""Velocity from things whose depth is known, such as excavated burials, and the times at which they were seen."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.stats import chi2

from yewline._check import check_array, check_in_range
from yewline.errors import InputError
from yewline.signal.velocity.estimate import VelocityEstimate
from yewline.units import C_M_PER_NS

__all__ = ["KnownDepthFit", "LineWithErrors", "known_depth_velocity", "line_with_errors"]

F64 = npt.NDArray[np.float64]

STEPS: Final = 200
OUTLIER: Final = 3.5


class LineWithErrors(NamedTuple):
    """Line y = a + b·x: both with their covariance (2, 2), chi² of the points, and their residuals over sigma."""

    intercept: float
    slope: float
    covariance: F64
    chi2: float
    score: F64


@dataclass(frozen=True, slots=True)
class KnownDepthFit:
    """Velocity from known depths.

    Attributes
    ----------
    estimate : the velocity, its standard deviation widened where the points disagree more than their errors allow.
    zero_ns : what time zero is off, as far as the points tell it; `sigma_zero_ns` its standard deviation.
    chi2, dof, p : of the points about the line: a small p says that errors are larger than stated.
    score : (n,) how many standard deviations each point lies off the median of all (modified z-score).
    outliers : numbers of the points, from 0, beyond 3.5 of them; they are named, and still count.
    """

    estimate: VelocityEstimate
    zero_ns: float
    sigma_zero_ns: float
    chi2: float
    dof: int
    p: float
    score: tuple[float, ...]
    outliers: tuple[int, ...]


def line_with_errors(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    *,
    sigma_x: npt.ArrayLike,
    sigma_y: npt.ArrayLike,
    intercept_sigma: float | None = None,
) -> LineWithErrors:
    """Straight line through points that err in both coordinates (weighted total least squares).

    Parameters
    ----------
    x, y : (n,) points.
    sigma_x, sigma_y : (n,) standard deviations; not both 0 at one point.
    intercept_sigma : the intercept is known to be 0 but for this standard deviation; left out, nothing is known of it,
        and 0 fixes it.

    Returns
    -------
    LineWithErrors

    Raises
    ------
    InputError : arrays that do not fit, too few points, or all at one place.

    Notes
    -----
    Least Σ(x − X)²/σx² + (y − a − bX)²/σy² over a, b and the true X, which is Σ W r² with r = y − a − bx and
    W = 1/(σy² + b²σx²); solved by York's iteration, X = x + Wbσx²r.

    References
    ----------
    York 1966, Can. J. Phys. 44:1079–1086. York, Evensen, Martínez & Delgado 2004, Am. J. Phys. 72:367–375.

    Examples
    --------
    >>> line = line_with_errors([1.0, 2.0, 3.0], [2.0, 4.0, 6.0], sigma_x=[0.1] * 3, sigma_y=[0.1] * 3)
    >>> round(line.slope, 6), round(abs(line.intercept), 6)
    (2.0, 0.0)
    """
    px, py = check_array(x, "x", ndim=1), check_array(y, "y", ndim=1)
    sx, sy = check_array(sigma_x, "sigma_x", ndim=1), check_array(sigma_y, "sigma_y", ndim=1)
    if not px.shape == py.shape == sx.shape == sy.shape:
        raise InputError("points and errors must be as many", received=f"{len(px)}, {len(py)}, {len(sx)}, {len(sy)}")
    if (sx < 0).any() or (sy < 0).any() or ((sx == 0) & (sy == 0)).any():
        raise InputError("each point needs an error above 0", do="give a standard deviation for x or y")
    fixed = intercept_sigma == 0.0
    prior = (
        0.0
        if intercept_sigma is None or fixed
        else 1.0 / check_in_range(intercept_sigma, "intercept_sigma", 0.0, 1e9) ** 2
    )
    if len(px) < (1 if fixed or prior > 0 else 2):
        raise InputError("a line needs two points", received=len(px))
    if not (fixed or prior > 0) and np.ptp(px) == 0:
        raise InputError("all points lie at one place: no line goes through them", received=f"x = {px[0]:g}")
    a, b = _start(px, py, free=not (fixed or prior > 0))
    normal = np.eye(2)
    for _ in range(STEPS):
        weight = 1.0 / (sy**2 + b**2 * sx**2)
        residual = py - a - b * px
        true = px + weight * b * sx**2 * residual
        design = np.stack([np.ones_like(true), true], axis=1)
        normal = design.T @ (weight[:, None] * design)
        right = design.T @ (weight * residual)
        normal[0, 0] += prior
        right[0] -= prior * a
        if fixed:
            step = np.array([0.0, right[1] / normal[1, 1]])
        else:
            step = np.linalg.solve(normal, right)
        a, b = a + step[0], b + step[1]
        if np.abs(step).max() <= 1e-14 * max(abs(a), abs(b), 1e-300):
            break
    covariance = np.array([[0.0, 0.0], [0.0, 1.0 / normal[1, 1]]]) if fixed else np.linalg.inv(normal)
    score = (py - a - b * px) / np.sqrt(sy**2 + b**2 * sx**2)
    return LineWithErrors(float(a), float(b), np.asarray(covariance, np.float64), float(score @ score), score)


def known_depth_velocity(
    depth_m: npt.ArrayLike,
    time_ns: npt.ArrayLike,
    *,
    sigma_depth_m: npt.ArrayLike,
    sigma_time_ns: npt.ArrayLike,
    zero_sigma_ns: float,
    separation_m: float = 0.0,
    label: str = "",
) -> KnownDepthFit:
    """Velocity from depths known by excavation and the times at which their tops were seen, straight above.

    Parameters
    ----------
    depth_m : (n,) depths of the tops, m.
    time_ns : (n,) picked two-way times, ns after time zero.
    sigma_depth_m, sigma_time_ns : (n,) standard deviations.
    zero_sigma_ns : standard deviation of time zero, which all times share, ns.
    separation_m : between the antennas, m.
    label : kept in the estimate.

    Returns
    -------
    KnownDepthFit

    Raises
    ------
    InputError : no points, depths or times that are not positive, or a velocity above that of light.

    Notes
    -----
    t = τ + √(4d² + s²)/v with τ known to be 0 ± zero_sigma_ns; both d and t err. Where chi² exceeds its degrees of
    freedom the standard deviation is multiplied by √(chi²/dof) (Birge 1932).

    References
    ----------
    York et al. 2004, Am. J. Phys. 72:367–375. Birge 1932, Phys. Rev. 40:207–227 (from memory).

    Examples
    --------
    >>> fit = known_depth_velocity([0.5, 1.0, 1.5], [10.0, 20.0, 30.0], sigma_depth_m=[0.05] * 3,
    ...     sigma_time_ns=[0.5] * 3, zero_sigma_ns=0.5)
    >>> round(fit.estimate.v_m_per_ns, 6), round(fit.estimate.sigma_m_per_ns, 4)
    (0.1, 0.0036)
    """
    d, t = check_array(depth_m, "depth_m", ndim=1), check_array(time_ns, "time_ns", ndim=1)
    sd = check_array(sigma_depth_m, "sigma_depth_m", ndim=1)
    s = check_in_range(separation_m, "separation_m", 0.0, 100.0)
    zero = check_in_range(zero_sigma_ns, "zero_sigma_ns", 0.0, 1e3)
    if d.shape != t.shape or d.shape != sd.shape:
        raise InputError("each depth has an error and a time", received=f"{len(d)}, {len(sd)} and {len(t)}")
    if not ((d > 0).all() and (t > 0).all()):
        raise InputError("depths and times must be greater than zero", received=f"{d.min():g} m and {t.min():g} ns")
    path = np.sqrt(4.0 * d**2 + s**2)
    line = line_with_errors(path, t, sigma_x=4.0 * d / path * sd, sigma_y=sigma_time_ns, intercept_sigma=zero)
    if not line.slope > 0 or 1.0 / line.slope > C_M_PER_NS * (1 + 1e-9):
        raise InputError(
            "these depths and times give no velocity that ground can have",
            received="times that do not grow with depth" if line.slope <= 0 else f"{1 / line.slope:.3f} m/ns",
            do="check which time belongs to which burial, and time zero",
        )
    v = 1.0 / line.slope
    dof = len(d) - 1
    widen = math.sqrt(max(1.0, line.chi2 / dof)) if dof > 0 else 1.0
    # By the median of all, since least squares lean toward an outlier and then put it on the others.
    middle = float(np.median(t / path))
    score = (t - middle * path) / np.sqrt(np.square(sigma_time_ns) + (middle * 4.0 * d / path * sd) ** 2 + zero**2)
    outliers = tuple(np.nonzero(np.abs(score) > OUTLIER)[0].tolist())
    estimate = VelocityEstimate(
        v_m_per_ns=v,
        sigma_m_per_ns=v**2 * math.sqrt(line.covariance[1, 1]) * widen,
        source="known depths",
        depth_to_m=float(d.max()),
        n=len(d),
        label=label,
        cautions=(*(("errors-too-small",) if widen > 1.5 else ()), *(("outliers",) if outliers else ())),
    )
    return KnownDepthFit(
        estimate,
        line.intercept,
        math.sqrt(line.covariance[0, 0]),
        line.chi2,
        dof,
        float(chi2.sf(line.chi2, dof)) if dof > 0 else 1.0,
        tuple(score.tolist()),
        outliers,
    )


def _start(x: F64, y: F64, *, free: bool) -> tuple[float, float]:
    if free:
        slope, level = np.polyfit(x, y, 1)
        return float(level), float(slope)
    return 0.0, float(x @ y) / max(float(x @ x), 1e-300)
