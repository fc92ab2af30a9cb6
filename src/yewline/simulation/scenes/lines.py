"""The survey lines of a scene: parallel lines of a grid, and lines given by their ends."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline._check import check_finite, check_in_range, check_positive
from yewline.errors import InputError
from yewline.model import Grid

__all__ = ["ExtraLine", "LinePlan", "SceneLine", "planned_lines"]

Pair = tuple[float, float]

_SLACK = 1e-9


@dataclass(frozen=True, slots=True)
class ExtraLine:
    """A line of its own, given by its ends.

    Attributes
    ----------
    name : of the line.
    start, end : site metres (x, y) of its first and last trace.
    """

    name: str
    start: Pair
    end: Pair

    def __post_init__(self) -> None:
        _check_name(self.name)
        if not math.dist(self.start, self.end) > 0:
            raise InputError("the line is empty: it ends where it starts", received=self.start)


@dataclass(frozen=True, slots=True)
class LinePlan:
    """Where the antennas are drawn: parallel lines of one grid, and single lines besides.

    Attributes
    ----------
    count : how many parallel lines; 0 for none, where there are extra ones.
    length_m : of each parallel line, m.
    spacing_m : from one parallel line to the next, m; 0.5 is a common compromise for graves (common practice).
    trace_interval_m : along all lines, m.
    origin : site metres (x, y) of the first trace of the first line.
    rotation_deg : of the lines from the site's +x axis, anticlockwise; the next line lies to the left of the walker.
    prefix : lines are named with it and their number, such as L01.
    zigzag : every second parallel line is walked from its far end.
    extra : lines given by their ends.
    """

    count: int = 0
    length_m: float = 10.0
    spacing_m: float = 0.5
    trace_interval_m: float = 0.05
    origin: Pair = (0.0, 0.0)
    rotation_deg: float = 0.0
    prefix: str = "L"
    zigzag: bool = False
    extra: tuple[ExtraLine, ...] = ()

    def __post_init__(self) -> None:
        check_in_range(self.count, "count", 0, 10_000)
        for name in ("length_m", "spacing_m", "trace_interval_m"):
            check_positive(getattr(self, name), name)
        check_finite(self.rotation_deg, "rotation_deg")
        if not self.count and not self.extra:
            raise InputError("there are no lines", do="give a count of parallel lines, or the ends of an extra one")
        if self.count:
            _check_name(f"{self.prefix}1")
            if self.length_m < self.trace_interval_m:
                raise InputError(
                    "length_m leaves the line empty: it is shorter than the trace interval",
                    received=f"{self.length_m:g} m at {self.trace_interval_m:g} m",
                    do="make the lines longer",
                )
        seen: set[str] = set()
        for line in planned_lines(self):
            # Some file systems do not tell capitals from small letters.
            if line.name.casefold() in seen:
                raise InputError("two lines have the same name", received=repr(line.name), do="give each its own")
            seen.add(line.name.casefold())


@dataclass(frozen=True, slots=True)
class SceneLine:
    """One straight line as planned.

    Attributes
    ----------
    name : of the line.
    start, end : site metres (x, y) of its first and last trace, in the order in which it is walked.
    trace_interval_m : the interval asked for, m.
    """

    name: str
    start: Pair
    end: Pair
    trace_interval_m: float

    @property
    def length_m(self) -> float:
        """From the first trace to the last, m."""
        return math.dist(self.start, self.end)

    def places(self) -> npt.NDArray[np.float64]:
        """(T,) distances of the traces along the line, m; the last one lies at the end.

        Examples
        --------
        >>> SceneLine("L1", (0.0, 0.0), (0.3, 0.4), 0.1).places().round(6).tolist()
        [0.0, 0.1, 0.2, 0.3, 0.4, 0.5]
        """
        steps = max(1, round(self.length_m / self.trace_interval_m))
        return np.linspace(0.0, self.length_m, steps + 1)

    def xy(self) -> npt.NDArray[np.float64]:
        """(T, 2) site metres of the traces."""
        share = self.places() / self.length_m
        return np.asarray(self.start) + share[:, None] * (np.asarray(self.end) - np.asarray(self.start))


def planned_lines(plan: LinePlan) -> tuple[SceneLine, ...]:
    """All lines of a plan: the parallel ones in their order, then the extra ones.

    The length of a parallel line is cut to a whole number of trace intervals. An extra line keeps its ends, and its
    traces lie evenly between them, as near to the interval asked for as a whole number of them comes.

    Examples
    --------
    >>> plan = LinePlan(count=2, length_m=3.0, origin=(1.0, 1.0), extra=(ExtraLine("tie", (2.0, 0.0), (2.0, 4.0)),))
    >>> [(line.name, line.start, line.end) for line in planned_lines(plan)]
    [('L1', (1.0, 1.0), (4.0, 1.0)), ('L2', (1.0, 1.5), (4.0, 1.5)), ('tie', (2.0, 0.0), (2.0, 4.0))]
    """
    steps = math.floor(plan.length_m / plan.trace_interval_m + _SLACK)
    length = steps * plan.trace_interval_m
    across = plan.spacing_m * np.arange(plan.count, dtype=np.float64)
    grid = Grid(name="plan", origin=plan.origin, rotation_deg=plan.rotation_deg)
    ends = [grid.to_site(np.column_stack([np.full(plan.count, far), across])).round(9) for far in (0.0, length)]
    width = len(str(plan.count))
    lines = []
    for i, (start, end) in enumerate(zip(*(_pairs(points) for points in ends), strict=True)):
        first, last = (end, start) if plan.zigzag and i % 2 else (start, end)
        lines.append(SceneLine(f"{plan.prefix}{i + 1:0{width}d}", first, last, plan.trace_interval_m))
    lines += [SceneLine(line.name, line.start, line.end, plan.trace_interval_m) for line in plan.extra]
    return tuple(lines)


def _pairs(points: Iterable[Iterable[float]]) -> list[Pair]:
    return [(float(x) + 0.0, float(y) + 0.0) for x, y in points]


def _check_name(name: str) -> None:
    # A line's name becomes the name of its file.
    if not name or not all(letter.isalnum() or letter in "-_" for letter in name) or len(name) > 40:
        raise InputError(
            "a line's name must be letters, digits, - and _", received=repr(name), do="name it such as L01 or tie-1"
        )
