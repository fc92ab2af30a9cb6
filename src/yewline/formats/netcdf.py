"""Reader and writer of NetCDF files after the CF conventions.

Classic files (NetCDF-3) are read and written through SciPy; NetCDF-4 files, which are HDF5, are read through
h5netcdf. Reference: NetCDF Climate and Forecast (CF) Metadata Conventions, version 1.11.
"""

from __future__ import annotations

import io
import re
from pathlib import Path

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline._check import check_finite
from yewline.errors import FormatError
from yewline.formats.atomic import replacing
from yewline.formats.intervals import Statement, choose_interval, unit_ns
from yewline.formats.recorded import NO_HINTS, checked, map_bytes
from yewline.formats.write_checks import check_writable
from yewline.model import Finding, ReadHints, Recording, version

__all__ = ["can_read_netcdf", "read_netcdf", "write_netcdf"]

_CLASSIC = (b"CDF\x01", b"CDF\x02")
_HDF5 = b"\x89HDF\r\n\x1a\n"
_TIMES = ("time", "twt", "twtt", "two_way_time", "t")
_LENGTHS = dict.fromkeys(("m", "metre", "metres", "meter", "meters"), "metres") | dict.fromkeys(
    ("ft", "foot", "feet"), "feet"
)


def can_read_netcdf(path: Path) -> bool:
    """Whether the file begins like a classic NetCDF or an HDF5 file."""
    with path.open("rb") as handle:
        head = handle.read(8)
    return head[:4] in _CLASSIC or head == _HDF5


def read_netcdf(path: Path, hints: ReadHints = NO_HINTS) -> Recording:
    """Read a NetCDF file that holds one variable over (trace, time).

    The variable is the one called ``amplitude``, or the only one with two dimensions of which one has a time
    coordinate with units of ps, ns, us, ms or s.

    Parameters
    ----------
    path : the file; it is opened for reading only.
    hints : the sample interval where the file has no times.

    Returns
    -------
    recording with (T, S) float32 amplitude.

    Raises
    ------
    FormatError : truncated, not NetCDF, no such variable, or times that do not step evenly.

    References
    ----------
    CF conventions 1.11.
    """
    where = str(path)
    raw = map_bytes(path).tobytes()
    table = _open(raw, where)
    variable, trace, time = _amplitude(table, where)
    data = variable.transpose(trace, time)
    interval, source, delay, said = _interval(table, time, hints, where)
    x, y, words = _positions(table, trace)
    values = np.asarray(data.values)
    with np.errstate(over="ignore", invalid="ignore"):
        amplitude = np.ascontiguousarray(values.astype(np.float32, copy=True))
    kind = "NetCDF-4" if raw[:8] == _HDF5 else "classic NetCDF"
    conventions = table.attrs.get("Conventions", "no conventions named")
    text = f"{kind}, {conventions}, variable {variable.name!r} over ({trace}, {time})"
    return checked(
        Recording(
            amplitude=amplitude,
            interval_ns=interval,
            interval_source=source,
            format="netcdf",
            delay_ns=delay,
            x=x,
            y=y,
            coordinates=words,
            line=_lines(table, trace),
            notes=(Finding("found", "format", text, where=where), *said),
        ),
        path,
    )


def _open(raw: bytes, where: str) -> xr.Dataset:
    engine = "h5netcdf" if raw[:8] == _HDF5 else "scipy"
    try:
        return xr.load_dataset(io.BytesIO(raw), engine=engine, decode_times=False)
    # A damaged file makes the libraries underneath raise nearly anything, from struct errors to lack of memory.
    except Exception as error:
        reason = str(error).strip().splitlines()
        raise FormatError(
            f"the file cannot be read as NetCDF: {reason[0] if reason else type(error).__name__}",
            where=f"{where}, byte {len(raw)}",
            received=f"{len(raw)} bytes",
            do="copy it again from the recorder; the file may be cut off",
        ) from error


def _amplitude(table: xr.Dataset, where: str) -> tuple[xr.DataArray, str, str]:
    """The variable with the samples, its trace dimension, its time dimension."""
    numeric = {str(name): each for name, each in table.data_vars.items() if each.ndim == 2 and each.dtype.kind in "fiu"}
    fitting = {name: dims for name, each in numeric.items() if (dims := _dimensions(table, each)) is not None}
    name = "amplitude" if "amplitude" in fitting else next(iter(fitting), None)
    if name is None or (name != "amplitude" and len(fitting) > 1):
        raise FormatError(
            "no variable over (trace, time)" if name is None else "several variables over (trace, time)",
            where=where,
            received=", ".join(f"{n}{each.dims}" for n, each in table.variables.items()) or "no variables",
            do="name the samples 'amplitude' and give the dimension 'time' a coordinate with units",
        )
    return numeric[name], *fitting[name]


def _dimensions(table: xr.Dataset, variable: xr.DataArray) -> tuple[str, str] | None:
    first, second = (str(dim) for dim in variable.dims)
    for trace, time in ((first, second), (second, first)):
        units = str(table[time].attrs.get("units", "")) if time in table.coords else ""
        if time.lower() in _TIMES or unit_ns(units) is not None:
            return trace, time
    return None


