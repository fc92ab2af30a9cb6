"""Invented ground whose velocity is known, recorded by the full wave, for the study of joined velocities.

Nothing of it knows the fusion: water follows a profile and patches of two sizes, and permittivity a mixture of grains,
water and air whose porosity and exponent no relation of the ground room has. What counts as true is summed from the
very permittivity that the wave goes through.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from yewline.geostat import FieldModes, draw_modes, field_on_section
from yewline.model import make_radargram, make_readings
from yewline.physics import mixed_permittivity
from yewline.recipe import run_before, standard_recipe
from yewline.simulation import (
    Course,
    Electronics,
    Instrument,
    Pulse,
    Section,
    plan_course,
    run_course,
    through_electronics,
    to_point_source,
)
from yewline.units import C_M_PER_NS

Array = npt.NDArray[np.float64]

SIZE_M = (6.6, 3.6)
LINES_M = (0.6, 1.8, 3.0)
"""Places of the lines across the site."""
SPACING_M = 0.06
CENTRE_MHZ = 200.0
SEPARATION_M = 0.2
DEEPEST_M = 1.7
ZERO_NS = 8.0
LOUD = 0.3
"""Of a wave through the air, over the loudest that is heard later than 8 ns after time zero."""
SUPPORT_M = 0.12
SIGMA_VWC = 0.03
"""Of a reading, as a visit's settings have it; half its variance is common to all readings."""
TARGET_M = 1.0
ABSORPTION_DB_PER_NS = 0.4
ELECTRONICS = Electronics(
    counts=3_000.0, noise=0.0006, ringing=0.004, ringing_ns=4.6, ringing_decay_ns=13.0, wow=0.03, jitter_ns=0.012
)


@dataclass(frozen=True)
class Body:
    """What lies under a line, endless across it: a round stone, or a flat lid where `width_m` is given."""

    x: float
    top_m: float
    permittivity: float
    radius_m: float = 0.0
    width_m: float = 0.0
    thick_m: float = 0.0

    def holds(self, x: Array, z: Array) -> npt.NDArray[np.bool_]:
        if self.width_m:
            return (np.abs(x - self.x) <= 0.5 * self.width_m) & (z >= self.top_m) & (z <= self.top_m + self.thick_m)
        return np.hypot(x - self.x, z - self.top_m - self.radius_m) <= self.radius_m


