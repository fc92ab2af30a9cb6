"""Where the traces of a line are, and where they would be at equal distances: repeats, gaps, the new places."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from yewline._check import check_positive
from yewline.errors import InputError
from yewline.signal.section import Section

__all__ = ["Layout", "default_largest_gap_m", "default_spacing_m", "equal_places", "equally_spaced", "layout_of"]

F64 = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

SAME_PLACE = 0.01
"""Traces nearer together than this share of the usual distance stand at one place."""
GAP_SPACINGS = 3.0
MOST_TRACES = 1_000_000
MOST_FINER = 20
"""New traces for each recorded one, at most (our choice): what lies between recorded traces is interpolated, and traces
this close show nothing that a fifth as many would not."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Where a line was recorded, traces at one place taken together, and where it is wanted.

    Attributes
    ----------
    group : (T,) place of each trace.
    at_m : (P,) the places, rising.
    gaps : the places on either side of each gap, m.
    runs : first and one past the last place of each stretch without a gap on which new places fall.
    wanted : for each stretch its new places.
    spacing_m : between new places.
    """

    group: Index
    at_m: F64
    gaps: list[tuple[float, float]]
    runs: list[tuple[int, int]]
    wanted: list[F64]
    spacing_m: float


def default_spacing_m(section: Section) -> float:
    """The usual (median) distance between neighbouring traces that do not stand at one place, m."""
    steps = np.diff(_distances(section))
    moved = steps[steps > 0]
    if len(moved) == 0:
        raise InputError(
            "the line has no length: all traces stand at one place",
            received=f"{len(steps) + 1} traces",
            do="check the line's positions",
        )
    return float(np.median(moved))


def default_largest_gap_m(spacing_m: float) -> float:
    """Three times the spacing, m (our choice): two traces may be missing in a row."""
    return GAP_SPACINGS * spacing_m


def equal_places(section: Section, *, spacing_m: float | None = None, largest_gap_m: float | None = None) -> F64:
    """Distances along the line of the traces that `equal_spacing` returns, for the same parameters.

    Parameters
    ----------
    section : whose `distance_m` says where the traces were taken; it never falls, but may stand still.
    spacing_m, largest_gap_m : as for `equal_spacing`.

    Returns
    -------
    (N,) rising distances, m, all of them the first trace's and a whole number of spacings; none inside a gap.

    Raises
    ------
    InputError : no distances, one that falls, or a value out of range.

    Examples
    --------
    >>> at = np.array([0.0, 0.1, 0.1, 0.22, 0.29, 0.9, 1.0])
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=400.0, distance_m=at)
    >>> equal_places(section, spacing_m=0.1).round(3).tolist()
    [0.0, 0.1, 0.2, 0.9, 1.0]
    """
    return np.concatenate(layout_of(section, spacing_m, largest_gap_m).wanted)


def equally_spaced(section: Section, *, spacing_m: float | None = None, largest_gap_m: float | None = None) -> Section:
    """The section that belongs to the result of `equal_spacing`: what is known of each trace, at the new places.

    Examples
    --------
    >>> at = np.array([0.0, 0.1, 0.25])
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=400.0, distance_m=at, x_m=2.0 * at)
    >>> new = equally_spaced(section, spacing_m=0.05)
    >>> new.spacing_m, new.x_m.round(2).tolist()
    (0.05, [0.0, 0.1, 0.2, 0.3, 0.4, 0.5])
    """
    layout = layout_of(section, spacing_m, largest_gap_m)
    new = np.concatenate(layout.wanted)
    count = np.bincount(layout.group)

    def at_new(values: F64 | None) -> F64 | None:
        if values is None:
            return None
        return np.interp(new, layout.at_m, np.bincount(layout.group, weights=values) / count)

    return replace(
        section,
        spacing_m=layout.spacing_m,
        distance_m=new,
        elevation_m=at_new(section.elevation_m),
        x_m=at_new(section.x_m),
        y_m=at_new(section.y_m),
    )


def _distances(section: Section) -> F64:
    at = section.distance_m
    if at is None:
        raise InputError(
            "equal spacing needs the distance of each trace along the line",
            do="give the line positions: in lines.csv, trace headers or a track",
        )
    falls = np.flatnonzero(np.diff(at) < 0)
    if len(falls):
        k = int(falls[0])
        raise InputError(
            "distance along the line falls",
            received=f"{at[k]:.3f} m at trace {k + 1}, {at[k + 1]:.3f} m at the next",
            do="check the line's track for jumps, and smooth or sort it first",
        )
    return at


def layout_of(section: Section, spacing_m: float | None, largest_gap_m: float | None) -> Layout:
    """The places of a line's traces and the new ones, for the parameters of `equal_spacing`."""
    at = _distances(section)
    usual = default_spacing_m(section)
    spacing = usual if spacing_m is None else check_positive(spacing_m, "spacing_m")
    widest = default_largest_gap_m(max(spacing, usual)) if largest_gap_m is None else largest_gap_m
    check_positive(widest, "largest_gap_m")
    if (at[-1] - at[0]) / spacing > MOST_TRACES:
        raise InputError(
            "spacing_m is too small for this line",
            received=f"{spacing:g} m over {at[-1] - at[0]:.1f} m",
            do=f"at most {MOST_TRACES} new traces are made",
        )
    group = np.concatenate([[0], np.cumsum(np.diff(at) > SAME_PLACE * usual)]).astype(np.int64)
    places = np.bincount(group, weights=at) / np.bincount(group)
    edges = np.flatnonzero(np.diff(places) > widest) + 1
    bounds = [0, *edges.tolist(), len(places)]
    runs, wanted = [], []
    for first, stop in pairwise(bounds):
        # New places lie on one ladder from the first trace on, so that stretches stay in step.
        low = int(np.ceil((places[first] - at[0]) / spacing - 1e-6))
        high = int(np.floor((places[stop - 1] - at[0]) / spacing + 1e-6))
        if high >= low:
            runs.append((first, stop))
            wanted.append(at[0] + spacing * np.arange(low, high + 1))
    made = sum(len(each) for each in wanted)
    if made > MOST_FINER * len(places):
        raise InputError(
            "spacing_m is far finer than the line was recorded",
            received=f"{spacing:g} m makes {made} traces of {len(places)}, which lie {usual:.3g} m apart",
            do=f"leave spacing_m out, or give at least {_rounded_up(usual / MOST_FINER):g} m: nothing shows up between "
            "recorded traces that they do not hold",
        )
    gaps = [(float(places[edge - 1]), float(places[edge])) for edge in edges]
    return Layout(group, places, gaps, runs, wanted, spacing)


def _rounded_up(value: float) -> float:
    """The next number of two digits."""
    unit = 10.0 ** (math.floor(math.log10(value)) - 1)
    return math.ceil(value / unit - 1e-9) * unit
