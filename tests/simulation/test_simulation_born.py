"""Born integrals against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from yewline.errors import InputError
from yewline.physics import line_source_green, plane_wave, ricker_spectrum
from yewline.simulation.born import BornBox, BornGround, born_line, born_point
from yewline.simulation.instrument import Instrument
from yewline.simulation.pulse import Pulse
from yewline.units import C_M_PER_NS

STEP, SAMPLES, ZERO = 0.5, 128, 10.0
V = C_M_PER_NS / 3.0
ANTENNA = Instrument(centre_mhz=200.0, separation_m=0.0, interval_ns=STEP, samples=SAMPLES, zero_ns=ZERO)
TIME = STEP * np.arange(SAMPLES) - ZERO


def _trace(field: np.ndarray, omega: np.ndarray) -> np.ndarray:
    """A trace from a field at angular frequencies ω (rad/ns), for the Ricker of `ANTENNA`, one at 1 m."""
    spectrum = field * ricker_spectrum(1e3 * omega / (2 * np.pi), peak_mhz=200.0) * np.exp(-1j * omega * ZERO)
    spectrum[0] = 0.0
    return np.fft.irfft(spectrum)[:SAMPLES] / STEP


def _omega() -> np.ndarray:
    return 2 * np.pi * np.fft.rfftfreq(4096, STEP)


def test_a_grain_answers_with_the_second_derivative_of_the_pulse() -> None:
    # Rayleigh's limit (Chew 1995, section 8.10): w k0² Δε V e^{−2jkr} / 4πr², so −Δε V w''(t − 2r/v) / 4π c² r².
    side, depth = 0.002, 1.0
    grain = BornBox((-side / 2, side / 2), (-side / 2, side / 2), (depth - side / 2, depth + side / 2))
    late = (np.pi * 0.2 * (TIME - 2 * depth / V)) ** 2
    curve = -2 * (np.pi * 0.2) ** 2 * (3 - 12 * late + 4 * late**2) * np.exp(-late)
    want = -0.1 * side**3 * curve / (4 * np.pi * C_M_PER_NS**2 * depth**2)
    found = born_point(grain, [0.0], instrument=ANTENNA)[0]
    np.testing.assert_allclose(found, want, atol=2e-3 * np.abs(want).max())
    double = born_point(grain, [0.0], instrument=ANTENNA, ground=BornGround(contrast=0.2))[0]
    np.testing.assert_allclose(double, 2 * found, rtol=1e-12, atol=1e-20)


def test_a_thin_line_answers_with_the_square_of_hankels_function() -> None:
    side, depth = 0.002, 0.8
    line = BornBox((-side / 2, side / 2), (-1.0, 1.0), (depth - side / 2, depth + side / 2))
    soil = BornGround(conductivity_ms_per_m=10.0)
    omega = _omega()
    field = np.zeros(len(omega), complex)
    wave = plane_wave(1e3 * omega[1:] / (2 * np.pi), permittivity=9.0, conductivity_ms_per_m=10.0)
    green = line_source_green(wave.beta_rad_per_m - 1j * wave.alpha_np_per_m, depth)
    field[1:] = 4 * np.pi * (omega[1:] / C_M_PER_NS) ** 2 * 0.1 * side**2 * green**2
    want = _trace(field, omega)
    found = born_line(line, [0.0], instrument=ANTENNA, ground=soil)[0]
    np.testing.assert_allclose(found, want, atol=2e-3 * np.abs(want).max())


def test_a_wide_slab_answers_with_the_exponential_integral() -> None:
    # ∫ e^{−2jkR}/(4πR)² over a plane at depth z is E1(2jkz)/8π (substitute R), and ∫ E1 = e^{−a} − a E1(a): the weak
    # slab between two depths, until the answer of its sides comes (2 √(1 + 2.5²) m of way, 34 ns after its top).
    slab = BornBox((-2.5, 2.5), (-2.5, 2.5), (1.0, 1.3))
    omega = _omega()
    field = np.zeros(len(omega), complex)
    k = omega[1:] / V

    def below(z: float) -> np.ndarray:
        a = 2j * k * z
        return (np.exp(-a) - a * special.exp1(a)) / (2j * k)

    field[1:] = 0.5 * (omega[1:] / C_M_PER_NS) ** 2 * 0.1 * (below(1.0) - below(1.3))
    want = _trace(field, omega)
    found = born_point(slab, [0.0], instrument=ANTENNA)[0]
    early = TIME < 2 / V + 25.0
    np.testing.assert_allclose(found[early], want[early], atol=2e-3 * np.abs(want).max())
    # Its first crest is a weak Fresnel reflection, −Δε/4ε, by an image 2 m off; next order −2/(2jkz) is in quadrature.
    top = np.abs(TIME - 2 / V) < 1.0
    assert found[top].min() == pytest.approx(-0.1 / (4 * 9.0) / 2.0, rel=0.15)


@pytest.mark.parametrize("conductivity", [0.0, 10.0])
def test_quadrature_has_converged(conductivity: float) -> None:
    box = BornBox((-0.3, 0.3), (-0.2, 0.5), (0.4, 0.7))
    antenna = Instrument(centre_mhz=200.0, separation_m=0.2, interval_ns=STEP, samples=100, zero_ns=ZERO)
    soil = BornGround(conductivity_ms_per_m=conductivity)
    for born in (born_line, born_point):
        usual = born(box, [0.0, 0.4], instrument=antenna, ground=soil)
        twice = born(box, [0.0, 0.4], instrument=antenna, ground=soil, fineness=2.0)
        assert np.abs(usual - twice).max() < 1e-6 * np.abs(twice).max()
        rough = born(box, [0.0, 0.4], instrument=antenna, ground=soil, fineness=0.25)
        assert np.abs(rough - twice).max() > np.abs(usual - twice).max()


def test_loss_of_next_to_nothing_changes_next_to_nothing() -> None:
    # Without loss the phases are turned from frequency to frequency, with loss each is worked out.
    box = BornBox((-0.2, 0.2), (0.1, 0.5), (0.5, 0.7))
    clear = born_point(box, [0.1], instrument=ANTENNA)
    lossy = born_point(box, [0.1], instrument=ANTENNA, ground=BornGround(conductivity_ms_per_m=1e-6))
    np.testing.assert_allclose(lossy, clear, atol=1e-6 * np.abs(clear).max())


def test_transmitter_and_receiver_may_change_places() -> None:
    # Reciprocity: the box mirrored in the line's direction sees the antennas swapped.
    antenna = Instrument(centre_mhz=200.0, separation_m=0.4, interval_ns=STEP, samples=80, zero_ns=ZERO)
    here = born_point(BornBox((0.1, 0.4), (-0.2, 0.3), (0.4, 0.6)), [0.0], instrument=antenna)
    there = born_point(BornBox((-0.4, -0.1), (-0.2, 0.3), (0.4, 0.6)), [0.0], instrument=antenna)
    np.testing.assert_allclose(here, there, atol=1e-12 * np.abs(here).max())


def test_halves_add_up() -> None:
    whole = born_point(BornBox((-0.2, 0.2), (-0.4, 0.4), (0.5, 0.7)), [0.0], instrument=ANTENNA)
    near = born_point(BornBox((-0.2, 0.2), (-0.4, 0.1), (0.5, 0.7)), [0.0], instrument=ANTENNA)
    far = born_point(BornBox((-0.2, 0.2), (0.1, 0.4), (0.5, 0.7)), [0.0], instrument=ANTENNA)
    # 2e-6 is twice what the quadrature leaves.
    np.testing.assert_allclose(near + far, whole, atol=2e-6 * np.abs(whole).max())


def test_another_pulse() -> None:
    box = BornBox((-0.1, 0.1), (-0.1, 0.1), (0.5, 0.6))
    ricker = born_point(box, [0.0], instrument=ANTENNA)
    same = born_point(box, [0.0], instrument=ANTENNA, pulse=Pulse("ricker", 200.0))
    other = born_point(box, [0.0], instrument=ANTENNA, pulse=Pulse("gaussian-derivative", 200.0))
    np.testing.assert_array_equal(ricker, same)
    assert np.abs(other - ricker).max() > 0.1 * np.abs(ricker).max()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: BornBox((0.1, 0.1), (0, 1), (0.5, 1)), "along_m must end beyond where it begins"),
        (lambda: BornBox((0, 1), (np.nan, 1), (0.5, 1)), "across_m must be finite"),
        (lambda: BornBox((0, 1), (0, 1), (0.0, 1)), "too near the antennas.*0.02 m or more below"),
        (lambda: BornGround(permittivity=0.5), "permittivity must lie between"),
        (lambda: born_point(BornBox((0, 1), (0, 1), (0.5, 1)), [], instrument=ANTENNA), "at_m is empty"),
        (
            lambda: born_line(BornBox((0, 1), (0, 1), (0.5, 1)), [0.0], instrument=ANTENNA, fineness=0.0),
            "fineness must lie between",
        ),
    ],
)
def test_faults(call, words) -> None:
    with pytest.raises(InputError, match=words):
        call()
