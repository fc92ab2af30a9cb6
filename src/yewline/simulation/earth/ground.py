"""What the ground is made of, the same on every day: its soil, and the structure that its water follows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from yewline._check import check_choice, check_in_range, check_positive
from yewline.errors import InputError
from yewline.physics import GRAIN_G_PER_CM3, surface_conductivity

__all__ = ["CONDUCTION_MODELS", "PERMITTIVITY_MODELS", "Ground", "Soil", "Texture"]

PERMITTIVITY_MODELS: Final = ("mixing", "topp", "texture")
"""How permittivity follows from water: parts mixed, Topp's relation, or the texture model."""

CONDUCTION_MODELS: Final = ("archie", "texture")
"""How conductivity follows from water: pore water and grain surfaces, or the texture model."""

_POROSITY_SLACK: Final = 0.05


@dataclass(frozen=True, slots=True)
class Texture:
    """Grain sizes and density of a soil.

    Attributes
    ----------
    sand, clay : shares of the mass, 0 to 1; the rest is silt.
    bulk_g_per_cm3 : dry bulk density.

    Raises
    ------
    InputError : a share outside [0, 1], sand and clay above 1 together, or a density that no soil has.

    Examples
    --------
    >>> round(Texture(sand=0.6, clay=0.1).silt, 3)
    0.3
    """

    sand: float
    clay: float
    bulk_g_per_cm3: float = 1.5

    def __post_init__(self) -> None:
        check_in_range(self.sand, "sand", 0.0, 1.0)
        check_in_range(self.clay, "clay", 0.0, 1.0)
        check_in_range(self.bulk_g_per_cm3, "bulk_g_per_cm3", 0.2, 2.4)
        if self.sand + self.clay > 1.0 + 1e-9:
            raise InputError("sand and clay must not exceed 1 together", received=f"{self.sand:g} and {self.clay:g}")

    @property
    def silt(self) -> float:
        """Share of the mass that is neither sand nor clay."""
        return 1.0 - self.sand - self.clay

    @property
    def porosity(self) -> float:
        """Share of pores that goes with the bulk density, for grains of 2.66 g/cm³."""
        return 1.0 - self.bulk_g_per_cm3 / GRAIN_G_PER_CM3


@dataclass(frozen=True, slots=True)
class Soil:
    """What a soil is made of, and by which relations a wave meets it.

    Attributes
    ----------
    porosity : share of pores, m³/m³: water never exceeds it.
    model : of permittivity, one of `PERMITTIVITY_MODELS`.
    texture : grain sizes and density.
    solid_permittivity, exponent : of the grains, and the exponent of the mixing model (0.5: complex refractive index).
    residual : water content that soil never falls below, m³/m³.
    water_ms_per_m : conductivity of the pore water at 25 °C.
    cementation, saturation_exponent : exponents of Archie's law.
    surface_ms_per_m : conductivity along wetted grain surfaces at full saturation and 25 °C, proportional to
        saturation (common practice, no source); None takes it from the clay share.
    conduction : one of `CONDUCTION_MODELS`; "archie" is pore water and surfaces, "texture" takes the loss of the
        texture model instead, which knows nothing of the pore water's salt.
    temperature_c : of the ground, −4 to 40 °C, on days that state none of their own.

    Raises
    ------
    InputError : a value out of range, or a porosity that does not go with the bulk density where the texture model
        needs both.

    Examples
    --------
    >>> round(Soil(porosity=0.4, model="topp").surface_at_25, 6)
    20.9
    """

    porosity: float = 0.42
    model: Literal["mixing", "topp", "texture"] = "mixing"
    texture: Texture = Texture(0.6, 0.1)
    solid_permittivity: float = 4.6
    exponent: float = 0.5
    residual: float = 0.02
    water_ms_per_m: float = 55.0
    cementation: float = 1.5
    saturation_exponent: float = 2.0
    surface_ms_per_m: float | None = None
    conduction: Literal["archie", "texture"] = "archie"
    temperature_c: float = 10.0

    def __post_init__(self) -> None:
        check_in_range(self.porosity, "porosity", 0.05, 0.9)
        check_choice(self.model, "model", PERMITTIVITY_MODELS)
        check_choice(self.conduction, "conduction", CONDUCTION_MODELS)
        check_in_range(self.solid_permittivity, "solid_permittivity", 1.0, 20.0)
        check_in_range(self.exponent, "exponent", 0.1, 1.0)
        check_in_range(self.residual, "residual", 0.0, 0.3)
        check_in_range(self.temperature_c, "temperature_c", -4.0, 40.0)
        for name in ("water_ms_per_m", "cementation", "saturation_exponent"):
            check_positive(getattr(self, name), name)
        if self.surface_ms_per_m is not None:
            check_in_range(self.surface_ms_per_m, "surface_ms_per_m", 0.0, 5_000.0)
        if self.residual >= self.porosity:
            raise InputError("residual must lie below the porosity", received=f"{self.residual:g}, {self.porosity:g}")
        apart = abs(self.porosity - self.texture.porosity)
        if "texture" in (self.model, self.conduction) and apart > _POROSITY_SLACK:
            raise InputError(
                "porosity does not go with the bulk density of the texture",
                received=f"{self.porosity:g} and {self.texture.bulk_g_per_cm3:g} g/cm³",
                do=f"set porosity to {self.texture.porosity:.2f}, "
                f"or the bulk density to {GRAIN_G_PER_CM3 * (1.0 - self.porosity):.2f} g/cm³",
            )

    @property
    def surface_at_25(self) -> float:
        """Conductivity along grain surfaces at full saturation and 25 °C, mS/m: as stated, or from the clay share."""
        if self.surface_ms_per_m is not None:
            return self.surface_ms_per_m
        return float(surface_conductivity(self.texture.clay))


@dataclass(frozen=True, slots=True)
class Ground:
    """The ground of a site: its soil, and the seed of the structure that its water follows on every day."""

    soil: Soil = Soil()
    structure_seed: int = 0

    def __post_init__(self) -> None:
        if self.structure_seed < 0:
            raise InputError("structure_seed must not be negative", received=self.structure_seed)
