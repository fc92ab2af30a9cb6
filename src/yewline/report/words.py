"""Figures in plain sentences, for someone who has never seen such a report; and the cautions.

A response is "grave-like"; nothing here says that a grave was found, or how many there are.
"""

from __future__ import annotations

import datetime as dt
import math
from typing import Final

from yewline.workspace.results import SiteResult, VisitResult

__all__ = [
    "CAUTIONS",
    "FOOTER",
    "RESTRICTED",
    "absence_sentence",
    "answer_lead",
    "chance_sentence",
    "count",
    "date_words",
    "day_words",
    "depth_label",
    "limits",
    "listed",
    "metres",
    "moisture_rank",
    "moisture_sentence",
    "not_concluded",
    "number",
    "one_in",
    "own_name",
    "p_value",
    "precision_sentence",
    "recall_sentence",
    "short_name",
    "slice_error_m",
]

RESTRICTED: Final = "Restricted: shows places of burials"
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


def date_words(day: dt.date) -> str:
    """A day in words, the same in every locale."""
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def one_in(p: float | None) -> str:
    """A chance as a natural frequency.

    Examples
    --------
    >>> one_in(0.31), one_in(0.04), one_in(0.0026), one_in(0.0001), one_in(None)
    ('about 3 in 10', 'about 4 in 100', 'about 3 in 1,000', 'fewer than 1 in 1,000', 'unknown')
    """
    if p is None or not math.isfinite(p):
        return "unknown"
    if p >= 0.95:
        return "nearly all"
    for base in (10, 100, 1000):
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


def answer_lead(result: SiteResult) -> str:
    """What was looked for, how, and on which days."""
    days = sorted({visit.settings.date for visit in result.visits})
    when = listed([date_words(day) for day in days])
    lines = sum(len(visit.radargrams) for visit in result.visits)
    return (
        f"Radar was drawn over {result.area.area:,.0f} m² of ground along {count(lines, 'line')}, in "
        f"{count(len(result.visits), 'visit')} ({when}). Places that sent back a strong, "
        "grave-like response are called hotspots."
    )


def recall_sentence(result: SiteResult, visit: VisitResult) -> str:
    """ "Of 24 known burials ..., 15 were matched": natural frequencies, with what so few can say."""
    if visit.score is None:
        return "No burials are known here, so nothing can be said of how often a hotspot is right."
    recall = visit.score.recall
    if recall.value is None or recall.low is None or recall.high is None:
        return f"How many of the known burials were matched cannot be said: {recall.why or 'too few'}."
    lowest, highest = math.ceil(recall.low * 100 - 0.5), math.floor(recall.high * 100 + 0.5)
    noun = "known burial" if recall.n == 1 else "known burials"
    were = "was" if recall.k == 1 else "were"
    return (
        f"Of {recall.n} {noun} inside the surveyed ground, {recall.k} {were} matched by a hotspot "
        f"{day_words(result, visit)}. So few burials cannot fix the rate: anything from {lowest} to {highest} in 100 "
        "would fit."
    )


def precision_sentence(visit: VisitResult) -> str:
    """Of the hotspots on opened ground, how many lay on a burial."""
    if visit.score is None:
        return ""
    precision = visit.score.precision
    if precision.value is None:
        return f"How many hotspots were right cannot be said: {precision.why or 'no ground was opened under them'}."
    noun = "hotspot" if precision.n == 1 else "hotspots"
    return f"Of {precision.n} {noun} on ground that was opened, {precision.k} matched a burial."


