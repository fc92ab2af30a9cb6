"""The day of each visit: rain before and during it, states of moisture covered, and what else differs."""

from __future__ import annotations

import datetime as dt
import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import pandas as pd

from yewline.errors import SiteError, YewlineError
from yewline.formats import read_rain
from yewline.ground import (
    CONDITION_WORDS,
    Between,
    Confounder,
    DayRecord,
    MoistureSummary,
    StatesCovered,
    VisitConditions,
    VisitState,
    compare_conditions,
    covered_states,
    day_record,
    day_sentences,
    states_sentence,
    time_of_reading,
)
from yewline.model import VWC_HIGHEST, Finding, RainSeries
from yewline.units import Z90
from yewline.workspace.site import Site, Visit, rain_files
from yewline.workspace.stage_moisture import MoistureFigures
from yewline.workspace.visit_readings import line_times

__all__ = [
    "CONDITION_WORDS",
    "Between",
    "RainOnDay",
    "VisitDay",
    "VisitMoisture",
    "day_sentences",
    "level_sd",
    "site_confounders",
    "site_states",
    "states_sentence",
    "visit_days",
]

HISTORY_DAYS: Final = 45
"""Days before a visit that are kept for its plot: nine half-lives of the index (own choice)."""
_FEWEST_VISITS: Final = 2
_MONTH_DAYS: Final = 30


@dataclass(frozen=True, slots=True)
class RainOnDay:
    """One day: its rain, and the antecedent index at its end, mm."""

    date: dt.date
    rain_mm: Between
    index_mm: Between


@dataclass(frozen=True, slots=True)
class VisitDay:
    """Rain of one visit.

    Attributes
    ----------
    record : what is known of the rain before and during the survey.
    history : the days up to and with that of the survey, for a plot.
    source : the file, relative to the site folder.
    """

    record: DayRecord
    history: tuple[RainOnDay, ...]
    source: str


@dataclass(frozen=True, slots=True)
class VisitMoisture:
    """What a comparison of days needs to know of one visit; moisture is None where nobody read it."""

    visit: Visit
    summary: MoistureSummary | None
    figures: MoistureFigures | None
    day: VisitDay | None


def visit_days(
    site: Site, readings: Mapping[str, pd.DataFrame | None]
) -> tuple[dict[str, VisitDay], tuple[Finding, ...]]:
    """Rain of every visit, from a table of its own or from that of the site.

    Parameters
    ----------
    readings : of the visits, which may tell the hours of the survey.

    Returns
    -------
    Visits that have rain on record, and what there is to say of the files. A visit whose own table cannot be used gets
    no other in its place.
    """
    own = {visit.name: files for visit in site.visits if (files := rain_files(visit.path))}
    shared, findings = _read(site, rain_files(site.root), "")
    if shared is not None and len(own) == len(site.visits):
        text = "every visit has a table of rain of its own: that of the site is not used"
        findings.append(
            Finding("warning", "rain-not-used", text, where=shared[1], do="remove it, or those of the visits")
        )
    days: dict[str, VisitDay] = {}
    for visit in site.visits:
        held = shared
        if visit.name in own:
            held, said = _read(site, own[visit.name], visit.name)
            findings += said
        if held is None:
            continue
        day = _visit_day(visit, *held, readings.get(visit.name))
        days[visit.name] = day
        findings += _day_findings(visit, day, held[0])
    return days, tuple(findings)


def _read(site: Site, files: Sequence[Path], visit: str) -> tuple[tuple[RainSeries, str] | None, list[Finding]]:
    """One table of rain with its place, or None; a table that cannot be used is a fault."""
    if not files:
        return None, []
    try:
        if len(files) > 1:
            names = " and ".join(site.relative(path) for path in files)
            raise SiteError("two tables of rain", where=site.relative(files[0]), received=names, do="keep one")
        rain, findings = read_rain(files[0])
    except YewlineError as error:
        return None, [Finding.of_error(error, "rain-left-out", visit=visit)]
    return (rain, site.relative(files[0])), [replace(finding, visit=visit) for finding in findings]


