"""From a scene, its ground and a day to the vertical section that a wave is sent through."""

from __future__ import annotations

import math
import zlib
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely

from yewline._check import check_in_range, check_positive
from yewline.errors import InputError
from yewline.geostat import draw_modes, field_on_section
from yewline.simulation.earth import (
    DayWater,
    Ground,
    Soil,
    frozen_share,
    materials,
    relaxation_of,
    soil_on_day,
    water_on_section,
)
from yewline.simulation.fillings import AIR, Fill, Metal, Solid
from yewline.simulation.scene import Scene
from yewline.simulation.scenes.cutting import Cut, cut_scene
from yewline.simulation.scenes.painting import Lattice, bare_outlines, shares_of
from yewline.simulation.scenes.solids import Plane
from yewline.simulation.wave import Relaxation, Section

__all__ = ["GroundUnder", "build_section", "ground_under", "section_on"]

Array = npt.NDArray[np.float64]

_LUMPS = 10
"""Marks the seeds of fills among those drawn from the ground's structure."""
_REACH_SD = 4.0
_MOST_CELLS = 400_000_000
_WHOLE = 1.0 - 1e-9


def build_section(
    scene: Scene,
    ground: Ground,
    water: DayWater,
    start: tuple[float, float],
    end: tuple[float, float],
    *,
    cell_m: float,
    depth_m: float,
    air_m: float,
    margin_m: float,
    frequency_mhz: float,
    without: Collection[str] = (),
    beside_m: float = 0.0,
    relaxing: bool = False,
) -> Section:
    """The materials under a survey line on one day.

    Parameters
    ----------
    scene, ground, water : what lies in the ground, the ground, and its water that day.
    start, end : of the line, (x, y) in m.
    cell_m : side of a cell; a row of nodes lies on the surface, a column at `start`.
    depth_m, air_m : how far the section reaches below and above the surface.
    margin_m : how far it reaches before the start and beyond the end.
    frequency_mhz : at which the soil's permittivity and conductivity are taken.
    without : labels of things to leave out, with all that is in them; cells that they do not touch keep their bits.
    beside_m : take bodies beside the line too, up to this far off: see `cut_scene`.
    relaxing : follow the relaxation of the pore water instead of taking it at one frequency.

    Returns
    -------
    Section, with metal as conductors.

    Raises
    ------
    InputError : an empty line, a label that the scene does not have, or more cells than any machine holds.

    Notes
    -----
    A cell holds the arithmetic means of permittivity and of conductivity, weighted by the area that each body shows in
    it: the mean that keeps the field across the section at second order. The ground is flat and ends at depth 0, in
    the middle of a row of cells. Water in a fill is its wetness times that of the undisturbed ground at the same place
    and day (that of the ground itself, without layers, as in the first-order model), plus lumps of its own where it
    is mixed, held between the soil's residual water and the fill's pores. Lumps belong to the ground's structure: they
    are the same on every day.

    Examples
    --------
    >>> from yewline.simulation.earth import Even
    >>> section = build_section(
    ...     Scene((0, 0, 4, 4)), Ground(), DayWater(Even(0.2)), (1, 2), (3, 2),
    ...     cell_m=0.1, depth_m=1.0, air_m=0.3, margin_m=0.5, frequency_mhz=200.0,
    ... )
    >>> section.columns, section.depths, section.x0_m, section.z0_m
    (31, 14, -0.5, -0.3)
    """
    under = ground_under(
        ground,
        water,
        start,
        end,
        cell_m=cell_m,
        depth_m=depth_m,
        air_m=air_m,
        margin_m=margin_m,
        frequency_mhz=frequency_mhz,
        relaxing=relaxing,
    )
    return section_on(under, under.cuts(scene, without=without, beside_m=beside_m))


