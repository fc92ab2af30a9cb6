"""Variogram models, the empirical variogram and its fit."""

from __future__ import annotations

import gstools
import numpy as np
import pytest
import skgstat
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import InputError
from yewline.geostat import (
    FAMILIES,
    EmpiricalVariogram,
    VariogramModel,
    correlation,
    empirical_variogram,
    fit_variogram,
    gaussian_field,
    length_scale,
    practical_range,
)

GSTOOLS = {"exponential": gstools.Exponential, "gaussian": gstools.Gaussian, "spherical": gstools.Spherical}

# Meuse river, log zinc: number of pairs, mean distance (m), semivariance of 15 bins, as printed by the reference output
# of gstat (Pebesma 2004, Computers & Geosciences 30:683-691).
MEUSE = np.array(
    [
        (57, 79.29244, 0.1234479),
        (299, 163.97367, 0.2162185),
        (419, 267.36483, 0.3027859),
        (457, 372.73542, 0.4121448),
        (547, 478.47670, 0.4634128),
        (533, 585.34058, 0.5646933),
        (574, 693.14526, 0.5689683),
        (564, 796.18365, 0.6186769),
        (589, 903.14650, 0.6471479),
        (543, 1011.29177, 0.6915705),
        (500, 1117.86235, 0.7033984),
        (477, 1221.32810, 0.6038770),
        (452, 1329.16407, 0.6517158),
        (457, 1437.25620, 0.5665318),
        (415, 1543.20248, 0.5748227),
    ]
)


def test_correlation_at_the_stated_range() -> None:
    # The same word "range" in four conventions: value of the model at it (Isaaks & Srivastava 1989; Pebesma 2004;
    # PyKrige's and GSTools' documentation).
    assert 1 - correlation(1.0, "exponential") == pytest.approx(0.950213, abs=1e-6)
    assert 1 - correlation(1.0, "gaussian") == pytest.approx(0.950213, abs=1e-6)
    assert correlation(1.0, "spherical") == 0
    for convention, family, expected in (
        ("plain", "exponential", 0.632121),
        ("plain", "gaussian", 0.632121),
        ("gstools", "exponential", 0.632121),
        ("gstools", "gaussian", 0.544062),
        ("pykrige", "exponential", 0.950213),
        ("pykrige", "gaussian", 0.953229),
        ("pykrige", "spherical", 1.0),
    ):
        r = 7.0 / practical_range(7.0, family, convention)
        assert 1 - correlation(r, family) == pytest.approx(expected, abs=1e-6), (convention, family)
        assert length_scale(practical_range(7.0, family, convention), family, convention) == pytest.approx(7.0)
    # Distance at which the correlation is 0.05 sharp: 2.99573 a and 1.73082 a, where 3 a and √3 a are used.
    assert correlation(2.99573 / 3, "exponential") == pytest.approx(0.05, abs=1e-6)
    assert correlation(1.73082 / np.sqrt(3), "gaussian") == pytest.approx(0.05, abs=1e-6)


@pytest.mark.parametrize("family", FAMILIES)
def test_covariance_agrees_with_gstools(family: str) -> None:
    ours = VariogramModel(family, partial_sill=1.7, range_m=12.0, nugget=0.4)
    theirs = GSTOOLS[family](dim=2, var=1.7, len_scale=length_scale(12.0, family, "gstools"), nugget=0.4)
    h = np.linspace(0.1, 40.0, 100)
    np.testing.assert_allclose(ours.gamma(h), theirs.variogram(h), rtol=1e-12)
    at = np.column_stack([h, np.zeros_like(h)])
    np.testing.assert_allclose(ours.covariance([[0.0, 0.0]], at)[0], theirs.covariance(h), atol=1e-12)


@pytest.mark.parametrize("family", FAMILIES)
def test_models_are_valid(family: str) -> None:
    # A covariance must be positive definite, turn it and stretch it as you may.
    xy = np.random.default_rng(1).uniform(0, 10, (30, 2))
    model = VariogramModel(family, partial_sill=1.0, range_m=4.0, ratio=0.3, azimuth_deg=70.0)
    covariance = model.covariance(xy, xy)
    np.testing.assert_array_equal(covariance, covariance.T)
    assert np.linalg.eigvalsh(covariance).min() > -1e-12


def test_anisotropy_follows_the_bearing() -> None:
    model = VariogramModel("exponential", partial_sill=1.0, range_m=10.0, ratio=0.5, azimuth_deg=90.0)
    east, north = model.covariance([[0.0, 0.0]], [[5.0, 0.0], [0.0, 5.0]])[0]
    assert east == pytest.approx(np.exp(-1.5), rel=1e-12)
    assert north == pytest.approx(np.exp(-3.0), rel=1e-12)


def test_spherical_at_half_range() -> None:
    model = VariogramModel("spherical", partial_sill=2.0, range_m=8.0, nugget=0.3)
    assert model.gamma(4.0) == pytest.approx(0.3 + 0.6875 * 2.0, rel=1e-14)
    assert model.gamma(0.0) == 0.0


