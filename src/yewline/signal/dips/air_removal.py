"""Echoes through the air taken out, and nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Final

import numpy as np
import numpy.typing as npt
from pydantic import Field

from yewline._check import check_positive
from yewline.signal.dips.air_search import AirSearch, default_pulse_ns, find_air_waves
from yewline.signal.dips.air_shape import Place, air_wave_shape
from yewline.signal.dips.air_wave import AirWave
from yewline.signal.dips.spectrum import need_spacing
from yewline.signal.scale import near_one
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces

__all__ = ["air_wave_removal", "remove_air_waves"]

SWEEPS: Final = 3


def air_wave_removal(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    nearest_m: Annotated[float, Field(ge=0, le=100)] = 0.3,
    farthest_m: Annotated[float | None, Field(gt=0, le=1_000)] = None,
    least_support: Annotated[float, Field(ge=0, le=1)] = 0.24,
    smooth_m: Annotated[float, Field(gt=0, le=100)] = 3.0,
    pulse_ns: Annotated[float | None, Field(gt=0, le=1_000)] = None,
) -> Traces:
    """Find echoes of things above the ground, such as headstones, and take them out along their hyperbolas.

    Samples farther than half a pulse from any such hyperbola stay exactly as they are. Where something from the ground
    crosses one, it is kept but for what runs beside it over the smoothing length: near the apex, where both are level.

    Parameters
    ----------
    amplitude : (T, S) samples at even spacing, the first one at time zero.
    section : sampling, spacing and antennas.
    nearest_m : least distance apart of what is looked for, m.
    farthest_m : greatest distance apart, m; left out, as far as the record reaches.
    least_support : how well the traces have to agree, in that quarter of the hyperbola where they agree least, 0 to 1.
    smooth_m : length along the line over which size and phase of an echo are taken to change little, m: longer
        than a reflector runs beside an echo, shorter than over which the echo changes.
    pulse_ns : length of the pulse, ns; left out, three periods of the centre frequency.

    Returns
    -------
    (T, S) float32.

    Raises
    ------
    InputError : samples that are not finite, no trace spacing, or a value out of range.

    Notes
    -----
    See `find_air_waves` for what counts as an echo, and `remove_air_waves` for how it is taken out.

    Examples
    --------
    >>> from yewline.signal.dips.air_wave import air_wave_time_ns
    >>> section = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
    >>> t, x = 0.25 * np.arange(240), 0.05 * np.arange(160)
    >>> late = np.pi * 0.4 * (t - air_wave_time_ns(x - 3.0, 2.0)[:, None])
    >>> echo = (1 - 2 * late**2) * np.exp(-(late**2)) / np.hypot(x - 3.0, 2.0)[:, None]
    >>> left = air_wave_removal(echo, section)
    >>> float((left**2).sum() / (echo**2).sum()) < 0.02
    True
    """
    values = check_traces(amplitude)
    search = AirSearch(nearest_m=nearest_m, farthest_m=farthest_m, least_support=least_support)
    waves = find_air_waves(values, section, search=search)
    return remove_air_waves(values, section, waves, smooth_m=smooth_m, pulse_ns=pulse_ns)


def remove_air_waves(
    amplitude: npt.ArrayLike,
    section: Section,
    waves: Sequence[AirWave],
    *,
    smooth_m: float = 3.0,
    pulse_ns: float | None = None,
) -> Traces:
    """Take out echoes through the air whose places are known: found by `find_air_waves`, or measured.

    Parameters
    ----------
    amplitude, section, smooth_m, pulse_ns : as for `air_wave_removal`.
    waves : taken out one after the other.

    Returns
    -------
    (T, S) float32.

    Raises
    ------
    InputError : as for `air_wave_removal`.

    Notes
    -----
    Laid flat along the hyperbola, the echo is one waveform at a size and phase of its own in each trace, once spreading
    is undone: the median of all traces for the waveform, a running median and mean over `smooth_m` for size and phase.
    An event that crosses with another dip has another phase in each trace, and drops out of both.
    """
    values = check_traces(amplitude)
    pulse = default_pulse_ns(section) if pulse_ns is None else check_positive(pulse_ns, "pulse_ns")
    smooth = check_positive(smooth_m, "smooth_m")
    if not waves:
        return values.copy()
    need_spacing(section, "hyperbolas")
    unit, factor = near_one(values)
    # What is level must not pass for a part of the echo near its apex.
    bare = unit - np.median(unit, axis=0)
    start = 0.0 if section.distance_m is None else float(section.distance_m[0])
    shapes = np.zeros((len(waves), *unit.shape), np.float32)
    # Echoes of neighbours run side by side for a while: each is told again once the others are known.
    for _ in range(1 if len(waves) == 1 else SWEEPS):
        for number, wave in enumerate(waves):
            others = shapes.sum(axis=0) - shapes[number]
            place = Place(wave.place_m - start, wave.apart_m, wave.late_ns)
            shapes[number] = air_wave_shape(bare - others, section, place, smooth_m=smooth, pulse_ns=pulse)
    return (unit - shapes.sum(axis=0)) * factor
