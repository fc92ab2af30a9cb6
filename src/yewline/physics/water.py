"""Permittivity of liquid water at low frequency."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from yewline.errors import InputError

__all__ = ["water_permittivity"]


def water_permittivity(temperature_c: npt.ArrayLike) -> npt.NDArray[np.float64]:
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
    t = np.asarray(temperature_c, dtype=np.float64)
    outside = t[(t < 0.0) | (t > 100.0)]
    if outside.size:
        raise InputError("temperature_c must lie between 0 and 100", received=f"{outside.flat[0]:g}")
    return np.asarray(np.polynomial.polynomial.polyval(t, (87.740, -0.40008, 9.398e-4, -1.410e-6)))
