"""Nearest distances between hotspots and burials, in either direction, with their summary."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from yewline.accuracy.result import DirectedDistances, Direction, Measure
from yewline.errors import InputError
from yewline.statistics import mean_interval

__all__ = ["centroid_distances", "centroids_of", "check_outlines", "outline_distances", "summarise"]

Array = npt.NDArray[np.float64]
Outlines = npt.NDArray[Any]


def check_outlines(outlines: Any, name: str) -> Outlines:
    """Outlines as an array of shapely geometries, refused when one is missing, empty or no geometry."""
    given = np.asarray([] if outlines is None else list(outlines), dtype=object)
    for index, outline in enumerate(given):
        if not isinstance(outline, shapely.Geometry):
            raise InputError(f"{name} must be outlines", received=f"{type(outline).__name__} at {index}")
        if outline.is_empty:
            raise InputError(f"{name} holds an empty outline", received=f"{outline.geom_type} at {index}")
        if not outline.is_valid:
            raise InputError(
                f"{name} holds an outline that crosses itself",
                received=f"{shapely.is_valid_reason(outline)} at {index}",
                do="draw that outline anew",
            )
    return given


def centroids_of(outlines: Outlines) -> Array:
    """Centroids (n, 2) of outlines, m."""
    points = shapely.centroid(outlines)
    return np.column_stack([shapely.get_x(points), shapely.get_y(points)]).astype(np.float64).reshape(-1, 2)


def centroid_distances(first: npt.ArrayLike, second: npt.ArrayLike) -> Array:
    """Distances (n, m) between points (n, 2) and (m, 2), m.

    Examples
    --------
    >>> centroid_distances([[0.0, 0.0]], [[3.0, 4.0], [0.0, 1.0]]).tolist()
    [[5.0, 1.0]]
    """
    a = np.asarray(first, dtype=np.float64).reshape(-1, 2)
    b = np.asarray(second, dtype=np.float64).reshape(-1, 2)
    return np.asarray(np.hypot(a[:, None, 0] - b[None, :, 0], a[:, None, 1] - b[None, :, 1]))


def outline_distances(points: npt.ArrayLike, outlines: Any) -> Array:
    """Distances (n, m) from points (n, 2) to outlines (m,), m; zero inside an outline.

    Examples
    --------
    >>> outline_distances([[1.0, 0.5], [3.0, 0.5]], [shapely.box(0, 0, 2, 1)]).tolist()
    [[0.0], [1.0]]
    """
    xy = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    shapes = np.asarray(list(outlines), dtype=object)
    return np.asarray(shapely.distance(shapely.points(xy)[:, None], shapes[None, :]), dtype=np.float64)


def summarise(
    distance: Array,
    *,
    direction: Direction,
    measure: Measure,
    seed: int | np.random.Generator,
    draws: int = 9_999,
) -> DirectedDistances:
    """Nearest distance of each item of the first-named kind, and mean, median, spread and interval of the mean.

    Parameters
    ----------
    distance : (n, m) from each of the n items of the first-named kind to each of the m of the other.
    direction, measure : what the distances are.
    seed : of the bootstrap.
    draws : resamples of the bootstrap.

    Returns
    -------
    DirectedDistances : where there is nothing to measure to, distances are NaN, `nearest` −1 and figures None; a single
        distance has a mean and a median but no spread; `why` says so.

    Notes
    -----
    `sd_m` divides by n − 1. `low_m`, `high_m` are the bias-corrected and accelerated 95 % bootstrap interval.

    Examples
    --------
    >>> found = summarise(np.array([[1.0, 2.0], [4.0, 3.0]]), direction="hotspot to burial",
    ...                   measure="centroid to centroid", seed=1)
    >>> found.mean_m, found.nearest.tolist()
    (2.0, [0, 1])
    """
    n, m = distance.shape
    first, second = direction.split(" to ")
    if n == 0 or m == 0:
        why = f"there are no {first}s" if n == 0 else f"there are no {second}s to measure to"
        return DirectedDistances(
            direction=direction,
            measure=measure,
            distance_m=np.full(n, np.nan),
            nearest=np.full(n, -1, dtype=np.intp),
            mean_m=None,
            median_m=None,
            sd_m=None,
            low_m=None,
            high_m=None,
            why=why,
        )
    nearest = np.argmin(distance, axis=1)
    values = np.ascontiguousarray(distance[np.arange(n), nearest])
    interval = mean_interval(values, seed=seed, draws=draws) if n > 1 else None
    return DirectedDistances(
        direction=direction,
        measure=measure,
        distance_m=values,
        nearest=nearest,
        mean_m=float(values.mean()),
        median_m=float(np.median(values)),
        sd_m=float(values.std(ddof=1)) if n > 1 else None,
        low_m=None if interval is None else interval.low,
        high_m=None if interval is None else interval.high,
        why="" if n > 1 else f"a single {first} has no spread and no interval",
    )
