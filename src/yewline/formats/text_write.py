"""Writer of delimited text: a matrix with a time column, or long rows of x, y, t, amplitude."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from yewline._check import check_choice, check_finite
from yewline.errors import InputError
from yewline.formats.atomic import write_atomic
from yewline.formats.write_checks import Writable, check_writable

__all__ = ["TextOptions", "write_text"]


@dataclass(frozen=True, slots=True)
class TextOptions:
    """Choices that few callers need.

    Attributes
    ----------
    layout : "matrix" (a row a sample, times in the first column) or "long" (rows of x, y, t, amplitude).
    separator : comma, semicolon or tab.
    decimal_comma : write 0,5 for one half.
    """

    layout: str = "matrix"
    separator: str = ","
    decimal_comma: bool = False


def write_text(
    path: Path,
    amplitude: npt.ArrayLike,
    *,
    interval_ns: float,
    x: npt.ArrayLike | None = None,
    y: npt.ArrayLike | None = None,
    line: npt.ArrayLike | None = None,
    delay_ns: float = 0.0,
    options: TextOptions | None = None,
) -> None:
    """Write a delimited text file; nine digits keep each float32 exactly.

    Parameters
    ----------
    path : file to write.
    amplitude : (T, S) samples.
    interval_ns : sample interval, ns.
    x, y : (T,) positions in metres; the long layout needs them.
    line : (T,) label of the line that each trace belongs to.
    delay_ns : time of the first sample, ns.
    options : layout, separator, decimal mark.

    Raises
    ------
    InputError : shapes do not fit, separator and decimal mark are the same, or a label holds the separator.
    """
    chosen = options or TextOptions()
    data = check_writable(amplitude, interval_ns=interval_ns, x=x, y=y, line=line)
    check_choice(chosen.layout, "layout", ("matrix", "long"))
    check_choice(chosen.separator, "separator", (",", ";", "\t"))
    if chosen.decimal_comma and chosen.separator == ",":
        raise InputError("separator and decimal mark are both a comma", do="use ; or a tab as separator")
    delay = check_finite(delay_ns, "delay_ns")
    for label in () if data.line is None else set(data.line.tolist()):
        if not label.strip() or any(c in label for c in (chosen.separator, "\n", "\r", '"')) or label != label.strip():
            raise InputError("a line label cannot stand in this text file", received=repr(label))
    times = delay + data.interval_ns * np.arange(data.amplitude.shape[1], dtype=np.float64)
    rows = _matrix_rows(data, times, chosen) if chosen.layout == "matrix" else _long_rows(data, times, chosen)
    head = [
        f"# interval_ns = {_text(data.interval_ns, chosen)}",
        f"# traces = {data.amplitude.shape[0]}",
        f"# samples = {data.amplitude.shape[1]}",
    ]
    write_atomic(path, ("\n".join([*head, *rows]) + "\n").encode())


def _text(value: float, options: TextOptions) -> str:
    text = repr(float(value))
    return text.replace(".", ",") if options.decimal_comma else text


def _cells(values: npt.NDArray[np.generic], options: TextOptions) -> list[str]:
    cells = [f"{value:.9g}" for value in values.tolist()]
    return [cell.replace(".", ",") for cell in cells] if options.decimal_comma else cells


def _matrix_rows(data: Writable, times: npt.NDArray[np.float64], options: TextOptions) -> list[str]:
    separator = options.separator
    rows = ["# rows = samples"]
    for key, values in (("x", data.x), ("y", data.y)):
        if values is not None:
            rows.append(f"# {key} = " + separator.join(_text(value, options) for value in values.tolist()))
    if data.line is not None:
        rows.append("# line = " + separator.join(data.line.tolist()))
    rows.append(separator.join(["time_ns", *(f"trace_{k + 1}" for k in range(len(data.amplitude)))]))
    for time, samples in zip(_cells(times, options), data.amplitude.T, strict=True):
        rows.append(separator.join([time, *_cells(samples, options)]))
    return rows


def _long_rows(data: Writable, times: npt.NDArray[np.float64], options: TextOptions) -> list[str]:
    if data.x is None or data.y is None:
        raise InputError("the long layout needs x and y", do="give both, or write layout='matrix'")
    separator, named = options.separator, data.line is not None
    # Traces may share a position, so their number tells them apart.
    rows = [separator.join([*(["line"] if named else []), "trace", "x", "y", "time_ns", "amplitude"])]
    stamps = _cells(times, options)
    for k, samples in enumerate(data.amplitude):
        start = [] if data.line is None else [str(data.line[k])]
        start += [str(k + 1), _text(data.x[k], options), _text(data.y[k], options)]
        front = separator.join(start)
        rows += [separator.join((front, t, a)) for t, a in zip(stamps, _cells(samples, options), strict=True)]
    return rows
