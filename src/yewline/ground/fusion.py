"""One velocity field from all that speaks of velocity: moisture, hyperbolas, focus, gathers, known depths."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_solve, solve_triangular
from scipy.special import ndtr

from yewline._check import check_array, check_positive
from yewline.errors import InputError
from yewline.geostat import VariogramModel
from yewline.ground.evidence import VelocityEvidence

__all__ = ["CONTRADICTION", "FusedVelocity", "GroundPrior", "SourceCheck", "fuse_velocity"]

Array = npt.NDArray[np.float64]

CONTRADICTION: Final = 3.0
"""Sources further apart than this many standard deviations contradict each other."""
_RECONCILED: Final = 2.0
"""After the errors of contradicting sources were widened, none lies further off the others than this."""
_LEVEL: Final = (math.log(0.1), 2.0)
"""Of ln v before anything is measured: so wide (0.014 to 0.74 m/ns, one sd) that it says nothing."""
_SMALLEST_PIVOT: Final = 1e-13
_MOST_WIDENED: Final = 64.0
_BLOCK: Final = 2_000


@dataclass(frozen=True, slots=True)
class GroundPrior:
    """How velocity may differ from place to place and from depth to depth, before it is measured.

    Attributes
    ----------
    lateral : variogram of ln v from place to place. Its nugget, structure finer than readings lie apart, is no part of
        the field: the mean down to a depth, over ground as wide as a wave, does not see it.
    profile_sigma : standard deviation by which ln v of the mean down to a depth e times (2.7 times) another differs.
    memory : over how many such steps the *pattern* is forgotten (correlation 1/e). Own choice, no source: what is dry
        on top is still drier than the rest a metre down, by about half as much.

    Raises
    ------
    InputError : a value that is not positive.
    """

    lateral: VariogramModel
    profile_sigma: float
    memory: float = 3.0

    def __post_init__(self) -> None:
        check_positive(self.profile_sigma, "profile_sigma")
        check_positive(self.memory, "memory")


@dataclass(frozen=True, slots=True)
class SourceCheck:
    """One source against all others.

    Attributes
    ----------
    source, n : its name and how many values it gave.
    v_m_per_ns, sigma_m_per_ns : what it says alone of the site's mean velocity down to the reference depth.
    shift, shift_sigma : how far it lies off what the others say, relative (0.1: ten per cent faster), and the standard
        deviation of that; NaN where it is the only source.
    """

    source: str
    n: int
    v_m_per_ns: float
    sigma_m_per_ns: float
    shift: float
    shift_sigma: float

    @property
    def score(self) -> float:
        """Shift in its standard deviations."""
        return self.shift / self.shift_sigma

    @property
    def p(self) -> float:
        """How often so large a shift comes by chance."""
        return float(2.0 * ndtr(-abs(self.score)))


@dataclass(frozen=True, slots=True)
class FusedVelocity:
    """What all sources together say.

    Attributes
    ----------
    sources : each against the others, as they came, before any widening.
    widened : factor by which the errors that each source shares were multiplied because sources contradict; 1 else.
    evidence : what it rests on, as it came.
    left_out : for each source, (n, 2): how far each of its values lies off what *all other values* say of it, relative,
        and the standard deviation of that.
    """

    sources: tuple[SourceCheck, ...]
    widened: float
    left_out: tuple[Array, ...]
    evidence: tuple[VelocityEvidence, ...]
    _solved: _Solved

    def at(self, x: npt.ArrayLike, y: npt.ArrayLike, depth_m: float) -> tuple[Array, Array]:
        """Mean velocity from the surface down to a depth, and its standard deviation, m/ns, (n,) each.

        Parameters
        ----------
        x, y : (n,) site metres.
        depth_m : greater than 0.
        """
        return self._solved.predict(_places(x, y), check_positive(depth_m, "depth_m"))

    def only(self, sources: Collection[str]) -> FusedVelocity:
        """The same ground, resting on some of the sources.

        Raises
        ------
        InputError : none of them is left.
        """
        kept = [one for one in self.evidence if one.source in sources]
        return _fused(kept, self._solved.prior, self._solved.site, self._solved.reference_depth_m)

    def site_mean(self, depth_m: float) -> tuple[float, float]:
        """Mean over the site of the velocity down to a depth, and its standard deviation, m/ns."""
        return self._solved.site_mean(check_positive(depth_m, "depth_m"))


def fuse_velocity(
    evidence: Sequence[VelocityEvidence],
    *,
    prior: GroundPrior,
    site_xy: npt.ArrayLike,
    reference_depth_m: float,
) -> FusedVelocity:
    """Join all sources of velocity to one field, each with its own error and with what its values share.

    Parameters
    ----------
    evidence : one a source. Errors of the same name in several sources are one and the same error.
    prior : how velocity may vary.
    site_xy : (P, 2) some places all over the site, m: evidence without a place speaks of their mean.
    reference_depth_m : depth for which sources are set side by side, m.

    Returns
    -------
    FusedVelocity: velocity and its standard deviation at any place and depth, and how the sources agree.

    Raises
    ------
    InputError : no evidence, or readings that share a place without an error.

    Notes
    -----
    With v̄(x, y, z) the mean velocity from the surface to z,

        ln v̄ = μ + f(x, y, z) + β ln(z / z₀)

    μ is the site's level, with a prior so wide that it says nothing; f a Gaussian process over the ground, whose
    pattern is forgotten with depth as exp(−|ln z − ln z'| / memory); β ~ N(0, profile_sigma²) the profile: what a probe
    of 0.12 m says of a metre of ground is β·ln(1/0.12) away, and only evidence from other depths narrows it. A value
    observes ln v̄ at its place and depth, plus its own error, plus one error for each of the names in `biases`, shared
    by all values that carry the name. All is Gaussian, so the posterior is one solution of a linear system. A power law
    of depth makes the velocity *at* z equal to v̄ / (1 − β): a source that measures at a depth (a buried probe) observes
    ln v̄ + β to first order.

    Each source is predicted from all others with its block of the precision matrix: with P that block, and α the
    solution, its shift is 1ᵀα / 1ᵀP1 with variance 1/1ᵀP1. Where one is off by more than 3 of its standard deviations,
    the shared errors of all sources are multiplied by the smallest factor that brings every one within 2: the field
    then lies between them and says how little it knows.

    References
    ----------
    Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, §2.2, §2.7, §5.4.2 (leaving out).
    Kennedy & O'Hagan 2001, J. R. Stat. Soc. B 63:425–464 (a term for each source's bias). From memory, both.

    Examples
    --------
    >>> import numpy as np
    >>> flat = VariogramModel("exponential", partial_sill=0.03**2, range_m=8.0)
    >>> probe = VelocityEvidence("moisture", [0.0, 5.0], [0.0, 0.0], [0.12, 0.12], [0.096, 0.100], [0.03, 0.03],
    ...                          biases=(("probe", 0.06),))
    >>> deep = VelocityEvidence("hyperbolas", [2.0], [0.0], [0.9], [0.090], [0.03], biases=(("tops", 0.02),))
    >>> corners = [[0.0, 0.0], [5.0, 0.0], [0.0, 5.0], [5.0, 5.0]]
    >>> prior = GroundPrior(flat, profile_sigma=0.045)
    >>> alone, both = (fuse_velocity(each, prior=prior, site_xy=corners, reference_depth_m=1.0)
    ...                for each in ([probe], [probe, deep]))
    >>> [round(value, 4) for value in (*alone.site_mean(1.0), *both.site_mean(1.0))]
    [0.098, 0.0114, 0.0909, 0.004]
    """
    site = check_array(site_xy, "site_xy", ndim=2)
    return _fused(evidence, prior, site, check_positive(reference_depth_m, "reference_depth_m"))


def _fused(evidence: Sequence[VelocityEvidence], prior: GroundPrior, site: Array, reference: float) -> FusedVelocity:
    held = tuple(one for one in evidence if one.n)
    if not held:
        raise InputError("nothing tells the velocity", do="add moisture readings, or declare a velocity")
    solved = _Solved.of(held, prior, site, reference, 1.0)
    shifts = solved.shifts()
    widened = 1.0
    if len(held) > 1 and _worst(shifts) > CONTRADICTION:
        widened = _widening(held, prior, site)
        solved = _Solved.of(held, prior, site, reference, widened)
    checks = []
    for one, (shift, sigma) in zip(held, shifts, strict=True):
        alone = solved if len(held) == 1 else _Solved.of([one], prior, site, reference, 1.0)
        v, sigma_v = alone.site_mean(reference)
        checks.append(SourceCheck(one.source, one.n, v, sigma_v, shift, sigma))
    return FusedVelocity(tuple(checks), widened, solved.left_out(), held, solved)


def _worst(shifts: Sequence[tuple[float, float]]) -> float:
    return max(abs(shift) / sigma for shift, sigma in shifts)


def _widening(held: Sequence[VelocityEvidence], prior: GroundPrior, site: Array) -> float:
    """The smallest factor of the shared errors with which no source lies far off the others; to a hundredth."""
    low, high = 1.0, 2.0
    while high < _MOST_WIDENED and _worst(_Solved.of(held, prior, site, 1.0, high).shifts()) > _RECONCILED:
        low, high = high, 2.0 * high
    while high - low > 0.01:
        middle = 0.5 * (low + high)
        if _worst(_Solved.of(held, prior, site, 1.0, middle).shifts()) > _RECONCILED:
            low = middle
        else:
            high = middle
    return high


@dataclass(frozen=True, slots=True)
class _Solved:
    """The posterior: observations by what they see, and the factor of their covariance."""

    prior: GroundPrior
    site: Array
    reference_depth_m: float
    spans: tuple[tuple[int, int], ...]
    xy: Array
    """(N, 2) places; NaN where the whole site is meant."""
    log_base: Array
    slope: Array
    """(N,) how β enters."""
    factor: Array
    weights: Array
    """α = K⁻¹ (y − prior mean)."""

    @classmethod
    def of(
        cls, held: Sequence[VelocityEvidence], prior: GroundPrior, site: Array, reference_depth_m: float, widened: float
    ) -> _Solved:
        xy = np.concatenate([np.column_stack([one.x, one.y]) for one in held])
        log_base = np.log(np.concatenate([one.base_m for one in held]))
        slope = log_base + np.concatenate([np.full(one.n, float(one.at_depth)) for one in held])
        edges = np.concatenate([[0], np.cumsum([one.n for one in held])])
        spans = tuple((int(a), int(b)) for a, b in pairwise(edges))
        cov = _lateral(prior, xy, xy, site) * _memory(prior, log_base, log_base)
        cov += _LEVEL[1] ** 2 + prior.profile_sigma**2 * np.outer(slope, slope)
        cov[np.diag_indices(len(xy))] += np.concatenate([one.relative_sigma for one in held]) ** 2
        for name in dict.fromkeys(name for one in held for name, _ in one.biases):
            loading = widened * np.concatenate([one.shared(name) for one in held])
            cov += np.outer(loading, loading)
        for one, (a, b) in zip(held, spans, strict=True):
            if one.thing_sigma:
                cov[a:b, a:b] += one.thing_sigma**2 * (one.thing[:, None] == one.thing[None, :])
        try:
            factor = np.asarray(np.linalg.cholesky(cov), dtype=np.float64)
        except np.linalg.LinAlgError:
            factor = np.zeros(cov.shape)
        # Rounding can let a singular matrix through with a pivot of nearly nothing.
        if np.diagonal(factor).min() ** 2 < _SMALLEST_PIVOT * cov.max():
            raise InputError("values of velocity at one place cannot be told apart", do="give each an error of its own")
        y = np.log(np.concatenate([one.v_m_per_ns for one in held])) - _LEVEL[0]
        return cls(prior, site, reference_depth_m, spans, xy, log_base, slope, factor, cho_solve((factor, True), y))

    def predict(self, xy: Array, depth_m: float) -> tuple[Array, Array]:
        mean, variance = np.empty(len(xy)), np.empty(len(xy))
        lateral, log_z = self.prior.lateral, math.log(depth_m)
        before = lateral.partial_sill + _LEVEL[1] ** 2 + (self.prior.profile_sigma * log_z) ** 2
        memory = _memory(self.prior, np.array([log_z]), self.log_base)
        for start in range(0, len(xy), _BLOCK):
            block = slice(start, start + _BLOCK)
            seen = _lateral(self.prior, xy[block], self.xy, self.site) * memory + self._everywhere(log_z)
            white = solve_triangular(self.factor, seen.T, lower=True)
            mean[block] = seen @ self.weights
            variance[block] = before - np.einsum("ij,ij->j", white, white)
        return _back(mean, variance)

    def site_mean(self, depth_m: float) -> tuple[float, float]:
        log_z = math.log(depth_m)
        lateral = self.prior.lateral.covariance(self.site, self.site).mean()
        before = lateral + _LEVEL[1] ** 2 + (self.prior.profile_sigma * log_z) ** 2
        seen = _lateral(self.prior, np.full((1, 2), np.nan), self.xy, self.site)[0]
        seen = seen * _memory(self.prior, np.array([log_z]), self.log_base)[0] + self._everywhere(log_z)
        white = solve_triangular(self.factor, seen, lower=True)
        v, sigma = _back(np.array([seen @ self.weights]), np.array([before - white @ white]))
        return float(v[0]), float(sigma[0])

    def _everywhere(self, log_z: float) -> Array:
        return np.asarray(_LEVEL[1] ** 2 + self.prior.profile_sigma**2 * log_z * self.slope)

    def precision(self) -> Array:
        return np.asarray(cho_solve((self.factor, True), np.eye(len(self.xy))))

    def shifts(self) -> list[tuple[float, float]]:
        """Of each source, how far it lies off what all others say, and the standard deviation of that."""
        if len(self.spans) == 1:
            return [(math.nan, math.nan)]
        precision = self.precision()
        found = []
        for a, b in self.spans:
            weight = float(precision[a:b, a:b].sum())
            found.append((float(self.weights[a:b].sum()) / weight, 1.0 / math.sqrt(weight)))
        return found

    def left_out(self) -> tuple[Array, ...]:
        known = np.diagonal(self.precision())
        both = np.column_stack([self.weights / known, 1.0 / np.sqrt(known)])
        return tuple(both[a:b] for a, b in self.spans)


def _back(log_mean: Array, variance: Array) -> tuple[Array, Array]:
    v = np.exp(_LEVEL[0] + log_mean)
    return v, v * np.sqrt(np.maximum(variance, 0.0))


def _lateral(prior: GroundPrior, a: Array, b: Array, site: Array) -> Array:
    """Covariance (n, m) of ln v between places; a place of NaN is the mean over the site."""
    whole_a, whole_b = np.isnan(a[:, 0]), np.isnan(b[:, 0])
    cov = np.empty((len(a), len(b)))
    cov[np.ix_(~whole_a, ~whole_b)] = _covariance(prior, a[~whole_a], b[~whole_b])
    cov[np.ix_(whole_a, ~whole_b)] = _covariance(prior, site, b[~whole_b]).mean(axis=0)
    cov[np.ix_(~whole_a, whole_b)] = _covariance(prior, a[~whole_a], site).mean(axis=1)[:, None]
    cov[np.ix_(whole_a, whole_b)] = _covariance(prior, site, site).mean()
    return cov


def _covariance(prior: GroundPrior, a: Array, b: Array) -> Array:
    return prior.lateral.covariance(a, b) if len(a) and len(b) else np.zeros((len(a), len(b)))


def _memory(prior: GroundPrior, a: Array, b: Array) -> Array:
    return np.exp(-np.abs(a[:, None] - b[None, :]) / prior.memory)


def _places(x: npt.ArrayLike, y: npt.ArrayLike) -> Array:
    east, north = check_array(x, "x", ndim=1), check_array(y, "y", ndim=1)
    if east.shape != north.shape:
        raise InputError("x and y must have the same length", received=f"{east.size} and {north.size}")
    return np.column_stack([east, north])
