"""Fit of a hyperbola to picked arrivals, and a person's own, drawn on screen: both give a `HyperbolaFit`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_finite, check_in_range, check_positive
from yewline.errors import InputError
from yewline.signal.velocity.engines import COMPILED
from yewline.signal.velocity.hyperbola import SLOWEST_M_PER_NS, HyperbolaFit
from yewline.signal.velocity.robust import CurveFit, FitErrors, fit_curve, fit_errors
from yewline.units import C_M_PER_NS

__all__ = ["FitOptions", "draw_hyperbola", "fit_hyperbola", "fit_place"]

F64 = npt.NDArray[np.float64]

SHORT_LEGS: Final = 0.5
"""Legs that reach less than this share of the depth sideways tell little of the velocity."""
UNSURE_SHARE: Final = 0.1
TRADE_OFF: Final = 0.95


@dataclass(frozen=True, slots=True)
class FitOptions:
    """What is known, or assumed, of antennas and object, and how sure.

    Attributes
    ----------
    separation_m : between the antennas, m.
    radius_m : of the object, m; where the radius is fitted, the first guess.
    fit_radius : whether to fit the radius too, which needs long legs and quiet picks.
    crossing_deg : angle between the line and a long object; 90 for a point.
    radius_sigma_m : standard deviation of the radius that is assumed, m; the velocity's error has its share.
    zero_sigma_ns : standard deviation of time zero and of the pulse's crest, the same for all picks, ns.
    scale_ns : one standard deviation of a pick, where it is known; left out, from the residuals.

    Raises
    ------
    InputError : a value out of range.
    """

    separation_m: float = 0.0
    radius_m: float = 0.0
    fit_radius: bool = False
    crossing_deg: float = 90.0
    radius_sigma_m: float = 0.0
    zero_sigma_ns: float = 0.0
    scale_ns: float | None = None

    def __post_init__(self) -> None:
        check_in_range(self.separation_m, "separation_m", 0.0, 100.0)
        check_in_range(self.radius_m, "radius_m", 0.0, 100.0)
        check_in_range(self.crossing_deg, "crossing_deg", 1.0, 90.0)
        check_in_range(self.radius_sigma_m, "radius_sigma_m", 0.0, 100.0)
        check_in_range(self.zero_sigma_ns, "zero_sigma_ns", 0.0, 1_000.0)
        if self.scale_ns is not None:
            check_positive(self.scale_ns, "scale_ns")


def fit_hyperbola(
    x_m: npt.ArrayLike,
    times_ns: npt.ArrayLike,
    options: FitOptions | None = None,
    *,
    start: tuple[float, float, float] | None = None,
    common_ns: npt.ArrayLike | None = None,
) -> HyperbolaFit:
    """Fit apex, time and velocity (and radius) to arrivals picked along a hyperbola's legs.

    Parameters
    ----------
    x_m : (n,) middle between the antennas, m along the line; at least five places.
    times_ns : (n,) picked arrivals, ns after time zero.
    options : antennas, object, and how sure they are.
    start : first guess of x [m], t0 [ns] and v [m/ns]; left out, from a straight-line fit of t² to x and x².
    common_ns : (m, n) errors that have the same shape on every pick, one row each, at one standard deviation, ns.

    Returns
    -------
    HyperbolaFit. Its cautions: "short-legs" (they reach less than half the depth), "one-leg" (nearly all picks on one
    side), "velocity-unsure" (standard deviation above a tenth), "radius-trade-off" (radius and velocity cannot be told
    apart), "radius-at-zero" (the best radius would be negative: fitted without), "not-settled".

    Raises
    ------
    InputError : fewer than five picks or places, arrays that do not fit, or times that open upward or not at all.

    Notes
    -----
    Huber's loss with the scale from the residuals, analytic derivatives. Covariance: see `fit_errors`; picks next to
    one another err together, so n picks are worth fewer. What all picks share (time zero, an assumed radius) adds
    g·gᵀσ² with g its effect on the parameters.

    Examples
    --------
    >>> x = np.linspace(-1.0, 1.0, 21)
    >>> fit = fit_hyperbola(x, 20.0 * np.sqrt(1.0 + x**2))
    >>> round(fit.v_m_per_ns, 6), round(fit.depth_m, 6)
    (0.1, 1.0)
    """
    chosen = FitOptions() if options is None else options
    x, times = check_array(x_m, "x_m", ndim=1), check_array(times_ns, "times_ns", ndim=1)
    if x.shape != times.shape:
        raise InputError("each pick has a place and a time", received=f"{len(x)} places and {len(times)} times")
    if len(np.unique(x)) < 5:
        raise InputError("a hyperbola needs picks at five places or more", received=f"{len(np.unique(x))} places")
    if not (times > 0).all():
        raise InputError("times must come after time zero", received=f"{times.min():g} ns", do="set time zero first")
    first = _first_guess(x, times, chosen) if start is None else _checked(start)
    cautions: list[str] = []
    with_radius = chosen.fit_radius
    fit = _fitted(x, times, chosen, first, with_radius)
    if with_radius and fit.parameters[3] <= 0.0:
        with_radius = False
        cautions.append("radius-at-zero")
        chosen = FitOptions(
            chosen.separation_m, 0.0, False, chosen.crossing_deg, 0.0, chosen.zero_sigma_ns, chosen.scale_ns
        )
        fit = _fitted(x, times, chosen, first, False)
    errors = fit_errors(fit, x)
    shapes = [] if common_ns is None else list(check_array(common_ns, "common_ns", ndim=2))
    if any(len(shape) != len(x) for shape in shapes):
        raise InputError("common errors must have one value a pick", received=f"{len(shapes[0])} for {len(x)} picks")
    shapes.append(np.full(len(x), chosen.zero_sigma_ns))
    if not with_radius:
        shapes.append(chosen.radius_sigma_m * _by_radius(x, fit, chosen))
    covariance = _with_shared(fit, errors, shapes)
    return _result(x, times, chosen, fit, errors, covariance, cautions)


def fit_place(x: F64, times: F64, options: FitOptions, start: tuple[float, float, float]) -> tuple[float, float, float]:
    """x [m], t0 [ns] and v [m/ns] of the best fit, unchecked and without errors: for the rounds before the last."""
    p = _fitted(x, times, options, np.array(start), False).parameters
    return float(p[0]), float(p[1]), float(p[2])


def draw_hyperbola(
    x_m: float,
    apex_ns: float,
    v_m_per_ns: float,
    *,
    leg_m: float,
    reading_sigma_ns: float,
    options: FitOptions | None = None,
    line: str = "",
) -> HyperbolaFit:
    """A person's own hyperbola: apex and velocity dragged on screen until the curve lies on the picture.

    Parameters
    ----------
    x_m : place of the apex along the line, m.
    apex_ns : time of the apex as it is seen, ns after time zero.
    v_m_per_ns : wave velocity, m/ns.
    leg_m : how far the legs can be followed to either side, m.
    reading_sigma_ns : how well a curve can be laid on the picture, one standard deviation, ns; a quarter of a period is
        common practice, no source.
    options : antennas and object.
    line : name of the line.

    Returns
    -------
    HyperbolaFit, its covariance that of a curve laid on five points of the legs, each with that error.

    Raises
    ------
    InputError : a velocity outside 0.033 to 0.2998 m/ns, or an apex earlier than the antennas' distance allows.

    Examples
    --------
    >>> drawn = draw_hyperbola(3.0, 20.0, 0.1, leg_m=1.0, reading_sigma_ns=0.5)
    >>> drawn.by, drawn.depth_m, round(drawn.sigma_v_m_per_ns, 3)
    ('person', 1.0, 0.003)
    """
    chosen = FitOptions() if options is None else options
    v = _allowed(v_m_per_ns)
    apex, leg = check_positive(apex_ns, "apex_ns"), check_positive(leg_m, "leg_m")
    sigma = check_positive(reading_sigma_ns, "reading_sigma_ns")
    t0 = _straight_down(apex, v, chosen)
    if t0 <= 0:
        raise InputError(
            "the apex comes before the wave could have gone from antenna to antenna",
            received=f"{apex:g} ns for antennas {chosen.separation_m:g} m apart",
            do="check time zero and the antennas' separation",
        )
    places = check_finite(x_m, "x_m") + leg * np.linspace(-1.0, 1.0, 5)
    times, slopes = _model(places, chosen, np.array([x_m, t0, v]), False)
    fit = CurveFit(np.array([x_m, t0, v]), np.zeros(5), np.ones(5), slopes, sigma, True)
    errors = FitErrors(np.asarray(sigma**2 * np.linalg.inv(slopes.T @ slopes)), math.inf, 0.0, 5.0)
    shapes = [np.full(5, chosen.zero_sigma_ns), chosen.radius_sigma_m * _by_radius(places, fit, chosen)]
    covariance = _with_shared(fit, errors, shapes)
    return HyperbolaFit(
        x_m=float(x_m),
        t0_ns=t0,
        v_m_per_ns=v,
        covariance=_rows(covariance),
        separation_m=chosen.separation_m,
        radius_m=chosen.radius_m,
        crossing_deg=chosen.crossing_deg,
        picks_x_m=tuple(places.tolist()),
        picks_ns=tuple(times.tolist()),
        picks_weight=(1.0,) * 5,
        by="person",
        line=line,
        cautions=_cautions(places, np.array([x_m, t0, v]), covariance),
    )


def _model(x: F64, options: FitOptions, p: F64, with_radius: bool) -> tuple[F64, F64]:
    """Times (n,) and derivatives (n, 3 or 4) by x0, t0, v and radius."""
    v, t0 = max(float(p[2]), 1e-4), max(float(p[1]), 1e-6)
    # A radius below zero has no meaning: times go on in a straight line there, so that the fit can show it wants one.
    radius = float(p[3]) if with_radius else options.radius_m
    held = max(radius, 0.0)
    times, by = COMPILED.diffraction(
        x, float(p[0]), 0.5 * v * t0, v, options.separation_m, held, math.radians(options.crossing_deg)
    )
    slopes = np.stack([by[:, 0], 0.5 * v * by[:, 1], by[:, 2] + 0.5 * t0 * by[:, 1]], axis=1)
    if not with_radius:
        return times, slopes
    return times + (radius - held) * by[:, 3], np.concatenate([slopes, by[:, 3:]], axis=1)


def _fitted(x: F64, times: F64, options: FitOptions, start: F64, with_radius: bool) -> CurveFit:
    first = np.append(start, max(options.radius_m, 0.02)) if with_radius else start
    least = 1e-5 * float(np.median(times))
    return fit_curve(
        lambda p: _model(x, options, p, with_radius), first, times, scale=options.scale_ns, least_scale=least
    )


def _first_guess(x: F64, times: F64, options: FitOptions) -> F64:
    """From t² = a + bx + cx², by least squares, with x counted from the middle."""
    middle = float(x.mean())
    reach = float(np.ptp(x))
    u = (x - middle) / reach
    c, b, a = np.polyfit(u, times**2, 2)
    if not c > 0:
        raise InputError(
            "these times are no hyperbola: they do not grow to both sides",
            received=f"{times.min():.2f} to {times.max():.2f} ns over {reach:.2f} m",
            do="pick arrivals on both legs of one hyperbola",
        )
    across = math.sin(math.radians(options.crossing_deg))
    v = min(max(2.0 * reach / math.sqrt(c) * across, SLOWEST_M_PER_NS), 1.2 * C_M_PER_NS)
    apex = math.sqrt(max(a - b * b / (4.0 * c), 0.25 * float(times.min()) ** 2))
    return np.array([middle - 0.5 * reach * b / c, max(_straight_down(apex, v, options), 0.2 * apex), v])


def _straight_down(apex: float, v: float, options: FitOptions) -> float:
    """2·depth/v of an object whose apex is seen at `apex`; zero or less where there is none."""
    path = (v * apex) ** 2 - (options.separation_m * math.cos(math.radians(options.crossing_deg))) ** 2
    half = 0.5 * options.separation_m * math.sin(math.radians(options.crossing_deg))
    depth = math.sqrt(max(0.25 * path, 0.0))
    # Right over it, the wave touches the top of a round object as it would a point.
    return 2.0 * math.sqrt(depth**2 - half**2) / v if depth > half else 0.0


def _checked(start: tuple[float, float, float]) -> F64:
    return np.array(
        [check_finite(start[0], "start x"), check_positive(start[1], "start t0"), check_positive(start[2], "start v")]
    )


def _allowed(v_m_per_ns: float) -> float:
    v = check_positive(v_m_per_ns, "v_m_per_ns")
    if not SLOWEST_M_PER_NS <= v <= C_M_PER_NS * (1 + 1e-9):
        raise InputError(
            "no ground has this velocity",
            received=f"{v:g} m/ns",
            do=f"velocities lie between {SLOWEST_M_PER_NS:g} (water) and {C_M_PER_NS:.4f} m/ns (air)",
        )
    return v


def _by_radius(x: F64, fit: CurveFit, options: FitOptions) -> F64:
    """(n,) derivative by the radius, at the fit."""
    return np.ascontiguousarray(_model(x, options, np.append(fit.parameters, options.radius_m), True)[1][:, 3])


def _with_shared(fit: CurveFit, errors: FitErrors, shapes: Sequence[F64]) -> F64:
    """Covariance with what all picks have in common, such as time zero or a radius that was assumed."""
    weighted = fit.slopes * fit.weight[:, None]
    solve = np.linalg.pinv(weighted.T @ fit.slopes) @ weighted.T
    total = errors.covariance.copy()
    for shape in shapes:
        moved = solve @ shape
        total += np.outer(moved, moved)
    return total


def _cautions(x: F64, p: F64, covariance: F64) -> tuple[str, ...]:
    found = []
    depth = 0.5 * p[1] * p[2]
    left, right = float((x < p[0]).mean()), float((x > p[0]).mean())
    if max(p[0] - float(x.min()), float(x.max()) - p[0]) < SHORT_LEGS * depth:
        found.append("short-legs")
    if min(left, right) < 0.1:
        found.append("one-leg")
    if math.sqrt(max(covariance[2, 2], 0.0)) > UNSURE_SHARE * p[2]:
        found.append("velocity-unsure")
    if len(covariance) == 4:
        size = math.sqrt(max(covariance[2, 2] * covariance[3, 3], 1e-300))
        if abs(covariance[2, 3]) > TRADE_OFF * size:
            found.append("radius-trade-off")
    return tuple(found)


def _result(
    x: F64, times: F64, options: FitOptions, fit: CurveFit, errors: FitErrors, covariance: F64, cautions: list[str]
) -> HyperbolaFit:
    p = fit.parameters
    with_radius = len(p) == 4
    if not fit.settled:
        cautions.append("not-settled")
    if not (np.isfinite(p).all() and p[1] > 1e-6 and 1e-3 <= p[2] <= 10.0):
        raise InputError(
            "no hyperbola fits these picks",
            received=f"t0 {p[1]:.3g} ns and v {p[2]:.3g} m/ns",
            do="pick longer legs, or check time zero",
        )
    return HyperbolaFit(
        x_m=float(p[0]),
        t0_ns=float(p[1]),
        v_m_per_ns=float(p[2]),
        covariance=_rows(covariance),
        dof=errors.dof,
        separation_m=options.separation_m,
        radius_m=float(p[3]) if with_radius else options.radius_m,
        crossing_deg=options.crossing_deg,
        radius_fitted=with_radius,
        picks_x_m=tuple(x.tolist()),
        picks_ns=tuple(times.tolist()),
        picks_weight=tuple(fit.weight.tolist()),
        rms_ns=float(np.sqrt(np.mean(fit.residual**2))),
        correlation=errors.correlation,
        n_effective=errors.n_effective,
        cautions=(*cautions, *_cautions(x, p, covariance)),
    )


def _rows(matrix: F64) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(row) for row in matrix.tolist())
