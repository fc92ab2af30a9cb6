"""Spacing of parallel lines, and where a line seems to be missing between two neighbours."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_positive
from yewline.errors import InputError
from yewline.model import Finding

__all__ = [
    "LineGap",
    "families_of",
    "family_axis",
    "gap_findings",
    "line_gaps",
    "line_spacing_m",
    "same_ends_findings",
]

Array = npt.NDArray[np.float64]
Ends = tuple[float, float, float, float]
_Cut = tuple[float, npt.NDArray[np.intp], Array]

FAMILY_DEG = 5.0
FAN_DEG = 20.0
STATIONS = 65
SAME_TRACK = 0.25
NEIGHBOURS = 4
SAME_ENDS_M = 0.01
"""Nobody walks one track twice so exactly: both ends of two lines nearer than that were written down as the same."""


@dataclass(frozen=True, slots=True)
class LineGap:
    """A strip between two neighbouring lines that is wider than the design.

    Attributes
    ----------
    before, after : names of the lines on its sides.
    width_m, design_m : width of the strip, and the spacing around it.
    missing : how many lines seem to be missing.
    x0, y0, x1, y1 : ends of the strip's middle, site metres.
    """

    before: str
    after: str
    width_m: float
    design_m: float
    missing: int
    x0: float
    y0: float
    x1: float
    y1: float


@dataclass(frozen=True, slots=True)
class _Pair:
    """Two lines that are neighbours along the stretch [low, high] of their family's axis."""

    a: int
    b: int
    width: float
    low: float
    high: float
    share: float
    offset: float


def line_spacing_m(lines: Mapping[str, Ends]) -> float:
    """Median spacing between neighbouring lines of the direction that most metres were walked in.

    Parameters
    ----------
    lines : line name to its ends (x0, y0, x1, y1), site metres.

    Returns
    -------
    spacing : m; NaN where no two parallel lines lie beside each other.

    Examples
    --------
    >>> line_spacing_m({f"L{i}": (0.0, 0.5 * i, 20.0, 0.5 * i) for i in range(9)})
    0.5
    """
    _, ends = _checked(lines)
    families = sorted(families_of(ends), key=lambda members: -_lengths(ends[members]).sum())
    for members in families:
        widths = [pair.width for pair in _pairs(ends, members) if pair.share >= 0.5]
        if widths:
            return round(float(np.median(widths)), 9)
    return math.nan


def line_gaps(lines: Mapping[str, Ends], *, factor: float = 1.5) -> list[LineGap]:
    """Strips between neighbouring parallel lines that are wider than `factor` times the design spacing.

    Lines that run alike (within 5°, either way round) are one family. Two lines are neighbours where no other
    of the family lies between them; a strip counts where they are so over at least half of the stretch that
    they share. The design is the median of the nearest four spacings, taken on either side of the strip and the
    wider of the two, so that a part of the site walked more densely does not make the rest look full of gaps.

    Parameters
    ----------
    lines : line name to its ends (x0, y0, x1, y1), site metres.
    factor : how much wider than the design; 1.5 is common practice, no source.

    Returns
    -------
    gaps : family by family, across each.

    Raises
    ------
    InputError : no lines, ends that are not finite, a line without length, or `factor` not above 1.

    Examples
    --------
    >>> lines = {f"L{i}": (0.0, 0.5 * i, 20.0, 0.5 * i) for i in range(12) if i != 7}
    >>> gap, = line_gaps(lines)
    >>> gap.before, gap.after, gap.width_m, gap.missing, (gap.x0, gap.y0)
    ('L6', 'L8', 1.0, 1, (0.0, 3.5))
    """
    if check_positive(factor, "factor") <= 1:
        raise InputError("factor must be above 1", received=factor)
    names, ends = _checked(lines)
    gaps = []
    for members in families_of(ends):
        pairs = [pair for pair in _pairs(ends, members) if pair.share >= 0.5]
        axis = family_axis(ends[members])
        for pair in pairs:
            design = _design(pair, pairs)
            if design is None or pair.width <= factor * design * (1 + 1e-9):
                continue
            across = np.array([-axis[1], axis[0]])
            start, stop = (s * axis + pair.offset * across for s in (pair.low, pair.high))
            place = [round(float(value), 6) + 0.0 for value in (*start, *stop)]
            missing = max(1, round(pair.width / design) - 1)
            width = round(pair.width, 6)
            gaps.append(LineGap(names[pair.a], names[pair.b], width, round(design, 6), missing, *place))
    return gaps


