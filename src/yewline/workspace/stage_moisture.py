"""Moisture of each visit: level and variability, kept apart, with intervals; and the visits against each other."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final

import numpy as np
import pandas as pd
import xarray as xr

from yewline.errors import InputError
from yewline.geostat import (
    EmpiricalVariogram,
    FieldDraws,
    MoransI,
    ParameterInterval,
    PatchArrangement,
    PatchSummary,
    VariogramModel,
    describe_patches,
    empirical_variogram,
    morans_i,
    neighbour_weights,
    patch_arrangement,
    surrogate_maps,
)
from yewline.ground import (
    ComparisonChoices,
    MoistureComparison,
    MoistureLevel,
    MoisturePosterior,
    MoistureVariability,
    ScaleVariance,
    TemporalStability,
    TwoScales,
    common_places,
    compare_moisture,
    describe_soil,
    moisture_level,
    moisture_variability,
    temporal_stability,
    two_scales,
    variability_given_level,
)
from yewline.workspace.site import Visit

__all__ = [
    "MoistureAgainst",
    "MoistureFigures",
    "MoistureOverVisits",
    "ScaleVariance",
    "given_level",
    "moisture_figures",
    "moisture_over_visits",
]

WETTER_PERCENTILE: Final = 75.0
"""Patches are the ground wetter than three quarters of the map (own choice, no source)."""
SURROGATES: Final = 99
NEIGHBOURS: Final = 8
_EVEN_VWC: Final = 1e-6
"""A smaller deviation is rounding: the readings are equal."""
_COARSE: Final = 30
"""Cells along the longer side of the map on which patches are counted."""


@dataclass(frozen=True)
class MoistureFigures:
    """What is said of one visit's moisture.

    Attributes
    ----------
    level, variability : kept apart, with 90 % intervals.
    scales : variability between readings near one another and far apart.
    bins : the empirical variogram; None with fewer than eight readings.
    model : the most likely variogram; None likewise.
    range_m, nugget_share : with their intervals; None likewise.
    moran : whether near readings are alike; None likewise.
    patches, arrangement : of the map's wetter quarter; None without a map.
    share_of_most : deviation over the largest that such a mean allows between dry soil and full pores; NaN unknown.
    for_its_level : deviation over what a curve through three visits or more gives at that level; NaN with fewer.
    """

    level: MoistureLevel
    variability: MoistureVariability
    scales: TwoScales
    bins: EmpiricalVariogram | None
    model: VariogramModel | None
    range_m: ParameterInterval | None
    nugget_share: ParameterInterval | None
    moran: MoransI | None
    patches: PatchSummary | None
    arrangement: PatchArrangement | None
    share_of_most: float = math.nan
    for_its_level: float = math.nan


@dataclass(frozen=True)
class MoistureAgainst:
    """A later visit's moisture against that of an earlier one."""

    earlier: str
    later: str
    found: MoistureComparison


@dataclass(frozen=True)
class MoistureOverVisits:
    """All visits' moisture together: each pair compared, and places that speak for the whole; None where too few."""

    pairs: tuple[MoistureAgainst, ...]
    places: pd.DataFrame | None
    """Places read on every visit: x, y [m], mean relative difference and its sd, index, the best first."""
    stability: TemporalStability | None


def moisture_figures(
    readings: pd.DataFrame, mapped: xr.Dataset | None, made: MoisturePosterior, *, sigma_vwc: float, seed: int
) -> MoistureFigures:
    """Level, variability and pattern of one visit's moisture.

    Parameters
    ----------
    readings : of one depth.
    mapped : their map, or None.
    made : the variogram that they allow.
    sigma_vwc : standard deviation of one reading, m³/m³.
    seed : of permutations and surrogate maps.
    """
    models = made.models
    posterior, sample = made.posterior, made.sample
    bins = moran = None
    if posterior is not None:
        bins = empirical_variogram(sample.xy, sample.vwc)
        weights = neighbour_weights(sample.xy, nearest=min(NEIGHBOURS, len(sample.xy) - 1))
        moran = morans_i(sample.vwc, weights, seed=seed)
    patches, arrangement = _patches(mapped, made, seed)
    return MoistureFigures(
        level=moisture_level(readings, sigma_vwc=sigma_vwc, models=models),
        variability=moisture_variability(readings, sigma_vwc=sigma_vwc, models=models),
        scales=two_scales(readings, sigma_vwc=sigma_vwc, models=models),
        bins=bins,
        model=None if posterior is None else posterior.most_likely,
        range_m=None if posterior is None else posterior.range_m.interval(),
        nugget_share=None if posterior is None else posterior.nugget_share.interval(),
        moran=moran,
        patches=patches,
        arrangement=arrangement,
    )


