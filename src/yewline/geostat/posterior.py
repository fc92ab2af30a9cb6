"""The variogram with its uncertainty: every model that readings allow, each with its weight."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from yewline._check import check_choice, check_positive
from yewline.errors import InputError
from yewline.geostat.covariance import FAMILIES, VariogramModel, correlation
from yewline.geostat.likelihood import Readings, Spectrum, check_readings, log_likelihood
from yewline.geostat.marginal import Marginal

__all__ = ["VariogramPosterior", "variogram_posterior"]

Array = npt.NDArray[np.float64]

_RANGES: Final = 32
_SHARES: Final = expit(np.arange(-16.5, 4.25, 0.5))
"""Nugget shares from 1e-7 to 0.98, dense at both ends, where a smooth field tells them apart."""
_NEGLIGIBLE: Final = 1e-4
_SILLS: Final = np.arange(-10, 9)
"""Sills of each range and share, in steps of their spread about the likely one."""
_WIDEST_STEP: Final = 0.5
_SILL_STEPS: Final = 400
# Atoms that carry the exact likelihood where errors differ between readings.
_ATOMS: Final = 400


@dataclass(frozen=True, slots=True)
class VariogramPosterior:
    """The variogram models that readings allow.

    Attributes
    ----------
    models : nodes; together with `weights` they stand for the whole posterior in sums over it.
    weights : (nodes,) sum to one.
    most_likely : model of greatest restricted likelihood among those looked at.
    range_m : practical range, m.
    nugget_share : share of the nugget in the sill; a share below 1e-7 counts as none.
    sill : nugget and partial sill together, the readings' own errors apart.
    repeats : number of readings at a place that an earlier one has. What they differ by beyond their own errors counts
        as nugget, so without errors they fix it.
    on_one_line : whether all readings lie on one straight line. The variogram is then that along this line; nothing
        tells whether other directions are like it.
    """

    models: tuple[VariogramModel, ...]
    weights: Array
    most_likely: VariogramModel
    range_m: Marginal
    nugget_share: Marginal
    sill: Marginal
    repeats: int
    on_one_line: bool


def variogram_posterior(
    xy: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    family: str = "exponential",
    error_sd: float | npt.ArrayLike = 0.0,
    longest_range_m: float | None = None,
    nodes: int = 40,
) -> VariogramPosterior:
    """All variogram models of one family that scattered readings allow, by their likelihood.

    A fitted variogram counts as known; this one does not, so intervals that are made with it keep their promise.

    Parameters
    ----------
    xy : (R, 2) places, m; at least eight readings.
    values : (R,) readings.
    family : "exponential", "gaussian" or "spherical"; it is not inferred.
    error_sd : standard deviation of the readings' own independent errors, which is no part of the nugget; one number,
        or (R,).
    longest_range_m : upper bound of the practical range; by default four times the greatest distance.
    nodes : greatest number of models that stand for the posterior when a field is estimated, at least 4.

    Returns
    -------
    Models with weights, and the posterior of range, nugget share and sill.

    Raises
    ------
    InputError : fewer than eight readings, all equal or all at one place, or shapes that do not fit.

    Notes
    -----
    The readings are Gaussian; their mean has a flat prior and is integrated out. The range a has the prior 1/a between
    half the distance between neighbours (the nearest tenth) and the upper bound, the nugget share s has
    1/√(s(1 − s)), the sill σ² has 1/(σ² + ē²), ē² the mean variance of the errors without those more than three times
    the median one: log-uniform without errors, and proper towards zero with them. This prior was chosen by the coverage
    of its intervals; the one of Jeffreys' rule, which follows from the likelihood's own information, left short ranges
    out too often (docs/studies.md).

    For each of 32 ranges, brought closer together where the likelihood is narrow, one diagonalisation of the contrasts'
    correlation gives the likelihood for every share and sill. Where errors differ between readings, ē² gives a widened
    proposal, and 400 atoms of it are weighted by their exact likelihood. The nodes are a Hammersley set carried through
    the posterior's conditional distributions (or an even choice among the atoms), so each has the same weight; equal
    ones are joined.

    References
    ----------
    Handcock & Stein 1993, Technometrics 35:403-410; Diggle & Ribeiro 2002, Geographical and Environmental Modelling
    6:129-146; Berger, De Oliveira & Sansó 2001, Journal of the American Statistical Association 96:1361-1374 (priors);
    Kitanidis 1986, Water Resources Research 22:499-507.

    Examples
    --------
    >>> from yewline.geostat import gaussian_field
    >>> field = gaussian_field((20, 20), 1.0, ranges_m=8.0, sd=0.03, seed=4)
    >>> rows, columns = np.indices(field.shape)[:, ::3, ::2].reshape(2, -1)
    >>> posterior = variogram_posterior(np.column_stack([columns, rows]), field[rows, columns], error_sd=0.01)
    >>> range_m = posterior.range_m.interval(0.9)
    >>> range_m.low < 8.0 < range_m.high, range_m.bounded_below, len(posterior.models) <= 40
    (True, True, True)
    """
    check_choice(family, "family", FAMILIES)
    readings = check_readings(xy, values, error_sd)
    longest = None if longest_range_m is None else check_positive(longest_range_m, "longest_range_m")
    bounds = readings.range_bounds(longest)
    if nodes < 4:
        raise InputError("nodes must be at least 4", received=nodes)
    # One that is far less sure than most would give all of them a wrong common error.
    grid = _grid(readings.sound, family, bounds)
    if np.ptp(readings.error_variance) == 0:
        atoms, chosen = grid.atoms(), grid.spread(nodes)
    else:
        atoms = _reweighted(readings, family, grid)
        chosen = atoms.spread(nodes)
    index, count = np.unique(chosen, return_counts=True)
    # Ranges beyond a grid that was brought closer have a negligible weight.
    below, above = grid.drop(0)
    of_range = (below if grid.ends[0] == bounds[0] else math.inf, above if grid.ends[1] == bounds[1] else math.inf)
    return VariogramPosterior(
        models=tuple(atoms.model(family, i) for i in index),
        weights=count / count.sum(),
        most_likely=atoms.model(family, int(atoms.log_likelihood.argmax())),
        range_m=_marginal(atoms.range_m, atoms.weight, of_range, (0.0, math.inf)),
        nugget_share=_marginal(atoms.share, atoms.weight, grid.drop(1), (0.0, 1.0)),
        # A range that has no upper bound takes the sill with it.
        sill=_marginal(atoms.sill, atoms.weight, (grid.drop(2)[0], of_range[1]), (0.0, math.inf), _SILL_STEPS),
        repeats=readings.repeats,
        on_one_line=readings.on_one_line,
    )


@dataclass(frozen=True, slots=True)
class _Atoms:
    range_m: Array
    share: Array
    sill: Array
    weight: Array
    log_likelihood: Array

    def model(self, family: str, i: int) -> VariogramModel:
        sill, share = float(self.sill[i]), float(self.share[i])
        return VariogramModel(
            family, partial_sill=sill * (1.0 - share), range_m=float(self.range_m[i]), nugget=sill * share
        )

    def spread(self, count: int) -> npt.NDArray[np.int64]:
        """Places of `count` atoms that stand for the whole: even through the sills of each part of the others."""
        part = np.zeros(len(self.weight))
        for values, parts in ((self.range_m, 4), (self.share, 3)):
            finer = np.empty_like(part)
            for held in (np.flatnonzero(part == each) for each in np.unique(part)):
                order = held[np.argsort(values[held], kind="stable")]
                total = np.cumsum(self.weight[order])
                finer[order] = np.ceil(parts * total / max(total[-1], np.finfo(np.float64).tiny))
            part = 8.0 * part + finer
        order = np.lexsort((self.sill, part))
        return order[_pick(self.weight[order], _middles(count))]


@dataclass(frozen=True, slots=True)
class _Grid:
    """Ranges by shares by sills; the sills are other ones for each range and share."""

    ends: tuple[float, float]
    range_m: Array
    sill: Array
    log_likelihood: Array
    log_prior: Array

    def weight(self, power: float = 1.0) -> Array:
        log = power * self.log_likelihood + self.log_prior
        weight = np.exp(log - log.max())
        return weight / weight.sum()

    def atoms(self, power: float = 1.0) -> _Atoms:
        shape = self.sill.shape
        return _Atoms(
            np.broadcast_to(self.range_m[:, None, None], shape).ravel(),
            np.broadcast_to(_SHARES[:, None], shape).ravel(),
            self.sill.ravel(),
            self.weight(power).ravel(),
            self.log_likelihood.ravel(),
        )

    def drop(self, axis: int) -> tuple[float, float]:
        others = tuple(i for i in range(3) if i != axis)
        profile = self.log_likelihood.max(axis=others)
        return float(profile.max() - profile[0]), float(profile.max() - profile[-1])

    def spread(self, count: int, power: float = 1.0) -> npt.NDArray[np.int64]:
        """Places of `count` atoms that stand for the whole, each with the same weight."""
        weight = self.weight(power)
        first = _pick(weight.sum(axis=(1, 2)), _middles(count))
        out = np.empty(count, dtype=np.int64)
        for k, (i, u, v) in enumerate(zip(first, _van_der_corput(count, 2), _van_der_corput(count, 3), strict=True)):
            j = int(_pick(weight[i].sum(axis=1), u))
            out[k] = np.ravel_multi_index((i, j, int(_pick(weight[i, j], v))), weight.shape)
        return out


def _grid(readings: Readings, family: str, bounds: tuple[float, float]) -> _Grid:
    low, high = bounds
    for _ in range(3):
        edges = np.geomspace(low, high, _RANGES + 1)
        grid = _grid_between(readings, family, (low, high), np.sqrt(edges[:-1] * edges[1:]))
        weight = grid.weight().sum(axis=(1, 2))
        kept = np.flatnonzero(weight > _NEGLIGIBLE * weight.max())
        first, last = int(kept[0]) - 1, int(kept[-1]) + 2
        if last - first > _RANGES // 2:
            break
        low = float(edges[first]) if first > 0 else low
        high = float(edges[last]) if last < _RANGES else high
    return grid


def _grid_between(readings: Readings, family: str, ends: tuple[float, float], range_m: Array) -> _Grid:
    apart, values = readings.distances(), readings.values[:, None]
    error = float(readings.error_variance.mean())
    log_likelihood_ = np.empty((len(range_m), len(_SHARES), len(_SILLS)))
    sill, step = np.empty_like(log_likelihood_), np.empty((len(range_m), len(_SHARES), 1))
    for i, a in enumerate(range_m):
        spectrum = Spectrum.of(correlation(apart / a, family), values)
        shapes = spectrum.shape(_SHARES)
        likely, step[i, :, 0] = _likely_sill(shapes, spectrum.power[:, 0], error)
        sill[i] = likely[:, None] * np.exp(step[i] * _SILLS)
        for j, shape in enumerate(shapes):
            log_likelihood_[i, j] = spectrum.log_likelihood(shape, sill[i, j], error)
    # Shares stand evenly in their logit, in which the prior 1/√(s(1 − s)) is √(s(1 − s)); sills in their logarithm.
    log_prior = 0.5 * np.log(_SHARES * (1.0 - _SHARES))[:, None] - np.log1p(error / sill) + np.log(step)
    return _Grid(ends, range_m, sill, log_likelihood_, log_prior)


def _likely_sill(shapes: Array, power: Array, error: float) -> tuple[Array, Array]:
    """The sill (shares,) that makes the contrasts as large as they are, and the spread of its logarithm about it."""
    contrasts = len(power)
    high = (1.0 / shapes) @ power / contrasts
    if error > 0:
        # Contrasts no larger than their errors leave the sill at nothing; then where it would begin to show.
        low = np.minimum(error * math.sqrt(2.0 / contrasts) / shapes.mean(axis=1), high)
        for _ in range(40):
            middle = np.sqrt(low * high)
            short = (power / (middle[:, None] * shapes + error)).mean(axis=1) > 1.0
            low, high = np.where(short, middle, low), np.where(short, high, middle)
    told = high[:, None] * shapes
    told /= told + error
    return high, np.minimum(np.sqrt(2.0 / (told**2).sum(axis=1)), _WIDEST_STEP)


def _reweighted(readings: Readings, family: str, grid: _Grid) -> _Atoms:
    # The square root of the likelihood is wide enough to hold what the mean error gets wrong.
    wide = grid.atoms(0.5)
    chosen = grid.spread(_ATOMS, 0.5)
    exact = np.array([log_likelihood(readings, wide.model(family, i)) for i in chosen])
    log = exact - 0.5 * grid.log_likelihood.ravel()[chosen]
    weight = np.exp(log - log.max())
    return _Atoms(wide.range_m[chosen], wide.share[chosen], wide.sill[chosen], weight / weight.sum(), exact)


def _marginal(
    values: Array, weight: Array, drop: tuple[float, float], limits: tuple[float, float], steps: int | None = None
) -> Marginal:
    if steps is not None:
        low, high = math.log(values.min()), math.log(values.max())
        nearest = np.rint((np.log(values) - low) / (high - low) * steps)
        values = np.exp(low + nearest / steps * (high - low))
    held, place = np.unique(values, return_inverse=True)
    return Marginal(held, np.bincount(place, weights=weight).astype(np.float64), drop, limits)


def _pick(weight: Array, probability: npt.ArrayLike) -> npt.NDArray[np.int64]:
    total = np.cumsum(weight)
    return np.asarray(np.searchsorted(total, np.asarray(probability) * total[-1]), dtype=np.int64)


def _middles(count: int) -> Array:
    return (np.arange(count) + 0.5) / count


def _van_der_corput(count: int, base: int) -> Array:
    out = np.zeros(count)
    left, scale = np.arange(1, count + 1), 1.0
    while left.any():
        scale /= base
        out += scale * (left % base)
        left //= base
    return out
