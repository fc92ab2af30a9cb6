"""The sections of one survey line: cells, depth, air and reach that follow from soil, antennas and time window."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Final, cast

import numpy as np
import numpy.typing as npt

from yewline.physics import plane_wave, two_fresnel_zones_m
from yewline.simulation.fillings import Solid
from yewline.simulation.instrument import Instrument
from yewline.simulation.places import Places
from yewline.simulation.pulse import Pulse
from yewline.simulation.scene import Scene
from yewline.simulation.scenes.cutting import Cut
from yewline.simulation.scenes.file import SceneFile
from yewline.simulation.scenes.lines import SceneLine
from yewline.simulation.scenes.parts import SceneDay
from yewline.simulation.scenes.sections import GroundUnder, ground_under, section_on
from yewline.simulation.wave import Course, Section, cell_that_would_do, plan_course
from yewline.units import C_M_PER_NS, EPS0_F_PER_M

__all__ = ["LineSections", "depth_reached", "spread_of", "spread_settings", "taken_at"]

Array = npt.NDArray[np.float64]

_COARSE_M: Final = 0.05
"""Cells of the first look at the ground."""
_SPARE: Final = 0.97
_LEAST_AIR_CELLS: Final = 8
_DEEPEST_M: Final = 8.0


@dataclass(frozen=True, slots=True)
class LineSections:
    """Makes the sections of one line on one day, all on the same cells and in the same ground.

    Attributes
    ----------
    scene, day, start, end : what is recorded, when, and along which line: the walked one.
    instrument, pulse : on that day.
    at_m : (T,) where the antennas' middle is along the line.
    kept_out : labels of things that no section shows.
    cell_m, depth_m, air_m, margin_m : of the sections.
    half_window_m : how far to both sides of its middle a trace's window reaches.
    beside_m : bodies beside the line count up to this far off.
    wavelength_m : in the soil, at the antennas' centre.
    under : the undisturbed ground, which all sections share.
    whole : the section of all things but those kept out, once it was made.
    """

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
    under: GroundUnder
    whole: Section | None = None

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
        added: Scene | None = None,
    ) -> LineSections:
        """Decide cells, depth, air and reach for a line; some sections will show what is `added` besides."""
        along = np.subtract(line.end, line.start) / line.length_m
        aside = float(np.mean(places.across_m)) * np.array([-along[1], along[0]])
        start, end = (
            cast("tuple[float, float]", tuple((np.asarray(point) + aside).tolist())) for point in (line.start, line.end)
        )
        grid = scene.solver
        reach = instrument.aperture_m if grid.reach_m is None else grid.reach_m
        overshoot = max(0.0, -float(places.along_m.min()), float(places.along_m.max()) - line.length_m)
        margin = reach + 0.5 * instrument.separation_m + overshoot
        ground = partial(
            ground_under,
            scene.ground,
            day.water,
            start,
            end,
            margin_m=margin,
            frequency_mhz=instrument.centre_mhz,
            relaxing=grid.relaxing,
        )
        look = ground(cell_m=_COARSE_M, depth_m=_DEEPEST_M if grid.depth_m is None else grid.depth_m, air_m=_COARSE_M)
        coarse = section_on(look, look.cuts(scene.scene, without=kept_out))
        more = () if added is None else look.cuts(added)
        depth = _reached_m(coarse, instrument, more) if grid.depth_m is None else grid.depth_m
        shown = coarse.depth_m <= depth
        seen = taken_at(coarse, instrument.centre_mhz).permittivity[:, shown]
        wavelength = C_M_PER_NS / float(np.sqrt(seen[:, 2:]).mean()) / (1e-3 * instrument.centre_mhz)
        densest = float(coarse.static_permittivity()[:, shown].max())
        cell = grid.cell_m or _fitting_cell(max(densest, look.densest(more)), pulse)
        built = cls(
            scene,
            day,
            start,
            end,
            instrument,
            pulse,
            places.along_m,
            kept_out,
            cell,
            depth,
            0.0,
            margin,
            reach + 0.5 * instrument.separation_m,
            0.25 * float(two_fresnel_zones_m(0.5 * depth, wavelength_m=wavelength)),
            wavelength,
            look,
        )
        return built._with_air()._on_cells_that_fit(added)

    @property
    def heard_m(self) -> float:
        """How far to both sides of its middle a trace can hear a thing: its window, and the cells on its rim."""
        return self.half_window_m + 1.5 * self.cell_m

    def cuts(self, *, without: Iterable[str] = (), blur_m: float = 0.0) -> tuple[Cut, ...]:
        """What a section shows, bodies beside the line included; `blur_m` as in `GroundUnder.cuts`."""
        return self.under.cuts(
            self.scene.scene, without=(*self.kept_out, *without), beside_m=self.beside_m, blur_m=blur_m
        )

    def section(self, *, without: Iterable[str] = ()) -> Section:
        """The materials under the line, some things left out."""
        left_out = tuple(without)
        if self.whole is not None and not left_out:
            return self.whole
        return section_on(self.under, self.cuts(without=left_out))

    def course(self, section: Section, *, like: Course | None = None) -> Course:
        """The antennas' places over a section; traces that see the same ground as one of `like` have the same bits."""
        return plan_course(
            section, self.at_m, self.instrument, pulse=self.pulse, window_m=2.0 * self.half_window_m, like=like
        )

    def _with_air(self) -> LineSections:
        air = self.scene.solver.air_m
        if air is None:
            # Whatever its cells, this ground reaches as far along the line and as deep.
            highest = -min((cut.outline.bounds[1] for cut in self.cuts()), default=0.0)
            air = max(self.instrument.height_m, highest) + _LEAST_AIR_CELLS * self.cell_m
        return replace(self, air_m=air)._on(self.cell_m)

    def _on(self, cell_m: float) -> LineSections:
        """The same with cells of that size."""
        under = ground_under(
            self.scene.ground,
            self.day.water,
            self.start,
            self.end,
            cell_m=cell_m,
            depth_m=self.depth_m,
            air_m=self.air_m,
            margin_m=self.margin_m,
            frequency_mhz=self.instrument.centre_mhz,
            relaxing=self.scene.solver.relaxing,
        )
        return replace(self, cell_m=cell_m, under=under, whole=None)

    def _on_cells_that_fit(self, added: Scene | None) -> LineSections:
        """Finer cells show denser spots: take cells that fit those, too."""
        more = () if added is None else self.under.cuts(added, beside_m=self.beside_m)
        held = replace(self, whole=self.section())
        for _ in range(3 if self.scene.solver.cell_m is None else 0):
            assert held.whole is not None
            highest = float(held.whole.static_permittivity().max())
            fits = _fitting_cell(max(highest, held.under.densest(more)), held.pulse)
            if fits >= held.cell_m * (1 - 1e-9):
                break
            finer = held._on(fits)
            held = replace(finer, whole=finer.section())
        return held


