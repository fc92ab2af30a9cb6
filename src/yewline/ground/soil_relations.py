"""The relations that a soil may be given, each with its source, its family and its range of use."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline.errors import InputError
from yewline.ground.soil_properties import SoilProperties
from yewline.model import VWC_HIGHEST
from yewline.physics import (
    GRAIN_G_PER_CM3,
    ledieu_permittivity,
    malicki_permittivity,
    malicki_porosity_permittivity,
    mixed_permittivity,
    roth_permittivity,
    schaap_permittivity,
    site_permittivity,
    texture_permittivity,
    topp_permittivity,
    topp_reynolds_permittivity,
    water_relaxation,
)

__all__ = ["RELATIONS", "SoilRelation", "checked_vwc"]

Array = npt.NDArray[np.float64]

# Limits that set a soil apart from the mineral soils that most relations were fitted to. Peat and humus: own choice
# after the usual classes. Heavy clay: 40 % (the lower limit of the class clay). Salt: USDA Handbook 60 calls soil
# saline from 4 dS/m on (from memory).
HUMIC: Final = 0.10
PEATY: Final = 0.20
LITTER: Final = 0.40
HEAVY_CLAY: Final = 0.40
SALINE_MS_PER_M: Final = 400.0
MINERAL_G_PER_CM3: Final = (1.0, 1.8)
# Soils by which the texture model was made, in shares of sand and clay (from memory of Hallikainen et al. 1985).
_TEXTURE_SAND: Final = (0.05, 0.52)
_TEXTURE_CLAY: Final = (0.08, 0.48)
_TEXTURE_MHZ: Final = (300.0, 1300.0)
_REFLECTOMETRY_MHZ: Final = (20.0, 1500.0)
_MIXING_MHZ: Final = (20.0, 3000.0)
_GRAIN_PERMITTIVITY: Final = 5.0


def checked_vwc(vwc: npt.ArrayLike) -> Array:
    """Water contents as an array, refused outside 0 to 0.6 m³/m³; NaN stays NaN."""
    theta = np.asarray(vwc, dtype=np.float64)
    outside = theta[(theta < 0.0) | (theta > VWC_HIGHEST)]
    if outside.size:
        raise InputError(
            f"vwc must lie between 0 and {VWC_HIGHEST:g}",
            received=f"{outside.flat[0]:g}",
            do="give m³/m³, not percent",
        )
    return theta


@dataclass(frozen=True, slots=True)
class SoilRelation:
    """One way from water to permittivity.

    Attributes
    ----------
    name : as in `[soil] model`.
    source : authors, year and what it is.
    family : "reflectometry", "density", "mixing", "texture", "organic" or "site": relations of one family were fitted
        to one kind of data and agree among themselves, so that they have one vote together.
    needs : what it takes beside the water: "texture", "density", "temperature".
    permittivity : (water content, properties, MHz) → relative permittivity.
    outside : (properties, MHz) → why the soil or the frequency is out of its range, in words; empty where it is within.
    """

    name: str
    source: str
    family: str
    needs: tuple[str, ...]
    permittivity: Callable[[Array, SoilProperties, float], Array]
    outside: Callable[[SoilProperties, float], str]


def _pores(vwc: Array, soil: SoilProperties) -> Array:
    """Pores that hold the water there is: a reading above the porosity makes room for itself."""
    return np.fmax(soil.porosity, vwc)


def _mixing(vwc: Array, soil: SoilProperties, frequency_mhz: float) -> Array:
    water = float(water_relaxation(soil.temperature_c).at(frequency_mhz).real)
    return mixed_permittivity(vwc, porosity=_pores(vwc, soil), solid=_GRAIN_PERMITTIVITY, water=water)


def _texture(vwc: Array, soil: SoilProperties, frequency_mhz: float) -> Array:
    bulk = np.fmax(np.fmin(soil.bulk_g_per_cm3, GRAIN_G_PER_CM3 * (1.0 - vwc)), 0.05)
    wet = texture_permittivity(
        vwc,
        sand=soil.sand,
        clay=soil.clay,
        frequency_mhz=float(np.clip(frequency_mhz, 50.0, 1300.0)),
        bulk_g_per_cm3=np.where(np.isnan(bulk), soil.bulk_g_per_cm3, bulk),
        temperature_c=soil.temperature_c,
    )
    return np.asarray(wet.real)


def _site(vwc: Array, soil: SoilProperties, frequency_mhz: float) -> Array:
    assert soil.site_fit is not None
    return site_permittivity(vwc, soil.site_fit)


def _first(*reasons: str) -> str:
    return next((reason for reason in reasons if reason), "")


def _frequency(frequency_mhz: float, limits: tuple[float, float]) -> str:
    low, high = limits
    return "" if low <= frequency_mhz <= high else f"{frequency_mhz:g} MHz, made for {low:g} to {high:g}"


def _salt(soil: SoilProperties) -> str:
    if soil.water_ms_per_m <= SALINE_MS_PER_M:
        return ""
    return f"saline: pore water of {soil.water_ms_per_m:.0f} mS/m, over {SALINE_MS_PER_M:.0f}"


def _humus(soil: SoilProperties, most: float) -> str:
    if soil.organic <= most:
        return ""
    return f"{'peat or humus' if soil.organic >= PEATY else 'humus-rich'}: {100 * soil.organic:.0f} % organic matter"


def _clay(soil: SoilProperties) -> str:
    return f"heavy clay: {100 * soil.clay:.0f} % clay" if soil.clay > HEAVY_CLAY else ""


def _outside_mineral(soil: SoilProperties, frequency_mhz: float) -> str:
    low, high = MINERAL_G_PER_CM3
    loose = "" if low <= soil.bulk_g_per_cm3 <= high else f"bulk density {soil.bulk_g_per_cm3:.2f} g/cm³"
    return _first(_humus(soil, HUMIC), _clay(soil), _salt(soil), loose, _frequency(frequency_mhz, _REFLECTOMETRY_MHZ))


def _outside_density(soil: SoilProperties, frequency_mhz: float) -> str:
    return _first(_salt(soil), _frequency(frequency_mhz, _REFLECTOMETRY_MHZ))


def _outside_porosity(soil: SoilProperties, frequency_mhz: float) -> str:
    odd = "" if 0.2 <= soil.porosity <= 0.8 else f"porosity {soil.porosity:.2f}, made for 0.2 to 0.8"
    return _first(odd, _outside_density(soil, frequency_mhz))


def _outside_organic(least: float) -> Callable[[SoilProperties, float], str]:
    def outside(soil: SoilProperties, frequency_mhz: float) -> str:
        poor = f"{100 * soil.organic:.0f} % organic matter, made for {100 * least:.0f} % and more"
        return _first("" if soil.organic >= least else poor, _outside_density(soil, frequency_mhz))

    return outside


def _outside_mixing(soil: SoilProperties, frequency_mhz: float) -> str:
    return _first(_humus(soil, PEATY), _clay(soil), _frequency(frequency_mhz, _MIXING_MHZ))


def _outside_texture(soil: SoilProperties, frequency_mhz: float) -> str:
    for name, share, (low, high) in (("sand", soil.sand, _TEXTURE_SAND), ("clay", soil.clay, _TEXTURE_CLAY)):
        if not low <= share <= high:
            return f"{100 * share:.0f} % {name}, made for {100 * low:.0f} to {100 * high:.0f} %"
    return _first(_humus(soil, HUMIC), _salt(soil), _frequency(frequency_mhz, _TEXTURE_MHZ))


def _outside_site(soil: SoilProperties, frequency_mhz: float) -> str:
    return "" if soil.site_fit is not None else "no samples of this site were fitted"


RELATIONS: Final = {
    each.name: each
    for each in (
        SoilRelation(
            "topp",
            "Topp, Davis & Annan 1980, mineral soils by time-domain reflectometry",
            "reflectometry",
            (),
            lambda vwc, soil, frequency_mhz: topp_permittivity(vwc),
            _outside_mineral,
        ),
        SoilRelation(
            "topp-reynolds",
            "Topp & Reynolds 1998, a line in √ε for mineral soils",
            "reflectometry",
            (),
            lambda vwc, soil, frequency_mhz: topp_reynolds_permittivity(vwc),
            _outside_mineral,
        ),
        SoilRelation(
            "ledieu",
            "Ledieu et al. 1986, a line in √ε for loam",
            "reflectometry",
            (),
            lambda vwc, soil, frequency_mhz: ledieu_permittivity(vwc),
            _outside_mineral,
        ),
        SoilRelation(
            "roth",
            "Roth, Malicki & Plagge 1992, mineral soils",
            "reflectometry",
            (),
            lambda vwc, soil, frequency_mhz: roth_permittivity(vwc),
            _outside_mineral,
        ),
        SoilRelation(
            "malicki",
            "Malicki, Plagge & Roth 1996 eq. 10, with bulk density",
            "density",
            ("density",),
            lambda vwc, soil, frequency_mhz: malicki_permittivity(vwc, bulk_g_per_cm3=soil.bulk_g_per_cm3),
            _outside_density,
        ),
        SoilRelation(
            "malicki-porosity",
            "Malicki, Plagge & Roth 1996 eq. 12, with porosity",
            "density",
            ("density",),
            lambda vwc, soil, frequency_mhz: malicki_porosity_permittivity(
                vwc, porosity=min(max(soil.porosity, 0.2), 0.8)
            ),
            _outside_porosity,
        ),
        SoilRelation(
            "roth-organic",
            "Roth, Malicki & Plagge 1992, organic soils",
            "organic",
            (),
            lambda vwc, soil, frequency_mhz: roth_permittivity(vwc, organic=True),
            _outside_organic(PEATY),
        ),
        SoilRelation(
            "schaap",
            "Schaap et al. 1997, forest floor",
            "organic",
            (),
            lambda vwc, soil, frequency_mhz: schaap_permittivity(vwc),
            _outside_organic(LITTER),
        ),
        SoilRelation(
            "mixing",
            "grains, water and air mixed (complex refractive index; Birchak et al. 1974, Roth et al. 1990)",
            "mixing",
            ("density", "temperature"),
            _mixing,
            _outside_mixing,
        ),
        SoilRelation(
            "texture",
            "Peplinski, Ulaby & Dobson 1995, with sand, clay and bulk density",
            "texture",
            ("texture", "density", "temperature"),
            _texture,
            _outside_texture,
        ),
        SoilRelation("site-fit", "the site's own fit, after Herkelrath et al. 1991", "site", (), _site, _outside_site),
    )
}
"""By name, in the order in which they are listed to a reader."""
