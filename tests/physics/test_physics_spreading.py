"""Point and line sources in even ground, and the share that a body's end leaves."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, special

from yewline.errors import InputError
from yewline.physics import (
    fresnel_radius_m,
    line_source_green,
    plane_wave,
    point_over_line,
    point_source_green,
    share_beyond_end,
    two_fresnel_zones_m,
)
from yewline.units import MU0_H_PER_M


def test_line_source_is_the_tabulated_hankel_function() -> None:
    # Abramowitz & Stegun 1964, table 9.1: J0(1) = 0.7651976866, Y0(1) = 0.0882569642; G = −(j/4)(J0 − jY0).
    assert complex(line_source_green(1.0, 1.0)) == pytest.approx(-0.25j * (0.7651976866 - 0.0882569642j), rel=1e-9)
    # The field −(ωμ0 I/4) H₀⁽²⁾ (Harrington 1961, section 5-6) at 400 MHz, 1 m, permittivity 9, 10 mS/m, I = 1 A.
    wave = plane_wave(400.0, permittivity=9.0, conductivity_ms_per_m=10.0)
    k = complex(wave.beta_rad_per_m, -wave.alpha_np_per_m)
    omega = 2e6 * np.pi * 400.0
    assert complex(-1j * omega * MU0_H_PER_M * line_source_green(k, 1.0)) == pytest.approx(
        -47.76100 - 47.02152j, rel=1e-5
    )


def test_a_line_of_point_sources_is_a_line_source() -> None:
    # ∫ e^{−jkR}/(4πR) dy over all y is −(j/4) H₀⁽²⁾(kr): with loss enough the integral ends by itself.
    k, r = 8.0 - 2.0j, 0.7
    parts = [
        integrate.quad(lambda y, take=take: 2 * take(complex(point_source_green(k, np.hypot(r, y)))), 0, 12, limit=400)[
            0
        ]
        for take in (np.real, np.imag)
    ]
    assert complex(*parts) == pytest.approx(complex(line_source_green(k, r)), rel=1e-8)


@pytest.mark.parametrize("loss", [0.0, 0.02])
def test_point_over_line_is_their_ratio_and_goes_to_half_a_derivative(loss: float) -> None:
    k = np.array([1.0, 10.0, 100.0, 1000.0]) * (1 - 1j * loss)
    ratio = point_over_line(k, 0.5)
    np.testing.assert_allclose(ratio[:3], (point_source_green(k, 0.5) / line_source_green(k, 0.5))[:3], rtol=1e-12)
    off = ratio / np.sqrt(1j * k / (2 * np.pi * 0.5)) - 1.0
    # Next term of Hankel's expansion: 1/(8jkr) (Abramowitz & Stegun 1964, 9.2.10), the one after it 1/(kr)².
    np.testing.assert_allclose(off[1:], (1.0 / (8j * k * 0.5))[1:], rtol=0.2)
    assert (np.diff(np.abs(off)) < 0).all()
    assert point_over_line(0.0, 0.5) == 0.0


def test_share_is_fresnels_integral_near_the_line() -> None:
    # For y ≪ L the phase is that of ∫ e^{−jπu²/2}, u = 2y √(k/πL) (Abramowitz & Stegun 1964, 7.3.1 and 7.3.2).
    k, path, end = 2000.0, 4.0, np.linspace(0.0, 0.2, 21)
    sine, cosine = special.fresnel(2 * end * np.sqrt(k / (np.pi * path)))
    want = 0.5 - (cosine - 1j * sine) / (1 - 1j)
    np.testing.assert_allclose(share_beyond_end(k, path, end), want, atol=5e-3)
    np.testing.assert_allclose(share_beyond_end(k, path, end[:5]), want[:5], atol=1e-4)


@pytest.mark.parametrize(("k", "bound"), [(6.3, 6.5e-3), (12.6, 2.5e-3), (25.1, 9e-4), (50.3, 4e-4)])
def test_share_against_the_exact_integral_over_a_thin_body(k: float, bound: float) -> None:
    # ∫ e^{−2jkR}/R² dy from y on, over that from −∞ on; s = R − d turned into the lower half plane, where it decays.
    # The bound falls with 1/k or faster; depth 0.5 m.
    d = 0.5

    def rest(y: float) -> complex:
        start = np.hypot(d, y)

        def part(root: float) -> complex:
            s = start - d - 1j * root**2
            return complex(-2j * root * np.exp(-2 * k * root**2) / ((d + s) * np.sqrt(s * (s + 2 * d))))

        ends = np.sqrt(20.0 / k)
        size = [integrate.quad(lambda u, t=t: t(part(u)), 0, ends, epsabs=1e-12)[0] for t in (np.real, np.imag)]
        return complex(np.exp(-2j * k * (start - d)) * complex(*size))

    whole = 2 * rest(0.0)
    for y in (0.05, 0.1, 0.3, 0.6, 1.0, 2.0):
        assert abs(rest(y) / whole - complex(share_beyond_end(k, 2 * d, y))) < bound


def test_share_limits_and_symmetry() -> None:
    k = np.array([5.0, 50.0, 500.0])[:, None] * (1 - 0.01j)
    end = np.array([0.0, 0.1, 1.0, np.inf])
    there, back = share_beyond_end(k, 2.0, end), share_beyond_end(k, 2.0, -end)
    np.testing.assert_allclose(there + back, 1.0, atol=1e-15)
    np.testing.assert_array_equal(there[:, 0], 0.5)
    np.testing.assert_array_equal(there[:, -1], 0.0)
    # The diffraction of a far end falls with the root of k (lossless).
    far = np.abs(share_beyond_end(np.array([100.0, 400.0]), 2.0, 2.0))
    assert far[0] / far[1] == pytest.approx(2.0, rel=5e-3)


def test_loss_shortens_the_diffraction_of_an_end() -> None:
    # The end's way is longer by δ: the loss over it is e^{−αδ} to the order of the root.
    delta = np.hypot(2.0, 2.0) - 2.0
    ratio = share_beyond_end(100.0 - 1.0j, 2.0, 1.0) / share_beyond_end(100.0, 2.0, 1.0)
    assert abs(ratio) == pytest.approx(np.exp(-delta), rel=1e-2)


def test_two_zones_are_four_radii() -> None:
    assert float(two_fresnel_zones_m(1.5, wavelength_m=0.25)) == pytest.approx(
        4 * fresnel_radius_m(1.5, centre_mhz=400.0, v_m_per_ns=0.1), rel=1e-12
    )
    depth = np.linspace(0.5, 1.5, 5)
    end = two_fresnel_zones_m(depth, wavelength_m=0.25) / 2
    beyond = np.abs(share_beyond_end(2 * np.pi / 0.25, 2 * depth, end))
    assert ((beyond > 0.04) & (beyond < 0.07)).all()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: point_source_green(1.0, 0.0), "distance_m must be greater than zero"),
        (
            lambda: line_source_green(1.0 + 1.0j, 1.0),
            "the wave grows with distance.*imaginary part is zero or negative",
        ),
        (lambda: point_over_line(1.0, [1.0, np.nan]), "distance_m must be greater than zero.*nan"),
        (lambda: share_beyond_end(0.0, 1.0, 0.0), "real part above zero"),
        (lambda: share_beyond_end(1.0 + 1j, 1.0, 0.0), "real part above zero.*a loss is negative"),
        (lambda: share_beyond_end(1.0, -1.0, 0.0), "path_m must be greater than zero"),
        (lambda: share_beyond_end(1.0, 1.0, np.nan), "end_m must be a number"),
        (lambda: two_fresnel_zones_m(-1.0, wavelength_m=0.25), "depth_m must be finite and not negative"),
        (lambda: two_fresnel_zones_m(1.0, wavelength_m=0.0), "wavelength_m must be greater than zero"),
    ],
)
def test_faults(call, words) -> None:
    with pytest.raises(InputError, match=words):
        call()
