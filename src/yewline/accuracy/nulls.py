"""Chance levels: mean nearest distances where hotspots know nothing of the burials, under two null hypotheses.

"placement" (A) puts as many hotspots anywhere in covered, verified ground, one by one: a small p says that the
hotspots know where burials are at all. It takes clustered hotspots for independent ones, so it rejects far too often
as a test of anything finer. "shift" (B) moves the whole pattern rigidly by at least one grave length, so that it keeps
its clusters: a small p says that the hotspots lie nearer to the burials than the same pattern elsewhere would. Where
the burials fill only a part of the area, keeping to that part is enough for a small p; `zone_share` tells.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt
import shapely

from yewline._check import check_positive
from yewline.accuracy.nearest import nearest_means
from yewline.accuracy.overlap import Overlap
from yewline.accuracy.result import ChanceLevel
from yewline.accuracy.shifts import Shifts, Variant, draw_shifts, row_note
from yewline.accuracy.window import Window
from yewline.errors import InputError
from yewline.statistics import monte_carlo_p

__all__ = ["ChancePair", "ShiftNull", "placement_level", "shift_level", "shift_null"]

Array = npt.NDArray[np.float64]

WIDE_ZONE = 0.5
"""Burials that take up less of the area than this leave room for hotspots that keep to their zone only (own choice)."""

_CHUNK_POINTS = 2**20


class ChancePair(NamedTuple):
    """The chance level of the mean nearest distance in both directions."""

    hotspot_to_burial: ChanceLevel
    burial_to_hotspot: ChanceLevel


class ShiftNull(NamedTuple):
    """Null B with the shifts it was made of, for whatever else is to be asked of the same shifts.

    `hotspots` (H, 2) are those that were moved; `shifts` is None where there were none to draw.
    """

    levels: ChancePair
    shifts: Shifts | None
    hotspots: Array


def placement_level(
    hotspots: npt.ArrayLike,
    burials: npt.ArrayLike,
    window: Window,
    *,
    draws: int = 9_999,
    seed: int | np.random.Generator,
    notes: tuple[str, ...] = (),
) -> ChancePair:
    """Chance level under null A: as many hotspots, each anywhere in `window`.

    Parameters
    ----------
    hotspots : (H, 2) centroids, m; those outside the window are left out, and a note says so.
    burials : (B, 2) centroids, m.
    window : covered, verified ground.
    draws : m, number of random placements.
    seed : the same seed gives the same bytes.
    notes : cautions to hand on.

    Returns
    -------
    ChancePair : hotspot to burial, burial to hotspot; p is the chance of a mean as small as the one observed.

    Raises
    ------
    InputError : fewer than one draw, or points that are not (n, 2).

    Examples
    --------
    >>> import shapely
    >>> field = Window.of(shapely.box(0, 0, 30, 20))
    >>> graves = [[5.0, 5.0], [15.0, 9.0], [24.0, 14.0]]
    >>> level = placement_level(graves, graves, field, draws=199, seed=1).hotspot_to_burial
    >>> level.p, level.smallest_p
    (0.005, 0.005)
    """
    inside, there, said, why = _prepare(hotspots, burials, window, draws)
    if why:
        return _none("placement", draws, why, notes + said)
    rng = np.random.default_rng(seed)
    observed = nearest_means(inside[None], there)[0]
    n = len(inside)
    size = max(1, _CHUNK_POINTS // n)
    parts = []
    for start in range(0, draws, size):
        count = min(size, draws - start)
        parts.append(nearest_means(window.sample(rng, count * n).reshape(count, n, 2), there))
    sample = np.concatenate(parts)
    return ChancePair(
        *(_level("placement", sample[:, side], observed[side], 0, notes + said) for side in (0, 1)),
    )


def shift_level(
    hotspots: npt.ArrayLike,
    burials: npt.ArrayLike,
    window: Window,
    *,
    grave_length_m: float,
    draws: int = 9_999,
    seed: int | np.random.Generator,
    variant: Variant | None = None,
) -> ChancePair:
    """Chance level under null B: the whole pattern of hotspots shifted rigidly by at least one grave length.

    Shifts are uniform over all that are possible. Where the area has room for it, every hotspot stays inside; else
    hotspots that leave a rectangle come in on the other side, and those that leave any other area are dropped.

    Parameters
    ----------
    hotspots : (H, 2) centroids, m; those outside the window are left out, and a note says so.
    burials : (B, 2) centroids, m.
    window : the area with its holes.
    grave_length_m : the shortest shift.
    draws : m, shifts of at least that length.
    seed : the same seed gives the same bytes.
    variant : "inside", "wrapped" or "dropped"; chosen by the area's room where None.

    Returns
    -------
    ChancePair : hotspot to burial, burial to hotspot.

    Raises
    ------
    InputError : fewer than one draw, points that are not (n, 2), or a grave length that is not positive.

    Notes
    -----
    A shift shorter than a grave length cannot be told from none. The s such shifts that are met while m longer ones
    are drawn count as the observed pattern itself: p = (b + s + 1)/(m + s + 1). Were they left out altogether, a
    pattern that has a good place by luck would be compared with worse places only, and the test would reject too
    often. So the smallest p is (s + 1)/(m + s + 1), about one over the number of shifts a grave length apart that
    there is room for.

    "dropped", from hotspot to burial: with v the shift, T(v) the mean distance of the n(v) hotspots left inside and
    c(v) the mean distance of all ground left in common by the area and its shifted copy, a(v) = T(v) − c(v) is freed of
    the edge, and (a(v) − ā)√(n(v)/H) has one variance for all shifts. From burial to hotspot, burials outside the
    shifted area are left out and T(v) − T̄ is scaled likewise; c is not taken off, for burials lie in a zone of
    their own, not all over the area. `sample_m` is on the scale of the observed mean.

    References
    ----------
    Mrkvička, T., Dvořák, J., González, J. A. & Mateu, J. 2021. Spatial Statistics 42, 100430 (random shifts with
    variance correction). Lotwick, H. W. & Silverman, B. W. 1982. J. R. Stat. Soc. B 44, 406–413 (wrapped shifts).
    Phipson & Smyth 2010 for (b + 1)/(m + 1).

    Examples
    --------
    >>> import shapely
    >>> field = Window.of(shapely.box(0, 0, 60, 40))
    >>> graves = np.random.default_rng(1).uniform((20, 15), (40, 25), (12, 2))
    >>> pair = shift_level(graves + 0.1, graves, field, grave_length_m=2.1, draws=199, seed=1)
    >>> pair.hotspot_to_burial.p == pair.hotspot_to_burial.smallest_p < 0.05
    True
    """
    return shift_null(
        hotspots, burials, window, grave_length_m=grave_length_m, draws=draws, seed=seed, variant=variant
    ).levels


def shift_null(
    hotspots: npt.ArrayLike,
    burials: npt.ArrayLike,
    window: Window,
    *,
    grave_length_m: float,
    draws: int = 9_999,
    seed: int | np.random.Generator,
    variant: Variant | None = None,
) -> ShiftNull:
    """The same as `shift_level`, with the shifts that were drawn."""
    length = check_positive(grave_length_m, "grave_length_m")
    inside, there, said, why = _prepare(hotspots, burials, window, draws)
    if why:
        return ShiftNull(_none("shift", draws, why, said), None, inside)
    rng = np.random.default_rng(seed)
    seen = there[window.contains(there)]
    overlap = Overlap(window)
    shifts = None
    if len(seen):
        shifts = draw_shifts(
            inside, seen, window, grave_length_m=length, draws=draws, rng=rng, variant=variant, overlap=overlap
        )
    if shifts is None:
        room = "the area leaves no room to shift the hotspots by a grave length"
        why = room if len(seen) else "no known burial lies on the ground compared"
        return ShiftNull(_none("shift", draws, why, said), None, inside)
    if shifts.variant == "dropped" and len(seen) < len(there):
        said += (f"{len(there) - len(seen)} of {len(there)} burials lie outside the area and are left out of null B",)
        there = seen
    observed = nearest_means(inside[None], there)[0]
    parts = []
    counts = []
    for start, stop in shifts.chunks(max(len(inside), len(there))):
        stay, left = shifts.keeps(inside, there, start, stop)
        parts.append(nearest_means(shifts.moved(inside, start, stop), there, keep_points=stay, keep_targets=left))
        if stay is not None and left is not None:
            counts.append(np.stack([stay.mean(axis=1), left.mean(axis=1)], axis=1))
    sample = np.concatenate(parts)
    if counts:
        sample = _edge_corrected(sample, observed, np.concatenate(counts), shifts, overlap, there)
    zone = _zone_share(there, window, length)
    said += _shift_notes(shifts, there, length, zone)
    each = (_level("shift", sample[:, side], observed[side], shifts.too_short, said) for side in (0, 1))
    levels = ChancePair(*(replace(level, zone_share=zone) for level in each))
    return ShiftNull(levels, shifts, inside)


def _edge_corrected(
    sample: Array, observed: Array, kept: Array, shifts: Shifts, overlap: Overlap, burials: Array
) -> Array:
    expected = overlap.mean_nearest(burials, np.vstack([np.zeros((1, 2)), shifts.vectors]))
    gap = sample - observed
    gap[:, 0] -= expected[1:] - expected[0]
    # The observed pattern is one of the m + 1; its own gap is zero.
    middle = gap.sum(axis=0) / (len(gap) + 1)
    return np.asarray(np.maximum(observed + middle + (gap - middle) * np.sqrt(kept), 0.0))


def _level(
    null: Literal["placement", "shift"], sample: Array, observed: float, counted: int, notes: tuple[str, ...]
) -> ChanceLevel:
    draws = len(sample)
    # A draw that equals the observed mean but for rounding counts against it.
    reached = int((sample <= observed * (1.0 + 1e-12)).sum())
    smallest = monte_carlo_p(counted, draws + counted)
    low, high = np.quantile(sample, [0.025, 0.975])
    if null == "shift":
        notes = (*notes, f"p cannot fall below {smallest:.2g} on this area")
    return ChanceLevel(
        null=null,
        expected_m=float(sample.mean()),
        low_m=float(low),
        high_m=float(high),
        p=monte_carlo_p(reached + counted, draws + counted),
        smallest_p=smallest,
        draws=draws,
        sample_m=np.ascontiguousarray(sample),
        notes=notes,
        observed_m=float(observed),
    )


def _shift_notes(shifts: Shifts, burials: Array, length: float, zone: float) -> tuple[str, ...]:
    how = {
        "inside": "the whole pattern was shifted and every hotspot kept inside the area",
        "wrapped": "the area leaves too little room to keep every hotspot inside; it is a rectangle, so hotspots that "
        "leave it come in on the other side",
        "dropped": "the area leaves too little room to keep every hotspot inside; hotspots that leave it are dropped "
        "and distances are corrected for the edge",
    }[shifts.variant]
    notes = [
        how,
        f"there is room for about {max(shifts.independent, 0.0):.0f} shifts a grave length apart; "
        f"{shifts.too_short} shifts shorter than a grave length count as the observed pattern",
    ]
    rows = row_note(burials, tolerance_m=0.25 * length, grave_length_m=length)
    if rows:
        notes.append(rows)
    if zone < WIDE_ZONE:
        notes.append(
            f"the burials take up {100 * zone:.0f} % of the area: hotspots that keep to this zone, but not to its "
            "graves, can give a small p too; to ask about the graves alone, give the zone as the area"
        )
    return tuple(notes)


def _zone_share(burials: Array, window: Window, length: float) -> float:
    zone = shapely.buffer(shapely.convex_hull(shapely.multipoints(burials)), 0.5 * length)
    return float(shapely.intersection(zone, window.area).area) / window.area_m2


def _prepare(
    hotspots: npt.ArrayLike, burials: npt.ArrayLike, window: Window, draws: int
) -> tuple[Array, Array, tuple[str, ...], str]:
    if draws < 1:
        raise InputError("at least one draw is needed", received=draws)
    here, there = _points(hotspots, "hotspots"), _points(burials, "burials")
    if len(there) == 0:
        return here, there, (), "no burials are known"
    if len(here) == 0:
        return here, there, (), "there are no hotspots"
    inside = here[window.contains(here)]
    if len(inside) == len(here):
        return here, there, (), ""
    out = len(here) - len(inside)
    said = (f"{out} of {len(here)} hotspots lie outside the ground compared and are left out of the chance level",)
    return inside, there, said, "" if len(inside) else "no hotspot lies on the ground compared"


def _points(values: npt.ArrayLike, name: str) -> Array:
    points = np.ascontiguousarray(values, dtype=np.float64)
    if points.size == 0:
        return np.empty((0, 2))
    if points.ndim != 2 or points.shape[1] != 2:
        raise InputError(f"{name} must be points (n, 2)", received=f"shape {points.shape}")
    if not np.isfinite(points).all():
        raise InputError(f"{name} must be finite", received=f"{int((~np.isfinite(points)).sum())} that are not")
    return points


def _none(null: Literal["placement", "shift"], draws: int, why: str, notes: tuple[str, ...]) -> ChancePair:
    level = ChanceLevel(
        null=null,
        expected_m=None,
        low_m=None,
        high_m=None,
        p=None,
        smallest_p=None,
        draws=draws,
        sample_m=np.empty(0),
        why=why,
        notes=notes,
    )
    return ChancePair(level, level)
