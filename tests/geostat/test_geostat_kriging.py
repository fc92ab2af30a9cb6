"""Kriging against a textbook's worked cases and two libraries."""

from __future__ import annotations

import gstools
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pykrige.ok import OrdinaryKriging

from yewline.errors import InputError
from yewline.geostat import KrigingOptions, VariogramModel, krige, krige_weights, length_scale

# Isaaks & Srivastava 1989, An Introduction to Applied Geostatistics, ch. 12 (pp. 290-313): seven samples of V.
XY = np.array([(61, 139), (63, 140), (64, 129), (68, 128), (71, 140), (73, 141), (75, 128)], dtype=float)
V = np.array([477, 696, 227, 646, 606, 791, 783], dtype=float)
TARGET = np.array([[65.0, 137.0]])


def exponential(sill: float = 10.0, a: float = 10.0, **more: float) -> VariogramModel:
    return VariogramModel("exponential", partial_sill=sill, range_m=a, **more)


@pytest.mark.parametrize(
    ("figure", "model", "estimate", "variance"),
    # The book prints the estimate to a unit and the variance to 0.01; further digits computed apart in
    # 40-digit arithmetic.
    [
        ("12.3", exponential(), 592.7289, 8.95605),
        ("12.6", exponential(sill=20.0), 592.7289, 17.91211),
        ("12.8", VariogramModel("gaussian", partial_sill=10.0, range_m=10.0), 559.3700, 4.78060),
        ("12.10", exponential(sill=5.0, nugget=5.0), 596.7770, 10.30585),
        ("12.12", exponential(a=20.0), 572.3899, 5.75850),
        ("12.16", exponential(a=20.0, ratio=0.5, azimuth_deg=135.0), 619.8083, 6.29859),
        ("12.18", exponential(a=20.0, ratio=0.5, azimuth_deg=45.0), 574.0486, 8.15629),
        ("12.20", exponential(a=100.0, ratio=0.1, azimuth_deg=135.0), 653.73779, 2.82997),
    ],
)
def test_isaaks_and_srivastava(figure: str, model: VariogramModel, estimate: float, variance: float) -> None:
    got, spread = krige(XY, V, TARGET, model=model)
    assert got[0] == pytest.approx(estimate, abs=1e-4), figure
    assert spread[0] == pytest.approx(variance, abs=1e-4 / 2), figure
    weights, lagrange = krige_weights(XY, TARGET, model=model)
    assert weights.sum() == pytest.approx(1.0, abs=1e-12)
    assert V @ weights[:, 0] == pytest.approx(got[0], rel=1e-12)
    tie = model.sill - weights[:, 0] @ model.covariance(XY, TARGET)[:, 0] - lagrange[0]
    assert tie == pytest.approx(spread[0], rel=1e-12)


def test_isaaks_and_srivastava_weights() -> None:
    # Table of figure 12.3: weights .173 .318 .129 .086 .151 .057 .086 and multiplier 0.907, further digits computed.
    weights, lagrange = krige_weights(XY, TARGET, model=exponential())
    np.testing.assert_allclose(weights[:, 0], [0.1729, 0.3178, 0.1287, 0.0864, 0.1511, 0.0572, 0.0858], atol=1e-4)
    assert lagrange[0] == pytest.approx(-0.9066, abs=1e-4)
    # Figure 12.8: a smooth model screens with negative weights, which must not be clipped.
    smooth, _ = krige_weights(XY, TARGET, model=VariogramModel("gaussian", partial_sill=10.0, range_m=10.0))
    np.testing.assert_allclose(np.sort(smooth[:, 0])[:3], [-0.2884, -0.0215, -0.0128], atol=1e-4)
    # Figure 12.20: so does a strong anisotropy.
    narrow, _ = krige_weights(XY, TARGET, model=exponential(a=100.0, ratio=0.1, azimuth_deg=135.0))
    assert narrow.min() < 0


