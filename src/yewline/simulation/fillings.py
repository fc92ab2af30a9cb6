"""What a body in the ground is made of: soil that was dug and put back, a solid with constants of its own, or metal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from yewline._check import check_choice, check_in_range, check_positive

__all__ = ["AIR", "MATERIALS", "Fill", "Filling", "Material", "Metal", "Solid", "filling_of"]


@dataclass(frozen=True, slots=True)
class Fill:
    """Dug and put-back soil: looser than the soil around it, and wetter or drier.

    Attributes
    ----------
    porosity : share of pores, m³/m³.
    wetness : its water content over that of the undisturbed soil at the same place and depth.
    mixed : standard deviation of its own small-scale variation of water, m³/m³. Above 0 it stands in place of the
        soil's own small-scale variation, which digging has destroyed; at 0 that of the soil is kept.
    mixed_range_m : practical range of that variation, the size of the lumps.
    """

    porosity: float = 0.48
    wetness: float = 0.85
    mixed: float = 0.0
    mixed_range_m: float = 0.25

    def __post_init__(self) -> None:
        check_in_range(self.porosity, "porosity", 0.05, 0.9)
        check_in_range(self.wetness, "wetness", 0.0, 4.0)
        check_in_range(self.mixed, "mixed", 0.0, 0.3)
        check_positive(self.mixed_range_m, "mixed_range_m")


@dataclass(frozen=True, slots=True)
class Solid:
    """A body with constants of its own, the same on all days: air, stone, brick, wood."""

    permittivity: float
    conductivity_ms_per_m: float = 0.0

    def __post_init__(self) -> None:
        check_in_range(self.permittivity, "permittivity", 1.0, 100.0)
        check_in_range(self.conductivity_ms_per_m, "conductivity_ms_per_m", 0.0, 1e5)


@dataclass(frozen=True, slots=True)
class Metal:
    """A perfect conductor: no field inside it."""


Filling = Fill | Solid | Metal
"""What a body holds."""

Material = str | Fill | Solid | Metal
"""A filling, or the name of one of `MATERIALS`."""

AIR: Final = Solid(1.0)

MATERIALS: Final[Mapping[str, Filling]] = MappingProxyType(
    {
        "air": AIR,
        "brick": Solid(4.5, 5.0),
        "charcoal": Solid(8.0, 30.0),
        "clay": Solid(25.0, 60.0),
        "concrete": Solid(7.0, 5.0),
        "granite": Solid(5.0, 0.1),
        "lime": Solid(7.0, 10.0),
        "limestone": Solid(6.5, 1.0),
        "metal": Metal(),
        "pipe": Solid(5.0, 0.1),
        "water": Solid(80.0, 50.0),
        "wood": Solid(5.0, 2.0),
    }
)
"""Fillings by name.

Clay, granite and limestone lie within the ranges of Davis & Annan 1989, Geophysical Prospecting 37:531–551, Table 1
(clays 5–40 and 2–1000 mS/m; granite 4–6, 0.01–1; limestone 4–8, 0.5–2). The others are values from memory: common
practice, no source.
"""


def filling_of(material: Material) -> Filling:
    """The filling that a material stands for.

    Parameters
    ----------
    material : a filling, or a name from `MATERIALS`.

    Raises
    ------
    InputError : a name that is not known; the message lists those that are.

    Examples
    --------
    >>> filling_of("brick")
    Solid(permittivity=4.5, conductivity_ms_per_m=5.0)
    """
    if isinstance(material, str):
        return MATERIALS[check_choice(material, "material", tuple(MATERIALS))]
    return material
