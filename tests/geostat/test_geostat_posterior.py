"""The variogram with its uncertainty: its likelihood, its posterior, and kriging under it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import null_space
from scipy.optimize import brentq
from scipy.special import expit
from scipy.stats import multivariate_normal, norm

from yewline.errors import InputError
from yewline.geostat import (
    FAMILIES,
    VariogramModel,
    correlation,
    krige,
    krige_posterior,
    restricted_log_likelihood,
    variogram_posterior,
)
from yewline.geostat.likelihood import Spectrum, without_mean


def drawn(xy: np.ndarray, model: VariogramModel, seed: int) -> np.ndarray:
    covariance = model.covariance(xy, xy)
    covariance[np.diag_indices_from(covariance)] += model.nugget + 1e-9 * model.sill
    return np.linalg.cholesky(covariance) @ np.random.default_rng(seed).standard_normal(len(xy))


@pytest.fixture(scope="module")
def few() -> tuple[np.ndarray, np.ndarray]:
    xy = np.random.default_rng(8).uniform(0, 30, (14, 2))
    return xy, 0.2 + drawn(xy, VariogramModel("exponential", partial_sill=9e-4, range_m=15.0, nugget=1e-4), seed=9)


# The likelihood.


def test_contrasts_are_orthonormal_and_know_no_mean() -> None:
    rows = without_mean(np.eye(7))
    np.testing.assert_allclose(rows @ rows.T, np.eye(6), atol=1e-15)
    np.testing.assert_allclose(rows @ np.ones(7), 0.0, atol=1e-15)


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("error_sd", [0.0, 0.02, np.linspace(0.0, 0.03, 14)], ids=["none", "one", "each"])
def test_likelihood_is_the_normal_density_of_contrasts(
    few: tuple[np.ndarray, np.ndarray], family: str, error_sd: float | np.ndarray
) -> None:
    # Brute force: any orthonormal contrasts, their covariance, SciPy's multivariate normal density.
    xy, z = few
    model = VariogramModel(family, partial_sill=8e-4, range_m=11.0, nugget=2e-4, ratio=0.6, azimuth_deg=20.0)
    contrasts = null_space(np.ones((1, 14))).T
    covariance = model.covariance(xy, xy) + np.diag(model.nugget + np.broadcast_to(error_sd, 14) ** 2)
    expected = multivariate_normal.logpdf(contrasts @ z, cov=contrasts @ covariance @ contrasts.T)
    assert restricted_log_likelihood(xy, z, model=model, error_sd=error_sd) == pytest.approx(expected, rel=1e-9)


def test_likelihood_by_spectrum_is_the_same(few: tuple[np.ndarray, np.ndarray]) -> None:
    xy, z = few
    apart = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))
    spectrum = Spectrum.of(correlation(apart / 11.0, "spherical"), z[:, None])
    sills = np.array([2e-4, 1e-3])
    got = spectrum.log_likelihood(spectrum.shape(0.25), sills, 0.02**2)
    expected = [
        restricted_log_likelihood(
            xy,
            z,
            model=VariogramModel("spherical", partial_sill=0.75 * sill, range_m=11.0, nugget=0.25 * sill),
            error_sd=0.02,
        )
        for sill in sills
    ]
    np.testing.assert_allclose(got, expected, rtol=1e-10)


# The posterior.


def dense_posterior(
    xy: np.ndarray, z: np.ndarray, error_sd: float | np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Range, share, sill and weight of a dense grid, by determinants and solves of the contrasts' covariance."""
    apart = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))
    nearest = np.where(apart > 0, apart, np.inf).min(axis=1)
    edges = np.geomspace(0.5 * np.quantile(nearest, 0.1), 4 * apart.max(), 61)
    ranges = np.sqrt(edges[:-1] * edges[1:])
    shares = expit(-16.6 + 0.3 * np.arange(70))
    sills = np.geomspace(1e-2, 3e2, 80) * z.var()
    contrasts = null_space(np.ones((1, len(z)))).T
    noise = np.diag(np.broadcast_to(error_sd, len(z)) ** 2)
    y = contrasts @ z
    log = np.empty((len(ranges), len(shares), len(sills)))
    for i, a in enumerate(ranges):
        unit = (1 - shares[:, None, None]) * np.exp(-3 * apart / a) + shares[:, None, None] * np.eye(len(z))
        covariance = contrasts @ (sills[:, None, None] * unit[:, None] + noise) @ contrasts.T
        fit = np.linalg.solve(covariance, np.broadcast_to(y[:, None], (*covariance.shape[:2], len(y), 1)))[..., 0] @ y
        log[i] = -0.5 * (np.linalg.slogdet(covariance)[1] + fit)
    # Uniform in log range; 1/√(s(1 − s)) in the share; 1/(sill + ē²) in the sill, in steps of logit and logarithm.
    log += 0.5 * np.log(shares * (1 - shares))[:, None] + np.log(sills / (sills + np.mean(np.diag(noise))))
    weight = np.exp(log - log.max())
    return ranges, shares, sills, weight / weight.sum()