@pytest.fixture(scope="module")
def readings() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(3)
    xy = rng.uniform(0, 30, (40, 2))
    return xy, np.sin(xy[:, 0] / 5) + 0.1 * rng.standard_normal(40), rng.uniform(-2, 32, (200, 2))


@pytest.mark.parametrize("family", ["exponential", "spherical"])
@pytest.mark.parametrize("nugget", [0.0, 0.3])
@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_agrees_with_pykrige(readings: tuple[np.ndarray, ...], family: str, nugget: float) -> None:
    xy, z, at = readings
    model = VariogramModel(family, partial_sill=1.2, range_m=9.0, nugget=nugget)
    peer = OrdinaryKriging(
        xy[:, 0],
        xy[:, 1],
        z,
        variogram_model=family,
        variogram_parameters={"psill": 1.2, "range": length_scale(9.0, family, "pykrige"), "nugget": nugget},
    )
    theirs, their_variance = peer.execute("points", at[:, 0], at[:, 1])
    ours, variance = krige(xy, z, at, model=model)
    np.testing.assert_allclose(ours, np.asarray(theirs), atol=1e-9)
    np.testing.assert_allclose(variance, np.asarray(their_variance), atol=1e-9)


@pytest.mark.parametrize("family", ["exponential", "spherical", "gaussian"])
def test_agrees_with_gstools(readings: tuple[np.ndarray, ...], family: str) -> None:
    xy, z, at = readings
    model = VariogramModel(family, partial_sill=1.2, range_m=9.0, nugget=0.05, ratio=0.4, azimuth_deg=30.0)
    kind = {"exponential": gstools.Exponential, "spherical": gstools.Spherical, "gaussian": gstools.Gaussian}[family]
    # GSTools turns anticlockwise from +x; ours is a bearing from +y.
    peer = kind(
        dim=2, var=1.2, len_scale=length_scale(9.0, family, "gstools"), anis=0.4, angles=np.radians(60.0), nugget=0.05
    )
    theirs, their_variance = gstools.krige.Ordinary(peer, xy.T, z, exact=True)(at.T)
    ours, variance = krige(xy, z, at, model=model)
    np.testing.assert_allclose(ours, theirs, atol=1e-8)
    np.testing.assert_allclose(variance, their_variance, atol=1e-8)


def test_errors_of_readings_agree_with_gstools(readings: tuple[np.ndarray, ...]) -> None:
    xy, z, at = readings
    error = np.linspace(0.05, 0.4, len(z))
    peer = gstools.Exponential(dim=2, var=1.2, len_scale=3.0)
    theirs, their_variance = gstools.krige.Ordinary(peer, xy.T, z, cond_err=error**2)(at.T)
    ours, variance = krige(xy, z, at, model=exponential(sill=1.2, a=9.0), error_sd=error)
    np.testing.assert_allclose(ours, theirs, atol=1e-8)
    np.testing.assert_allclose(variance, their_variance, atol=1e-8)


def test_exact_at_readings_without_nugget(readings: tuple[np.ndarray, ...]) -> None:
    xy, z, _ = readings
    estimate, variance = krige(xy, z, xy, model=exponential())
    np.testing.assert_allclose(estimate, z, atol=1e-9)
    np.testing.assert_allclose(variance, 0.0, atol=1e-9)
    smoothed, spread = krige(xy, z, xy, model=exponential(), error_sd=1.0)
    assert np.abs(smoothed - z).max() > 0.01
    assert spread.min() > 0.1


