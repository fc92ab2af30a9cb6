"""Figures in plain sentences, for someone who has never seen such a report; and the cautions.

A response is "grave-like"; nothing here says that a grave was found, or how many there are.
"""

from __future__ import annotations

import datetime as dt
import math
from typing import Final

from yewline.workspace.results import SiteResult, VisitResult

__all__ = [
    "CARE",
    "CAUTIONS",
    "FOOTER",
    "RESTRICTED",
    "count",
    "date_words",
    "day_words",
    "depth_label",
    "listed",
    "metres",
    "moisture_rank",
    "moisture_sentence",
    "number",
    "one_in",
    "own_name",
    "p_value",
    "rounded",
    "short_name",
    "slice_error_m",
]

RESTRICTED: Final = "Restricted: shows places of burials"
CARE: Final = (
    "These pages concern people who have died and the places where they lie. Take the time, and the support, that you "
    "need to read them."
)
FOOTER: Final = "A hotspot is a grave-like response, not a grave."
MONTHS: Final = (
    "January February March April May June July August September October November December".split()  # noqa: SIM905
)

CAUTIONS: Final[tuple[tuple[str, str], ...]] = (
    (
        "What the findings are",
        "The survey shows places where the ground answers in a way that may fit a grave. It does not show human "
        "remains, and it cannot count people.",
    ),
    (
        "How far the accuracy reaches",
        "The figures hold for the ground that was checked, on the days of these visits, with the moisture of those "
        "days. They may not hold elsewhere or at another time.",
    ),
    (
        "Not a clearance",
        "This report clears no ground for digging or building. Buried cables and pipes need a survey of their own, to "
        "the national standard for them.",
    ),
    (
        "The law",
        "To disturb human remains may be an offence. If remains come to light, stop, and follow the protocol that was "
        "agreed for this place.",
    ),
    (
        "Care",
        "These pages concern deaths and may cause distress. Read them with the support that was agreed, at a pace of "
        "your own.",
    ),
)


def metres(value: float | None, digits: int = 2) -> str:
    """A length in metres, or a dash where it cannot be given.

    Examples
    --------
    >>> metres(0.4249), metres(None), metres(float("nan")), metres(-0.3)
    ('0.42 m', '–', '–', '−0.30 m')
    """
    text = number(value, digits)
    return text if text == "–" else f"{text} m"


def number(value: float | None, digits: int = 2) -> str:
    """A number with a fixed count of decimals and a proper minus sign, or a dash where it cannot be given."""
    if value is None or not math.isfinite(value):
        return "–"
    text = f"{value:.{digits}f}"
    if float(text) == 0:
        text = text.removeprefix("-")
    return text.replace("-", "−")


def count(n: int, noun: str) -> str:
    """How many of something.

    Examples
    --------
    >>> count(0, "hotspot"), count(1, "hotspot"), count(1200, "burial")
    ('no hotspots', '1 hotspot', '1,200 burials')
    """
    if n == 1:
        return f"1 {noun}"
    plural = f"{noun[:-1]}ies" if noun.endswith("y") else f"{noun}s"
    return f"{'no' if n == 0 else format(n, ',')} {plural}"


def listed(names: list[str]) -> str:
    """Names joined as in speech.

    Examples
    --------
    >>> listed([]), listed(["a"]), listed(["a", "b", "c"])
    ('', 'a', 'a, b and c')
    """
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def short_name(name: str, most: int = 12) -> str:
    """A name cut to at most `most` characters, for places with little room."""
    return name if len(name) <= most else name[: most - 1] + "…"


def own_name(name: str, visit: str) -> str:
    """A hotspot's name inside its visit: without the visit's name where it begins with it.

    Examples
    --------
    >>> own_name("2031-11-wet-06", "2031-11-wet"), own_name("H06", "2031-11-wet")
    ('06', 'H06')
    """
    rest = name.removeprefix(visit).lstrip("-_./: ") if visit and name.startswith(visit) else name
    return rest or name