def quantiles(values: np.ndarray, weight: np.ndarray, probability: list[float]) -> np.ndarray:
    return np.exp(np.interp(probability, np.cumsum(weight) - weight / 2, np.log(values)))


@pytest.mark.parametrize(
    ("error_sd", "range_step", "share_step"),
    # A thirtieth of the step between shares. Errors that differ are taken in by weighting 400 atoms: more scatter.
    [(0.0, 0.01, 0.004), (0.015, 0.01, 0.004), (np.tile([0.005, 0.03], 7), 0.04, 0.015)],
    ids=["none", "one", "each"],
)
def test_posterior_agrees_with_dense_integration(
    few: tuple[np.ndarray, np.ndarray], error_sd: float | np.ndarray, range_step: float, share_step: float
) -> None:
    xy, z = few
    ranges, shares, sills, weight = dense_posterior(xy, z, error_sd)
    ours = variogram_posterior(xy, z, error_sd=error_sd)
    levels = [0.1, 0.25, 0.5, 0.75, 0.9]
    expected = quantiles(ranges, weight.sum(axis=(1, 2)), levels)
    np.testing.assert_allclose(np.log(ours.range_m.quantile(levels)), np.log(expected), atol=range_step)
    expected = quantiles(shares, weight.sum(axis=(0, 2)), levels)
    np.testing.assert_allclose(ours.nugget_share.quantile(levels), expected, atol=share_step)
    # Half a step of the dense grid's sills.
    expected = quantiles(sills, weight.sum(axis=(0, 1)), levels)
    np.testing.assert_allclose(np.log(ours.sill.quantile(levels)), np.log(expected), atol=0.07)


@given(st.floats(-5.0, 5.0), st.floats(1e-3, 1e3), st.floats(1e-2, 1e2), st.floats(0.0, 360.0))
@settings(max_examples=10, deadline=None)
def test_units_and_directions_do_not_matter(shift: float, unit: float, metre: float, turn: float) -> None:
    xy = np.random.default_rng(3).uniform(0, 20, (20, 2))
    z = drawn(xy, VariogramModel("spherical", partial_sill=0.8, range_m=12.0, nugget=0.2), seed=3)
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    plain = variogram_posterior(xy, z, family="spherical", error_sd=0.3)
    other = variogram_posterior(
        metre * xy @ np.array([[c, -s], [s, c]]), unit * (z + shift), family="spherical", error_sd=0.3 * unit
    )
    levels = [0.05, 0.5, 0.95]
    for name, factor in (("range_m", metre), ("nugget_share", 1.0), ("sill", unit**2)):
        got, expected = getattr(other, name).quantile(levels), getattr(plain, name).quantile(levels)
        np.testing.assert_allclose(got, factor * np.array(expected), rtol=1e-4)


