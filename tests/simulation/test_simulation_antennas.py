"""Pulses against closed forms and a short dipole's exact field; the catalogue against the rules of survey design."""

from __future__ import annotations

import math

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.physics import ricker, time_interval_ns, time_window_ns, trace_spacing_m
from yewline.simulation.antennas import ANTENNAS, antenna, antenna_pair, antenna_pulse, antenna_ringing
from yewline.simulation.pulse import CURRENT_A_PER_FIELD_NS, PULSE_KINDS, Pulse
from yewline.units import C_M_PER_NS, ETA0_OHM


def sampled(peak_mhz: float = 400.0, interval_ns: float = 0.25, n: int = 64, late_ns: float = 0.07) -> np.ndarray:
    """A Ricker wavelet as a recorder might have it: scaled, turned over, its middle between two samples."""
    return -37.0 * ricker(interval_ns * (np.arange(n) - n / 2) - late_ns, peak_mhz=peak_mhz)


def recorded(**changes: float) -> Pulse:
    return Pulse("recorded", samples=tuple(sampled(**changes)), interval_ns=changes.get("interval_ns", 0.25))


def all_pulses() -> list[Pulse]:
    return [Pulse("ricker", 400.0), Pulse("gaussian-derivative", 400.0), recorded()]


@pytest.mark.parametrize("pulse", all_pulses(), ids=PULSE_KINDS)
def test_current_radiates_the_field_of_a_short_dipole(pulse: Pulse) -> None:
    # Exact field of a short element, Balanis, Antenna Theory, section 4.2 (formula from memory), broadside:
    # E_z = −jηk I l e^{−jkr}/(4πr) (1 + 1/(jkr) − 1/(kr)²). Far off it must be w(t − r/c)/r.
    step, n, far = 0.02, 4096, 3_000.0
    time = step * (np.arange(n) - n // 2)
    current = pulse.current(time)
    omega = 2.0 * np.pi * np.fft.rfftfreq(n, step)
    k = np.maximum(omega / C_M_PER_NS, 1e-12)
    near = 1.0 + 1.0 / (1j * k * far) - 1.0 / (k * far) ** 2
    near[0] = 0.0
    field = np.fft.irfft(-1j * ETA0_OHM * k / (4.0 * np.pi * far) * near * np.fft.rfft(current), n)
    assert far * field == pytest.approx(pulse.field(time), abs=1e-3)


@pytest.mark.parametrize("pulse", all_pulses(), ids=PULSE_KINDS)
def test_current_is_the_running_integral_and_returns_to_zero(pulse: Pulse) -> None:
    time = np.linspace(-10.0, 10.0, 40_001)
    field = pulse.field(time)
    running = np.concatenate([[0.0], np.cumsum(0.5 * (field[1:] + field[:-1]))]) * (time[1] - time[0])
    assert pulse.current(time) == pytest.approx(CURRENT_A_PER_FIELD_NS * running, abs=1e-6)
    assert abs(pulse.current([9.9])[0]) < 1e-6
    # −4π/μ0 with μ0 = 4π·10⁻⁷ and time in ns: −10⁷ · 10⁻⁹.
    assert pytest.approx(-0.01, rel=1e-12) == CURRENT_A_PER_FIELD_NS


@pytest.mark.parametrize("pulse", all_pulses(), ids=PULSE_KINDS)
def test_spectrum_is_the_transform_of_the_field(pulse: Pulse) -> None:
    time = np.arange(-20.0, 20.0, 0.05)
    frequency = np.array([0.0, 50.0, 200.0, 400.0, 700.0, 1_200.0])
    turn = np.exp(-2j * np.pi * 1e-3 * np.multiply.outer(frequency, time))
    expected = turn @ pulse.field(time) * 0.05
    assert np.abs(pulse.spectrum(frequency) - expected).max() < 1e-5


@pytest.mark.parametrize("pulse", all_pulses(), ids=PULSE_KINDS)
@pytest.mark.parametrize("level", [0.5, 0.1, 0.01])
def test_band_edges_lie_where_the_spectrum_has_fallen(pulse: Pulse, level: float) -> None:
    size = np.abs(pulse.spectrum([*pulse.band_mhz(level), pulse.peak_mhz]))
    assert size[:2] / size[2] == pytest.approx([level, level], rel=0.02)
    assert pulse.peak_mhz == pytest.approx(400.0, rel=0.005)
    assert np.abs(pulse.field(np.linspace(-5, 5, 20_001))).max() == pytest.approx(1.0, abs=1e-5)


def test_ricker_has_its_published_zeros_troughs_and_band() -> None:
    # Ricker 1953, Geophysics 18:10-40; Wang 2015, Geophysics 80(2):A31-A37: zeros ±0.225079/f, troughs −0.446260 at
    # ±0.389848/f, −40 dB at 2.763757 f (values recomputed from the formula).
    pulse = Pulse("ricker", 1_000.0)
    assert pulse.field([0.225079, -0.225079]) == pytest.approx([0.0, 0.0], abs=1e-5)
    assert pulse.field([0.389848]) == pytest.approx([-0.446260], abs=1e-6)
    assert pulse.band_mhz(0.01)[1] == pytest.approx(2_763.757, abs=0.01)


def test_gaussian_derivative_is_one() -> None:
    # Its current is a Gaussian of standard deviation 1/(2πf), and its crests lie one of these from the middle.
    pulse = Pulse("gaussian-derivative", 400.0)
    sigma = 1e3 / (2 * math.pi * 400.0)
    assert pulse.field([-sigma, 0.0, sigma]) == pytest.approx([1.0, 0.0, -1.0], abs=1e-14)
    assert pulse.current([0.0, sigma]) == pytest.approx(CURRENT_A_PER_FIELD_NS * sigma * np.exp([0.5, 0.0]), rel=1e-12)


@pytest.mark.parametrize("late", [0.0, 0.07, -0.11])
def test_recorded_pulse_is_read_between_its_samples(late: float) -> None:
    pulse = recorded(late_ns=late)
    time = np.linspace(-6.0, 6.0, 1_201)
    # Taken back to its middle, scaled to one, and still turned over.
    assert pulse.field(time) == pytest.approx(-ricker(time, peak_mhz=400.0), abs=2e-4)
    assert pulse.current(time) == pytest.approx(-Pulse("ricker", 400.0).current(time), abs=2e-6)
    assert pulse.band_mhz(0.01)[1] == pytest.approx(2.763757 * 400.0, rel=2e-3)
    assert pulse.field([-100.0, 100.0]).tolist() == [0.0, 0.0]


def test_recorded_pulse_does_not_hang_on_how_finely_it_was_sampled() -> None:
    time = np.linspace(-5.0, 5.0, 501).reshape(3, 167)
    coarse, fine = recorded(interval_ns=0.4, n=48), recorded(interval_ns=0.05, n=320)
    assert coarse.field(time).shape == (3, 167)
    assert coarse.field(time) == pytest.approx(fine.field(time), abs=3e-3)


def test_small_mean_of_a_recorded_pulse_is_taken_out() -> None:
    pulse = Pulse("recorded", samples=tuple(sampled() + 0.05), interval_ns=0.25)
    assert abs(pulse.current([9.9])[0]) < 1e-6
    assert pulse.field([0.0])[0] == pytest.approx(-1.0, abs=2e-3)


def test_span_holds_the_pulse() -> None:
    for pulse in all_pulses()[:2]:
        first, last = pulse.span_ns(1e-6)
        outside = np.concatenate([np.linspace(first - 20, first, 500), np.linspace(last, last + 20, 500)])
        assert np.abs(pulse.field(outside)).max() < 2e-6
        assert np.abs(pulse.field([first + 0.02, last - 0.02])).min() > 1e-6
    first, last = recorded().span_ns()
    assert last - first == pytest.approx(63 * 0.25)
    assert first < 0 < last


def test_same_pulse_same_bytes_and_equal() -> None:
    assert recorded() == recorded()
    assert recorded().field([0.123]).tobytes() == recorded().field([0.123]).tobytes()


@pytest.mark.parametrize(
    ("samples", "interval", "message"),
    [
        ([0.0, 1.0, np.nan] * 5, 0.25, "holds values that are not finite"),
        ([0.0, 1.0, -1.0, 0.0], 0.25, "too short .*received 4 samples over 0.75 ns.*8 samples or more"),
        ([0.0] * 20, 0.25, "all zeros"),
        (np.cos(np.arange(40) * 0.3), 0.25, "does not begin and end at zero .*100.0 % .*at the start"),
        (np.exp(-(((np.arange(41) - 20) / 4.0) ** 2)), 0.25, "has a mean.*received .∫w. is 100.0 %"),
        (sampled(900.0, 0.4, 64), 0.4, "too coarsely for its band .*at the Nyquist frequency, 1250 MHz"),
        (sampled(), 0.0, "interval_ns must be greater than zero"),
        ([], 0.25, "is empty"),
    ],
)
def test_recorded_pulse_that_cannot_be_is_refused(samples: list[float], interval: float, message: str) -> None:
    with pytest.raises(InputError, match=message):
        Pulse("recorded", samples=tuple(samples), interval_ns=interval)


def test_pulse_of_no_known_kind_is_refused() -> None:
    with pytest.raises(InputError, match="kind must be one of ricker, gaussian-derivative, recorded"):
        Pulse("square")  # type: ignore[arg-type]
    with pytest.raises(InputError, match="has a formula, not samples .*received 2 samples"):
        Pulse("ricker", samples=(1.0, 2.0))
    with pytest.raises(InputError, match="peak_mhz must be greater than zero"):
        Pulse("ricker", 0.0)
    with pytest.raises(InputError, match="level must lie between"):
        Pulse("ricker").band_mhz(0.0)


def test_catalogue_keeps_to_the_rules_of_survey_design() -> None:
    # Annan & Cosway 1992, SAGEEP, 329-351 (values from memory): at most 1/(6f) between samples, a quarter of a
    # wavelength between traces (here in soil of 0.08 m/ns), a window of 1.3 two-way times. A pair of up to 400 MHz is
    # to see 1.8 m deep there, as deep as graves lie.
    assert [pair.nominal_mhz for pair in ANTENNAS] == [100, 200, 270, 400, 500, 700, 900]
    for pair in ANTENNAS:
        instrument = antenna(pair.nominal_mhz)
        centre = instrument.centre_mhz
        assert centre < pair.nominal_mhz
        assert instrument.interval_ns <= time_interval_ns(centre_mhz=centre)
        assert pair.spacing_m <= trace_spacing_m(centre_mhz=centre, v_m_per_ns=0.08)
        if pair.nominal_mhz <= 400:
            assert pair.window_ns - instrument.zero_ns >= time_window_ns(1.8, v_m_per_ns=0.09)
        assert instrument.samples * instrument.interval_ns == pytest.approx(pair.window_ns, rel=0.01)
        # The pulse's rise lies within the record, and its band within what the samples hold.
        pulse = antenna_pulse(instrument)
        assert -pulse.span_ns(1e-5)[0] <= instrument.zero_ns
        assert pair.ringing_ns > 1e3 / pair.nominal_mhz
    separations = [pair.separation_m for pair in ANTENNAS]
    assert separations == sorted(separations, reverse=True)


def test_own_values_take_the_place_of_the_usual_ones() -> None:
    own = antenna(400, window_ns=50.0, interval_ns=0.1, separation_m=0.3, height_m=0.0, loading=0.5)
    assert (own.samples, own.interval_ns, own.separation_m, own.height_m, own.centre_mhz) == (500, 0.1, 0.3, 0.0, 200.0)
    # Half the centre, twice the pulse: it needs twice the quiet before it.
    assert own.zero_ns == pytest.approx(2 * antenna(400, loading=1.0).zero_ns)
    ringing = antenna_ringing(200)
    assert (ringing.strength, ringing.period_ns, ringing.decay_ns) == (0.008, 6.25, 18.0)
    assert antenna_pair(900.0).aperture_m == 0.8


def test_antenna_that_cannot_be_is_refused() -> None:
    with pytest.raises(InputError, match="no generic antenna pair .*received 250 MHz.*100, 200, 270, 400"):
        antenna(250)
    with pytest.raises(InputError, match="window ends before the wave leaves .*received 4 ns"):
        antenna(400, window_ns=4.0)
    with pytest.raises(InputError, match="loading must lie between 0.3 and 1"):
        antenna(400, loading=1.5)
    with pytest.raises(InputError, match="antenna is underground"):
        antenna(400, height_m=-0.01)
    with pytest.raises(InputError, match="cannot hold the pulse's band .*884 MHz at −40 dB, and samples for 714"):
        antenna_pulse(antenna(400, interval_ns=0.7))
    with pytest.raises(InputError, match="recorded pulse"):
        antenna_pulse(antenna(400), kind="recorded")
