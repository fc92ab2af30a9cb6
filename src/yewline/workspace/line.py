"""One recorded line, for those who script."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import numpy as np
import xarray as xr

from yewline.errors import FormatError, InputError
from yewline.formats import read_recording
from yewline.model import ReadHints, file_sha256, make_radargram

__all__ = ["read_line"]


def read_line(
    path: str | Path,
    *,
    interval_ns: float | None = None,
    interval_unit: Literal["us", "ps"] | None = None,
    start: tuple[float, float] | None = None,
    end: tuple[float, float] | None = None,
    line: str | None = None,
) -> xr.DataArray:
    """Read one recorded line in any of the open formats.

    Parameters
    ----------
    path : SEG-Y, SEG-2, delimited text, NetCDF or a described flat binary; the content decides, not the name.
    interval_ns : sample interval, where the file does not give it.
    interval_unit : what the integer interval field of a SEG-Y file counts, "us" or "ps".
    start, end : (x, y) of the first and last trace, m; without them the file's own coordinates are used, and
        where it has none, traces lie one metre apart along x.
    line : which line to take from a file that holds several.

    Returns
    -------
    Radargram (T, S) as in `yewline.model.make_radargram`; `attrs["notes"]` says what was assumed.

    Raises
    ------
    FormatError : the file cannot be read, or nothing gives its sample interval.
    InputError : the file has no such line, or only one of `start` and `end` was given.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> folder = pathlib.Path(tempfile.mkdtemp())
    >>> _ = (folder / "a.csv").write_text("x,y,t,amplitude\\n0,0,0,1\\n0,0,0.5,2\\n0.1,0,0,3\\n0.1,0,0.5,4\\n")
    >>> read_line(folder / "a.csv").values.tolist()
    [[1.0, 2.0], [3.0, 4.0]]
    """
    file = Path(path)
    recording = read_recording(file, ReadHints(interval_ns=interval_ns, interval_unit=interval_unit))
    if recording.interval_ns is None:
        raise FormatError("nothing gives the sample interval", where=file.name, do="give interval_ns or interval_unit")
    if (start is None) != (end is None):
        raise InputError("start and end go together", received=f"start {start}, end {end}")
    keep = np.ones(len(recording.amplitude), bool)
    if line is not None:
        known = [] if recording.line is None else sorted(set(recording.line.tolist()))
        if line not in known:
            raise InputError(f"no line {line!r} in {file.name}", received=", ".join(known) or "a file of one line")
        keep = np.asarray(recording.line == line, bool)
    n = int(keep.sum())
    notes = [note.text for note in recording.notes]
    if start is not None and end is not None:
        x, y = np.linspace(start[0], end[0], n), np.linspace(start[1], end[1], n)
    elif recording.x is not None and recording.y is not None:
        x, y = recording.x[keep], recording.y[keep]
    else:
        x, y = np.arange(n, dtype=float), np.zeros(n)
        notes.append("no positions: traces are taken to lie one metre apart")
    return make_radargram(
        np.nan_to_num(recording.amplitude[keep], nan=0.0, posinf=0.0, neginf=0.0),
        interval_ns=recording.interval_ns,
        start_ns=recording.delay_ns,
        x=x,
        y=y,
        attrs={
            "line": line or file.stem,
            "format": recording.format,
            "interval_source": recording.interval_source,
            "sha256": file_sha256(file),
            "notes": "; ".join(notes),
        },
    )