@pytest.mark.parametrize("family", FAMILIES)
def test_many_readings_narrow_it_to_the_truth(family: str) -> None:
    truth = VariogramModel(family, partial_sill=0.9, range_m=6.0, nugget=0.1)

    def width(count: int, seed: int) -> float:
        xy = np.random.default_rng(seed).uniform(0, 1.5 * math.sqrt(count), (count, 2))
        posterior = variogram_posterior(xy, drawn(xy, truth, seed=seed), family=family, longest_range_m=60.0)
        low, high = posterior.range_m.quantile([0.005, 0.995])
        assert low < 6.0 < high
        return math.log(high / low)

    # More ground, as densely read: more readings of the same ground would never fix an exponential range (Zhang 2004,
    # Journal of the American Statistical Association 99:250-261).
    few, many = (np.mean([width(count, seed) for seed in range(5)]) for count in (40, 200))
    assert many < 0.75 * few


def test_errors_are_kept_apart_from_the_nugget() -> None:
    # Readings with an error as large as the field: told so, the ground's own nugget may be none; untold, it is not.
    xy = np.random.default_rng(1).uniform(0, 30, (200, 2))
    z = drawn(xy, VariogramModel("exponential", partial_sill=1.0, range_m=15.0), seed=1)
    z += np.random.default_rng(2).standard_normal(200)
    told = variogram_posterior(xy, z, error_sd=1.0)
    untold = variogram_posterior(xy, z)
    assert not told.nugget_share.interval().bounded_below
    assert untold.nugget_share.interval().bounded_below
    assert untold.nugget_share.interval().value > 0.3
    assert untold.most_likely.nugget == pytest.approx(1.0 + told.most_likely.nugget, rel=0.1)


def test_readings_with_boundless_errors_do_not_count() -> None:
    # The limit of no information: as if they were not there.
    rng = np.random.default_rng(6)
    xy = rng.uniform(0, 20, (50, 2))
    z = drawn(xy, VariogramModel("exponential", partial_sill=0.8, range_m=12.0, nugget=0.2), seed=6)
    error = np.full(50, 0.1)
    without = variogram_posterior(xy[:45], z[:45], error_sd=0.1, longest_range_m=80.0)
    z[45:] += 30.0 * rng.standard_normal(5)
    error[45:] = 1e4
    with_them = variogram_posterior(xy, z, error_sd=error, longest_range_m=80.0)
    levels = [0.1, 0.5, 0.9]
    for name in ("range_m", "sill"):
        got, expected = getattr(with_them, name).quantile(levels), getattr(without, name).quantile(levels)
        # Atoms by weight on one side, the whole grid on the other; the shortest range differs with the neighbours.
        np.testing.assert_allclose(np.log(got), np.log(expected), atol=0.06)


def test_what_the_readings_do_not_fix_is_said() -> None:
    rng = np.random.default_rng(4)
    xy = rng.uniform(0, 30, (60, 2))
    # No correlation: any range shorter than the readings lie apart would do.
    noise = variogram_posterior(xy, rng.standard_normal(60))
    found = noise.range_m.interval()
    assert not found.bounded_below
    assert found.low == 0.0
    assert not noise.nugget_share.interval().bounded_above
    assert noise.nugget_share.interval().high == 1.0
    # A rise without end: only a lower bound of the range, and of the sill with it.
    slope = variogram_posterior(xy, xy[:, 0] + 0.1 * rng.standard_normal(60))
    found = slope.range_m.interval()
    assert (found.bounded_below, found.bounded_above, found.high) == (True, False, math.inf)
    assert found.low > 15.0
    assert slope.sill.interval().high == math.inf
    # Both ends fixed.
    xy = rng.uniform(0, 30, (300, 2))
    fixed = variogram_posterior(xy, drawn(xy, VariogramModel("spherical", 1.0, 8.0), seed=4), family="spherical")
    found = fixed.range_m.interval()
    assert found.bounded_below
    assert found.bounded_above
    assert found.low < found.value < found.high < 30.0


