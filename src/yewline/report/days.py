"""The day of each visit: rain before it, what the ground does to the wave, and what else differs between visits."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any, Final

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from yewline.model import RainSeries
from yewline.report.cells import Cell, Table
from yewline.report.palette import INK, MUTED, NO_DATA, OTHER, STYLE
from yewline.report.pictures import Picture, make_picture
from yewline.report.words import count, date_words, listed, number, rounded, short_name
from yewline.units import Z90
from yewline.workspace.day_summary import wavelength_m
from yewline.workspace.results import SiteResult, VisitResult
from yewline.workspace.stage_day import Confounder, WaveFigure, WaveFigures

__all__ = ["days_section", "rain_plot"]

PANEL_IN: Final = 2.9
SHOWN_DAYS: Final = 45
_MEAN: Final = 1
_STRONG: Final = (0.5, 5.0)
"""Of k·a, between which patches scatter most."""


def days_section(result: SiteResult) -> dict[str, Any]:
    """What the page says of days and of the wave."""
    return {
        "rain": _rain_picture(result),
        "rain_words": _rain_words(result),
        "wave_table": _wave_table(result),
        "wave_words": _wave_words(result),
        "relation_words": _relation_words(result),
        "states_words": result.days.states_words,
        "confounders": _confounder_table(result),
        "confounder_words": _confounder_words(result),
    }


# ----------------------------------------------------------------------------------------------------------------- rain


def _rain_words(result: SiteResult) -> list[dict[str, str]]:
    told = []
    for visit in result.visits:
        record = visit.day.record
        text = (
            "no rain series: put rain.csv (date, rain_mm) of a nearby gauge at the site's root, and the report tells "
            "how wet the days before were."
            if record is None
            else " ".join(visit.day.rain_words)
        )
        told.append({"name": visit.name, "text": text})
    if all(visit.day.record is None for visit in result.visits):
        return [{"name": "Rain", "text": told[0]["text"]}]
    return told


def _rain_picture(result: SiteResult) -> Picture | None:
    shown = [visit for visit in result.visits if visit.day.record is not None]
    names = listed([visit.name for visit in shown])
    return make_picture(
        rain_plot(shown),
        f"Daily rain over the {SHOWN_DAYS} days before the visits {names}, with the antecedent index.",
        "Bars: rain of each day, hatched where it was not measured; line: antecedent index, in which rain counts half "
        f"after {_half_life(shown)} days. Day 0 is the survey.",
    )


def _half_life(shown: list[VisitResult]) -> str:
    record = shown[0].day.record if shown else None
    return "" if record is None else f"{record.options.half_life_days:g}"


def rain_plot(shown: list[VisitResult]) -> Figure | None:
    """One panel a visit, all with the same axes; None without a visit that has a rain series."""
    held = [(visit, visit.day.rain, visit.day.record) for visit in shown]
    days = [
        _daily(rain, visit.settings.date) for visit, rain, record in held if rain is not None and record is not None
    ]
    if not days:
        return None
    index = [
        _index_over(rain, record.options.factor) for rain, (_, _, record) in zip(days, held, strict=True) if record
    ]
    finite = np.concatenate([*days, *index])
    highest = 1.12 * max(float(np.nanmax(finite)) if np.isfinite(finite).any() else 0.0, 5.0)
    wide = 0.7 + PANEL_IN * len(days)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(wide, 2.4))
        for i, (visit, rain, line) in enumerate(zip(shown, days, index, strict=True)):
            axes = figure.add_axes(((0.55 + i * PANEL_IN) / wide, 0.2, (PANEL_IN - 0.25) / wide, 0.64))
            _draw_rain(axes, rain, line)
            axes.set(xlim=(-SHOWN_DAYS - 0.8, 1.2), ylim=(0, highest), xlabel="days before the survey")
            axes.set_xticks([-40, -30, -20, -10, 0], ["40", "30", "20", "10", "0"])
            axes.set_title(short_name(visit.name, 24))
            if i:
                axes.set_yticklabels([])
            else:
                axes.set_ylabel("mm")
        return figure


def _daily(rain: RainSeries, date: dt.date) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Rain of the last days before a survey and of its own day, oldest first; NaN where not measured in full."""
    first = np.datetime64(date, "D") - SHOWN_DAYS
    at = (rain.times.astype("datetime64[D]") - first).astype(int)
    used = (at >= 0) & (at <= SHOWN_DAYS)
    total = np.bincount(at[used], weights=np.nan_to_num(rain.rain_mm)[used], minlength=SHOWN_DAYS + 1)
    steps = np.bincount(at[used & ~np.isnan(rain.rain_mm)], minlength=SHOWN_DAYS + 1)
    return np.where(steps == 24 * 60 // rain.step_minutes, total, np.nan)


def _index_over(daily: np.ndarray[Any, np.dtype[np.float64]], factor: float) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Antecedent index at the end of each shown day from the shown days alone: at least so much."""
    index, now = np.empty(len(daily)), 0.0
    for i, amount in enumerate(np.nan_to_num(daily)):
        now = factor * now + amount
        index[i] = now
    return index


def _draw_rain(axes: Axes, rain: np.ndarray[Any, np.dtype[np.float64]], index: Any) -> None:
    day = np.arange(len(rain)) - SHOWN_DAYS
    blank = np.isnan(rain)
    top = axes.get_xaxis_transform()
    axes.bar(
        day[blank], np.ones(blank.sum()), width=1.0, transform=top, color=NO_DATA, hatch="///", linewidth=0, zorder=0
    )
    axes.bar(day, np.nan_to_num(rain), width=0.8, color=OTHER, linewidth=0, zorder=2)
    axes.plot(day[:-1], index[:-1], color=INK, linewidth=1.2, zorder=3)
    axes.axvline(0, color=MUTED, linewidth=0.9, linestyle=(0, (4, 2)), zorder=1)


# ----------------------------------------------------------------------------------------------------------------- wave


def _wave_table(result: SiteResult) -> Table | None:
    held = [(visit, visit.day.wave) for visit in result.visits if visit.day.wave is not None]
    if not held:
        return None
    waves = [wave for _, wave in held]
    mhz = listed(list(dict.fromkeys(f"{wave.frequency_mhz:g} MHz" for wave in waves)))
    table = Table(f"What the ground does to a wave of {mhz}", ("", *(visit.name for visit, _ in held)))
    wavelengths = [wavelength_m(visit.velocity, wave.frequency_mhz) for visit, wave in held]
    fill = f"{waves[0].options.contrast_vwc:.2f} m³/m³ wetter than the soil"
    rows: list[tuple[str, str, list[Cell]]] = [
        ("Day", "", [Cell(date_words(visit.settings.date)) for visit, _ in held]),
        (
            "Moisture",
            "mean; the driest and the wettest tenth begin",
            [Cell(f"{w.levels.mean:.2f} m³/m³", f"{w.levels.p10:.2f} and {w.levels.p90:.2f}") for w in waves],
        ),
        (
            "Velocity",
            "all sources joined",
            [
                Cell(
                    f"{number(visit.velocity.mean_m_per_ns, 3)} m/ns",
                    f"± {Z90 * visit.velocity.mean_sigma_m_per_ns:.3f}",
                )
                for visit, _ in held
            ],
        ),
        (
            "Wavelength",
            "by that velocity",
            [Cell(f"{number(long)} m", f"{number(low)} to {number(high)}") for long, low, high in wavelengths],
        ),
        (
            "Told apart in depth",
            "from a quarter of the wavelength on",
            [Cell(f"{number(0.25 * long)} m") for long, _, _ in wavelengths],
        ),
        ("Loss", "one way", [_figure_cell(wave.attenuation_db_per_m, "dB/m") for wave in waves]),
        ("Reach", f"for a fill {fill}", [_figure_cell(wave.reach_m, "m") for wave in waves]),
        (
            "Fill against soil",
            f"strength sent back by one {fill}",
            [Cell(f"{number(float(wave.contrast_db[_MEAN]), 0)} dB") for wave in waves],
        ),
        (
            "Patches against wave, k·a",
            "with the correlation length of the readings",
            [_scattering_cell(wave.scattering_index, wave.scattering_words) for wave in waves],
        ),
    ]
    table.rows.extend([Cell(head, note), *cells] for head, note, cells in rows)
    return table


def _figure_cell(figure: WaveFigure, unit: str) -> Cell:
    value, low, high = (float(part[_MEAN]) for part in (figure.value, figure.low, figure.high))
    if not math.isfinite(value):
        return Cell("–")
    return Cell(f"{rounded(value)} {unit}", f"{rounded(low)} to {rounded(high)}")


def _scattering_cell(figure: WaveFigure | None, words: tuple[str, ...]) -> Cell:
    if figure is None:
        return Cell("–", "size of patches not known")
    return Cell(rounded(float(figure.value[_MEAN])), words[_MEAN].split(":")[0])


def _wave_words(result: SiteResult) -> list[str]:
    base_m = result.settings.target.depth_m[1]
    told = []
    for visit in result.visits:
        wave = visit.day.wave
        if wave is None:
            continue
        long = wavelength_m(visit.velocity, wave.frequency_mhz)[0]
        small, large = (100.0 * limit * long / (2.0 * math.pi) for limit in _STRONG)
        told.append(
            f"{visit.name}: {_seen(wave, base_m)}; patches of {small:.0f} to {large:.0f} cm in the soil scatter most, "
            "and look like small targets."
        )
    return told


def _seen(wave: WaveFigures, base_m: float) -> str:
    """Whether a fill could be seen down to where graves are expected."""
    least, middle = (float(part[_MEAN]) for part in (wave.reach_m.low, wave.reach_m.value))
    wetter = f"{wave.options.contrast_vwc:.2f} m³/m³ wetter than the soil"
    if not math.isfinite(middle):
        return f"how strongly a fill {wetter} would answer at such moisture is not known"
    if least >= base_m:
        return f"a fill {wetter} could be seen down to {base_m:g} m, the deepest that graves are expected, and below"
    if middle >= base_m:
        return (
            f"a fill {wetter} could be seen to about {rounded(middle)} m, but perhaps only to {rounded(least)} m, less "
            f"than the {base_m:g} m to which graves are expected"
        )
    return (
        f"a fill {wetter} could be seen only to about {rounded(middle)} m, less than the {base_m:g} m to which graves "
        "are expected: silence below says nothing"
    )


def _relation_words(result: SiteResult) -> str:
    held = [(visit, visit.day.wave) for visit in result.visits if visit.day.wave is not None]
    if not held:
        return ""
    reasons = dict.fromkeys(f"{wave.model.source}: {wave.model.reason}" for _, wave in held)
    parts = [f"Moisture is turned into velocity by {'; '.join(reasons)}."]
    spread = listed([f"{100 * float(wave.spread.sd_ln_v[_MEAN]):.0f} %" for _, wave in held])
    many = max(len(wave.spread.names) for _, wave in held)
    on = f" ({listed([visit.name for visit, _ in held])})" if len(held) > 1 else ""
    parts.append(
        f"The {count(many, 'relation')} that such a soil is in the range of differ in velocity by {spread}{on}, one "
        "standard deviation; that is in the error of the moisture's velocity."
    )
    warned = dict.fromkeys(text for _, wave in held for text in (*wave.model.warnings, *wave.loss.assumed))
    if warned:
        parts.append(f"Assumed, or to be careful of: {'; '.join(warned)}.")
    return " ".join(parts)


# ---------------------------------------------------------------------------------------------------------- differences


def _confounder_table(result: SiteResult) -> Table | None:
    told = [one for one in result.days.confounders if one.status in ("confounded", "differs")]
    if not told:
        return None
    heads = ("What", "Along with moisture?", *(visit.name for visit in result.visits))
    table = Table("What else differed between the visits", heads)
    for one in told:
        along = "yes: the two cannot be told apart" if one.status == "confounded" else "no"
        values = [Cell(one.values.get(visit.name, "–")) for visit in result.visits]
        table.rows.append([Cell(_named(one)), Cell(along), *values])
    return table


def _confounder_words(result: SiteResult) -> str:
    named = {
        status: listed([_named(one).lower() for one in result.days.confounders if one.status == status])
        for status in ("same", "unknown")
    }
    parts = []
    if named["same"]:
        parts.append(f"Alike on all visits: {named['same']}.")
    if named["unknown"]:
        parts.append(f"Not known: {named['unknown']}; fill in [conditions] in visit.toml.")
    return " ".join(parts)


def _named(one: Confounder) -> str:
    return "Order of the visits" if one.name == "order" else one.words.split(":")[0]
