"""Offset, slope and oblique ground fitted to the correlation of many pairs of lines by lag."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d, spline_filter1d
from scipy.optimize import minimize

from yewline.positions.images import LineImages
from yewline.positions.lag_kernels import lag_products

__all__ = ["GEOLOGY", "SIGNIFICANT", "LagCurves", "fit_offsets", "lag_curves", "some_pairs", "without_slow"]

F64 = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

SLOW_M = 1.0
WINDOW_M = 5.0
MOST_WINDOWS = 6
SIGNIFICANT = 3.0
BENDING_RATE_M = 0.02
GEOLOGY = 2.0
"""Largest displacement from line to line, in spacings, searched for: ground that lies within 27° of the lines is
taken for lying along them."""


@dataclass(frozen=True, slots=True)
class LagCurves:
    """Correlation by lag of each pair in each window, ready to be read between lags."""

    spline: F64  # (P·W, lags)
    pair: Ints
    window_m: F64  # of each row, from the middle
    most: int
    step: float
    spacing: float
    turn: F64  # (P,) difference of the two directions: 0, or ±2
    across: F64  # (P,) distance across, in spacings
    first: Ints
    second: Ints

    def score(self, lag: F64) -> F64:
        """(P,) correlation of each pair at a lag (m) for each row."""
        values = _between_lags(self.spline, np.arange(len(self.pair)), lag / self.step + self.most)
        return np.bincount(self.pair, values, minlength=len(self.turn)).astype(np.float64)

    def lag(self, theta: F64, turn: F64 | None = None) -> F64:
        """Lag (m) of each row for offset, slope and geology."""
        way = (self.turn if turn is None else turn)[self.pair]
        return way * (theta[0] + theta[1] * self.window_m) + theta[2] * self.across[self.pair]


def without_slow(
    pictures: npt.NDArray[np.float32], known: npt.NDArray[np.bool_], step: float
) -> npt.NDArray[np.float32]:
    """What changes within a few metres: slow changes, freed of their mean over one line's own ends, sit still there."""
    sigma = SLOW_M / step
    there = known.astype(np.float32)
    weight = gaussian_filter1d(there, sigma, axis=1, mode="constant")
    slow = gaussian_filter1d(pictures, sigma, axis=1, mode="constant") / np.maximum(weight, 1e-6)[:, :, None]
    fine: npt.NDArray[np.float32] = (pictures - slow) * there[:, :, None]
    return fine


