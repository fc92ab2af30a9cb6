"""Moisture readings put right for the temperature and the salt of the ground, where the settings ask for it."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_finite, check_in_range
from yewline.errors import InputError
from yewline.model import VWC_HIGHEST, Finding
from yewline.physics import (
    conductivity_at_temperature,
    topp_moisture_exact,
    topp_permittivity,
    water_permittivity,
)

__all__ = [
    "LOW_FREQUENCY_MHZ",
    "SALTY_MS_PER_M",
    "conductivity_at_25",
    "correct_salinity",
    "correct_temperature",
    "sensor_findings",
]

Array = npt.NDArray[np.float64]

SALTY_MS_PER_M: Final = {"": 100.0, "tdr": 200.0, "impedance": 100.0, "capacitance": 100.0}
"""Conductivity of the ground at 25 °C above which readings by class of sensor are warned of, mS/m (common practice, no
source: salt reaches probes that work at low frequencies first)."""
LOW_FREQUENCY_MHZ: Final = 50.0
"""Below it clay and salt let a probe read high (common practice, no source)."""
_ROUNDS: Final = 60


def correct_temperature(vwc: npt.ArrayLike, temperature_c: npt.ArrayLike, *, calibrated_at_c: float = 20.0) -> Array:
    """What a probe would have shown, had the ground been at the temperature that its curve holds for.

    Cold water has a higher permittivity than warm water. A probe that turns permittivity into moisture by one curve
    therefore reads too high in ground colder than that of the curve, and the correction lowers the reading; it reads
    too low in warmer ground, and the correction raises it.

    Parameters
    ----------
    vwc : (R,) readings, m³/m³.
    temperature_c : (R,) of the ground at the probe, 0 to 50 °C; where NaN the reading stays as it is.
    calibrated_at_c : temperature that the probe's curve holds for.

    Returns
    -------
    (R,) m³/m³.

    Raises
    ------
    InputError : lengths do not fit, a reading outside [0, 0.6], or a temperature out of range.

    Notes
    -----
    By the complex refractive index model √ε changes by θ (√ε_w(T) − √ε_w(T₀)), whatever grains and pores are; ε and θ
    are tied by Topp's curve. With d that difference for θ = 1, θ = topp⁻¹((√topp(θ_read) − θ d)²) is solved by
    repetition. At 0.30 m³/m³ it comes to about 7·10⁻⁴ per K. Only the water's permittivity is in it: in clay, and with
    probes of low frequency, bound water and conduction act the other way and may outweigh it.

    References
    ----------
    Birchak, Gardner, Hipp & Victor 1974, Proc. IEEE 62:93-98; Malmberg & Maryott 1956, J. Res. Natl. Bur. Stand.
    56:1-8; Topp, Davis & Annan 1980, Water Resour. Res. 16(3):574-582.

    Examples
    --------
    >>> correct_temperature([0.30, 0.30, 0.30], [5.0, 20.0, 30.0]).round(4).tolist()
    [0.2903, 0.3, 0.3067]
    """
    read, t = np.asarray(vwc, np.float64), np.asarray(temperature_c, np.float64)
    if read.shape != t.shape:
        raise InputError("each reading needs a temperature, or NaN", received=f"{read.shape} and {t.shape}")
    if ((t < 0.0) | (t > 50.0)).any():
        outside = t[(t < 0.0) | (t > 50.0)]
        raise InputError("temperature_c must lie between 0 and 50", received=f"{outside.flat[0]:g}")
    root = np.sqrt(topp_permittivity(read))
    fixed = check_in_range(calibrated_at_c, "calibrated_at_c", 0.0, 50.0)
    d = np.sqrt(water_permittivity(t)) - float(np.sqrt(water_permittivity(fixed)))
    known = np.isfinite(t)
    theta = read.copy()
    lowest, highest = (float(topp_permittivity(end)) for end in (0.0, VWC_HIGHEST))
    for _ in range(_ROUNDS):
        eps = np.clip((root[known] - theta[known] * d[known]) ** 2, lowest, highest)
        theta[known] = topp_moisture_exact(eps)
    return theta


def conductivity_at_25(ms_per_m: npt.ArrayLike, temperature_c: npt.ArrayLike) -> Array:
    """Conductivity brought to 25 °C, mS/m: the inverse of `physics.conductivity_at_temperature`.

    Parameters
    ----------
    ms_per_m : any shape, at the ground's temperature.
    temperature_c : −5 to 50 °C, that broadcasts with it; where NaN the conductivity is taken to be at 25 °C already.

    References
    ----------
    Corwin & Lesch 2005, Comput. Electron. Agric. 46:11-43.

    Examples
    --------
    >>> float(conductivity_at_25(100.0, 10.0).round(2))
    141.35
    """
    t = np.asarray(temperature_c, np.float64)
    return np.asarray(
        np.asarray(ms_per_m, np.float64) / conductivity_at_temperature(1.0, np.where(np.isnan(t), 25.0, t))
    )


def correct_salinity(
    vwc: npt.ArrayLike,
    ec25_ms_per_m: npt.ArrayLike,
    *,
    vwc_per_ms_per_m: float,
    calibrated_at_ms_per_m: float = 0.0,
) -> Array:
    """Readings less what salt adds to them, by a slope that somebody measured for this probe.

    Parameters
    ----------
    vwc : (R,) readings, m³/m³.
    ec25_ms_per_m : (R,) conductivity of the ground at 25 °C, mS/m; where NaN the reading stays as it is.
    vwc_per_ms_per_m : how much higher the probe reads for each mS/m: positive where salt makes it read high.
    calibrated_at_ms_per_m : conductivity at which the probe reads right.

    Notes
    -----
    θ = θ_read − s (σ₂₅ − σ₀). There is no slope that holds for all probes, so none is built in.

    Examples
    --------
    >>> correct_salinity([0.30, 0.30], [150.0, float("nan")], vwc_per_ms_per_m=2e-4).round(3).tolist()
    [0.27, 0.3]
    """
    slope = check_finite(vwc_per_ms_per_m, "vwc_per_ms_per_m")
    read = np.asarray(vwc, np.float64)
    change = slope * (
        np.asarray(ec25_ms_per_m, np.float64) - check_finite(calibrated_at_ms_per_m, "calibrated_at_ms_per_m")
    )
    return np.asarray(read - np.where(np.isnan(change), 0.0, change))


def sensor_findings(
    *, sensor_class: str, sensor_mhz: float | None, ec25_ms_per_m: npt.ArrayLike, corrected: bool = False
) -> list[Finding]:
    """Warnings of a probe that is likely to read high: in salty ground, or at a low frequency.

    Parameters
    ----------
    sensor_class : a key of `model.SENSOR_SIGMA_VWC`.
    sensor_mhz : frequency that the probe works at; None where nobody knows it.
    ec25_ms_per_m : (R,) conductivity of the ground at 25 °C, or NaN.
    corrected : whether a slope for salt was applied.

    Examples
    --------
    >>> [f.code for f in sensor_findings(sensor_class="tdr", sensor_mhz=None, ec25_ms_per_m=[250.0, 20.0])]
    ['readings-salty']
    """
    findings = []
    ec = np.asarray(ec25_ms_per_m, np.float64)
    limit = SALTY_MS_PER_M[sensor_class]
    salty = ec > limit
    if salty.any() and not corrected:
        text = f"{int(salty.sum())} readings lie in ground of more than {limit:g} mS/m (25 °C): probes read high there"
        do = "calibrate on site, or measure a slope and state vwc_per_ms_per_m; the readings stay as they are"
        received = f"up to {np.nanmax(ec):.0f} mS/m"
        findings.append(Finding("warning", "readings-salty", text, received=received, do=do))
    if sensor_mhz is not None and sensor_mhz < LOW_FREQUENCY_MHZ:
        text = f"the probe works below {LOW_FREQUENCY_MHZ:g} MHz: it reads high in clay and in salty ground"
        do = "calibrate it by samples of this soil (calibration.csv)"
        findings.append(Finding("warning", "readings-low-frequency", text, received=f"{sensor_mhz:g} MHz", do=do))
    return findings
