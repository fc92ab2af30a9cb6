"""Moisture at a burial or hotspot against the ring around it, and how far the map's error leaves that open."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
import xarray as xr
from scipy.spatial import cKDTree

from yewline._check import check_array, check_finite, check_positive
from yewline.errors import InputError

__all__ = ["local_moisture"]

Array = npt.NDArray[np.float64]

_FEWEST_SUPPORTED: Final = 0.5  # share of an outline or ring that the map must cover
_NEIGHBOURS: Final = 4  # readings about a place whose distance is the map's smoothing there
_COLUMNS: Final = (
    "vwc", "vwc_sd", "vwc_ring", "vwc_ring_sd", "contrast", "contrast_sd", "readings_inside", "readings_ring",
    "smoothing_m", "why",
)  # fmt: skip


def local_moisture(
    mapped: xr.Dataset,
    readings: pd.DataFrame,
    outlines: Any,
    *,
    gap_m: float = 0.25,
    ring_m: float = 1.0,
) -> pd.DataFrame:
    """Mean moisture in each outline, in the ring around it, and their contrast.

    Parameters
    ----------
    mapped : a moisture map over (y, x) as `map_moisture` gives it, with `vwc` and `vwc_sd`, NaN where unsupported.
    readings : the table that the map was made from.
    outlines : P polygons, an array of shapely geometries or a `GeoSeries`.
    gap_m : ground left out between outline and ring, for the outline's own error of place.
    ring_m : width of the ring.

    Returns
    -------
    A row for each outline: `vwc`, `vwc_ring` and `contrast` (inside minus ring) [m³/m³] with upper bounds of their
    standard deviations `vwc_sd`, `vwc_ring_sd`, `contrast_sd`; `readings_inside` and `readings_ring`; `smoothing_m`;
    and `why`, empty where all was said. A mean is NaN where the map covers less than half of the outline or ring.

    Raises
    ------
    InputError : an outline that is empty or not valid, a map with fewer than two cells a side or uneven ones.

    Notes
    -----
    A cell weighs by the area that it shares with the outline, so that one narrower than a cell has a mean too. Errors
    of a map's cells are correlated, and the map does not say how. The bound takes them as wholly correlated within the
    outline and within the ring, sd ≤ Σ wᵢ sdᵢ, and as opposite between the two, sd(contrast) ≤ sd_in + sd_ring: the
    most that the cells' own errors allow. Neighbouring errors are alike, so the true one is smaller. The error that all
    readings share shifts both and leaves the contrast. `smoothing_m` is the distance to the fourth nearest reading from
    the outline's centroid, at least a cell: ground smaller than that is not seen by the map, and its contrast is drawn
    toward zero.

    Examples
    --------
    >>> from yewline.model import make_readings
    >>> x = np.arange(0.25, 10.0, 0.5)
    >>> vwc = np.where((np.abs(x - 5.0) < 1.0) & (np.abs(x[:, None] - 5.0) < 1.0), 0.30, 0.20)
    >>> made = xr.Dataset({"vwc": (("y", "x"), vwc), "vwc_sd": (("y", "x"), np.full_like(vwc, 0.01))}, {"x": x, "y": x})
    >>> table = make_readings(x=[1.0, 5.0, 9.0, 5.0], y=[5.0, 5.0, 5.0, 9.0], vwc=[0.2, 0.3, 0.2, 0.2])
    >>> row = local_moisture(made, table, [shapely.box(4, 4, 6, 6)]).iloc[0]
    >>> [round(float(row[name]), 3) for name in ("vwc", "vwc_ring", "contrast", "contrast_sd", "readings_inside")]
    [0.3, 0.2, 0.1, 0.02, 1.0]
    """
    if check_finite(gap_m, "gap_m") < 0:
        raise InputError("gap_m must not be negative", received=gap_m)
    check_positive(ring_m, "ring_m")
    shapes = np.asarray(outlines, dtype=object).ravel()
    good = np.array([isinstance(s, shapely.Geometry) and s.is_valid and s.area > 0 for s in shapes], dtype=bool)
    if not good.all():
        raise InputError(
            "an outline is empty or not valid", received=f"outline {int(np.argmin(good))}", do="draw it again"
        )
    cells, size = _cells(mapped)
    vwc, sd = (mapped[name].transpose("y", "x").to_numpy().ravel() for name in ("vwc", "vwc_sd"))
    xy = check_array(readings[["x", "y"]].to_numpy(), "readings' x and y", ndim=2)
    points = shapely.points(xy)
    inner = shapely.buffer(shapes, gap_m) if gap_m else shapes
    rings = shapely.difference(shapely.buffer(shapes, gap_m + ring_m), inner)
    near = cKDTree(xy).query(shapely.get_coordinates(shapely.centroid(shapes)), k=min(_NEIGHBOURS, len(xy)))[0]
    smoothing = np.maximum(np.reshape(near, (len(shapes), -1))[:, -1], size)
    tree = shapely.STRtree(cells)
    rows = []
    for shape, ring, smooth in zip(shapes, rings, smoothing, strict=True):
        (mean, error), (mean_ring, error_ring) = (_mean(tree, cells, vwc, sd, part) for part in (shape, ring))
        inside, around = (int(shapely.intersects(part, points).sum()) for part in (shape, ring))
        why = _why(mean, mean_ring, inside, around, float(smooth))
        contrast = (mean - mean_ring, error + error_ring)
        rows.append((mean, error, mean_ring, error_ring, *contrast, inside, around, float(smooth), why))
    return pd.DataFrame(rows, columns=list(_COLUMNS))


def _cells(mapped: xr.Dataset) -> tuple[npt.NDArray[Any], float]:
    """Squares of the map's cells, row by row, and the longer of their sides."""
    halves, axes = [], []
    for name in ("x", "y"):
        axis = check_array(mapped[name].to_numpy(), name, ndim=1)
        steps = np.diff(axis)
        if len(steps) < 1 or np.ptp(steps) > 1e-6 * abs(steps[0]):
            raise InputError("the moisture map needs two evenly spaced cells or more a side", received=name)
        axes.append(axis)
        halves.append(0.5 * abs(float(steps[0])))
    xx, yy = (a.ravel() for a in np.meshgrid(*axes))
    return shapely.box(xx - halves[0], yy - halves[1], xx + halves[0], yy + halves[1]), 2.0 * max(halves)


def _mean(tree: shapely.STRtree, cells: npt.NDArray[Any], vwc: Array, sd: Array, part: Any) -> tuple[float, float]:
    """Mean by shared area and the upper bound of its standard deviation; NaN where the map covers too little."""
    hit = tree.query(part)
    shared = shapely.area(shapely.intersection(cells[hit], part))
    known = np.isfinite(vwc[hit]) & (shared > 0)
    hit, shared = hit[known], shared[known]
    if shared.sum() < _FEWEST_SUPPORTED * part.area:
        return float("nan"), float("nan")
    weights = shared / shared.sum()
    return float(weights @ vwc[hit]), float(weights @ sd[hit])


def _why(mean: float, mean_ring: float, inside: int, around: int, smoothing: float) -> str:
    lost = [name for name, value in (("outline", mean), ("ring", mean_ring)) if np.isnan(value)]
    if lost:
        return f"The moisture map covers less than half of the {' and of the '.join(lost)}."
    none = [name for name, count in (("outline", inside), ("ring", around)) if count == 0]
    if none:
        return (
            f"No reading lies in the {' nor in the '.join(none)}: its moisture is interpolated "
            f"over about {smoothing:.1f} m, which hides a contrast of smaller ground."
        )
    return ""