def test_fit_reproduces_the_meuse_reference() -> None:
    # gstat's own fit (weights N/h²): nugget 0.05066243, partial sill 0.59060780, spherical range 897.0209 m.
    # Another optimiser on the same bins gives 0.0506604, 0.5906059, 897.0063.
    meuse = EmpiricalVariogram(MEUSE[:, 1], MEUSE[:, 2], MEUSE[:, 0].astype(int))
    fitted = fit_variogram(meuse, family="spherical")
    assert fitted.nugget == pytest.approx(0.05066243, rel=1e-3)
    assert fitted.partial_sill == pytest.approx(0.59060780, rel=1e-3)
    assert fitted.range_m == pytest.approx(897.0209, rel=1e-3)
    misfit = MEUSE[:, 0] / MEUSE[:, 1] ** 2 @ (fitted.gamma(MEUSE[:, 1]) - MEUSE[:, 2]) ** 2
    assert misfit == pytest.approx(9.0112e-6, rel=1e-4)


def test_empirical_variogram_of_the_meuse_points() -> None:
    # Log zinc at the 155 places that scikit-gstat ships. The same output counts pairs up to a third of the diagonal.
    sample = skgstat.data.meuse(variable="zinc")["sample"]
    xy = np.asarray(sample[0], dtype=float)
    ours = empirical_variogram(xy, np.log(np.ravel(sample[1])), longest_m=np.hypot(*np.ptp(xy, axis=0)) / 3.0, bins=15)
    np.testing.assert_array_equal(ours.pairs, MEUSE[:, 0])
    np.testing.assert_allclose(ours.distance_m, MEUSE[:, 1], rtol=1e-6)
    np.testing.assert_allclose(ours.gamma, MEUSE[:, 2], rtol=1e-6)


@given(st.sampled_from(FAMILIES), st.floats(0.2, 0.8), st.floats(0.0, 0.8), st.floats(1e-4, 1e4), st.floats(0.1, 1e3))
@settings(max_examples=15, deadline=None)
def test_fit_finds_a_known_model_in_any_unit(
    family: str, range_share: float, nugget_share: float, unit: float, metre: float
) -> None:
    h = np.linspace(0.05, 1.0, 14) * metre
    truth = VariogramModel(
        family, partial_sill=unit * (1 - nugget_share), range_m=range_share * metre, nugget=unit * nugget_share
    )
    fitted = fit_variogram(EmpiricalVariogram(h, truth.gamma(h), np.full(14, 50)), family=family)
    assert fitted.range_m == pytest.approx(truth.range_m, rel=1e-3)
    assert fitted.nugget == pytest.approx(truth.nugget, abs=1e-3 * unit)
    assert fitted.partial_sill == pytest.approx(truth.partial_sill, rel=1e-3, abs=1e-3 * unit)


def test_fit_stops_at_the_bound_where_the_variogram_keeps_rising() -> None:
    h = np.arange(1.0, 11.0)
    fitted = fit_variogram(EmpiricalVariogram(h, 0.1 * h, np.full(10, 20)), longest_range_m=15.0)
    assert fitted.range_m == pytest.approx(15.0, rel=1e-3)


def test_empirical_variogram_agrees_with_gstools_and_by_hand() -> None:
    rng = np.random.default_rng(5)
    xy, z = rng.uniform(0, 20, (60, 2)), rng.standard_normal(60)
    ours = empirical_variogram(xy, z, longest_m=10.0, bins=8)
    _, gamma, count = gstools.vario_estimate(tuple(xy.T), z, np.linspace(0, 10, 9), return_counts=True)
    np.testing.assert_allclose(ours.gamma, gamma, rtol=1e-12)
    np.testing.assert_array_equal(ours.pairs, count)
    h = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))[np.triu_indices(60, 1)]
    means = [h[(h >= a) & (h < a + 1.25)].mean() for a in np.arange(0, 10, 1.25)]
    np.testing.assert_allclose(ours.distance_m, means, rtol=1e-12)


def test_empirical_variogram_agrees_with_scikit_gstat() -> None:
    rng = np.random.default_rng(5)
    xy, z = rng.uniform(0, 20, (70, 2)), rng.standard_normal(70)
    ours = empirical_variogram(xy, z, longest_m=10.0, bins=8)
    # Its own even bins end at the longest distance that counts, not at the one given.
    theirs = skgstat.Variogram(xy, z, bin_func=list(np.linspace(0, 10, 9)[1:]), maxlag=10.0, fit_method=None)
    np.testing.assert_array_equal(ours.pairs, theirs.bin_count)
    np.testing.assert_allclose(ours.gamma, theirs.experimental, rtol=1e-12)


