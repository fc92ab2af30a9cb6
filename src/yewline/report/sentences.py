"""What the figures say, in plain sentences, for someone who has never seen such a report.

A response is "grave-like"; nothing here says that a grave was found, or how many there are.
"""

from __future__ import annotations

import math
import re

from yewline.report.words import count, date_words, day_words, listed, metres, one_in, p_value
from yewline.workspace.results import ChanceLevel, SiteResult, VisitResult, left_out_sentences

__all__ = [
    "absence_sentence",
    "answer_lead",
    "chance_sentence",
    "compared_words",
    "left_out_sentence",
    "limits",
    "not_concluded",
    "precision_sentence",
    "recall_sentence",
    "room_words",
    "visits_words",
]


def visits_words(result: SiteResult) -> str:
    """How many visits were made, and which of them was left out, and why.

    A visit that was left out is still a visit that was made: a report that is silent about it would mislead.
    """
    used, lost = len(result.visits), len(result.left_out)
    made = "1 visit was made." if used + lost == 1 else f"{used + lost} visits were made."
    if not lost:
        return made
    return f"{made[:-1]}, and {used} could be used. {' '.join(left_out_sentences(result)[:lost])}"


def answer_lead(result: SiteResult) -> str:
    """What was looked for, how, and on which days; which visits are missing."""
    days = sorted({visit.settings.date for visit in result.visits})
    when = listed([date_words(day) for day in days])
    lines = sum(len(visit.radargrams) for visit in result.visits)
    visits, lost = count(len(result.visits), "visit"), ""
    if result.left_out:
        visits = f"{len(result.visits)} of the {len(result.visits) + len(result.left_out)} visits that were made"
        lost = " " + " ".join(left_out_sentences(result)[: len(result.left_out)])
    return (
        f"Radar was drawn over {result.area.area:,.0f} m² of ground along {count(lines, 'line')}, in "
        f"{visits} ({when}).{lost} Places that sent back a strong, "
        "grave-like response are called hotspots."
    )


def left_out_sentence(result: SiteResult) -> str:
    """What else could not be used, in one calm sentence; empty where everything was used."""
    told = [text.rstrip(".") for text in left_out_sentences(result)[len(result.left_out) :]]
    if not told:
        return ""
    # Names and figures keep their case; only a sentence's own first word is small inside another sentence.
    parts = [told[0], *(text[:1].lower() + text[1:] for text in told[1:3])]
    more = f", and {count(len(told) - 3, 'other thing')}" if len(told) > 3 else ""
    return f"{'; '.join(parts)}{more}."


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
    luck = visit.score.chance_recall
    by_luck = (
        "" if luck is None else f" The same pattern of hotspots laid elsewhere would match {one_in(luck)} by luck."
    )
    return (
        f"Of {recall.n} {noun} inside the surveyed ground, {recall.k} {were} matched by a hotspot "
        f"{day_words(result, visit)}. So few burials cannot fix the rate: anything from {lowest} to {highest} in 100 "
        f"would fit.{by_luck}"
    )


def precision_sentence(visit: VisitResult) -> str:
    """Of the hotspots on opened ground, how many lay on a burial."""
    if visit.score is None:
        return ""
    precision = visit.score.precision
    if precision.value is None:
        why = precision.why or "no ground was opened under them"
        return f"How many hotspots lie on a burial cannot be said: {why}."
    noun = "hotspot" if precision.n == 1 else "hotspots"
    return f"Of {precision.n} {noun} on ground that was opened, {precision.k} matched a burial."


SMALL_ZONE = 0.5
"""Share of the ground below which it has to be said that keeping to the burials' zone is enough for a small p."""


def compared_words(null: ChanceLevel) -> str:
    """Of how many hotspots a null's observed mean is, where it leaves some out, such as ``57 of 58 hotspots``."""
    for note in null.notes:
        if told := re.match(r"(\d+) of (\d+) hotspots lie outside", note):
            left, of = int(told[1]), int(told[2])
            return f"{of - left} of {of} hotspots"
    return ""


def room_words(null: ChanceLevel) -> str:
    """What a null's p rests on: how many draws came as close, and how small p can get here."""
    if null.p is None or null.smallest_p is None or not len(null.sample_m):
        return ""
    move = "shift" if null.null == "shift" else "placement"
    # Where the site's room sets the smallest p, more draws would not make it smaller.
    separate, least = 1 / null.smallest_p, p_value(null.smallest_p)
    room = null.smallest_p > 1.5 / (null.draws + 1)
    smallest = f"with room for about {separate:.0f} separate {move}s the smallest p is {least}"
    if null.p <= null.smallest_p * (1 + 1e-9):
        if room:
            return f"No {move} of the pattern came as close; {smallest}"
        return f"None of {count(null.draws, move)} came as close (p = {p_value(null.p)})"
    share = null.p
    if null.observed_m is not None:
        share = float((null.sample_m <= null.observed_m * (1 + 1e-12)).mean())
    came = one_in(share)
    text = f"{came[:1].upper()}{came[1:]} such {move}s came as close (p = {p_value(null.p)}"
    return f"{text}; {smallest})" if room else f"{text})"


def chance_sentence(visit: VisitResult) -> str:
    """The mean distance beside what chance alone would give, like with like, and what follows."""
    if visit.score is None:
        return ""
    distances = visit.score.hotspot_to_burial
    if distances.mean_m is None:
        return f"Distances cannot be given: {distances.why or 'there are too few'}."
    chance = distances.shift
    observed, some = distances.mean_m, ""
    if chance is not None and chance.observed_m is not None and abs(chance.observed_m - observed) >= 0.005:
        # A null leaves out what lies outside its window: its own mean is what it is compared with.
        observed, some = chance.observed_m, compared_words(chance)
    one = distances.n == 1
    average = "" if one else f" on average{some and f' ({some})'}"
    whose = "the one hotspot's" if one else "a hotspot's"
    text = f"From {whose} middle to the middle of the nearest known burial it was {metres(observed)}{average}"
    if chance is None or chance.expected_m is None or chance.p is None:
        why = (chance.why if chance is not None else "") or "it was not worked out"
        return f"{text}. What chance would give cannot be said: {why}."
    elsewhere = "the same hotspot" if one else "the same pattern"
    text += f"; {elsewhere} laid elsewhere on the site would give {metres(chance.expected_m)}. {room_words(chance)}"
    if chance.p <= 0.05:
        verdict = "The hotspots lay closer to the burials than chance explains well"
        if chance.zone_share is not None and chance.zone_share < SMALL_ZONE:
            part = f"{100 * chance.zone_share:.0f} %"
            verdict += (
                f"; but burials take up only {part} of the ground, and hotspots that merely keep to that part of it "
                "would do well too"
            )
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
        only = "only one visit could be used" if result.left_out else "there was one visit only"
        out.append(f"Anything about moisture: {only}, and there is nothing to compare it with.")
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
