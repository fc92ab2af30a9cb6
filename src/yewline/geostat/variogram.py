"""Variograms: how unlike readings become with distance, and a model fitted to it. GSTools counts and fits."""

from __future__ import annotations

from dataclasses import dataclass
from types import ModuleType
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_choice, check_positive
from yewline.errors import InputError
from yewline.geostat.covariance import FAMILIES, VariogramModel, length_scale, practical_range

__all__ = ["EmpiricalVariogram", "empirical_variogram", "fit_variogram"]

Array = npt.NDArray[np.float64]

_PAIRS_A_BIN: Final = 10
_FEWEST_BINS: Final = 4


@dataclass(frozen=True, slots=True)
class EmpiricalVariogram:
    """Half the mean squared difference of pairs, by distance.

    Attributes
    ----------
    distance_m : (bins,) mean distance of each bin's pairs.
    gamma : (bins,) semivariance.
    pairs : (bins,) number of pairs. Bins without pairs are left out.
    """

    distance_m: Array
    gamma: Array
    pairs: npt.NDArray[np.int64]

    def __post_init__(self) -> None:
        if not len(self.distance_m) == len(self.gamma) == len(self.pairs):
            raise InputError("a variogram's distances, values and pairs must be equally many")
        if len(self.pairs) and not (np.min(self.distance_m) > 0 and np.min(self.pairs) > 0):
            raise InputError("a variogram's distances and numbers of pairs must be greater than zero")


