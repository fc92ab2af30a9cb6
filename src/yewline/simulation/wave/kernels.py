"""Compiled time stepping of the field across a section: one row operation, swept, tiled in time, or tiled over threads.

Row i stands for all depths at one distance along the section. Its operation at step s moves the magnetic field beside
it from s − ½ to s + ½ and its electric field from s to s + 1. It needs row i at s (itself), row i + 1 at s, and row
i − 1 already at s + 1, for that row's magnetic field is shared. So with j = i + s, operation (j, s) waits for
(j − 1, s) and (j, s − 1) only: rows can be taken many steps forward while they lie in the cache (a wavefront), and
tiles of the (j, s) plane can run side by side. Every order of work does the same arithmetic on the same numbers, so
that all of them give the same bits.

The magnetic fields are kept in the electric field's unit: h = H · μ₀ · cell / Δt, its sign turned along the section, so
that their update needs no multiplication.
"""

from __future__ import annotations

import numpy as np
from numba import prange

from yewline._compiled import njit
from yewline.simulation.wave.row_step import step, step_corner, step_edge, step_end
from yewline.simulation.wave.rows import (
    edge_electric,
    edge_magnetic,
    electric,
    end_electric,
    end_magnetic,
    magnetic,
    settle,
    water_electric,
)
from yewline.simulation.wave.subnormals import flush_subnormals, restore_subnormals

__all__ = ["advance", "advance_parallel"]


@njit(cache=True, nogil=True, error_model="numpy")
def _addresses(fields, media, absorber):  # type: ignore[no-untyped-def]
    """Where each array begins: rows are then found by counting bytes, without a view and its count of references."""
    return (
        np.intp(fields.e.ctypes.data),
        np.intp(fields.hx.ctypes.data),
        np.intp(fields.hz.ctypes.data),
        np.intp(fields.psi_hx.ctypes.data),
        np.intp(fields.psi_ez.ctypes.data),
        np.intp(fields.psi_hz.ctypes.data),
        np.intp(fields.psi_ex.ctypes.data),
        np.intp(fields.bound.ctypes.data),
        np.intp(media.keep.ctypes.data),
        np.intp(media.gain.ctypes.data),
        np.intp(media.relax.ctypes.data),
        np.intp(absorber.down.ctypes.data),
        np.intp(absorber.up.ctypes.data),
        np.intp(absorber.along.ctypes.data),
        np.intp(absorber.back.ctypes.data),
    )


@njit(cache=True, nogil=True, error_model="numpy")
def _magnetic_row(i, at, nx, nz, n, size, unit):  # type: ignore[no-untyped-def]
    row, part, low = i * nz * size, n * size, (nz - n) * size
    e, hx, hz = at[0] + row, at[1] + row, at[2] + row
    beyond, psi, down, up = e + nz * size, at[3] + 2 * i * part, at[11], at[12]
    magnetic((e, beyond, hx, hz), (unit,), nz)
    edge_magnetic((hx, e, psi, down, down + part, down + 2 * part), (unit,), n)
    edge_magnetic((hx + low, e + low, psi + part, up, up + part, up + 2 * part), (unit,), n)
    m = i - (nx - 1 - n)
    if i < n:
        end, psi = at[13] + i * size, at[5] + i * nz * size
        end_magnetic((hz, e, beyond, psi, end, end + part, end + 2 * part), (unit,), nz)
    elif m >= 0:
        end, psi = at[14] + m * size, at[5] + (n + m) * nz * size
        end_magnetic((hz, e, beyond, psi, end, end + part, end + 2 * part), (unit,), nz)


@njit(cache=True, nogil=True, error_model="numpy")
def _electric_row(i, at, nx, nz, n, size, relaxing, hold, pull):  # type: ignore[no-untyped-def]
    row, part, low = i * nz * size, n * size, (nz - n) * size
    e, hx, hz, keep, gain = at[0] + row, at[1] + row, at[2] + row, at[8] + row, at[9] + row
    before, psi, down, up = hz - nz * size, at[4] + 2 * i * part, at[11] + 3 * part, at[12] + 3 * part
    if relaxing:
        water_electric((e, keep, gain, hx, hz, before, at[7] + row, at[10] + row), (hold, pull), nz)
    else:
        electric((e, keep, gain, hx, hz, before), (hold,), nz)
    edge_electric((e, gain, hx, psi, down, down + part, down + 2 * part), (hold,), n)
    edge_electric((e + low, gain + low, hx + low, psi + part, up, up + part, up + 2 * part), (hold,), n)
    m = i - (nx - 1 - n)
    if i < n:
        end, psi = at[13] + i * size + 3 * part, at[6] + i * nz * size
        end_electric((e, gain, hz, before, psi, end, end + part, end + 2 * part), (hold,), nz)
    elif m > 0:
        end, psi = at[14] + m * size + 3 * part, at[6] + (n + m) * nz * size
        end_electric((e, gain, hz, before, psi, end, end + part, end + 2 * part), (hold,), nz)


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _coefficients(first, part):  # type: ignore[no-untyped-def]
    return first, first + part, first + 2 * part, first + 3 * part, first + 4 * part, first + 5 * part


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _step_row(i, at, nx, nz, n, size, unit):  # type: ignore[no-untyped-def]
    """Both of the above in one pass, for a row in which nothing comes between them."""
    row, part, low, m = i * nz * size, n * size, (nz - n) * size, i - (nx - 1 - n)
    e, hx, hz, keep, gain = at[0] + row, at[1] + row, at[2] + row, at[8] + row, at[9] + row
    rows = (e, hx, hz, e + nz * size, hz - nz * size, keep, gain)
    high = (at[3] + 2 * i * part, at[4] + 2 * i * part, *_coefficients(at[11], part))
    deep = (at[3] + (2 * i + 1) * part, at[4] + (2 * i + 1) * part, *_coefficients(at[12], part))
    middle, bottom = _shifted(rows, part), _shifted(rows, low)
    if i < n or m >= 0:
        place = i if i < n else n + m
        end = _coefficients(at[13] + i * size if i < n else at[14] + m * size, part)
        psi_h, psi_e = at[5] + place * nz * size, at[6] + place * nz * size
        step_corner((*rows, *high, psi_h, psi_e, *end), (unit,), n)
        step_end((*middle, psi_h + part, psi_e + part, *end), (unit,), nz - 2 * n)
        step_corner((*bottom, *deep, psi_h + low, psi_e + low, *end), (unit,), n)
    else:
        step_edge((*rows, *high), (unit,), n)
        step(middle, (unit,), nz - 2 * n)
        step_edge((*bottom, *deep), (unit,), n)


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _shifted(rows, by):  # type: ignore[no-untyped-def]
    return rows[0] + by, rows[1] + by, rows[2] + by, rows[3] + by, rows[4] + by, rows[5] + by, rows[6] + by