def taken_at(section: Section, frequency_mhz: float) -> Section:
    """The section as a wave of one frequency meets it: where water relaxes, with that frequency's values instead.

    Notes
    -----
    ε' = ε_∞ + Δε/(1 + (ωτ)²), σ' = σ + ωε₀ Δε ωτ/(1 + (ωτ)²), from ε_∞ + Δε/(1 + jωτ) − jσ/(ωε₀).
    """
    pole = section.relaxation
    if pole is None:
        return section
    omega = 2e6 * math.pi * frequency_mhz
    late = 1e-9 * omega * pole.time_ns
    relaxing = pole.strength.astype(np.float64) / (1.0 + late**2)
    # What 1 S/m of conduction adds to the loss part of permittivity, and back: mS/m per unit of ε″.
    lost = 1e3 * omega * EPS0_F_PER_M * late * relaxing
    return replace(section, relaxation=None).with_materials(
        section.permittivity + relaxing, section.conductivity_ms_per_m + lost
    )


def spread_of(section: Section, instrument: Instrument) -> tuple[Array, float]:
    """Velocity (S,) of waves that arrive at each sample, m/ns, and mean attenuation, Np/m, for their spreading.

    The velocity is the root mean square, weighted with time, along the way from the antennas down to where a wave comes
    back from at that time, in the mean of the section's columns.
    """
    seen = taken_at(section, instrument.centre_mhz)
    slowness, one_way = _one_way(seen, instrument.height_m)
    height = instrument.height_m
    root = np.sqrt((np.cumsum(1.0 / slowness) * section.cell_m + height * C_M_PER_NS) / one_way)
    if height > 0:
        one_way, root = np.append(height / C_M_PER_NS, one_way), np.append(C_M_PER_NS, root)
    time = instrument.interval_ns * np.arange(instrument.samples) - instrument.zero_ns
    v = np.interp(0.5 * time, one_way, root)
    below = seen.depth_m > 0
    wave = plane_wave(
        instrument.centre_mhz,
        permittivity=float(seen.permittivity[:, below].mean()),
        conductivity_ms_per_m=float(seen.conductivity_ms_per_m[:, below].mean()),
    )
    return v, float(wave.alpha_np_per_m)