def test_variance_grows_away_from_readings() -> None:
    at = np.column_stack([np.linspace(0, 200, 50), np.zeros(50)])
    _, variance = krige(XY - XY[0], V, at - 20, model=exponential())
    far = variance[at[:, 0] > 60]
    assert (np.diff(far) >= -1e-12).all()
    # Far away the estimate is the estimated mean, and its variance exceeds the sill by that of the mean.
    estimate, spread = krige(XY, V, [[1e4, 1e4]], model=exponential())
    ones = np.ones(len(XY))
    inverse = np.linalg.inv(exponential().covariance(XY, XY))
    assert estimate[0] == pytest.approx(ones @ inverse @ V / (ones @ inverse @ ones), rel=1e-10)
    assert spread[0] == pytest.approx(10 + 1 / (ones @ inverse @ ones), rel=1e-10)


@given(st.floats(-1e3, 1e3), st.floats(0.1, 100), st.integers(0, 50))
@settings(max_examples=25, deadline=None)
def test_shift_and_scale_carry_over(shift: float, scale: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    xy, z, at = rng.uniform(0, 10, (6, 2)), rng.standard_normal(6), rng.uniform(0, 10, (5, 2))
    model = exponential(sill=1.0, nugget=0.1)
    plain, variance = krige(xy, z, at, model=model)
    moved, same = krige(xy, shift + scale * z, at, model=model)
    np.testing.assert_allclose(moved, shift + scale * plain, atol=1e-8 * (abs(shift) + scale))
    np.testing.assert_array_equal(variance, same)


@given(st.floats(-180.0, 180.0), st.floats(0.05, 1.0), st.sampled_from([None, 4]), st.integers(0, 50))
@settings(max_examples=25, deadline=None)
def test_turns_and_shifts_of_the_ground_carry_over(turn: float, ratio: float, nearest: int | None, seed: int) -> None:
    rng = np.random.default_rng(seed)
    xy, z, at = rng.uniform(0, 10, (8, 2)), rng.standard_normal(8), rng.uniform(0, 10, (5, 2))
    options = KrigingOptions(nearest=nearest)
    plain = krige(xy, z, at, model=exponential(sill=1.0, ratio=ratio, azimuth_deg=25.0), options=options)
    s, c = np.sin(np.radians(turn)), np.cos(np.radians(turn))
    # Clockwise, as bearings are counted.
    clockwise = np.array([[c, s], [-s, c]])
    model = exponential(sill=1.0, ratio=ratio, azimuth_deg=25.0 + turn)
    moved = krige(xy @ clockwise.T + [300.0, -50.0], z, at @ clockwise.T + [300.0, -50.0], model=model, options=options)
    np.testing.assert_allclose(moved[0], plain[0], atol=1e-9)
    np.testing.assert_allclose(moved[1], plain[1], atol=1e-9)


@pytest.mark.parametrize("family", ["exponential", "spherical", "gaussian"])
def test_variance_is_never_below_zero(family: str) -> None:
    # At readings, and a rounding's width beside them, it is zero but for rounding.
    rng = np.random.default_rng(12)
    xy = rng.uniform(0, 30, (50, 2))
    at = np.concatenate([xy, xy + 1e-9, xy + rng.uniform(-1e-7, 1e-7, xy.shape)])
    model = VariogramModel(family, partial_sill=1e4, range_m=8.0)
    for nearest in (None, 12):
        _, variance = krige(xy, rng.standard_normal(50), at, model=model, options=KrigingOptions(nearest=nearest))
        assert variance.min() >= 0.0
        assert variance.max() < 1e-3


def test_blocks_do_not_change_the_result(readings: tuple[np.ndarray, ...], monkeypatch: pytest.MonkeyPatch) -> None:
    xy, z, at = readings
    whole = krige(xy, z, at, model=exponential())
    monkeypatch.setattr("yewline.geostat.kriging._BLOCK", 300)
    parts = krige(xy, z, at, model=exponential())
    np.testing.assert_allclose(parts[0], whole[0], rtol=1e-12)
    np.testing.assert_allclose(parts[1], whole[1], atol=1e-12)


def test_one_two_and_three_readings() -> None:
    model = exponential(sill=4.0)
    one, variance = krige([[0.0, 0.0]], [7.0], [[0.0, 0.0], [3.0, 4.0], [1e6, 0.0]], model=model)
    assert one.tolist() == [7.0, 7.0, 7.0]
    np.testing.assert_allclose(variance, [0.0, 8 * (1 - np.exp(-1.5)), 8.0], atol=1e-12)
    two, _ = krige([[0.0, 0.0], [2.0, 0.0]], [1.0, 3.0], [[1.0, 5.0]], model=model)
    assert two[0] == pytest.approx(2.0, rel=1e-12)
    corners = [[0.0, 0.0], [2.0, 0.0], [1.0, np.sqrt(3.0)]]
    three, _ = krige(corners, [1.0, 3.0, 8.0], [[1.0, np.sqrt(3.0) / 3.0]], model=model)
    assert three[0] == pytest.approx(4.0, rel=1e-12)


@pytest.mark.parametrize(
    ("model", "error"), [(exponential(nugget=2.0), 0.0), (exponential(), np.sqrt(2.0))], ids=["nugget", "error"]
)
def test_repeated_readings_count_as_their_mean(model: VariogramModel, error: float) -> None:
    # Two readings at one place with variance 2 each are one reading of variance 1: an identity of least squares.
    xy = np.array([[0.0, 0.0], [0.0, 0.0], [5.0, 1.0], [2.0, 6.0]])
    z = np.array([1.0, 3.0, 4.0, 0.0])
    at = [[1.0, 1.0], [4.0, 4.0]]
    repeated, variance = krige(xy, z, at, model=model, error_sd=error)
    plain = exponential()
    merged, merged_variance = krige(xy[1:], [2.0, 4.0, 0.0], at, model=plain, error_sd=np.sqrt([1.0, 2.0, 2.0]))
    np.testing.assert_allclose(repeated, merged, rtol=1e-12)
    np.testing.assert_allclose(variance - (model.sill - plain.sill), merged_variance, rtol=1e-12)


def test_faults() -> None:
    with pytest.raises(InputError, match=r"cannot be told apart by the variogram \(received two of them 0 m apart at"):
        krige([[1, 2], [5, 5], [1, 2]], [1.0, 2.0, 3.0], [[0, 0]], model=exponential())
    # The pair is found wherever other readings lie between the two in x or y.
    close = [[1.0, 2.0], [5.0, 2.0 + 5e-14], [9.0, 9.0], [1.0, 2.0 + 1e-13]]
    with pytest.raises(
        InputError, match=r"two of them 9\.\d+e-14 m apart at \(1, 2\)\)\. Give the model a nugget or the"
    ):
        krige(close, [1.0, 2.0, 3.0, 4.0], [[0, 0]], model=exponential())
    with pytest.raises(InputError, match="error_sd must be numbers"):
        krige(XY, V, TARGET, model=exponential(), error_sd=["small"] * 7)
    with pytest.raises(InputError, match=r"weights are those of all readings \(received nearest = 3\)\. Leave it out"):
        krige_weights(XY, TARGET, model=exponential(), options=KrigingOptions(nearest=3))
    with pytest.raises(InputError, match=r"one value for each place \(received 2 values for 7 places\)"):
        krige(XY, V[:2], TARGET, model=exponential())
    with pytest.raises(InputError, match=r"error_sd must be one number, or one for each reading"):
        krige(XY, V, TARGET, model=exponential(), error_sd=[1.0, 2.0])
    with pytest.raises(InputError, match="error_sd must be finite and not negative"):
        krige(XY, V, TARGET, model=exponential(), error_sd=-1.0)
    with pytest.raises(InputError, match=r"at must be \(n, 2\) in the order x, y"):
        krige(XY, V, [[1.0, 2.0, 3.0]], model=exponential())
    with pytest.raises(InputError, match="values holds values that are not finite"):
        krige(XY, np.where(V > 700, np.nan, V), TARGET, model=exponential())