def empirical_variogram(
    xy: npt.ArrayLike, values: npt.ArrayLike, *, longest_m: float | None = None, bins: int | None = None
) -> EmpiricalVariogram:
    """The empirical variogram of scattered readings, the same in all directions.

    Parameters
    ----------
    xy : (R, 2) places, m.
    values : (R,) readings.
    longest_m : longest distance of a pair that counts; by default half the greatest, beyond which pairs are few and
        one-sided (common practice: Journel & Huijbregts 1978, Mining Geostatistics).
    bins : number of equal steps; by default one for every ten pairs, between 4 and 15.

    Returns
    -------
    Bins that hold pairs. Pairs of readings at one and the same place are left out: they have no distance.

    Notes
    -----
    Matheron's estimator γ(h) = Σ (zᵢ − zⱼ)² / 2N(h).

    References
    ----------
    Matheron 1963, Economic Geology 58:1246-1266; computed by GSTools (Müller et al. 2022, Geosci. Model Dev. 15:3161).

    Examples
    --------
    >>> v = empirical_variogram([[0, 0], [1, 0], [2, 0], [3, 0]], [1.0, 2.0, 1.0, 2.0], longest_m=3.5, bins=3)
    >>> v.distance_m.tolist(), v.gamma.tolist(), v.pairs.tolist()
    ([1.0, 2.0, 3.0], [0.5, 0.0, 0.5], [3, 2, 1])
    """
    places = check_array(xy, "xy", ndim=2)
    z = check_array(values, "values", ndim=1)
    if places.shape != (len(z), 2):
        raise InputError("there must be one place (x, y) for each value", received=f"{places.shape} for {len(z)}")
    if len(z) < 2:
        raise InputError("a variogram needs at least two readings", received=len(z))
    first, second = np.triu_indices(len(z), k=1)
    distance = np.hypot(*(places[first] - places[second]).T)
    reach = 0.5 * float(distance.max()) if longest_m is None else check_positive(longest_m, "longest_m")
    if reach <= 0:
        raise InputError("all readings lie at one place", do="a variogram needs readings at different places")
    counted = int(np.count_nonzero((distance > 0) & (distance < reach)))
    steps = int(np.clip(counted // _PAIRS_A_BIN, _FEWEST_BINS, 15)) if bins is None else int(bins)
    if steps < 1:
        raise InputError("bins must be at least 1", received=bins)
    edges = np.linspace(0.0, reach, steps + 1)
    edges[0] = np.nextafter(0.0, 1.0)
    _, gamma, pairs = _gstools().vario_estimate(tuple(places.T), z, edges, return_counts=True)
    index = np.digitize(distance, edges) - 1
    inside = (index >= 0) & (index < steps)
    total = np.bincount(index[inside], weights=distance[inside], minlength=steps)
    count = np.asarray(pairs, dtype=np.int64)
    held = count > 0
    return EmpiricalVariogram(total[held] / count[held], np.asarray(gamma, dtype=np.float64)[held], count[held])


def fit_variogram(
    variogram: EmpiricalVariogram,
    *,
    family: str = "exponential",
    longest_range_m: float | None = None,
) -> VariogramModel:
    """The model of one family that fits an empirical variogram best.

    Parameters
    ----------
    variogram : at least four bins.
    family : "exponential", "gaussian" or "spherical".
    longest_range_m : bound of the practical range; by default four times the longest distance. A variogram that still
        rises at its end does not fix a range, and the fit then stops at the bound.

    Returns
    -------
    Nugget, partial sill and practical range, the same in all directions.

    Raises
    ------
    InputError : fewer than four bins, no variance at all, or no fit that comes to an end.

    Notes
    -----
    Minimises Σ N/h² (γ(h) − model)², which trusts bins with many pairs and short distances. The problem is brought to
    units of its own longest distance and mean semivariance first, and solved from several starting ranges, because the
    fit of a range has more than one minimum.

    References
    ----------
    Weights N/h²: Pebesma 2004, Computers & Geosciences 30:683-691. Fitted by GSTools (Müller et al. 2022).

    Examples
    --------
    >>> import numpy as np
    >>> truth = VariogramModel("spherical", partial_sill=2.0, range_m=6.0, nugget=0.5)
    >>> h = np.arange(1.0, 10.0)
    >>> fitted = fit_variogram(EmpiricalVariogram(h, truth.gamma(h), np.full(9, 30)), family="spherical")
    >>> round(fitted.nugget, 4), round(fitted.partial_sill, 4), round(fitted.range_m, 4)
    (0.5, 2.0, 6.0)
    """
    check_choice(family, "family", FAMILIES)
    if len(variogram.pairs) < _FEWEST_BINS:
        raise InputError(
            f"fitting a variogram needs at least {_FEWEST_BINS} bins with pairs", received=len(variogram.pairs)
        )
    unit_h, unit_g = float(variogram.distance_m.max()), float(variogram.gamma.mean())
    if unit_g <= 0:
        raise InputError("the readings do not differ: there is no variogram to fit")
    longest = 4.0 * unit_h if longest_range_m is None else check_positive(longest_range_m, "longest_range_m")
    shortest = float(variogram.distance_m.min()) / 4.0
    bounds = (min(shortest, longest / 2.0) / unit_h, longest / unit_h)
    h, gamma = variogram.distance_m / unit_h, variogram.gamma / unit_g
    weight = np.sqrt(variogram.pairs) / h
    best: Any = None
    for start in (0.3, 1.0, 2.0):
        model = _fit_once(h, gamma, weight, family=family, bounds=bounds, start=start)
        if model is None:
            continue
        misfit = float(np.sum((weight * (model.variogram(h) - gamma)) ** 2))
        if best is None or misfit < best[0] * (1.0 - 1e-9):
            best = (misfit, model)
    if best is None:
        raise InputError("no variogram fits these readings", do="check them, or declare a velocity for the visit")
    return VariogramModel(
        family,
        partial_sill=float(best[1].var) * unit_g,
        range_m=practical_range(float(best[1].len_scale), family, "gstools") * unit_h,
        nugget=float(best[1].nugget) * unit_g,
    )


def _fit_once(h: Array, gamma: Array, weight: Array, *, family: str, bounds: tuple[float, float], start: float) -> Any:
    gstools = _gstools()
    low, high = (length_scale(bound, family, "gstools") for bound in bounds)
    kind = {"exponential": gstools.Exponential, "gaussian": gstools.Gaussian, "spherical": gstools.Spherical}[family]
    scale = float(np.clip(length_scale(start, family, "gstools"), 1.01 * low, 0.99 * high))
    # Tight stops, so that the fit is the minimum and not a place near it; along a flat valley it may never get there.
    for stop, most in ((1e-12, 2_000), (1e-7, 20_000)):
        model = kind(dim=2, var=0.7, nugget=0.3, len_scale=scale)
        model.set_arg_bounds(len_scale=[low, high], nugget=[0.0, 50.0], var=[0.0, 500.0])
        try:
            model.fit_variogram(
                h,
                gamma,
                weights=weight,
                loss="linear",
                init_guess="current",
                max_eval=most,
                curve_fit_kwargs={"ftol": stop, "xtol": stop, "gtol": stop},
            )
        except RuntimeError:
            continue
        return model
    return None


def _gstools() -> ModuleType:
    # Loading GSTools costs about half a second, and only the fit of a variogram needs it: fields and kriging do not.
    import gstools  # noqa: PLC0415

    return gstools
