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
from yewline.geostat import (
    FAMILIES,
    Drift,
    KrigingOptions,
    ParameterInterval,
    VariogramModel,
    VariogramPosterior,
    krige,
    krige_posterior,
)
from yewline.ground.moisture_posterior import MoisturePosterior, moisture_posterior
from yewline.model import VWC_HIGHEST, VWC_LOWEST

__all__ = ["FEWEST_FOR_FIT", "FEWEST_FOR_MAP", "map_moisture", "range_words"]

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
    inferred: MoisturePosterior | None = None,
    drift: Drift | None = None,
) -> xr.Dataset | None:
    """Kriging of a visit's readings onto a grid, under every variogram that they allow.

    Parameters
    ----------
    readings : a table of R readings as `model.make_readings` gives it.
    x, y : (X,) and (Y,) cell centres in site metres, increasing.
    sigma_vwc : standard deviation of one reading, m³/m³. The part of it that is the reading's own counts as measurement
        error; the part common to all readings shifts the whole map and is not in `vwc_sd` (see `split_reading_error`).
    family : "exponential", "spherical" or "gaussian".
    assumed_range_m : practical range that is taken where there are too few readings to fit one. 10 m lies in the 5 to
        20 m over which moisture is often seen to vary (common practice, no source).
    inferred : the variogram, from `moisture_posterior` of the same readings; made here if it is not given.
    drift : what the mean follows, at the readings and at the cells row by row (universal kriging, with one variogram:
        that of the medians); `inferred` is then of what it leaves. Without enough readings to fit a variogram it is not
        used.

    Returns
    -------
    Dataset over (y, x): `vwc` and `vwc_sd` [m³/m³], NaN where unsupported. `vwc_sd` is the standard deviation of the
    true moisture about the map, that the variogram is itself estimated among its causes. Attributes: `family`,
    `range_m` (practical), `partial_sill` and `nugget` (of the ground), which are one model: of the medians of range,
    sill and nugget share; `reading_error` (variance), `fitted` (0 or 1), `reach_m`, `readings`, `notes`. None with
    fewer than 3 readings at different places.

    Raises
    ------
    InputError : coordinates that are missing or not increasing, or a drift that readings cannot tell.

    Notes
    -----
    A cell is supported within 1.5 times the median distance between neighbouring readings; beyond it, up to half the
    range, as long as its kriging variance is below 95 % of the sill. One reading half an exponential range away would
    leave 1 − e⁻³ = 95 % if the mean were known; it is estimated from the same readings, which adds to the variance (a
    lone reading there leaves 155 %), so a cell has to be nearer or have several readings about it. Elsewhere the map
    would show the mean and look like data. The map is clipped to 0 to 0.6 m³/m³.

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
    made = inferred or moisture_posterior(readings, sigma_vwc=sigma_vwc, family=family, drift=drift)
    at = np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2)
    field = _inferred(made, at, drift) if made.posterior is not None else _assumed(made, family, assumed_range_m, at)
    spacing = 1.5 * _median_spacing(places)
    away = cKDTree(places).query(at)[0]
    known = field.variance < _UNSUPPORTED_SHARE * field.sill
    supported = (away <= spacing) | ((away <= 0.5 * field.range_m) & known)
    shape = (len(rows), len(columns))
    shown = np.where(supported, np.clip(field.estimate, VWC_LOWEST, VWC_HIGHEST), np.nan).reshape(shape)
    spread = np.where(supported, np.sqrt(field.variance), np.nan).reshape(shape)
    return xr.Dataset(
        {
            "vwc": (("y", "x"), shown, {"units": "m3 m-3", "long_name": "volumetric water content"}),
            "vwc_sd": (("y", "x"), spread, {"units": "m3 m-3", "long_name": "standard deviation of the map"}),
        },
        coords={"y": ("y", rows, {"units": "m"}), "x": ("x", columns, {"units": "m"})},
        attrs={
            "family": field.model.family,
            "range_m": field.model.range_m,
            "partial_sill": field.model.partial_sill,
            "nugget": field.model.nugget,
            "reading_error": made.sample.own_error_sd**2,
            "fitted": int(made.posterior is not None),
            "reach_m": max(spacing, 0.5 * field.range_m),
            "readings": len(vwc),
            "notes": field.notes,
        },
    )


@dataclass(frozen=True, slots=True)
class _Field:
    """Moisture at the cells, one model that stands for all it was made with, and how far a reading counts."""

    estimate: Array
    variance: Array
    model: VariogramModel
    range_m: float
    sill: float
    notes: str


def _inferred(made: MoisturePosterior, at: Array, drift: Drift | None) -> _Field:
    sample, posterior = made.sample, made.posterior
    assert posterior is not None
    # A range that readings do not bound counts for as much of the ground as they cover.
    extent = float(np.hypot(*np.ptp(sample.xy, axis=0)))
    range_m = min(posterior.range_m.interval().value, extent)
    model = _middle(posterior)
    if drift is None:
        found = krige_posterior(sample.xy, sample.vwc, at, posterior=posterior, error_sd=sample.own_error_sd)
        return _Field(found.estimate, found.variance, model, range_m, model.sill, _notes(made, extent))
    # Universal kriging, with the one model of the medians: a drift's own error outweighs that of the variogram.
    follow = KrigingOptions(drift=drift)
    estimate, variance = krige(sample.xy, sample.vwc, at, model=model, error_sd=sample.own_error_sd, options=follow)
    told = f"the mean follows {' and '.join(drift.columns)}"
    notes = "; ".join(part for part in (_notes(made, extent), told) if part)
    return _Field(estimate, variance, model, range_m, model.sill, notes)


def _middle(posterior: VariogramPosterior) -> VariogramModel:
    """The model of the medians. The likeliest one of few readings is often extreme: all nugget, or an endless range."""
    range_m, sill, share = (
        found.interval().value for found in (posterior.range_m, posterior.sill, posterior.nugget_share)
    )
    return VariogramModel(
        posterior.most_likely.family, partial_sill=sill * (1.0 - share), range_m=range_m, nugget=sill * share
    )


def _assumed(made: MoisturePosterior, family: str, range_m: float, at: Array) -> _Field:
    sample = made.sample
    own = sample.own_error_sd
    partial = max(float(sample.vwc.var(ddof=1)) - own**2, _SMALLEST_SD**2)
    model = VariogramModel(family, partial_sill=partial, range_m=range_m)
    estimate, variance = krige(sample.xy, sample.vwc, at, model=model, error_sd=max(own, _SMALLEST_SD))
    told = f"{sample.why} For the map a range of {range_m:g} m is assumed."
    return _Field(estimate, variance, model, range_m, model.sill, " ".join((told, *sample.notes)))


def _notes(made: MoisturePosterior, extent: float) -> str:
    posterior = made.posterior
    assert posterior is not None
    found = posterior.range_m.interval()
    notes = [f"{range_words(found)} ({posterior.most_likely.family}).", *made.sample.notes]
    if found.value > extent:
        notes.append("Moisture changes over more than the surveyed ground.")
    if posterior.nugget_share.interval().value > 0.5:
        notes.append("More than half of the variability lies between neighbouring readings: the map is smooth.")
    if posterior.on_one_line:
        notes.append("All readings lie on one line: nothing is known of how moisture varies across it.")
    return " ".join(notes)


def range_words(found: ParameterInterval) -> str:
    """How far moisture is alike, in words.

    Examples
    --------
    >>> range_words(ParameterInterval(12.0, 8.0, 30.0, 0.9, True, True))
    'Practical range 12 m (8 to 30 m, 90 %)'
    >>> range_words(ParameterInterval(12.0, 8.0, np.inf, 0.9, True, False))
    'Practical range at least 8 m (90 %)'
    """
    if found.bounded_below and found.bounded_above:
        return f"Practical range {found.value:.2g} m ({found.low:.2g} to {found.high:.2g} m, 90 %)"
    if found.bounded_below:
        return f"Practical range at least {found.low:.2g} m (90 %)"
    if found.bounded_above:
        return f"Practical range at most {found.high:.2g} m (90 %): it may be shorter than the readings lie apart"
    return "The readings do not tell the practical range"


def _median_spacing(places: Array) -> float:
    return float(np.median(cKDTree(places).query(places, k=2)[0][:, 1]))


def _axis(values: npt.ArrayLike, name: str) -> Array:
    axis = check_array(values, name, ndim=1)
    if np.any(np.diff(axis) <= 0):
        raise InputError(f"{name} must increase from cell to cell")
    return axis
