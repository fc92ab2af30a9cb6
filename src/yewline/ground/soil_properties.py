"""A soil's properties as the relations need them: what was stated, and what is assumed for the rest."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from yewline.model import Soil
from yewline.physics import GRAIN_G_PER_CM3, TEXTURE_CLASSES, SiteFit, named_texture_class, texture_class_of

__all__ = ["SoilProperties", "describe_soil"]

ASSUMED_CLASS: Final = "loam"
ASSUMED_ORGANIC: Final = 0.02
ASSUMED_WATER_MS_PER_M: Final = 50.0
ASSUMED_TEMPERATURE_C: Final = 10.0
PEAT_ORGANIC: Final = 0.6
# Density of organic matter, g/cm³ (from memory).
_ORGANIC_G_PER_CM3: Final = 1.3
_PEAT_POROSITY: Final = 0.8
_PEAT: Final = re.compile(r"\bpeat\b", re.IGNORECASE)
_DENSITY_SLACK: Final = 0.08


@dataclass(frozen=True, slots=True)
class SoilProperties:
    """What the relations need to know of a soil.

    Attributes
    ----------
    texture : name of the texture class.
    sand, clay, organic : shares of the dry mass.
    bulk_g_per_cm3, porosity : dry bulk density and share of pores.
    water_ms_per_m : conductivity of the pore water at 25 °C.
    temperature_c : of the ground.
    site_fit : a line fitted to samples of the site, if there is one.
    assumed : names of those that were not stated and do not follow from what was.
    warnings : what in the statements does not fit together, in words.
    """

    texture: str
    sand: float
    clay: float
    organic: float
    bulk_g_per_cm3: float
    porosity: float
    water_ms_per_m: float
    temperature_c: float
    site_fit: SiteFit | None
    assumed: frozenset[str]
    warnings: tuple[str, ...]

    def stands(self, name: str) -> str:
        """A property's value in words, with "assumed" where it is."""
        words = {
            "texture": f"{self.texture} ({100 * self.sand:.0f} % sand, {100 * self.clay:.0f} % clay)",
            "organic": f"{100 * self.organic:.0f} % organic matter",
            "density": f"bulk density {self.bulk_g_per_cm3:.2f} g/cm³, porosity {self.porosity:.2f}",
            "water": f"pore water of {self.water_ms_per_m:.0f} mS/m",
            "temperature": f"{self.temperature_c:.0f} °C",
        }
        return f"{'assumed ' if name in self.assumed else ''}{words[name]}"


def describe_soil(soil: Soil) -> SoilProperties:
    """Properties of a soil from what a visit's settings state; every gap is filled by a stated assumption.

    Parameters
    ----------
    soil : from the visit's settings.

    Returns
    -------
    The properties. Shares of sand and clay go before a named class; a class is taken from the text only where it names
    one and no other. Without either it is a loam. "peat" in the text stands for 60 % organic matter where no share is
    given. Porosity and bulk density follow from one another, else from the class.

    Notes
    -----
    n = 1 − ρ_b/ρ_s, 1/ρ_s = organic/1.3 + (1 − organic)/2.66.

    References
    ----------
    Classes: see `physics.TEXTURE_CLASSES`. Pore water of 50 mS/m, 10 °C and 2 % organic matter: own choice, no source.

    Examples
    --------
    >>> loamy = describe_soil(Soil(texture="Dark sandy loam", bulk_g_per_cm3=1.33))
    >>> loamy.sand, round(loamy.porosity, 2), sorted(loamy.assumed)
    (0.58, 0.49, ['organic', 'temperature', 'water'])
    """
    assumed: set[str] = set()
    warnings: list[str] = []
    named = named_texture_class(soil.texture)
    if soil.sand is not None and soil.clay is not None:
        sand, clay = soil.sand, soil.clay
        texture = texture_class_of(sand, clay)
        if named is not None and named.name != texture:
            warnings.append(
                f"the text names a {named.name}, but its sand and clay make a {texture}: the shares are used"
            )
    else:
        stands = named or TEXTURE_CLASSES[ASSUMED_CLASS]
        texture, sand, clay = stands.name, stands.sand, stands.clay
        if named is None:
            assumed.add("texture")
    organic = soil.organic
    if organic is None:
        assumed.add("organic")
        organic = PEAT_ORGANIC if _PEAT.search(soil.texture) else ASSUMED_ORGANIC
    grain = 1.0 / (organic / _ORGANIC_G_PER_CM3 + (1.0 - organic) / GRAIN_G_PER_CM3)
    porosity, bulk = soil.porosity, soil.bulk_g_per_cm3
    if porosity is None and bulk is None:
        assumed.add("density")
        porosity = _PEAT_POROSITY if organic >= 0.2 else TEXTURE_CLASSES[texture].porosity
    if porosity is None:
        assert bulk is not None
        porosity = 1.0 - bulk / grain
    elif bulk is not None and abs(porosity - (1.0 - bulk / grain)) > _DENSITY_SLACK:
        warnings.append(
            f"a bulk density of {bulk:g} g/cm³ goes with a porosity of about {1.0 - bulk / grain:.2f}, not {porosity:g}"
        )
    if soil.water_ms_per_m is None:
        assumed.add("water")
    if soil.temperature_c is None:
        assumed.add("temperature")
    return SoilProperties(
        texture=texture,
        sand=sand,
        clay=clay,
        organic=organic,
        bulk_g_per_cm3=max(grain * (1.0 - porosity), 0.1) if bulk is None else bulk,
        porosity=min(max(porosity, 0.05), 0.95),
        water_ms_per_m=ASSUMED_WATER_MS_PER_M if soil.water_ms_per_m is None else soil.water_ms_per_m,
        temperature_c=ASSUMED_TEMPERATURE_C if soil.temperature_c is None else soil.temperature_c,
        site_fit=None if soil.site_fit is None else SiteFit(*soil.site_fit),
        assumed=frozenset(assumed),
        warnings=tuple(warnings),
    )
