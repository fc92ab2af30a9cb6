"""Level and variability of a visit's moisture, kept apart, with the depth they stand for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from yewline._check import check_array, check_positive

__all__ = ["MoistureSummary", "summarise_moisture"]


@dataclass(frozen=True, slots=True)
class MoistureSummary:
    """Moisture of one visit, m³/m³.

    Level: `mean`, `median`, `p10`, `p90`. Variability: `sd`, `cv` (sd over mean), `robust_sd` (1.4826 × median absolute
    deviation). `n` readings stand for the ground from 0 to `support_depth_m`. `sd` is that of the readings.
    """

    n: int
    mean: float
    median: float
    p10: float
    p90: float
    sd: float
    cv: float
    robust_sd: float
    support_depth_m: float


def summarise_moisture(readings: pd.DataFrame, *, support_depth_m: float) -> MoistureSummary:
    """Level and variability of one visit's readings.

    Parameters
    ----------
    readings : a table of R ≥ 1 readings as `model.make_readings` gives it.
    support_depth_m : the readings stand for the ground from the surface to this depth, m.

    Returns
    -------
    The summary; from a single reading `sd`, `cv` and `robust_sd` are NaN, and `cv` is where the mean is zero.

    Raises
    ------
    InputError : no readings, or values that are not finite.

    Notes
    -----
    `sd` has R − 1 in its denominator. It holds the readings' own error as well as the ground's variability. These are
    plain figures of the readings as they are; `moisture_level` and `moisture_variability` weigh by area, take that
    error off and have intervals.

    Examples
    --------
    >>> from yewline.model import make_readings
    >>> table = make_readings(x=[0.0, 1.0, 2.0], y=[0.0, 0.0, 0.0], vwc=[0.18, 0.20, 0.25])
    >>> summary = summarise_moisture(table, support_depth_m=0.12)
    >>> summary.n, round(summary.mean, 3), round(summary.sd, 4), round(summary.robust_sd, 4)
    (3, 0.21, 0.0361, 0.0297)
    """
    check_positive(support_depth_m, "support_depth_m")
    vwc = check_array(readings["vwc"].to_numpy(), "vwc", ndim=1)
    several = len(vwc) > 1
    mean, median = float(vwc.mean()), float(np.median(vwc))
    p10, p90 = (float(value) for value in np.percentile(vwc, [10, 90]))
    sd = float(vwc.std(ddof=1)) if several else float("nan")
    return MoistureSummary(
        n=len(vwc),
        mean=mean,
        median=median,
        p10=p10,
        p90=p90,
        sd=sd,
        cv=sd / mean if mean > 0 else float("nan"),
        robust_sd=1.4826 * float(np.median(np.abs(vwc - median))) if several else float("nan"),
        support_depth_m=float(support_depth_m),
    )