def lag_curves(
    images: LineImages,
    pictures: npt.NDArray[np.float32],
    known: npt.NDArray[np.bool_],
    pairs: list[tuple[int, int, int]],
    most: int,
) -> LagCurves:
    """Correlation of each pair by lag in windows along the line; their sum over windows is at most one."""
    station = images.station_m
    count = int(np.clip(np.ptp(station) // WINDOW_M, 1, MOST_WINDOWS))
    edges = np.linspace(0, len(station), count + 1).astype(np.intp)
    rows = []
    for i, j, _ in pairs:
        product, size_a, size_b = lag_products(pictures[i], pictures[j], known[i], known[j], most)
        norm = np.sqrt(size_a.sum(axis=1) * size_b.sum(axis=1))
        parts = np.add.reduceat(product, edges[:-1], axis=1) / np.where(norm > 0, norm, 1.0)[:, None]
        rows.append(parts.T)
    table = np.concatenate(rows)
    middle = 0.5 * (station[0] + station[-1])
    centre = np.array([station[a:b].mean() - middle for a, b in pairwise(edges)])
    first, second = np.array([(i, j) for i, j, _ in pairs], dtype=np.int64).T
    direction = images.direction.astype(np.float64)
    return LagCurves(
        spline=np.asarray(spline_filter1d(table, order=3, axis=1, mode="mirror"), np.float64),
        pair=np.repeat(np.arange(len(pairs)), count),
        window_m=np.tile(centre, len(pairs)),
        most=most,
        step=images.step_m,
        spacing=images.spacing_m,
        turn=direction[second] - direction[first],
        across=(images.across_m[second] - images.across_m[first]) / images.spacing_m,
        first=first,
        second=second,
    )


def fit_offsets(curves: LagCurves, limit: float, turn: F64 | None = None, *, sloped: bool = True) -> tuple[F64, F64]:
    """Offset, slope and geology (m per spacing) with their covariance; a slope that is not called for is 0.

    The variance of a slope that was not fitted, as on short lines, is not a number.
    """
    start = _coarse(curves, limit, turn)
    half = max(float(np.abs(curves.window_m).max()), 1e-9)
    theta = _climb(curves, start, np.array([True, False, True]), turn, half)
    covariance = _covariance(curves, theta, np.array([True, False, True]), turn)
    if not sloped or half < WINDOW_M / 2:
        covariance[1, 1] = np.nan
        return theta, covariance
    bent = _climb(curves, theta, np.array([True, True, True]), turn, half)
    with_slope = _covariance(curves, bent, np.array([True, True, True]), turn)
    slope_sigma = float(np.sqrt(with_slope[1, 1]))
    if abs(bent[1]) > SIGNIFICANT * slope_sigma and abs(bent[1]) * half > BENDING_RATE_M:
        return bent, with_slope
    covariance[1, 1] = with_slope[1, 1]
    return theta, covariance


def _coarse(curves: LagCurves, limit: float, turn: F64 | None) -> F64:
    """The best offset and geology on a grid half a station fine."""
    pairs = len(curves.turn)
    windows = len(curves.pair) // pairs
    whole = curves.spline.reshape(pairs, windows, -1).sum(axis=1)
    offsets = np.arange(-limit, limit + 1e-9, 0.5 * curves.step)
    steps = round(GEOLOGY * curves.spacing / (0.75 * curves.step))
    ground = 0.75 * curves.step * np.arange(-steps, steps + 1)
    way = curves.turn if turn is None else turn
    lag = way[:, None, None] * offsets[:, None] + curves.across[:, None, None] * ground
    total = _between_lags(whole, np.arange(pairs)[:, None, None], lag / curves.step + curves.most).sum(axis=0)
    best = np.unravel_index(int(total.argmax()), total.shape)
    return np.array([offsets[best[0]], 0.0, ground[best[1]]])


def _between_lags(spline: F64, row: Ints, at: F64) -> F64:
    """The curves whose cubic B-spline coefficients are `spline` (R, lags), read at places between lags."""
    inside = np.clip(at, 1.0, spline.shape[1] - 2.0 - 1e-9)
    first = inside.astype(np.int64)
    u = inside - first
    rest = 1.0 - u
    weights = (rest**3, 4.0 - 6.0 * u**2 + 3.0 * u**3, 4.0 - 6.0 * rest**2 + 3.0 * rest**3, u**3)
    value = np.zeros(inside.shape)
    for k, weight in enumerate(weights):
        value += weight * spline[row, np.minimum(first + k - 1, spline.shape[1] - 1)]
    return value / 6.0


def _climb(curves: LagCurves, start: F64, free: npt.NDArray[np.bool_], turn: F64 | None, half: float) -> F64:
    scale = np.array([curves.step, curves.step / half, curves.step])

    def cost(u: F64) -> float:
        theta = start.copy()
        theta[free] += u * scale[free]
        return -float(curves.score(curves.lag(theta, turn)).sum())

    size = int(free.sum())
    simplex = np.vstack([np.zeros(size), 0.4 * np.eye(size)])
    options = {"xatol": 1e-4, "fatol": 1e-9, "maxiter": 400, "initial_simplex": simplex}
    found = minimize(cost, np.zeros(size), method="Nelder-Mead", options=options)
    theta = start.copy()
    theta[free] += found.x * scale[free]
    return theta


def _covariance(curves: LagCurves, theta: F64, free: npt.NDArray[np.bool_], turn: F64 | None) -> F64:
    """Sandwich covariance of the maximum: curvature outside, gradients of pairs that share a line inside."""
    half = max(float(np.abs(curves.window_m).max()), 1.0)
    h = 0.5 * np.array([curves.step, curves.step / half, curves.step])
    which = np.flatnonzero(free)

    def each(delta: F64) -> F64:
        return curves.score(curves.lag(theta + delta, turn))

    unit = np.eye(3) * h
    gradient = np.stack([(each(unit[k]) - each(-unit[k])) / (2 * h[k]) for k in which])
    hessian = np.empty((len(which), len(which)))
    for a, k in enumerate(which):
        for b, m in enumerate(which):
            mixed = each(unit[k] + unit[m]) - each(unit[k] - unit[m]) - each(-unit[k] + unit[m])
            mixed += each(-unit[k] - unit[m])
            hessian[a, b] = mixed.sum() / (4 * h[k] * h[m])
    lines = int(max(curves.first.max(), curves.second.max())) + 1
    by_line = np.zeros((len(which), lines))
    for a in range(len(which)):
        by_line[a] = np.bincount(curves.first, gradient[a], lines) + np.bincount(curves.second, gradient[a], lines)
    # Pairs that share a line err together: sums by line hold each pair twice and each such product once.
    inner = by_line @ by_line.T - gradient @ gradient.T
    if np.linalg.eigvalsh(inner).min() <= 0:
        inner = gradient @ gradient.T
    full = np.zeros((3, 3))
    inverse = np.linalg.pinv(hessian)
    full[np.ix_(which, which)] = inverse @ inner @ inverse
    bad = np.linalg.eigvalsh(hessian).max() >= 0
    if bad:
        full[which, which] = np.inf
    return full


def some_pairs(curves: LagCurves, keep: npt.NDArray[np.bool_]) -> LagCurves:
    """The curves of the pairs where `keep` (P,) is true."""
    rows = keep[curves.pair]
    number = np.cumsum(keep) - 1
    return LagCurves(
        curves.spline[rows],
        number[curves.pair[rows]],
        curves.window_m[rows],
        curves.most,
        curves.step,
        curves.spacing,
        curves.turn[keep],
        curves.across[keep],
        curves.first[keep],
        curves.second[keep],
    )