@njit(cache=True, nogil=True, error_model="numpy")
def _cut_links(i, fields, links):  # type: ignore[no-untyped-def]
    for j in range(links.first[i], links.first[i + 1]):
        k = links.k[j]
        if links.down[j]:
            fields.hx[i, k] += links.extra[j] * (fields.e[i, k + 1] - fields.e[i, k])
        else:
            fields.hz[i, k] += links.extra[j] * (fields.e[i + 1, k] - fields.e[i, k])


@njit(cache=True, nogil=True, error_model="numpy")
def _drive(i, s, fields, media, sources):  # type: ignore[no-untyped-def]
    for j in range(sources.first[i], sources.first[i + 1]):
        k = sources.k[j]
        fields.e[i, k] -= media.gain[i, k] * sources.weight[j] * sources.series[sources.which[j], s]


@njit(cache=True, nogil=True, error_model="numpy")
def _hear(i, s, fields, receivers):  # type: ignore[no-untyped-def]
    for j in range(receivers.first[i], receivers.first[i + 1]):
        receivers.series[receivers.which[j], s] += receivers.weight[j] * fields.e[i, receivers.k[j]]


@njit(cache=True, nogil=True, error_model="numpy")
def _tile(first, steps, left, right, fields, media, absorber, links, sources, receivers):  # type: ignore[no-untyped-def]
    """Operations (j, s) with left ≤ j < right and s < `steps`, of the steps from `first` on."""
    at = _addresses(fields, media, absorber)
    nx, nz = fields.e.shape
    n, size = absorber.down.shape[1], fields.e.itemsize
    hold, pull, relaxing = media.memory[0], media.memory[1], media.relax.shape[0] > 0
    link_first, source_first, receiver_first = links.first, sources.first, receivers.first
    setting = flush_subnormals()
    for j in range(left, min(right, nx - 1 + steps - 1)):
        for s in range(max(0, j - nx + 2), min(steps, j + 1)):
            i = j - s
            if i > 0 and not relaxing and link_first[i + 1] == link_first[i]:
                _step_row(i, at, nx, nz, n, size, hold)
            else:
                _magnetic_row(i, at, nx, nz, n, size, hold)
                _cut_links(i, fields, links)
                if i > 0:
                    _electric_row(i, at, nx, nz, n, size, relaxing, hold, pull)
            if i > 0:
                if source_first[i + 1] > source_first[i]:
                    _drive(i, first + s, fields, media, sources)
                if relaxing:
                    # Only now is the new field whole: edges and sources have added their part.
                    row = i * nz * size
                    settle((at[7] + row, at[10] + row, at[0] + row), (hold,), nz)
                if receiver_first[i + 1] > receiver_first[i]:
                    _hear(i, first + s, fields, receivers)
    restore_subnormals(setting)


@njit(cache=True, nogil=True, error_model="numpy")
def advance(start, stop, depth, fields, media, absorber, links, sources, receivers):  # type: ignore[no-untyped-def]
    """Steps `start` … `stop` − 1 on one thread, `depth` of them at a time while a row lies in the cache."""
    reach = fields.e.shape[0] + depth
    for first in range(start, stop, depth):
        _tile(first, min(depth, stop - first), 0, reach, fields, media, absorber, links, sources, receivers)


@njit(cache=True, nogil=True, parallel=True, error_model="numpy")
def advance_parallel(  # type: ignore[no-untyped-def]
    start, stop, depth, width, fields, media, absorber, links, sources, receivers
):
    """The same on all threads: tiles of `width` skewed rows by `depth` steps, `width` no less than `depth`.

    A tile waits for its left neighbour and, one band of steps earlier, for its own place and the one to the right: so
    tiles with the same 2 · band + tile are free of one another.
    """
    bands = (stop - start + depth - 1) // depth
    tiles = (fields.e.shape[0] - 1 + depth - 1 + width - 1) // width
    for front in range(2 * (bands - 1) + tiles):
        lowest = max(0, (front - tiles + 2) // 2)
        highest = min(bands, front // 2 + 1)
        for band in prange(lowest, highest):
            first = start + band * depth
            left = (front - 2 * band) * width
            steps = min(depth, stop - first)
            _tile(first, steps, left, left + width, fields, media, absorber, links, sources, receivers)
