"""The sections of one survey line: cells, depth, air and reach that follow from soil, antennas and time window."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline.physics import plane_wave, two_fresnel_zones_m
from yewline.simulation.instrument import Instrument
from yewline.simulation.places import Places
from yewline.simulation.pulse import Pulse
from yewline.simulation.scenes.cutting import Cut, cut_scene
from yewline.simulation.scenes.file import SceneFile
from yewline.simulation.scenes.lines import SceneLine
from yewline.simulation.scenes.parts import SceneDay
from yewline.simulation.scenes.sections import build_section
from yewline.simulation.wave import Course, Section, cell_that_would_do, plan_course
from yewline.units import C_M_PER_NS

__all__ = ["LineSections", "spread_of"]

Array = npt.NDArray[np.float64]

_COARSE_M: Final = 0.05
"""Cells of the first look at the ground."""
_SPARE: Final = 0.97
_LEAST_AIR_CELLS: Final = 8
_DEEPEST_M: Final = 8.0


@dataclass(frozen=True, slots=True)
class LineSections:
    """Makes the sections of one line on one day, all on the same cells."""

    scene: SceneFile
    day: SceneDay
    start: tuple[float, float]
    end: tuple[float, float]
    instrument: Instrument
    pulse: Pulse
    at_m: Array
    kept_out: frozenset[str]
    cell_m: float
    depth_m: float
    air_m: float
    margin_m: float
    half_window_m: float
    beside_m: float
    wavelength_m: float

    @classmethod
    def of(
        cls,
        scene: SceneFile,
        day: SceneDay,
        line: SceneLine,
        instrument: Instrument,
        pulse: Pulse,
        places: Places,
        kept_out: frozenset[str],
    ) -> LineSections:
        """Decide cells, depth, air and reach for a line."""
        along = np.subtract(line.end, line.start) / line.length_m
        aside = float(np.mean(places.across_m)) * np.array([-along[1], along[0]])
        start, end = (tuple(np.asarray(point) + aside) for point in (line.start, line.end))
        grid = scene.solver
        reach = instrument.aperture_m if grid.reach_m is None else grid.reach_m
        overshoot = max(0.0, -float(places.along_m.min()), float(places.along_m.max()) - line.length_m)
        margin = reach + 0.5 * instrument.separation_m + overshoot
        coarse = build_section(
            scene.scene,
            scene.ground,
            day.water,
            start,
            end,
            cell_m=_COARSE_M,
            depth_m=_DEEPEST_M if grid.depth_m is None else grid.depth_m,
            air_m=_COARSE_M,
            margin_m=margin,
            frequency_mhz=instrument.centre_mhz,
            without=kept_out,
        )
        depth = _reached_m(coarse, instrument) if grid.depth_m is None else grid.depth_m
        seen = coarse.permittivity[:, coarse.depth_m <= depth]
        wavelength = C_M_PER_NS / float(np.sqrt(seen[:, 2:]).mean()) / (1e-3 * instrument.centre_mhz)
        built = cls(
            scene,
            day,
            start,
            end,
            instrument,
            pulse,
            places.along_m,
            kept_out,
            grid.cell_m or _fitting_cell(float(seen.max()), pulse),
            depth,
            0.0,
            margin,
            reach + 0.5 * instrument.separation_m,
            0.25 * float(two_fresnel_zones_m(0.5 * depth, wavelength_m=wavelength)),
            wavelength,
        )
        return built._with_air()._on_cells_that_fit()

    def cuts(self) -> tuple[Cut, ...]:
        """What the section shows, bodies beside the line included."""
        return cut_scene(
            self.scene.scene,
            self.start,
            self.end,
            beside_m=self.beside_m,
            margin_m=self.margin_m,
            depth_m=self.depth_m,
            without=self.kept_out,
        )

    def section(self, *, without: Sequence[str] = ()) -> Section:
        """The materials under the line, some things left out."""
        return build_section(
            self.scene.scene,
            self.scene.ground,
            self.day.water,
            self.start,
            self.end,
            cell_m=self.cell_m,
            depth_m=self.depth_m,
            air_m=self.air_m,
            margin_m=self.margin_m,
            frequency_mhz=self.instrument.centre_mhz,
            without=(*self.kept_out, *without),
            beside_m=self.beside_m,
        )

    def course(self, section: Section) -> Course:
        """The antennas' places over a section."""
        return plan_course(section, self.at_m, self.instrument, pulse=self.pulse, window_m=2.0 * self.half_window_m)

    def _with_air(self) -> LineSections:
        if self.scene.solver.air_m is not None:
            return replace(self, air_m=self.scene.solver.air_m)
        highest = -min((cut.outline.bounds[1] for cut in self.cuts()), default=0.0)
        return replace(self, air_m=max(self.instrument.height_m, highest) + _LEAST_AIR_CELLS * self.cell_m)

    def _on_cells_that_fit(self) -> LineSections:
        """Finer cells show denser spots: take cells that fit those, too."""
        if self.scene.solver.cell_m is not None:
            return self
        held = self
        for _ in range(3):
            fits = _fitting_cell(float(held.section().static_permittivity().max()), held.pulse)
            if fits >= held.cell_m * (1 - 1e-9):
                break
            held = replace(held, cell_m=fits)
        return held


def spread_of(section: Section, instrument: Instrument) -> tuple[Array, float]:
    """Velocity (S,) of waves that arrive at each sample, m/ns, and mean attenuation, Np/m, for their spreading.

    The velocity is the root mean square, weighted with time, down to the depth from which a wave comes back at that
    time, in the mean of the section's columns.
    """
    below = section.depth_m > 0
    slowness = np.sqrt(section.permittivity[:, below].astype(np.float64)).mean(axis=0) / C_M_PER_NS
    step = section.cell_m
    one_way = np.cumsum(slowness) * step
    root = np.sqrt(np.cumsum(1.0 / slowness) * step / one_way)
    time = instrument.interval_ns * np.arange(instrument.samples) - instrument.zero_ns
    v = np.interp(0.5 * time, one_way, root)
    wave = plane_wave(
        instrument.centre_mhz,
        permittivity=float(section.permittivity[:, below].mean()),
        conductivity_ms_per_m=float(section.conductivity_ms_per_m[:, below].mean()),
    )
    return v, float(wave.alpha_np_per_m)


def _reached_m(section: Section, instrument: Instrument) -> float:
    """Depth from which the fastest way comes back within the time window."""
    below = section.depth_m > 0
    fastest = np.sqrt(section.permittivity[:, below].min(axis=0).astype(np.float64)) / C_M_PER_NS
    back = 2.0 * np.cumsum(fastest) * section.cell_m
    last = instrument.interval_ns * (instrument.samples - 1) - instrument.zero_ns
    return float(np.interp(last, back, section.depth_m[below]))


def _fitting_cell(permittivity: float, pulse: Pulse) -> float:
    """A cell with a little to spare, in tenths of a millimetre."""
    fits = _SPARE * cell_that_would_do(permittivity, pulse.band_mhz()[1])
    return math.floor(1e4 * fits) / 1e4
