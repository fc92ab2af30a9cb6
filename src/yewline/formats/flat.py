"""Reader and writer of flat binary files that a small TOML file beside them describes.

``line.bin`` is described by ``line.bin.toml``; so any recording of fixed-length records can be read.
"""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field, model_validator

from yewline._check import check_finite
from yewline.errors import FormatError, InputError
from yewline.formats.atomic import write_atomic
from yewline.formats.intervals import Statement, choose_interval
from yewline.formats.recorded import NO_HINTS, checked, map_bytes
from yewline.formats.write_checks import check_writable
from yewline.model import Finding, ReadHints, Recording, Settings, read_settings, read_toml

__all__ = ["FlatDescription", "can_read_flat", "description_path", "read_flat", "write_flat"]

_TYPES = {"int16": "i2", "uint16": "u2", "int32": "i4", "float32": "f4", "float64": "f8"}
_ORDERS = {"little": "<", "big": ">"}
_LINE_BYTES = {"int16": 2, "int32": 4, "text8": 8, "text16": 16}
_COORDINATE_TYPES = {"int32": "i4", "float32": "f4", "float64": "f8"}
_JUDGED_TRACES = 64


class FlatDescription(Settings):
    """All of the TOML file beside a flat binary.

    Offsets count bytes from 0 inside a trace header. `start_ns` is the time of the first sample; `scale` turns stored
    numbers into amplitudes, as a converter's volts for one count.
    """

    samples: int = Field(gt=0, le=1_000_000, description="samples in each trace")
    dtype: Literal["int16", "uint16", "int32", "float32", "float64"]
    byte_order: Literal["little", "big"]
    interval_ns: float | None = Field(default=None, gt=0)
    start_ns: float = 0.0
    scale: float = Field(default=1.0, allow_inf_nan=False, description="multiplies every sample")
    header_bytes: int = Field(default=0, ge=0)
    trace_header_bytes: int = Field(default=0, ge=0)
    trailing_bytes: int = Field(default=0, ge=0)
    traces: int | None = Field(default=None, ge=0, description="number of traces, checked against the file")
    line_offset: int | None = Field(default=None, ge=0)
    line_type: Literal["int16", "int32", "text8", "text16"] = "int32"
    x_offset: int | None = Field(default=None, ge=0)
    y_offset: int | None = Field(default=None, ge=0)
    coordinate_type: Literal["int32", "float32", "float64"] = "float64"
    coordinate_scale: float = Field(default=1.0, description="metres in one unit of the coordinates")

    @model_validator(mode="after")
    def _fields_inside_header(self) -> FlatDescription:
        if self.scale == 0:
            raise ValueError("scale must not be zero")
        if (self.x_offset is None) != (self.y_offset is None):
            raise ValueError("x_offset and y_offset must be given together")
        width = np.dtype(_COORDINATE_TYPES[self.coordinate_type]).itemsize
        for name, size in (("line_offset", _LINE_BYTES[self.line_type]), ("x_offset", width), ("y_offset", width)):
            offset = getattr(self, name)
            if offset is not None and offset + size > self.trace_header_bytes:
                raise ValueError(f"{name} lies outside the trace header of {self.trace_header_bytes} bytes")
        return self


def description_path(path: Path) -> Path:
    """The TOML file that describes a flat binary.

    Examples
    --------
    >>> description_path(Path("lines/a.bin")).as_posix()
    'lines/a.bin.toml'
    """
    return path.with_name(path.name + ".toml")


def can_read_flat(path: Path) -> bool:
    """Whether there is a description beside the file."""
    return description_path(path).is_file()