def _interval(
    table: xr.Dataset, time: str, hints: ReadHints, where: str
) -> tuple[float | None, str, float, tuple[Finding, ...]]:
    hinted = [] if hints.interval_ns is None else [Statement(hints.interval_ns, "the declared interval_ns")]
    if time not in table.coords:
        return *choose_interval(hinted, where=where, without=f"no coordinate {time!r}")[:2], 0.0, ()
    times = np.asarray(table[time].values, dtype=np.float64)
    units = str(table[time].attrs.get("units", ""))
    scale = unit_ns(units)
    if scale is None:
        without = f"coordinate {time!r} has " + (f"units {units!r}" if units else "no units")
        return *choose_interval(hinted, where=where, without=without)[:2], 0.0, ()
    if len(times) < 2:
        return *choose_interval(hinted, where=where, without="a single sample")[:2], float(times.sum() * scale), ()
    step = (times[-1] - times[0]) / (len(times) - 1)
    off = np.abs(times - (times[0] + step * np.arange(len(times))))
    if not np.isfinite(times).all() or step <= 0 or off.max() > 1e-3 * step:
        raise FormatError(
            "times do not step evenly upward",
            where=where,
            received=f"coordinate {time!r}, sample {int(np.argmax(off)) + 1}",
            do="export the line with one sample interval",
        )
    statement = Statement(_shortest(times, step) * scale, f"the coordinate {time!r} in {units}")
    interval, source, notes = choose_interval([statement, *hinted], where=where, without="")
    return interval, source, float(times[0] * scale), notes


def _shortest(times: npt.NDArray[np.float64], step: float) -> float:
    """The step with the fewest digits that gives the times back to within rounding."""
    size = 1e-12 * max(abs(float(times[0])), abs(float(times[-1])))
    candidates = (float(f"{step:.{digits}g}") for digits in range(1, 18))
    return next((c for c in candidates if abs(c - step) * (len(times) - 1) <= 2 * size), float(step))


def _positions(
    table: xr.Dataset, trace: str
) -> tuple[npt.NDArray[np.float64] | None, npt.NDArray[np.float64] | None, str]:
    for names in (("x", "y"), ("lon", "lat"), ("longitude", "latitude")):
        if all(name in table.variables and table[name].dims == (trace,) for name in names):
            xs, ys = (np.asarray(table[name].values, dtype=np.float64) for name in names)
            units = str(table[names[0]].attrs.get("units", ""))
            degrees = names != ("x", "y") or re.match(r"degrees?(_|$)", units)
            return xs, ys, "degrees" if degrees else _LENGTHS.get(units.lower(), "length, as in the file")
    return None, None, ""


def _lines(table: xr.Dataset, trace: str) -> npt.NDArray[np.str_] | None:
    if "line" not in table.variables or table["line"].dims != (trace,):
        return None
    values = table["line"].values
    return np.array([v.decode("utf-8", "replace") if isinstance(v, bytes) else str(v) for v in values.tolist()])


def write_netcdf(
    path: Path,
    amplitude: npt.ArrayLike,
    *,
    interval_ns: float,
    x: npt.ArrayLike | None = None,
    y: npt.ArrayLike | None = None,
    line: npt.ArrayLike | None = None,
    delay_ns: float = 0.0,
    title: str = "Ground-penetrating radar line",
) -> None:
    """Write a classic NetCDF file after CF-1.11; the same arguments give the same bytes.

    Parameters
    ----------
    path : file to write.
    amplitude : (T, S) samples.
    interval_ns : sample interval, ns.
    x, y : (T,) positions in metres.
    line : (T,) label of the line that each trace belongs to.
    delay_ns : time of the first sample, ns.
    title : global attribute.

    Raises
    ------
    InputError : shapes do not fit together.

    References
    ----------
    CF conventions 1.11, section 2.6.2 and chapter 9 (each trace is a time series at a place; its time is travel
    time, not a date).
    """
    data = check_writable(amplitude, interval_ns=interval_ns, x=x, y=y, line=line)
    start = check_finite(delay_ns, "delay_ns")
    n_trace, n_sample = data.amplitude.shape
    coords: dict[str, tuple[str, npt.NDArray[np.generic], dict[str, str]]] = {
        "time": (
            "time",
            start + data.interval_ns * np.arange(n_sample),
            {"units": "ns", "long_name": "two-way travel time"},
        ),
        "trace": (
            "trace",
            np.arange(1, n_trace + 1, dtype=np.int32),
            {"long_name": "trace number", "cf_role": "timeseries_id"},
        ),
    }
    if data.x is not None and data.y is not None:
        coords["x"] = ("trace", data.x, {"units": "m", "long_name": "x"})
        coords["y"] = ("trace", data.y, {"units": "m", "long_name": "y"})
    if data.line is not None:
        coords["line"] = ("trace", data.line.astype("S"), {"long_name": "line"})
    table = xr.Dataset(
        {"amplitude": (("trace", "time"), data.amplitude, {"units": "1", "long_name": "radar amplitude"})},
        coords=coords,
        attrs={
            "Conventions": "CF-1.11",
            "title": title,
            "source": "ground-penetrating radar",
            "history": f"written by yewline {version()}",
            "featureType": "timeSeries",
        },
    )
    # A fill value would turn samples that are NaN in the recording into "missing".
    encoding = {str(name): {"_FillValue": None} for name in table.variables if table[name].dtype.kind == "f"}
    with replacing(path) as draft:
        table.to_netcdf(draft, engine="scipy", format="NETCDF3_64BIT", encoding=encoding)
