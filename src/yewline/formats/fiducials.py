"""`fiducials.csv`: marks set at known places while a line was walked, by trace number."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from yewline.formats.number_table import Column, read_numbers
from yewline.model import Finding

__all__ = ["MARK_SIGMA_M", "read_fiducials"]

MARK_SIGMA_M = 0.02
"""Standard deviation of a mark at the tape and of hitting it, where the table gives none (from memory, no source)."""


def read_fiducials(path: Path) -> tuple[pd.DataFrame, list[Finding]]:
    """Read the marks of a visit's lines.

    Columns: line; trace (from 1, as recorded in the line); distance_m, where the mark stands, counted along the line
    from its start as `lines.csv` has it; and, if known, sigma_m (one standard deviation).

    Returns
    -------
    marks : columns line, trace, distance_m, sigma_m, row, in the order of the file.
    findings : layout detected, and a fault for each row left out.

    Raises
    ------
    FormatError : the table as a whole cannot be read, or has an unknown column.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     table = Path(folder) / "fiducials.csv"
    ...     _ = table.write_text("line,trace,distance_m\\nA1,101,5\\nA1,201,10\\n")
    ...     marks, _ = read_fiducials(table)
    >>> marks[["trace", "distance_m", "sigma_m"]].values.tolist()
    [[101.0, 5.0, 0.02], [201.0, 10.0, 0.02]]
    """
    columns = (
        Column("trace", 1, 1e9, whole=True),
        Column("distance_m", -100.0, 1e5),
        Column("sigma_m", 0.001, 10.0, blank=MARK_SIGMA_M),
    )
    table = read_numbers(path, columns, texts=("line",), required=("line", "trace", "distance_m"))
    return table.rows, table.findings
