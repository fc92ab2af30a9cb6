"""Which states of moisture the visits of a site have covered, and which would add most to them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from yewline._check import check_in_range
from yewline.errors import InputError
from yewline.ground.day_record import Trend
from yewline.model import VWC_HIGHEST
from yewline.units import Z90

__all__ = ["STATES_CAUTION", "Quarter", "StatesCovered", "VisitState", "covered_states", "states_sentence"]

Level = Literal["dry", "wet"]
Quarter = tuple[Level, Literal["wetting", "drying"]]
"""Level and trend of moisture."""

QUARTERS: Final[tuple[Quarter, ...]] = (("dry", "drying"), ("dry", "wetting"), ("wet", "drying"), ("wet", "wetting"))

STATES_CAUTION: Final = "based on this site's own visits; literature disagrees across soils"
"""Stands at the end of every text about states of moisture."""


@dataclass(frozen=True, slots=True)
class VisitState:
    """Moisture of one visit.

    Attributes
    ----------
    visit : its name.
    level_vwc, level_sd_vwc : mean moisture and the standard deviation by which it is known, m³/m³.
    variability_vwc : standard deviation from place to place, m³/m³; NaN where it is not known.
    trend : wetting or drying, from the rain; empty where it is not known.
    """

    visit: str
    level_vwc: float
    level_sd_vwc: float
    variability_vwc: float = float("nan")
    trend: Trend = ""

    def __post_init__(self) -> None:
        check_in_range(self.level_vwc, "level_vwc", 0.0, VWC_HIGHEST)
        check_in_range(self.level_sd_vwc, "level_sd_vwc", 0.0, 0.3)


@dataclass(frozen=True, slots=True)
class StatesCovered:
    """Quarters of states (level × trend) that a site's visits have covered.

    Attributes
    ----------
    split_vwc : dry below, wet above.
    apart : whether the levels of the driest and the wettest visit differ by more than their 90 % error.
    covered : visits in each quarter.
    unplaced : visits whose trend is not known, or all of them where levels are not apart.
    near_split : visits whose level is not told from the split by its 90 % error.
    empty : quarters without a visit.
    next_states : quarters in which one more visit would differ most from those there are.
    replicate : whether no quarter has two visits: only visits in one state tell how much visits differ by themselves.
    level_vwc, variability_vwc : lowest and highest over the visits.
    """

    split_vwc: float
    apart: bool
    covered: dict[Quarter, tuple[str, ...]]
    unplaced: tuple[str, ...]
    near_split: tuple[str, ...]
    empty: tuple[Quarter, ...]
    next_states: tuple[Quarter, ...]
    replicate: bool
    level_vwc: tuple[float, float]
    variability_vwc: tuple[float, float]


def covered_states(visits: Sequence[VisitState], *, split_vwc: float | None = None) -> StatesCovered:
    """Sort visits into quarters of states and find what is missing.

    Parameters
    ----------
    visits : one or more, with different names.
    split_vwc : dry below, wet above; by default the middle between the driest and the wettest visit, so that "dry" and
        "wet" are this site's own.

    Returns
    -------
    What is covered.

    Raises
    ------
    InputError : no visits, or a name given twice.

    Notes
    -----
    A quarter's gain is the number of factors (level, trend) in which it differs from each visit, summed over the
    visits; empty quarters go first. This is bookkeeping of contrast, no forecast of what will be seen.

    Examples
    --------
    >>> dry, wet = VisitState("May", 0.14, 0.01, trend="drying"), VisitState("July", 0.31, 0.01, trend="wetting")
    >>> covered_states([dry, wet]).empty
    (('dry', 'wetting'), ('wet', 'drying'))
    """
    if not visits:
        raise InputError("there are no visits", do="give one or more")
    names = [each.visit for each in visits]
    if len(set(names)) < len(names):
        raise InputError("a visit is given twice", received=", ".join(names))
    driest, wettest = (choose(visits, key=lambda each: each.level_vwc) for choose in (min, max))
    middle = 0.5 * (driest.level_vwc + wettest.level_vwc)
    split = middle if split_vwc is None else check_in_range(split_vwc, "split_vwc", 0.0, VWC_HIGHEST)
    error = Z90 * math.hypot(driest.level_sd_vwc, wettest.level_sd_vwc)
    apart = wettest.level_vwc - driest.level_vwc > error or split_vwc is not None
    covered: dict[Quarter, list[str]] = {}
    unplaced = []
    for each in visits:
        if apart and each.trend:
            covered.setdefault(("wet" if each.level_vwc > split else "dry", each.trend), []).append(each.visit)
        else:
            unplaced.append(each.visit)
    spreads = [each.variability_vwc for each in visits if not math.isnan(each.variability_vwc)] or [float("nan")]
    return StatesCovered(
        split_vwc=split,
        apart=apart,
        covered={quarter: tuple(covered[quarter]) for quarter in QUARTERS if quarter in covered},
        unplaced=tuple(unplaced),
        near_split=tuple(
            each.visit for each in visits if apart and abs(each.level_vwc - split) < Z90 * each.level_sd_vwc
        ),
        empty=tuple(quarter for quarter in QUARTERS if quarter not in covered),
        next_states=_next(covered),
        replicate=not any(len(there) > 1 for there in covered.values()),
        level_vwc=(driest.level_vwc, wettest.level_vwc),
        variability_vwc=(min(spreads), max(spreads)),
    )


def states_sentence(states: StatesCovered) -> str:
    """What is covered, what is missing and what would add most, in plain words; it never names a season.

    Examples
    --------
    >>> dry, wet = VisitState("May", 0.14, 0.01, trend="drying"), VisitState("July", 0.31, 0.01, trend="wetting")
    >>> states_sentence(covered_states([dry, wet]))[-89:]
    "most to compare with: based on this site's own visits; literature disagrees across soils."
    """
    low, high = states.level_vwc
    parts = []
    if not states.apart:
        parts.append(
            f"the visits lie between {low:.2f} and {high:.2f} m³/m³ and are not told apart by their errors, so that no "
            "state is covered against another"
        )
    elif states.covered:
        there = "; ".join(f"{_said(quarter)} ({', '.join(names)})" for quarter, names in states.covered.items())
        parts.append(f"covered so far, split at {states.split_vwc:.2f} m³/m³: {there}")
    else:
        parts.append(f"the visits lie between {low:.2f} and {high:.2f} m³/m³")
    if states.apart and states.unplaced:
        parts.append(f"whether the ground was wetting or drying is not known for {', '.join(states.unplaced)}")
    if states.near_split:
        parts.append(f"close to the split: {', '.join(states.near_split)}")
    calm, patchy = states.variability_vwc
    if not math.isnan(calm) and states.covered:
        parts.append(f"variability from place to place ran from {calm:.3f} to {patchy:.3f} m³/m³")
    if states.empty and states.covered:
        parts.append(f"not covered: {', '.join(_said(quarter) for quarter in states.empty)}")
    if states.covered:
        more = " or ".join(_said(quarter) for quarter in states.next_states)
        gain = f"one more visit on {more} ground would add most to compare with"
        if states.replicate:
            gain = f"two visits in one state would tell how much visits differ by themselves; {gain}"
        parts.append(gain)
    else:
        parts.append(
            "one more visit that is clearly drier or wetter, with rain on record, would add most to compare with"
        )
    text = "; ".join(parts)
    return f"{text[:1].upper()}{text[1:]}: {STATES_CAUTION}."


def _next(covered: dict[Quarter, list[str]]) -> tuple[Quarter, ...]:
    def gain(quarter: Quarter) -> tuple[int, int]:
        apart = sum(
            len(names) * ((quarter[0] != other[0]) + (quarter[1] != other[1])) for other, names in covered.items()
        )
        return -len(covered.get(quarter, [])), apart

    best = max(gain(quarter) for quarter in QUARTERS)
    return tuple(quarter for quarter in QUARTERS if gain(quarter) == best)


def _said(quarter: Quarter) -> str:
    return f"{quarter[0]} and {quarter[1]}"
