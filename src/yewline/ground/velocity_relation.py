"""From water content to velocity: the relation that a soil is given, with how far it may lead astray."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline.ground.soil_model import SoilModel, choose_soil_model, permittivity_spread
from yewline.model import Soil
from yewline.physics import TOPP_STANDARD_ERROR_VWC

__all__ = ["TOPP", "VelocityRelation", "relation_of_soil"]

Array = npt.NDArray[np.float64]

_STEP: Final = 1e-4
_WATER: Final = np.linspace(0.0, 0.6 - _STEP, 2_001)
_TOPP_MHZ: Final = 200.0


@dataclass(frozen=True, slots=True)
class VelocityRelation:
    """From water content to velocity, by one relation of the soil.

    Attributes
    ----------
    name : of the relation, for reports.
    velocity : water content, m³/m³, any shape, to velocity, m/ns.
    relative_sigma : water content to the relative standard deviation of velocity that the relation itself leaves.
    """

    name: str
    velocity: Callable[[npt.ArrayLike], Array]
    relative_sigma: Callable[[npt.ArrayLike], Array]

    def slope(self, vwc: npt.ArrayLike) -> Array:
        """d ln v / dθ, per m³/m³ (negative); one-sided where there is no water."""
        theta = np.asarray(vwc, dtype=np.float64)
        low, high = np.maximum(theta - _STEP, 0.0), theta + _STEP
        return np.asarray(np.log(self.velocity(high) / self.velocity(low)) / (high - low))

    def moisture(self, v_m_per_ns: float, sigma_m_per_ns: float) -> tuple[float, float]:
        """Water content that a velocity means, and its standard deviation, m³/m³.

        A velocity faster than dry soil's gives 0, one slower than soil with 0.6 m³/m³ gives that.
        """
        velocity = self.velocity(_WATER)
        vwc = float(np.interp(v_m_per_ns, velocity[::-1], _WATER[::-1]))
        relative = math.hypot(sigma_m_per_ns / v_m_per_ns, float(self.relative_sigma(vwc)))
        return vwc, relative / abs(float(self.slope(vwc)))


def relation_of_soil(soil: Soil, *, frequency_mhz: float) -> VelocityRelation:
    """The relation that a soil is given, as the fusion of velocities takes it.

    Parameters
    ----------
    soil : as far as it is known.
    frequency_mhz : centre frequency of the antenna.

    Notes
    -----
    Two errors add up: how far the relations whose range of use holds the soil lie from the one chosen
    (`permittivity_spread`), and the scatter of soils about one relation, for which Topp's standard error of 0.013 m³/m³
    stands. Samples of the site itself replace both by their own scatter.

    Examples
    --------
    >>> relation = relation_of_soil(Soil(texture="sandy loam"), frequency_mhz=200.0)
    >>> round(float(relation.velocity(0.2)), 4), round(float(relation.relative_sigma(0.2)), 3)
    (0.0943, 0.062)
    """
    return _relation_of(choose_soil_model(soil, frequency_mhz=frequency_mhz), soil, frequency_mhz)


def _relation_of(model: SoilModel, soil: Soil, frequency_mhz: float) -> VelocityRelation:
    scatter = 0.0 if model.name == "site-fit" else TOPP_STANDARD_ERROR_VWC

    def relative_sigma(vwc: npt.ArrayLike) -> Array:
        spread = permittivity_spread(vwc, soil, frequency_mhz=frequency_mhz)
        about = spread.sd_ln_v_about(model.permittivity(vwc))
        return np.asarray(np.hypot(about, model.ln_velocity_slope(vwc) * scatter))

    # Authors and year; what follows belongs to a list of sources.
    named = re.match(r".*?\b(?:18|19|20)\d\d", model.source)
    return VelocityRelation(named[0] if named else model.source, model.velocity_m_per_ns, relative_sigma)


TOPP: Final = relation_of_soil(Soil(model="topp"), frequency_mhz=_TOPP_MHZ)
"""Topp's relation in a mineral soil of which nothing else is known."""