def _patches(
    mapped: xr.Dataset | None, made: MoisturePosterior, seed: int
) -> tuple[PatchSummary | None, PatchArrangement | None]:
    if mapped is None or made.posterior is None:
        return None, None
    # Patches are metres wide: a coarser grid counts the same ones, and a hundred surrogates of it are quick.
    step = max(1, max(mapped.sizes["x"], mapped.sizes["y"]) // _COARSE)
    coarse = mapped.isel(x=slice(None, None, step), y=slice(None, None, step))
    field, x, y = coarse["vwc"].values, coarse["x"].values, coarse["y"].values
    if len(x) < 3 or len(y) < 3 or not np.isfinite(field).any() or np.nanmax(field) - np.nanmin(field) < 1e-9:
        return None, None
    patches = describe_patches(field, (float(y[1] - y[0]), float(x[1] - x[0])), percentile=WETTER_PERCENTILE)
    sample = made.sample
    try:
        surrogates = surrogate_maps(
            sample.xy,
            x,
            y,
            model=made.posterior.most_likely,
            error_sd=sample.own_error_sd,
            draws=FieldDraws(SURROGATES, seed),
        )
        return patches, patch_arrangement(field, surrogates, percentile=WETTER_PERCENTILE)
    except InputError:
        # A torus too large for the range, say: the patches are described all the same.
        return patches, None


def given_level(held: Mapping[str, MoistureFigures], visits: Mapping[str, Visit]) -> dict[str, MoistureFigures]:
    """The same figures with how variable each visit is for its level.

    Parameters
    ----------
    held : of the visits with readings.
    visits : settings of the same: pores of the soil as stated, or as assumed for it.
    """
    if not held:
        return {}
    porosity = float(np.mean([describe_soil(visits[name].settings.soil).porosity for name in held]))
    usable = {
        name: figures
        for name, figures in held.items()
        if 0.0 < figures.level.mean.value < porosity and figures.variability.sd.value > _EVEN_VWC
    }
    if not usable:
        return dict(held)
    mean, sd = (
        [getattr(getattr(figures, part), name).value for figures in usable.values()]
        for part, name in (("level", "mean"), ("variability", "sd"))
    )
    found = variability_given_level(mean, sd, porosity=porosity)
    told = {
        name: replace(figures, share_of_most=float(most), for_its_level=float(relative))
        for (name, figures), most, relative in zip(usable.items(), found.bounded, found.relative, strict=True)
    }
    return {**held, **told}


def moisture_over_visits(tables: Mapping[str, pd.DataFrame], visits: Mapping[str, Visit]) -> MoistureOverVisits:
    """Every pair of visits compared in level and variability, and the places that stay near the mean.

    Parameters
    ----------
    tables : readings of each visit, in the order of the visits.
    visits : settings of the same.
    """
    names = list(tables)
    pairs = []
    for earlier, later in combinations(names, 2):
        how = [visits[name].settings.readings for name in (earlier, later)]
        choices = ComparisonChoices(same_probe=how[0].sensor == how[1].sensor)
        sigma = max(each.sigma_vwc for each in how)
        pairs.append(
            MoistureAgainst(
                earlier, later, compare_moisture(tables[earlier], tables[later], sigma_vwc=sigma, choices=choices)
            )
        )
    places, stability = _stability(list(tables.values()))
    return MoistureOverVisits(tuple(pairs), places, stability)


def _stability(tables: list[pd.DataFrame]) -> tuple[pd.DataFrame | None, TemporalStability | None]:
    if len(tables) < 2:
        return None, None
    xy, vwc = common_places(tables)
    if np.isfinite(vwc).all(axis=1).sum() < 2 or not (np.nanmean(vwc, axis=0) > 0).all():
        return None, None
    found = temporal_stability(xy, vwc)
    order = found.ranking
    table = pd.DataFrame(
        {
            "x": xy[order, 0],
            "y": xy[order, 1],
            "mean_relative_difference": found.mean_relative_difference[order],
            "sd_relative_difference": found.sd_relative_difference[order],
            "index": found.index[order],
        }
    )
    return table, found
