"""The day of a survey: its rain, what its moisture does to the wave, and what else differs from visit to visit."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd
from scipy.optimize import brentq

from yewline.errors import YewlineError
from yewline.formats import read_rain
from yewline.geostat import correlation
from yewline.ground import (
    Confounder,
    DayRecord,
    MoistureLevels,
    StatesCovered,
    VisitConditions,
    VisitState,
    WaveFigure,
    WaveFigures,
    WaveOptions,
    compare_conditions,
    covered_states,
    day_record,
    day_sentences,
    states_sentence,
    wave_figures,
)
from yewline.model import Finding, RainSeries
from yewline.units import Z90
from yewline.workspace.site import Site, Visit, rain_files
from yewline.workspace.stage_moisture import MoistureFigures

__all__ = [
    "Confounder",
    "DaysCompared",
    "VisitDay",
    "WaveFigure",
    "WaveFigures",
    "days_compared",
    "load_rain",
    "rain_path",
    "visit_day",
]


@dataclass(frozen=True)
class VisitDay:
    """One visit's day.

    Attributes
    ----------
    rain, record : the rain series and what it says of the day; None without one.
    rain_file : where it stands, relative to the site folder.
    wave : what moisture does to the wave; None without readings.
    """

    rain: RainSeries | None = None
    record: DayRecord | None = None
    rain_file: str = ""
    wave: WaveFigures | None = None

    @property
    def rain_words(self) -> tuple[str, ...]:
        """The rain in plain sentences."""
        return () if self.record is None else tuple(day_sentences(self.record))


@dataclass(frozen=True)
class DaysCompared:
    """All visits' days together: states of moisture covered, and what else differs; empty where it cannot be told."""

    states: StatesCovered | None = None
    confounders: tuple[Confounder, ...] = ()

    @property
    def states_words(self) -> str:
        """What is covered and what is missing, in a sentence."""
        return "" if self.states is None else states_sentence(self.states)


def rain_path(site: Site, visit: Visit) -> Path | None:
    """The visit's own rain series, or else that of the site, which serves all visits."""
    return next(iter([*rain_files(visit.path), *rain_files(site.root)]), None)


def load_rain(site: Site, visit: Visit) -> tuple[RainSeries | None, list[Finding]]:
    """Rain before a visit. A file that cannot be used becomes a fault and counts as absent."""
    path = rain_path(site, visit)
    if path is None:
        return None, []
    try:
        rain, findings = read_rain(path)
    except YewlineError as error:
        return None, [Finding.of_error(error, "rain-left-out", visit=visit.name)]
    findings = [replace(finding, visit=visit.name) for finding in findings]
    first, last = (time.astype("datetime64[D]").astype(object) for time in (rain.times[0], rain.times[-1]))
    step = "day" if rain.daily else f"{rain.step_minutes} minutes"
    text = f"rain by the {step}, {first} to {last}"
    findings.append(Finding("found", "rain", text, where=site.relative(path), visit=visit.name))
    if not first < visit.settings.date <= last:
        findings.append(
            Finding(
                "warning",
                "rain-elsewhen",
                "the rain series does not hold the day of the visit and days before it",
                where=site.relative(path),
                received=f"rain {first} to {last}, visit {visit.settings.date}",
                do="add the missing days: none of them counts as dry",
                visit=visit.name,
            )
        )
    return rain, findings


def visit_day(
    site: Site, visit: Visit, readings: pd.DataFrame | None, figures: MoistureFigures | None
) -> tuple[VisitDay, list[Finding]]:
    """Rain and wave of one visit.

    Parameters
    ----------
    readings : of the depth that is mapped, or None.
    figures : of the visit's moisture; None without readings.
    """
    rain, findings = load_rain(site, visit)
    path = rain_path(site, visit)
    record = None if rain is None else day_record(rain, visit.settings.date)
    wave = None if figures is None or readings is None else _wave(visit, readings, figures)
    return VisitDay(rain, record, "" if path is None else site.relative(path), wave), findings


def _wave(visit: Visit, readings: pd.DataFrame, figures: MoistureFigures) -> WaveFigures:
    mean = figures.level.mean
    # Where areas could not be weighed, the readings' own tenths stand in.
    tenths = [
        found.value if math.isfinite(found.value) else float(readings["vwc"].quantile(share))
        for found, share in ((figures.level.p10, 0.1), (figures.level.p90, 0.9))
    ]
    low, high = min(*tenths, mean.value), max(*tenths, mean.value)
    levels = MoistureLevels(max(low, 0.0), mean.value, high, sd=min(_level_sd(figures, common=True), 0.3))
    return wave_figures(
        levels,
        visit.settings.soil,
        frequency_mhz=visit.settings.antenna.centre_mhz,
        options=WaveOptions(correlation_length_m=_correlation_length_m(figures)),
    )


def _level_sd(figures: MoistureFigures, *, common: bool) -> float:
    """Standard deviation of a visit's mean moisture, with or without the error that all readings share."""
    mean = figures.level.mean
    own = 0.5 * (mean.high - mean.low) / Z90
    own = own if math.isfinite(own) else figures.variability.own_error_sd
    return math.hypot(own, figures.level.common_sd if common else 0.0)


def _correlation_length_m(figures: MoistureFigures) -> float | None:
    """Distance over which the pattern's correlation falls to 1/e, where the readings fix its range on both sides."""
    found, model = figures.range_m, figures.model
    if found is None or model is None or not (found.bounded_below and found.bounded_above):
        return None
    share = brentq(lambda h: float(correlation(h, model.family)) - math.exp(-1.0), 0.0, 1.0)
    return float(share) * found.value


def days_compared(
    visits: Sequence[Visit], days: Mapping[str, VisitDay], moisture: Mapping[str, MoistureFigures | None]
) -> DaysCompared:
    """States that visits with readings have covered, and conditions that differ between them."""
    held = [(visit, figures) for visit in visits if (figures := moisture.get(visit.name)) is not None]
    if not held:
        return DaysCompared()
    # One probe's error shifts all visits alike.
    same_probe = len({visit.settings.readings.sensor for visit, _ in held}) == 1
    states = covered_states(
        [
            VisitState(
                visit.name,
                figures.level.mean.value,
                min(_level_sd(figures, common=not same_probe), 0.3),
                figures.variability.sd.value,
                "" if (record := days[visit.name].record) is None else record.trend,
            )
            for visit, figures in held
        ]
    )
    if len(held) == 1:
        return DaysCompared(states)
    about = [
        VisitConditions(visit.name, visit.settings.date, figures.level.mean.value, visit.settings.conditions)
        for visit, figures in held
    ]
    return DaysCompared(states, compare_conditions(about))
