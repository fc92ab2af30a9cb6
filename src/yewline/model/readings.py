"""Moisture readings: a `pandas.DataFrame` with documented columns, in site metres and m³/m³.

``x`` ``y`` [m] · ``vwc`` [m³/m³] volumetric water content · ``depth_m`` depth of the probe's middle or NaN ·
``temperature_c`` or NaN · ``time`` as text, may be empty · ``row`` in the file, for messages.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from yewline.errors import InputError

__all__ = ["READING_COLUMNS", "VWC_HIGHEST", "VWC_LOWEST", "make_readings"]

READING_COLUMNS: Final[dict[str, Any]] = {
    "x": np.nan,
    "y": np.nan,
    "vwc": np.nan,
    "depth_m": np.nan,
    "temperature_c": np.nan,
    "time": "",
    "row": 0,
}

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
