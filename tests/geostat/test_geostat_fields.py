"""Random fields: their covariance, variance and bytes."""

from __future__ import annotations

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.geostat import FAMILIES, correlation, gaussian_field


@pytest.mark.parametrize("family", FAMILIES)
def test_covariance_of_many_draws(family: str) -> None:
    # 600 independent draws: sample covariances between places scatter by about sd² √(2/600) = 0.23 (1 sd) about theirs.
    fields = np.array(
        [gaussian_field((20, 16), (0.5, 1.0), ranges_m=(4.0, 6.0), sd=2.0, family=family, seed=s) for s in range(600)]
    )
    for dy, dx in ((0, 0), (1, 0), (0, 1), (4, 2), (8, 0), (0, 6), (19, 15)):
        near = fields[:, : 20 - dy, : 16 - dx]
        far = fields[:, dy:, dx:]
        expected = 4.0 * correlation(np.hypot(dy * 0.5 / 4.0, dx * 1.0 / 6.0), family)
        assert (near * far).mean() == pytest.approx(float(expected), abs=0.35), (dy, dx)


@pytest.mark.parametrize("family", FAMILIES)
def test_spectrum_gives_the_covariance_exactly(family: str) -> None:
    # Linear in the noise: with white noise of unit covariance the field's covariance is A Aᵀ, and feeding unit impulses
    # through a generator shows A itself. So no sampling error is in this test.
    class Impulse(np.random.Generator):
        def __init__(self, index: int) -> None:
            super().__init__(np.random.PCG64(0))
            self._index = index
            self.cells = 0

        def standard_normal(self, size: tuple[int, ...]) -> np.ndarray:  # type: ignore[override]
            noise = np.zeros(size)
            self.cells = noise.size
            noise.flat[self._index] = 1.0
            return noise

    def draw(source: Impulse) -> np.ndarray:
        return gaussian_field((12,), 0.5, ranges_m=3.0, sd=1.5, family=family, seed=source)

    first = Impulse(0)
    draw(first)
    matrix = np.array([draw(Impulse(i)) for i in range(first.cells)]).T
    lag = 0.5 * np.abs(np.subtract.outer(np.arange(12), np.arange(12)))
    expected = 2.25 * correlation(lag / 3.0, family)
    # The Gaussian family's spectrum is negative by some parts in ten thousand on this torus; the rest is exact.
    np.testing.assert_allclose(matrix @ matrix.T, expected, atol=5e-3 if family == "gaussian" else 1e-12)


@pytest.mark.parametrize("shape", [(30,), (1, 30), (30, 1), (12, 15), (6, 7, 8)])
def test_any_number_of_axes(shape: tuple[int, ...]) -> None:
    field = gaussian_field(shape, 0.1, ranges_m=0.2, sd=1.0, seed=3)
    assert field.shape == shape
    assert field.dtype == np.float64
    assert field.flags.c_contiguous
    many = np.array([gaussian_field(shape, 0.1, ranges_m=0.2, sd=1.0, seed=s) for s in range(200)])
    assert many.std() == pytest.approx(1.0, abs=0.06)


@pytest.mark.parametrize("family", FAMILIES)
def test_variance_is_kept_where_the_range_is_long(family: str) -> None:
    # A range five times the grid: the spectrum has negative parts, and what is clipped is given back.
    many = np.array([gaussian_field((10, 12), 1.0, ranges_m=60.0, sd=3.0, family=family, seed=s) for s in range(400)])
    assert np.sqrt((many**2).mean()) == pytest.approx(3.0, abs=0.35)
    near = (many[:, :, 1:] - many[:, :, :-1]).var() / 2
    # A step of one sixtieth of the range: γ = 9 (1 − ρ), and no rough noise on top.
    assert near == pytest.approx(float(9 * (1 - correlation(1 / 60, family))), rel=0.15, abs=2e-3)


def test_same_seed_same_bytes_and_sd_scales() -> None:
    one = gaussian_field((31, 17), 0.05, ranges_m=0.4, sd=1.0, seed=11)
    assert one.tobytes() == gaussian_field((31, 17), 0.05, ranges_m=0.4, sd=1.0, seed=11).tobytes()
    assert not np.array_equal(one, gaussian_field((31, 17), 0.05, ranges_m=0.4, sd=1.0, seed=12))
    np.testing.assert_allclose(gaussian_field((31, 17), 0.05, ranges_m=0.4, sd=0.02, seed=11), 0.02 * one, rtol=1e-14)
    assert not gaussian_field((5, 5), 1.0, ranges_m=2.0, sd=0.0, seed=1).any()
    generator = np.random.default_rng(11)
    np.testing.assert_array_equal(gaussian_field((31, 17), 0.05, ranges_m=0.4, sd=1.0, seed=generator), one)


def test_anisotropy_follows_the_axes() -> None:
    field = gaussian_field((200, 200), 1.0, ranges_m=(5.0, 50.0), sd=1.0, seed=2)
    assert np.diff(field, axis=0).var() > 3 * np.diff(field, axis=1).var()


def test_faults(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(InputError, match="one to three counts"):
        gaussian_field((0, 4), 1.0, ranges_m=1.0, sd=1.0, seed=1)
    with pytest.raises(InputError, match=r"ranges_m must be one number, or one for each of the 2 axes \(received 3\)"):
        gaussian_field((4, 4), 1.0, ranges_m=(1.0, 2.0, 3.0), sd=1.0, seed=1)
    with pytest.raises(InputError, match="spacing must be greater than zero"):
        gaussian_field((4, 4), 0.0, ranges_m=1.0, sd=1.0, seed=1)
    with pytest.raises(InputError, match=r"sd must not be negative \(received -1"):
        gaussian_field((4, 4), 1.0, ranges_m=1.0, sd=-1.0, seed=1)
    with pytest.raises(InputError, match=r"the random field would be too large .* Use larger cells or a shorter range"):
        gaussian_field((4000, 4000), 0.01, ranges_m=1000.0, sd=1.0, seed=1)
    # A torus that may not grow any further still gives a field.
    monkeypatch.setattr("yewline.geostat.fields._MOST_CELLS", 200)
    assert gaussian_field((5, 5), 1.0, ranges_m=3.0, sd=1.0, family="spherical", seed=1).shape == (5, 5)
