"""A straight line through points that are uncertain along both axes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_array
from yewline.errors import InputError

__all__ = ["FittedLine", "fit_line"]

Array = npt.NDArray[np.float64]

_ROUNDS: Final = 200
_SETTLED: Final = 1e-13


@dataclass(frozen=True, slots=True)
class FittedLine:
    """A line y = intercept + slope · x.

    Attributes
    ----------
    covariance : (2, 2) of (intercept, slope), as the stated errors of the points give it.
    residuals : (N,) y − intercept − slope · x.
    reduced_chi2 : residuals squared over their stated variance, per degree of freedom; about 1 where that is right.
    """

    slope: float
    intercept: float
    covariance: Array
    residuals: Array
    reduced_chi2: float


def fit_line(x: npt.ArrayLike, y: npt.ArrayLike, *, x_sd: npt.ArrayLike, y_sd: npt.ArrayLike) -> FittedLine:
    """The most likely line through points with normal errors of both coordinates.

    Parameters
    ----------
    x, y : (N,) with N ≥ 3.
    x_sd, y_sd : standard deviation of each coordinate; one number, or (N,). Either may be zero, not both.

    Raises
    ------
    InputError : fewer than three points, all x alike, errors that are negative or both zero, or no line is found.

    Notes
    -----
    With W = 1/(σ_y² + b²σ_x²), U and V the deviations from the means weighted by W, and β = W(σ_y²U + bσ_x²V), the
    slope b = ΣWβV / ΣWβU is iterated from that of ordinary least squares. The errors of x and y are not correlated.
    Ordinary least squares would give too small a slope where x is uncertain.

    References
    ----------
    York, Evensen, Martínez & De Basabe Delgado 2004, Am. J. Phys. 72(3):367-375.

    Examples
    --------
    >>> line = fit_line([0.0, 1.0, 2.0, 3.0], [1.0, 3.1, 4.9, 7.0], x_sd=0.1, y_sd=0.1)
    >>> round(line.slope, 3), round(line.intercept, 3)
    (1.981, 1.028)
    """
    xs, ys = (check_array(values, name, ndim=1) for values, name in ((x, "x"), (y, "y")))
    if len(xs) != len(ys) or len(xs) < 3:
        raise InputError("a line needs at least three points", received=f"{len(xs)} and {len(ys)}")
    vx, vy = (np.broadcast_to(np.asarray(sd, np.float64), xs.shape) ** 2 for sd in (x_sd, y_sd))
    if not (np.isfinite(vx + vy).all() and (vx + vy > 0).all()):
        raise InputError("each point needs an error along x or along y", received="zero or not finite")
    if np.ptp(xs) == 0:
        raise InputError("all points lie at the same x", received=f"{xs[0]:g}", do="take points further apart")
    b = float(np.polynomial.polynomial.polyfit(xs, ys, 1)[1])
    for _ in range(_ROUNDS):
        w, x_mean, y_mean, beta = _step(xs, ys, vx, vy, b)
        new = float(np.sum(w * beta * (ys - y_mean)) / np.sum(w * beta * (xs - x_mean)))
        settled = abs(new - b) <= _SETTLED * abs(new)
        b = new
        if settled or not np.isfinite(b):
            break
    else:
        settled = False
    if not settled:
        raise InputError("no line settles through the points", do="check the points and their errors")
    w, x_mean, y_mean, beta = _step(xs, ys, vx, vy, b)
    a = y_mean - b * x_mean
    adjusted = x_mean + beta
    centre = float(np.sum(w * adjusted) / w.sum())
    slope_var = 1.0 / float(np.sum(w * (adjusted - centre) ** 2))
    cross = -centre * slope_var
    covariance = np.array([[1.0 / w.sum() + centre**2 * slope_var, cross], [cross, slope_var]])
    residuals = ys - a - b * xs
    chi2 = float(np.sum(w * residuals**2)) / (len(xs) - 2)
    return FittedLine(b, float(a), covariance, residuals, chi2)


def _step(x: Array, y: Array, vx: Array, vy: Array, b: float) -> tuple[Array, float, float, Array]:
    """Weights, weighted means and the moves along x to the points on the line, for a slope."""
    w = 1.0 / (vy + b * b * vx)
    x_mean, y_mean = float(np.sum(w * x) / w.sum()), float(np.sum(w * y) / w.sum())
    return w, x_mean, y_mean, w * (vy * (x - x_mean) + b * vx * (y - y_mean))
