"""Permittivity of water, liquid and frozen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_choice
from yewline.errors import InputError

__all__ = ["WaterRelaxation", "ice_permittivity", "water_permittivity", "water_relaxation"]

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

_ABSOLUTE_ZERO_C: Final = -273.15
_RANGES_C: Final = {"kaatze": (-4.1, 60.0), "stogryn": (0.0, 40.0)}


@dataclass(frozen=True, slots=True)
class WaterRelaxation:
    """Single-pole relaxation of pure water; all members have the shape of the temperature.

    Attributes
    ----------
    static, infinite : relative permittivity far below and far above the relaxation.
    time_ns : relaxation time, ns.
    """

    static: Array
    infinite: Array
    time_ns: Array

    def at(self, frequency_mhz: npt.ArrayLike) -> Complex:
        """Complex relative permittivity ε′ − jε″ at frequencies that broadcast with the members.

        Notes
        -----
        ε = ε_∞ + (ε_s − ε_∞) / (1 + jωτ) (Debye).
        """
        f = np.asarray(frequency_mhz, dtype=np.float64)
        if not (f >= 0.0).all():
            raise InputError("frequency_mhz must be at least 0", received=f"{f.flat[0]:g}")
        return np.asarray(
            self.infinite + (self.static - self.infinite) / (1.0 + 2e-3j * np.pi * f * self.time_ns),
            dtype=np.complex128,
        )


def water_permittivity(temperature_c: npt.ArrayLike) -> Array:
    """Static relative permittivity of pure water.

    Parameters
    ----------
    temperature_c : any shape, 0 to 100 °C; NaN stays NaN.

    Returns
    -------
    Same shape.

    Raises
    ------
    InputError : a temperature outside the range of liquid water.

    Notes
    -----
    ε = 87.740 − 0.40008T + 9.398·10⁻⁴T² − 1.410·10⁻⁶T³. At radar frequencies the real part lies within 0.3 % of it.

    References
    ----------
    Malmberg & Maryott 1956, J. Res. Natl. Bur. Stand. 56(1):1-8.

    Examples
    --------
    >>> float(water_permittivity(20.0).round(3))
    80.103
    """
    t = _temperature(temperature_c, 0.0, 100.0)
    return np.asarray(np.polynomial.polynomial.polyval(t, (87.740, -0.40008, 9.398e-4, -1.410e-6)))


def water_relaxation(temperature_c: npt.ArrayLike, *, model: str = "kaatze") -> WaterRelaxation:
    """How pure water relaxes: its permittivity with frequency.

    Parameters
    ----------
    temperature_c : any shape; −4.1 to 60 °C by Kaatze, 0 to 40 °C by Stogryn; NaN stays NaN.
    model : "kaatze", or "stogryn" as remote sensing of soil uses it.

    Raises
    ------
    InputError : a temperature out of the model's range, or a model that is not known.

    Notes
    -----
    Kaatze: log₁₀ ε_s = 1.94404 − 1.991·10⁻³T, ε_∞ = 5.77 − 2.74·10⁻²T, τ = 3.745·10⁻¹⁵ [1 + 7·10⁻⁵(T − 27.5)²]
    e^{2295.7/(T + 273.15)} s. Stogryn: 2πτ = 1.1109·10⁻¹⁰ − 3.824·10⁻¹²T + 6.938·10⁻¹⁴T² − 5.096·10⁻¹⁶T³ s, with
    ε_s = 88.045 − 0.4147T + 6.295·10⁻⁴T² + 1.075·10⁻⁵T³ of pure water and ε_∞ = 4.9.

    References
    ----------
    Kaatze 1989, J. Chem. Eng. Data 34:371-374. Stogryn 1971, IEEE Trans. Microw. Theory Tech. 19:733-736; Klein &
    Swift 1977, IEEE Trans. Antennas Propag. 25:104-111 (ε_s); Lane & Saxton 1952, Proc. R. Soc. A 214:531-545 (ε_∞).

    Examples
    --------
    >>> water_relaxation(20.0).at(400.0).round(3).item()
    (80.166-1.783j)
    """
    check_choice(model, "model", tuple(_RANGES_C))
    t = _temperature(temperature_c, *_RANGES_C[model])
    if model == "kaatze":
        static = 10.0 ** (1.94404 - 1.991e-3 * t)
        seconds = 3.745e-15 * (1.0 + 7e-5 * (t - 27.5) ** 2) * np.exp(2295.7 / (t - _ABSOLUTE_ZERO_C))
        return WaterRelaxation(np.asarray(static), np.asarray(5.77 - 2.74e-2 * t), np.asarray(1e9 * seconds))
    static = np.asarray(np.polynomial.polynomial.polyval(t, (88.045, -0.4147, 6.295e-4, 1.075e-5)))
    turn = np.polynomial.polynomial.polyval(t, (1.1109e-10, -3.824e-12, 6.938e-14, -5.096e-16))
    return WaterRelaxation(np.asarray(static), np.full_like(t, 4.9), np.asarray(1e9 * turn / (2.0 * np.pi)))


def ice_permittivity(temperature_c: npt.ArrayLike) -> Array:
    """Relative permittivity of ice at radar frequencies.

    Parameters
    ----------
    temperature_c : any shape, −40 to 0 °C; NaN stays NaN.

    Raises
    ------
    InputError : a temperature out of range.

    Notes
    -----
    ε = 3.1884 + 9.1·10⁻⁴T; its loss is far below that of soil. Values from 3.15 to 3.20 are in use.

    References
    ----------
    Mätzler & Wegmüller 1987, J. Phys. D 20:1623-1630.

    Examples
    --------
    >>> float(ice_permittivity(-10.0).round(4))
    3.1793
    """
    return np.asarray(3.1884 + 9.1e-4 * _temperature(temperature_c, -40.0, 0.0))


def _temperature(temperature_c: npt.ArrayLike, low: float, high: float) -> Array:
    t = np.asarray(temperature_c, dtype=np.float64)
    outside = t[(t < low) | (t > high)]
    if outside.size:
        raise InputError(f"temperature_c must lie between {low:g} and {high:g}", received=f"{outside.flat[0]:g}")
    return t
