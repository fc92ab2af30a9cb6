"""Moisture readings: a `pandas.DataFrame` with documented columns, in site metres and m³/m³.

``x`` ``y`` [m] · ``vwc`` [m³/m³] volumetric water content · ``depth_m`` depth of the probe's middle or NaN ·
``depth_from_m`` ``depth_to_m`` the ground that it stands for, or NaN · ``temperature_c`` or NaN · ``ec_ms_per_m``
conductivity at the soil's temperature or NaN · ``time`` as text, may be empty · ``line`` ``distance_m`` where it was
placed along a line · ``written`` the value as the file has it · ``note`` written beside it · ``vwc_own_sd``
``vwc_common_sd`` [m³/m³] where a calibration measured them, else NaN · ``row`` in the file, for messages.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from yewline._check import check_array
from yewline.errors import InputError

__all__ = [
    "READING_COLUMNS",
    "READING_QUANTITIES",
    "VWC_HIGHEST",
    "VWC_LOWEST",
    "make_readings",
    "vwc_of_gravimetric",
]

_WATER_G_PER_CM3: Final = 1.0

READING_COLUMNS: Final[dict[str, Any]] = {
    "x": np.nan,
    "y": np.nan,
    "vwc": np.nan,
    "depth_m": np.nan,
    "depth_from_m": np.nan,
    "depth_to_m": np.nan,
    "temperature_c": np.nan,
    "ec_ms_per_m": np.nan,
    "time": "",
    "line": "",
    "distance_m": np.nan,
    "written": np.nan,
    "note": "",
    "vwc_own_sd": np.nan,
    "vwc_common_sd": np.nan,
    "row": 0,
}

READING_QUANTITIES: Final = ("vwc", "vwc_percent", "g_per_g", "g_per_g_percent", "permittivity", "reading")
"""What a file of readings may hold: water by volume (m³/m³ or percent), water by mass of dry soil (g/g or percent), the
relative permittivity, or whatever the probe shows, which needs a calibration."""

VWC_LOWEST: Final = 0.0
VWC_HIGHEST: Final = 0.6
"""No mineral soil holds more water than its pores: higher readings are refused (common practice, no source)."""


def make_readings(**columns: npt.ArrayLike) -> pd.DataFrame:
    """A table of readings; columns left out take their default.

    Raises
    ------
    InputError : an unknown column, no rows, or a water content outside [0, 0.6] m³/m³.

    Examples
    --------
    >>> make_readings(x=[0.0], y=[1.0], vwc=[0.21]).loc[0, "vwc"].item()
    0.21
    """
    unknown = set(columns) - set(READING_COLUMNS)
    if unknown:
        raise InputError("unknown column of readings", received=", ".join(sorted(unknown)))
    n = len(np.atleast_1d(np.asarray(columns.get("vwc", []))))
    if n == 0:
        raise InputError("there are no readings", do="give x, y and vwc")
    table = pd.DataFrame(
        {name: columns[name] if name in columns else [default] * n for name, default in READING_COLUMNS.items()}
    )
    vwc = table["vwc"].to_numpy(float)
    bad = np.flatnonzero(~((vwc >= VWC_LOWEST) & (vwc <= VWC_HIGHEST)))
    if len(bad):
        raise InputError(
            f"water content must lie between {VWC_LOWEST:g} and {VWC_HIGHEST:g} m³/m³",
            received=f"{vwc[bad[0]]:g} in row {int(table['row'].iloc[bad[0]])}",
            do="readings in percent belong in a column named vwc_percent",
        )
    return table


def vwc_of_gravimetric(g_per_g: npt.ArrayLike, bulk_g_per_cm3: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Volumetric water content from water by mass.

    Parameters
    ----------
    g_per_g : any shape, mass of water over mass of soil dried at 105 °C.
    bulk_g_per_cm3 : dry bulk density, g/cm³, that broadcasts with it.

    Raises
    ------
    InputError : a negative water content, or a density that no soil has.

    Notes
    -----
    θ = w ρ_b / ρ_w, with ρ_w = 1 g/cm³.

    Examples
    --------
    >>> round(float(vwc_of_gravimetric(0.15, 1.4)), 6)
    0.21
    """
    water, bulk = np.broadcast_arrays(np.asarray(g_per_g, np.float64), np.asarray(bulk_g_per_cm3, np.float64))
    check_array(np.ravel(water), "g_per_g", ndim=1)
    if (water < 0).any():
        raise InputError("water by mass must not be negative", received=f"{water.min():g}")
    if not ((bulk > 0.1) & (bulk < 2.6)).all():
        do = "bulk density is that of dry soil in g/cm³, such as 1.4"
        raise InputError("bulk density must lie between 0.1 and 2.6 g/cm³", received=f"{bulk.flat[0]:g}", do=do)
    return np.asarray(water * bulk / _WATER_G_PER_CM3)
