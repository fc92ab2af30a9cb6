"""Kriging from the nearest readings alone: for many readings, and for fields whose mean wanders."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from yewline.errors import InputError
from yewline.geostat.block_support import mean_covariance
from yewline.geostat.covariance import VariogramModel, correlation
from yewline.geostat.kriging_system import SMALLEST_PIVOT, Readings, indistinct
from yewline.geostat.near_kernels import INDISTINCT, distances, krige_near

__all__ = ["krige_from_nearest"]

Array = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int64]

_POINTS_AT_ONCE: Final = 32_768
# A table of the covariances of so many readings, 18 MB, serves all points of a tile.
_READINGS_AT_ONCE: Final = 1_500


def krige_from_nearest(
    readings: Readings, values: Array, points: Array, goal: Array, *, model: VariogramModel, scope: tuple[int, float]
) -> tuple[Array, Array]:
    """Estimate at points, each from the readings nearest to it.

    Parameters
    ----------
    readings, values : as checked, and (R,) their values.
    points : (M, 2) points, or centres of blocks, m.
    goal : (M, Q) columns of the mean there.
    model : variogram of the true field. Nearness is by its distance: where it is stretched, so is the neighbourhood.
    scope : how many readings each estimate is made from, at most R; and the side of the blocks, m, or 0.

    Returns
    -------
    estimate : (M,).
    added : (M,) what is to be added to the field's own variance at a point or over a block.

    Raises
    ------
    InputError : the readings of a neighbourhood cannot be told apart, or do not fix the drift.

    Notes
    -----
    Points are taken by their nearest reading, so that a tile of them needs few readings, and among these those with the
    same neighbours one after another, so that one factorisation serves them all.
    """
    nearest, block_m = scope
    tree = cKDTree(model.stretched(readings.xy))
    near = tree.query(model.stretched(points), k=nearest, workers=-1)[1].reshape(len(points), nearest)
    place = np.empty(len(values), dtype=np.int64)
    place[tree.indices] = np.arange(len(values))
    # The sum of squares brings the same readings together; should others share it, that only costs time.
    order = np.lexsort((np.einsum("ij,ij->i", near, near), place[near[:, 0]]))
    near.sort(axis=1)
    result = np.empty((len(points), 2))
    for tile, held in _tiles(near, order, len(values)):
        place[held] = np.arange(len(held))
        local = place[near[tile]]
        places = readings.xy[held]
        table = model.covariance(places, places)
        table[np.diag_indices(len(held))] += readings.noise[held]
        if block_m > 0:
            offset = places[local] - points[tile, None, :]
            covariance = mean_covariance(model, offset.reshape(-1, 2), block_m).reshape(local.shape)
        else:
            away = distances(local, model.stretched(places), model.stretched(points[tile]))
            covariance = correlation(away, model.family)
            covariance *= model.partial_sill
        out = np.empty((len(tile), 2))
        least = SMALLEST_PIVOT * model.sill
        design = readings.design[held]
        first, fault = krige_near(local, table, values[held], design, covariance, goal[tile], least, out)
        if first >= 0:
            raise _refusal(fault, places[local[first]], points[tile[first]])
        result[tile] = out
    return result[:, 0], result[:, 1]


def _tiles(near: Counts, order: Counts, readings: int) -> Iterator[tuple[Counts, Counts]]:
    """Runs of points, in order, and the readings near them: no more than so many, if more than one point's."""
    start = 0
    while start < len(order):
        tile = order[start : start + _POINTS_AT_ONCE]
        held = _held(near[tile], readings)
        while len(held) > _READINGS_AT_ONCE and len(tile) > 1:
            tile = tile[: len(tile) // 2]
            held = _held(near[tile], readings)
        yield tile, held
        start += len(tile)


def _held(near: Counts, readings: int) -> Counts:
    mark = np.zeros(readings, dtype=np.bool_)
    mark[near] = True
    return np.flatnonzero(mark)


def _refusal(fault: int, places: Array, point: Array) -> InputError:
    if fault == INDISTINCT:
        return indistinct(places)
    return InputError(
        f"the {len(places)} readings nearest to a point do not fix the drift there: they differ too little in it",
        received=f"the point ({point[0]:g}, {point[1]:g})",
        do="use more of the nearest readings, or all, or leave out part of the drift",
    )