def depth_reached(section: Section, instrument: Instrument, time_ns: npt.ArrayLike) -> Array:
    """Depth (N,) from which a wave comes straight back at times (N,) after it was sent, in the mean of the columns."""
    _, one_way = _one_way(taken_at(section, instrument.centre_mhz), instrument.height_m)
    depth = section.depth_m[section.depth_m > 0]
    return np.interp(
        0.5 * np.asarray(time_ns, np.float64),
        np.append(instrument.height_m / C_M_PER_NS, one_way),
        np.append(0.0, depth),
    )


def _one_way(section: Section, height_m: float) -> tuple[Array, Array]:
    """Mean slowness of each row below the surface, ns/m, and the time down to it from the antennas' height, ns."""
    below = section.depth_m > 0
    slowness = np.sqrt(section.permittivity[:, below].astype(np.float64)).mean(axis=0) / C_M_PER_NS
    return slowness, np.cumsum(slowness) * section.cell_m + height_m / C_M_PER_NS


def spread_settings(
    instrument: Instrument, pulse: Pulse, v_m_per_ns: Array, attenuation_np_per_m: float
) -> dict[str, Any]:
    """What `to_point_source` and `finite_length` ask for."""
    return {
        "pulse": pulse,
        "interval_ns": instrument.interval_ns,
        "zero_ns": instrument.zero_ns,
        "v_m_per_ns": v_m_per_ns,
        "attenuation_np_per_m": attenuation_np_per_m,
    }


def _reached_m(section: Section, instrument: Instrument, added: Iterable[Cut] = ()) -> float:
    """Depth from which the fastest way comes back within the time window, through `added` bodies if they are fast."""
    below = section.depth_m > 0
    depth = section.depth_m[below]
    lowest = taken_at(section, instrument.centre_mhz).permittivity[:, below].min(axis=0).astype(np.float64)
    for cut in added:
        if isinstance(cut.filling, Solid):
            _, top, _, base = cut.outline.bounds
            within = (depth >= top - section.cell_m) & (depth <= base + section.cell_m)
            lowest[within] = np.minimum(lowest[within], cut.filling.permittivity)
    back = 2.0 * np.cumsum(np.sqrt(lowest) / C_M_PER_NS) * section.cell_m
    last = (
        instrument.interval_ns * (instrument.samples - 1) - instrument.zero_ns - 2.0 * instrument.height_m / C_M_PER_NS
    )
    return float(np.interp(last, back, depth))


def _fitting_cell(permittivity: float, pulse: Pulse) -> float:
    """A cell with a little to spare, in tenths of a millimetre."""
    fits = _SPARE * cell_that_would_do(permittivity, pulse.band_mhz()[1])
    return math.floor(1e4 * fits) / 1e4
