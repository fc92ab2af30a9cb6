"""Pieces of lines to a grid: distance-weighted interpolation that knows a line's direction; kernel and plain twin."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from numba import prange

from yewline._check import check_positive
from yewline._compiled import njit
from yewline.errors import InputError

__all__ = ["Nodes", "buckets_of", "interpolate_nodes", "interpolate_nodes_plain", "joined_nodes"]

Array = npt.NDArray[np.float64]
Strength = npt.NDArray[np.float32]

_TOUCH_M: Final = 1e-6
_SOFT: Final = 5e-4
"""Spread of nodes, in squared half spacings, below which the first-order correction fades out."""
_ROUNDS: Final = 4
_LEAST: Final = 0.1
"""Rounds of the correction, and the least factor of one round: weights stay positive."""


@dataclass(frozen=True, slots=True)
class Nodes:
    """Pieces of all lines, N of them, as points with a direction.

    Attributes
    ----------
    x, y : (N,) position, m.
    ux, uy : (N,) unit vector along the line.
    half_m : (N,) half the extent along the line.
    sigma_m : (N,) width of the weight along the line, one standard deviation.
    values : (N, Z) float32; NaN where a depth was not recorded.
    """

    x: Array
    y: Array
    ux: Array
    uy: Array
    half_m: Array
    sigma_m: Array
    values: Strength

    def __post_init__(self) -> None:
        n = len(self.x)
        if self.values.ndim != 2 or any(
            a.shape != (n,) for a in (self.x, self.y, self.ux, self.uy, self.half_m, self.sigma_m, self.values[:, 0])
        ):
            raise InputError("a node needs one position, direction and width, and one row of values")


def joined_nodes(parts: Sequence[Nodes]) -> Nodes:
    """The nodes of all lines as one, in the order of the lines."""
    return Nodes(
        x=np.concatenate([part.x for part in parts]),
        y=np.concatenate([part.y for part in parts]),
        ux=np.concatenate([part.ux for part in parts]),
        uy=np.concatenate([part.uy for part in parts]),
        half_m=np.concatenate([part.half_m for part in parts]),
        sigma_m=np.concatenate([part.sigma_m for part in parts]),
        values=np.concatenate([part.values for part in parts]),
    )


def interpolate_nodes(nodes: Nodes, x: Array, y: Array, *, line_spacing_m: float, radius_m: float) -> Strength:
    """Interpolate nodes to the cells of a grid; blank where no line is near.

    Parameters
    ----------
    nodes : N points on lines of any direction.
    x, y : (X,), (Y,) cell centres, m.
    line_spacing_m : distance between neighbouring lines; half of it is the width of the weight across a line.
    radius_m : no node farther than this counts.

    Returns
    -------
    (Z, Y, X) float32; NaN where there is no data.

    Raises
    ------
    InputError : a length is not positive.

    Notes
    -----
    A node at distance r, with components a along its line and c across it, weighs
    w = exp(−a²/2σ_a² − c²/2σ_c²)·(1 − r²/R²)²; σ_c is half the line spacing, R the radius. The weighted mean is then
    corrected to first order, so that a plane is returned as it is: in four rounds, each weight is multiplied by
    max(0.1, 1 + b·(d_i − d̄)), where d are offsets from the cell, d̄ their weighted mean, and b = −C⁻¹ d̄ with C their
    weighted covariance (one round without the limit is local linear regression). Weights stay positive: no value leaves
    the range of the nodes around it, and at the rim a slope is not carried on beyond the lines.

    A cell is covered within half a line spacing to either side of a line and beyond its ends, or where the nodes within
    R do not all lie to one side of it (d_i·d̄ < 0 for some). Beyond the outermost line the map thus ends after half a
    spacing, while the gap that one missing line leaves is bridged.

    References
    ----------
    Cleveland, W. S. (1979), J. Am. Stat. Assoc. 74(368):829–836 (locally weighted regression; named from memory).

    Examples
    --------
    >>> one, two = np.ones(2), np.array([0.0, 1.0])
    >>> nodes = Nodes(two, 0 * one, 0 * one, one, 0 * one, 0.1 * one, two.astype(np.float32)[:, None])
    >>> at = interpolate_nodes(nodes, np.array([0.0, 0.5, 4.0]), np.zeros(1), line_spacing_m=1.0, radius_m=1.5)
    >>> at[0, 0, 1].item(), at[0, 0, 2].item()
    (0.5, nan)
    """
    spacing, radius = check_positive(line_spacing_m, "line_spacing_m"), check_positive(radius_m, "radius_m")
    order, start, corner, shape, most = buckets_of(nodes, radius)
    out: Strength = _interpolate(
        (nodes.x[order], nodes.y[order], nodes.ux[order], nodes.uy[order], nodes.half_m[order], nodes.sigma_m[order]),
        nodes.values[order],
        _patterns(nodes.values)[order],
        (start, corner, shape, most),
        np.ascontiguousarray(x, np.float64),
        np.ascontiguousarray(y, np.float64),
        (0.5 * spacing, radius),
    )
    return out


def _patterns(values: Strength) -> npt.NDArray[np.int64]:
    """A number for each node, the same for nodes that reach the same depths."""
    recorded = np.packbits(np.isfinite(values), axis=1)
    if (recorded == recorded[:1]).all():
        return np.zeros(len(values), np.int64)
    number: npt.NDArray[np.int64] = np.unique(recorded, axis=0, return_inverse=True)[1].ravel()
    return number


def buckets_of(
    nodes: Nodes, radius: float
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], tuple[float, float], tuple[int, int], int]:
    """Sort nodes into square buckets one radius wide, so that a cell's neighbours lie in three by three of them."""
    if len(nodes.x) == 0:
        return np.zeros(0, np.int64), np.zeros(2, np.int64), (0.0, 0.0), (1, 1), 0
    corner = float(nodes.x.min()), float(nodes.y.min())
    # Far-flung nodes must not cost memory: buckets are widened until there are few.
    reach = max(float(np.ptp(nodes.x)), float(np.ptp(nodes.y)))
    if reach / radius > 4000:
        raise InputError(
            "lines reach too far for this line spacing",
            received=f"{reach:.0f} m at a radius of {radius:g} m",
            do="look for a trace with a wrong position",
        )
    i = ((nodes.x - corner[0]) / radius).astype(np.int64)
    j = ((nodes.y - corner[1]) / radius).astype(np.int64)
    shape = int(j.max()) + 1, int(i.max()) + 1
    flat = j * shape[1] + i
    order = np.argsort(flat, kind="stable")
    start = np.searchsorted(flat[order], np.arange(shape[0] * shape[1] + 1)).astype(np.int64)
    count = np.pad(np.diff(start).reshape(shape), 1)
    nine = sum(count[a : a + shape[0], b : b + shape[1]] for a in range(3) for b in range(3))
    # A cell just outside the buckets sees at most as many as one just inside, plus its own row of nothing.
    return order, start, corner, shape, int(np.max(np.asarray(nine)))


