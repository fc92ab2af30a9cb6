"""Corrections that a person accepts: proposed by what lines say of one another, applied once they are written."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Sequence
from fnmatch import fnmatchcase

from yewline.model import Finding, LineCorrection, LineSegment
from yewline.positions.field import FieldCheck
from yewline.positions.images import LineImages
from yewline.positions.order import OrderFault
from yewline.positions.zigzag import ZigzagEstimate

__all__ = ["amend_rows", "correction_toml", "lines_corrected", "propose_corrections", "zigzag_of"]


def lines_corrected(correction: LineCorrection, known: Collection[str]) -> list[str]:
    """Which of the known lines a correction is about, in their order; * and ? stand for any letters and any one.

    Examples
    --------
    >>> lines_corrected(LineCorrection(kind="left-out", lines=("A*", "B2")), ["A1", "A2", "B1", "B2"])
    ['A1', 'A2', 'B2']
    """
    return [line for line in known if any(fnmatchcase(line, pattern) for pattern in correction.lines)]


def amend_rows(
    rows: Sequence[LineSegment], corrections: Sequence[LineCorrection]
) -> tuple[list[LineSegment], list[Finding]]:
    """The table of lines as it would read had it been kept right.

    Parameters
    ----------
    rows : of `lines.csv`, in order.
    corrections : of `visit.toml`, applied one after the other; a zigzag changes no row (see `undo_zigzag`).

    Returns
    -------
    rows : other rows where something was accepted; nothing is written.
    findings : what was applied, and what could not be.

    Notes
    -----
    Two lines that were swapped change recordings: file and trace numbers; each keeps its place. A line walked the other
    way round keeps its recording, and its segments and their ends stand in reverse order.

    Examples
    --------
    >>> row = LineSegment(line="A1", file="a.sgy", x0=0, y0=0, x1=0, y1=9)
    >>> (turned,), said = amend_rows([row], [LineCorrection(kind="reversed", lines=("A1",), reason="field notes")])
    >>> (turned.y0, turned.y1), said[0].text
    ((9.0, 0.0), 'accepted: walked the other way round (field notes)')
    """
    held: dict[str, list[LineSegment]] = {}
    for row in rows:
        held.setdefault(row.line, []).append(row)
    findings: list[Finding] = []
    for correction in corrections:
        lines = lines_corrected(correction, held)
        missing = [name for name in correction.lines if not any(fnmatchcase(line, name) for line in held)]
        if missing:
            findings.append(_not_applied("names lines that are not there", missing, "check their names in lines.csv"))
        if not lines:
            continue
        why = f" ({correction.reason})" if correction.reason else ""
        if correction.kind == "swapped":
            findings += _swap(held, lines, why)
        elif correction.kind == "reversed":
            for line in lines:
                findings.append(_turn(held, line, why))
        elif correction.kind == "left-out":
            for line in lines:
                del held[line]
                findings.append(_said("line-removed", f"accepted: left out{why}", line))
        else:
            offset = correction.offset_m or 0.0
            text = f"accepted: moved back by a zigzag of {offset:+.2f} m{why}"
            findings += [_said("zigzag-corrected", text, line) for line in lines]
    return [row for segments in held.values() for row in segments], findings


def zigzag_of(line: str, corrections: Iterable[LineCorrection]) -> list[LineCorrection]:
    """The zigzags that were accepted for a line."""
    return [each for each in corrections if each.kind == "zigzag" and lines_corrected(each, [line])]


def _swap(held: dict[str, list[LineSegment]], lines: list[str], why: str) -> list[Finding]:
    if len(lines) != 2:
        return [_not_applied("needs two lines to be swapped", lines, "name both")]
    one, other = (held[line] for line in lines)
    if len(one) != len(other):
        received = f"{len(one)} and {len(other)} segments"
        do = "exchange file, first_trace and last_trace in lines.csv by hand"
        return [_not_applied(f"cannot swap {lines[0]} and {lines[1]}", [received], do)]
    for line, mine, theirs in ((lines[0], one, other), (lines[1], other, one)):
        held[line] = [
            row.model_copy(update={name: getattr(source, name) for name in ("file", "first_trace", "last_trace")})
            for row, source in zip(mine, theirs, strict=True)
        ]
    return [
        _said("line-swapped-back", f"accepted: takes the recording listed under {theirs}{why}", mine)
        for mine, theirs in (lines, lines[::-1])
    ]


def _turn(held: dict[str, list[LineSegment]], line: str, why: str) -> Finding:
    rows = held[line]
    # The first traces recorded belong to the far end: places are turned round, trace numbers stay.
    held[line] = [
        row.model_copy(
            update={
                "grid": place.grid,
                "x0": place.x1,
                "y0": place.y1,
                "x1": place.x0,
                "y1": place.y0,
            }
        )
        for row, place in zip(rows, rows[::-1], strict=True)
    ]
    if any(None in (row.x0, row.y0, row.x1, row.y1) for row in rows):
        held[line] = rows
        return _not_applied(f"cannot turn {line}: lines.csv does not say where it lies", [line], "give its ends there")
    return _said("line-turned-back", f"accepted: walked the other way round{why}", line)


def _said(code: str, text: str, line: str) -> Finding:
    return Finding("found", code, text, where="visit.toml, corrections", line=line)


def _not_applied(problem: str, received: Sequence[str], do: str) -> Finding:
    text = f"a correction {problem}"
    return Finding(
        "fault", "correction-not-applied", text, where="visit.toml, corrections", received=", ".join(received), do=do
    )


def propose_corrections(check: FieldCheck) -> tuple[LineCorrection, ...]:
    """What could be accepted of a visit's check; nothing of it is applied before a person writes it into `visit.toml`.

    A line that fits elsewhere ("moved") is not among them: where it was walked has to be measured or remembered.
    """
    found = [
        _zigzag(images, estimate)
        for images, estimate in zip(check.images, check.zigzag, strict=True)
        if estimate is not None and estimate.significant
    ]
    return (*found, *(proposed for fault in check.order if (proposed := _order(fault)) is not None))


def _zigzag(images: LineImages, estimate: ZigzagEstimate) -> LineCorrection:
    sloped = estimate.slope_m_per_m != 0.0
    return LineCorrection(
        kind="zigzag",
        lines=images.names,
        offset_m=round(estimate.offset_m, 3),
        slope_m_per_m=round(estimate.slope_m_per_m, 5) if sloped else 0.0,
        middle_m=round(estimate.middle_m, 2) if sloped else 0.0,
        axis=(round(images.axis[0], 6), round(images.axis[1], 6)) if sloped else None,
        sigma_m=round(estimate.sigma_m, 3),
    )


def _order(fault: OrderFault) -> LineCorrection | None:
    if fault.kind == "swapped":
        return LineCorrection(kind="swapped", lines=(fault.line, fault.other))
    if fault.kind == "reversed":
        return LineCorrection(kind="reversed", lines=(fault.line,))
    return LineCorrection(kind="left-out", lines=(fault.line,)) if fault.kind == "duplicate" else None


def correction_toml(correction: LineCorrection) -> str:
    """A correction as `visit.toml` holds it, ready to be pasted.

    Examples
    --------
    >>> print(correction_toml(LineCorrection(kind="reversed", lines=("A1",))))
    [[corrections]]
    kind = "reversed"
    lines = ["A1"]
    reason = ""
    """
    held = correction.model_dump(exclude_defaults=True, exclude={"kind", "lines", "reason"})
    # A basic string of TOML escapes as JSON does.
    rows = [
        f"kind = {json.dumps(correction.kind)}",
        f"lines = {json.dumps(list(correction.lines), ensure_ascii=False)}",
    ]
    rows += [f"{name} = {list(value) if isinstance(value, tuple) else value}" for name, value in held.items()]
    return "\n".join(["[[corrections]]", *rows, f"reason = {json.dumps(correction.reason, ensure_ascii=False)}"])
