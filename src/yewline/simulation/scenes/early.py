"""The first nanoseconds over ground with nothing in it: what tells the direct wave from bodies near the surface.

The direct wave of line antennas becomes that of point antennas in a way of its own, which is wrong for all else: it
makes the echo of a layer 0.3 m deep a quarter to a half stronger or weaker than it is. So what layers and other endless
bodies answer while the direct wave lasts must be known apart from it: each of their traces is computed once more over
the bare ground, for that long only.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from yewline.simulation.instrument import Instrument
from yewline.simulation.pulse import Pulse
from yewline.simulation.scenes.cutting import Cut
from yewline.simulation.scenes.ends import extent_of, heard_by
from yewline.simulation.scenes.line_sections import LineSections
from yewline.simulation.scenes.sections import section_on
from yewline.simulation.spreading import DirectWave, to_point_source
from yewline.simulation.wave import Course
from yewline.units import C_M_PER_NS

__all__ = ["early_course", "early_traces", "with_direct_wave"]

Array = npt.NDArray[np.float64]
Float32 = npt.NDArray[np.float32]

_OVER_PERIODS: Final = 1.5
"""Periods of the pulse's peak after its arrival at which the direct wave no longer counts: see `to_point_source`."""
_LAST_PERIODS: Final = 2.0
"""Until then the bare ground gives way to the ground as it is, so that no step is left where it ends."""


def early_course(sections: LineSections, like: Course) -> Course:
    """All traces of a line over its ground with nothing in it, for as long as the direct wave lasts."""
    instrument = sections.instrument
    samples = math.ceil((instrument.zero_ns + _over_ns(instrument, sections.pulse)[1]) / instrument.interval_ns) + 2
    short = replace(instrument, samples=max(8, min(instrument.samples, samples)))
    return replace(sections, instrument=short).course(section_on(sections.under, ()), like=like)


def early_traces(sections: LineSections, cuts: Iterable[Cut]) -> npt.NDArray[np.int64]:
    """Numbers of the traces that hear some of these bodies while the direct wave lasts."""
    within = (
        0.5 * sections.instrument.separation_m + 0.5 * C_M_PER_NS * _over_ns(sections.instrument, sections.pulse)[1]
    )
    heard = np.zeros(len(sections.at_m), bool)
    for cut in cuts:
        heard |= heard_by(extent_of([cut], sections.wavelength_m), sections.at_m, min(within, sections.heard_m))
    return np.flatnonzero(heard).astype(np.int64)


def with_direct_wave(
    traces: Float32, early: Float32 | None, instrument: Instrument, settings: dict[str, Any]
) -> Float32:
    """Traces of line antennas as those of point antennas, direct wave and bodies each in its own way.

    Parameters
    ----------
    traces : (T, S) as computed.
    early : (T, S) the same over bare ground; samples after the direct wave are not read. None: `traces` are.
    instrument, settings : the antennas, and what `to_point_source` asks for.
    """
    direct = DirectWave(instrument.separation_m, C_M_PER_NS)
    if early is None:
        return to_point_source(traces, **settings, direct=direct)
    over, last = _over_ns(instrument, settings["pulse"])
    time = instrument.interval_ns * np.arange(instrument.samples) - instrument.zero_ns
    gone = np.clip((time - over) / (last - over), 0.0, 1.0)
    bare = np.where(gone < 1.0, early + gone * (traces.astype(np.float64) - early), traces)
    return to_point_source(bare, **settings, direct=direct) + to_point_source(traces - bare, **settings)


def _over_ns(instrument: Instrument, pulse: Pulse) -> tuple[float, float]:
    """When the direct wave is over, and when the bare ground has given way, ns after time zero."""
    arrival, period = instrument.separation_m / C_M_PER_NS, 1e3 / pulse.peak_mhz
    return arrival + _OVER_PERIODS * period, arrival + _LAST_PERIODS * period
