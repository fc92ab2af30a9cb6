"""A map of soil moisture from scattered readings, with its own uncertainty, blank where it would be a guess."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr
from scipy.spatial import cKDTree

from yewline._check import check_array, check_choice, check_positive
from yewline.errors import InputError
from yewline.geostat import FAMILIES, VariogramModel, empirical_variogram, fit_variogram, krige
from yewline.ground.reading_error import split_reading_error
from yewline.model import VWC_HIGHEST, VWC_LOWEST

__all__ = ["FEWEST_FOR_FIT", "FEWEST_FOR_MAP", "map_moisture"]

Array = npt.NDArray[np.float64]

FEWEST_FOR_MAP: Final = 3
"""With fewer readings there is no map, only a mean."""
FEWEST_FOR_FIT: Final = 8
"""With fewer readings the range is assumed, not fitted (own choice: 8 readings make 28 pairs, three or four bins)."""

# Of the ground's own variability, in m³/m³: no soil is taken to be more even than this (own choice, no source).
_SMALLEST_SD: Final = 0.005
_UNSUPPORTED_SHARE: Final = 0.95


def map_moisture(
    readings: pd.DataFrame,
    *,
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    sigma_vwc: float,
    family: str = "exponential",
    assumed_range_m: float = 10.0,
) -> xr.Dataset | None:
    """Ordinary kriging of a visit's readings onto a grid.

    Parameters
    ----------
    readings : a table of R readings as `model.make_readings` gives it.
    x, y : (X,) and (Y,) cell centres in site metres, increasing.
    sigma_vwc : standard deviation of one reading, m³/m³. The part of it that is the reading's own counts as measurement
        error; the part common to all readings shifts the whole map and is not in `vwc_sd` (see `split_reading_error`).
    family : "exponential", "spherical" or "gaussian".
    assumed_range_m : practical range that is taken where there are too few readings to fit one. 10 m lies in the 5 to
        20 m over which moisture is often seen to vary (common practice, no source).

    Returns
    -------
    Dataset over (y, x): `vwc` and `vwc_sd` [m³/m³], NaN where unsupported. `vwc_sd` is the standard deviation of the
    true moisture about the map. Attributes: `family`, `range_m` (practical), `partial_sill`, `nugget` (of the ground),
    `reading_error` (variance), `fitted` (0 or 1), `reach_m`, `readings`, `notes`. None with fewer than 3 readings at
    different places.

    Raises
    ------
    InputError : coordinates that are missing or not increasing.

    Notes
    -----
    A cell is supported within 1.5 times the median distance between neighbouring readings; beyond it, up to half the
    range, as long as its kriging variance is below 95 % of the sill. One reading half an exponential range away would
    leave 1 − e⁻³ = 95 % if the mean were known; it is estimated from the same readings, which adds to the variance (a
    lone reading there leaves 155 %), so a cell has to be nearer or have several readings about it. Elsewhere the map
    would show the mean and look like data. The map is clipped to 0 to 0.6 m³/m³. That the variogram is itself estimated
    is not in `vwc_sd`.

    References
    ----------
    Isaaks & Srivastava 1989, An Introduction to Applied Geostatistics, ch. 12.

    Examples
    --------
    >>> from yewline.model import make_readings
    >>> table = make_readings(x=[0.0, 4.0, 8.0, 4.0], y=[0.0, 4.0, 0.0, 1.0], vwc=[0.18, 0.22, 0.26, 0.21])
    >>> result = map_moisture(table, x=[0.0, 4.0, 8.0], y=[0.0, 4.0], sigma_vwc=0.01)
    >>> result.vwc.dims, bool(result.vwc[0, 0] < result.vwc[0, 2]), result.attrs["fitted"]
    (('y', 'x'), True, 0)
    """
    check_choice(family, "family", FAMILIES)
    check_positive(assumed_range_m, "assumed_range_m")
    columns, rows = _axis(x, "x"), _axis(y, "y")
    xy = check_array(readings[["x", "y"]].to_numpy(), "readings' x and y", ndim=2)
    vwc = check_array(readings["vwc"].to_numpy(), "vwc", ndim=1)
    places = np.unique(xy, axis=0)
    if len(places) < FEWEST_FOR_MAP:
        return None
    field = _field(xy, vwc, split_reading_error(sigma_vwc)[0] ** 2, family=family, assumed_range_m=assumed_range_m)
    at = np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2)
    estimate, variance = krige(xy, vwc, at, model=field.model, error_sd=np.sqrt(field.error))
    spacing = 1.5 * _median_spacing(places)
    away = cKDTree(places).query(at)[0]
    known = variance < _UNSUPPORTED_SHARE * field.model.sill
    supported = (away <= spacing) | ((away <= 0.5 * field.model.range_m) & known)
    shape = (len(rows), len(columns))
    shown = np.where(supported, np.clip(estimate, VWC_LOWEST, VWC_HIGHEST), np.nan).reshape(shape)
    spread = np.where(supported, np.sqrt(variance), np.nan).reshape(shape)
    return xr.Dataset(
        {
            "vwc": (("y", "x"), shown, {"units": "m3 m-3", "long_name": "volumetric water content"}),
            "vwc_sd": (("y", "x"), spread, {"units": "m3 m-3", "long_name": "standard deviation of the map"}),
        },
        coords={"y": ("y", rows, {"units": "m"}), "x": ("x", columns, {"units": "m"})},
        attrs={
            "family": family,
            "range_m": field.model.range_m,
            "partial_sill": field.model.partial_sill,
            "nugget": field.model.nugget,
            "reading_error": field.error,
            "fitted": int(field.fitted),
            "reach_m": max(spacing, 0.5 * field.model.range_m),
            "readings": len(vwc),
            "notes": field.notes,
        },
    )


@dataclass(frozen=True, slots=True)
class _Field:
    """The variogram of the ground, without the readings' own error variance, which stands beside it."""

    model: VariogramModel
    error: float
    fitted: bool
    notes: str


