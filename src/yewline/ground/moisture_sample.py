"""A visit's readings made ready for inference: places, weights, errors, likely models, and what had to be said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.stats import skew

from yewline._check import check_array
from yewline.geostat import VariogramModel
from yewline.ground.calibration import reading_error_of
from yewline.ground.declustering import declustering_weights, on_one_line
from yewline.ground.likely_models import likely_models

__all__ = ["FEWEST_FOR_INFERENCE", "Estimate", "Models", "MoistureSample", "sample_moisture", "weighted_quantiles"]

Array = npt.NDArray[np.float64]
Models = VariogramModel | Sequence[VariogramModel] | None

FEWEST_FOR_INFERENCE: Final = 8
"""With fewer readings a visit is described only, without intervals (own choice, no source)."""

# No more than this share of what the readings show is put down to their own error: a stated error may be too large.
_MOST_ERROR: Final = 0.5
_SKEWED: Final = 1.0  # own choice; docs/studies.md has what skewness does to the test of variability


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value and the ends of its interval; NaN where nothing can be said."""

    value: float
    low: float = float("nan")
    high: float = float("nan")


@dataclass(frozen=True, slots=True)
class MoistureSample:
    """Readings ready for inference.

    `why` says in plain words why there are no intervals; it is empty where there are. `models` is empty then.
    """

    xy: Array
    vwc: Array
    weights: Array
    own_error_sd: float
    common_sd: float
    models: tuple[VariogramModel, ...]
    why: str
    notes: tuple[str, ...]


def sample_moisture(
    readings: pd.DataFrame, *, sigma_vwc: float, models: Models = None, area: shapely.Geometry | None = None
) -> MoistureSample:
    """Make a visit's readings ready for inference.

    Parameters
    ----------
    readings : a table of R readings as `model.make_readings` gives it.
    sigma_vwc : standard deviation of one reading, m³/m³, split by `split_reading_error` where no calibration measured
        both parts.
    models : the variogram of the ground without the readings' error: one that is taken as known, or several that are
        equally likely (a posterior); by default `likely_models`. An empty list asks for none.
    area : outline that the readings stand for; by default their convex hull.

    Returns
    -------
    The sample. A row that repeats place and value of another counts once. Readings at one place with different values
    are kept, and how they differ is taken for the reading's own error if that is larger than stated.

    Raises
    ------
    InputError : no readings, or values that are not finite.

    Examples
    --------
    >>> from yewline.model import make_readings
    >>> table = make_readings(x=[0.0, 0.0, 4.0], y=[0.0, 0.0, 3.0], vwc=[0.20, 0.20, 0.25])
    >>> sample_moisture(table, sigma_vwc=0.02).why
    '2 readings are too few for intervals (8 are needed): they are described only.'
    """
    own, common = reading_error_of(readings, sigma_vwc=sigma_vwc)
    xy = check_array(readings[["x", "y"]].to_numpy(), "readings' x and y", ndim=2)
    vwc = check_array(readings["vwc"].to_numpy(), "vwc", ndim=1)
    notes: list[str] = []
    once = ~pd.DataFrame(np.column_stack([xy, vwc])).duplicated().to_numpy()
    if not once.all():
        notes.append(f"{int(np.sum(~once))} readings repeat the place and value of another and count once.")
        xy, vwc = xy[once], vwc[once]
    own, repeats = _error_from_repeats(xy, vwc, own)
    own, lowered = _lowered(vwc, own)
    notes += repeats + lowered
    sample = MoistureSample(xy, vwc, declustering_weights(xy, area=area), own, common, (), _why_not(xy, vwc), ())
    if not sample.why:
        if on_one_line(xy):
            notes.append("All readings lie on one line: they speak for the ground along it.")
        skewness = float(skew(vwc))
        if abs(skewness) > _SKEWED:
            notes.append(
                f"The readings are skewed (skewness {skewness:.1f}): intervals and tests of variability, which take "
                "them as Gaussian, say too much."
            )
        given = (models,) if isinstance(models, VariogramModel) else models
        if given is not None and len(given) == 1:
            notes.append("One variogram is taken as known: that it is itself uncertain is not in the intervals.")
        found = likely_models(xy, vwc, own_error_sd=own) if given is None else tuple(given)
        sample = replace(sample, models=found)
    return replace(sample, notes=tuple(notes))


def weighted_quantiles(values: Array, shares: npt.ArrayLike, weights: Array) -> Array:
    """Quantiles of weighted readings; with equal weights those of `numpy.percentile`.

    Notes
    -----
    Linear between readings, the i-th at the weight below it plus half its own, stretched so that the lowest lies at 0
    and the highest at 1.
    """
    if len(values) == 1:
        return np.full(np.shape(shares), values[0])
    order = np.argsort(values, kind="stable")
    w = weights[order]
    at = np.cumsum(w) - 0.5 * w
    return np.interp(np.asarray(shares, dtype=np.float64), (at - at[0]) / (at[-1] - at[0]), values[order])


def _error_from_repeats(xy: Array, vwc: Array, own: float) -> tuple[float, list[str]]:
    table = pd.DataFrame({"x": xy[:, 0], "y": xy[:, 1], "vwc": vwc}).groupby(["x", "y"])["vwc"]
    freedom = len(vwc) - table.ngroups
    if freedom == 0:
        return own, []
    found = float(np.sqrt(np.sum((vwc - table.transform("mean").to_numpy()) ** 2) / freedom))
    said = f"{freedom} readings repeat a place with another value; they differ by a standard deviation of {found:.3f}"
    if found <= own:
        return own, [f"{said}, within the stated error."]
    return found, [f"{said}, which is taken for the reading's own error instead of {own:.3f}."]


def _lowered(vwc: Array, own: float) -> tuple[float, list[str]]:
    most = float(np.sqrt(_MOST_ERROR * vwc.var(ddof=1))) if len(vwc) > 1 else 0.0
    if own <= most or len(vwc) < 2:
        return own, []
    return most, [f"The stated error of a reading ({own:.3f}) is large for how little they differ; {most:.3f} is used."]


def _why_not(xy: Array, vwc: Array) -> str:
    if len(vwc) < FEWEST_FOR_INFERENCE:
        return (
            f"{len(vwc)} readings are too few for intervals ({FEWEST_FOR_INFERENCE} are needed): "
            "they are described only."
        )
    if np.ptp(vwc) <= 1e-9:
        return "All readings are equal: their spread is below what the probe shows, and no interval can be given."
    if len(np.unique(xy, axis=0)) < 3:
        return "The readings lie at fewer than three places: nothing is known of the ground between."
    return ""
