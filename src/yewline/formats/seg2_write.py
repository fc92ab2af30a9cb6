"""Writer of SEG-2 files.

Reference: Pullan 1990, Geophysics 55(9):1260–1271.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

import numpy as np
import numpy.typing as npt

from yewline._check import check_choice, check_finite
from yewline.errors import InputError
from yewline.formats.atomic import write_atomic
from yewline.formats.seg2_blocks import FILE_ID, TRACE_ID
from yewline.formats.write_checks import check_writable

__all__ = ["Seg2Options", "write_seg2"]

_TYPES = {1: "i2", 2: "i4", 4: "f4", 5: "f8"}


@dataclass(frozen=True, slots=True)
class Seg2Options:
    """Choices that few callers need.

    Attributes
    ----------
    sample_format : 1 (16-bit integer), 2 (32-bit integer), 4 (32-bit float) or 5 (64-bit float).
    byte_order : "little" or "big".
    note : lines for the key NOTE.
    """

    sample_format: int = 4
    byte_order: str = "little"
    note: tuple[str, ...] = ()


def write_seg2(
    path: Path,
    amplitude: npt.ArrayLike,
    *,
    interval_ns: float,
    x: npt.ArrayLike | None = None,
    y: npt.ArrayLike | None = None,
    line: npt.ArrayLike | None = None,
    delay_ns: float = 0.0,
    options: Seg2Options | None = None,
) -> None:
    """Write a SEG-2 file; the interval is text in seconds, so any radar interval is kept exactly.

    Parameters
    ----------
    path : file to write.
    amplitude : (T, S) samples.
    interval_ns : sample interval, ns.
    x, y : (T,) positions in metres.
    line : (T,) label of the line that each trace belongs to.
    delay_ns : time of the first sample, ns.
    options : sample format, byte order, notes.

    Raises
    ------
    InputError : shapes do not fit, or samples do not survive the sample format.

    References
    ----------
    Pullan 1990, Geophysics 55(9):1260–1271.
    """
    chosen = options or Seg2Options()
    data = check_writable(amplitude, interval_ns=interval_ns, x=x, y=y, line=line)
    check_choice(chosen.byte_order, "byte_order", ("little", "big"))
    if chosen.sample_format not in _TYPES:
        raise InputError("sample_format must be 1, 2, 4 or 5", received=chosen.sample_format)
    n_trace, n_sample = data.amplitude.shape
    if n_trace > 65_535 // 4:
        raise InputError("too many traces for one SEG-2 file", received=n_trace, do="write several files")
    order = "<" if chosen.byte_order == "little" else ">"
    samples = _as_type(data.amplitude, order + _TYPES[chosen.sample_format])
    common = [f"SAMPLE_INTERVAL {_seconds(data.interval_ns)}", f"DELAY {_seconds(check_finite(delay_ns, 'delay_ns'))}"]
    blocks = []
    for k in range(n_trace):
        keys = [f"CHANNEL_NUMBER {k + 1}", *common]
        if data.line is not None:
            keys.append(f"LINE_ID {data.line[k]}")
        if data.x is not None and data.y is not None:
            keys.append(f"RECEIVER_LOCATION {float(data.x[k])!r} {float(data.y[k])!r} 0.0")
        strings = _strings(keys, order)
        raw = samples[k].tobytes()
        raw += bytes(-len(raw) % 4)
        head = struct.pack(order + "2H2IB19x", TRACE_ID, 32 + len(strings), len(raw), n_sample, chosen.sample_format)
        blocks.append(head + strings + raw)
    strings = _strings(["UNITS METERS", "INSTRUMENT RADAR", *_note(chosen.note)], order)
    start = 32 + 4 * n_trace + len(strings)
    pointers = start + np.concatenate([[0], np.cumsum([len(block) for block in blocks])])
    if pointers[-1] >= 2**32:
        raise InputError(
            "too many samples for one SEG-2 file", received=f"{pointers[-1]} bytes", do="write several files"
        )
    head = struct.pack(order + "4H6B18x", FILE_ID, 1, 4 * n_trace, n_trace, 1, 0, 0, 1, 10, 0)
    write_atomic(path, head + pointers[:-1].astype(order + "u4").tobytes() + strings + b"".join(blocks))


def _as_type(amplitude: npt.NDArray[np.float32], kind: str) -> npt.NDArray[np.generic]:
    dtype = np.dtype(kind)
    if dtype.kind == "f":
        return amplitude.astype(dtype)
    limits = np.iinfo(dtype)
    inside = (amplitude >= limits.min) & (amplitude <= limits.max) & (amplitude == np.rint(amplitude))
    # float32 cannot hold the largest 32-bit integer; what rounds up to it would wrap around.
    if not (inside & (amplitude.astype(np.float64) <= limits.max)).all():
        raise InputError(
            "samples do not survive as integers", received=f"{dtype.itemsize * 8}-bit", do="write sample format 4"
        )
    return amplitude.astype(dtype)


def _seconds(value_ns: float) -> str:
    """Nanoseconds as text in seconds, the decimal point moved so that no digit changes."""
    return str(Decimal(repr(float(value_ns))).scaleb(-9))


def _note(lines: tuple[str, ...]) -> list[str]:
    return ["NOTE " + "\n".join(lines)] if lines else []


def _strings(texts: list[str], order: str) -> bytes:
    """Strings with their offsets, ended by a zero offset and padded to whole 4-byte words."""
    out = b""
    for text in texts:
        if not text.isascii() or "\x00" in text:
            raise InputError("SEG-2 strings must be ASCII", received=repr(text))
        raw = text.encode("ascii") + b"\x00"
        out += struct.pack(order + "H", len(raw) + 2) + raw
    out += b"\x00\x00"
    return out + bytes(-len(out) % 4)
