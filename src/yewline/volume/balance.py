"""Balance of lines: levels that jump from line to line, and from one direction to the other, brought together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt
from scipy.spatial import KDTree
from scipy.stats import chi2

from yewline._check import check_choice, check_in_range, check_positive
from yewline.errors import InputError
from yewline.volume.families import NO_FAMILY, axis_of, line_families
from yewline.volume.interpolate import Nodes
from yewline.volume.line_levels import chance_of, levels_of_pairs, off_trend
from yewline.volume.robust_level import common_difference

__all__ = ["BalanceOptions", "LineGains", "apply_gains", "direction_gains", "line_gains"]

Array = npt.NDArray[np.float64]

_DB: Final = 20.0 / np.log(10.0)
_NEIGHBOURS: Final = 2.5
"""Lines so many spacings apart are held against each other: one missing line is bridged."""
_GROUP_BLOCKS: Final = 4
_FEWEST_LINES: Final = 4
"""Below this a trend across lines goes through all of them."""
_CROSSING: Final = 0.25
"""Two directions cross where their nodes lie within this share of the line spacing."""


@dataclass(frozen=True, slots=True)
class BalanceOptions:
    """How far lines are brought together.

    Attributes
    ----------
    when : "significant" leaves the lines alone unless their levels differ by more than chance; "always" does not ask.
    level : chance at which a difference counts as none.
    least_db : where the levels scatter by less, nothing is done: no eye sees it.
    most_db : no line is changed by more.
    trend_lines : neighbouring lines over which a level may change smoothly, which is kept as the ground's own.
    """

    when: Literal["significant", "always"] = "significant"
    level: float = 0.01
    least_db: float = 0.3
    most_db: float = 6.0
    trend_lines: int = 9

    def __post_init__(self) -> None:
        check_choice(self.when, "when", ("significant", "always"))
        check_in_range(self.level, "level", 0.0, 1.0)
        check_in_range(self.least_db, "least_db", 0.0, 60.0)
        check_in_range(self.most_db, "most_db", 0.0, 60.0)
        check_in_range(self.trend_lines, "trend_lines", 5, 1001)


@dataclass(frozen=True, slots=True)
class LineGains:
    """What each line is multiplied by, and why; L lines in the order given.

    Attributes
    ----------
    gain : (L,) factors; 1 where nothing is done.
    off_db : (L,) level above what is expected of the line; NaN where it is not known.
    sigma_db : (L,) standard error of `off_db`.
    family : (L,) lines that run the same way; −1 for those that bend.
    p : (F,) for each family the chance of levels that differ so much without stripes; NaN where not tested.
    applied : (F,) whether the family's lines are changed.
    """

    gain: Array
    off_db: Array
    sigma_db: Array
    family: npt.NDArray[np.int64]
    p: Array
    applied: npt.NDArray[np.bool_]

    def as_dict(self) -> dict[str, list[Any]]:
        """As JSON holds it, for the attributes of a volume: NaN becomes null."""
        return {
            name: [None if isinstance(v, float) and v != v else v for v in np.asarray(getattr(self, name)).tolist()]
            for name in ("gain", "off_db", "sigma_db", "family", "p", "applied")
        }


def line_gains(
    parts: Sequence[Nodes], *, line_spacing_m: float, options: BalanceOptions = BalanceOptions()
) -> LineGains:
    """Gains that take out stripes: lines louder or quieter than their neighbours as a whole.

    A stripe comes from the antenna's coupling, its battery or the pace, and is the same along the line and down the
    record. A grave is neither: it fills part of a line and some depths. So lines are held against their neighbours in
    short stretches of ground and depth, and the difference that most of these share is the stripe.

    Parameters
    ----------
    parts : one a line, as from `line_nodes`: the last column of their values is no strength.
    line_spacing_m : distance between neighbouring lines.
    options : when, and how far.

    Returns
    -------
    LineGains : families of fewer than four lines, and lines that bend, keep a gain of 1.

    Raises
    ------
    InputError : no lines, or a spacing that is not positive.

    Notes
    -----
    In each family, ln strength is averaged over blocks one spacing long. Pairs of lines up to 2.5 spacings apart give
    one robust difference each (`common_difference` over blocks and depths), from which levels follow by weighted least
    squares. A trend across lines, local linear and robust over `trend_lines`, is the ground's own and stays. What is
    left, r with standard error σ, is tested as rᵀ C⁻ r against χ², C being the covariance of r; where the test and the
    scatter say so, a line is multiplied by exp(−r max(0, 1 − σ²/r²)), `most_db` at most.

    What is the same over most of a line's length and depth and not on its neighbours counts as a stripe, whatever it
    is: a wall or a drain right under one line would be dimmed. The table says which lines were changed.

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> x, one = 0.25 * np.arange(80), np.ones(80)
    >>> loud = [1.0, 1.1, 0.9, 2.0, 1.0, 0.8, 1.1, 1.0]
    >>> strengths = [(g * rng.uniform(0.8, 1.2, (80, 11))).astype(np.float32) for g in loud]
    >>> parts = [Nodes(x, 0.5 * i * one, one, 0 * one, 0 * one, one, v) for i, v in enumerate(strengths)]
    >>> gains = line_gains(parts, line_spacing_m=0.5)
    >>> bool(gains.applied[0]), round(float(gains.gain[3] / gains.gain[4]), 1)
    (True, 0.5)
    """
    spacing = _check(parts, line_spacing_m)
    family = line_families(parts)
    n_families = int(family.max(initial=NO_FAMILY)) + 1
    gain, off, sigma = np.ones(len(parts)), np.full(len(parts), np.nan), np.full(len(parts), np.nan)
    p, applied = np.full(n_families, np.nan), np.zeros(n_families, np.bool_)
    for k in range(n_families):
        own = np.flatnonzero(family == k)
        level, variance, across = _levels([part for part, f in zip(parts, family, strict=True) if f == k], spacing)
        known = np.isfinite(level)
        if known.sum() < _FEWEST_LINES:
            continue
        away, covariance = off_trend(across[known] / spacing, level[known], variance[known], options.trend_lines)
        error = np.sqrt(np.diagonal(covariance))
        p[k] = chance_of(away, covariance)
        loud_enough = _DB * float(np.sqrt(np.mean(away**2))) >= options.least_db
        applied[k] = options.when == "always" or (p[k] < options.level and loud_enough)
        off[own[known]], sigma[own[known]] = _DB * away, _DB * error
        if applied[k]:
            gain[own[known]] = _bounded(away, error, options.most_db)
    return LineGains(gain, off, sigma, family, p, applied)


def direction_gains(
    parts: Sequence[Nodes], *, line_spacing_m: float, options: BalanceOptions = BalanceOptions()
) -> LineGains:
    """Gains that bring the directions of a crossed survey to one level, by what both say where they cross.

    Parameters
    ----------
    parts, line_spacing_m, options : as for `line_gains`.

    Returns
    -------
    LineGains : one gain a family, whose mean over lines is 1 in dB; `off_db` is the family's level above that mean.

    Raises
    ------
    InputError : no lines, or a spacing that is not positive.

    Notes
    -----
    Nodes of two families within a quarter of a spacing see the same ground. The difference of ln strength that most
    crossings and depths share (`common_difference`) is that of the directions; what answers one direction more than
    the other, as a pipe or a wall does, is a minority and stays.

    Examples
    --------
    >>> at, one, wide = np.arange(9.0), np.ones(9), np.ones((9, 5), np.float32)
    >>> parts = [Nodes(at, k * one, one, 0 * one, 0 * one, one, wide) for k in range(9)]
    >>> parts += [Nodes(k * one, at, 0 * one, one, 0 * one, one, 2.25 * wide) for k in range(9)]
    >>> gains = direction_gains(parts, line_spacing_m=1.0)
    >>> gains.gain[[0, 9]].round(6).tolist()
    [1.5, 0.666667]
    """
    spacing = _check(parts, line_spacing_m)
    family = line_families(parts)
    n_families = int(family.max(initial=NO_FAMILY)) + 1
    lines = np.bincount(family[family >= 0], minlength=n_families)
    joined = [_joined([part for part, f in zip(parts, family, strict=True) if f == k]) for k in range(n_families)]
    pairs = [
        (a, b, *_at_crossings(joined[a], joined[b], spacing))
        for a in range(n_families)
        for b in range(a + 1, n_families)
    ]
    level, variance = levels_of_pairs([pair for pair in pairs if np.isfinite(pair[2])], n_families)
    known = np.isfinite(level)
    if known.any():
        level -= np.average(level[known], weights=lines[known])
    error = np.sqrt(variance)
    with np.errstate(divide="ignore", invalid="ignore"):
        p = chi2.sf((level / np.maximum(error, 1e-12)) ** 2, 1)
    strong = (p < options.level) & (_DB * np.abs(level) >= 0.5 * options.least_db)
    applied = known & (strong.any() | (options.when == "always"))
    of_family = np.where(applied, _bounded(np.where(known, level, 0.0), 0.0 * level, options.most_db), 1.0)
    straight = family >= 0

    def spread(values: Array, other: float) -> Array:
        return np.where(straight, np.append(values, other)[family], other)

    return LineGains(
        spread(of_family, 1.0), spread(_DB * level, np.nan), spread(_DB * error, np.nan), family, p, applied
    )


def apply_gains(parts: Sequence[Nodes], gains: LineGains) -> list[Nodes]:
    """Lines times their gains; the last column of values, which is no strength, stays.

    Raises
    ------
    InputError : there is not one gain for each line.

    Examples
    --------
    >>> one = np.ones(1)
    >>> part = Nodes(one, one, one, 0 * one, 0 * one, one, np.ones((1, 3), np.float32))
    >>> gains = LineGains(2 * one, one, one, np.zeros(1, np.int64), one, one > 0)
    >>> apply_gains([part], gains)[0].values.tolist()
    [[2.0, 2.0, 1.0]]
    """
    if len(parts) != len(gains.gain):
        raise InputError("there must be one gain for each line", received=f"{len(gains.gain)} for {len(parts)}")
    changed = []
    for part, gain in zip(parts, gains.gain, strict=True):
        values = part.values.copy()
        values[:, :-1] *= np.float32(gain)
        changed.append(replace(part, values=values))
    return changed


def _check(parts: Sequence[Nodes], line_spacing_m: float) -> float:
    if len(parts) == 0:
        raise InputError("there are no lines to balance", do="give the lines of a visit")
    return check_positive(line_spacing_m, "line_spacing_m")


def _log_strength(part: Nodes) -> Array:
    values = part.values[:, :-1].astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.log(np.where(values > 0, values, np.nan))


def _levels(parts: list[Nodes], spacing: float) -> tuple[Array, Array, Array]:
    """Levels of one family's lines in ln strength, with variances; and where the lines lie across, m."""
    ux, uy = axis_of(parts)
    along = [part.x * ux + part.y * uy for part in parts]
    across = np.array([np.median(part.y * ux - part.x * uy) for part in parts])
    first = min(float(s.min()) for s in along)
    blocks = [
        _blocks(_log_strength(part), ((s - first) / spacing).astype(np.int64))
        for part, s in zip(parts, along, strict=True)
    ]
    pairs = []
    order = np.argsort(across, kind="stable")
    for at, i in enumerate(order):
        for j in order[at + 1 :]:
            if across[j] - across[i] > _NEIGHBOURS * spacing:
                break
            shared, here, there = np.intersect1d(blocks[i][0], blocks[j][0], return_indices=True)
            apart = blocks[i][1][here] - blocks[j][1][there]
            difference, error = common_difference(apart, shared // _GROUP_BLOCKS)
            if np.isfinite(difference):
                pairs.append((int(i), int(j), difference, error))
    level, variance = levels_of_pairs(pairs, len(parts))
    return level, variance, across


def _blocks(values: Array, block: npt.NDArray[np.int64]) -> tuple[npt.NDArray[np.int64], Array]:
    """Mean of the nodes in each block, (B,) and (B, Z); NaN where none is known."""
    numbers, at = np.unique(block, return_inverse=True)
    total, count = np.zeros((len(numbers), values.shape[1])), np.zeros((len(numbers), values.shape[1]))
    np.add.at(total, at, np.nan_to_num(values))
    np.add.at(count, at, np.isfinite(values))
    with np.errstate(invalid="ignore"):
        return numbers, np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _bounded(away: Array, error: Array, most_db: float) -> Array:
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.where(away != 0, np.maximum(0.0, 1.0 - (error / away) ** 2), 0.0)
    return np.exp(np.clip(-part * away, -most_db / _DB, most_db / _DB))


def _joined(parts: list[Nodes]) -> tuple[Array, Array]:
    places = np.concatenate([np.column_stack([part.x, part.y]) for part in parts])
    return places, np.concatenate([_log_strength(part) for part in parts])


def _at_crossings(here: tuple[Array, Array], there: tuple[Array, Array], spacing: float) -> tuple[float, float]:
    distance, at = KDTree(there[0]).query(here[0], distance_upper_bound=_CROSSING * spacing)
    near = np.isfinite(distance)
    apart = here[1][near] - there[1][at[near]]
    place = np.floor(here[0][near] / (_GROUP_BLOCKS * spacing)).astype(np.int64)
    _, group = np.unique(place, axis=0, return_inverse=True)
    return common_difference(apart, group.ravel())
