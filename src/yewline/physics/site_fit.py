"""A line in √ε that is fitted to samples of one site, after Herkelrath: no general relation knows the site better."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_finite, check_positive
from yewline.errors import InputError
from yewline.physics.ranges import numbers_within

__all__ = ["SiteFit", "fit_site_relation", "site_moisture", "site_permittivity"]

Array = npt.NDArray[np.float64]

_EPS: Final = (1.0, 81.0)
_VWC: Final = (0.0, 0.9)


@dataclass(frozen=True, slots=True)
class SiteFit:
    """A line in √ε that was fitted to samples of one site: θ = intercept + slope √ε.

    Attributes
    ----------
    intercept_vwc, slope_vwc : a and b, m³/m³; the slope is greater than zero.
    sd_vwc : standard deviation of the samples about the line, m³/m³; NaN where it is not known.
    """

    intercept_vwc: float
    slope_vwc: float
    sd_vwc: float = float("nan")

    def __post_init__(self) -> None:
        check_finite(self.intercept_vwc, "intercept_vwc")
        check_positive(self.slope_vwc, "slope_vwc")


def fit_site_relation(permittivity: npt.ArrayLike, vwc: npt.ArrayLike) -> SiteFit:
    """Fit the line in √ε to samples whose permittivity and water content were both measured.

    Parameters
    ----------
    permittivity : (R,) relative permittivity of R ≥ 3 samples.
    vwc : (R,) their water content, m³/m³, from drying in an oven for instance.

    Raises
    ------
    InputError : fewer than 3 samples, different lengths, all of one permittivity, or a line that falls with wetness.

    Notes
    -----
    Least squares of θ on √ε; R − 2 in the denominator of `sd_vwc`.

    References
    ----------
    Herkelrath, Hamburg & Murphy 1991, Water Resour. Res. 27:857-864: a and b are of the site, there is no general pair.

    Examples
    --------
    >>> fit = fit_site_relation([4.0, 9.0, 16.0], [0.05, 0.17, 0.29])
    >>> round(fit.intercept_vwc, 6), round(fit.slope_vwc, 6)
    (-0.19, 0.12)
    """
    root = np.sqrt(numbers_within(permittivity, "permittivity", *_EPS)).ravel()
    theta = numbers_within(vwc, "vwc", *_VWC).ravel()
    if len(root) != len(theta) or len(root) < 3 or not (np.isfinite(root) & np.isfinite(theta)).all():
        raise InputError(
            "a fit needs 3 samples or more, each with both values", received=f"{len(root)} and {len(theta)} values"
        )
    about = root - root.mean()
    if np.ptp(root) < 1e-3:
        raise InputError(
            "all samples have one permittivity", received=f"{root[0] ** 2:g}", do="add a drier or wetter one"
        )
    slope = float(about @ theta / (about @ about))
    if slope <= 0.0:
        raise InputError(
            "in these samples permittivity does not rise with water", received=f"slope {slope:g}", do="check the pairs"
        )
    intercept = float(theta.mean() - slope * root.mean())
    left = theta - intercept - slope * root
    return SiteFit(intercept, slope, float(np.sqrt(left @ left / (len(root) - 2))))


def site_moisture(permittivity: npt.ArrayLike, fit: SiteFit) -> Array:
    """Water content by a site's own line in √ε.

    Parameters
    ----------
    permittivity : any shape, 1 to 81; NaN stays NaN.
    fit : of `fit_site_relation`, or from a laboratory's sheet.

    References
    ----------
    Herkelrath, Hamburg & Murphy 1991, Water Resour. Res. 27:857-864.

    Examples
    --------
    >>> float(site_moisture(9.0, SiteFit(-0.19, 0.12)).round(6))
    0.17
    """
    return fit.intercept_vwc + fit.slope_vwc * np.sqrt(numbers_within(permittivity, "permittivity", *_EPS))


def site_permittivity(vwc: npt.ArrayLike, fit: SiteFit) -> Array:
    """Permittivity at which `site_moisture` gives `vwc` (any shape, 0 to 0.9 m³/m³; NaN stays NaN).

    Where the line would fall below vacuum it is held at 1.

    Examples
    --------
    >>> float(site_permittivity(0.17, SiteFit(-0.19, 0.12)).round(6))
    9.0
    """
    root = (numbers_within(vwc, "vwc", *_VWC) - fit.intercept_vwc) / fit.slope_vwc
    return np.asarray(np.maximum(root, 1.0) ** 2)
