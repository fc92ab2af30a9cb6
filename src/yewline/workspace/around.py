"""What lies around a line, for steps that ask for it: the ground below, and the parallel lines beside."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
import xarray as xr

from yewline.model import Finding, VelocityField, digest, interval_ns
from yewline.recipe import Around, Recipe, StepCall
from yewline.signal import Beside, aliased_share
from yewline.workspace.lazy import lights_of
from yewline.workspace.looks import Ends, line_ends

__all__ = ["Surroundings", "alias_findings", "lone_findings"]

_PARALLEL_DEG: Final = 9.0
_BAND: Final = (0.5, 1.5)
"""Of the centre frequency: the band in which most of a pulse lies (common practice, no source)."""
_LITTLE: Final = 0.05
"""A smaller share of band and dips that aliases is not worth a word."""
_ACROSS: Final = "migrate_kirchhoff_3d"


@dataclass(frozen=True)
class Surroundings:
    """The surroundings of a visit's lines, as far as a recipe's steps ask for them.

    Attributes
    ----------
    lines : as they are before the part after the velocity.
    recipe : whose steps after the velocity ask.
    velocity_m_per_ns : of the visit.
    field : the same as it varies; None leaves steps with one velocity.
    line_spacing_m : usual distance of neighbouring lines.
    """

    lines: Mapping[str, xr.DataArray]
    recipe: Recipe
    velocity_m_per_ns: float
    field: VelocityField | None = None
    line_spacing_m: float | None = None

    @cached_property
    def lights(self) -> dict[str, xr.DataArray]:
        """The lines without samples."""
        return lights_of(self.lines)

    @cached_property
    def _ends(self) -> dict[str, Ends]:
        """Every line is asked about every other: their ends are read once."""
        return {name: line_ends(light) for name, light in self.lights.items()}

    def of(self, line: str) -> Around:
        """What the steps may ask for around one line."""
        return Around(
            below=None if self.field is None else self._below,
            beside=(lambda: self._beside(line)) if self._across() is not None else None,
            line_spacing_m=self.line_spacing_m,
        )

    def key(self, line: str) -> list[Any]:
        """What of it decides on the line, for the key of what follows: nothing where no step asks."""
        light, parts = self.lights[line], list[Any]()
        if self.field is not None and any(_below_the_line(call) for call in self.recipe.after):
            z, below = self.field.at(light["x"].values, light["y"].values)
            parts.append(digest(np.asarray(z).tolist(), np.round(below, 7).tolist()))
        if self._across() is not None:
            parts += [
                self.line_spacing_m,
                [self.lights[name].attrs.get("line_key", name) for name in self._names(line)],
            ]
        return parts

    def _below(self, x: Any, y: Any) -> tuple[Any, Any]:
        assert self.field is not None
        return self.field.z, self.field.at(x, y)[0]

    def _across(self) -> StepCall | None:
        return next((call for call in self.recipe.after if call.step == _ACROSS), None)

    def _beside(self, line: str) -> list[Beside]:
        """Neighbours within the aperture, one read after another; those sampled otherwise cannot help."""
        found = []
        for name in self._helpful(line):
            held = self.lines[name]
            values, x, y, segment = held.values, held["x"].values, held["y"].values, held["segment"].values
            # Segments apart: the traces beside a gap do not stand for the ground that was left out.
            for number in np.unique(segment):
                part = segment == number
                found.append(Beside(values[part], x[part], y[part]))
        return found

    def alone(self) -> list[str]:
        """Lines that a step across them has to migrate by themselves; none where no step looks across."""
        return [] if self._across() is None else [line for line in self.lights if not self._helpful(line)]

    def _helpful(self, line: str) -> list[str]:
        mine = interval_ns(self.lights[line])
        return [name for name in self._names(line) if math.isclose(interval_ns(self.lights[name]), mine, rel_tol=1e-9)]

    def _names(self, line: str) -> list[str]:
        """Lines that run beside it within reach of the aperture, in the order of the visit."""
        call = self._across()
        assert call is not None
        here = self.lights[line]
        speed = call.parameters["velocity_m_per_ns"] or self.velocity_m_per_ns
        angle = math.radians(call.parameters["aperture_deg"])
        reach_m = 0.5 * speed * float(here["time"].values[-1]) * math.sin(angle)
        x0, y0, x1, y1 = self._ends[line]
        length = math.hypot(x1 - x0, y1 - y0)
        if length == 0:
            return []
        ux, uy = (x1 - x0) / length, (y1 - y0) / length
        found = []
        for name, (a0, b0, a1, b1) in self._ends.items():
            long = math.hypot(a1 - a0, b1 - b0)
            if name == line or long == 0:
                continue
            if abs((a1 - a0) * ux + (b1 - b0) * uy) < long * math.cos(math.radians(_PARALLEL_DEG)):
                continue
            across = [(a - x0) * uy - (b - y0) * ux for a, b in ((a0, b0), (a1, b1))]
            along = [(a - x0) * ux + (b - y0) * uy for a, b in ((a0, b0), (a1, b1))]
            nearest = 0.0 if across[0] * across[1] < 0 else min(abs(each) for each in across)
            if nearest <= reach_m and max(along) > -reach_m and min(along) < length + reach_m:
                found.append(name)
        return found


def lone_findings(near: Surroundings, visit: str) -> list[Finding]:
    """A warning of the lines that have none beside them while the others are migrated across."""
    alone = near.alone()
    if not alone:
        return []
    return [
        Finding(
            "warning",
            "migrated-alone",
            "lines are migrated by themselves: none runs beside them within reach, sampled alike",
            received=f"{len(alone)} of {len(near.lights)}: {', '.join(alone[:8])}{', …' if len(alone) > 8 else ''}",
            do="what lies beside them may show below them; points have another strength there than on the other lines",
            visit=visit,
        )
    ]


def _below_the_line(call: StepCall) -> bool:
    return call.parameters.get("ground") == "below the line"


def alias_findings(
    recipe: Recipe, visit: str, *, line_spacing_m: float, velocity_m_per_ns: float, centre_mhz: float
) -> list[Finding]:
    """A warning where migration across lines takes steep responses for others, since the lines are too far apart.

    Parameters
    ----------
    recipe : nothing is said unless it migrates across lines.
    visit : its name.
    line_spacing_m, velocity_m_per_ns, centre_mhz : of the visit; a velocity that the step states comes first.
    """
    call = next((call for call in recipe.after if call.step == _ACROSS), None)
    if call is None:
        return []
    steepest = float(call.parameters["aperture_deg"])
    band = (_BAND[0] * centre_mhz, _BAND[1] * centre_mhz)
    speed = call.parameters["velocity_m_per_ns"] or velocity_m_per_ns
    found = aliased_share(line_spacing_m, speed, band_mhz=band, steepest_deg=steepest)
    if found.share <= _LITTLE:
        return []
    text = "lines are too far apart to migrate across them without aliasing"
    if call.parameters["antialias"]:
        text = "lines are far apart for migration across them: what would alias is averaged away, and adds little"
    return [
        Finding(
            "warning",
            "migration-aliased",
            text,
            received=(
                f"{line_spacing_m:.2f} m: {100 * found.share:.0f} % of {band[0]:.0f} to {band[1]:.0f} MHz and dips to "
                f"{steepest:.0f}° alias; nothing below {found.clean_below_mhz:.0f} MHz, or within "
                f"{found.clean_within_deg:.0f}°"
            ),
            do=f"lines {found.widest_m:.2f} m apart would hold all of it; else migrate along the lines only",
            visit=visit,
        )
    ]
