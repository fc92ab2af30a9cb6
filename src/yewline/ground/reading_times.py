"""When moisture was read, and when the radar was there: the ground does not wait."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Sequence

import numpy as np

from yewline._check import check_positive
from yewline.model import Finding

__all__ = ["reading_time_findings", "time_of_reading"]

_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2})(?:\.\d+)?)?")


def time_of_reading(text: str, date: dt.date) -> dt.datetime | None:
    """When a reading was taken; None where the text is blank.

    Parameters
    ----------
    text : a clock such as 09:30, then it is on `date`; a date, then no hour is known and it is noon; or both.
    date : day of the visit.

    Raises
    ------
    ValueError : it is none of them, such as 03/04/2031, which may be March or April.

    Examples
    --------
    >>> time_of_reading("9:30", dt.date(2031, 5, 14)).isoformat()
    '2031-05-14T09:30:00'
    """
    words = text.strip()
    if not words:
        return None
    clock = _CLOCK.fullmatch(words)
    if clock:
        return dt.datetime.combine(date, dt.time(int(clock[1]), int(clock[2]), int(clock[3] or 0)))
    if len(words) == 10:
        return dt.datetime.combine(dt.date.fromisoformat(words), dt.time(12))
    # Clocks in the field show local time; a zone says which, and both sides of a difference have the same.
    return dt.datetime.fromisoformat(words).replace(tzinfo=None)


def reading_time_findings(
    times: Sequence[str],
    *,
    rows: Sequence[int],
    date: dt.date,
    line_times: Iterable[dt.datetime] = (),
    most_hours: float = 3.0,
) -> list[Finding]:
    """How far apart readings and radar lines were taken.

    Parameters
    ----------
    times : (R,) times of the readings as written; blank where nobody wrote one.
    rows : (R,) their rows in the file, for messages.
    date : day of the visit.
    line_times : when lines were recorded, where that is known; else the day alone is compared.
    most_hours : a longer gap is warned of: rain or sun change the ground within hours (common practice, no source).

    Examples
    --------
    >>> day = dt.date(2031, 5, 14)
    >>> lines = [dt.datetime(2031, 5, 14, 9), dt.datetime(2031, 5, 14, 11)]
    >>> for f in reading_time_findings(["10:00", "16:30"], rows=[2, 3], date=day, line_times=lines):
    ...     print(f.grade, f.text)
    warning 1 of 2 readings were taken more than 3 hours from the radar
    """
    limit_h = check_positive(most_hours, "most_hours")
    taken: list[tuple[int, dt.datetime]] = []
    unread: list[tuple[int, str]] = []
    for row, text in zip(rows, times, strict=True):
        try:
            when = time_of_reading(text, date)
        except ValueError:
            unread.append((row, text))
            continue
        if when is not None:
            taken.append((row, when))
    findings = []
    if unread:
        text, do = f"{len(unread)} times cannot be read", "write 09:30, or 2031-05-14T09:30"
        received = ", ".join(f"row {row}: {text}" for row, text in unread[:8])
        findings.append(Finding("warning", "readings-time-unread", text, received=received, do=do))
    if not taken:
        if not unread:
            text = "nobody wrote down when the readings were taken: they are taken to be of the visit's day"
            do = "add a column time to the readings"
            findings.append(Finding("assumed", "readings-time", text, received=str(date), do=do))
        return findings
    other = [(row, when) for row, when in taken if when.date() != date]
    if other:
        days = sorted({when.date().isoformat() for _, when in other})
        text = f"{len(other)} of {len(times)} readings were taken on another day than the visit's"
        do = "the ground may have changed: check the date in visit.toml, or say in the report how the weather was"
        received = f"{', '.join(days[:4])}; the visit is of {date}"
        findings.append(Finding("warning", "readings-other-day", text, received=received, do=do))
    lines = sorted(when.replace(tzinfo=None) for when in line_times)
    if not lines:
        return findings
    begin, end = lines[0], lines[-1]
    gaps = np.array(
        [max((begin - when).total_seconds(), (when - end).total_seconds(), 0.0) / 3600 for _, when in taken]
    )
    late = gaps > limit_h
    if late.any():
        named = ", ".join(str(taken[i][0]) for i in np.flatnonzero(late)[:8])
        text = f"{int(late.sum())} of {len(times)} readings were taken more than {limit_h:g} hours from the radar"
        do = "read moisture while the lines are walked"
        received = f"up to {gaps.max():.1f} h; rows {named}"
        findings.append(Finding("warning", "readings-late", text, received=received, do=do))
    elif not other:
        text = f"all readings with a time were taken within {gaps.max():.1f} h of the radar"
        findings.append(Finding("found", "readings-time", text, received=f"lines from {begin:%H:%M} to {end:%H:%M}"))
    return findings
