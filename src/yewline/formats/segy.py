"""Reader of SEG-Y files, revisions 0 to 2.1.

References: SEG-Y rev 2.0 (2017), tables 2 and 3; rev 2.1 (2023); rev 1 (2002); Barry, Cavers & Kneale 1975,
Geophysics 40:344–352 (rev 0).
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import numpy.typing as npt

from yewline.errors import FormatError
from yewline.formats.intervals import Statement, choose_interval
from yewline.formats.recorded import NO_HINTS, checked, map_bytes
from yewline.formats.segy_coordinates import read_coordinates, read_lines, scaled
from yewline.formats.segy_headers import (
    HEADER_BYTES,
    TRACE_HEADER_BYTES,
    SegyLayout,
    format_code,
    read_layout,
    trace_header_type,
)
from yewline.formats.segy_samples import SAMPLE_NAMES, TraceBlock, convert_samples
from yewline.formats.segy_stream import STREAMED_FROM, stream_ibm
from yewline.formats.segy_text import (
    TEXT_BYTES,
    declared_interval_ns,
    declared_interval_unit,
    declared_line_names,
    decode_text,
)
from yewline.model import Finding, ReadHints, Recording

__all__ = ["can_read_segy", "read_segy"]

Heads = npt.NDArray[np.void]


def can_read_segy(path: Path) -> bool:
    """Whether the file has a SEG-Y binary header: a known sample format in either byte order, and a sample count."""
    with path.open("rb") as handle:
        head = handle.read(HEADER_BYTES + TRACE_HEADER_BYTES)
    if len(head) < HEADER_BYTES:
        return False
    order = next((order for order in "><" if format_code(head, order) is not None), None)
    if order is None:
        return False
    # Without a trace header to look at, the binary header alone decides.
    counts = head[3220:3222] + head[3268:3272] + head[HEADER_BYTES + 114 : HEADER_BYTES + 116]
    return any(counts) or len(head) == HEADER_BYTES


def read_segy(path: Path, hints: ReadHints = NO_HINTS) -> Recording:
    """Read a SEG-Y file.

    The sample interval is never guessed: it comes from the revision-2 field, from the hints, from a text header
    that declares it, or from the integer field once somebody has said what that counts.

    Parameters
    ----------
    path : the file; it is opened for reading only.
    hints : declared sample interval, or what the integer interval counts.

    Returns
    -------
    recording with (T, S) float32 amplitude.

    Raises
    ------
    FormatError : truncated, without traces, headers that contradict each other, or an unknown sample format.

    References
    ----------
    SEG-Y rev 2.0 (SEG Technical Standards Committee 2017).
    """
    where = str(path)
    raw = map_bytes(path)
    layout = read_layout(raw, where)
    block, notes = _trace_block(raw, layout, where)
    amplitude, heads, finite = _traces(path, raw, layout, block)
    _refuse_odd_counts(heads, layout, block, where)
    text = decode_text(bytes(raw[:TEXT_BYTES]))
    extended = decode_text(bytes(raw[HEADER_BYTES : HEADER_BYTES + layout.text_headers * TEXT_BYTES]))
    interval, source, unit, said = _interval(layout, heads, f"{text}\n{extended}", hints, where)
    delay, late = _delay(layout, heads, unit, where)
    x, y, coordinates, seen = read_coordinates(heads, layout, where)
    line, lines = read_lines(heads, layout, declared_line_names(extended), where)
    return checked(
        Recording(
            amplitude=amplitude,
            interval_ns=interval,
            interval_source=source,
            format="segy",
            delay_ns=delay,
            x=x,
            y=y,
            coordinates=coordinates,
            line=line,
            headers=_kept_headers(heads),
            notes=(
                _about(layout, where),
                *layout.notes,
                *notes,
                *said,
                *late,
                *seen,
                *lines,
                *_rounding(amplitude, layout, where),
            ),
        ),
        path,
        finite=finite,
    )


def _about(layout: SegyLayout, where: str) -> Finding:
    major, minor = layout.revision
    text = f"SEG-Y revision {major}.{minor}, {SAMPLE_NAMES[layout.code]}, {layout.text_headers} extended text headers"
    return Finding("found", "format", text, where=where)


def _kept_headers(heads: Heads) -> dict[str, npt.NDArray[np.generic]]:
    kept: dict[str, npt.NDArray[np.generic]] = {}
    for name in ("field_record", "inline", "source_x", "source_y", "group_x", "group_y", "coordinate_scalar"):
        kept[name] = heads[name].astype(np.int64)
    if heads["elevation"].any():
        kept["elevation"] = scaled(heads["elevation"], heads["elevation_scalar"])
    return kept


def _rounding(amplitude: npt.NDArray[np.float32], layout: SegyLayout, where: str) -> tuple[Finding, ...]:
    if layout.code not in (2, 9, 10, 12):
        return ()
    largest = max(-float(amplitude.min(initial=0)), float(amplitude.max(initial=0)))
    if largest < 2**24:
        return ()
    text = "integers beyond 24 bits are rounded to float32"
    return (Finding("found", "rounded", text, where=where, received=f"up to {largest:.0f}"),)


def _trace_block(raw: npt.NDArray[np.uint8], layout: SegyLayout, where: str) -> tuple[TraceBlock, tuple[Finding, ...]]:
    """Where the traces lie, and what there is to say of it."""
    rest = len(raw) - layout.first_trace
    if rest == 0:
        raise FormatError(
            "no traces: the file ends after its headers",
            where=f"{where}, byte {len(raw)}",
            received="0 traces",
            do="record the line again, or take the file out of lines.csv",
        )
    if rest < TRACE_HEADER_BYTES:
        raise _truncated(where, len(raw), 1, f"{rest} bytes of a trace header")
    notes: list[Finding] = []
    samples = _sample_count(raw, layout, where, notes)
    stride = layout.stride(samples)
    available, over = divmod(_end_of_traces(len(raw), layout, stride, where) - layout.first_trace, stride)
    if layout.n_trace is not None and available >= layout.n_trace:
        surplus = len(raw) - layout.first_trace - layout.n_trace * stride - max(layout.trailers, 0) * TEXT_BYTES
        available, over = layout.n_trace, 0
        if surplus > 0 and layout.trailers >= 0:
            text = "bytes after the last trace are left unread"
            notes.append(Finding("warning", "trailing-bytes", text, where=where, received=f"{surplus} bytes"))
    block = TraceBlock(layout.first_trace + layout.header_bytes, stride, available, samples)
    if over or (layout.n_trace is not None and available < layout.n_trace):
        # Another sample count in a trace header explains a length that does not fit: it is the better message.
        _refuse_odd_counts(_trace_headers(raw, layout, stride, available), layout, block, where)
        wanted = f" of {layout.n_trace} in the binary header" if layout.n_trace is not None else ""
        received = f"{available} whole traces{wanted}, then {over} bytes of {stride}"
        raise _truncated(where, len(raw), available + 1, received)
    return block, tuple(notes)


def _traces(
    path: Path, raw: npt.NDArray[np.uint8], layout: SegyLayout, block: TraceBlock
) -> tuple[npt.NDArray[np.float32], Heads, bool]:
    """Samples, trace headers, and whether all samples are sure to be finite."""
    big_endian = layout.order == ">"
    if layout.code == 1 and block.n_trace * block.n_sample >= STREAMED_FROM:
        amplitude, heads, finite = stream_ibm(
            path, block, header_bytes=layout.header_bytes, kept_bytes=TRACE_HEADER_BYTES, big_endian=big_endian
        )
        return amplitude, heads.view(trace_header_type(layout.order))[:, 0], finite
    amplitude, finite = convert_samples(raw, block, code=layout.code, big_endian=big_endian)
    return amplitude, _trace_headers(raw, layout, block.stride, block.n_trace), finite


def _truncated(where: str, size: int, trace: int, received: str) -> FormatError:
    return FormatError(
        f"the file ends inside trace {trace}, or its sample count differs from the header",
        where=f"{where}, byte {size}",
        received=received,
        do="copy it again from the recorder; if it is whole, its headers are wrong",
    )


def _end_of_traces(size: int, layout: SegyLayout, stride: int, where: str) -> int:
    if layout.trailers == 0:
        return size
    if layout.trailers > 0:
        return max(layout.first_trace, size - layout.trailers * TEXT_BYTES)
    if layout.n_trace is None:
        raise FormatError(
            "an unknown number of trailer records, and the number of traces is not given",
            where=f"{where}, bytes 3513-3520 and 3529-3532",
            received=f"trailers {layout.trailers}, traces 0",
            do="have the number of traces written into the binary header",
        )
    return min(size, layout.first_trace + layout.n_trace * stride)


def _trace_headers(raw: npt.NDArray[np.uint8], layout: SegyLayout, stride: int, count: int) -> Heads:
    shape, strides = (count, TRACE_HEADER_BYTES), (stride, 1)
    view: npt.NDArray[np.uint8] = np.ndarray(
        shape, np.uint8, buffer=raw.data, offset=layout.first_trace if count else 0, strides=strides
    )
    return np.ascontiguousarray(view).view(trace_header_type(layout.order))[:, 0]


def _sample_count(raw: npt.NDArray[np.uint8], layout: SegyLayout, where: str, notes: list[Finding]) -> int:
    """Samples in each trace, from the binary header, or from the first trace where that is blank or may vary."""
    first = int(_trace_headers(raw, layout, TRACE_HEADER_BYTES, 1)["samples"][0])
    if layout.samples == 0 and first == 0:
        raise FormatError("no header gives the number of samples", where=f"{where}, bytes 3221-3222", received=0)
    if layout.samples == 0:
        text = "the sample count comes from the trace headers: the binary header has none"
        notes.append(Finding("found", "sample-count", text, where=where, received=str(first)))
        return first
    if first in (0, layout.samples) or (layout.extended and layout.samples > 65_535):
        return layout.samples
    received = (
        f"{layout.samples} in the binary header (bytes 3221-3222), {first} in the first trace header (bytes 115-116)"
    )
    stride = layout.stride(first)
    if not layout.fixed_length and (len(raw) - layout.first_trace) % stride == 0:
        heads = _trace_headers(raw, layout, stride, (len(raw) - layout.first_trace) // stride)
        if (heads["samples"] == first).all():
            text = "the sample count of the trace headers is used; the binary header has another"
            notes.append(Finding("warning", "sample-count", text, where=where, received=received))
            return first
    raise FormatError(
        "the sample count differs between headers",
        where=f"{where}, byte {layout.first_trace + 115}",
        received=received,
        do="have the file exported again with one sample count",
    )


def _refuse_odd_counts(heads: Heads, layout: SegyLayout, block: TraceBlock, where: str) -> None:
    counts, samples = heads["samples"], block.n_sample
    odd = np.flatnonzero((counts != 0) & (counts != samples)) if samples <= 65_535 else np.empty(0, np.intp)
    if len(odd) == 0:
        return
    trace = int(odd[0])
    varying = not layout.fixed_length
    raise FormatError(
        "traces of different length cannot make one radargram" if varying else "a trace's sample count differs",
        where=f"{where}, trace {trace + 1} (byte {layout.first_trace + trace * block.stride + 115})",
        received=f"{int(counts[trace])} samples where the traces before have {samples}",
        do="export the line with traces of one length",
    )


def _interval(
    layout: SegyLayout, heads: Heads, text: str, hints: ReadHints, where: str
) -> tuple[float | None, str, str | None, tuple[Finding, ...]]:
    """Interval in ns, its source, what the integer field counts (if known), findings."""
    notes: list[Finding] = []
    statements: list[Statement] = []
    if layout.extended_interval_us != 0 and math.isfinite(layout.extended_interval_us):
        statements.append(
            Statement(layout.extended_interval_us * 1e3, "the revision-2 field in microseconds (bytes 3273-3280)")
        )
    if hints.interval_ns is not None:
        statements.append(Statement(hints.interval_ns, "the declared interval_ns"))
    in_text = declared_interval_ns(text)
    if in_text is not None:
        statements.append(Statement(in_text, "the value declared in the text header"))
    count = _integer_interval(layout, heads, where, notes)
    declared = declared_interval_unit(text)
    unit = hints.interval_unit or declared
    if hints.interval_unit and declared and hints.interval_unit != declared:
        advice = f"the declaration {hints.interval_unit!r} is used; mend it if the file is right"
        said = "the declared interval_unit contradicts the text header"
        received = f"{hints.interval_unit!r} declared, {declared!r} in the text header"
        notes.append(Finding("warning", "interval-contradiction", said, where=where, received=received, do=advice))
    if count > 0 and unit == "ps":
        by = "declared interval_unit" if hints.interval_unit else "declared in the text header"
        statements.append(Statement(count * 1e-3, f"the integer field in picoseconds ({by})", 0.5e-3))
    elif count > 0 and unit == "us" and not statements:
        # The integer of microseconds cannot hold a radar interval, so it never contradicts a finer statement.
        statements.append(Statement(count * 1e3, "the integer field in microseconds (declared)", 500.0))
    without = f"integer field {count} without a declared unit" if count else "the interval fields are zero"
    interval, source, contradictions = choose_interval(statements, where=where, without=without)
    return interval, source, unit, (*notes, *contradictions)


def _integer_interval(layout: SegyLayout, heads: Heads, where: str, notes: list[Finding]) -> int:
    """The integer interval of the binary header, or of the trace headers where that is zero."""
    counts = heads["interval"]
    given = counts[counts != 0]
    if layout.interval == 0:
        return int(given[0]) if len(given) and (given == given[0]).all() else 0
    odd = np.flatnonzero((counts != 0) & (counts != layout.interval))
    if len(odd):
        notes.append(
            Finding(
                grade="warning",
                code="interval-differs",
                text="the integer sample interval differs between headers; the binary header's is used",
                where=f"{where}, trace {odd[0] + 1}",
                received=f"{layout.interval} in the binary header, {counts[odd[0]]} in the trace header",
                do="check the interval, and declare interval_ns in visit.toml if need be",
            )
        )
    return layout.interval


def _delay(layout: SegyLayout, heads: Heads, unit: str | None, where: str) -> tuple[float, tuple[Finding, ...]]:
    """Time of the first sample, ns, where the file's convention says what the delay field counts."""
    delays = heads["delay"]
    if not delays.any():
        return 0.0, ()
    notes: list[Finding] = []
    received = f"{delays[0]} in bytes 109-110 of trace 1"
    if unit == "ps":
        delay = float(delays[0])
        text = "the delay is taken in nanoseconds: the file counts time a million times finer than the standard"
        notes.append(Finding("assumed", "delay", text, where=where, received=received))
    elif unit == "us" or layout.extended_interval_us:
        value = delays[:1] if layout.revision < (1, 0) else scaled(delays[:1], heads["time_scalar"][:1])
        delay = float(value[0]) * 1e6
        notes.append(Finding("found", "delay", "delay in milliseconds", where=where, received=received))
    else:
        text = "a delay whose unit is not known is left out"
        advice = "declare interval_unit under [recording] in visit.toml"
        notes.append(Finding("warning", "delay", text, where=where, received=received, do=advice))
        return 0.0, tuple(notes)
    if (delays != delays[0]).any():
        text = "traces start at different times; the first trace's delay is used"
        notes.append(Finding("warning", "delay-varies", text, where=where, received=f"{np.ptp(delays)} apart"))
    return delay, tuple(notes)
