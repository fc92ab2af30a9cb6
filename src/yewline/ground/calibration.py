"""Calibration of a moisture probe by samples: the line, its residuals, and the error of what it gives."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from yewline._check import check_array, check_positive
from yewline.errors import InputError
from yewline.ground.line_fit import FittedLine, fit_line
from yewline.ground.reading_error import split_reading_error
from yewline.model import Finding

__all__ = ["FEWEST_PAIRS", "Calibration", "calibration_findings", "fit_calibration", "reading_error_of"]

Array = npt.NDArray[np.float64]

FEWEST_PAIRS: Final = 3
_FEW: Final = 6
_ROUNDS: Final = 100
_ASTRAY: Final = 3.0


@dataclass(frozen=True, slots=True)
class Calibration:
    """Water content from what a probe shows: θ = offset_vwc + gain · r, with r the reading, or its root if `root`.

    Attributes
    ----------
    gain, offset_vwc : m³/m³ per unit of r, and m³/m³.
    covariance : (2, 2) of (offset_vwc, gain); widened where the residuals are larger than the stated errors.
    own_sd : standard deviation of one calibrated reading that is its own, m³/m³.
    residuals : (N,) of the samples about the line, m³/m³. residual_sd has N − 2 in its denominator.
    reduced_chi2 : about 1 where the stated errors are right.
    lowest, highest : readings of the pairs, as written. Beyond them the line is only drawn out.
    """

    gain: float
    offset_vwc: float
    covariance: Array
    own_sd: float
    residuals: Array
    residual_sd: float
    reduced_chi2: float
    lowest: float
    highest: float
    root: bool = False

    def vwc(self, reading: npt.ArrayLike) -> Array:
        """Water content of readings of any shape, m³/m³; it may come out below zero or above any porosity."""
        return np.asarray(self.offset_vwc + self.gain * self._r(reading))

    def common_sd(self, reading: npt.ArrayLike) -> Array:
        """Standard deviation that the line itself gives readings of any shape, m³/m³: it never averages out.

        Notes
        -----
        σ² = (1, r) C (1, r)ᵀ with C the covariance of offset and gain: least in the middle of the pairs.
        """
        r = self._r(reading)
        c = self.covariance
        return np.asarray(np.sqrt(c[0, 0] + 2.0 * r * c[0, 1] + r * r * c[1, 1]))

    def _r(self, reading: npt.ArrayLike) -> Array:
        values = np.asarray(reading, dtype=np.float64)
        if self.root and (values < 0).any():
            raise InputError("a permittivity must not be negative", received=f"{np.nanmin(values):g}")
        return np.sqrt(values) if self.root else values


def fit_calibration(
    reading: npt.ArrayLike,
    vwc: npt.ArrayLike,
    *,
    vwc_sd: npt.ArrayLike,
    reading_sd: npt.ArrayLike | None = None,
    own_sd_vwc: float = 0.02,
    root: bool = False,
) -> Calibration:
    """Calibrate a probe by pairs of readings and samples, both of them uncertain.

    Parameters
    ----------
    reading : (N,) what the probe showed, in its own unit; N ≥ 3.
    vwc : (N,) water content of the samples, m³/m³.
    vwc_sd : standard deviation of the samples, m³/m³; one number, or (N,).
    reading_sd : standard deviation of the readings in their unit; None where nobody knows it.
    own_sd_vwc : then it is taken to be this much water, m³/m³, through the slope that is found.
    root : fit against the root of the reading: for permittivities, whose root grows evenly with moisture.

    Raises
    ------
    InputError : fewer than three pairs, readings all alike, or readings that do not follow the samples.

    Notes
    -----
    The line is that of `fit_line`. The residuals hold the error of the sample as well as the reading's own; the
    sample's share is taken off, but no more than half of it, since stated errors of samples are themselves rough
    (own choice): own_sd² = max(s² − mean σ_sample², s²/2).

    References
    ----------
    York et al. 2004, Am. J. Phys. 72(3):367-375. A line in the root of permittivity: Herkelrath, Hamburg & Murphy 1991,
    Water Resour. Res. 27(5):857-864.

    Examples
    --------
    >>> line = fit_calibration([400, 500, 600, 700], [0.11, 0.19, 0.31, 0.39], vwc_sd=0.01)
    >>> round(line.gain, 6), round(line.offset_vwc, 3), round(line.residual_sd, 4)
    (0.000965, -0.281, 0.0127)
    """
    shown, water = check_array(reading, "reading", ndim=1), check_array(vwc, "vwc", ndim=1)
    if len(shown) < FEWEST_PAIRS or len(shown) != len(water):
        raise InputError(
            f"a calibration needs at least {FEWEST_PAIRS} pairs",
            received=f"{len(shown)} readings, {len(water)} samples",
            do="take more samples, from the driest and the wettest ground; until then leave the calibration out",
        )
    if np.ptp(shown) == 0:
        do = "take samples where the probe shows little and where it shows much"
        raise InputError("all readings of the calibration are alike", received=f"{shown[0]:g}", do=do)
    if root and (shown <= 0).any():
        raise InputError("a permittivity must be greater than zero", received=f"{shown.min():g}")
    r = np.sqrt(shown) if root else shown
    sd = None if reading_sd is None else np.broadcast_to(np.asarray(reading_sd, np.float64), shown.shape)
    if sd is not None and root:
        sd = sd / (2.0 * r)
    line = _line(r, water, vwc_sd, sd, check_positive(own_sd_vwc, "own_sd_vwc"))
    # Stated errors that are too small would make the line look surer than its residuals show it to be.
    covariance = line.covariance * max(1.0, line.reduced_chi2)
    if abs(line.slope) < 2.0 * math.sqrt(covariance[1, 1]):
        raise InputError(
            "the readings do not follow the samples: no calibration",
            received=f"slope {line.slope:.3g} ± {1.645 * math.sqrt(covariance[1, 1]):.2g}",
            do="check which sample belongs to which reading, and take samples of drier and wetter ground",
        )
    residual_var = float(np.sum(line.residuals**2)) / (len(shown) - 2)
    sample_var = float(np.mean(np.broadcast_to(np.asarray(vwc_sd, np.float64), shown.shape) ** 2))
    return Calibration(
        gain=line.slope,
        offset_vwc=line.intercept,
        covariance=covariance,
        own_sd=math.sqrt(max(residual_var - sample_var, 0.5 * residual_var)),
        residuals=line.residuals,
        residual_sd=math.sqrt(residual_var),
        reduced_chi2=line.reduced_chi2,
        lowest=float(shown.min()),
        highest=float(shown.max()),
        root=root,
    )


def _line(r: Array, vwc: Array, vwc_sd: npt.ArrayLike, sd: Array | None, own_sd_vwc: float) -> FittedLine:
    """The line; an error of the readings that is known as water only comes to readings by the line's own slope."""
    if sd is not None:
        return fit_line(r, vwc, x_sd=sd, y_sd=vwc_sd)
    line = fit_line(r, vwc, x_sd=0.0, y_sd=vwc_sd)
    for _ in range(_ROUNDS):
        if line.slope == 0:
            break
        new = fit_line(r, vwc, x_sd=own_sd_vwc / abs(line.slope), y_sd=vwc_sd)
        settled = abs(new.slope - line.slope) <= 1e-9 * abs(new.slope)
        line = new
        if settled:
            break
    return line


