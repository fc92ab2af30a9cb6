"""The f-k transform, the dip filter and the level part against plane waves, Parseval's identity and SciPy."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.fft
import scipy.signal

from yewline.errors import InputError
from yewline.signal import Section, background_removal
from yewline.signal.dips import (
    aliased_above_mhz,
    background_fk,
    default_steepest_ns_per_m,
    dip_filter,
    fan_weights,
    fk_spectrum,
)

SECTION = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
X = 0.05 * np.arange(300)[:, None]
T = 0.25 * np.arange(400)
INNER = slice(60, 240)


def noise(*shape: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(shape).astype(np.float32)


def ricker(t: np.ndarray, ghz: float = 0.4) -> np.ndarray:
    u = (np.pi * ghz * t) ** 2
    return (1 - 2 * u) * np.exp(-u)


def plane_wave(dip: float) -> np.ndarray:
    return ricker(T - 50.0 - dip * (X - 7.5)).astype(np.float32)


# Plane waves of known dip


@pytest.mark.parametrize("dip", [6.0, 7.0, 8.0, -6.0, -8.0])
def test_a_wave_inside_the_fan_is_removed_to_a_hundredth(dip):
    wave = plane_wave(dip)
    left = dip_filter(wave, SECTION, low_ns_per_m=5.0, high_ns_per_m=10.0)
    kept = dip_filter(wave, SECTION, low_ns_per_m=5.0, high_ns_per_m=10.0, action="keep")
    assert np.abs(left[INNER]).max() < 0.01
    assert np.abs(kept - wave)[INNER].max() < 0.01


@pytest.mark.parametrize("dip", [0.0, 2.0, 3.0, -3.0])
def test_a_wave_outside_the_fan_keeps_its_amplitude(dip):
    wave = plane_wave(dip)
    left = dip_filter(wave, SECTION, low_ns_per_m=5.0, high_ns_per_m=10.0)
    assert np.abs(left - wave)[INNER].max() < 0.01


def test_what_is_level_stays_whole_to_the_very_ends_of_the_line():
    wave = plane_wave(0.0)
    assert np.abs(dip_filter(wave, SECTION, low_ns_per_m=5.0, high_ns_per_m=10.0) - wave).max() < 1e-4


@pytest.mark.parametrize(("direction", "gone"), [("later", 7.0), ("earlier", -7.0)])
def test_one_direction_only(direction, gone):
    wave, mirror = plane_wave(gone), plane_wave(-gone)
    fan = {"low_ns_per_m": 5.0, "high_ns_per_m": 10.0, "direction": direction}
    assert np.abs(dip_filter(wave, SECTION, **fan)[INNER]).max() < 0.01
    assert np.abs(dip_filter(mirror, SECTION, **fan) - mirror)[INNER].max() < 0.01


def test_a_velocity_is_the_dip_of_its_limbs_in_two_way_time():
    x = noise(40, 64)
    by_dip = dip_filter(x, SECTION, low_ns_per_m=8.0, high_ns_per_m=20.0)
    by_velocity = dip_filter(x, SECTION, fastest_m_per_ns=0.25, slowest_m_per_ns=0.1)
    assert (by_dip == by_velocity).all()


def test_left_alone_it_removes_what_is_steeper_than_any_wave_from_the_ground():
    known = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0, velocity_m_per_ns=0.1)
    assert default_steepest_ns_per_m(known) == 20.0
    assert default_steepest_ns_per_m(SECTION) == 40.0
    x = noise(50, 80)
    assert (dip_filter(x, known) == dip_filter(x, known, low_ns_per_m=20.0)).all()
    assert (dip_filter(x, known, action="keep") == dip_filter(x, known, action="keep", high_ns_per_m=20.0)).all()


def test_aliasing():
    # 8 ns/m over 0.1 m is half a period at 625 MHz.
    assert aliased_above_mhz(-8.0, Section(interval_ns=0.2, spacing_m=0.1, centre_mhz=400.0)) == pytest.approx(625.0)
    assert aliased_above_mhz(0.0, SECTION) == math.inf


# Identities


@pytest.mark.parametrize("shape", [(2, 2), (3, 50), (60, 3), (101, 128)])
def test_kept_and_removed_add_up_to_the_input(shape):
    x = noise(*shape) * 7.0
    fan = {"low_ns_per_m": 3.0, "high_ns_per_m": 9.0, "direction": "later"}
    total = dip_filter(x, SECTION, **fan) + dip_filter(x, SECTION, action="keep", **fan)
    assert np.abs(total - x).max() < 1e-6 * np.abs(x).max()


def test_a_fan_of_all_dips_is_the_section_itself():
    x = noise(60, 100)
    assert np.abs(dip_filter(x, SECTION, action="keep", low_ns_per_m=0.0) - x).max() < 1e-6 * np.abs(x).max()


def test_energy_is_never_added():
    x = noise(120, 200)
    kept = dip_filter(x, SECTION, action="keep", low_ns_per_m=5.0, high_ns_per_m=10.0)
    assert (kept**2).sum() < (x**2).sum()


def test_spectrum_holds_the_energy_of_the_section():
    x = noise(50, 80)
    spectrum = fk_spectrum(x, SECTION, taper_share=0.0)
    twice = np.full(len(spectrum.frequency_mhz), 2.0)
    twice[[0, -1]] = 1.0
    assert (twice * np.abs(spectrum.values) ** 2).sum() == pytest.approx((x.astype(float) ** 2).sum(), rel=1e-5)


def test_spectrum_against_scipy():
    x = noise(30, 64)
    spectrum = fk_spectrum(x, SECTION, taper_share=0.0)
    n_x, n_t = len(spectrum.wavenumber_per_m), 2 * (len(spectrum.frequency_mhz) - 1)
    theirs = scipy.fft.fft2(x.astype(float), (n_x, n_t))[:, : n_t // 2 + 1] / math.sqrt(n_x * n_t)
    for row, wavenumber in enumerate(spectrum.wavenumber_per_m):
        # e^{−j2π(ft − kx)}: positive wavenumbers are the negative ones of a plain transform.
        column = round(-wavenumber * n_x * 0.05) % n_x
        assert spectrum.values[row] == pytest.approx(theirs[column], abs=2e-5)
    assert (np.diff(spectrum.wavenumber_per_m) > 0).all()


def test_the_taper_spares_time_zero_and_meets_silence_elsewhere():
    wave = np.cos(2 * np.pi * 0.4 * (T - 7.0 * X))
    sharp, soft = (np.abs(fk_spectrum(wave, SECTION, taper_share=share).values) for share in (0.0, 0.4))
    spectrum = fk_spectrum(wave, SECTION)
    # The wave's own negative frequency lies at the opposite wavenumber.
    far = (np.abs(spectrum.wavenumber_per_m - 2.8) > 1.0) & (spectrum.wavenumber_per_m > -1.0)
    assert soft[far].max() / soft.max() < 0.2 * sharp[far].max() / sharp.max()


def test_weights_rise_by_half_a_cosine_outside_the_fan():
    f = np.array([[0.5]])
    weight = fan_weights(0.5 * np.array([[4.0], [4.5], [5.0], [9.0], [10.0], [11.0], [12.0]]), f, 5.0, 10.0)
    assert weight[:, 0] == pytest.approx([0.0, 0.5, 1.0, 1.0, 1.0, 0.5, 0.0], abs=1e-6)
    still = fan_weights(np.array([[0.0], [1.0]]), np.array([[0.0]]), 0.0, 10.0)
    assert still[:, 0].tolist() == [1.0, 0.0]


# What is level


def test_a_long_window_or_none_is_the_mean_background():
    x = noise(120, 60) + 3.0
    mean = background_removal(x, SECTION)
    assert background_fk(x, SECTION) == pytest.approx(mean, abs=2e-6)
    assert background_fk(x, SECTION, window_m=18.1) == pytest.approx(mean, abs=2e-6)


@pytest.mark.parametrize("window_m", [0.3, 0.8, 4.0])
def test_level_part_against_scipy_cosine_transform(window_m):
    x = noise(150, 40) + 1.0
    spectrum = scipy.fft.dct(x.astype(float), axis=0)
    place = np.arange(150) / (2 * 150 * 0.05) * window_m
    keep = 0.5 - 0.5 * np.cos(np.pi * np.clip((place - 0.5) / 1.0, 0, 1))
    keep[0] = 0.0
    expected = scipy.fft.idct(spectrum * keep[:, None], axis=0)
    assert background_fk(x, SECTION, window_m=window_m) == pytest.approx(expected, abs=5e-6)


def test_waves_along_the_line_longer_than_the_window_go_and_shorter_ones_stay():
    along = X + 0.025
    pulse = ricker(T - 40.0)
    # Whole half-waves of the line, so that the mirror image goes on smoothly.
    long, short = (np.cos(2 * np.pi * along / wave) * pulse for wave in (30.0 / 6, 30.0 / 40))
    left = background_fk(long + short, SECTION, window_m=2.0)
    assert np.abs(left - short).max() < 1e-5


@pytest.mark.parametrize("traces", [4, 8, 16])
def test_a_short_response_loses_twice_its_share_of_the_window(traces):
    response = np.zeros((300, 400))
    response[150 : 150 + traces] = ricker(T - 40.0)
    both = response + np.tile(ricker(T - 10.0), (300, 1))
    at = 150 + traces // 2
    lost_fk = 1.0 - background_fk(both, SECTION, window_m=6.0)[at, 160]
    lost_mean = 1.0 - background_removal(both, SECTION, window_m=6.0)[at, 160]
    # The mean of a sharp edge at 1/window and its own width: 2·l/window, as sinc of the response allows.
    assert lost_mean == pytest.approx(traces * 0.05 / 6.0, abs=1e-5)
    assert lost_fk == pytest.approx(2 * lost_mean, rel=0.05)
    assert np.abs(background_fk(both, SECTION, window_m=6.0)[:, :80]).max() < 1e-5


# Faults


@pytest.mark.parametrize(
    ("parameters", "message"),
    [
        ({"action": "drop"}, "action must be one of remove, keep"),
        ({"direction": "left"}, "direction must be one of both, later, earlier"),
        ({"edge_share": 0.0}, "edge_share must lie between"),
        ({"low_ns_per_m": 9.0, "high_ns_per_m": 3.0}, "the fan of dips is empty"),
        ({"low_ns_per_m": 9.0, "fastest_m_per_ns": 0.2}, "low_ns_per_m and fastest_m_per_ns state the same limit"),
        ({"high_ns_per_m": 9.0, "slowest_m_per_ns": 0.2}, "high_ns_per_m and slowest_m_per_ns state the same limit"),
        ({"slowest_m_per_ns": 0.0}, "slowest_m_per_ns must be greater than zero"),
        ({"low_ns_per_m": -1.0}, "low_ns_per_m must lie between"),
    ],
)
def test_fans_that_cannot_be_are_refused(parameters, message):
    with pytest.raises(InputError, match=message):
        dip_filter(noise(5, 20), SECTION, **parameters)


def test_spacing_is_asked_for():
    bare = Section(interval_ns=0.25, spacing_m=0.0, centre_mhz=400.0)
    with pytest.raises(InputError, match="dips need the trace spacing"):
        dip_filter(noise(5, 20), bare)
    with pytest.raises(InputError, match="wavenumbers need the trace spacing"):
        background_fk(noise(5, 20), bare, window_m=2.0)
    with pytest.raises(InputError, match="the wavenumbers of a section need the trace spacing"):
        fk_spectrum(noise(5, 20), bare)
    with pytest.raises(InputError, match="edge_share must lie between 0 and 1"):
        background_fk(noise(5, 20), SECTION, edge_share=1.5)
    with pytest.raises(InputError, match="taper_share must lie between"):
        fk_spectrum(noise(5, 20), SECTION, taper_share=0.6)
    assert background_fk(noise(5, 20), bare).shape == (5, 20)


def test_a_sharp_cut_is_allowed():
    x = noise(80, 30)
    spectrum = scipy.fft.dct(x.astype(float), axis=0)
    spectrum[np.arange(80) / (2 * 80 * 0.05) < 0.5] = 0.0
    assert background_fk(x, SECTION, window_m=2.0, edge_share=0.0) == pytest.approx(
        scipy.fft.idct(spectrum, axis=0), abs=5e-6
    )