def gap_findings(lines: Mapping[str, Ends], *, factor: float = 1.5) -> list[Finding]:
    """The gaps of `line_gaps` as warnings that a field assistant can act on.

    Examples
    --------
    >>> lines = {f"L{i}": (0.0, 0.5 * i, 20.0, 0.5 * i) for i in range(12) if i != 7}
    >>> finding, = gap_findings(lines)
    >>> finding.text
    'a gap of 1.00 m between lines L6 and L8, where lines are 0.50 m apart: 1 line seems to be missing'
    """
    findings = []
    for gap in line_gaps(lines, factor=factor):
        told = "1 line seems" if gap.missing == 1 else f"{gap.missing} lines seem"
        findings.append(
            Finding(
                "warning",
                "line-gap",
                f"a gap of {gap.width_m:.2f} m between lines {gap.before} and {gap.after}, "
                f"where lines are {gap.design_m:.2f} m apart: {told} to be missing",
                where=f"from ({gap.x0:.2f}, {gap.y0:.2f}) to ({gap.x1:.2f}, {gap.y1:.2f})",
                do="walk it, or check the coordinates of the lines on both sides",
                line=gap.before,
            )
        )
    return findings


def same_ends_findings(lines: Mapping[str, Ends]) -> list[Finding]:
    """Lines whose ends are the same, either way round: a reference line walked again, or a slip in the table.

    Parameters
    ----------
    lines : line name to its ends (x0, y0, x1, y1), site metres.

    Returns
    -------
    findings : an assumption for each track that several lines share, with all their names.

    Examples
    --------
    >>> lines = {"L1": (0.0, 0.0, 9.0, 0.0), "L2": (0.0, 1.0, 9.0, 1.0), "L3": (9.0, 0.0, 0.0, 0.0)}
    >>> [finding.text for finding in same_ends_findings(lines)]
    ['lines L1 and L3 have the same ends: taken as one track walked again']
    """
    if not lines:
        return []
    names = list(lines)
    ends = check_array(list(lines.values()), "ends of lines", ndim=2)
    tracks: dict[int, list[int]] = {}
    for k, mine in enumerate(ends):
        first = ends[list(tracks)].reshape(-1, 4)
        apart = np.minimum(np.abs(first - mine).max(axis=1), np.abs(first[:, [2, 3, 0, 1]] - mine).max(axis=1))
        alike = [other for other, metres in zip(tracks, apart, strict=True) if metres <= SAME_ENDS_M]
        tracks.setdefault(alike[0] if alike else k, []).append(k)
    return [
        Finding(
            "assumed",
            "line-same-ends",
            f"lines {', '.join(names[k] for k in same[:-1])} and {names[same[-1]]} have the same ends: "
            "taken as one track walked again",
            where="lines.csv",
            received="from ({:.2f}, {:.2f}) to ({:.2f}, {:.2f})".format(*ends[same[0]]),
            do="nothing, where that was meant; else mend the coordinates of the lines that were walked elsewhere",
            line=names[same[-1]],
        )
        for same in tracks.values()
        if len(same) > 1
    ]


def _checked(lines: Mapping[str, Ends]) -> tuple[list[str], Array]:
    if not lines:
        raise InputError("there are no lines", do="give each line's ends")
    ends = check_array(list(lines.values()), "ends of lines", ndim=2)
    if ends.shape[1] != 4:
        raise InputError("each line needs x0, y0, x1, y1", received=f"{ends.shape[1]} values")
    names = list(lines)
    still = np.flatnonzero(_lengths(ends) == 0)
    if len(still):
        raise InputError(f"line {names[still[0]]} has no length", received=tuple(ends[still[0], :2].tolist()))
    return names, ends


def _lengths(ends: Array) -> Array:
    return np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])


def families_of(ends: Array) -> list[npt.NDArray[np.intp]]:
    """Groups of lines of one direction, whichever way round they were walked; each in the order given.

    Lines that spread over more than 20° like a fan are not parallel and belong to no group.
    """
    bearing = np.degrees(np.arctan2(ends[:, 3] - ends[:, 1], ends[:, 2] - ends[:, 0])) % 180.0
    order = np.argsort(bearing, kind="stable")
    steps = np.diff(bearing[order], append=bearing[order[0]] + 180.0)
    cuts = np.flatnonzero(steps > FAMILY_DEG)
    if not len(cuts):
        return []
    # The circle of directions is opened at its first wide step, so that 179° and 1° stay together.
    pieces = np.split(np.roll(order, -(cuts[0] + 1)), np.diff(cuts).cumsum())
    parallel = [np.sort(piece) for piece in pieces if (bearing[piece[-1]] - bearing[piece[0]]) % 180.0 <= FAN_DEG]
    return sorted(parallel, key=lambda piece: int(piece[0]))


