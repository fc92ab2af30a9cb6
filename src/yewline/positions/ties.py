"""Crossing lines: where one line's column of ground turns up in the other, and so how far its counting is off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline._check import check_in_range, check_positive
from yewline.model import Finding
from yewline.positions.images import LineImages
from yewline.positions.odometer import Mark
from yewline.positions.strength import WAVE_PERIODS
from yewline.units import Z90

__all__ = ["LineTie", "find_ties", "tie_findings", "tie_marks"]

F64 = npt.NDArray[np.float64]

ALIKE = 0.6
AVERAGED_M = 0.05
LIMIT_M = 0.10


@dataclass(frozen=True, slots=True)
class LineTie:
    """One crossing of two lines.

    Attributes
    ----------
    line, other : names; the column of `other` at the crossing was looked for in `line`.
    said_m : where along `line` (from its first trace) the crossing should be, by both lines' coordinates.
    found_m, sigma_m : where it was found, and its standard deviation.
    correlation : of the two columns' waves there.
    """

    line: str
    other: str
    said_m: float
    found_m: float
    sigma_m: float
    correlation: float


def find_ties(sets: Sequence[LineImages], *, most_m: float = 0.8, alike: float = ALIKE) -> list[LineTie]:
    """Find in each line the column of ground that a crossing line recorded.

    Parameters
    ----------
    sets : all of `line_images`: lines of one direction each.
    most_m : how far from the said crossing it is looked for, m.
    alike : correlation of waves below which a tie is not believed.

    Returns
    -------
    ties, both ways for each crossing; crossings in gaps of a line or near its ends are passed over.

    Notes
    -----
    The antennas are turned by the angle of the crossing, so what answers to one of them only (a pipe, a long grave)
    correlates badly and is left out by `alike`. The standard deviation is that of a correlation's peak,
    w·√((1 − r²)/(r²·n)), for a wave that keeps half of its likeness over w along the line and n independent samples.
    """
    reach = check_positive(most_m, "most_m")
    least = check_in_range(alike, "alike", 0.0, 1.0)
    found = []
    for a in range(len(sets)):
        for b in range(len(sets)):
            if a == b:
                continue
            for i in range(len(sets[a].names)):
                for j in range(len(sets[b].names)):
                    tie = _tie(sets[a], i, sets[b], j, reach)
                    if tie is not None and tie.correlation >= least:
                        found.append(tie)
    return found


def tie_marks(ties: Sequence[LineTie], line: str, *, other_sigma_m: float = 0.05) -> list[Mark]:
    """The ties of one line as marks for its rubber band, the crossing lines being trusted to `other_sigma_m`.

    Examples
    --------
    >>> tie_marks([LineTie("A", "C", 5.0, 4.9, 0.03, 0.9)], "A", other_sigma_m=0.04)[0].counted_m
    4.9
    """
    other = check_positive(other_sigma_m, "other_sigma_m")
    return [
        Mark(tie.found_m, tie.said_m, float(np.hypot(tie.sigma_m, other)), f"crossing of line {tie.other}")
        for tie in ties
        if tie.line == line
    ]


def tie_findings(ties: Sequence[LineTie], *, limit_m: float = LIMIT_M, fewest: int = 3) -> list[Finding]:
    """Lines whose crossings lie off by more than a limit, one warning for each.

    Parameters
    ----------
    ties : from `find_ties`.
    limit_m : median misfit of a line's ties above which it is told, m (0.10: from memory, no source).
    fewest : ties below which a line is not judged.

    Examples
    --------
    >>> ties = [LineTie("A", f"C{k}", k, k + 0.3, 0.03, 0.9) for k in (2.0, 4.0, 6.0)]
    >>> tie_findings(ties)[0].received
    '+0.30 ± 0.04 m (90 %), median of 3 crossings'
    """
    findings = []
    for line in dict.fromkeys(tie.line for tie in ties):
        held = [tie for tie in ties if tie.line == line]
        off = np.array([tie.found_m - tie.said_m for tie in held])
        middle = float(np.median(off))
        # A median's standard error is 1.25 times that of a mean.
        spread = max(1.4826 * float(np.median(np.abs(off - middle))), float(np.median([tie.sigma_m for tie in held])))
        error = 1.2533 * spread / np.sqrt(len(held))
        if len(held) >= fewest and abs(middle) > max(limit_m, 3 * error):
            findings.append(
                Finding(
                    "warning",
                    "tie-misfit",
                    "crossing lines say that the line lies shifted along itself",
                    received=f"{middle:+.2f} ± {Z90 * error:.2f} m (90 %), median of {len(held)} crossings",
                    do="check where counting began, and its ends in lines.csv",
                    line=line,
                )
            )
    return findings


def _place(images: LineImages, line: int) -> tuple[F64, F64]:
    """Ends of a line as straight, site metres."""
    axis = np.array(images.axis)
    across = np.array([-axis[1], axis[0]])
    along = images.along_m[line]
    side = images.side_m[line] if images.side_m else (images.across_m[line],) * 2
    return along[0] * axis + side[0] * across, along[-1] * axis + side[1] * across


def _tie(a: LineImages, i: int, b: LineImages, j: int, reach: float) -> LineTie | None:
    p, p1 = _place(a, i)
    q, q1 = _place(b, j)
    length, other = float(np.hypot(*(p1 - p))), float(np.hypot(*(q1 - q)))
    u, v = (p1 - p) / length, (q1 - q) / other
    turn = u[0] * v[1] - u[1] * v[0]
    if abs(turn) < 0.5:
        return None
    gap = q - p
    said, there = (gap[0] * v[1] - gap[1] * v[0]) / turn, (gap[0] * u[1] - gap[1] * u[0]) / turn
    if not (reach <= said <= length - reach and 0.0 <= there <= other):
        return None
    at_a = np.abs(a.along_m[i] - a.along_m[i][0])
    at_b = np.abs(b.along_m[j] - b.along_m[j][0])
    near = np.abs(at_b - there)
    if near.min() > 2 * AVERAGED_M:
        return None
    column = b.wave[j][near <= max(AVERAGED_M, float(near.min()))].mean(axis=0)
    some = np.flatnonzero(np.abs(at_a - said) <= reach)
    if len(some) < 5 or np.diff(at_a[some]).max() > 0.5 * reach:
        return None
    score = _correlations(a.wave[i][some], column)
    best = int(score.argmax())
    if not 0 < best < len(some) - 1:
        return None
    left, top, right = score[best - 1 : best + 2]
    bend = left - 2 * top + right
    step = float(at_a[some][best + 1] - at_a[some][best - 1]) / 2
    found = float(at_a[some][best]) + (0.5 * (left - right) / bend * step if bend < 0 else 0.0)
    samples = max(len(column) * WAVE_PERIODS, 2.0)
    own = _correlations(a.wave[i][some], a.wave[i][some][best])
    half = np.flatnonzero(own < 0.5)
    width = step * (float(np.abs(half - best).min()) if len(half) else len(some) / 2)
    sigma = float(np.hypot(width * np.sqrt(max(1 - top**2, 0.0) / (max(top, 1e-3) ** 2 * samples)), 0.3 * step))
    return LineTie(a.names[i], b.names[j], float(said), found, sigma, float(top))


def _correlations(waves: npt.NDArray[np.float32], column: npt.NDArray[np.float32]) -> F64:
    norm = np.linalg.norm(waves, axis=1) * float(np.linalg.norm(column))
    return np.asarray((waves @ column) / np.where(norm > 0, norm, 1.0), np.float64)
