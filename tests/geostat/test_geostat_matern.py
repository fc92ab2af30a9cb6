"""The Matérn family: closed forms, GSTools, limits and conventions."""

from __future__ import annotations

import math

import gstools
import numpy as np
import pytest

from yewline.errors import InputError
from yewline.geostat import SMOOTHNESS_BOUNDS, correlation, matern_correlation, matern_length

LAGS = np.concatenate([[0.0], np.geomspace(1e-4, 4.0, 60)])


@pytest.mark.parametrize(
    ("smoothness", "closed"),
    [
        # Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, eq. 4.17 (z = √(2ν) h/ℓ).
        (0.5, lambda z: np.exp(-z)),
        (1.5, lambda z: (1 + z) * np.exp(-z)),
        (2.5, lambda z: (1 + z + z * z / 3) * np.exp(-z)),
    ],
)
def test_half_integer_smoothness_has_a_closed_form(smoothness: float, closed) -> None:  # type: ignore[no-untyped-def]
    z = LAGS * math.sqrt(2 * smoothness) / matern_length(1.0, smoothness, "plain")
    np.testing.assert_allclose(matern_correlation(LAGS, smoothness), closed(z), rtol=1e-12)


def test_exponential_is_smoothness_one_half() -> None:
    np.testing.assert_allclose(matern_correlation(LAGS, 0.5), correlation(LAGS, "exponential"), rtol=1e-12)
    assert matern_length(6.0, 0.5, "plain") == pytest.approx(2.0, rel=1e-13)


def test_gaussian_is_the_limit_and_the_error_falls_as_one_over_smoothness() -> None:
    errors = [np.abs(matern_correlation(LAGS, nu) - correlation(LAGS, "gaussian")).max() for nu in (6.25, 12.5, 25, 50)]
    falls = np.divide(errors[:-1], errors[1:])
    assert (np.diff(errors) < 0).all()
    assert falls == pytest.approx([2.0, 2.0, 2.0], abs=0.1)


@pytest.mark.parametrize("smoothness", [0.2, 0.3, 0.5, 1.0, 1.7, 4.0, 20.0])
def test_gstools_has_the_same_function(smoothness: float) -> None:
    peer = gstools.Matern(dim=3, len_scale=matern_length(2.5, smoothness, "gstools"), nu=smoothness)
    np.testing.assert_allclose(matern_correlation(LAGS, smoothness), peer.correlation(2.5 * LAGS), rtol=1e-9)
    # Its own search for a distance at which the correlation is e⁻³ finds our practical range.
    assert peer.percentile_scale(1 - math.exp(-3)) == pytest.approx(2.5, rel=1e-6)


@pytest.mark.parametrize("smoothness", [*SMOOTHNESS_BOUNDS, 0.5, 1.0, 1.0 + 1e-7, 7.3])
def test_every_smoothness_falls_from_one_through_the_practical_range(smoothness: float) -> None:
    lags = np.concatenate([[0.0], np.geomspace(1e-300, 300.0, 400)])
    rho = matern_correlation(lags, smoothness)
    assert rho[0] == 1.0
    assert rho[1] == pytest.approx(1.0, abs=1e-12)
    # Bessel values carry errors of some 1e-14, seen where the curve is flat.
    assert (np.diff(rho) <= 1e-12).all()
    assert (rho >= 0).all()
    assert matern_correlation(1.0, smoothness) == pytest.approx(math.exp(-3), rel=1e-12)


@pytest.mark.parametrize("smoothness", [2.0, 10.0, 50.0])
def test_near_zero_the_curve_is_a_parabola(smoothness: float) -> None:
    # ρ = 1 − z²/(4(ν − 1)) + O(z⁴): the series of the Bessel function (DLMF 10.31.1, 10.25.2).
    z = 1e-2
    lag = z / math.sqrt(2 * smoothness) * matern_length(1.0, smoothness, "plain")
    drop = 1 - matern_correlation(lag, smoothness)
    # The next term is smaller by z² (and by z² log z for ν = 2), about 1e-4; digits lost to 1 − ρ are 1e-13 / 1e-6.
    assert drop == pytest.approx(z * z / (4 * (smoothness - 1)), rel=5e-4)


def test_lengths_of_the_conventions() -> None:
    for nu in (0.3, 0.5, 2.0):
        plain, karman = matern_length(3.0, nu, "plain"), matern_length(3.0, nu, "karman")
        assert plain / karman == pytest.approx(math.sqrt(2 * nu))
        assert plain / matern_length(3.0, nu, "gstools") == pytest.approx(math.sqrt(2.0))
        assert matern_length(6.0, nu, "plain") == pytest.approx(2 * plain)


def test_faults() -> None:
    with pytest.raises(InputError, match=r"smoothness must lie between 0.2 and 50 \(received 0.1"):
        matern_correlation(0.5, 0.1)
    with pytest.raises(InputError, match="smoothness must lie between"):
        matern_length(1.0, 51.0, "plain")
    with pytest.raises(InputError, match=r"distances must be finite and not negative \(received -1"):
        matern_correlation([0.5, -1.0], 1.0)
    with pytest.raises(InputError, match=r"distances must be finite and not negative \(received nan"):
        matern_correlation(math.nan, 1.0)
    with pytest.raises(InputError, match="convention must be one of plain, karman, gstools"):
        matern_length(1.0, 1.0, "pykrige")  # type: ignore[arg-type]
    with pytest.raises(InputError, match="range_m must be greater than zero"):
        matern_length(0.0, 1.0, "plain")