@njit(cache=True, parallel=True, nogil=True)
def _interpolate(
    geometry: tuple[Array, Array, Array, Array, Array, Array],
    values: Strength,
    pattern: npt.NDArray[np.int64],
    buckets: tuple[npt.NDArray[np.int64], tuple[float, float], tuple[int, int], int],
    x: Array,
    y: Array,
    reach: tuple[float, float],
) -> Strength:
    nx, ny, ux, uy, half, sigma = geometry
    start, corner, shape, most = buckets
    across, radius = reach
    n_depth = values.shape[1]
    out = np.full((n_depth, len(y), len(x)), np.nan, np.float32)
    for row in prange(len(y)):
        near = np.empty(most, np.int64)
        dx, dy, weight = np.empty(most), np.empty(most), np.empty(most)
        use = np.empty(most, np.bool_)
        total = np.empty(n_depth)
        j = math.floor((y[row] - corner[1]) / radius)
        for col in range(len(x)):
            i = math.floor((x[col] - corner[0]) / radius)
            n = 0
            for b in range(max(0, j - 1), min(shape[0], j + 2)):
                for a in range(max(0, i - 1), min(shape[1], i + 2)):
                    for k in range(start[b * shape[1] + a], start[b * shape[1] + a + 1]):
                        ox, oy = nx[k] - x[col], ny[k] - y[row]
                        if ox * ox + oy * oy < radius * radius:
                            near[n], dx[n], dy[n] = k, ox, oy
                            n += 1
            alike = True
            for m in range(1, n):
                alike = alike and pattern[near[m]] == pattern[near[0]]
            if alike:
                # The usual case, one set of weights for all depths; the loop over depths runs as values lie in memory.
                use[:n] = True
                if _weigh(near, dx, dy, use, n, ux, uy, half, sigma, across, radius, weight):
                    total[:] = 0.0
                    for m in range(n):
                        share, node = weight[m], values[near[m]]
                        for depth in range(n_depth):
                            total[depth] += share * node[depth]
                    for depth in range(n_depth):
                        out[depth, row, col] = total[depth]
                continue
            ready = False
            covered = False
            for depth in range(n_depth):
                for m in range(n):
                    has = not math.isnan(values[near[m], depth])
                    if not ready or has != use[m]:
                        ready = ready and has == use[m]
                        use[m] = has
                if not ready:
                    # Weights change only where the set of nodes that reach this depth does.
                    covered = _weigh(near, dx, dy, use, n, ux, uy, half, sigma, across, radius, weight)
                    ready = True
                if covered:
                    total[depth] = 0.0
                    for m in range(n):
                        if use[m]:
                            total[depth] += weight[m] * values[near[m], depth]
                    out[depth, row, col] = total[depth]
    return out


