"""Reader of SEG-2 files.

Reference: Pullan 1990, Geophysics 55(9):1260–1271.
"""

from __future__ import annotations

import re
from decimal import Decimal, InvalidOperation
from pathlib import Path

import numpy as np
import numpy.typing as npt

from yewline.errors import FormatError
from yewline.formats.intervals import Statement, choose_interval
from yewline.formats.recorded import NO_HINTS, checked, map_bytes
from yewline.formats.seg2_blocks import FileBlock, TraceBlock, convert_seg2_samples, read_file_block, read_trace_block
from yewline.model import Finding, ReadHints, Recording

__all__ = ["can_read_seg2", "read_seg2"]

_UNITS = {"METERS": "metres", "METRES": "metres", "FEET": "feet"}
_KEPT = ("CHANNEL_NUMBER", "STACK", "DESCALING_FACTOR")


def can_read_seg2(path: Path) -> bool:
    """Whether the file begins with the identity of a SEG-2 file descriptor and a small revision number."""
    with path.open("rb") as handle:
        head = handle.read(4)
    return len(head) == 4 and ((head[:2] == b"\x55\x3a" and head[3] == 0) or (head[:2] == b"\x3a\x55" and head[2] == 0))


def read_seg2(path: Path, hints: ReadHints = NO_HINTS) -> Recording:
    """Read a SEG-2 file.

    Keys used, from the trace's strings or else the file's: SAMPLE_INTERVAL and DELAY (seconds), DESCALING_FACTOR
    (each trace's samples are multiplied by it, for it may differ between traces), RECEIVER_LOCATION,
    SOURCE_LOCATION, UNITS, LINE_ID.

    Parameters
    ----------
    path : the file; it is opened for reading only.
    hints : the sample interval where the file has none.

    Returns
    -------
    recording with (T, S) float32 amplitude.

    Raises
    ------
    FormatError : truncated, without traces, traces of different length or interval, or an unknown sample format.

    References
    ----------
    Pullan 1990, Geophysics 55(9):1260–1271.
    """
    where = str(path)
    raw = map_bytes(path)
    file = read_file_block(raw, where)
    blocks = [read_trace_block(raw, file, k + 1, where) for k in range(len(file.pointers))]
    _refuse_different_lengths(blocks, where)
    strings = [{**file.strings, **block.strings} for block in blocks]
    notes = _about(file, blocks, where)
    factors = _descaling(strings, where, notes)
    amplitude = np.empty((len(blocks), blocks[0].n_sample), np.float32)
    with np.errstate(over="ignore", invalid="ignore"):
        for k, block in enumerate(blocks):
            amplitude[k] = convert_seg2_samples(raw, block, file.order) * factors[k]
    interval, source, contradictions = _interval(strings, hints, where)
    x, y, coordinates = _positions(strings, where, notes)
    delays = _seconds(strings, "DELAY", where)
    if delays is not None and (delays != delays[0]).any():
        text = "traces start at different times; the first trace's delay is used"
        notes.append(Finding("warning", "delay-varies", text, where=where, received=f"{np.ptp(delays):g} ns apart"))
    return checked(
        Recording(
            amplitude=amplitude,
            interval_ns=interval,
            interval_source=source,
            format="seg2",
            delay_ns=0.0 if delays is None else float(delays[0]),
            x=x,
            y=y,
            coordinates=coordinates,
            line=_lines(strings),
            headers=_kept_headers(strings),
            notes=(*notes, *contradictions),
        ),
        path,
    )


def _refuse_different_lengths(blocks: list[TraceBlock], where: str) -> None:
    for k, block in enumerate(blocks):
        if block.n_sample != blocks[0].n_sample:
            raise FormatError(
                "the sample count differs between traces",
                where=f"{where}, trace {k + 1} (byte {block.first})",
                received=f"{block.n_sample} samples where trace 1 has {blocks[0].n_sample}",
                do="export the line with traces of one length",
            )


def _about(file: FileBlock, blocks: list[TraceBlock], where: str) -> list[Finding]:
    codes = ", ".join(str(code) for code in sorted({block.code for block in blocks}))
    order = {"<": "little-endian", ">": "big-endian"}[file.order]
    text = f"SEG-2 revision {file.revision}, {order}, sample format {codes}"
    notes = [Finding("found", "format", text, where=where)]
    if file.revision != 1:
        text = "a SEG-2 revision other than 1; it is read as revision 1"
        notes.append(
            Finding("warning", "seg2-revision", text, where=f"{where}, bytes 2-3", received=str(file.revision))
        )
    if any(block.code == 3 and block.n_sample % 4 for block in blocks):
        text = "a sample count that is no multiple of four in 20-bit format; the last group is cut"
        notes.append(Finding("assumed", "sample-count", text, where=where, received=str(blocks[0].n_sample)))
    return notes