def calibration_findings(calibration: Calibration, *, written: npt.ArrayLike, where: str = "") -> list[Finding]:
    """What a calibration says of itself, and of readings that lie beyond it.

    Parameters
    ----------
    calibration : that of the visit.
    written : (R,) readings of the visit, as written.
    where : file of the pairs, for messages.
    """
    n = len(calibration.residuals)
    middle = 0.5 * (calibration.lowest + calibration.highest)
    r = "√reading" if calibration.root else "reading"
    text = f"calibrated by {n} pairs: vwc = {calibration.offset_vwc:.4g} {calibration.gain:+.4g} · {r}"
    received = (
        f"residual sd {calibration.residual_sd:.3f}; a reading's own error {calibration.own_sd:.3f}, that of the line "
        f"{float(calibration.common_sd(middle)):.3f} m³/m³ in the middle of the pairs (1 sd)"
    )
    findings = [Finding("found", "calibration", text, where=where, received=received)]
    if n < _FEW:
        text, do = f"the calibration rests on {n} pairs: its own error is itself uncertain", "take more samples"
        findings.append(Finding("warning", "calibration-few", text, where=where, do=do))
    astray = np.flatnonzero(np.abs(calibration.residuals) > _ASTRAY * np.median(np.abs(calibration.residuals)) * 1.4826)
    if n >= _FEW and len(astray):
        received = ", ".join(f"pair {i + 1} by {calibration.residuals[i]:+.3f} m³/m³" for i in astray[:8])
        text, do = "pairs lie far from the calibration's line", "look whether sample and reading belong together"
        findings.append(Finding("warning", "calibration-pair", text, where=where, received=received, do=do))
    shown = check_array(written, "written", ndim=1)
    beyond = (shown < calibration.lowest) | (shown > calibration.highest)
    if beyond.any():
        text = f"{int(beyond.sum())} of {len(shown)} readings lie beyond those that the calibration rests on"
        received = (
            f"readings {shown.min():g} to {shown.max():g}, pairs {calibration.lowest:g} to {calibration.highest:g}"
        )
        do = "take samples at the driest and the wettest places"
        findings.append(Finding("warning", "calibration-beyond", text, where=where, received=received, do=do))
    return findings


def reading_error_of(readings: pd.DataFrame, *, sigma_vwc: float) -> tuple[float, float]:
    """Own and common error of a visit's readings: as a calibration measured them, else by the usual split.

    Parameters
    ----------
    readings : as `model.make_readings` gives them; where `vwc_own_sd` and `vwc_common_sd` are there, they count.
    sigma_vwc : standard deviation of one reading that nobody measured, m³/m³.

    Returns
    -------
    own, common : standard deviations, m³/m³: root mean squares over the readings. The own part averages out over many
        readings, the common part never does.

    Examples
    --------
    >>> from yewline.model import make_readings
    >>> made = make_readings(x=[0.0], y=[0.0], vwc=[0.2], vwc_own_sd=[0.012], vwc_common_sd=[0.006])
    >>> [round(part, 4) for part in reading_error_of(made, sigma_vwc=0.03)]
    [0.012, 0.006]
    """
    own, common = (readings[name].to_numpy(np.float64) for name in ("vwc_own_sd", "vwc_common_sd"))
    if not np.isfinite(own + common).all() or not len(readings):
        return split_reading_error(sigma_vwc)
    return math.sqrt(float(np.mean(own**2))), math.sqrt(float(np.mean(common**2)))
