"""Balance: lines, or traces, brought to a common level, so that the eye is not led by how the antenna was coupled."""

from __future__ import annotations

from typing import Annotated, Final

import numpy as np
import numpy.typing as npt
from pydantic import Field

from yewline._check import check_in_range, check_positive
from yewline.signal.scale import near_one
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces

__all__ = ["default_level_from_ns", "line_balance", "line_level", "trace_balance"]

F64 = npt.NDArray[np.float64]

SILENT_SHARE: Final = 1e-3
"""A trace this much weaker than the line is silent: bringing it to the line's level would show its noise."""


def default_level_from_ns(section: Section) -> float:
    """Three periods of the centre frequency, ns: the direct wave is over by then, or nearly."""
    return 3.0 * section.period_ns


def line_level(
    amplitude: npt.ArrayLike, section: Section, *, from_ns: float | None = None, to_ns: float | None = None
) -> float:
    """Level of a line: root mean square of its typical trace after the direct wave.

    Parameters
    ----------
    amplitude : (T, S) samples, the first one at time zero.
    section : sampling and antenna.
    from_ns, to_ns : part of the record, ns; left out, from three periods of the centre frequency to the end. Where the
        record is shorter than that, the whole of it.

    Returns
    -------
    The median over traces of their root mean square, in the units of the section; 0 for a silent line.

    Raises
    ------
    InputError : samples that are not finite, or a value out of range.

    Examples
    --------
    >>> section = Section(interval_ns=1.0, spacing_m=0.1, centre_mhz=1000.0)
    >>> line_level([[9, 9, 9, 2, -2, 2], [9, 9, 9, 2, 2, -2], [9, 9, 9, 8, 8, 8]], section)
    2.0
    """
    values = check_traces(amplitude)
    unit, factor = near_one(values)
    return float(np.median(_levels(unit, section, from_ns, to_ns))) * float(factor)


def line_balance(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    reference_level: Annotated[float | None, Field(gt=0, le=1e30)] = None,
    from_ns: Annotated[float | None, Field(ge=0, le=100_000)] = None,
) -> Traces:
    """Scale a line to the level of others: for display only, since it takes out what soil and moisture do to a line.

    Parameters
    ----------
    amplitude : (T, S) samples, the first one at time zero.
    section : sampling and antenna.
    reference_level : level to bring the line to: the median of `line_level` over the site's lines, say. Left out, one.
    from_ns : start of the part of the record in which the level is measured, ns; left out, three periods of the centre
        frequency.

    Returns
    -------
    (T, S) float32; all traces of the line keep their ratios. A silent line stays silent.

    Raises
    ------
    InputError : samples that are not finite, or a value out of range.

    Examples
    --------
    >>> section = Section(interval_ns=1.0, spacing_m=0.1, centre_mhz=1000.0)
    >>> line_balance([[0, 0, 0, 2, -2, 2]], section, reference_level=5.0).tolist()
    [[0.0, 0.0, 0.0, 5.0, -5.0, 5.0]]
    """
    values = check_traces(amplitude)
    target = 1.0 if reference_level is None else check_positive(reference_level, "reference_level")
    unit, _ = near_one(values)
    level = float(np.median(_levels(unit, section, from_ns, None)))
    # A level that is nothing beside the line's largest sample cannot be scaled by.
    return unit * np.float32(target / level) if level > 1e-9 else values.copy()


def trace_balance(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    from_ns: Annotated[float | None, Field(ge=0, le=100_000)] = None,
) -> Traces:
    """Scale every trace to the level of its line: for display only, since a strong response lowers its own trace.

    Parameters
    ----------
    amplitude : (T, S) samples, the first one at time zero.
    section : sampling and antenna.
    from_ns : start of the part of the record in which levels are measured, ns; left out, three periods of the centre
        frequency.

    Returns
    -------
    (T, S) float32; the line keeps its level. Silent traces stay as they are.

    Raises
    ------
    InputError : samples that are not finite, or a value out of range.

    Examples
    --------
    >>> section = Section(interval_ns=1.0, spacing_m=0.1, centre_mhz=1000.0)
    >>> trace_balance([[0, 0, 0, 1, -1], [0, 0, 0, 2, 2], [0, 0, 0, 4, -4]], section).tolist()
    [[0.0, 0.0, 0.0, 2.0, -2.0], [0.0, 0.0, 0.0, 2.0, 2.0], [0.0, 0.0, 0.0, 2.0, -2.0]]
    """
    values = check_traces(amplitude)
    unit, _ = near_one(values)
    levels = _levels(unit, section, from_ns, None)
    level = float(np.median(levels))
    gain = np.ones(len(values))
    heard = levels > SILENT_SHARE * level
    gain[heard] = level / levels[heard]
    return values * gain.astype(np.float32)[:, None]


def _levels(unit: Traces, section: Section, from_ns: float | None, to_ns: float | None) -> F64:
    """(T,) root mean square of each trace over a part of the record."""
    first = default_level_from_ns(section) if from_ns is None else check_in_range(from_ns, "from_ns", 0.0, 1e5)
    last = section.interval_ns * unit.shape[1] if to_ns is None else check_positive(to_ns, "to_ns")
    part = unit[:, round(first / section.interval_ns) : max(0, round(last / section.interval_ns))]
    part = unit if part.shape[1] == 0 else part
    levels: F64 = np.sqrt(np.mean(part.astype(np.float64) ** 2, axis=1))
    return levels