def test_one_line_and_repeats_are_said() -> None:
    line = np.column_stack([np.arange(20.0), 2.0 * np.arange(20.0)])
    z = np.random.default_rng(0).standard_normal(20)
    assert variogram_posterior(line, z).on_one_line
    xy = np.random.default_rng(0).uniform(0, 9, (20, 2))
    assert not variogram_posterior(xy, z).on_one_line
    assert variogram_posterior(xy, z).repeats == 0


def test_repeated_readings_fix_the_nugget_unless_errors_explain_them() -> None:
    rng = np.random.default_rng(5)
    places = rng.uniform(0, 30, (40, 2))
    field = drawn(places, VariogramModel("exponential", partial_sill=1.0, range_m=25.0), seed=5)
    xy = np.vstack([places, places])
    z = np.concatenate([field, field]) + 0.4 * rng.standard_normal(80)
    without = variogram_posterior(xy, z)
    assert without.repeats == 40
    nugget = [model.nugget for model in without.models]
    assert without.weights @ nugget == pytest.approx(0.16, rel=0.35)
    share = without.nugget_share.interval()
    assert share.bounded_below
    assert share.bounded_above
    explained = variogram_posterior(xy, z, error_sd=0.4)
    assert not explained.nugget_share.interval().bounded_below
    # Kriging goes through with either.
    for posterior, error in ((without, 0.0), (explained, 0.4)):
        estimate = krige_posterior(xy, z, places, posterior=posterior, error_sd=error).estimate
        assert np.sqrt(np.mean((estimate - field) ** 2)) < 0.4


# Kriging under it.


def test_kriging_is_the_mixture_of_its_nodes(few: tuple[np.ndarray, np.ndarray]) -> None:
    xy, z = few
    at = np.random.default_rng(0).uniform(-5, 35, (50, 2))
    posterior = variogram_posterior(xy, z, error_sd=0.01)
    assert posterior.weights.sum() == pytest.approx(1.0, rel=1e-14)
    found = krige_posterior(xy, z, at, posterior=posterior, error_sd=0.01, level=0.9)
    nodes = [krige(xy, z, at, model=model, error_sd=0.01) for model in posterior.models]
    mean = sum(w * m for w, (m, _) in zip(posterior.weights, nodes, strict=True))
    square = sum(w * (v + m**2) for w, (m, v) in zip(posterior.weights, nodes, strict=True))
    np.testing.assert_allclose(found.estimate, mean, rtol=1e-12)
    np.testing.assert_allclose(found.variance, square - mean**2, rtol=1e-7)
    # Quantiles by SciPy's root finder.
    assert found.low is not None
    assert found.high is not None
    for i in (0, 17, 49):
        for end, probability in ((found.low[i], 0.05), (found.high[i], 0.95)):

            def over(x: float, i: int = i, probability: float = probability) -> float:
                own = [norm.cdf(x, m[i], np.sqrt(v[i])) for m, v in nodes]
                return float(posterior.weights @ own) - probability

            assert end == pytest.approx(brentq(over, -2, 2, xtol=1e-13), abs=1e-9)
    assert krige_posterior(xy, z, at, posterior=posterior).low is None


def test_one_node_is_plain_kriging(few: tuple[np.ndarray, np.ndarray]) -> None:
    xy, z = few
    model = VariogramModel("spherical", partial_sill=1e-3, range_m=12.0)
    single = replace(variogram_posterior(xy, z), models=(model,), weights=np.ones(1))
    at = np.vstack([[[1.0, 2.0], [50.0, 50.0]], xy[:1]])
    estimate, variance = krige(xy, z, at, model=model)
    found = krige_posterior(xy, z, at, posterior=single, level=0.9)
    np.testing.assert_allclose(found.estimate, estimate, rtol=1e-14)
    np.testing.assert_allclose(found.variance, variance, rtol=1e-12, atol=1e-18)
    np.testing.assert_allclose(found.high, estimate + norm.ppf(0.95) * np.sqrt(variance), atol=1e-9)
    np.testing.assert_allclose(found.low, estimate - norm.ppf(0.95) * np.sqrt(variance), atol=1e-9)


