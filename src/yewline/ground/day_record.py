"""Rain before a survey: how wet the ground was made, when it last rained, and what is not known of it."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from yewline._check import check_in_range, check_positive
from yewline.errors import InputError
from yewline.model import RainSeries

__all__ = ["Between", "DayRecord", "RainOptions", "Trend", "day_record", "day_sentences"]

Array = npt.NDArray[np.float64]

Trend = Literal["wetting", "drying", ""]
"""Whether the antecedent index rose or fell over the last days; empty where that is not known."""

TOTAL_DAYS: Final = (3, 7, 30)


@dataclass(frozen=True, slots=True)
class Between:
    """An amount that lies between two ends: equal ones where it is known, an infinite `high` where it is open."""

    low: float
    high: float

    @property
    def known(self) -> bool:
        """Whether both ends are one."""
        return self.low == self.high

    def said(self, unit: str, *, digits: int = 0) -> str:
        """In words.

        Examples
        --------
        >>> Between(3.0, 3.0).said("mm"), Between(3.0, math.inf).said("mm"), Between(0.0, math.inf).said("mm")
        ('3 mm', 'at least 3 mm', 'not known')
        """
        low, high = (f"{end:.{digits}f}" for end in (self.low, self.high))
        if math.isinf(self.high):
            return f"at least {low} {unit}" if self.low > 0 else "not known"
        return f"{low} {unit}" if low == high else f"{low} to {high} {unit}"


@dataclass(frozen=True, slots=True)
class RainOptions:
    """How rain is counted.

    Attributes
    ----------
    half_life_days : after so many days rain counts half (3 to 10 is a reasonable start; value from memory).
    wet_day_mm, heavy_day_mm : from how much on a day counts as one with rain, and with heavy rain (own choice).
    highest_daily_mm : no day that was not measured had more: what the index's bounds rest on (own choice).
    trend_days : the trend is the index against that of so many days before (own choice).
    """

    half_life_days: float = 5.0
    wet_day_mm: float = 1.0
    heavy_day_mm: float = 10.0
    highest_daily_mm: float = 100.0
    trend_days: int = 3

    def __post_init__(self) -> None:
        check_in_range(self.half_life_days, "half_life_days", 0.5, 60.0)
        for name in ("wet_day_mm", "heavy_day_mm", "highest_daily_mm"):
            check_positive(getattr(self, name), name)
        check_in_range(self.trend_days, "trend_days", 1, 30)

    @property
    def factor(self) -> float:
        """What is left of rain after a day."""
        return float(0.5 ** (1.0 / self.half_life_days))


@dataclass(frozen=True, slots=True)
class DayRecord:
    """Rain before and on the day of a survey.

    Attributes
    ----------
    date : of the survey.
    index_mm : antecedent precipitation index at the end of the day before; days not measured widen it.
    truncation_mm : what rain from before the record's first day could add to the index at most.
    days_since_wet, days_since_heavy : 1 is the day before the survey.
    totals_mm : rain of the last 3, 7 and 30 days before the survey, by number of days.
    on_day_mm : of the whole day of the survey.
    in_window_mm : within the hours of the survey; without them, from nothing to the whole day's.
    trend : whether the index was rising or falling.
    missing : of the last 30 days, those not measured in full.
    options : how it was counted.
    """

    date: dt.date
    index_mm: Between
    truncation_mm: float
    days_since_wet: Between
    days_since_heavy: Between
    totals_mm: dict[int, Between]
    on_day_mm: Between
    in_window_mm: Between
    trend: Trend
    missing: tuple[dt.date, ...]
    options: RainOptions = field(default_factory=RainOptions)


def day_record(
    rain: RainSeries,
    date: dt.date,
    *,
    window: tuple[dt.datetime, dt.datetime] | None = None,
    options: RainOptions | None = None,
) -> DayRecord:
    """Rain before and during a survey.

    Parameters
    ----------
    rain : as read.
    date : of the survey.
    window : first and last moment of the survey, in the rain's own time.
    options : half-life, limits and bounds.

    Returns
    -------
    The record. A day that was not measured never counts as dry: it widens the index, opens a total upward, and stands
    among the possible answers to when it last rained.

    Raises
    ------
    InputError : a window that ends before it begins, or is on another day.

    Notes
    -----
    API_t = k API_{t−1} + P_t, k = ½^{1/half-life}, at the end of the day before the survey: the survey's own day is
    told apart, as daily sums do not say whether it fell before, during or after. A record of N days that starts from
    nothing lacks at most k^N P_max / (1 − k). The trend is told only where neither that nor days that were not measured
    could turn it round.

    References
    ----------
    Kohler & Linsley 1951, US Weather Bureau Research Paper 34 (from memory).

    Examples
    --------
    >>> rain = RainSeries(np.datetime64("2031-05-01"), 1440, np.array([8.0, 0.0, 4.0, 0.0]))
    >>> record = day_record(rain, dt.date(2031, 5, 4), options=RainOptions(half_life_days=1.0))
    >>> record.index_mm.low, record.days_since_wet.low, record.trend
    (6.0, 1.0, '')
    """
    chosen = RainOptions() if options is None else options
    day = np.datetime64(date, "D")
    if window is not None:
        _check_window(window, date)
    known, whole = _days_before(rain, day)
    index = _index(known, whole, chosen)
    truncation = _truncation(len(known), chosen)
    on_day = _within(rain, np.datetime64(date, "m"), np.datetime64(date, "m") + np.timedelta64(1, "D"))
    return DayRecord(
        date=date,
        index_mm=index,
        truncation_mm=truncation,
        days_since_wet=_since(known, whole, chosen.wet_day_mm),
        days_since_heavy=_since(known, whole, chosen.heavy_day_mm),
        totals_mm={days: _total(known, whole, days) for days in TOTAL_DAYS},
        on_day_mm=on_day,
        in_window_mm=Between(0.0, on_day.high)
        if window is None
        else _within(rain, *(np.datetime64(end, "m") for end in window)),
        trend=_trend(known, whole, chosen),
        missing=_missing(whole, date),
        options=chosen,
    )


def day_sentences(record: DayRecord) -> list[str]:
    """The record in plain sentences, for a report or a terminal.

    Examples
    --------
    >>> rain = RainSeries(np.datetime64("2031-04-01"), 1440, np.array([12.0] + [0.0] * 60))
    >>> day_sentences(day_record(rain, dt.date(2031, 5, 20)))[1]
    'The last day with 1 mm or more was 49 days before, the last with 10 mm or more 49 days before.'
    """
    options = record.options
    tail = ""
    if record.truncation_mm >= max(0.5, 0.05 * record.index_mm.low):
        tail = f"; rain from before the record could add up to {record.truncation_mm:.0f} mm"
    sentences = [
        f"Antecedent index {record.index_mm.said('mm', digits=1)} (half-life {options.half_life_days:g} days){tail}"
        + {"wetting": "; it was rising.", "drying": "; it was falling.", "": "; its trend is not known."}[record.trend],
        f"The last day with {options.wet_day_mm:g} mm or more was {_days(record.days_since_wet)} before, the last with "
        f"{options.heavy_day_mm:g} mm or more {_days(record.days_since_heavy)} before.",
        "Rain of the last "
        + ", ".join(f"{days} days: {total.said('mm', digits=1)}" for days, total in record.totals_mm.items())
        + ".",
    ]
    if record.in_window_mm.low > 0:
        fell = record.in_window_mm.said("mm", digits=1)
        sentences.append(
            f"Rain fell during the survey ({fell}): lines walked before and after it met different ground."
        )
    elif math.isinf(record.in_window_mm.high):
        sentences.append("Whether rain fell during the survey is not known: it was not measured.")
    elif record.in_window_mm.high > 0:
        most = f"{record.in_window_mm.high:.1f} mm"
        sentences.append(f"Whether rain fell during the survey is not known: up to {most} may have.")
    if record.missing:
        count = len(record.missing)
        were = "was" if count == 1 else "were"
        sentences.append(f"{count} of the last 30 days {were} not measured in full; none of them counts as dry.")
    return sentences


def _check_window(window: tuple[dt.datetime, dt.datetime], date: dt.date) -> None:
    begin, end = window
    if end <= begin:
        raise InputError("the survey's window ends before it begins", received=f"{begin} to {end}", do="swap the times")
    if begin.date() != date:
        raise InputError("the survey's window is on another day", received=f"{begin.date()}, survey {date}")


def _days_before(rain: RainSeries, day: np.datetime64) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Rain of each day before `day`, nearest first, back to the record's first, and whether it was measured in full."""
    dates = rain.times.astype("datetime64[D]")
    first = dates[0]
    count = int((day - first).astype(int))
    if count <= 0:
        return np.zeros(0), np.zeros(0, dtype=bool)
    at = (dates - first).astype(int)
    used = at < count
    measured = ~np.isnan(rain.rain_mm)
    amounts = np.bincount(at[used], weights=np.nan_to_num(rain.rain_mm)[used], minlength=count)
    known = np.asarray(amounts, dtype=np.float64)
    steps = np.bincount(at[used & measured], minlength=count)
    return known[::-1], (steps == 24 * 60 // rain.step_minutes)[::-1]


def _index(known: Array, whole: npt.NDArray[np.bool_], options: RainOptions) -> Between:
    if not len(known) or not whole.any():
        return Between(float(options.factor ** np.arange(len(known)) @ known), math.inf)
    weights = options.factor ** np.arange(len(known))
    low = float(weights @ known)
    open_days = float(weights @ np.where(whole, 0.0, options.highest_daily_mm))
    return Between(low, low + open_days)


def _truncation(days: int, options: RainOptions) -> float:
    return options.highest_daily_mm * options.factor**days / (1.0 - options.factor)


def _since(known: Array, whole: npt.NDArray[np.bool_], least_mm: float) -> Between:
    """Days back to the last with so much rain, between the first possible and the first certain one."""
    sure = np.flatnonzero(known >= least_mm)
    maybe = np.flatnonzero((known >= least_mm) | ~whole)
    first = float(maybe[0] + 1) if len(maybe) else float(len(known) + 1)
    return Between(first, float(sure[0] + 1) if len(sure) else math.inf)


def _total(known: Array, whole: npt.NDArray[np.bool_], days: int) -> Between:
    low = float(known[:days].sum())
    measured = len(known) >= days and bool(whole[:days].all())
    return Between(low, low if measured else math.inf)


def _within(rain: RainSeries, begin: np.datetime64, end: np.datetime64) -> Between:
    """Rain of a span: steps that lie in it for certain, and with those that overlap its ends at most."""
    step = np.timedelta64(rain.step_minutes, "m")
    times = rain.times
    touching = (times < end) & (times + step > begin)
    covered = len(times) > 0 and times[0] <= begin and times[-1] + step >= end
    if not covered or np.isnan(rain.rain_mm[touching]).any():
        inside = touching & (times >= begin) & (times + step <= end)
        return Between(float(np.nansum(rain.rain_mm[inside])), math.inf)
    inside = touching & (times >= begin) & (times + step <= end)
    return Between(float(rain.rain_mm[inside].sum()), float(rain.rain_mm[touching].sum()))


def _trend(known: Array, whole: npt.NDArray[np.bool_], options: RainOptions) -> Trend:
    """Sign of the index's change over the last days, where neither days not measured nor older rain can turn it round.

    The change is what fell since, weighted, less what was lost of the index then: days not measured since can only add
    to it, and older ones, like rain from before the record, only take from it.
    """
    days = options.trend_days
    if len(known) <= days or not whole[days:].any():
        return ""
    since, then = (_index(known[part], whole[part], options) for part in (slice(None, days), slice(days, None)))
    lost = 1.0 - options.factor**days
    most = options.highest_daily_mm * (~whole[:days] @ options.factor ** np.arange(days))
    if since.low - lost * (then.high + _truncation(len(known) - days, options)) > 0:
        return "wetting"
    return "drying" if since.low + most - lost * then.low <= 0 else ""


def _missing(whole: npt.NDArray[np.bool_], date: dt.date) -> tuple[dt.date, ...]:
    days = max(TOTAL_DAYS)
    measured = np.zeros(days, dtype=bool)
    measured[: min(days, len(whole))] = whole[:days]
    return tuple(date - dt.timedelta(days=int(back) + 1) for back in np.flatnonzero(~measured)[::-1])


def _days(since: Between) -> str:
    if math.isinf(since.high):
        return f"at least {since.low:.0f} days"
    if since.known:
        return "1 day" if since.low == 1 else f"{since.low:.0f} days"
    return f"{since.low:.0f} to {since.high:.0f} days"