def read_flat(path: Path, hints: ReadHints = NO_HINTS) -> Recording:
    """Read a flat binary file with its description.

    Parameters
    ----------
    path : the file; it is opened for reading only.
    hints : the sample interval where the description has none.

    Returns
    -------
    recording with (T, S) float32 amplitude.

    Raises
    ------
    FormatError : truncated, without traces, or a length that does not fit the description.
    SettingsError : an unknown key or value in the description.
    """
    where = str(path)
    beside = description_path(path)
    about = read_settings(FlatDescription, read_toml(beside), str(beside))
    raw = map_bytes(path)
    dtype = np.dtype(_ORDERS[about.byte_order] + _TYPES[about.dtype])
    stride = about.trace_header_bytes + about.samples * dtype.itemsize
    n_trace = _trace_count(len(raw), about, stride, where)
    samples = _field(raw, about, stride, n_trace, about.trace_header_bytes, dtype, about.samples)
    with np.errstate(over="ignore", invalid="ignore"):
        if about.scale == 1:
            amplitude = samples.astype(np.float32, order="C", copy=True)
        else:
            amplitude = np.empty(samples.shape, np.float32)
            # In 64 bits, so that whole numbers beyond 2^24 are rounded once only.
            np.multiply(samples, about.scale, out=amplitude, dtype=np.float64, casting="unsafe")
    notes = [
        Finding("found", "format", f"flat binary, {about.dtype}, {about.byte_order}-endian, as described", where=where),
        *_doubtful_order(samples[:_JUDGED_TRACES], where, str(beside)),
    ]
    statements = [] if about.interval_ns is None else [Statement(about.interval_ns, f"interval_ns in {beside.name}")]
    if hints.interval_ns is not None:
        statements.append(Statement(hints.interval_ns, "the declared interval_ns"))
    interval, source, said = choose_interval(statements, where=where, without=f"no interval_ns in {beside.name}")
    x, y = (_coordinate(raw, about, stride, n_trace, offset) for offset in (about.x_offset, about.y_offset))
    return checked(
        Recording(
            amplitude=amplitude,
            interval_ns=interval,
            interval_source=source,
            format="flat",
            delay_ns=about.start_ns,
            x=x,
            y=y,
            coordinates="" if x is None else "metres",
            line=_lines(raw, about, stride, n_trace),
            notes=(*notes, *said),
        ),
        path,
    )


def _trace_count(size: int, about: FlatDescription, stride: int, where: str) -> int:
    rest = size - about.header_bytes - about.trailing_bytes
    if rest < 0:
        raise FormatError(
            "the file ends inside its header",
            where=f"{where}, byte {size}",
            received=f"{size} bytes, {about.header_bytes} of header and {about.trailing_bytes} at the end described",
            do="copy it again from the recorder, or mend the description",
        )
    count, over = divmod(rest, stride)
    if count == 0 and over == 0:
        raise FormatError(
            "no traces",
            where=f"{where}, byte {size}",
            received="0 traces",
            do="record the line again, or take the file out of lines.csv",
        )
    if over:
        raise FormatError(
            f"the file ends inside trace {count + 1}, or its sample count differs from the description",
            where=f"{where}, byte {size}",
            received=f"{count} whole traces of {stride} bytes, then {over} bytes",
            do="copy it again from the recorder, or mend the description",
        )
    if about.traces is not None and about.traces != count:
        raise FormatError(
            "the trace count differs from the description",
            where=f"{where}, byte {size}",
            received=f"{count} traces where the description says {about.traces}",
            do="copy it again from the recorder, or mend the description",
        )
    return count


def _field(
    raw: npt.NDArray[np.uint8], about: FlatDescription, stride: int, n_trace: int, offset: int,
    dtype: np.dtype[np.generic], width: int = 1,
) -> npt.NDArray[np.generic]:  # fmt: skip
    """A field of all traces, (T, width), as a view into the file."""
    return np.ndarray(
        (n_trace, width), dtype, buffer=raw.data, offset=about.header_bytes + offset, strides=(stride, dtype.itemsize)
    )


def _coordinate(
    raw: npt.NDArray[np.uint8], about: FlatDescription, stride: int, n_trace: int, offset: int | None
) -> npt.NDArray[np.float64] | None:
    if offset is None:
        return None
    dtype = np.dtype(_ORDERS[about.byte_order] + _COORDINATE_TYPES[about.coordinate_type])
    return _field(raw, about, stride, n_trace, offset, dtype)[:, 0].astype(np.float64) * about.coordinate_scale


def _lines(
    raw: npt.NDArray[np.uint8], about: FlatDescription, stride: int, n_trace: int
) -> npt.NDArray[np.str_] | None:
    if about.line_offset is None:
        return None
    size = _LINE_BYTES[about.line_type]
    if about.line_type in ("int16", "int32"):
        dtype = np.dtype(f"{_ORDERS[about.byte_order]}i{size}")
        return _field(raw, about, stride, n_trace, about.line_offset, dtype)[:, 0].astype(np.str_)
    cells = _field(raw, about, stride, n_trace, about.line_offset, np.dtype(f"S{size}"))[:, 0]
    return np.array([cell.decode("latin-1").strip() for cell in cells.tolist()])


def _doubtful_order(samples: npt.NDArray[np.generic], where: str, beside: str) -> tuple[Finding, ...]:
    """A warning where the other byte order gives a much smoother record, or floats of sensible size."""
    other = samples.byteswap()
    if samples.dtype.kind == "f":
        doubtful = _wild(samples) > 0.05 and _wild(other) < 0.01
    else:
        doubtful = samples.shape[1] >= 8 and _roughness(samples) > 4 * _roughness(other)
    if not doubtful:
        return ()
    return (
        Finding(
            grade="warning",
            code="byte-order-doubtful",
            text="wrong byte order? The samples would be far more like a radar record in the other one",
            where=where,
            received=f"first samples {', '.join(f'{v:.4g}' for v in samples[0, :4].tolist())}",
            do=f"try the other byte_order in {beside}",
        ),
    )


