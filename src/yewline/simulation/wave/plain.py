"""The meaning of the kernels: the same step in NumPy over whole arrays, to which tests hold the compiled ones."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from yewline.simulation.wave.arrays import Absorber, Fields, Links, Media, Points

__all__ = ["advance"]

Index = npt.NDArray[np.int64]


def advance(
    start: int,
    stop: int,
    fields: Fields,
    media: Media,
    absorber: Absorber,
    links: Links,
    sources: Points,
    receivers: Points,
) -> None:
    """Steps `start` … `stop` − 1: all magnetic fields first, then all electric fields."""
    rows = _row_of(links.first)
    source_rows, receiver_rows = _row_of(sources.first), _row_of(receivers.first)
    for s in range(start, stop):
        _magnetic(fields, absorber, links, rows)
        was = fields.e[1:-1, 1:-1].copy()
        _electric(fields, media, absorber)
        drive = sources.weight * sources.series[sources.which, s]
        np.subtract.at(fields.e, (source_rows, sources.k), media.gain[source_rows, sources.k] * drive)
        if media.relax.size:
            inner = (slice(1, -1), slice(1, -1))
            fields.bound[inner] *= media.memory[0]
            fields.bound[inner] += media.relax[inner] * (fields.e[inner] + was)
        heard = receivers.weight * fields.e[receiver_rows, receivers.k]
        np.add.at(receivers.series[:, s], receivers.which, heard)


def _magnetic(fields: Fields, absorber: Absorber, links: Links, rows: Index) -> None:
    e, hx, hz = fields.e, fields.hx, fields.hz
    n = absorber.down.shape[1]
    across = e[1:] - e[:-1]
    down = e[:-1, 1:] - e[:-1, :-1]
    # The last depth's link between columns is never used, nor is it in the compiled kernel.
    hz[:-1, :-1] += across[:, :-1]
    hx[:-1, :-1] += down
    for side, edge, cut in ((0, absorber.down, slice(0, n)), (1, absorber.up[:, :-1], slice(1 - n, None))):
        psi, change = fields.psi_hx[:-1, side, : edge.shape[1]], down[:, cut]
        psi[...] = edge[0] * psi + edge[1] * change
        hx[:-1, :-1][:, cut] += edge[2] * change + psi
    for side, edge, cut in ((0, absorber.along, slice(0, n)), (1, absorber.back, slice(-n, None))):
        psi, change = fields.psi_hz[side], across[cut]
        psi[...] = edge[0][:, None] * psi + edge[1][:, None] * change
        hz[:-1][cut] += edge[2][:, None] * change + psi
    at, k = rows[links.down], links.k[links.down]
    hx[at, k] += links.extra[links.down] * (e[at, k + 1] - e[at, k])
    at, k = rows[~links.down], links.k[~links.down]
    hz[at, k] += links.extra[~links.down] * (e[at + 1, k] - e[at, k])


def _electric(fields: Fields, media: Media, absorber: Absorber) -> None:
    n = absorber.down.shape[1]
    inner = (slice(1, -1), slice(1, -1))
    e, gain = fields.e[inner], media.gain[inner]
    down = fields.hx[1:-1, 1:-1] - fields.hx[1:-1, :-2]
    across = fields.hz[1:-1, 1:-1] - fields.hz[:-2, 1:-1]
    curl = down + across
    if media.relax.size:
        curl = curl + media.memory[1] * fields.bound[inner]
    e[...] = media.keep[inner] * e + gain * curl
    for side, edge, cut in ((0, absorber.down[:, 1:], slice(0, n - 1)), (1, absorber.up[:, :-1], slice(1 - n, None))):
        psi, change = fields.psi_ez[1:-1, side, 1 - side : n - side], down[:, cut]
        psi[...] = edge[3] * psi + edge[4] * change
        e[:, cut] += gain[:, cut] * (edge[5] * change + psi)
    for side, edge, cut in ((0, absorber.along, slice(0, n - 1)), (1, absorber.back, slice(-(n - 1), None))):
        psi, change = fields.psi_ex[side, 1:, 1:-1], across[cut]
        psi[...] = edge[3, 1:, None] * psi + edge[4, 1:, None] * change
        e[cut] += gain[cut] * (edge[5, 1:, None] * change + psi)


def _row_of(first: Index) -> Index:
    return np.repeat(np.arange(len(first) - 1), np.diff(first))