def rounded(value: float, digits: int = 2) -> str:
    """A number of which only the first digits count, such as the ends of a scale.

    Examples
    --------
    >>> rounded(52.53), rounded(1278.4), rounded(0.0), rounded(0.0316)
    ('53', '1,300', '0', '0.032')
    """
    if value == 0 or not math.isfinite(value):
        return number(value, 0)
    places = digits - 1 - math.floor(math.log10(abs(value)))
    return f"{round(value, places):,.{max(places, 0)}f}".replace("-", "−")


def date_words(day: dt.date) -> str:
    """A day in words, the same in every locale."""
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def one_in(p: float | None) -> str:
    """A chance as a natural frequency, out of a hundred, so that two of them are told apart.

    Examples
    --------
    >>> one_in(0.31), one_in(0.04), one_in(0.0026), one_in(0.0001), one_in(None)
    ('about 31 in 100', 'about 4 in 100', 'about 3 in 1,000', 'fewer than 1 in 1,000', 'unknown')
    """
    if p is None or not math.isfinite(p):
        return "unknown"
    if p >= 0.995:
        return "nearly all"
    for base in (100, 1000):
        if p * base >= 0.95:
            return f"about {round(p * base)} in {base:,}"
    return "fewer than 1 in 1,000"


def p_value(p: float | None) -> str:
    """A p-value for a table: at most two significant figures, never rounded to nothing.

    Examples
    --------
    >>> p_value(0.0312), p_value(0.5), p_value(0.0001), p_value(1e-6), p_value(None)
    ('0.031', '0.50', '0.0001', 'below 0.0001', '–')
    """
    if p is None or not math.isfinite(p):
        return "–"
    if p < 0.0001:
        return "below 0.0001"
    text = f"{p:.{max(2, 1 - math.floor(math.log10(p)))}f}"
    return text.rstrip("0") if p < 0.01 else text


def slice_error_m(visit: VisitResult, index: int) -> float | None:
    """Median depth error (half-width of the 90 % interval) of a slice over its covered cells, or None."""
    error = visit.slices["depth_error"].values[index]
    known = error[visit.slices["coverage"].values[index].astype(bool)]
    known = sorted(float(e) for e in known if math.isfinite(e))
    return known[len(known) // 2] if known else None


def depth_label(visit: VisitResult, index: int) -> str:
    """A slice's depth with its error, such as ``0.60–0.80 m ± 0.07``."""
    top, base = (float(visit.slices[side].values[index]) for side in ("top", "base"))
    error = slice_error_m(visit, index)
    return f"{top:.2f}–{base:.2f} m" + ("" if error is None else f" ± {error:.2f}")


def moisture_rank(result: SiteResult, visit: VisitResult) -> str:
    """ "the driest", "the wettest" or "" among the visits with readings."""
    levels = [other.moisture.mean for other in result.visits if other.moisture is not None]
    if visit.moisture is None or len(levels) < 2 or min(levels) == max(levels):
        return ""
    if visit.moisture.mean == min(levels):
        return "the drier" if len(levels) == 2 else "the driest"
    if visit.moisture.mean == max(levels):
        return "the wetter" if len(levels) == 2 else "the wettest"
    return ""


def day_words(result: SiteResult, visit: VisitResult) -> str:
    """On which day, such as ``on the drier day (12 January 2030)`` or ``on 12 January 2030``."""
    rank, day = moisture_rank(result, visit), date_words(visit.settings.date)
    return f"on {rank} day ({day})" if rank else f"on {day}"


def moisture_sentence(visit: VisitResult) -> str:
    """Level and spread of a visit's water content."""
    wet = visit.moisture
    if wet is None:
        return "No moisture readings were taken on this visit."
    return (
        f"In the top {wet.support_depth_m:.2f} m, {100 * wet.mean:.0f} % of the ground was water on average "
        f"({wet.n} readings; most lay between {100 * wet.p10:.0f} % and {100 * wet.p90:.0f} %)."
    )