@pytest.mark.parametrize("error_sd", [0.0, np.tile([0.005, 0.02], 7)], ids=["none", "each"])
def test_forty_nodes_stand_for_the_whole(few: tuple[np.ndarray, np.ndarray], error_sd: float | np.ndarray) -> None:
    xy, z = few
    at = np.random.default_rng(0).uniform(0, 30, (60, 2))
    forty, many = (
        krige_posterior(
            xy,
            z,
            at,
            posterior=variogram_posterior(xy, z, error_sd=error_sd, nodes=nodes),
            error_sd=error_sd,
            level=0.9,
        )
        for nodes in (40, 4000)
    )
    sd = np.sqrt(many.variance)
    assert (np.abs(forty.estimate - many.estimate) < 0.05 * sd).all()
    np.testing.assert_allclose(np.sqrt(forty.variance), sd, rtol=0.05)
    assert forty.low is not None
    assert many.low is not None
    assert forty.high is not None
    assert many.high is not None
    np.testing.assert_allclose(forty.high - forty.low, many.high - many.low, rtol=0.05)


# Faults.


@pytest.mark.parametrize(
    "infer",
    [
        variogram_posterior,
        lambda xy, z, **more: restricted_log_likelihood(
            xy, z, model=VariogramModel("exponential", 1.0, 1.0, 0.1), **more
        ),
    ],
    ids=["posterior", "likelihood"],
)
def test_faults_of_readings(infer: Callable[..., object]) -> None:
    xy = np.random.default_rng(0).uniform(0, 9, (12, 2))
    z = np.arange(12.0)
    with pytest.raises(InputError, match=r"at least 8 readings \(received 7\).*assume a variogram and say so"):
        infer(xy[:7], z[:7])
    with pytest.raises(InputError, match=r"readings do not differ.*received all 0.2"):
        infer(xy, np.full(12, 0.2))
    with pytest.raises(InputError, match="all readings lie at one place"):
        infer(np.ones((12, 2)), z)
    with pytest.raises(InputError, match=r"one place \(x, y\) for each value"):
        infer(xy, z[:11])
    with pytest.raises(InputError, match="error_sd must be one number, or one for each reading"):
        infer(xy, z, error_sd=[0.1, 0.2])
    with pytest.raises(InputError, match=r"error_sd must be finite and not negative \(received -1"):
        infer(xy, z, error_sd=-1.0)
    with pytest.raises(InputError, match="values holds values that are not finite"):
        infer(xy, np.where(z == 3, np.nan, z))


def test_faults() -> None:
    xy = np.random.default_rng(0).uniform(0, 9, (12, 2))
    z = np.arange(12.0)
    with pytest.raises(InputError, match="family must be one of"):
        variogram_posterior(xy, z, family="linear")
    with pytest.raises(InputError, match="nodes must be at least 4"):
        variogram_posterior(xy, z, nodes=3)
    with pytest.raises(InputError, match="longest_range_m lies below what the readings can tell"):
        variogram_posterior(xy, z, longest_range_m=1e-3)
    with pytest.raises(InputError, match="longest_range_m must be greater than zero"):
        variogram_posterior(xy, z, longest_range_m=-1.0)
    with pytest.raises(InputError, match="level must lie between"):
        variogram_posterior(xy, z).range_m.interval(1.5)
    with pytest.raises(InputError, match="level must lie between"):
        krige_posterior(xy, z, xy, posterior=variogram_posterior(xy, z), level=0.0)
    with pytest.raises(InputError, match="at must have 2 axes"):
        krige_posterior(xy, z, [1.0, 2.0], posterior=variogram_posterior(xy, z))
    with pytest.raises(InputError, match="cannot be told apart by the variogram"):
        restricted_log_likelihood(xy[[0, *range(11)]], z, model=VariogramModel("exponential", 1.0, 5.0))