def _number(text: str) -> Decimal | None:
    try:
        value = Decimal(text.split()[0].replace(",", "."))
    except (InvalidOperation, IndexError):
        return None
    # Exponents beyond any float would overflow later on.
    return value if value.is_finite() and abs(value.adjusted()) < 300 else None


def _seconds(strings: list[dict[str, str]], key: str, where: str) -> npt.NDArray[np.float64] | None:
    """Values of a key in seconds as (T,) ns; None if no trace has it."""
    if not any(key in each for each in strings):
        return None
    values = []
    for k, each in enumerate(strings):
        number = _number(each.get(key, ""))
        if number is None:
            raise FormatError(
                f"{key} is not a number",
                where=f"{where}, trace {k + 1}",
                received=repr(each.get(key)),
                do="seconds are expected",
            )
        # Moving the decimal point keeps 4E-10 s an exact 0.4 ns, which a product with 1e9 does not.
        values.append(float(number.scaleb(9)))
    return np.array(values)


def _interval(
    strings: list[dict[str, str]], hints: ReadHints, where: str
) -> tuple[float | None, str, tuple[Finding, ...]]:
    statements = []
    values = _seconds(strings, "SAMPLE_INTERVAL", where)
    if values is not None:
        odd = np.flatnonzero(values != values[0])
        if len(odd):
            raise FormatError(
                "traces have different sample intervals",
                where=f"{where}, trace {odd[0] + 1}",
                received=f"{values[odd[0]]:g} ns where trace 1 has {values[0]:g} ns",
                do="export the line with one sample interval",
            )
        statements.append(Statement(float(values[0]), "the key SAMPLE_INTERVAL"))
    if hints.interval_ns is not None:
        statements.append(Statement(hints.interval_ns, "the declared interval_ns"))
    return choose_interval(statements, where=where, without="no key SAMPLE_INTERVAL")


def _descaling(strings: list[dict[str, str]], where: str, notes: list[Finding]) -> npt.NDArray[np.float64]:
    factors = np.ones(len(strings))
    bad = []
    for k, each in enumerate(strings):
        if "DESCALING_FACTOR" in each:
            number = _number(each["DESCALING_FACTOR"])
            if number is None or number == 0:
                bad.append(k)
            else:
                factors[k] = float(number)
    if bad:
        text = "DESCALING_FACTOR is not a usable number; taken as 1"
        received = repr(strings[bad[0]]["DESCALING_FACTOR"])
        place = f"{where}, trace {bad[0] + 1}"
        notes.append(Finding("warning", "descaling", text, where=place, received=received, do="check the gains"))
    if (factors != 1).any():
        text = "samples are multiplied by DESCALING_FACTOR"
        received = f"{factors.min():g}" if np.ptp(factors) == 0 else f"{factors.min():g} to {factors.max():g}"
        notes.append(Finding("found", "descaling", text, where=where, received=received))
    return factors


def _positions(
    strings: list[dict[str, str]], where: str, notes: list[Finding]
) -> tuple[npt.NDArray[np.float64] | None, npt.NDArray[np.float64] | None, str]:
    """Midpoints of source and receiver, or whichever is given; one number is a position along x."""
    points = []
    for key in ("RECEIVER_LOCATION", "SOURCE_LOCATION"):
        if all(key in each for each in strings):
            found = [_location(each[key]) for each in strings]
            if all(point is not None for point in found):
                points.append(np.array(found, dtype=np.float64))
            else:
                text = f"{key} does not hold numbers; it is left out"
                notes.append(Finding("warning", "coordinates", text, where=where, received=repr(strings[0][key])))
    if not points:
        return None, None, ""
    middle = np.mean(points, axis=0)
    units = strings[0].get("UNITS", "").upper()
    words = _UNITS.get(units, "length, as in the file")
    text = f"coordinates from {len(points)} location key{'s' if len(points) > 1 else ''}: {words}"
    notes.append(Finding("found", "coordinates", text, where=where))
    return middle[:, 0], middle[:, 1], words


def _location(text: str) -> tuple[float, float] | None:
    numbers = [_number(word) for word in re.split(r"\s+", text.strip()) if word]
    if not numbers or any(number is None for number in numbers):
        return None
    plain = [float(number) for number in numbers if number is not None]
    return plain[0], plain[1] if len(plain) > 1 else 0.0


def _lines(strings: list[dict[str, str]]) -> npt.NDArray[np.str_] | None:
    labels = [each.get("LINE_ID", "") for each in strings]
    return np.array(labels) if len(set(labels)) > 1 else None


def _kept_headers(strings: list[dict[str, str]]) -> dict[str, npt.NDArray[np.generic]]:
    kept: dict[str, npt.NDArray[np.generic]] = {}
    for key in _KEPT:
        numbers = [_number(each.get(key, "")) for each in strings]
        if all(number is not None for number in numbers):
            kept[key.lower()] = np.array([float(number) for number in numbers if number is not None])
    if all("LINE_ID" in each for each in strings):
        kept["line_id"] = np.array([each["LINE_ID"] for each in strings])
    return kept