@njit(cache=True, nogil=True)
def _weigh(
    near: npt.NDArray[np.int64],
    dx: Array,
    dy: Array,
    use: npt.NDArray[np.bool_],
    n: int,
    ux: Array,
    uy: Array,
    half: Array,
    sigma: Array,
    across: float,
    radius: float,
    weight: Array,
) -> bool:
    """Fill the weights of the used nodes, summing to one; false where the cell is not covered."""
    gap, least = math.inf, math.inf
    for m in range(n):
        if use[m]:
            k = near[m]
            along, cross = abs(dx[m] * ux[k] + dy[m] * uy[k]), dx[m] * uy[k] - dy[m] * ux[k]
            weight[m] = 0.5 * ((along / sigma[k]) ** 2 + (cross / across) ** 2)
            least = min(least, weight[m])
            gap = min(gap, max(along - half[k], abs(cross)))
    s0, mx, my = 0.0, 0.0, 0.0
    for m in range(n):
        if use[m]:
            taper = 1.0 - (dx[m] ** 2 + dy[m] ** 2) / radius**2
            # The smallest exponent is taken out, or all weights of a far cell would vanish.
            weight[m] = math.exp(least - weight[m]) * taper * taper
            s0 += weight[m]
            mx += weight[m] * dx[m]
            my += weight[m] * dy[m]
    if s0 <= 0.0:
        return False
    mx, my = mx / s0, my / s0
    lean = math.hypot(mx, my)
    covered = gap <= across + _TOUCH_M or lean <= _TOUCH_M
    for m in range(n):
        weight[m] = weight[m] / s0 if use[m] else 0.0
        covered = covered or (use[m] and dx[m] * mx + dy[m] * my < -_TOUCH_M * lean)
    if covered:
        for _ in range(_ROUNDS):
            _tilt(dx, dy, n, _SOFT * across * across, weight)
    return covered


@njit(cache=True, nogil=True)
def _tilt(dx: Array, dy: Array, n: int, soft: float, weight: Array) -> None:
    """One round of the first-order correction, on weights that sum to one."""
    mx, my = 0.0, 0.0
    for m in range(n):
        mx += weight[m] * dx[m]
        my += weight[m] * dy[m]
    cxx, cxy, cyy = 0.0, 0.0, 0.0
    for m in range(n):
        ox, oy = dx[m] - mx, dy[m] - my
        cxx += weight[m] * ox * ox
        cxy += weight[m] * ox * oy
        cyy += weight[m] * oy * oy
    bx, by = _slope(cxx, cxy, cyy, mx, my, soft)
    total = 0.0
    for m in range(n):
        weight[m] *= max(_LEAST, 1.0 + bx * (dx[m] - mx) + by * (dy[m] - my))
        total += weight[m]
    for m in range(n):
        weight[m] /= total