def test_defaults_of_the_bins() -> None:
    xy = np.stack(np.meshgrid(np.arange(6.0), np.arange(6.0)), axis=-1).reshape(-1, 2)
    ours = empirical_variogram(xy, np.arange(36.0))
    assert ours.distance_m.max() < 0.5 * np.hypot(5, 5)
    assert 4 <= len(ours.pairs) <= 15
    # A plane of slope 1 along x and 6 along y has γ = ½ E[(Δ)²] growing with distance squared, however binned.
    assert (np.diff(ours.gamma) > 0).all()


def test_repeated_places_are_left_out() -> None:
    xy = [[0, 0], [0, 0], [1, 0], [2, 0]]
    ours = empirical_variogram(xy, [1.0, 9.0, 1.0, 1.0], longest_m=2.5, bins=1)
    assert ours.pairs.tolist() == [5]


def test_recovers_the_range_of_a_field() -> None:
    # 30 draws: the mean of the fitted ranges and sills lies near the truth (single fits scatter by a third).
    found = []
    for seed in range(30):
        field = gaussian_field((24, 24), 1.0, ranges_m=6.0, sd=2.0, seed=seed)
        rows, columns = np.indices(field.shape)
        keep = np.random.default_rng(seed).permutation(field.size)[:150]
        xy = np.column_stack([columns.ravel()[keep], rows.ravel()[keep]]).astype(float)
        fitted = fit_variogram(empirical_variogram(xy, field.ravel()[keep], longest_m=12.0))
        found.append((fitted.range_m, fitted.sill))
    range_m, sill = np.median(found, axis=0)
    assert range_m == pytest.approx(6.0, rel=0.25)
    assert sill == pytest.approx(4.0, rel=0.15)


def test_faults() -> None:
    with pytest.raises(InputError, match="family must be one of exponential, gaussian, spherical"):
        correlation(1.0, "linear")
    with pytest.raises(InputError, match="convention must be one of"):
        length_scale(1.0, "gaussian", "other")  # type: ignore[arg-type]
    with pytest.raises(InputError, match=r"nugget must not be negative \(received -1"):
        VariogramModel("exponential", partial_sill=1.0, range_m=1.0, nugget=-1.0)
    with pytest.raises(InputError, match="sill must be greater than zero"):
        VariogramModel("exponential", partial_sill=0.0, range_m=1.0)
    with pytest.raises(InputError, match="ratio must lie between"):
        VariogramModel("exponential", partial_sill=1.0, range_m=1.0, ratio=2.0)
    with pytest.raises(InputError, match=r"points must be \(n, 2\)"):
        VariogramModel("exponential", partial_sill=1.0, range_m=1.0).covariance([[1.0]], [[1.0, 2.0]])
    with pytest.raises(InputError, match="one place"):
        empirical_variogram([[0, 0], [1, 1]], [1.0])
    with pytest.raises(InputError, match=r"at least two readings \(received 1\)"):
        empirical_variogram([[0, 0]], [1.0])
    with pytest.raises(InputError, match="all readings lie at one place"):
        empirical_variogram([[1, 1], [1, 1]], [1.0, 2.0])
    with pytest.raises(InputError, match="bins must be at least 1"):
        empirical_variogram([[0, 0], [1, 1]], [1.0, 2.0], bins=0)
    with pytest.raises(InputError, match=r"at least 4 bins with pairs \(received 2\)"):
        fit_variogram(EmpiricalVariogram(np.ones(2), np.ones(2), np.ones(2, int)))
    with pytest.raises(InputError, match="the readings do not differ"):
        fit_variogram(EmpiricalVariogram(np.arange(1.0, 6.0), np.zeros(5), np.ones(5, int)))
    with pytest.raises(InputError, match="equally many"):
        EmpiricalVariogram(np.ones(2), np.ones(3), np.ones(2, int))
    with pytest.raises(InputError, match="greater than zero"):
        EmpiricalVariogram(np.zeros(2), np.ones(2), np.ones(2, int))


def test_a_fit_that_finds_no_end_is_tried_again_and_then_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    import gstools  # noqa: PLC0415 (the fit itself loads it as late)

    tried: list[float] = []
    true_fit = gstools.CovModel.fit_variogram

    def stubborn(model: gstools.CovModel, *args: object, **settings: object) -> object:
        stop = settings["curve_fit_kwargs"]["ftol"]  # type: ignore[index]
        tried.append(stop)
        if stop < limit:
            raise RuntimeError("Optimal parameters not found")
        return true_fit(model, *args, **settings)

    monkeypatch.setattr(gstools.CovModel, "fit_variogram", stubborn)
    truth = VariogramModel("exponential", partial_sill=2.0, range_m=6.0, nugget=0.5)
    h = np.arange(1.0, 10.0)
    empirical = EmpiricalVariogram(h, truth.gamma(h), np.full(9, 30))
    limit = 1e-9
    assert fit_variogram(empirical).range_m == pytest.approx(6.0, rel=1e-2)
    assert tried[:2] == [1e-12, 1e-7]
    limit = 1.0
    with pytest.raises(InputError, match="no variogram fits these readings"):
        fit_variogram(empirical)
