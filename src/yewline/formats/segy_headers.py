"""The binary header of a SEG-Y file, and where it says that the traces lie.

Byte positions are the standard's, from 1. References: SEG-Y rev 2.0 (2017), tables 2 and 3; rev 2.1 (2023);
rev 1 (2002); Barry, Cavers & Kneale 1975, Geophysics 40:344–352 (rev 0).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from yewline.errors import FormatError
from yewline.formats.segy_samples import SAMPLE_BYTES
from yewline.formats.segy_text import END_TEXT, TEXT_BYTES, decode_text
from yewline.model import Finding

__all__ = ["HEADER_BYTES", "TRACE_HEADER_BYTES", "SegyLayout", "format_code", "read_layout", "trace_header_type"]

HEADER_BYTES = 3600
"""Text header (3200) and binary header (400)."""

TRACE_HEADER_BYTES = 240

_ORDER_WORDS = {b"\x01\x02\x03\x04": ">", b"\x04\x03\x02\x01": "<"}
_PAIRWISE = b"\x02\x01\x04\x03"

# name: (first byte in the trace header, from 1; type)
_TRACE_FIELDS = {
    "field_record": (9, "i4"),
    "elevation": (41, "i4"),
    "elevation_scalar": (69, "i2"),
    "coordinate_scalar": (71, "i2"),
    "source_x": (73, "i4"),
    "source_y": (77, "i4"),
    "group_x": (81, "i4"),
    "group_y": (85, "i4"),
    "coordinate_units": (89, "i2"),
    "delay": (109, "i2"),
    "samples": (115, "u2"),
    "interval": (117, "u2"),
    "cdp_x": (181, "i4"),
    "cdp_y": (185, "i4"),
    "inline": (189, "i4"),
    "time_scalar": (215, "i2"),
}


@dataclass(frozen=True, slots=True)
class SegyLayout:
    """What the binary header says, with its blanks filled in from revision rules.

    `order` is ">" or "<". `samples` is 0 where only trace headers count them. `n_trace` is None where the header
    does not say. `first_trace` is a byte offset from 0.
    """

    order: str
    revision: tuple[int, int]
    code: int
    samples: int
    extended: bool
    interval: int
    extended_interval_us: float
    feet: bool | None
    fixed_length: bool
    extra_headers: int
    text_headers: int
    first_trace: int
    n_trace: int | None
    trailers: int
    notes: tuple[Finding, ...] = ()

    @property
    def header_bytes(self) -> int:
        """Bytes in front of each trace's samples."""
        return TRACE_HEADER_BYTES * (1 + self.extra_headers)

    def stride(self, samples: int) -> int:
        """Bytes from trace to trace with `samples` samples each."""
        return self.header_bytes + samples * SAMPLE_BYTES[self.code]


def trace_header_type(order: str) -> np.dtype[np.void]:
    """The fields that are read of a trace header, as a NumPy type of 240 bytes."""
    return np.dtype(
        {
            "names": list(_TRACE_FIELDS),
            "formats": [order + kind for _, kind in _TRACE_FIELDS.values()],
            "offsets": [byte - 1 for byte, _ in _TRACE_FIELDS.values()],
            "itemsize": TRACE_HEADER_BYTES,
        }
    )


def format_code(head: bytes, order: str) -> int | None:
    """The sample format code in bytes 3225–3226 if it is one that the standard knows, else None."""
    (code,) = struct.unpack_from(order + "H", head, 3224)
    return code if code in SAMPLE_BYTES or code == 4 else None


def read_layout(raw: npt.NDArray[np.uint8], where: str) -> SegyLayout:
    """Read the binary header.

    Parameters
    ----------
    raw : the whole file's bytes.
    where : the file, for messages.

    Raises
    ------
    FormatError : the file ends too early, or no byte order gives a known sample format.
    """
    if len(raw) < HEADER_BYTES:
        raise FormatError(
            "the file ends inside the SEG-Y file headers",
            where=f"{where}, byte {len(raw)}",
            received=f"{len(raw)} bytes of {HEADER_BYTES}",
            do="copy it again from the recorder",
        )
    head = bytes(raw[:HEADER_BYTES])
    order, code, notes = _byte_order(head, where)
    revision, found = _revision(head, where)
    notes.extend(found)
    layout = _fields(head, order, code, revision)
    layout = replace(layout, notes=tuple(notes))
    return _place_traces(raw, layout, where)


