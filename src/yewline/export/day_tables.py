"""Tables of the days of a survey: rain, and what moisture does to the wave."""

from __future__ import annotations

from yewline.export.result_table import ResultTable
from yewline.workspace.day_summary import wavelength_m
from yewline.workspace.results import SiteResult

__all__ = ["conditions_table", "days_table", "wave_table"]

_FIGURES = ("velocity_m_per_ns", "resolution_m", "attenuation_db_per_m", "conductivity_ms_per_m", "reach_m")


def days_table(result: SiteResult) -> ResultTable:
    """Rain before each visit; both ends of what is not known for certain."""
    columns = (
        "visit", "date", "index_low_mm", "index_high_mm", "half_life_days", "days_since_rain", "days_since_heavy_rain",
        "rain_3_days_mm", "rain_7_days_mm", "rain_30_days_mm", "trend", "days_not_measured", "rain_file",
    )  # fmt: skip
    table = ResultTable("rain before each visit; empty where it is not known for certain", columns)
    for visit in result.visits:
        record = visit.day.record
        if record is None:
            table.rows.append((visit.name, visit.settings.date, *[None] * 11))
            continue
        known = [
            amount.low if amount.known else None
            for amount in (record.days_since_wet, record.days_since_heavy, *record.totals_mm.values())
        ]
        table.rows.append(
            (visit.name, record.date, record.index_mm.low, record.index_mm.high, record.options.half_life_days, *known,
             record.trend, len(record.missing), visit.day.rain_file)
        )  # fmt: skip
    return table


def wave_table(result: SiteResult) -> ResultTable:
    """The wave on each visit at a dry place, at the mean and at a wet place."""
    columns = ("visit", "at", "vwc", "frequency_mhz", "relation", "figure", "value", "low", "high")
    table = ResultTable(
        "what moisture does to the wave, with 90 % intervals: wavelength by the joined velocity, all else by the "
        "relation of the soil; p10 and p90: a tenth of the ground is drier, or wetter",
        columns,
    )
    for visit in result.visits:
        wave = visit.day.wave
        if wave is None:
            continue
        about = (wave.frequency_mhz, wave.model.name)
        joined = wavelength_m(visit.velocity, wave.frequency_mhz)
        table.rows.append((visit.name, "joined", None, *about, "wavelength_m", *joined))
        figures = {name: getattr(wave, name) for name in _FIGURES}
        if wave.scattering_index is not None:
            figures["scattering_index"] = wave.scattering_index
        for i, (at, vwc) in enumerate(zip(("p10", "mean", "p90"), wave.levels.vwc, strict=True)):
            head = (visit.name, at, float(vwc), *about)
            table.rows.extend((*head, name, each.value[i], each.low[i], each.high[i]) for name, each in figures.items())
            table.rows.append((*head, "contrast_db", wave.contrast_db[i], None, None))
    return table


def conditions_table(result: SiteResult) -> ResultTable:
    """What else may differ between visits."""
    names = tuple(visit.name for visit in result.visits)
    table = ResultTable(
        "what may differ between visits besides moisture; confounded: it changed with the moisture",
        ("condition", "status", *names, "words"),
    )
    for one in result.days.confounders:
        table.rows.append((one.name, one.status, *(one.values.get(name) for name in names), one.words))
    return table