def _wild(samples: npt.NDArray[np.generic]) -> float:
    """Share of floats that no recorder writes: NaN, or of a size beyond 1e±25."""
    with np.errstate(invalid="ignore"):  # bytes in the wrong order may spell a signalling NaN
        size = np.abs(samples.astype(np.float64))
    return float(np.mean(~np.isfinite(size) | (size > 1e25) | ((size > 0) & (size < 1e-25))))


def _roughness(samples: npt.NDArray[np.generic]) -> float:
    """Mean step from sample to sample over the mean deviation: about 1.4 for noise, less for a waveform."""
    values = samples.astype(np.float64)
    spread = float(np.abs(values - np.median(values)).mean())
    return float(np.abs(np.diff(values, axis=1)).mean()) / spread if spread > 0 else 0.0


def write_flat(
    path: Path,
    amplitude: npt.ArrayLike,
    *,
    interval_ns: float,
    x: npt.ArrayLike | None = None,
    y: npt.ArrayLike | None = None,
    line: npt.ArrayLike | None = None,
    delay_ns: float = 0.0,
    dtype: str = "float32",
    byte_order: str = "little",
) -> None:
    """Write a flat binary file, and its description beside it.

    Parameters
    ----------
    path : file to write; the description goes to the same name with ``.toml`` added.
    amplitude : (T, S) samples.
    interval_ns : sample interval, ns.
    x, y : (T,) positions in metres, kept as 64-bit floats in the trace headers.
    line : (T,) label of the line that each trace belongs to, at most 16 ASCII characters.
    delay_ns : time of the first sample, ns.
    dtype : int16, uint16, int32, float32 or float64.
    byte_order : "little" or "big".

    Raises
    ------
    InputError : shapes do not fit, or values do not survive the number type.
    """
    data = check_writable(amplitude, interval_ns=interval_ns, x=x, y=y, line=line)
    if dtype not in _TYPES or byte_order not in _ORDERS:
        raise InputError(
            "unknown number type or byte order",
            received=f"{dtype}, {byte_order}",
            do=f"types: {', '.join(_TYPES)}; orders: little, big",
        )
    kind = _ORDERS[byte_order] + _TYPES[dtype]
    _check_survives(data.amplitude, np.dtype(kind))
    n_trace, n_sample = data.amplitude.shape
    keys = {
        "samples": n_sample,
        "traces": n_trace,
        "dtype": f'"{dtype}"',
        "byte_order": f'"{byte_order}"',
        "interval_ns": repr(data.interval_ns),
        "start_ns": repr(check_finite(delay_ns, "delay_ns")),
    }
    fields: list[tuple[str, str]] = []
    if data.line is not None:
        if any(not label.isascii() or not 0 < len(label) <= 16 for label in data.line.tolist()):
            raise InputError(
                "line labels must be 1 to 16 ASCII characters", received=repr(max(data.line.tolist(), key=len))
            )
        fields.append(("line", "S16"))
        keys |= {"line_offset": 0, "line_type": '"text16"'}
    if data.x is not None:
        at = 16 * len(fields)
        keys |= {"x_offset": at, "y_offset": at + 8, "coordinate_type": '"float64"'}
        fields += [("x", _ORDERS[byte_order] + "f8"), ("y", _ORDERS[byte_order] + "f8")]
    record = np.zeros(n_trace, np.dtype([*fields, ("samples", kind, (n_sample,))]))
    for name, values in (("line", data.line), ("x", data.x), ("y", data.y)):
        if values is not None:
            record[name] = values
    record["samples"] = data.amplitude
    keys["trace_header_bytes"] = record.dtype.itemsize - n_sample * np.dtype(kind).itemsize
    write_atomic(path, record.tobytes())
    text = "".join(f"{key} = {value}\n" for key, value in keys.items())
    write_atomic(description_path(path), text.encode())


def _check_survives(amplitude: npt.NDArray[np.float32], dtype: np.dtype[np.generic]) -> None:
    if dtype.kind == "f":
        return
    limits, exact = np.iinfo(dtype.str), amplitude.astype(np.float64)
    if not ((exact >= limits.min) & (exact <= limits.max) & (exact == np.rint(exact))).all():
        raise InputError("samples do not survive as integers", received=dtype.name, do="write float32")
