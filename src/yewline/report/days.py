"""Each visit's day: rain before it, what the ground did to the wave, states covered, and what else differs."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from typing import Any, Final

from yewline.report.cells import Cell, Table
from yewline.report.pictures import Picture, make_picture
from yewline.report.rain_plot import rain_plot
from yewline.report.waves import patches_words, relation_words, relations_tables, wave_meaning, wave_table
from yewline.report.words import count, listed
from yewline.workspace.results import SiteResult, VisitResult
from yewline.workspace.stage_day import CONDITION_WORDS, Between, VisitDay, day_sentences, states_sentence

__all__ = ["days_section"]

NO_RAIN: Final = (
    "No rain is on record. Put a table rain.csv with the columns date and rain_mm (one gauge serves all visits) into "
    "the site folder, and the report tells how wet the days before each visit were."
)
NO_CONDITIONS: Final = (
    "Nothing is stated of what else may differ between visits, such as frost, vegetation or crew: fill in [conditions] "
    "in each visit.toml, or it may be taken for an effect of moisture."
)
TRENDS: Final = {"wetting": "rising", "drying": "falling", "": "not known"}


def days_section(result: SiteResult) -> dict[str, Any]:
    """What the page says of days and of the wave, under one name."""
    held = [(visit, visit.day) for visit in result.visits if visit.day is not None]
    return {
        "days": {
            "rain": _rain_picture(held),
            "rain_table": _rain_table(held) if held else None,
            "rain_notes": _rain_notes(result, held),
            "wave": wave_table(result),
            "meaning": wave_meaning(result),
            "patches": patches_words(result),
            "relations": relation_words(result),
            "relation_tables": relations_tables(result),
            "states": _states_words(result),
            "conditions": _conditions_table(result),
            "condition_notes": _condition_notes(result),
        }
    }


def _rain_picture(held: list[tuple[VisitResult, VisitDay]]) -> Picture | None:
    names = ", ".join(visit.name for visit, _ in held)
    unmeasured = any(not each.rain_mm.known for _, day in held for each in day.history)
    open_days = " Hatched: not measured; pale: where that leaves the index." if unmeasured else ""
    return make_picture(
        rain_plot([(visit.name, day) for visit, day in held]),
        f"Daily rain and antecedent index in the weeks before the visits {names}.",
        "Bars: rain of each day. Line: antecedent index, in which rain counts half after "
        + " or ".join(sorted({f"{day.record.options.half_life_days:g} days" for _, day in held}))
        + f".{open_days} The day of the survey is marked; all visits have the same scales.",
    )


def _rain_table(held: list[tuple[VisitResult, VisitDay]]) -> Table:
    table = Table("Rain before each visit", ("", *(visit.name for visit, _ in held)))

    def row(head: str, note: str, cell: Callable[[VisitDay], Cell]) -> None:
        table.add(head, note, (cell(day) for _, day in held))

    options = held[0][1].record.options
    row("Antecedent index", "on the evening before", _index_cell)
    wet, heavy = f"{options.wet_day_mm:g} mm or more", f"{options.heavy_day_mm:g} mm or more"
    row("Days since rain", wet, lambda day: Cell(_since(day.record.days_since_wet)))
    row("Days since heavy rain", heavy, lambda day: Cell(_since(day.record.days_since_heavy)))
    for days in (3, 7, 30):
        row(f"Rain of the last {days} days", "", partial(_total_cell, days))
    row("Rain on the day itself", "", lambda day: Cell(day.record.on_day_mm.said("mm", digits=1)))
    return table


def _index_cell(day: VisitDay) -> Cell:
    record = day.record
    # Where the whole month is open, its bounds say nothing.
    known = len(record.missing) < max(record.totals_mm)
    return Cell(record.index_mm.said("mm", digits=1) if known else "not known", f"trend: {TRENDS[record.trend]}")


def _total_cell(days: int, day: VisitDay) -> Cell:
    return Cell(day.record.totals_mm[days].said("mm"))


def _since(since: Between) -> str:
    if math.isinf(since.high):
        return f"at least {since.low:.0f}"
    return f"{since.low:.0f}" if since.known else f"{since.low:.0f} to {since.high:.0f}"


def _rain_notes(result: SiteResult, held: list[tuple[VisitResult, VisitDay]]) -> list[str]:
    """What the table cannot hold: rain during a survey, days not measured, visits without a record."""
    if not held:
        return [NO_RAIN]
    notes = []
    for visit, day in held:
        # The first three sentences say what the table shows.
        notes += [f"{visit.name}: {text}" for text in day_sentences(day.record)[3:]]
    without = [visit.name for visit in result.visits if visit.day is None]
    if without:
        notes.append(f"No rain is on record for {listed(without)}: add rain.csv.")
    return notes


def _states_words(result: SiteResult) -> str:
    if result.states is not None:
        return states_sentence(result.states)
    read = sum(visit.moisture is not None for visit in result.visits)
    return (
        f"Moisture was read on {count(read, 'visit')}: states of moisture are told apart from two on, and one more "
        "visit that is clearly drier or wetter would add most to compare with."
    )


def _conditions_table(result: SiteResult) -> Table | None:
    """Conditions that are known to differ, as each visit states them."""
    told = [each for each in result.confounders if each.status in ("confounded", "differs") and each.name != "order"]
    if not told:
        return None
    names = list(told[0].values)
    table = Table("What else differs between the visits", ("", *names, "With the moisture?"))
    for each in told:
        verdict = "changed with it: not told apart" if each.status == "confounded" else "not along with it"
        words = CONDITION_WORDS[each.name]
        table.rows.append(
            [Cell(f"{words[:1].upper()}{words[1:]}"), *(Cell(each.values[name]) for name in names), Cell(verdict)]
        )
    return table


def _condition_notes(result: SiteResult) -> list[str]:
    if not result.confounders:
        return ["What else differs is compared where moisture was read on two visits or more."]
    by: dict[str, list[str]] = {"unknown": [], "same": []}
    for each in result.confounders:
        if each.status in by:
            by[each.status].append(CONDITION_WORDS[each.name])
    notes = [each.words for each in result.confounders if each.name == "order" and each.status == "confounded"]
    if len(by["unknown"]) == len(result.confounders) - 1:
        return [*notes, NO_CONDITIONS]
    if by["same"]:
        notes.append(f"Alike on all visits: {listed(by['same'])}.")
    if by["unknown"]:
        notes.append(f"Not known for every visit: {listed(by['unknown'])}; fill in [conditions] in visit.toml.")
    return notes
