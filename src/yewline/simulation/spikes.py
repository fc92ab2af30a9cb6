"""Sums scatterers into trains of spikes, one a trace: a compiled kernel and its plain twin.

Every scatterer within reach of a trace adds its amplitude at its own arrival time, split over the two nearest samples.
Grains and faces go to trains of their own, because they meet the wavelet's second and first derivative.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import prange

from yewline._check import check_positive
from yewline._compiled import njit
from yewline.simulation.scatterers import FACET, GRAIN, Scatterers

__all__ = ["PackedScatterers", "pack", "spikes_compiled", "spikes_plain"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

_TAPER_FROM = 0.75
"""Amplitudes fade over the outer quarter of the aperture: a hard edge would scatter like an object."""


@dataclass(frozen=True, slots=True)
class PackedScatterers:
    """Scatterers sorted into square cells, so that a trace looks only at those near it.

    Attributes
    ----------
    table : (n, 10) x, y (from `origin`), depth, normal, weight, vertical time, slowness², loss.
    kind : (n,) `GRAIN`, `FACET` or `WALL`.
    first : (cells + 1,) where each cell's scatterers begin.
    origin, cell_m, columns, rows : how cells lie.
    """

    table: Float32
    kind: npt.NDArray[np.uint8]
    first: npt.NDArray[np.int64]
    origin: tuple[float, float]
    cell_m: float
    columns: int
    rows: int


def pack(scatterers: Scatterers, *, cell_m: float = 0.5) -> PackedScatterers:
    """Sort scatterers into cells.

    Examples
    --------
    >>> from yewline.simulation.scatterers import no_scatterers
    >>> pack(no_scatterers()).table.shape
    (0, 10)
    """
    cell = check_positive(cell_m, "cell_m")
    s = scatterers
    if not len(s):
        nothing = np.zeros((0, 10), np.float32)
        return PackedScatterers(nothing, np.zeros(0, np.uint8), np.zeros(2, np.int64), (0.0, 0.0), cell, 1, 1)
    x0, y0 = float(s.x.min()), float(s.y.min())
    i = np.floor((s.x - x0) / cell).astype(np.int64)
    j = np.floor((s.y - y0) / cell).astype(np.int64)
    columns, rows = int(i.max()) + 1, int(j.max()) + 1
    place = j * columns + i
    order = np.argsort(place, kind="stable")
    parts = (s.x - x0, s.y - y0, s.depth, s.nx, s.ny, s.nz, s.weight, s.time_ns, s.slowness2, s.loss_np_per_ns)
    table = np.ascontiguousarray(np.stack(parts, axis=1)[order], dtype=np.float32)
    first = np.searchsorted(place[order], np.arange(columns * rows + 1)).astype(np.int64)
    return PackedScatterers(table, s.kind[order], first, (x0, y0), cell, columns, rows)


@dataclass(frozen=True, slots=True)
class Reach:
    """How a trace hears: half the antenna separation, how far it listens, and where time zero lies in the train."""

    half_separation_m: float
    aperture_m: float
    pattern_power: int
    zero_ns: float
    step_ns: float
    samples: int


def spikes_compiled(packed: PackedScatterers, x: Float64, y: Float64, along: Float64, reach: Reach) -> Float32:
    """Spike trains (2, T, N): of grains, and of faces.

    Parameters
    ----------
    packed : the scatterers.
    x, y : (T,) middle between the antennas, m.
    along : (T, 2) unit vector from transmitter to receiver.
    reach : how a trace hears.
    """
    trains = np.zeros((2, len(x), reach.samples), np.float32)
    _sum_spikes(
        packed.table,
        packed.kind,
        packed.first,
        packed.columns,
        packed.rows,
        packed.cell_m,
        x - packed.origin[0],
        y - packed.origin[1],
        along * reach.half_separation_m,
        reach.aperture_m,
        reach.pattern_power,
        reach.zero_ns,
        reach.step_ns,
        trains,
    )
    return trains


@njit(cache=True, parallel=True, nogil=True, error_model="numpy")
def _sum_spikes(  # type: ignore[no-untyped-def]
    table, kind, first, columns, rows, cell, x, y, half, aperture, power, zero, step, trains
):
    last = trains.shape[2] - 1
    inner = _TAPER_FROM * aperture
    for trace in prange(len(x)):
        px, py, hx, hy = x[trace], y[trace], half[trace, 0], half[trace, 1]
        for row in range(max(0, math.floor((py - aperture) / cell)), min(rows, math.floor((py + aperture) / cell) + 1)):
            left = max(0, math.floor((px - aperture) / cell))
            right = min(columns, math.floor((px + aperture) / cell) + 1)
            if right <= left:
                continue
            # Neighbouring cells of a row follow one another: one run of scatterers.
            for n in range(first[row * columns + left], first[row * columns + right - 1 + 1]):
                dx, dy, z = table[n, 0] - px, table[n, 1] - py, table[n, 2]
                far2 = dx * dx + dy * dy
                if far2 >= aperture * aperture:
                    continue
                tx, ty, rx, ry = dx + hx, dy + hy, dx - hx, dy - hy
                ht, hr = tx * tx + ty * ty, rx * rx + ry * ry
                inv_t, inv_r = 1.0 / math.sqrt(z * z + ht), 1.0 / math.sqrt(z * z + hr)
                amplitude = table[n, 6] * inv_t * inv_r
                train = 0
                if kind[n] != GRAIN:
                    train = 1
                    nx, ny, nz = table[n, 3], table[n, 4], table[n, 5]
                    facing = -(nx * tx + ny * ty + nz * z) * inv_t - (nx * rx + ny * ry + nz * z) * inv_r
                    if kind[n] == FACET and facing <= 0.0:
                        continue
                    amplitude *= facing
                for _ in range(power):
                    amplitude *= z * z * inv_t * inv_r
                tau2, slowness2 = table[n, 7] * table[n, 7], table[n, 8]
                time = math.sqrt(tau2 + ht * slowness2) + math.sqrt(tau2 + hr * slowness2)
                amplitude *= math.exp(-table[n, 9] * time)
                if far2 > inner * inner:
                    amplitude *= 0.5 + 0.5 * math.cos(math.pi * (math.sqrt(far2) - inner) / (aperture - inner))
                at = (zero + time) / step
                k = int(at)
                if k < last:
                    part = at - k
                    trains[train, trace, k] += amplitude * (1.0 - part)
                    trains[train, trace, k + 1] += amplitude * part


def spikes_plain(packed: PackedScatterers, x: Float64, y: Float64, along: Float64, reach: Reach) -> Float32:
    """`spikes_compiled` in plain NumPy, trace by trace, over all scatterers."""
    trains = np.zeros((2, len(x), reach.samples), np.float32)
    table = packed.table.astype(np.float64)
    z, normal, weight = table[:, 2], table[:, 3:6], table[:, 6]
    for trace in range(len(x)):
        middle = table[:, :2] - (x[trace] - packed.origin[0], y[trace] - packed.origin[1])
        far = np.hypot(*middle.T)
        half = along[trace] * reach.half_separation_m
        legs = [np.column_stack([middle + sign * half, z]) for sign in (1.0, -1.0)]
        lengths = [np.linalg.norm(leg, axis=1) for leg in legs]
        facing = -sum((normal * leg).sum(axis=1) / length for leg, length in zip(legs, lengths, strict=True))
        facing = np.where(packed.kind == GRAIN, 1.0, np.where(packed.kind == FACET, np.maximum(facing, 0.0), facing))
        time = sum(np.sqrt(table[:, 7] ** 2 + (leg[:, :2] ** 2).sum(axis=1) * table[:, 8]) for leg in legs)
        edge = np.clip((far / reach.aperture_m - _TAPER_FROM) / (1.0 - _TAPER_FROM), 0.0, 1.0)
        spread = 1.0 / (lengths[0] * lengths[1])
        amplitude = weight * spread * facing * (z * z * spread) ** reach.pattern_power
        amplitude = amplitude * np.exp(-table[:, 9] * time) * (0.5 + 0.5 * np.cos(np.pi * edge))
        at = (reach.zero_ns + time) / reach.step_ns
        k = at.astype(np.int64)
        heard = (far < reach.aperture_m) & (k < reach.samples - 1)
        part = at - k
        for train, members in ((0, packed.kind == GRAIN), (1, packed.kind != GRAIN)):
            n = np.flatnonzero(heard & members)
            row = np.bincount(k[n], amplitude[n] * (1 - part[n]), reach.samples)
            row += np.bincount(k[n] + 1, amplitude[n] * part[n], reach.samples)
            trains[train, trace] = row
    return trains
