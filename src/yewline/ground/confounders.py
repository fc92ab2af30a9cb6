"""What else differs between visits beside the moisture, and cannot be told from it."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from yewline._check import check_in_range
from yewline.errors import InputError
from yewline.model import VWC_HIGHEST, Conditions

__all__ = ["CONDITION_WORDS", "Confounder", "VisitConditions", "compare_conditions"]

CONDITION_WORDS: Final = {
    "frost": "frost in the ground",
    "irrigation": "irrigation",
    "surface_water": "water standing on the ground",
    "ground_contact": "contact of the antenna with the ground",
    "settings_same": "instrument settings",
    "grass_height_m": "height of the vegetation",
    "vegetation": "ground cover",
    "leaf_cover": "leaf cover",
    "crew": "crew",
    "order": "order of the visits",
}
"""What each confounder is, by its name."""
_UNKNOWN: Final = "unknown"
# Heights of vegetation within this of one another count as alike (own choice).
_SAME_HEIGHT_M: Final = 0.05
_FEWEST_TO_COMPARE: Final = 2


@dataclass(frozen=True, slots=True)
class VisitConditions:
    """One visit: its name, date, mean moisture (m³/m³), and its conditions."""

    visit: str
    date: dt.date
    level_vwc: float
    conditions: Conditions

    def __post_init__(self) -> None:
        check_in_range(self.level_vwc, "level_vwc", 0.0, VWC_HIGHEST)


@dataclass(frozen=True, slots=True)
class Confounder:
    """One condition over all visits.

    Attributes
    ----------
    name : key of `[conditions]`, or "order" for the order of the visits.
    status : "same" on all visits; "confounded": it changes with the moisture, and the two cannot be told apart;
        "differs", but not along with the moisture; "unknown" on one visit or more.
    words : a plain sentence.
    values : by visit, as stated.
    """

    name: str
    status: Literal["same", "confounded", "differs", "unknown"]
    words: str
    values: dict[str, str]


def compare_conditions(visits: Sequence[VisitConditions]) -> tuple[Confounder, ...]:
    """Go through the checklist: what was alike, what was not, and what changed with the moisture.

    Parameters
    ----------
    visits : two or more, with different names.

    Returns
    -------
    One entry a condition, those that matter first: confounded, unknown, differing, same.

    Raises
    ------
    InputError : fewer than two visits, or a name given twice.

    Notes
    -----
    A condition is confounded with moisture where its values part the visits into groups whose ranges of moisture do not
    overlap (with two visits: wherever they differ), a height where it rises or falls all along with moisture, and the
    order where moisture rises or falls from visit to visit throughout.

    Examples
    --------
    >>> dry = VisitConditions("May", dt.date(2031, 5, 4), 0.14, Conditions(crew="A", frost="no"))
    >>> wet = VisitConditions("July", dt.date(2031, 7, 9), 0.31, Conditions(crew="B", frost="no"))
    >>> [(each.name, each.status) for each in compare_conditions([dry, wet])][:2]
    [('crew', 'confounded'), ('order', 'confounded')]
    """
    if len(visits) < _FEWEST_TO_COMPARE:
        raise InputError("a comparison needs two visits or more", received=f"{len(visits)}")
    names = [each.visit for each in visits]
    if len(set(names)) < len(names):
        raise InputError("a visit is given twice", received=", ".join(names))
    found = [_compare(name, visits) for name in CONDITION_WORDS if name != "order"]
    found.append(_order(visits))
    rank = {"confounded": 0, "unknown": 1, "differs": 2, "same": 3}
    return tuple(sorted(found, key=lambda each: rank[each.status]))


def _compare(name: str, visits: Sequence[VisitConditions]) -> Confounder:
    said = CONDITION_WORDS[name]
    stated = {each.visit: getattr(each.conditions, name) for each in visits}
    values = {visit: _text(name, value) for visit, value in stated.items()}
    silent = [visit for visit, text in values.items() if text == _UNKNOWN]
    if silent:
        words = f"{said}: not known for {', '.join(silent)}; fill in [conditions]"
        return Confounder(name, "unknown", _sentence(words), values)
    if name == "settings_same":
        alike = all(value == "yes" for value in stated.values())
        # Settings of their own are another group for each visit that has them.
        groups = {visit: "shared" if value == "yes" else visit for visit, value in stated.items()}
    elif name == "grass_height_m":
        alike = max(stated.values()) - min(stated.values()) <= _SAME_HEIGHT_M
        groups = values
    else:
        groups = {visit: text.casefold() for visit, text in values.items()}
        alike = len(set(groups.values())) == 1
    if alike:
        return Confounder(name, "same", _sentence(f"{said}: alike on all visits"), values)
    along = _monotone(visits, stated) if name == "grass_height_m" else _parted(visits, groups)
    told = ", ".join(f"{visit}: {text}" for visit, text in values.items())
    if along:
        words = f"{said}: changed with the moisture ({told}); the two cannot be told apart"
        return Confounder(name, "confounded", _sentence(words), values)
    return Confounder(name, "differs", _sentence(f"{said}: differed ({told}), but not along with the moisture"), values)


def _order(visits: Sequence[VisitConditions]) -> Confounder:
    values = {each.visit: each.date.isoformat() for each in visits}
    by_date = [each.level_vwc for each in sorted(visits, key=lambda each: each.date)]
    steps = [later - earlier for earlier, later in itertools.pairwise(by_date)]
    if all(step > 0 for step in steps) or all(step < 0 for step in steps):
        way = "rose" if steps[0] > 0 else "fell"
        words = (
            f"moisture {way} from visit to visit throughout, so that whatever changes with time (plants, drift, what "
            "the crew had learnt) cannot be told from it"
        )
        return Confounder("order", "confounded", _sentence(words), values)
    words = "moisture rose and fell over the visits, or stayed, so that time is not bound to it"
    return Confounder("order", "differs", _sentence(words), values)


def _parted(visits: Sequence[VisitConditions], groups: dict[str, str]) -> bool:
    """Whether the groups' ranges of moisture do not overlap."""
    ranges: dict[str, tuple[float, float]] = {}
    for each in visits:
        low, high = ranges.get(groups[each.visit], (each.level_vwc, each.level_vwc))
        ranges[groups[each.visit]] = (min(low, each.level_vwc), max(high, each.level_vwc))
    in_order = sorted(ranges.values())
    return all(one[1] < other[0] for one, other in itertools.pairwise(in_order))


def _monotone(visits: Sequence[VisitConditions], heights: dict[str, float]) -> bool:
    """Whether height rises, or falls, all along with moisture."""
    in_order = [heights[each.visit] for each in sorted(visits, key=lambda each: each.level_vwc)]
    if len({each.level_vwc for each in visits}) == 1:
        return False
    pairs = list(itertools.pairwise(in_order))
    return all(one <= other for one, other in pairs) or all(one >= other for one, other in pairs)


def _text(name: str, value: object) -> str:
    if value is None or (isinstance(value, str) and value.strip().lower() in ("", _UNKNOWN)):
        return _UNKNOWN
    return f"{value:.2f} m" if name == "grass_height_m" else str(value)


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}."
