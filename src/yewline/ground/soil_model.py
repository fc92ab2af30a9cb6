"""Which relation of water and permittivity a soil is given, why, and how far the others would lead from it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_in_range
from yewline.ground.soil_properties import SoilProperties, describe_soil
from yewline.ground.soil_relations import (
    HEAVY_CLAY,
    HUMIC,
    PEATY,
    RELATIONS,
    SALINE_MS_PER_M,
    SoilRelation,
    checked_vwc,
)
from yewline.model import VWC_HIGHEST, Soil
from yewline.physics import SiteFit, moisture_by_root, velocity_of_permittivity

__all__ = ["OtherRelation", "PermittivitySpread", "SoilModel", "choose_soil_model", "permittivity_spread"]

Array = npt.NDArray[np.float64]

# Bulk densities at which the relations for mineral soil need no density: those of the soils that they were fitted to
# (own choice).
_USUAL_G_PER_CM3: Final = (1.2, 1.7)
# Standard deviation of bulk density within a texture class, g/cm³ (from memory of Rawls et al. 1982: 0.06 of porosity).
_DENSITY_SIGMA: Final = 0.16
_STEP_VWC: Final = 1e-4
_FEWEST_FAMILIES: Final = 2


@dataclass(frozen=True, slots=True)
class OtherRelation:
    """A relation that was not chosen: its name, whether the soil is within its range, and why it was not chosen."""

    name: str
    within: bool
    why: str


@dataclass(frozen=True, slots=True)
class SoilModel:
    """The relation that a soil is given.

    Attributes
    ----------
    name, source : of the relation.
    reason : why this one, in words.
    within : whether the soil and the frequency are in its range.
    others : all the others, each with why it was not chosen.
    warnings : what to be careful of, in words.
    soil : properties that it is used with, the assumed ones marked.
    frequency_mhz : that it is used at.
    """

    name: str
    source: str
    reason: str
    within: bool
    others: tuple[OtherRelation, ...]
    warnings: tuple[str, ...]
    soil: SoilProperties
    frequency_mhz: float

    def permittivity(self, vwc: npt.ArrayLike) -> Array:
        """Relative permittivity at water contents of any shape, 0 to 0.6 m³/m³; NaN stays NaN."""
        return _at(RELATIONS[self.name], checked_vwc(vwc), self.soil, self.frequency_mhz)

    def velocity_m_per_ns(self, vwc: npt.ArrayLike) -> Array:
        """Velocity c/√ε, without what loss takes from it."""
        return velocity_of_permittivity(self.permittivity(vwc))

    def moisture(self, permittivity: npt.ArrayLike) -> Array:
        """Water content at which this model has a permittivity; refused where it has it at none from 0 to 0.6 m³/m³."""
        return moisture_by_root(permittivity, self.permittivity, highest_vwc=VWC_HIGHEST)

    def ln_velocity_slope(self, vwc: npt.ArrayLike) -> Array:
        """Slope d ln v/dθ (negative), to carry an error of moisture over to velocity: Δv/v = slope · Δθ."""
        theta = checked_vwc(vwc)
        low, high = np.maximum(theta - _STEP_VWC, 0.0), np.minimum(theta + _STEP_VWC, VWC_HIGHEST)
        return np.asarray(-0.5 * np.log(self.permittivity(high) / self.permittivity(low)) / (high - low))


def choose_soil_model(soil: Soil, *, frequency_mhz: float) -> SoilModel:
    """Choose the relation of water and permittivity for a soil at a frequency, with the reason.

    Parameters
    ----------
    soil : from a visit's settings; its `model` goes before every rule, with a warning where it is out of range.
    frequency_mhz : the antenna's centre frequency, 10 to 5000 MHz.

    Returns
    -------
    The model, with the reason in words and why each other was not chosen.

    Raises
    ------
    InputError : a frequency out of range.

    Notes
    -----
    In this order: what the settings say; samples of the site; peat (20 % organic matter and more): Roth's organic fit;
    humus-rich soil (over 10 %): Malicki with bulk density; heavy clay (over 40 %): the texture model within its range,
    else Malicki; saline pore water: the mixture, which needs no fit; a stated density that is not usual for mineral
    soil: Malicki; else Topp. The order is this project's own choice; each relation's source is in `RELATIONS`.

    Examples
    --------
    >>> choose_soil_model(Soil(texture="sandy loam"), frequency_mhz=400.0).name
    'topp'
    >>> peaty = choose_soil_model(Soil(texture="peat"), frequency_mhz=400.0)
    >>> peaty.name, peaty.others[0].why
    ('roth-organic', 'peat or humus: 60 % organic matter')
    """
    check_in_range(frequency_mhz, "frequency_mhz", 10.0, 5000.0)
    made = describe_soil(soil)
    name, reason = _preferred(soil, made, frequency_mhz)
    chosen = RELATIONS[name]
    outside = chosen.outside(made, frequency_mhz)
    warnings = list(made.warnings)
    if outside:
        warnings.append(f"{chosen.source}: out of its range here ({outside})")
    assumed = [made.stands(need) for need in chosen.needs if need in made.assumed]
    if assumed:
        warnings.append(f"{chosen.source} is used with {'; '.join(assumed)}")
    if "texture" in made.assumed:
        warnings.append("the soil's texture is not known: state [soil] texture, or sand and clay")
    others = tuple(
        _other(relation, name, made, frequency_mhz) for relation in RELATIONS.values() if relation.name != name
    )
    return SoilModel(name, chosen.source, reason, not outside, others, tuple(warnings), made, float(frequency_mhz))


@dataclass(frozen=True, slots=True)
class PermittivitySpread:
    """How far the relations that a soil is in the range of differ; arrays have the shape of the water content.

    Attributes
    ----------
    permittivity : middle of the families, each with one vote.
    sd_ln_v : standard deviation of ln v between families, and for a density that is only assumed: the relative error of
        velocity for want of the true relation.
    lowest, highest : over all relations that enter.
    names : of the relations that enter.
    stretched : fewer than two families are in their range, so that all have entered.
    """

    permittivity: Array
    sd_ln_v: Array
    lowest: Array
    highest: Array
    names: tuple[str, ...]
    stretched: bool

    def sd_ln_v_about(self, permittivity: npt.ArrayLike) -> Array:
        """Error of ln v of a model that gives `permittivity`: the spread, and its own distance from the middle."""
        off = 0.5 * np.log(np.asarray(permittivity, dtype=np.float64) / self.permittivity)
        return np.asarray(np.hypot(self.sd_ln_v, off))


def permittivity_spread(vwc: npt.ArrayLike, soil: Soil, *, frequency_mhz: float) -> PermittivitySpread:
    """Spread of permittivity over all relations whose range the soil and the frequency are in.

    Parameters
    ----------
    vwc : any shape, m³/m³, 0 to 0.6; NaN stays NaN.
    soil : from a visit's settings.
    frequency_mhz : 10 to 5000 MHz.

    Returns
    -------
    The spread. The scatter of single soils about one relation (0.013 m³/m³ for Topp's) is not in it.

    Raises
    ------
    InputError : a water content or frequency out of range.

    Notes
    -----
    ln ε is averaged within each family and then over the families, and sd(ln v) = ½ sd(ln ε) with one less than the
    number of families in its denominator: fits to one kind of data agree among themselves and would make the spread
    look small. Where fewer than two families are in range, all relations enter. Properties that are not known enter as
    assumed, so that an unknown texture does not leave the texture model out. A density that is not known moves velocity
    whichever relation is used: the families that know it are taken at ± 0.16 g/cm³, and half the difference of ln v is
    added in quadrature. Where there is more water than pores the mixture and the texture model get the pores that hold
    it. Samples of the site take the place of all that: their line enters alone, with its samples' scatter.

    Examples
    --------
    >>> spread = permittivity_spread(0.2, Soil(texture="loam"), frequency_mhz=400.0)
    >>> spread.lowest.round(1).item(), spread.highest.round(1).item(), spread.sd_ln_v.round(3).item()
    (9.1, 13.6, 0.081)
    """
    check_in_range(frequency_mhz, "frequency_mhz", 10.0, 5000.0)
    theta, made = checked_vwc(vwc), describe_soil(soil)
    if made.site_fit is not None and soil.model in (None, "site-fit"):
        return _spread_of_site(theta, soil, frequency_mhz, made.site_fit)
    usable = [each for each in RELATIONS.values() if each.family != "site" or made.site_fit is not None]
    entering = [each for each in usable if not each.outside(made, frequency_mhz)]
    stretched = len({each.family for each in entering}) < _FEWEST_FAMILIES
    if stretched:
        entering = usable
    logs: dict[str, list[Array]] = {}
    for each in entering:
        logs.setdefault(each.family, []).append(np.log(_at(each, theta, made, frequency_mhz)))
    families = np.stack([np.mean(members, axis=0) for members in logs.values()])
    every = np.stack([part for members in logs.values() for part in members])
    between = 0.5 * families.std(axis=0, ddof=1)
    return PermittivitySpread(
        permittivity=np.asarray(np.exp(families.mean(axis=0))),
        sd_ln_v=np.asarray(np.hypot(between, _density_part(entering, theta, made, frequency_mhz))),
        lowest=np.asarray(np.exp(every.min(axis=0))),
        highest=np.asarray(np.exp(every.max(axis=0))),
        names=tuple(each.name for each in entering),
        stretched=stretched,
    )


def _spread_of_site(theta: Array, soil: Soil, frequency_mhz: float, fit: SiteFit) -> PermittivitySpread:
    model = choose_soil_model(soil, frequency_mhz=frequency_mhz)
    eps = model.permittivity(theta)
    return PermittivitySpread(eps, np.abs(model.ln_velocity_slope(theta)) * fit.sd_vwc, eps, eps, ("site-fit",), False)


def _density_part(entering: list[SoilRelation], theta: Array, made: SoilProperties, frequency_mhz: float) -> Array:
    """Error of ln v that a density which is only assumed brings along."""
    knowing = [each for each in entering if "density" in each.needs]
    if "density" not in made.assumed or not knowing:
        return np.zeros_like(theta)
    apart = []
    for sign in (-1.0, 1.0):
        bulk = max(made.bulk_g_per_cm3 + sign * _DENSITY_SIGMA, 0.1)
        pores = 1.0 - (1.0 - made.porosity) * bulk / made.bulk_g_per_cm3
        moved = replace(made, bulk_g_per_cm3=bulk, porosity=min(max(pores, 0.05), 0.95))
        apart.append(np.mean([np.log(_at(each, theta, moved, frequency_mhz)) for each in knowing], axis=0))
    return np.asarray(0.25 * np.abs(apart[1] - apart[0]))


def _preferred(soil: Soil, made: SoilProperties, frequency_mhz: float) -> tuple[str, str]:
    """Name of the relation to take, and why."""
    if soil.model is not None:
        return soil.model, "chosen in the visit's settings"
    if made.site_fit is not None:
        return "site-fit", "samples of this site were fitted, and no general relation knows the site better"
    if made.organic >= PEATY:
        return "roth-organic", f"{made.stands('organic')}: relations for mineral soil read peat too dry"
    if made.organic > HUMIC:
        return "malicki", f"{made.stands('organic')}: bulk density carries the difference from mineral soil"
    if made.clay > HEAVY_CLAY:
        if not RELATIONS["texture"].outside(made, frequency_mhz):
            return "texture", f"heavy clay, {made.stands('texture')}: the texture model counts its bound water"
        return "malicki", f"heavy clay, {made.stands('texture')}, where Topp's relation does not hold"
    if made.water_ms_per_m > SALINE_MS_PER_M:
        return "mixing", f"{made.stands('water')}: relations by reflectometry were fitted to soils with little salt"
    low, high = _USUAL_G_PER_CM3
    if "density" not in made.assumed and not low <= made.bulk_g_per_cm3 <= high:
        return "malicki", f"{made.stands('density')}: looser or denser than the soils behind Topp's relation"
    return "topp", (
        f"mineral soil, {made.stands('texture')}, and nothing known of it speaks against Topp's relation; a probe that "
        "reads by it is undone exactly"
    )


def _other(relation: SoilRelation, chosen: str, made: SoilProperties, frequency_mhz: float) -> OtherRelation:
    outside = relation.outside(made, frequency_mhz)
    if outside:
        return OtherRelation(relation.name, False, outside)
    assumed = [made.stands(need) for need in relation.needs if need in made.assumed]
    if assumed:
        return OtherRelation(relation.name, True, f"in range, but it would rest on {'; '.join(assumed)}")
    return OtherRelation(
        relation.name, True, f"in range as well as {chosen}; it is counted in the spread of the models"
    )


def _at(relation: SoilRelation, theta: Array, made: SoilProperties, frequency_mhz: float) -> Array:
    return np.asarray(relation.permittivity(theta, made, frequency_mhz), dtype=np.float64)