@njit(cache=True, nogil=True)
def _slope(cxx: float, cxy: float, cyy: float, mx: float, my: float, soft: float) -> tuple[float, float]:
    """−C⁻¹ d̄ along the two principal directions, fading out where nodes do not spread (a single line)."""
    mean, half = 0.5 * (cxx + cyy), math.hypot(0.5 * (cxx - cyy), cxy)
    angle = 0.5 * math.atan2(2.0 * cxy, cxx - cyy)
    c, s = math.cos(angle), math.sin(angle)
    first, second = mean + half, max(mean - half, 0.0)
    p = -(c * mx + s * my) * first / (first * first + soft * soft)
    q = -(c * my - s * mx) * second / (second * second + soft * soft)
    return c * p - s * q, s * p + c * q


def interpolate_nodes_plain(nodes: Nodes, x: Array, y: Array, *, line_spacing_m: float, radius_m: float) -> Strength:
    """The twin of `interpolate_nodes` in plain NumPy: cell by cell, with matrices for the correction.

    Examples
    --------
    >>> one, two = np.ones(2), np.array([0.0, 1.0])
    >>> nodes = Nodes(two, 0 * one, 0 * one, one, 0 * one, 0.1 * one, two.astype(np.float32)[:, None])
    >>> at = interpolate_nodes_plain(nodes, np.array([0.5]), np.zeros(1), line_spacing_m=1.0, radius_m=1.5)
    >>> at.tolist()
    [[[0.5]]]
    """
    spacing, radius = check_positive(line_spacing_m, "line_spacing_m"), check_positive(radius_m, "radius_m")
    out = np.full((nodes.values.shape[1], len(y), len(x)), np.nan, np.float32)
    for row, col in np.ndindex(len(y), len(x)):
        offset = np.column_stack([nodes.x - x[col], nodes.y - y[row]])
        inside = (offset**2).sum(axis=1) < radius**2
        for depth in range(out.shape[0]):
            use = inside & np.isfinite(nodes.values[:, depth])
            weight = _weights_plain(nodes, offset[use], use, 0.5 * spacing, radius)
            if weight is not None:
                out[depth, row, col] = weight @ nodes.values[use, depth].astype(float)
    return out


def _weights_plain(nodes: Nodes, d: Array, use: npt.NDArray[np.bool_], across: float, radius: float) -> Array | None:
    if len(d) == 0:
        return None
    ux, uy = nodes.ux[use], nodes.uy[use]
    along, cross = np.abs(d[:, 0] * ux + d[:, 1] * uy), d[:, 0] * uy - d[:, 1] * ux
    off = np.maximum(along - nodes.half_m[use], np.abs(cross))
    exponent = 0.5 * ((along / nodes.sigma_m[use]) ** 2 + (cross / across) ** 2)
    w = np.exp(exponent.min() - exponent) * (1.0 - (d**2).sum(axis=1) / radius**2) ** 2
    if w.sum() <= 0.0:
        return None
    w = w / w.sum()
    mean = w @ d
    lean = float(np.hypot(*mean))
    bracketed = lean <= _TOUCH_M or bool((d @ mean < -_TOUCH_M * lean).any())
    if not (bracketed or off.min() <= across + _TOUCH_M):
        return None
    soft = _SOFT * across**2
    for _ in range(_ROUNDS):
        mean = w @ d
        centred = d - mean
        variance, axes = np.linalg.eigh((w[:, None] * centred).T @ centred)
        variance = np.maximum(variance, 0.0)
        slope = axes @ (-(axes.T @ mean) * variance / (variance**2 + soft**2))
        w = w * np.maximum(_LEAST, 1.0 + centred @ slope)
        w = w / w.sum()
    result: Array = w
    return result
