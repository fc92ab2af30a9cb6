"""What to walk again before leaving, in the order of a short walk, in words to act on."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_in_range
from yewline.errors import InputError
from yewline.model import Finding

__all__ = ["AGAIN", "Rewalk", "resurvey_list"]

F64 = npt.NDArray[np.float64]
Ends = tuple[float, float, float, float]

AGAIN: dict[str, str] = {
    "line-left-out": "could not be read",
    "row-without-file": "its file is not there",
    "line-duplicate": "another line has its name",
    "line-repeat": "holds the ground of another line",
    "line-copied": "holds the samples of another line",
    "file-same-content": "holds the file of another line",
    "line-gap": "missing",
    "segment-beyond": "cut off",
    "trace-count": "wrong number of traces",
    "trace-clipped": "cut off at full scale",
    "trace-dead": "traces without signal",
    "line-noise": "noisy",
    "line-level": "recorded on another scale",
    "odometer-slip": "the wheel slipped",
    "repeat-poor": "does not agree with its repeat",
    "settings-interval-ns": "recorded with other settings",
    "settings-window-ns": "recorded with other settings",
    "settings-samples": "recorded with other settings",
    "settings-gain": "recorded with other settings",
    "settings-centre-mhz": "recorded with another antenna",
}
"""Codes of findings that a walk can put right, and why in a few words."""

_PLACE = re.compile(r"from \(([-+\d.e]+), ([-+\d.e]+)\) to \(([-+\d.e]+), ([-+\d.e]+)\)")
_WORDS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


@dataclass(frozen=True, slots=True)
class Rewalk:
    """One line to walk again.

    Attributes
    ----------
    line : its name; "A07–A09" for a missing one between these.
    x0, y0, x1, y1 : where to begin and where to end, site metres.
    heading : word of the compass.
    start : the peg to begin at, or its coordinates.
    walk_m : way to get there from the end of the one before.
    why : reasons, joined.
    text : the whole as one sentence.
    """

    line: str
    x0: float
    y0: float
    x1: float
    y1: float
    heading: str
    start: str
    walk_m: float
    why: str
    text: str


def resurvey_list(
    findings: Sequence[Finding],
    lines: Mapping[str, Ends],
    *,
    begin: tuple[float, float] | None = None,
    pegs: Mapping[str, tuple[float, float]] | None = None,
    north_deg: float = 0.0,
    keep_direction: bool = False,
    most: int = 200,
) -> tuple[Rewalk, ...]:
    """The lines to walk again, in an order and direction that makes the way between them short.

    Parameters
    ----------
    findings : of one visit's check; those that a walk can put right are in `AGAIN`.
    lines : line name to its planned ends (x0, y0, x1, y1), also of lines that could not be read.
    begin : where one stands, site metres; None: at the best end of any line.
    pegs : name to (x, y); a peg within 0.5 m of a line's start names it.
    north_deg : bearing of the site's +y axis.
    keep_direction : walk each line as it was planned; otherwise from the nearer end.
    most : longest list.

    Returns
    -------
    the walk; empty if nothing is to be done. Findings on lines whose ends are not known are passed over.

    Raises
    ------
    InputError : ends that are not four finite numbers.

    Notes
    -----
    Nearest end first, from several beginnings, then improved by turning round stretches of the walk (2-opt) and single
    lines for as long as the way gets shorter.

    Examples
    --------
    >>> found = [Finding("warning", "trace-dead", "", line="A02"), Finding("warning", "line-noise", "", line="A14")]
    >>> walk = resurvey_list(found, {"A02": (1, 0, 1, 9), "A14": (2, 8, 2, 0)}, begin=(1.0, 0.0))
    >>> walk[0].text
    'walk line A02 again, northward, from (1.0, 0.0): traces without signal'
    >>> walk[1].text
    'walk line A14 again, southward, from (2.0, 8.0): noisy'
    """
    check_in_range(most, "most", 1, 100_000)
    known = {name: _checked(name, ends) for name, ends in lines.items()}
    wanted = _wanted(findings, known)
    if not wanted:
        return ()
    names = sorted(wanted)[:most]
    ends = np.array([wanted[name][0] for name in names])
    order, turned = _short_walk(ends, begin, keep_direction)
    here = None if begin is None else np.array(begin, np.float64)
    steps = []
    for k, back in zip(order, turned, strict=True):
        place = ends[k] if not back else ends[k][[2, 3, 0, 1]]
        start, stop = place[:2], place[2:]
        way = 0.0 if here is None else float(np.hypot(*(start - here)))
        steps.append(_step(names[k], start, stop, way, wanted[names[k]][1], pegs or {}, north_deg))
        here = stop
    return tuple(steps)


def _checked(name: str, ends: Ends) -> F64:
    values = check_array(ends, f"ends of line {name}", ndim=1)
    if len(values) != 4:
        raise InputError("each line needs x0, y0, x1, y1", where=name, received=f"{len(values)} values")
    return values


def _wanted(findings: Sequence[Finding], lines: Mapping[str, F64]) -> dict[str, tuple[F64, list[str]]]:
    """Name to ends and reasons."""
    wanted: dict[str, tuple[F64, list[str]]] = {}
    for finding in findings:
        why = AGAIN.get(finding.code)
        if why is None or finding.grade in ("found", "assumed"):
            continue
        name, ends = finding.line, lines.get(finding.line)
        if finding.code == "line-gap":
            placed = _PLACE.search(finding.where)
            if placed is None:
                continue
            name = f"beside {finding.line}" if finding.line else "in the gap"
            between = re.search(r"between lines (\S+) and ([^\s,:]+)", finding.text)
            if between:
                name = f"between {between[1]} and {between[2]}"
            ends = np.array([float(value) for value in placed.groups()])
        if ends is None:
            continue
        reasons = wanted.setdefault(name, (ends, []))[1]
        if why not in reasons:
            reasons.append(why)
    return wanted


def _short_walk(ends: F64, begin: tuple[float, float] | None, keep: bool) -> tuple[list[int], list[bool]]:
    """Order of lines and which are walked from their far end."""
    starts: list[tuple[int, bool] | None] = [None]
    if begin is None:
        for k in range(min(len(ends), 20)):
            starts += [(k, False)] if keep else [(k, False), (k, True)]
        starts = starts[1:]
    best: tuple[float, list[int], list[bool]] | None = None
    for first in starts:
        order, turned = _nearest(ends, begin, first, keep)
        order, turned = _improved(ends, begin, order, turned, keep)
        length = _length(ends, begin, order, turned)
        if best is None or length < best[0] - 1e-9:
            best = (length, order, turned)
    assert best is not None
    return best[1], best[2]


def _ends_of(ends: F64, k: int, back: bool) -> tuple[F64, F64]:
    return (ends[k, 2:], ends[k, :2]) if back else (ends[k, :2], ends[k, 2:])


def _nearest(
    ends: F64, begin: tuple[float, float] | None, first: tuple[int, bool] | None, keep: bool
) -> tuple[list[int], list[bool]]:
    left = set(range(len(ends)))
    order: list[int] = []
    turned: list[bool] = []
    here = np.zeros(2) if begin is None else np.array(begin, np.float64)
    if first is not None:
        order, turned = [first[0]], [first[1]]
        left.discard(first[0])
        here = _ends_of(ends, *first)[1]
    while left:
        options = [(k, back) for k in sorted(left) for back in ((False,) if keep else (False, True))]
        away = [float(np.hypot(*(_ends_of(ends, k, back)[0] - here))) for k, back in options]
        k, back = options[int(np.argmin(away))]
        order.append(k)
        turned.append(back)
        left.discard(k)
        here = _ends_of(ends, k, back)[1]
    return order, turned


def _length(ends: F64, begin: tuple[float, float] | None, order: list[int], turned: list[bool]) -> float:
    """Way between lines, m; the lines themselves are walked in any case."""
    start = np.array([_ends_of(ends, k, back)[0] for k, back in zip(order, turned, strict=True)])
    stop = np.array([_ends_of(ends, k, back)[1] for k, back in zip(order, turned, strict=True)])
    way = float(np.hypot(*(start[1:] - stop[:-1]).T).sum())
    return way if begin is None else way + float(np.hypot(*(start[0] - np.array(begin))))


def _improved(
    ends: F64, begin: tuple[float, float] | None, order: list[int], turned: list[bool], keep: bool
) -> tuple[list[int], list[bool]]:
    length = _length(ends, begin, order, turned)
    for _ in range(20):
        shorter = False
        for i in range(len(order)):
            for j in range(i, len(order)):
                # A stretch walked backwards turns each of its lines as well, unless directions are kept.
                flipped = [back if keep else not back for back in turned[i : j + 1][::-1]]
                trial = order[:i] + order[i : j + 1][::-1] + order[j + 1 :]
                trial_turned = turned[:i] + flipped + turned[j + 1 :]
                way = _length(ends, begin, trial, trial_turned)
                if way < length - 1e-9:
                    order, turned, length, shorter = trial, trial_turned, way, True
        if not shorter or len(order) > 60:
            break
    return order, turned


def _step(
    name: str,
    start: F64,
    stop: F64,
    way: float,
    reasons: list[str],
    pegs: Mapping[str, tuple[float, float]],
    north_deg: float,
) -> Rewalk:
    bearing = math.degrees(math.atan2(stop[0] - start[0], stop[1] - start[1])) + north_deg
    heading = _WORDS[round(bearing / 45.0) % 8]
    near = {peg: math.hypot(x - start[0], y - start[1]) for peg, (x, y) in pegs.items()}
    peg = min(near, key=lambda each: near[each], default="")
    at = f"peg {peg}" if peg and near[peg] <= 0.5 else f"({start[0]:.1f}, {start[1]:.1f})"
    why = ", ".join(reasons)
    told = (
        f"walk a line {name}" if name.startswith(("between ", "beside ", "in the gap")) else f"walk line {name} again"
    )
    return Rewalk(
        line=name,
        x0=float(start[0]),
        y0=float(start[1]),
        x1=float(stop[0]),
        y1=float(stop[1]),
        heading=heading,
        start=at,
        walk_m=way,
        why=why,
        text=f"{told}, {heading}ward, from {at}: {why}",
    )
