"""`calibration.csv`: what the probe showed beside samples whose water was weighed."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from yewline.errors import FormatError
from yewline.formats.number_table import Column, read_numbers
from yewline.model import VWC_HIGHEST, Finding, vwc_of_gravimetric

__all__ = ["BULK_SD_G_PER_CM3", "GRAVIMETRIC_SD_G_PER_G", "SAMPLE_SD_VWC", "read_calibration_pairs"]

GRAVIMETRIC_SD_G_PER_G: Final = 0.005
BULK_SD_G_PER_CM3: Final = 0.05
SAMPLE_SD_VWC: Final = 0.01
"""1 sd of a sample's water by mass, of its bulk density and of its water by volume, where the table does not state it
(common practice, no source: rings of 100 cm³ taken beside the probe)."""


def read_calibration_pairs(path: Path, *, bulk_g_per_cm3: float | None = None) -> tuple[pd.DataFrame, list[Finding]]:
    """Read pairs of a probe's readings and samples.

    Columns: reading, in the unit in which the visit's readings are written; and vwc (m³/m³), or vwc_percent, or
    gravimetric_g_per_g with bulk_g_per_cm3. Optional reading_sd, vwc_sd (m³/m³), gravimetric_sd, bulk_sd (one standard
    deviation each), depth_m, sample and note.

    Parameters
    ----------
    path : CSV or XLSX.
    bulk_g_per_cm3 : bulk density where the table has no column of it, g/cm³.

    Returns
    -------
    pairs : columns reading, reading_sd (NaN where not stated), vwc, vwc_sd [m³/m³], row.
    findings : layout detected, what was assumed, and a fault for each row left out.

    Raises
    ------
    FormatError : the table cannot be read, gives water in two ways, or by mass without a bulk density.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     table = Path(folder) / "calibration.csv"
    ...     _ = table.write_text("reading,gravimetric_g_per_g,bulk_g_per_cm3\\n512,0.10,1.5\\n640,0.20,1.4\\n")
    ...     pairs, _ = read_calibration_pairs(table)
    >>> pairs["vwc"].round(4).tolist()
    [0.15, 0.28]
    """
    table = read_numbers(
        path,
        (
            Column("reading", -1e9, 1e9),
            Column("reading_sd", 0.0, 1e9, blank=np.nan),
            Column("vwc", 0.0, VWC_HIGHEST, blank=np.nan),
            Column("vwc_percent", 0.0, 100 * VWC_HIGHEST, blank=np.nan),
            Column("vwc_sd", 1e-6, 0.2, blank=np.nan),
            Column("gravimetric_g_per_g", 0.0, 2.0, blank=np.nan),
            Column("gravimetric_sd", 1e-6, 0.5, blank=np.nan),
            Column("bulk_g_per_cm3", 0.1, 2.6, blank=np.nan),
            Column("bulk_sd", 1e-6, 1.0, blank=np.nan),
            Column("depth_m", 0.0, 5.0, blank=np.nan),
        ),
        texts=("sample", "note"),
        required=("reading", ("vwc", "vwc_percent", "gravimetric_g_per_g")),
    )
    given = [name for name in ("vwc", "vwc_percent", "gravimetric_g_per_g") if name in table.columns]
    if len(given) > 1:
        do = "keep vwc, or vwc_percent, or gravimetric_g_per_g with bulk_g_per_cm3"
        raise FormatError(
            "water of the samples is given in two ways", where=table.where, received=", ".join(given), do=do
        )
    rows, findings = table.rows, list(table.findings)
    if given[0] == "gravimetric_g_per_g":
        vwc, vwc_sd = _by_mass(rows, bulk_g_per_cm3, table.where, findings)
    else:
        vwc = rows[given[0]].to_numpy(np.float64) / (100.0 if given[0] == "vwc_percent" else 1.0)
        vwc_sd = _or_default(rows["vwc_sd"], SAMPLE_SD_VWC, "vwc_sd", table.where, findings)
    pairs = pd.DataFrame(
        {"reading": rows["reading"], "reading_sd": rows["reading_sd"], "vwc": vwc, "vwc_sd": vwc_sd, "row": rows["row"]}
    )
    blank = pairs["vwc"].isna()
    if blank.any():
        received = f"rows {', '.join(str(row) for row in pairs['row'][blank])}"
        do = "fill in the water of the sample, and its bulk density"
        findings.append(
            Finding("fault", "calibration-row", "pairs without a sample are left out", table.where, received, do)
        )
    return pairs[~blank].reset_index(drop=True), findings


def _by_mass(
    rows: pd.DataFrame, bulk: float | None, where: str, findings: list[Finding]
) -> tuple[np.ndarray, np.ndarray]:
    """Water by volume, and its standard deviation from those of water by mass and of bulk density."""
    density = rows["bulk_g_per_cm3"].to_numpy(np.float64)
    if bulk is not None:
        density = np.where(np.isnan(density), bulk, density)
    if np.isnan(density).all():
        do = "add a column bulk_g_per_cm3, or bulk_g_per_cm3 under [readings] in visit.toml"
        raise FormatError("water by mass without the bulk density of the soil", where=where, do=do)
    water = rows["gravimetric_g_per_g"].to_numpy(np.float64)
    whole = np.isfinite(water) & np.isfinite(density)
    vwc = np.full(len(rows), np.nan)
    vwc[whole] = vwc_of_gravimetric(water[whole], density[whole])
    water_sd = _or_default(rows["gravimetric_sd"], GRAVIMETRIC_SD_G_PER_G, "gravimetric_sd", where, findings)
    density_sd = _or_default(rows["bulk_sd"], BULK_SD_G_PER_CM3, "bulk_sd", where, findings)
    return vwc, np.hypot(density * water_sd, water * density_sd)


def _or_default(column: pd.Series, default: float, name: str, where: str, findings: list[Finding]) -> np.ndarray:
    values = column.to_numpy(np.float64)
    missing = np.isnan(values)
    if missing.any():
        text = f"{name} is not stated in {int(missing.sum())} rows: {default:g} is taken"
        findings.append(Finding("assumed", "calibration-sd", text, where=where))
    return np.where(missing, default, values)
