"""Electrical conductivity of soil from that of its pore water."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from yewline._check import check_in_range, check_positive
from yewline.errors import InputError

__all__ = ["archie_conductivity"]


def archie_conductivity(
    saturation: npt.ArrayLike,
    *,
    porosity: float,
    water_ms_per_m: float,
    cementation: float = 1.3,
    saturation_exponent: float = 2.0,
    tortuosity: float = 1.0,
) -> npt.NDArray[np.float64]:
    """Conductivity of clay-free soil by Archie's law.

    Parameters
    ----------
    saturation : any shape, share of the pores that holds water, 0 to 1; NaN stays NaN.
    porosity : share of pores, between 0 and 1.
    water_ms_per_m : conductivity of the pore water, mS/m.
    cementation : m; about 1.3 in loose sand and 2 in sandstone (values from memory).
    saturation_exponent, tortuosity : n and a.

    Returns
    -------
    Same shape, mS/m.

    Raises
    ------
    InputError : a share outside [0, 1], or a parameter that is not positive.

    Notes
    -----
    σ = σ_w φᵐ Sⁿ / a. Clay adds conduction of its own, which is not in it.

    References
    ----------
    Archie 1942, Trans. AIME 146:54-62.

    Examples
    --------
    >>> float(archie_conductivity(1.0, porosity=0.4, water_ms_per_m=50.0, cementation=2.0).round(6))
    8.0
    """
    check_in_range(porosity, "porosity", 0.0, 1.0)
    for name, value in (
        ("water_ms_per_m", water_ms_per_m),
        ("cementation", cementation),
        ("saturation_exponent", saturation_exponent),
        ("tortuosity", tortuosity),
    ):
        check_positive(value, name)
    s = np.asarray(saturation, dtype=np.float64)
    outside = s[(s < 0.0) | (s > 1.0)]
    if outside.size:
        raise InputError("saturation must lie between 0 and 1", received=f"{outside.flat[0]:g}")
    return np.asarray(water_ms_per_m * porosity**cementation * s**saturation_exponent / tortuosity)