class InventedGround:
    """One site: its water, its soil, what is buried, its readings and its radargrams."""

    def __init__(self, seed: int) -> None:
        rng = np.random.default_rng([seed, 31])
        self.seed = seed
        self.level = float(rng.uniform(0.06, 0.38))
        self.drier_on_top = float(rng.normal(0.0, 0.05))
        self.profile_m = float(rng.uniform(0.2, 0.7))
        self.macro_sd, self.micro_sd = float(rng.uniform(0.005, 0.03)), float(rng.uniform(0.004, 0.012))
        self.pores_top = float(rng.uniform(0.42, 0.52))
        self.pores_deep = self.pores_top - float(rng.uniform(0.0, 0.08))
        self.solid, self.exponent = float(rng.uniform(4.0, 5.5)), float(rng.uniform(0.42, 0.58))
        far = float(rng.uniform(4.0, 10.0))
        self.macro, self.micro = (
            draw_modes(ranges_m=ranges, family="exponential", seed=int(rng.integers(1 << 31)), modes=modes)
            for ranges, modes in (((far, far, 2.0), 400), ((0.3, 0.3, 0.15), 800))
        )
        self.bodies = tuple(self._bodies(rng) for _ in LINES_M)
        self.rng = rng

    def _bodies(self, rng: np.random.Generator) -> tuple[Body, ...]:
        places = 0.9 + 0.96 * np.arange(6) + rng.uniform(-0.15, 0.15, 6)
        lids = set(rng.choice(6, 2, replace=False).tolist())
        tops, permittivity = rng.uniform(0.35, 1.1, 6), rng.choice([1.5, 3.0, 7.0], 6)
        return tuple(
            Body(x, top, 1.5, width_m=float(rng.uniform(0.3, 0.6)), thick_m=float(rng.uniform(0.08, 0.25)))
            if number in lids
            else Body(x, top, eps, radius_m=float(rng.uniform(0.03, 0.2)))
            for number, (x, top, eps) in enumerate(zip(places, tops, permittivity, strict=True))
        )

    def soil(self, x: Array, y: Array, z: Array) -> tuple[Array, Array]:
        """Water content and permittivity under places (n,), at depths (Z,): (n, Z) each."""
        patches: tuple[tuple[FieldModes, float], ...] = ((self.macro, self.macro_sd), (self.micro, self.micro_sd))
        uneven = sum(sd * field_on_section(modes, x, y, z) for modes, sd in patches)
        # The level is that of the first metre.
        bend = np.exp(-z / self.profile_m)
        mean = self.profile_m * (1.0 - np.exp(-TARGET_M / self.profile_m)) / TARGET_M
        pores = self.pores_deep + (self.pores_top - self.pores_deep) * np.exp(-z / 0.5)
        water = self.level - self.drier_on_top * (bend - mean) + uneven * np.exp(-z / 1.5)
        water = np.clip(water, 0.02, 0.98 * pores)
        return water, mixed_permittivity(water, porosity=pores, solid=self.solid, water=84.0, exponent=self.exponent)

    def velocity(self, x: npt.ArrayLike, y: npt.ArrayLike, depth_m: float) -> Array:
        """True mean velocity (n,) straight down to a depth, m/ns."""
        z = (np.arange(200) + 0.5) * depth_m / 200
        permittivity = self.soil(np.asarray(x, float), np.asarray(y, float), z)[1]
        return np.asarray(C_M_PER_NS / np.sqrt(permittivity).mean(axis=1))

    @cached_property
    def places(self) -> Array:
        """(P, 2) places evenly over the site."""
        x, y = (np.arange(0.25, size, 0.5) for size in SIZE_M)
        return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)

    def readings(self) -> pd.DataFrame:
        """Two dozen readings of a probe: its own error at each, and one that all share."""
        rng = np.random.default_rng([self.seed, 32])
        x, y = (part.ravel() for part in np.meshgrid(np.linspace(0.3, 6.3, 6), np.linspace(0.3, 3.3, 4)))
        z = (np.arange(12) + 0.5) * SUPPORT_M / 12
        half = SIGMA_VWC / np.sqrt(2.0)
        water = self.soil(x, y, z)[0].mean(axis=1) + rng.normal(0.0, half, len(x)) + rng.normal(0.0, half)
        return make_readings(x=x, y=y, vwc=np.clip(water, 0.0, 0.6))

    def course(self, number: int) -> Course:
        """Full wave along one line."""
        y = LINES_M[number]
        rows = np.linspace(0.0, DEEPEST_M, 100)
        along = np.linspace(0.0, SIZE_M[0], 400)
        wettest = max(8.0, 1.1 * float(self.soil(along, np.full(400, y), rows)[1].max()))
        cell = 1e-3 * int(1e3 * C_M_PER_NS / np.sqrt(wettest) / (2.77e-3 * CENTRE_MHZ) / 8.0)
        above = round(0.25 / cell)
        x = cell * np.arange(int(SIZE_M[0] / cell) + 1)
        z = cell * (np.arange(above + int(DEEPEST_M / cell)) - above)
        ground = z >= -1e-9
        water, soil = (np.ones((len(x), len(z))) for _ in range(2))
        water[:, ground], soil[:, ground] = self.soil(x, np.full(len(x), y), np.maximum(z[ground], 0.0))
        conducting = np.where(ground, 2.0 + 25.0 * water, 0.0)
        # Each node takes the mean over its cell: half air at the surface, and what part of it a body fills.
        sub = cell * np.array([-0.25, 0.25])
        for body in self.bodies[number]:
            part = np.mean([body.holds(x[:, None] + a, z[None, :] + b) for a in sub for b in sub], axis=0)
            soil = soil * (1.0 - part) + body.permittivity * part
            conducting = conducting * (1.0 - part)
        soil[:, above], conducting[:, above] = 0.5 * (soil[:, above] + 1.0), 0.5 * conducting[:, above]
        slowest = float(self.velocity(self.places[:, 0], self.places[:, 1], DEEPEST_M).min())
        antennas = self.antennas(int((ZERO_NS + 2 * 1.75 / slowest) / 0.4))
        at = np.arange(0.45, SIZE_M[0] - 0.45, SPACING_M)
        return plan_course(
            Section(soil, conducting, cell_m=cell, z0_m=-above * cell), at, antennas, cells_a_wavelength=8.0
        )

    @staticmethod
    def antennas(samples: int) -> Instrument:
        return Instrument(
            centre_mhz=CENTRE_MHZ,
            separation_m=SEPARATION_M,
            interval_ns=0.4,
            samples=samples,
            zero_ns=ZERO_NS,
            aperture_m=1.3,
        )

    def recorded(self, *, workers: int = 2) -> tuple[dict[str, xr.DataArray], int]:
        """Lines as an instrument stores them, and how many cells were updated."""
        found, updates = {}, 0
        for number, y in enumerate(LINES_M):
            course = self.course(number)
            updates += course.cell_updates * len(course.at_m)
            heard = dict(run_course(course, workers=workers))
            about = course.instrument
            clean = to_point_source(
                np.array([heard[trace] for trace in range(len(heard))]),
                pulse=Pulse("ricker", CENTRE_MHZ),
                interval_ns=about.interval_ns,
                zero_ns=about.zero_ns,
                v_m_per_ns=float(self.velocity([3.3], [y], TARGET_M)[0]),
            )
            noise = np.random.default_rng([self.seed, 33, number])
            stored = through_electronics(clean, about, ELECTRONICS, SPACING_M, noise)
            name = f"L{number + 1}"
            attrs = {"line": name, "visit": "day", "centre_mhz": CENTRE_MHZ, "separation_m": SEPARATION_M, "file": ""}
            found[name] = make_radargram(
                stored, interval_ns=about.interval_ns, x=course.at_m, y=np.full(len(course.at_m), y), attrs=attrs
            )
        return found, updates


def with_air_waves(lines: Mapping[str, xr.DataArray], seed: int) -> dict[str, xr.DataArray]:
    """Recorded lines with one wave each off something above ground beside it (a tree, say)."""
    rng, found = np.random.default_rng([seed, 34]), {}
    for name, line in lines.items():
        nearest_m, along = rng.uniform(1.5, 3.5), rng.uniform(2.0, SIZE_M[0] - 2.0)
        away = np.hypot(line["x"].values - along, nearest_m)
        since = line["time"].values[None, :] - ZERO_NS - 2.0 * away[:, None] / C_M_PER_NS
        turned = (np.pi * 1e-3 * CENTRE_MHZ * since) ** 2
        loud = LOUD * float(np.abs(line.values[:, line["time"].values > ZERO_NS + 8.0]).max())
        wave = loud * (1.0 - 2.0 * turned) * np.exp(-turned) * nearest_m / away[:, None]
        found[name] = line.copy(data=(line.values + wave).astype(line.dtype))
    return found


def processed(lines: Mapping[str, xr.DataArray]) -> dict[str, xr.DataArray]:
    """Lines as a run processes them before migration."""
    recipe = standard_recipe()
    return {name: run_before(recipe, line, absorption_db_per_ns=ABSORPTION_DB_PER_NS) for name, line in lines.items()}