def _field(xy: Array, vwc: Array, own_error: float, *, family: str, assumed_range_m: float) -> _Field:
    variance = float(vwc.var(ddof=1))
    smallest = _SMALLEST_SD**2
    if len(vwc) >= FEWEST_FOR_FIT and variance > 1e-9:
        longest = float(np.hypot(*np.ptp(xy, axis=0)))
        bins = empirical_variogram(xy, vwc)
        if len(bins.pairs) >= 4:  # what a fit of three numbers needs
            total = fit_variogram(bins, family=family, longest_range_m=longest)
            # Few pairs lie close enough to fix a nugget, so the stated error stands in for a smaller one. At least half
            # of what the readings show is left to the ground, because a stated error may be too large for them.
            error = min(own_error, 0.5 * total.sill)
            nugget = max(total.nugget - error, 0.0)
            partial = max(total.sill - error - nugget, smallest)
            model = VariogramModel(family, partial_sill=partial, range_m=total.range_m, nugget=nugget)
            return _Field(model, error, True, _notes_of_fit(total, own_error, error, longest))
    model = VariogramModel(family, partial_sill=max(variance - own_error, smallest), range_m=assumed_range_m)
    why = f"{len(vwc)} readings are too few or too even to fit a variogram"
    return _Field(model, own_error, False, f"{why}: a range of {assumed_range_m:g} m is assumed.")


def _notes_of_fit(total: VariogramModel, own_error: float, error: float, longest: float) -> str:
    notes = [f"Variogram fitted: {total.family}, practical range {total.range_m:.1f} m."]
    if error < own_error:
        notes.append(
            "The stated error of a reading is large for how little readings differ: it was lowered for the map."
        )
    if total.range_m > 0.99 * longest:
        notes.append("Moisture changes over more than the surveyed ground: the range is a lower bound.")
    if total.nugget > total.partial_sill:
        notes.append("More than half of the variability lies between neighbouring readings: the map is smooth.")
    return " ".join(notes)


def _median_spacing(places: Array) -> float:
    return float(np.median(cKDTree(places).query(places, k=2)[0][:, 1]))


def _axis(values: npt.ArrayLike, name: str) -> Array:
    axis = check_array(values, name, ndim=1)
    if np.any(np.diff(axis) <= 0):
        raise InputError(f"{name} must increase from cell to cell")
    return axis