@dataclass(frozen=True, slots=True, eq=False)
class GroundUnder:
    """Undisturbed ground under a survey line on one day: what the sections of all that may lie in it have in common.

    Attributes
    ----------
    plane : of the line.
    lattice : nodes of the sections.
    margin_m : how far they reach before the start and beyond the end of the line.
    earth : soil and water at every node.
    vwc : (X, Z) water of the undisturbed ground.
    values : (2 or 3, X, Z) permittivity, conductivity and, where it relaxes, what relaxes.
    """

    plane: Plane
    lattice: Lattice
    margin_m: float
    earth: _Earth
    vwc: Array
    values: Array

    def cuts(
        self, scene: Scene, *, without: Collection[str] = (), beside_m: float = 0.0, blur_m: float = 0.0
    ) -> tuple[Cut, ...]:
        """What lies in the section and so near to its ends that it shows there.

        Parameters
        ----------
        scene, without, beside_m : as in `build_section`.
        blur_m : the most blurred of what will be added to these cuts, if it is more than what the scene has.
        """
        # From the whole scene, so that leaving something out moves nothing else.
        blurred = max((getattr(thing, "blur_m", 0.0) for _, thing in scene.things()), default=0.0)
        pad = self.lattice.cell_m + _REACH_SD * max(blurred, blur_m)
        return cut_scene(
            scene,
            self.plane.start,
            self.plane.end,
            beside_m=beside_m,
            margin_m=self.margin_m + pad,
            depth_m=float(self.lattice.z[-1] + pad),
            without=without,
        )

    def densest(self, cuts: Iterable[Cut]) -> float:
        """No less than the highest permittivity that bodies have here, ice taken as water; 1 for none or metal."""
        return max((self._densest(cut) for cut in cuts), default=1.0)

    def _densest(self, cut: Cut) -> float:
        if isinstance(cut.filling, Solid):
            return cut.filling.permittivity
        if isinstance(cut.filling, Metal):
            return 1.0
        pad = self.lattice.cell_m + _REACH_SD * cut.blur_m
        left, top, right, base = cut.outline.bounds
        columns = (self.lattice.x >= left - pad) & (self.lattice.x <= right + pad)
        rows = (self.lattice.z >= top - pad) & (self.lattice.z <= base + pad)
        if not (columns.any() and rows.any()):
            return 1.0
        most = cut.filling.wetness * self.vwc[np.ix_(columns, rows)].max() + _REACH_SD * cut.filling.mixed
        soil, full = self.earth.soil, cut.filling.porosity
        vwc = float(np.clip(most, min(soil.residual, full), full))
        if self.earth.relaxing:
            # Cells are made for the permittivity at low frequency: see `Section.static_permittivity`.
            pole = relaxation_of(soil, vwc, porosity=full)
            return float(pole.permittivity + pole.delta)
        permittivity, _ = materials(soil, vwc, porosity=full, frequency_mhz=self.earth.frequency_mhz)
        return float(permittivity)


def ground_under(
    ground: Ground,
    water: DayWater,
    start: tuple[float, float],
    end: tuple[float, float],
    *,
    cell_m: float,
    depth_m: float,
    air_m: float,
    margin_m: float,
    frequency_mhz: float,
    relaxing: bool = False,
) -> GroundUnder:
    """The undisturbed ground under a line, for `section_on`; parameters and errors as for `build_section`.

    Notes
    -----
    Its water takes most of the time that a section takes, and is the same whatever lies in the ground.

    Examples
    --------
    >>> from yewline.simulation.earth import Even
    >>> under = ground_under(
    ...     Ground(), DayWater(Even(0.2)), (1, 2), (3, 2), cell_m=0.1, depth_m=1.0, air_m=0.3, margin_m=0.5,
    ...     frequency_mhz=200.0,
    ... )
    >>> section_on(under, under.cuts(Scene((0, 0, 4, 4)))).permittivity.shape
    (31, 14)
    """
    plane = Plane(start, end)
    lattice = _lattice(plane, cell_m, depth_m, air_m, margin_m)
    x, y = plane.places(lattice.x)
    earth = _Earth(ground, water, x, y, np.maximum(lattice.z, 0.0), frequency_mhz, relaxing)
    everywhere = slice(0, lattice.columns), slice(0, lattice.rows)
    vwc = earth.vwc(*everywhere)
    return GroundUnder(plane, lattice, margin_m, earth, vwc, earth.values(vwc, everywhere[1]))


def section_on(under: GroundUnder, cuts: Sequence[Cut]) -> Section:
    """The materials under a line with bodies in the ground.

    Parameters
    ----------
    under : from `ground_under`.
    cuts : in the order of painting, from its `cuts`; bits of cells that a body does not touch do not depend on it.
    """
    values, conductors = _mix(_with_air(cuts, under.lattice), under)
    relaxing = under.earth.relaxing
    return Section(
        values[0].astype(np.float32),
        values[1].astype(np.float32),
        cell_m=under.lattice.cell_m,
        x0_m=under.lattice.x0_m,
        z0_m=under.lattice.z0_m,
        conductors=conductors,
        relaxation=Relaxation(values[2].astype(np.float32), under.earth.time_ns) if relaxing else None,
    )


