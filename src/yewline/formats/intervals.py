"""Which of several statements about the sample interval counts, and whether they contradict each other."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from yewline.errors import FormatError
from yewline.model import Finding

__all__ = ["NS_OF", "Statement", "choose_interval", "unit_ns"]

NS_OF = {"ps": 1e-3, "ns": 1.0, "us": 1e3, "ms": 1e6, "s": 1e9}
"""Nanoseconds in one unit of time."""

_SPELLINGS = {
    "ps": ("ps", "picosecond", "picoseconds"),
    "ns": ("ns", "nsec", "nanosecond", "nanoseconds"),
    "us": ("us", "µs", "μs", "usec", "microsecond", "microseconds"),
    "ms": ("ms", "msec", "millisecond", "milliseconds"),
    "s": ("s", "sec", "second", "seconds"),
}


class Statement(NamedTuple):
    """One source's word on the sample interval; `tolerance_ns` is the rounding of the field it stands in."""

    interval_ns: float
    source: str
    tolerance_ns: float = 0.0


def unit_ns(word: str) -> float | None:
    """Nanoseconds in the unit that `word` names; None if it names none.

    Examples
    --------
    >>> unit_ns("ps"), unit_ns("Nanoseconds"), unit_ns("m")
    (0.001, 1.0, None)
    """
    plain = word.strip().lower()
    return next((NS_OF[unit] for unit, spellings in _SPELLINGS.items() if plain in spellings), None)


def choose_interval(
    statements: Sequence[Statement], *, where: str, without: str
) -> tuple[float | None, str, tuple[Finding, ...]]:
    """The first statement counts; each later one that contradicts it gives a warning.

    Parameters
    ----------
    statements : in order of precedence.
    where : the file, for messages.
    without : what to say of the source if there is no statement.

    Returns
    -------
    interval in ns or None, its source in words, findings.

    Raises
    ------
    FormatError : a statement is not a positive finite number.
    """
    for statement in statements:
        if not (math.isfinite(statement.interval_ns) and statement.interval_ns > 0):
            raise FormatError(
                f"the sample interval from {statement.source} must be greater than zero",
                where=where,
                received=f"{statement.interval_ns:g} ns",
            )
    if not statements:
        return None, without, ()
    chosen = statements[0]
    notes = tuple(
        Finding(
            grade="warning",
            code="interval-contradiction",
            text="two sources give different sample intervals",
            where=where,
            received=f"{chosen.interval_ns:g} ns from {chosen.source}, {other.interval_ns:g} ns from {other.source}",
            do=f"the first is used ({chosen.source}); mend the other",
        )
        for other in statements[1:]
        if abs(other.interval_ns - chosen.interval_ns)
        > max(1e-3 * chosen.interval_ns, 1.01 * (chosen.tolerance_ns + other.tolerance_ns))
    )
    return chosen.interval_ns, chosen.source, notes