def _byte_order(head: bytes, where: str) -> tuple[str, int, list[Finding]]:
    constant = head[3296:3300]
    declared = _ORDER_WORDS.get(constant)
    codes = {order: format_code(head, order) for order in "><"}
    if constant == _PAIRWISE:
        raise FormatError(
            "bytes are swapped in pairs (byte-order constant 0x02010403)",
            where=f"{where}, bytes 3297-3300",
            received=constant.hex(),
            do="have the file written again in big-endian or little-endian order",
        )
    if declared is not None and codes[declared] is None and any(codes.values()):
        raise FormatError(
            "wrong byte order: the byte-order constant contradicts the sample format code",
            where=f"{where}, bytes 3297-3300 and 3225-3226",
            received=f"constant {constant.hex()}, format code {head[3224:3226].hex()}",
            do="have the file written again; the two cannot both be right",
        )
    order = declared or next((o for o in "><" if codes[o] is not None), ">")
    code = codes[order]
    if code is None or code == 4:
        raw_code = struct.unpack_from(order + "H", head, 3224)[0]
        problem = "sample format 4 (fixed point with gain) is obsolete" if code == 4 else "unknown sample format code"
        raise FormatError(
            problem,
            where=f"{where}, bytes 3225-3226",
            received=raw_code,
            do=f"codes that can be read: {', '.join(map(str, SAMPLE_BYTES))}",
        )
    if order == ">":
        return order, code, []
    if declared is None:
        note = Finding(
            "assumed",
            "byte-order",
            "little-endian: there is no byte-order constant, and only so the sample format code is a known one",
            where=f"{where}, bytes 3225-3226",
            received=head[3224:3226].hex(),
        )
    else:
        note = Finding("found", "byte-order", "little-endian, as the byte-order constant says", where=where)
    return order, code, [note]


def _revision(head: bytes, where: str) -> tuple[tuple[int, int], list[Finding]]:
    major, minor = head[3500], head[3501]
    if (major, minor) == (0, 1):  # the 16-bit word 0x0100, written in little-endian order
        return (1, 0), []
    if major == 0 and minor == 0:
        return (0, 0), []
    if 1 <= major <= 2:
        return (major, minor), []
    note = Finding(
        "assumed",
        "segy-revision",
        "the revision number is not one of SEG-Y's: read as revision 0",
        where=f"{where}, bytes 3501-3502",
        received=f"{major}.{minor}",
    )
    return (0, 0), [note]


def _fields(head: bytes, order: str, code: int, revision: tuple[int, int]) -> SegyLayout:
    def field(kind: str, byte: int) -> int:
        return int(struct.unpack_from(order + kind, head, byte - 1)[0])

    later, newest = revision >= (1, 0), revision >= (2, 0)
    extended_samples = field("I", 3269) if newest else 0
    (extended_interval,) = struct.unpack_from(order + "d", head, 3272) if newest else (0.0,)
    # Revision 2.1 gave half of the four bytes of revision 2.0 to the survey type.
    extra = (field("H", 3507) if revision >= (2, 1) else field("I", 3507)) if newest else 0
    system = field("h", 3255)
    return SegyLayout(
        order=order,
        revision=revision,
        code=code,
        samples=extended_samples or field("H", 3221),
        extended=extended_samples > 0,
        interval=field("H", 3217),
        extended_interval_us=extended_interval,
        feet={1: False, 2: True}.get(system),
        fixed_length=not later or field("h", 3503) == 1,
        extra_headers=extra,
        text_headers=field("h", 3505),
        first_trace=field("Q", 3521) if newest else 0,
        n_trace=(field("Q", 3513) or None) if newest else None,
        trailers=field("i", 3529) if newest else 0,
    )


def _place_traces(raw: npt.NDArray[np.uint8], layout: SegyLayout, where: str) -> SegyLayout:
    count, notes = layout.text_headers, layout.notes
    if layout.revision == (0, 0):
        count, notes = _text_headers_of_revision_0(raw, layout, where)
    elif count == -1:
        count = _count_to_end_text(raw, where)
    elif count < -1:
        raise FormatError("negative count of extended text headers", where=f"{where}, bytes 3505-3506", received=count)
    first = layout.first_trace or HEADER_BYTES + count * TEXT_BYTES
    if first < HEADER_BYTES or first > len(raw):
        raise FormatError(
            "the first trace would lie outside the file",
            where=f"{where}, byte {len(raw)}",
            received=f"first trace at byte {first} after {count} extended text headers, file of {len(raw)} bytes",
            do="copy it again from the recorder",
        )
    return replace(layout, text_headers=count, first_trace=first, notes=notes)


def _text_headers_of_revision_0(
    raw: npt.NDArray[np.uint8], layout: SegyLayout, where: str
) -> tuple[int, tuple[Finding, ...]]:
    """Revision 0 has no extended text headers, yet some writers count them without naming a revision."""
    count = layout.text_headers
    if count <= 0 or layout.samples == 0:
        return 0, layout.notes
    rest, stride = len(raw) - HEADER_BYTES, layout.stride(layout.samples)
    if rest % stride == 0 or rest < count * TEXT_BYTES or (rest - count * TEXT_BYTES) % stride != 0:
        return 0, layout.notes
    note = Finding(
        "assumed",
        "extended-text-headers",
        "extended text headers in a file without revision number: counted, because only then the traces fit",
        where=f"{where}, bytes 3505-3506",
        received=str(count),
    )
    return count, (*layout.notes, note)


def _count_to_end_text(raw: npt.NDArray[np.uint8], where: str) -> int:
    count = 0
    while HEADER_BYTES + (count + 1) * TEXT_BYTES <= len(raw):
        start = HEADER_BYTES + count * TEXT_BYTES
        count += 1
        text = decode_text(bytes(raw[start : start + TEXT_BYTES]))
        if END_TEXT.replace(" ", "").upper() in text.replace(" ", "").upper():
            return count
    raise FormatError(
        f"the extended text headers do not end: no stanza {END_TEXT}",
        where=f"{where}, byte {len(raw)}",
        received=f"count -1 in bytes 3505-3506, {count} records looked at",
        do="copy it again from the recorder",
    )