def family_axis(ends: Array) -> Array:
    """Unit vector along a family: the mean of doubled angles, in which both ways round agree."""
    along = (ends[:, 2] - ends[:, 0]) + 1j * (ends[:, 3] - ends[:, 1])
    mean = np.sum(along**2 / np.abs(along))
    half = 0.5 * np.angle(mean)
    return np.array([math.cos(half), math.sin(half)])


def _pairs(ends: Array, members: npt.NDArray[np.intp]) -> list[_Pair]:
    """Neighbours in one family, ordered across it.

    The family is cut by lines across it at many stations; at each, the lines met are sorted, and two that
    follow one another are neighbours there. Passes over the same track count as one line.
    """
    s0, s1, t0, t1 = _along_and_across(ends[members])
    edges = np.linspace(s0.min(), s1.max(), STATIONS + 1)
    step = float(edges[1] - edges[0])
    cuts: list[_Cut] = []
    for s in 0.5 * (edges[1:] + edges[:-1]):
        here = np.flatnonzero((s0 <= s) & (s <= s1))
        t = t0[here] + (t1 - t0)[here] * (s - s0[here]) / np.maximum(s1 - s0, 1e-12)[here]
        order = np.argsort(t, kind="stable")
        cuts.append((float(s), here[order], t[order]))
    track = _tracks(cuts, s0, s1, step)
    seen: dict[tuple[int, int], list[tuple[float, float, float]]] = {}
    for s, here, t in cuts:
        first = np.unique(track[here], return_index=True)[1]
        first.sort()
        for k, after in pairwise(first):
            pair = (int(track[here[k]]), int(track[here[after]]))
            seen.setdefault(pair, []).append((s, float(t[after] - t[k]), 0.5 * float(t[after] + t[k])))
    pairs = []
    for (a, b), met in seen.items():
        start = max(s0[track == a].min(), s0[track == b].min())
        stop = min(s1[track == a].max(), s1[track == b].max())
        at, width, middle = np.array(met).T
        share = min(1.0, len(met) * step / (stop - start)) if stop > start else 0.0
        low, high = max(start, at.min() - step / 2), min(stop, at.max() + step / 2)
        place = (float(np.median(width)), float(low), float(high), share, float(np.median(middle)))
        pairs.append(_Pair(int(members[a]), int(members[b]), *place))
    return sorted(pairs, key=lambda pair: (pair.offset, pair.low))


def _along_and_across(ends: Array) -> tuple[Array, Array, Array, Array]:
    """Ends as (s0, s1, t0, t1) along and across the family, s0 < s1."""
    axis = family_axis(ends)
    across = np.array([-axis[1], axis[0]])
    start, stop = ends[:, :2], ends[:, 2:]
    s0, s1, t0, t1 = start @ axis, stop @ axis, start @ across, stop @ across
    turned = s0 > s1
    s0, s1 = np.where(turned, s1, s0), np.where(turned, s0, s1)
    t0, t1 = np.where(turned, t1, t0), np.where(turned, t0, t1)
    return s0, s1, t0, t1


def _tracks(cuts: list[_Cut], s0: Array, s1: Array, step: float) -> npt.NDArray[np.intp]:
    """For each line the first line of the track it lies on: repeats of one track lie close over half their length."""
    widths = np.concatenate([np.diff(t) for _, _, t in cuts])
    track = np.arange(len(s0))
    if not len(widths):
        return track
    same = SAME_TRACK * float(np.quantile(widths, 0.75))
    close: dict[tuple[int, int], int] = {}
    for _, here, t in cuts:
        for k in np.flatnonzero(np.diff(t) <= same):
            pair = (int(min(here[k], here[k + 1])), int(max(here[k], here[k + 1])))
            close[pair] = close.get(pair, 0) + 1
    for (a, b), count in sorted(close.items()):
        if count * step >= 0.5 * (min(s1[a], s1[b]) - max(s0[a], s0[b])):
            track[track == track[b]] = track[a]
    return track


def _design(pair: _Pair, pairs: list[_Pair]) -> float | None:
    """The spacing that `pair` should have: the wider of the medians on its two sides; None where none is known.

    Sides are taken apart, because where a densely walked part ends the next strip belongs to the other part.
    """
    beside = [
        other
        for other in pairs
        if other is not pair
        and min(other.high, pair.high) - max(other.low, pair.low)
        > 0.5 * min(other.high - other.low, pair.high - pair.low)
    ]
    below = [other.width for other in beside if other.offset < pair.offset][-NEIGHBOURS:]
    above = [other.width for other in beside if other.offset >= pair.offset][:NEIGHBOURS]
    medians = [float(np.median(side)) for side in (below, above) if len(side) >= 2]
    if medians:
        return max(medians)
    return float(np.median(below + above)) if len(below + above) >= 2 else None
