"""The blocks of a SEG-2 file: file descriptor, trace descriptors, strings, samples of all five formats.

Reference: Pullan 1990, Geophysics 55(9):1260–1271.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline.errors import FormatError

__all__ = [
    "FILE_ID",
    "TRACE_ID",
    "FileBlock",
    "TraceBlock",
    "convert_seg2_samples",
    "read_file_block",
    "read_trace_block",
]

FILE_ID, TRACE_ID = 0x3A55, 0x4422
_DESCRIPTOR_BYTES = 32
_PLAIN_TYPES = {1: "i2", 2: "i4", 4: "f4", 5: "f8"}


@dataclass(frozen=True, slots=True)
class FileBlock:
    """File descriptor: byte order, revision, where each trace's block begins, terminators, strings by key."""

    order: str
    revision: int
    pointers: tuple[int, ...]
    string_end: bytes
    line_end: bytes
    strings: dict[str, str]


@dataclass(frozen=True, slots=True)
class TraceBlock:
    """Trace descriptor: where the samples begin, their number, format and block size, strings by key."""

    first: int
    n_sample: int
    code: int
    data_bytes: int
    strings: dict[str, str]


def read_file_block(raw: npt.NDArray[np.uint8], where: str) -> FileBlock:
    """Read the file descriptor block.

    Raises
    ------
    FormatError : not a SEG-2 file, truncated, or without traces.
    """
    head = bytes(raw[:_DESCRIPTOR_BYTES])
    order = {b"\x55\x3a": "<", b"\x3a\x55": ">"}.get(head[:2])
    if order is None:
        raise FormatError(
            "not a SEG-2 file",
            where=f"{where}, byte 0",
            received=head[:2].hex(),
            do="the first two bytes must be 553a or 3a55",
        )
    if len(head) < _DESCRIPTOR_BYTES:
        raise _ends(where, len(raw), "the file descriptor")
    revision, pointer_bytes, n_trace = struct.unpack_from(order + "3H", head, 2)
    if n_trace == 0:
        raise FormatError(
            "no traces",
            where=f"{where}, bytes 6-7",
            received="0 traces",
            do="record the line again, or take the file out of lines.csv",
        )
    if n_trace * 4 > pointer_bytes:
        raise FormatError(
            "the trace pointers do not hold as many traces as the header counts",
            where=f"{where}, bytes 4-7",
            received=f"{n_trace} traces, {pointer_bytes} bytes of pointers",
            do="copy it again from the recorder",
        )
    if _DESCRIPTOR_BYTES + pointer_bytes > len(raw):
        raise _ends(where, len(raw), "the trace pointers")
    pointers = struct.unpack_from(
        f"{order}{n_trace}I", bytes(raw[: _DESCRIPTOR_BYTES + 4 * n_trace]), _DESCRIPTOR_BYTES
    )
    string_end = head[9 : 9 + min(head[8], 2)] or b"\x00"
    line_end = head[12 : 12 + min(head[11], 2)] or b"\n"
    strings = _strings(raw, _DESCRIPTOR_BYTES + pointer_bytes, min(min(pointers), len(raw)), order, string_end)
    return FileBlock(order, revision, pointers, string_end, line_end, strings)


def read_trace_block(raw: npt.NDArray[np.uint8], file: FileBlock, number: int, where: str) -> TraceBlock:
    """Read the descriptor of trace `number` (from 1).

    Raises
    ------
    FormatError : the pointer leads elsewhere, the file ends, or the data block cannot hold the samples.
    """
    start = file.pointers[number - 1]
    place = f"{where}, trace {number}"
    if start + _DESCRIPTOR_BYTES > len(raw):
        raise _ends(where, len(raw), f"trace {number}")
    head = bytes(raw[start : start + _DESCRIPTOR_BYTES])
    identity, block_bytes, data_bytes, n_sample, code = struct.unpack_from(file.order + "2H2IB", head)
    if identity != TRACE_ID:
        raise FormatError(
            "a trace pointer does not lead to a trace",
            where=f"{place} (byte {start})",
            received=head[:2].hex(),
            do="copy it again from the recorder",
        )
    if code != 3 and code not in _PLAIN_TYPES:
        raise FormatError(
            "unknown sample format code", where=f"{place} (byte {start + 12})", received=code, do="codes are 1 to 5"
        )
    needed = _bytes_of(n_sample, code)
    if data_bytes < needed:
        raise FormatError(
            "the sample count differs from the header: the data block cannot hold the samples",
            where=f"{place} (byte {start + 4})",
            received=f"{n_sample} samples need {needed} bytes, the block has {data_bytes}",
            do="have the file exported again",
        )
    first = start + block_bytes
    if block_bytes < _DESCRIPTOR_BYTES or first + needed > len(raw):
        raise _ends(where, len(raw), f"trace {number}")
    strings = _strings(raw, start + _DESCRIPTOR_BYTES, first, file.order, file.string_end)
    return TraceBlock(first, n_sample, code, data_bytes, strings)


def _ends(where: str, size: int, inside: str) -> FormatError:
    return FormatError(
        f"the file ends inside {inside}",
        where=f"{where}, byte {size}",
        received=f"{size} bytes",
        do="copy it again from the recorder",
    )


def _bytes_of(n_sample: int, code: int) -> int:
    if code == 3:  # groups of four samples: one word of exponents, four of mantissas
        return -(-n_sample // 4) * 10
    return n_sample * np.dtype(_PLAIN_TYPES[code]).itemsize


def _strings(raw: npt.NDArray[np.uint8], start: int, stop: int, order: str, end: bytes) -> dict[str, str]:
    """Strings "KEY value" between two bytes; each begins with the offset to the next, and zero ends them."""
    found: dict[str, str] = {}
    at, block = 0, bytes(raw[start : max(start, stop)])
    while at + 2 <= len(block):
        (step,) = struct.unpack_from(order + "H", block, at)
        if step < 2:
            break
        text = block[at + 2 : at + step].split(end, 1)[0].rstrip(b"\x00").decode("latin-1").strip()
        key, _, value = text.partition(" ")
        if key:
            found[key.upper()] = value.strip()
        at += step
    return found


def convert_seg2_samples(raw: npt.NDArray[np.uint8], block: TraceBlock, order: str) -> npt.NDArray[np.float64]:
    """Samples of one trace, (S,) float64, before descaling.

    Notes
    -----
    Format 3 packs four samples in five 16-bit words: a word of four 4-bit exponents (the first sample's in the
    lowest bits), then four mantissas in one's complement; the value is mantissa · 2^exponent.
    """
    data = raw[block.first : block.first + _bytes_of(block.n_sample, block.code)]
    if block.code != 3:
        return np.frombuffer(data.tobytes(), order + _PLAIN_TYPES[block.code]).astype(np.float64)
    words = np.frombuffer(data.tobytes(), order + "i2").astype(np.int64).reshape(-1, 5)
    mantissa = words[:, 1:] + (words[:, 1:] < 0)  # one's complement to two's
    exponent = (words[:, :1] & 0xFFFF) >> np.array([0, 4, 8, 12]) & 0xF
    return (mantissa << exponent).astype(np.float64).ravel()[: block.n_sample]
