"""What is kept of every line while a visit is read, and what only shows when all its lines are seen together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import xarray as xr

from yewline.model import Finding
from yewline.positions import CopyMark, copy_mark, find_copied_data, gap_findings, same_ends_findings, trace_count_check

__all__ = ["Ends", "LineLook", "far_lines", "line_ends", "look_at", "whole_survey"]

Ends = tuple[float, float, float, float]

FAR_M: Final = 1000.0
FAR_TIMES: Final = 20.0
"""A line this far off, and by this much farther than the others are, is not part of a survey on foot."""

LEVEL_TIMES: Final = 3.0
"""A line whose direct wave is this much stronger or weaker than the others' was recorded on another scale."""


@dataclass(frozen=True, slots=True)
class LineLook:
    """What checks of a whole visit need to know of one raw line.

    Attributes
    ----------
    ends : first and last position, (x0, y0, x1, y1).
    length_m : along its traces.
    traces : how many; each segment has one trace more than it has steps, so one is taken off for each but the first.
    level : median over traces of each trace's largest swing: the direct wave, much alike along a survey.
    mark : what tells its samples from those of other lines.
    file : in which it was recorded.
    """

    ends: Ends
    length_m: float
    traces: int
    level: float
    mark: CopyMark
    file: str


def look_at(radargram: xr.DataArray) -> LineLook:
    """What is kept of a raw line."""
    return LineLook(
        line_ends(radargram),
        float(radargram["distance"].values[-1]),
        len(radargram) + 1 - len(np.unique(radargram["segment"].values)),
        float(np.median(np.abs(radargram.values).max(axis=1))),
        copy_mark(radargram.values),
        str(radargram.attrs["file"]).replace("\\", "/").removeprefix("./"),
    )


def line_ends(radargram: xr.DataArray) -> Ends:
    """First and last position of a line, (x0, y0, x1, y1)."""
    x, y = radargram["x"].values, radargram["y"].values
    return float(x[0]), float(y[0]), float(x[-1]), float(y[-1])


def whole_survey(looks: Mapping[str, LineLook]) -> list[Finding]:
    """Gaps between lines, lines in one place, odd trace counts, other levels and copied samples."""
    lengths = {line: float(np.hypot(x1 - x0, y1 - y0)) for line, (x0, y0, x1, y1) in _ends(looks).items()}
    long = {line: looks[line].ends for line, length in lengths.items() if length > 0}
    return [
        *(gap_findings(long) if long else []),
        *same_ends_findings(long),
        *trace_count_check({line: (look.length_m, look.traces) for line, look in looks.items()}),
        *_other_levels(looks),
        *find_copied_data({line: look.mark for line, look in looks.items()}),
    ]


def _ends(looks: Mapping[str, LineLook]) -> dict[str, Ends]:
    return {line: look.ends for line, look in looks.items()}


def _other_levels(looks: Mapping[str, LineLook]) -> list[Finding]:
    """Lines recorded on another scale than the rest: another gain or number type makes hotspots of its own."""
    if len(looks) < 5:
        return []
    typical = float(np.median([look.level for look in looks.values()]))
    return [
        Finding(
            "warning",
            "line-level",
            "the line's amplitudes are on another scale than those of the other lines",
            where=f"lines/{look.file}",
            received=f"{look.level / typical:.2g} times the typical level",
            do="bring all lines to one gain and number type (a described flat binary takes a scale), or leave it out",
            line=line,
        )
        for line, look in looks.items()
        if typical > 0 and look.level > 0 and not 1 / LEVEL_TIMES < look.level / typical < LEVEL_TIMES
    ]


def far_lines(looks: Mapping[str, LineLook]) -> list[Finding]:
    """Lines that lie, or end, so far from the others that their coordinates must be a slip of the pen."""
    if len(looks) < 3:
        return []
    ends = np.array([look.ends for look in looks.values()]).reshape(-1, 2, 2)
    distance = np.hypot(*np.moveaxis(ends - np.median(ends.reshape(-1, 2), axis=0), -1, 0)).max(axis=1)
    limit = max(FAR_M, FAR_TIMES * float(np.median(distance)))
    return [
        Finding(
            "fault",
            "line-far",
            "the line lies far from all others",
            where=f"lines/{look.file}",
            received=f"{far / 1000:.1f} km away, from ({x0:g}, {y0:g}) to ({x1:g}, {y1:g})",
            do="mend its coordinates, or put it into a site of its own",
            line=line,
        )
        for (line, look), ((x0, y0), (x1, y1)), far in zip(looks.items(), ends, distance, strict=True)
        if far > limit
    ]
