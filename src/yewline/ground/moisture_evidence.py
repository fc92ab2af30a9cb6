"""What moisture readings say of velocity: a value at each, and the errors that all of them share."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import pandas as pd

from yewline._check import check_array, check_positive
from yewline.geostat import VariogramModel
from yewline.ground.evidence import VelocityEvidence
from yewline.ground.fusion import GroundPrior
from yewline.ground.velocity_relation import VelocityRelation

__all__ = ["PROFILE_SIGMA_VWC", "ground_prior", "moisture_evidence", "profile_sigma_vwc"]

PROFILE_SIGMA_VWC: Final = 0.015
"""Standard deviation, m³/m³, by which mean moisture to a depth e times (2.7 times) that of the probe differs from the
probe's. Own choice, no source: soil dries and wets from above; a few hundredths over a metre are usual."""

_UNKNOWN: Final = VariogramModel("exponential", partial_sill=0.03**2, range_m=10.0)
"""Of moisture, where readings do not tell: 0.03 m³/m³ over 10 m (own choice, no source)."""


def moisture_evidence(
    readings: pd.DataFrame,
    *,
    relation: VelocityRelation,
    own_sigma_vwc: float,
    common_sigma_vwc: float,
    support_depth_m: float,
    nugget: float = 0.0,
) -> list[VelocityEvidence]:
    """Velocity at each moisture reading.

    Parameters
    ----------
    readings : a table as `model.make_readings` gives it.
    relation : of water content and velocity.
    own_sigma_vwc, common_sigma_vwc : standard deviations of one reading, m³/m³: its own part, and the part that all
        have in common (see `split_reading_error`).
    support_depth_m : depth down to which a reading at the surface holds, m.
    nugget : variance of moisture within steps finer than the readings' distance, (m³/m³)²: ground that a wave averages.

    Returns
    -------
    One piece of evidence for readings from the surface, and one for those taken at a depth of their own: buried deeper
    than the support.

    Notes
    -----
    An error σ of moisture is |d ln v/dθ| σ of ln v. Errors of calibration and of the relation are shared by all
    readings, whatever their number: they have the same names in both pieces. The slope is taken at the mean of the
    readings and not at each: were drier readings to count for less than wetter ones because the slope is steeper there,
    or to carry more of the shared error, the mean would be drawn away from all of them.

    References
    ----------
    D'Agostini 1994, Nucl. Instrum. Methods A 346:306–311 (the bias of means with shared relative errors; from memory).

    Examples
    --------
    >>> from yewline.ground import TOPP
    >>> from yewline.model import make_readings
    >>> table = make_readings(x=[0.0, 4.0], y=[0.0, 0.0], vwc=[0.20, 0.30], depth_m=[np.nan, 0.6])
    >>> shallow, deep = moisture_evidence(table, relation=TOPP, own_sigma_vwc=0.02, common_sigma_vwc=0.02,
    ...                                   support_depth_m=0.12)
    >>> shallow.v_m_per_ns.round(4).tolist(), deep.base_m.tolist(), deep.at_depth
    ([0.0943], [0.6], True)
    """
    check_positive(support_depth_m, "support_depth_m")
    deep = readings["depth_m"].to_numpy(float)
    below = np.isfinite(deep) & (deep > support_depth_m)
    mean = float(check_array(readings["vwc"].to_numpy(float), "vwc", ndim=1).mean())
    found = []
    for source, part, at_depth in (("moisture", ~below, False), ("moisture at depth", below, True)):
        if not part.any():
            continue
        theta = readings["vwc"].to_numpy(float)[part]
        slope = abs(float(relation.slope(mean)))
        found.append(
            VelocityEvidence(
                source,
                readings["x"].to_numpy(float)[part],
                readings["y"].to_numpy(float)[part],
                deep[part] if at_depth else np.full(len(theta), float(support_depth_m)),
                relation.velocity(theta),
                np.full(len(theta), slope * math.sqrt(own_sigma_vwc**2 + nugget)),
                (("calibration", slope * common_sigma_vwc), ("soil relation", float(relation.relative_sigma(mean)))),
                at_depth=at_depth,
            )
        )
    return found


def profile_sigma_vwc(*, support_depth_m: float, target_depth_m: float) -> float:
    """What a shallow probe does not know about the ground down to the target, m³/m³ (one standard deviation).

    Parameters
    ----------
    support_depth_m : the probe stands for 0 to this depth, m.
    target_depth_m : the wave travels from 0 to this depth, m.

    Notes
    -----
    `PROFILE_SIGMA_VWC` · ln(target / support), and zero where the probe reaches the target.

    Examples
    --------
    >>> round(profile_sigma_vwc(support_depth_m=0.12, target_depth_m=1.0), 4)
    0.0318
    >>> profile_sigma_vwc(support_depth_m=1.0, target_depth_m=0.8)
    0.0
    """
    ratio = check_positive(target_depth_m, "target_depth_m") / check_positive(support_depth_m, "support_depth_m")
    return PROFILE_SIGMA_VWC * max(0.0, math.log(ratio))


def ground_prior(vwc: float, *, relation: VelocityRelation, lateral: VariogramModel | None = None) -> GroundPrior:
    """How velocity may vary, from how moisture does.

    Parameters
    ----------
    vwc : mean water content, m³/m³, at which the variogram is turned into that of ln v.
    relation : of water content and velocity.
    lateral : variogram of moisture from place to place; by default 0.03 m³/m³ over 10 m (own choice, no source).

    Examples
    --------
    >>> from yewline.ground import TOPP
    >>> prior = ground_prior(0.2, relation=TOPP)
    >>> round(prior.profile_sigma, 4), round(prior.lateral.sill ** 0.5, 4)
    (0.0434, 0.0867)
    """
    slope = abs(float(relation.slope(vwc)))
    model = lateral or _UNKNOWN
    return GroundPrior(
        VariogramModel(
            model.family,
            partial_sill=slope**2 * model.partial_sill,
            range_m=model.range_m,
            nugget=slope**2 * model.nugget,
            ratio=model.ratio,
            azimuth_deg=model.azimuth_deg,
        ),
        profile_sigma=slope * PROFILE_SIGMA_VWC,
    )
