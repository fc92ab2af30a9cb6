"""Gains: one that undoes what the ground did to amplitude, and two that only help the eye."""

from __future__ import annotations

from typing import Annotated

import numpy as np
import numpy.typing as npt
from pydantic import Field

from yewline._check import check_in_range, check_positive
from yewline.signal.engines import COMPILED
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces
from yewline.signal.wow import half_window

__all__ = ["automatic_gain", "compensate", "compensation_curve", "default_gain_window_ns", "power_gain"]


def compensate(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    absorption_db_per_ns: Annotated[float | None, Field(ge=0, le=20)] = None,
    spreading_power: Annotated[float, Field(ge=0, le=3)] = 1.0,
    highest_gain_db: Annotated[float, Field(ge=0, le=200)] = 60.0,
) -> Traces:
    """Undo geometrical spreading and absorption by a curve that is the same for every trace.

    Amplitude-true: two responses at the same time keep their ratio within a line, between lines and between visits,
    as long as all of them get the same rate; so the rate is fitted once for a whole site.

    Parameters
    ----------
    amplitude : (T, S) samples, the first one at time zero.
    section : sampling, antenna and the site's fitted absorption.
    absorption_db_per_ns : rate of the exponential part, dB per ns of two-way time; left out, the site's fitted rate,
        or none where no rate was fitted.
    spreading_power : power of time of the spreading part; 1 is that of a plane reflector.
    highest_gain_db : the curve stops rising here, so that noise late in the record is not blown up, dB.

    Returns
    -------
    (T, S) float32.

    Raises
    ------
    InputError : samples that are not finite, or a value out of range.

    Notes
    -----
    g(t) = (t/t₀)^p · 10^{a(t − t₀)/20} for t ≥ t₀ and 1 before, t₀ one period of the centre frequency: spreading means
    nothing nearer to the antenna than that.

    Examples
    --------
    >>> section = Section(interval_ns=5.0, spacing_m=0.1, centre_mhz=200.0)
    >>> compensate([[1.0, 1.0, 1.0, 1.0]], section).round(3).tolist()
    [[1.0, 1.0, 2.0, 3.0]]
    """
    values = check_traces(amplitude)
    rate = (section.absorption_db_per_ns or 0.0) if absorption_db_per_ns is None else absorption_db_per_ns
    curve = compensation_curve(
        section,
        values.shape[1],
        absorption_db_per_ns=check_in_range(rate, "absorption_db_per_ns", 0.0, 20.0),
        spreading_power=check_in_range(spreading_power, "spreading_power", 0.0, 3.0),
        highest_gain_db=check_in_range(highest_gain_db, "highest_gain_db", 0.0, 200.0),
    )
    return values * curve.astype(np.float32)


def compensation_curve(
    section: Section,
    samples: int,
    *,
    absorption_db_per_ns: float,
    spreading_power: float = 1.0,
    highest_gain_db: float = 60.0,
) -> npt.NDArray[np.float64]:
    """Factor (S,) by which `compensate` multiplies each sample.

    Examples
    --------
    >>> section = Section(interval_ns=5.0, spacing_m=0.1, centre_mhz=200.0)
    >>> compensation_curve(section, 3, absorption_db_per_ns=4.0, spreading_power=0.0).round(2).tolist()
    [1.0, 1.0, 10.0]
    """
    start = section.period_ns
    time = np.maximum(section.interval_ns * np.arange(samples), start)
    level_db = 20.0 * spreading_power * np.log10(time / start) + absorption_db_per_ns * (time - start)
    return 10.0 ** (np.minimum(level_db, highest_gain_db) / 20.0)


def power_gain(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    power: Annotated[float, Field(ge=0, le=6)] = 1.0,
) -> Traces:
    """Multiply each sample by a power of its time, in periods of the centre frequency.

    The curve is the same for every trace, so responses at one time keep their ratios; it models no ground.

    Parameters
    ----------
    amplitude : (T, S) samples, the first one at time zero.
    section : sampling and antenna.
    power : the power; 0 changes nothing.

    Returns
    -------
    (T, S) float32.

    Raises
    ------
    InputError : samples that are not finite, or a power out of range.

    Notes
    -----
    g(t) = (t/t₀)^p, t₀ one period of the centre frequency.

    Examples
    --------
    >>> section = Section(interval_ns=5.0, spacing_m=0.1, centre_mhz=200.0)
    >>> power_gain([[1.0, 1.0, 1.0, 1.0]], section, power=2.0).tolist()
    [[0.0, 1.0, 4.0, 9.0]]
    """
    values = check_traces(amplitude)
    time = section.interval_ns * np.arange(values.shape[1]) / section.period_ns
    return values * (time ** check_in_range(power, "power", 0.0, 6.0)).astype(np.float32)


def default_gain_window_ns(section: Section) -> float:
    """Six periods of the centre frequency, ns: long enough to leave single responses standing out."""
    return 6.0 * section.period_ns


def automatic_gain(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    window_ns: Annotated[float | None, Field(gt=0, le=10_000)] = None,
) -> Traces:
    """Bring every part of every trace to the same level: for display only, since it destroys amplitude.

    Parameters
    ----------
    amplitude : (T, S) samples.
    section : sampling and antenna.
    window_ns : length over which the level is measured, ns; left out, six periods of the centre frequency.

    Returns
    -------
    (T, S) float32 of root mean square near one; a silent stretch stays silent.

    Raises
    ------
    InputError : samples that are not finite, or a window that is not positive.

    Notes
    -----
    y = x / √(mean of x² over the window + floor), the floor 10⁻⁴ of the line's own root mean square, squared.

    Examples
    --------
    >>> section = Section(interval_ns=1.0, spacing_m=0.1, centre_mhz=100.0)
    >>> evened = automatic_gain([[1.0, -1.0, 1.0, -1.0, 100.0, -100.0, 100.0, -100.0]], section, window_ns=3.0)
    >>> abs(evened[0, [1, -2]]).round(2).tolist()
    [1.0, 1.0]
    """
    values = check_traces(amplitude)
    window = default_gain_window_ns(section) if window_ns is None else check_positive(window_ns, "window_ns")
    # Scaled by the largest sample first: squares of float32 would else overflow or vanish.
    peak = float(np.abs(values).max())
    if peak == 0.0:
        return values.copy()
    unit = values / np.float32(peak)
    square: Traces = COMPILED.running_mean(unit * unit, half_window(window, section.interval_ns))
    floor = np.float32(1e-8 * max(float(np.mean(unit.astype(np.float64) ** 2)), 1e-12))
    level: Traces = np.sqrt(np.maximum(square, np.float32(0.0)) + floor)
    return unit / level
