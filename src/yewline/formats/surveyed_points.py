"""Points that were surveyed: heights of the ground and tracks with time, brought to site metres."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from yewline.errors import FormatError, FrameError
from yewline.formats.number_table import Column, NumberTable, read_numbers
from yewline.formats.site_metres import FAR_M, points_to_site
from yewline.model import Finding, Frame, Grid

__all__ = ["read_elevation", "read_trace_times", "read_track", "seconds_of"]

ToGrid = Callable[[str], Grid | None]

_PLACES = {
    ("x", "y"): "site",
    ("easting", "northing"): "projected",
    ("longitude", "latitude"): "degrees",
}
_COORDINATES = (
    Column("x", -1e7, 1e7),
    Column("y", -1e7, 1e7),
    Column("easting", -1e8, 1e8),
    Column("northing", -1e8, 1e8),
    Column("longitude", -180.0, 180.0),
    Column("latitude", -90.0, 90.0),
)
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}(?:[.,]\d+)?))?")


def read_elevation(path: Path, *, frame: Frame, to_site: ToGrid | None = None) -> tuple[pd.DataFrame, list[Finding]]:
    """Read heights of the ground.

    Columns: x and y in site metres (with a column grid: of that grid), or easting and northing of the frame's system,
    or longitude and latitude (WGS 84); and z, height in metres above any level datum, upward.

    Parameters
    ----------
    path : the table.
    frame : the site's.
    to_site : gives the grid of a name; needed where the column grid is used.

    Returns
    -------
    points : columns x, y, z [m], row.
    findings : layout detected, what was transformed, and a fault for each row left out.

    Raises
    ------
    FormatError : the table cannot be read, or does not say in which of the three ways places are given.
    FrameError : places in another system than a local frame's, or far from the site.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     table = Path(folder) / "elevation.csv"
    ...     _ = table.write_text("x,y,z\\n0,0,101.2\\n5,0,101.5\\n")
    ...     points, _ = read_elevation(table, frame=Frame())
    >>> points[["x", "z"]].values.tolist()
    [[0.0, 101.2], [5.0, 101.5]]
    """
    columns = (*_COORDINATES, Column("z", -500.0, 9000.0))
    table = read_numbers(path, columns, texts=("grid",), required=(_either(), "z"))
    placed, findings = _placed(table, frame, to_site)
    return placed[["x", "y", "z", "row"]], findings


def read_track(path: Path, *, frame: Frame, to_site: ToGrid | None = None) -> tuple[pd.DataFrame, list[Finding]]:
    """Read a track: positions from a satellite receiver or a total station, in the order logged.

    Columns: places as for `read_elevation`; when: time (seconds, a clock as 10:21:33.2, or date and time as
    2031-05-14T10:21:33.2), or line and trace where positions were logged by trace number, or both; and, if known, z and
    sigma_m (one standard deviation per axis).

    Returns
    -------
    fixes : columns time_s (NaN without times), clock (how times were written), line, trace (NaN without), x, y, z
        (NaN without), sigma_m (NaN without), row.
    findings : layout detected, what was transformed, and a fault for each row left out.

    Raises
    ------
    FormatError, FrameError : as for `read_elevation`; also where neither time nor trace is there.
    """
    columns = (
        *_COORDINATES,
        Column("trace", 1, 1e9, blank=np.nan, whole=True),
        Column("z", -500.0, 9000.0, blank=np.nan),
        Column("sigma_m", 0.001, 100.0, blank=np.nan),
    )
    table = read_numbers(
        path,
        columns,
        texts=("grid", "line", "time"),
        required=(_either(), ("time", "trace")),
        convert={"time": seconds_of},
    )
    if "trace" in table.columns and "line" not in table.columns:
        raise FormatError(
            "a trace number without the line that it belongs to",
            where=table.where,
            received=", ".join(table.columns),
            do="add a column line",
        )
    placed, findings = _placed(table, frame, to_site)
    return _timed(placed, table.where)[["time_s", "clock", "line", "trace", "x", "y", "z", "sigma_m", "row"]], findings


def read_trace_times(path: Path) -> tuple[pd.DataFrame, list[Finding]]:
    """Read when traces were recorded: columns line, trace (from 1) and time, written as in the track.

    Two rows a line are enough where traces were recorded at an even pace: the first trace and the last.

    Returns
    -------
    times : columns line, trace, time_s, clock, row.
    findings : layout detected, and a fault for each row left out.

    Raises
    ------
    FormatError : the table cannot be read, or a time is missing.
    """
    table = read_numbers(
        path,
        (Column("trace", 1, 1e9, whole=True),),
        texts=("line", "time"),
        required=("line", "trace", "time"),
        convert={"time": seconds_of},
    )
    timed = _timed(table.rows, table.where)
    if timed["time_s"].isna().any():
        raise FormatError("a trace without its time", where=table.where, do="fill in time, or remove the row")
    return timed[["line", "trace", "time_s", "clock", "row"]], table.findings


def seconds_of(text: str) -> tuple[float, str]:
    """A time as seconds, and the way it was written: "seconds", "clock", "date" or "date with zone".

    Raises
    ------
    ValueError : it is none of them.

    Examples
    --------
    >>> seconds_of("10:00:01.5"), seconds_of("12.25")
    ((36001.5, 'clock'), (12.25, 'seconds'))
    """
    clock = _CLOCK.fullmatch(text.strip())
    if clock:
        hours, minutes, seconds = clock[1], clock[2], (clock[3] or "0").replace(",", ".")
        return 3600.0 * int(hours) + 60.0 * int(minutes) + float(seconds), "clock"
    try:
        number = float(text)
    except ValueError:
        try:
            when = dt.datetime.fromisoformat(text.strip())
        except ValueError as error:
            raise ValueError("neither seconds, a clock such as 10:21:33, nor a date and time") from error
        zone = when.tzinfo is not None
        return (when if zone else when.replace(tzinfo=dt.UTC)).timestamp(), "date with zone" if zone else "date"
    if not np.isfinite(number):
        raise ValueError("not a finite number of seconds")
    return number, "seconds"


def _either() -> tuple[str, ...]:
    return tuple(names[0] for names in _PLACES)


def _placed(table: NumberTable, frame: Frame, to_site: ToGrid | None) -> tuple[pd.DataFrame, list[Finding]]:
    """The same rows with x and y in site metres."""
    given = [(names, kind) for names, kind in _PLACES.items() if set(names) <= set(table.columns)]
    if len(given) != 1:
        problem = "places are given in more than one way" if given else "places are given by half"
        raise FormatError(
            problem,
            where=table.where,
            received=", ".join(table.columns),
            do="keep x and y, or easting and northing, or longitude and latitude",
        )
    (names, kind), rows = given[0], table.rows
    findings = list(table.findings)
    there = rows[list(names)].to_numpy(np.float64)
    if kind == "site":
        site = _by_grid(there, rows["grid"].astype(str).tolist(), to_site, table.where)
    else:
        site = points_to_site(there, frame, degrees=kind == "degrees", where=table.where)
        text = "longitude and latitude on WGS 84" if kind == "degrees" else "eastings and northings"
        findings.append(Finding("found", "points-transformed", f"{text} brought to site metres", where=table.where))
    _refuse_far(site, frame, table.where)
    return rows.assign(x=site[:, 0], y=site[:, 1]), findings


def _by_grid(
    there: npt.NDArray[np.float64], names: list[str], to_site: ToGrid | None, where: str
) -> npt.NDArray[np.float64]:
    site = there.copy()
    for name in sorted({name for name in names if name}):
        grid = None if to_site is None else to_site(name)
        if grid is None:
            raise FormatError(f"there is no grid '{name}'", where=where, received=name, do="add it to site.toml")
        mine = [k for k, each in enumerate(names) if each == name]
        site[mine] = grid.to_site(there[mine])
    return site


def _refuse_far(site: npt.NDArray[np.float64], frame: Frame, where: str) -> None:
    if not frame.control:
        return
    middle = np.mean([(point.x, point.y) for point in frame.control], axis=0)
    far = float(np.hypot(*(site - middle).T).min())
    if not far <= 10 * FAR_M:
        raise FrameError(
            "the points lie far from the site's control points",
            where=where,
            received=f"{far / 1000:.0f} km away",
            do="check the system, its zone, and the order of the axes",
        )


def _timed(rows: pd.DataFrame, where: str) -> pd.DataFrame:
    """The same rows with times in seconds; written in one way throughout."""
    times = [(np.nan, "") if isinstance(each, str) else each for each in rows["time"]]
    ways = sorted({way for _, way in times if way})
    if len(ways) > 1:
        raise FormatError(
            "times are written in more than one way", where=where, received=", ".join(ways), do="keep one"
        )
    way = ways[0] if ways else ""
    return rows.assign(time_s=[seconds for seconds, _ in times], clock=way)