def chance_sentence(visit: VisitResult) -> str:
    """The mean distance beside what chance alone would give, and what follows."""
    if visit.score is None:
        return ""
    distances = visit.score.hotspot_to_burial
    if distances.mean_m is None:
        return f"Distances cannot be given: {distances.why or 'there are too few'}."
    mean = metres(distances.mean_m)
    text = f"From a hotspot's middle to the middle of the nearest known burial it was {mean} on average"
    chance = distances.shift
    if chance is None or chance.expected_m is None or chance.p is None:
        why = (chance.why if chance is not None else "") or "it was not worked out"
        return f"{text}. What chance would give cannot be said: {why}."
    text += (
        f"; the same pattern of hotspots laid elsewhere on the site would give {metres(chance.expected_m)}. "
        f"Chance came as close in {one_in(chance.p)} tries (p = {p_value(chance.p)})"
    )
    if chance.smallest_p is not None and chance.p <= 1.5 * chance.smallest_p:
        text += ", which is the rarest that a site of this size can show"
    if chance.p <= 0.05:
        verdict = "The hotspots lay closer to the burials than chance explains well"
    elif chance.smallest_p is not None and chance.smallest_p > 0.05:
        verdict = "That leaves too little room to tell the hotspots from chance, so nothing follows"
    else:
        verdict = "The hotspots lay no closer to the burials than chance can explain"
    return f"{text}. {verdict}."


def absence_sentence(result: SiteResult) -> str:
    """No response does not mean no grave, with this site's own figures."""
    text = "No response does not mean no grave."
    seen = []
    for visit in result.visits:
        if visit.score is not None and visit.score.recall.value is not None:
            recall = visit.score.recall
            seen.append(f"{recall.k} of {recall.n} on {date_words(visit.settings.date)}")
    if not seen:
        return f"{text} How many graves a survey like this would miss here is not known."
    missed = not all(v.score is None or v.score.recall.k == v.score.recall.n for v in result.visits)
    tail = " The others lie in ground that looked quiet." if missed else ""
    return f"{text} Of the burials known here, a hotspot matched {listed(seen)}.{tail}"


def not_concluded(result: SiteResult) -> list[str]:
    """What a reader may not conclude from this report."""
    out = [
        "That a hotspot is a grave. Roots, stones, drains, burrows and old trenches can answer alike.",
        "That ground without a hotspot holds no grave.",
        "How many people lie here.",
    ]
    scored = [visit for visit in result.visits if visit.score is not None]
    if not scored:
        out.append("How accurate this survey was: no burials are known here to measure it with.")
    elif any(visit.score is not None and visit.score.precision.value is None for visit in scored):
        out.append("That a hotspot away from the known burials is wrong, or right: the ground under it was not opened.")
    if 1 < len(result.visits) < 5:
        out.append(
            f"That wet or dry ground made the difference. {len(result.visits)} visits cannot show that: below five "
            "visits this report makes no claim about moisture."
        )
    elif len(result.visits) == 1:
        out.append("Anything about moisture: there was one visit only, and nothing to compare it with.")
    return out


def _notes(result: SiteResult) -> dict[str, list[str]]:
    """What scoring had to remark, with the days that it holds for."""
    notes: dict[str, list[str]] = {}
    for visit in result.visits:
        for note in () if visit.score is None else visit.score.notes:
            notes.setdefault(note, []).append(date_words(visit.settings.date))
    return notes


def limits(result: SiteResult) -> list[str]:
    """What could not have been seen, and what the figures leave out."""
    out = [absence_sentence(result)]
    outside = max((int((~v.score.eligible).sum()) for v in result.visits if v.score is not None), default=0)
    if outside:
        noun = "known burial lies" if outside == 1 else "known burials lie"
        out.append(f"{outside} {noun} outside the covered ground and {'is' if outside == 1 else 'are'} not counted.")
    if result.area_assumed:
        out.append("No outline of the surveyed area was given: the hull of the lines stands in for it.")
    out.append("Hatched ground on the maps was not measured. It is not quiet ground: nothing is known about it.")
    out.extend(f"{listed(days)}: {note}" for note, days in _notes(result).items())
    for visit in result.visits:
        if visit.moisture is None:
            out.append(
                f"{date_words(visit.settings.date)}: no moisture readings, so depths rest on a velocity that was "
                f"{'declared' if not visit.velocity.source else 'taken from: ' + visit.velocity.source}."
            )
    return out
