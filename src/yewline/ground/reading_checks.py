"""What a visit's readings say of themselves: too few, all alike, repeated, above the pores, far off the others."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from yewline._check import check_array, check_positive
from yewline.ground.moisture_map import FEWEST_FOR_FIT
from yewline.ground.outliers import find_outliers
from yewline.model import Finding

__all__ = ["GRAIN_G_PER_CM3", "porosity_of_bulk", "reading_findings", "repeat_sd"]

GRAIN_G_PER_CM3: Final = 2.65
"""Density of quartz, taken for the grains of any mineral soil (common practice)."""
_SAME_PLACE_M: Final = 0.01
_MOST_NAMED: Final = 8


def porosity_of_bulk(bulk_g_per_cm3: float) -> float:
    """Share of pores in mineral soil of a dry bulk density, 1 − ρ_b / 2.65.

    Examples
    --------
    >>> round(porosity_of_bulk(1.5), 3)
    0.434
    """
    return max(0.0, 1.0 - check_positive(bulk_g_per_cm3, "bulk_g_per_cm3") / GRAIN_G_PER_CM3)


def repeat_sd(readings: pd.DataFrame) -> tuple[float, int]:
    """Own error of a reading, from readings repeated at one place and depth.

    Returns
    -------
    sd : standard deviation of a single reading, m³/m³; NaN where no place was read twice.
    freedom : degrees of freedom, repeats less places.

    Notes
    -----
    s² = ΣΣ(θ − θ̄_place)² / Σ(n_place − 1). It holds how the probe sits in the ground each time, and no error of the
    calibration: that is the same in all repeats.

    Examples
    --------
    >>> from yewline.model import make_readings
    >>> twice = make_readings(x=[0.0, 0.0, 1.0, 1.0], y=[0.0] * 4, vwc=[0.20, 0.22, 0.30, 0.30])
    >>> sd, freedom = repeat_sd(twice)
    >>> round(sd, 3), freedom
    (0.01, 2)
    """
    groups = readings["vwc"].groupby(_place(readings))
    freedom = int((groups.size() - 1).sum())
    if freedom == 0:
        return float("nan"), 0
    within = readings["vwc"] - groups.transform("mean")
    return float(np.sqrt((within**2).sum() / freedom)), freedom


def reading_findings(
    readings: pd.DataFrame, *, own_sd: float, porosity: float | None = None, where: str = ""
) -> list[Finding]:
    """All there is to say of a visit's readings before they are mapped; none is taken out.

    Parameters
    ----------
    readings : as `model.make_readings` gives them, of one depth or several.
    own_sd : standard deviation of one reading that is its own, m³/m³.
    porosity : share of pores in the soil; None where nobody knows it.
    where : file, for messages.

    Examples
    --------
    >>> from yewline.model import make_readings
    >>> table = make_readings(x=[0.0, 1.0, 2.0], y=[0.0, 3.0, 1.0], vwc=[0.20, 0.22, 0.45], row=[2, 3, 4])
    >>> for finding in reading_findings(table, own_sd=0.02, porosity=0.43):
    ...     print(finding.text, finding.received)
    3 readings: fewer than 8 make no variogram, and the range of the map is assumed 3
    1 of 3 readings hold more water than the soil has pores: 0.43 row 4: 0.450 at (2, 1)
    """
    findings = [*_few_or_alike(readings, where), *_repeated(readings, own_sd, where)]
    if porosity is not None and (above := readings["vwc"].to_numpy() > porosity).any():
        n = int(above.sum())
        text = f"{n} of {len(readings)} readings hold more water than the soil has pores: {porosity:.2f}"
        do = "check the unit, the calibration, the porosity, and whether water stood there; they are used as they are"
        received = _named(readings, above)
        findings.append(Finding("warning", "readings-above-porosity", text, where=where, received=received, do=do))
    for _, part in readings.groupby(readings["depth_m"].fillna(-1.0), sort=True):
        findings += _outlying(part.reset_index(drop=True), own_sd, where)
    return findings


def _few_or_alike(readings: pd.DataFrame, where: str) -> list[Finding]:
    findings = []
    vwc, n = readings["vwc"].to_numpy(np.float64), len(readings)
    if n < FEWEST_FOR_FIT:
        text = f"{n} readings: fewer than {FEWEST_FOR_FIT} make no variogram, and the range of the map is assumed"
        do = "take more: two dozen spread over the ground serve well"
        findings.append(Finding("warning", "readings-few", text, where=where, received=str(n), do=do))
    if n > 1 and np.ptp(vwc) == 0:
        text, do = f"all {n} readings are alike", "check that the probe was read, and not the first value copied down"
        findings.append(Finding("warning", "readings-alike", text, where=where, received=f"{vwc[0]:.3f} m³/m³", do=do))
    xy = readings[["x", "y"]].to_numpy(np.float64)
    across = np.linalg.svd(xy - xy.mean(axis=0), compute_uv=False)
    if n > 2 and across[0] > 0 and across[-1] < 1e-3 * across[0]:
        text = "all readings lie on one line: beside it the map knows nothing"
        do = "read across the ground as well"
        findings.append(Finding("warning", "readings-on-a-line", text, where=where, do=do))
    return findings


def _repeated(readings: pd.DataFrame, own_sd: float, where: str) -> list[Finding]:
    place = _place(readings)
    groups = readings["vwc"].groupby(place)
    several = groups.transform("size").to_numpy() > 1
    if not several.any():
        return []
    differ = (groups.transform("max") - groups.transform("min")).to_numpy() > 0
    findings = []
    if (several & ~differ).any():
        text = "places were read more than once, with the same value each time: were rows copied?"
        received = _named(readings, several & ~differ)
        findings.append(Finding("warning", "readings-duplicate", text, where=where, received=received))
    if (several & differ).any():
        sd, freedom = repeat_sd(readings)
        text = f"places were read more than once: a reading's own error is {sd:.3f} m³/m³ by that ({freedom} repeats)"
        stated = check_positive(own_sd, "own_sd")
        received = f"{_named(readings, several & differ)}; {stated:.3f} is taken"
        findings.append(Finding("found", "readings-repeated", text, where=where, received=received))
        if freedom >= 3 and sd > 2.0 * stated:
            text, do = (
                "repeated readings differ by more than the error that is taken for them",
                "state a larger sigma_vwc",
            )
            received = f"{sd:.3f} against {stated:.3f} m³/m³"
            findings.append(Finding("warning", "readings-repeat-error", text, where=where, received=received, do=do))
    return findings


def _outlying(readings: pd.DataFrame, own_sd: float, where: str) -> list[Finding]:
    found = find_outliers(readings[["x", "y"]].to_numpy(), readings["vwc"].to_numpy(), own_sd=own_sd)
    if found is None or not found.named.any():
        return []
    told = [
        f"row {int(readings['row'].iloc[i])}: {readings['vwc'].iloc[i]:.3f} where its neighbours have "
        f"{found.expected[i]:.3f} ({found.distance[i]:+.1f} robust sd)"
        for i in np.flatnonzero(found.named)[:_MOST_NAMED]
    ]
    text = f"{int(found.named.sum())} readings do not fit their neighbours (limit {found.limit:.1f} robust sd)"
    do = "look at the field book: a slip of the pen goes into exclude_rows, a wet hollow stays; they are used as is"
    return [Finding("warning", "readings-outlying", text, where=where, received="; ".join(told), do=do)]


def _place(readings: pd.DataFrame) -> npt.NDArray[np.int64]:
    """A number for each place and depth; two readings a centimetre apart are at the same."""
    keys = readings[["x", "y", "depth_m"]].to_numpy(np.float64) / _SAME_PLACE_M
    keys = np.where(np.isnan(keys), -1.0, np.round(keys))
    return np.asarray(np.unique(check_array(keys, "places", ndim=2), axis=0, return_inverse=True)[1]).reshape(-1)


def _named(readings: pd.DataFrame, which: npt.NDArray[np.bool_]) -> str:
    rows = readings[which]
    told = [
        f"row {int(row)}: {vwc:.3f} at ({x:g}, {y:g})"
        for row, vwc, x, y in zip(*(rows[name] for name in ("row", "vwc", "x", "y")), strict=True)
    ]
    return "; ".join(told[:_MOST_NAMED]) + (f" … ({len(told)} in all)" if len(told) > _MOST_NAMED else "")
