"""The variogram of a visit's moisture with its uncertainty, ready for map, level and variability alike."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import pandas as pd

from yewline.geostat import Drift, VariogramModel, VariogramPosterior, variogram_posterior, without_drift
from yewline.ground.likely_models import equally_likely
from yewline.ground.moisture_sample import MoistureSample, sample_moisture

__all__ = ["MoisturePosterior", "moisture_posterior"]

_NODES: Final = 20
"""Models that stand for all that readings allow: their spread is told to a few per cent, and a map costs as many."""


@dataclass(frozen=True, slots=True)
class MoisturePosterior:
    """What a visit's readings say of the variogram of its moisture.

    Attributes
    ----------
    sample : the readings as they count, with their own error.
    posterior : None where nothing can be inferred; `sample.why` says why.
    """

    sample: MoistureSample
    posterior: VariogramPosterior | None

    @property
    def models(self) -> tuple[VariogramModel, ...]:
        """Models that are equally likely; empty where nothing can be inferred."""
        return () if self.posterior is None else equally_likely(self.posterior)


def moisture_posterior(
    readings: pd.DataFrame, *, sigma_vwc: float, family: str = "exponential", drift: Drift | None = None
) -> MoisturePosterior:
    """The variogram of one visit's moisture, as far as its readings tell it.

    Parameters
    ----------
    readings, sigma_vwc : as in `sample_moisture`.
    family : "exponential", "spherical" or "gaussian".
    drift : what the mean follows at the readings: the variogram is then that of what it leaves.

    Raises
    ------
    InputError : a drift that readings cannot tell.

    Examples
    --------
    >>> import numpy as np
    >>> from yewline.model import make_readings
    >>> x = np.arange(0.0, 20.0)
    >>> made = moisture_posterior(make_readings(x=x, y=0 * x, vwc=0.2 + 0.03 * np.sin(x / 3)), sigma_vwc=0.01)
    >>> len(made.models) >= 20, made.sample.why
    (True, '')
    """
    sample = sample_moisture(readings, sigma_vwc=sigma_vwc, models=())
    if sample.why:
        return MoisturePosterior(sample, None)
    left = sample.vwc if drift is None else without_drift(sample.vwc, drift)
    found = variogram_posterior(sample.xy, left, family=family, error_sd=sample.own_error_sd, nodes=_NODES)
    return MoisturePosterior(sample, found)
