"""Writer of SEG-Y files: revision 1 with a declared picosecond interval, or revision 2.0 with the exact one.

References: SEG-Y rev 1 (2002); SEG-Y rev 2.0 (2017), tables 2 and 3.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import segyio

from yewline._check import check_choice, check_finite
from yewline.errors import InputError
from yewline.formats.atomic import replacing
from yewline.formats.segy_headers import HEADER_BYTES
from yewline.formats.segy_text import TEXT_BYTES, encode_text, line_name_rows
from yewline.formats.write_checks import Writable, check_writable

__all__ = ["SegyOptions", "write_segy"]

_LONGEST_INT16 = 32_767


@dataclass(frozen=True, slots=True)
class SegyOptions:
    """Choices that few callers need.

    Attributes
    ----------
    sample_format : 1 (IBM floating point) or 5 (IEEE floating point).
    byte_order : "big" (the standard's first choice) or "little".
    text : rows for the text header, behind those that the writer fills in itself.
    """

    sample_format: int = 5
    byte_order: str = "big"
    text: tuple[str, ...] = ()


def write_segy(
    path: Path,
    amplitude: npt.ArrayLike,
    *,
    interval_ns: float,
    x: npt.ArrayLike | None = None,
    y: npt.ArrayLike | None = None,
    line: npt.ArrayLike | None = None,
    picoseconds: bool = False,
    delay_ns: float = 0.0,
    options: SegyOptions | None = None,
) -> None:
    """Write a SEG-Y file.

    Parameters
    ----------
    path : file to write.
    amplitude : (T, S) samples.
    interval_ns : sample interval, ns.
    x, y : (T,) positions in metres, kept to the millimetre where they fit the 32-bit fields.
    line : (T,) label of the line that each trace belongs to.
    picoseconds : true writes revision 1 with whole picoseconds in the integer field and says so in the text header,
        which older programs can read; false writes revision 2.0 with the exact interval.
    delay_ns : time of the first sample, whole nanoseconds (with `picoseconds`) or a multiple of 100 ns.
    options : sample format, byte order, further text.

    Raises
    ------
    InputError : shapes do not fit, or a value does not fit the field that the standard gives it.

    References
    ----------
    SEG-Y rev 1 (2002); SEG-Y rev 2.0 (2017).
    """
    chosen = options or SegyOptions()
    data = check_writable(amplitude, interval_ns=interval_ns, x=x, y=y, line=line)
    check_choice(chosen.byte_order, "byte_order", ("big", "little"))
    if chosen.sample_format not in (1, 5):
        raise InputError("sample_format must be 1 (IBM) or 5 (IEEE)", received=chosen.sample_format)
    if chosen.sample_format == 1 and not np.isfinite(data.amplitude).all():
        raise InputError("IBM floating point cannot hold NaN or infinity", do="write sample format 5")
    n_trace, n_sample = data.amplitude.shape
    if n_sample > 65_535:
        raise InputError("a trace may have at most 65535 samples", received=n_sample)
    integer = _integer_interval(data.interval_ns, picoseconds)
    delay, delay_scalar = _delay_field(check_finite(delay_ns, "delay_ns"), picoseconds)
    numbers, names = _line_numbers(data.line)
    extended = encode_text(line_name_rows(names)) if names else b""
    heads = _trace_fields(data, integer, delay, delay_scalar, numbers)
    spec = segyio.spec()
    spec.format, spec.endian = chosen.sample_format, chosen.byte_order
    spec.samples, spec.tracecount = np.arange(n_sample), n_trace
    spec.ext_headers = len(extended) // TEXT_BYTES
    with replacing(path) as draft:
        with segyio.create(str(draft), spec) as file:
            file.text[0] = encode_text(_text_rows(data, picoseconds, chosen)).decode("cp037").encode("ascii", "replace")
            for k in range(n_trace):
                file.header[k] = {field: int(values[k]) for field, values in heads.items()}
            file.trace.raw[:] = data.amplitude.copy()  # segyio converts to IBM floats inside the caller's array
        _patch(draft, data, integer=integer, exact=not picoseconds, options=chosen, extended=extended)


def _integer_interval(interval_ns: float, picoseconds: bool) -> int:
    if not picoseconds:
        return min(round(interval_ns * 1e-3), _LONGEST_INT16)
    count = round(interval_ns * 1e3)
    if not 1 <= count <= _LONGEST_INT16:
        raise InputError(
            "the interval does not fit a 16-bit count of picoseconds",
            received=f"{interval_ns:g} ns",
            do="write with picoseconds=False: revision 2.0 holds any interval",
        )
    return count


def _delay_field(delay_ns: float, picoseconds: bool) -> tuple[int, int]:
    """The delay in bytes 109–110 and its scalar in bytes 215–216."""
    # In a file that counts picoseconds where the standard has microseconds, milliseconds become nanoseconds.
    count, scalar = (delay_ns, 0) if picoseconds else (delay_ns / 100.0, -10_000)
    whole = round(count)
    if abs(count - whole) > 1e-6 or abs(whole) > _LONGEST_INT16:
        unit = "whole nanoseconds" if picoseconds else "multiples of 100 ns"
        raise InputError(f"the delay field holds {unit} only", received=f"{delay_ns:g} ns")
    return whole, scalar if whole else 0


def _line_numbers(line: npt.NDArray[np.str_] | None) -> tuple[npt.NDArray[np.int64] | None, dict[int, str]]:
    """A number for each label in order of appearance; whole numbers keep their value."""
    if line is None:
        return None, {}
    labels = list(dict.fromkeys(line.tolist()))
    longest = max(len(label) for label in labels)
    if longest > 50 or any(not label.strip() or not label.isprintable() or not label.isascii() for label in labels):
        raise InputError("line labels must be 1 to 50 printable ASCII characters", received=repr(max(labels, key=len)))
    plain = all(label.isdecimal() and str(int(label)) == label and int(label) < 2**31 for label in labels)
    number = {label: int(label) if plain else k for k, label in enumerate(labels, start=1)}
    return np.array([number[label] for label in line.tolist()]), {number[label]: label for label in labels}


def _trace_fields(
    data: Writable, integer: int, delay: int, delay_scalar: int, numbers: npt.NDArray[np.int64] | None
) -> dict[int, npt.NDArray[np.int64]]:
    """Trace header fields, (T,) each, by first byte."""
    n_trace, n_sample = data.amplitude.shape
    order = np.arange(1, n_trace + 1)
    heads = {1: order, 5: order, 29: np.ones(n_trace, np.int64)}
    constant = {109: delay, 115: n_sample, 117: integer, 215: delay_scalar}
    heads |= {byte: np.full(n_trace, value) for byte, value in constant.items() if value}
    if numbers is not None:
        heads |= {9: numbers, 189: numbers}
    if data.x is not None and data.y is not None:
        scale = _coordinate_scale(max(np.abs(data.x).max(), np.abs(data.y).max()))
        x, y = np.rint(data.x * scale).astype(np.int64), np.rint(data.y * scale).astype(np.int64)
        heads |= {73: x, 77: y, 81: x, 85: y, 181: x, 185: y}
        heads |= {71: np.full(n_trace, -scale if scale > 1 else 1), 89: np.ones(n_trace, np.int64)}
    return heads


def _coordinate_scale(largest: float) -> int:
    for scale in (1000, 100, 10, 1):
        if largest * scale < 2**31 - 1:
            return scale
    raise InputError("coordinates do not fit 32-bit fields", received=f"{largest:g} m")


def _text_rows(data: Writable, picoseconds: bool, options: SegyOptions) -> list[str]:
    unit = "PICOSECONDS (IN PLACE OF MICROSECONDS)" if picoseconds else "MICROSECONDS; EXACT VALUE IN BYTES 3273-3280"
    rows = [
        "GROUND-PENETRATING RADAR",
        f"SAMPLE INTERVAL UNIT: {unit}",
        f"SAMPLE INTERVAL: {data.interval_ns!r} NS",
        f"TRACES: {len(data.amplitude)}  SAMPLES: {data.amplitude.shape[1]}",
    ]
    if picoseconds:
        rows.append("DELAY RECORDING TIME UNIT: NANOSECONDS (IN PLACE OF MILLISECONDS)")
    if data.x is not None:
        rows.append("COORDINATES: METRES, SCALAR IN TRACE HEADER BYTES 71-72")
    if data.line is not None:
        rows.append("LINE NUMBER: TRACE HEADER BYTES 189-192, NAMES IN EXTENDED TEXT HEADER")
    rows += list(options.text)
    if len(rows) > 38:
        raise InputError("too many rows of text", received=len(rows), do="a text header has 40 rows, two are taken")
    end = "END TEXTUAL HEADER" if not picoseconds else "END EBCDIC"
    last = [f"SEG Y REV{1 if picoseconds else 2}", end]
    rows = rows + [""] * (38 - len(rows)) + last
    return [f"C{k:>2} {row}" for k, row in enumerate(rows, start=1)]


def _patch(path: Path, data: Writable, *, integer: int, exact: bool, options: SegyOptions, extended: bytes) -> None:
    """Fill in the fields of the file headers that segyio leaves alone."""
    order = ">" if options.byte_order == "big" else "<"
    n_trace, n_sample = data.amplitude.shape
    fields: list[tuple[int, str, Any]] = [
        # Traces in an ensemble: one. segyio writes the number of all traces, which overflows the field.
        (3213, "h", 1), (3215, "h", 0),
        (3217, "H", integer), (3219, "H", integer), (3255, "h", 1), (3503, "h", 1),
    ]  # fmt: skip
    if exact:
        interval_us = data.interval_ns * 1e-3
        fields += [
            (3269, "I", n_sample), (3273, "d", interval_us), (3281, "d", interval_us), (3289, "I", n_sample),
            (3297, "I", 0x01020304), (3501, "B", 2), (3502, "B", 0), (3513, "Q", n_trace),
            (3521, "Q", HEADER_BYTES + len(extended)),
        ]  # fmt: skip
    else:
        fields.append((3501, "H", 0x0100))
    with path.open("r+b") as handle:
        for byte, kind, value in fields:
            handle.seek(byte - 1)
            handle.write(struct.pack(order + kind, value))
        handle.seek(HEADER_BYTES)
        handle.write(extended)