def _visit_day(visit: Visit, rain: RainSeries, source: str, readings: pd.DataFrame | None) -> VisitDay:
    date = visit.settings.date
    record = day_record(rain, date, window=_hours(visit, readings))
    days = [date - dt.timedelta(days=back) for back in range(HISTORY_DAYS, -1, -1)]
    # The index at the end of a day is the one that the next day begins with.
    records = [day_record(rain, day) for day in [*days, date + dt.timedelta(days=1)]]
    history = tuple(RainOnDay(now.date, now.on_day_mm, after.index_mm) for now, after in itertools.pairwise(records))
    return VisitDay(record, history, source)


def _hours(visit: Visit, readings: pd.DataFrame | None) -> tuple[dt.datetime, dt.datetime] | None:
    """First and last moment of the survey by the clocks in the field; None where they do not tell."""
    date = visit.settings.date
    times = [when.replace(tzinfo=None) for when in line_times(visit, zoned=False)]
    for text in () if readings is None else readings["time"]:
        # A date alone tells no hour.
        if ":" not in text:
            continue
        try:
            when = time_of_reading(text, date)
        except ValueError:
            continue  # whoever reads the readings says so
        times += [] if when is None else [when]
    today = sorted(when for when in times if when.date() == date)
    return (today[0], today[-1]) if today and today[0] < today[-1] else None


def _day_findings(visit: Visit, day: VisitDay, rain: RainSeries) -> list[Finding]:
    record, name = day.record, visit.name
    if len(record.missing) == _MONTH_DAYS:
        text = f"the table of rain holds none of the {_MONTH_DAYS} days before this visit in full"
        received = f"{str(rain.times[0])[:10]} to {str(rain.times[-1])[:10]}; the visit is of {record.date}"
        do = "add those days, or check the year in the table and in visit.toml"
        return [Finding("warning", "rain-elsewhen", text, day.source, received, do, name)]
    findings = [Finding("found", "rain-before", " ".join(day_sentences(record)), day.source, visit=name)]
    if record.in_window_mm.low > 0:
        text = "rain fell during the survey: lines walked before and after it met different ground"
        received = record.in_window_mm.said("mm", digits=1)
        do = "say in the notes which lines came after it; compare them with care"
        findings.append(Finding("warning", "rain-during-survey", text, day.source, received, do, name))
    return findings


def level_sd(figures: MoistureFigures, summary: MoistureSummary, *, sigma_vwc: float) -> float:
    """Standard deviation by which a visit's mean moisture is known, without the error that all readings share.

    Few readings have no interval: their own standard deviation over the root of their number stands for it, and for a
    single one `sigma_vwc`.
    """
    mean = figures.level.mean
    if math.isfinite(mean.low) and math.isfinite(mean.high):
        return (mean.high - mean.low) / (2.0 * Z90)
    sd = summary.sd if math.isfinite(summary.sd) else sigma_vwc
    return sd / math.sqrt(summary.n)


def site_states(visits: Sequence[VisitMoisture]) -> StatesCovered | None:
    """Which states of moisture the visits with readings have covered; None with fewer than two of them.

    One probe's calibration moves all visits alike and tells none of them from another; where probes differ it counts.
    """
    probes = {each.visit.settings.readings.sensor for each in visits if each.figures is not None}
    states = []
    for each in visits:
        if each.figures is None or each.summary is None:
            continue
        sd = level_sd(each.figures, each.summary, sigma_vwc=each.visit.settings.readings.sigma_vwc)
        if len(probes) > 1:
            sd = math.hypot(sd, each.figures.level.common_sd)
        states.append(
            VisitState(
                each.visit.name,
                _within(each.figures.level.mean.value),
                min(sd, 0.3),
                each.figures.variability.sd.value,
                "" if each.day is None else each.day.record.trend,
            )
        )
    return covered_states(states) if len(states) >= _FEWEST_VISITS else None


def site_confounders(visits: Sequence[VisitMoisture]) -> tuple[Confounder, ...]:
    """What else differs between the visits with readings; nothing with fewer than two of them."""
    known = [
        VisitConditions(
            each.visit.name,
            each.visit.settings.date,
            _within(each.figures.level.mean.value),
            each.visit.settings.conditions,
        )
        for each in visits
        if each.figures is not None
    ]
    return compare_conditions(known) if len(known) >= _FEWEST_VISITS else ()


def _within(vwc: float) -> float:
    """A mean by least squares can fall a little outside what its readings may be."""
    return min(max(vwc, 0.0), VWC_HIGHEST)