@dataclass(frozen=True, slots=True)
class _Earth:
    """Soil and water under the line, at every node; rows in air are taken at the surface."""

    ground: Ground
    water: DayWater
    x: Array
    y: Array
    depth: Array
    frequency_mhz: float
    relaxing: bool

    @property
    def soil(self) -> Soil:
        return soil_on_day(self.ground, self.water)

    @property
    def time_ns(self) -> float:
        return relaxation_of(self.soil, 0.1).time_ns

    def vwc(self, columns: slice, rows: slice, *, micro: bool = True) -> Array:
        """Water of the undisturbed ground."""
        water = self.water if micro else replace(self.water, micro=None)
        return water_on_section(self.ground, water, self.x[columns], self.y[columns], self.depth[rows])

    def values(self, vwc: Array, rows: slice, porosity: float | None = None) -> Array:
        """(2 or 3, ...) permittivity, conductivity and, where it relaxes, what relaxes."""
        frozen = frozen_share(self.water, vwc, self.depth[rows])
        if self.relaxing:
            pole = relaxation_of(self.soil, vwc, porosity=porosity, frozen=frozen)
            return np.stack([pole.permittivity, pole.conductivity_ms_per_m, pole.delta])
        return np.stack(materials(self.soil, vwc, porosity=porosity, frequency_mhz=self.frequency_mhz, frozen=frozen))

    def fill(self, cut: Cut, fill: Fill, columns: slice, rows: slice, undisturbed: Array) -> Array:
        """What a wave meets in a fill."""
        if fill.mixed > 0:
            vwc = fill.wetness * self.vwc(columns, rows, micro=False)
            vwc += fill.mixed * self._lumps(cut, fill, columns, rows)
        else:
            vwc = fill.wetness * undisturbed[columns, rows]
        vwc = np.clip(vwc, min(self.ground.soil.residual, fill.porosity), fill.porosity)
        return self.values(vwc, rows, fill.porosity)

    def _lumps(self, cut: Cut, fill: Fill, columns: slice, rows: slice) -> Array:
        body = zlib.crc32(f"{cut.label}/{cut.kind}".encode())
        seed = np.random.default_rng([self.ground.structure_seed, _LUMPS, body])
        modes = draw_modes(ranges_m=fill.mixed_range_m, family="exponential", seed=seed)
        return np.asarray(field_on_section(modes, self.x[columns], self.y[columns], self.depth[rows]), np.float64)


def _lattice(plane: Plane, cell_m: float, depth_m: float, air_m: float, margin_m: float) -> Lattice:
    cell = check_positive(cell_m, "cell_m")
    above, below = (
        math.ceil(value / cell - 1e-9)
        for value in (check_in_range(air_m, "air_m", 0.0, 1e3), check_positive(depth_m, "depth_m"))
    )
    before = math.ceil(check_in_range(margin_m, "margin_m", 0.0, 1e4) / cell - 1e-9)
    columns = before + math.ceil((plane.length_m + margin_m) / cell - 1e-9) + 1
    rows = above + below + 1
    if columns * rows > _MOST_CELLS:
        fits = cell * math.sqrt(columns * rows / _MOST_CELLS)
        raise InputError(
            "the section would have too many cells",
            received=f"{columns:,} × {rows:,} of {cell:g} m",
            do=f"use cells of {fits:.2g} m or more, or a shorter line",
        )
    # Rounded, so that 3 × 0.1 m of air is 0.3 m.
    return Lattice(round(-before * cell, 12), round(-above * cell, 12), columns, rows, cell)


def _with_air(cuts: Sequence[Cut], lattice: Lattice) -> list[Cut]:
    """The air lies over all that is buried; what stands on the ground stands in it."""
    sky = shapely.box(lattice.x[0] - 1.0, lattice.z0_m - 1.0, lattice.x[-1] + 1.0, 0.0)
    standing = [cut for cut in cuts if cut.outline.bounds[1] < 0.0]
    buried = [cut for cut in cuts if cut.outline.bounds[1] >= 0.0]
    return [*buried, Cut(sky, AIR, (-math.inf, math.inf), "air", ""), *standing]


def _mix(cuts: list[Cut], under: GroundUnder) -> tuple[Array, tuple[shapely.Polygon, ...]]:
    earth, base, undisturbed = under.earth, under.values, under.vwc
    mixed = np.zeros_like(base)
    left = np.ones(base.shape[1:])
    metal = np.zeros(base.shape[1:])
    conductors: list[shapely.Polygon] = []
    for number, (columns, rows, share) in shares_of(cuts, under.lattice):
        cut = cuts[number]
        if isinstance(cut.filling, Metal):
            conductors += bare_outlines(cuts, number)
            metal[columns, rows] += share
        elif not share.any():
            continue
        elif isinstance(cut.filling, Solid):
            for total, value in zip(mixed, _constants(cut.filling, len(base)), strict=True):
                total[columns, rows] += share * value
        else:
            mixed[:, columns, rows] += share * earth.fill(cut, cut.filling, columns, rows, undisturbed)
        left[columns, rows] -= share
    mixed += left * base
    return _without_metal(mixed, base, metal), tuple(reversed(conductors))


def _constants(solid: Solid, count: int) -> tuple[float, ...]:
    return (solid.permittivity, solid.conductivity_ms_per_m, 0.0)[:count]


def _without_metal(mixed: Array, base: Array, metal: Array) -> Array:
    """Means over what of each cell is not metal; a cell of metal alone keeps the soil's values, which do nothing."""
    part, whole = (metal > 0) & (metal < _WHOLE), metal >= _WHOLE
    if part.any():
        mixed[:, part] /= 1.0 - metal[part]
    if whole.any():
        mixed[:, whole] = base[:, whole]
    return mixed
