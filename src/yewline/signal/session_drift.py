"""Drift of time zero over a session: what warming up does to it, and where the system was changed."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_in_range, check_positive
from yewline.errors import InputError

__all__ = ["SessionDrift", "session_drift"]

F64 = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

BISQUARE = 4.685
"""Residuals of this many standard deviations have no weight (Tukey's biweight at 95 % efficiency)."""
ROUNDS = 6
NEIGHBOURS = 7
"""Lines on either side of a possible step that it is judged by."""
FEWEST_BESIDE = 3
"""Lines on either side without which a step cannot be told from outliers."""
WORST = 3.5
"""A line off by more standard deviations counts against a fit as if it lay here: two outliers then make no step."""
STEP_GAIN = 26.0
"""What a step must take from the sum of squares, in variances of a line: more than two lines at their worst."""
FEWEST_IN_SMOOTH = 5
ROUNDING_NS = 1e-4
"""Scatter that is granted to any session: picks are not better than this."""
LOWER_THIRD = 0.4307
"""A third of a normal sample lies within this many standard deviations; outliers and steps fill the upper part."""


@dataclass(frozen=True, slots=True)
class SessionDrift:
    """Time zero over a session.

    Attributes
    ----------
    fitted_ns : (L,) time zero of each line by the smooth drift, ns, in the order of the lines given.
    sigma_ns : one standard deviation of a single line about the drift, ns.
    outlier : (L,) lines whose own time zero lies more than 4.7 standard deviations off the drift.
    drift_ns : between the lowest and highest fitted place, ns.
    step_time_s : (K,) clock times of the steps, halfway between the lines on either side, in order, s.
    step_ns, step_sigma_ns : (K,) size of each step, later less earlier, and its standard deviation, ns, the drift about
        it taken for straight.
    step_line : (K,) first line after each step, as an index into the lines given.
    """

    fitted_ns: F64
    sigma_ns: float
    outlier: Flags
    drift_ns: float
    step_time_s: F64
    step_ns: F64
    step_sigma_ns: F64
    step_line: npt.NDArray[np.int64]


def session_drift(
    zero_ns: npt.ArrayLike, clock_s: npt.ArrayLike, *, smallest_step_ns: float = 0.2, span: float = 0.5
) -> SessionDrift:
    """Fit the drift of time zero over the lines of a session by their clock times, with steps where it jumps.

    A warm-up bends time zero slowly; a cable, antenna or setting that was changed moves it at once. Steps are found
    first, each between two lines, then each stretch between steps is smoothed by itself.

    Parameters
    ----------
    zero_ns : (L,) time zero of each line, ns, such as the median of `pick_time_zero` over its traces.
    clock_s : (L,) clock time of each line, s from any origin, in any order.
    smallest_step_ns : a smaller jump is taken for drift, ns.
    span : share of a stretch's lines that each place of the smooth drift is fitted to, five lines at least.

    Returns
    -------
    SessionDrift. A step with fewer than three lines on either side cannot be told from an outlier and is not named.

    Raises
    ------
    InputError : arrays that differ in length, are empty or not finite, or a value out of range.

    Notes
    -----
    The scatter σ is that of how far each line lies off the straight line between its neighbours in time. A jump J just
    before a line is fitted to up to seven lines on either side, z = a + b·t + J·[after], by the least sum of
    min(r²/σ², 3.5²) over all lines through as few lines as fix it; it counts where that sum is lower by 26 than without
    J. The clearest parts the session, and each part is searched again. Between steps: local straight lines with tricube
    weights in time, made robust by Tukey's biweight.

    References
    ----------
    Cleveland 1979, J. Am. Stat. Assoc. 74:829–836 (robust locally weighted regression; from memory).

    Examples
    --------
    >>> minutes = np.arange(20.0)
    >>> session = session_drift(8.0 + 0.01 * minutes + 0.9 * (minutes >= 12), 60.0 * minutes)
    >>> session.step_time_s.tolist(), session.step_ns.round(2).tolist(), session.step_line.tolist()
    ([690.0], [0.9], [12])
    """
    zero = check_array(zero_ns, "zero_ns", ndim=1)
    clock = check_array(clock_s, "clock_s", ndim=1)
    if len(zero) != len(clock):
        raise InputError(
            "each line needs its time zero and its clock time",
            received=f"{len(zero)} time zeros for {len(clock)} clock times",
            do="leave lines without a clock time out of both",
        )
    smallest = check_positive(smallest_step_ns, "smallest_step_ns")
    share = check_in_range(span, "span", 0.05, 1.0)
    order = np.argsort(clock, kind="stable")
    z, t = zero[order], clock[order]
    rough = _scatter([(z, t)], robust=True)
    edges = sorted(_steps(z, t, 0, len(z), rough, smallest))
    stretches = [slice(a, b) for a, b in pairwise([0, *edges, len(z)])]
    smooth = np.concatenate([_smooth(z[part], t[part], share, rough) for part in stretches])
    outlier = np.abs(z - smooth) > BISQUARE * rough
    sigma = _scatter([(z[part][~outlier[part]], t[part][~outlier[part]]) for part in stretches], robust=False)
    sizes = [_jump(z, t, edge, low, high, sigma)[:2] for edge, low, high in _bounds(edges, len(z))]
    back = np.argsort(order, kind="stable")
    return SessionDrift(
        fitted_ns=smooth[back],
        sigma_ns=sigma,
        outlier=outlier[back],
        drift_ns=float(np.ptp(smooth)),
        step_time_s=np.array([0.5 * (t[edge - 1] + t[edge]) for edge in edges], np.float64),
        step_ns=np.array([size for size, _ in sizes], np.float64),
        step_sigma_ns=np.array([error for _, error in sizes], np.float64),
        step_line=order[edges].astype(np.int64),
    )


def _scatter(stretches: list[tuple[F64, F64]], *, robust: bool) -> float:
    """Scatter of single lines from how far each lies off the straight line between its neighbours in time."""
    units = [np.zeros(0)]
    for z, t in stretches:
        if len(z) >= FEWEST_BESIDE:
            gap = t[2:] - t[:-2]
            share = np.where(gap > 0, (t[1:-1] - t[:-2]) / np.where(gap > 0, gap, 1.0), 0.5)
            off = z[1:-1] - (1.0 - share) * z[:-2] - share * z[2:]
            units.append(np.abs(off) / np.sqrt(1.0 + share**2 + (1.0 - share) ** 2))
    unit = np.concatenate(units)
    if len(unit) == 0:
        return ROUNDING_NS
    sigma = np.quantile(unit, 1 / 3) / LOWER_THIRD if robust else np.sqrt(np.mean(unit**2))
    return max(float(sigma), ROUNDING_NS)


def _steps(z: F64, t: F64, start: int, stop: int, sigma: float, smallest: float) -> list[int]:
    """First line after each step among lines start … stop − 1, the clearest first."""
    best, found = STEP_GAIN, -1
    for edge in range(start + FEWEST_BESIDE, stop - FEWEST_BESIDE + 1):
        size, _, gain = _jump(z, t, edge, start, stop, sigma)
        if abs(size) >= smallest and gain > best:
            best, found = gain, edge
    if found < 0:
        return []
    return [found, *_steps(z, t, start, found, sigma, smallest), *_steps(z, t, found, stop, sigma, smallest)]


def _jump(z: F64, t: F64, edge: int, start: int, stop: int, sigma: float) -> tuple[float, float, float]:
    """Jump just before line `edge`, its standard error, and by how much it lowers the cost of a straight line."""
    near = slice(max(start, edge - NEIGHBOURS), min(stop, edge + NEIGHBOURS))
    when = t[near] - 0.5 * (t[edge - 1] + t[edge])
    after = (np.arange(near.start, near.stop) >= edge).astype(np.float64)
    design = np.column_stack([np.ones(len(when)), when / max(float(np.abs(when).max()), 1e-30), after])
    _, plain, _ = _least(design[:, :2], z[near] / sigma)
    coefficients, cost, normal = _least(design, z[near] / sigma)
    return sigma * float(coefficients[2]), sigma * float(np.sqrt(normal[2, 2])), plain - cost


def _least(design: F64, z: F64) -> tuple[F64, float, F64]:
    """Least sum of bounded squares, started from every set of as few points as fix the coefficients."""
    sets = np.array(list(combinations(range(len(z)), design.shape[1])))
    squares = design[sets]
    fixed = np.abs(np.linalg.det(squares)) > 1e-9
    trials = np.linalg.solve(squares[fixed], z[sets[fixed]][..., None])[..., 0]
    costs = np.minimum((z - trials @ design.T) ** 2, WORST**2).sum(axis=1)
    best = trials[costs.argmin()] if len(costs) else np.zeros(design.shape[1])
    normal: F64 = np.eye(design.shape[1])
    for _ in range(2):
        near = np.abs(z - design @ best) <= WORST
        normal = np.asarray(np.linalg.pinv(design[near].T @ design[near]), np.float64)
        best = normal @ (design[near].T @ z[near])
    return best, float(np.minimum((z - design @ best) ** 2, WORST**2).sum()), normal


def _bounds(edges: list[int], count: int) -> list[tuple[int, int, int]]:
    """Each step with the lines between the steps before and after it."""
    ends = [0, *edges, count]
    return [(edge, ends[k], ends[k + 2]) for k, edge in enumerate(edges)]


def _smooth(z: F64, t: F64, share: float, sigma: float) -> F64:
    """Local straight lines in time with tricube weights, robust against single lines."""
    n = len(z)
    width = min(n, max(FEWEST_IN_SMOOTH, round(share * n)))
    away = np.abs(t[:, None] - t)
    reach = np.maximum(np.partition(away, width - 1, axis=1)[:, width - 1] * 1.001, 1e-9)
    near = np.clip(1.0 - (away / reach[:, None]) ** 3, 0.0, None) ** 3
    robust, smooth = np.ones(n), z
    for turn in range(ROUNDS):
        smooth = _local_lines(z, t, near * robust)
        residual = np.abs(z - smooth)
        # Lenient at first: the scale of the residuals themselves, then the session's own.
        scale = max(sigma, 1.4826 * float(np.median(residual))) if turn < ROUNDS // 2 else sigma
        robust = np.maximum(np.clip(1.0 - (residual / (BISQUARE * scale)) ** 2, 0.0, None) ** 2, 1e-6)
    return smooth


def _local_lines(z: F64, t: F64, weights: F64) -> F64:
    """At each time the straight line fitted with that row of `weights`; their mean where all times are the same."""
    total = weights.sum(axis=1)
    mean_t, mean_z = weights @ t / total, weights @ z / total
    away = t - mean_t[:, None]
    spread = (weights * away**2).sum(axis=1)
    slope = (weights * away * (z - mean_z[:, None])).sum(axis=1) / np.maximum(spread, 1e-12)
    fitted: F64 = mean_z + slope * (t - mean_t)
    return fitted
