"""Time zero: planted ramps, steps and offsets come back to a part of a sample, in noise and beside faults."""

from __future__ import annotations

import math

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.signal import Section, pick_time_zero, time_zero
from yewline.signal.time_zero import shift_by
from yewline.units import C_M_PER_NS

DT = 0.25
SECTION = Section(interval_ns=DT, spacing_m=0.05, centre_mhz=400.0)


def ricker(t: np.ndarray, mhz: float = 400.0) -> np.ndarray:
    """Ricker 1953, Geophysics 18:10–40."""
    u = (np.pi * mhz * 1e-3 * t) ** 2
    return (1 - 2 * u) * np.exp(-u)


def line(zero_ns: np.ndarray, *, samples: int = 256, noise: float = 0.0, seed: int = 0) -> np.ndarray:
    """Traces whose direct wave has its middle at `zero_ns`, over weaker reflections that move with it."""
    t = DT * np.arange(samples)
    rng = np.random.default_rng(seed)
    traces = [
        ricker(t - z) + 0.2 * ricker(t - z - 14.0 - 3 * math.sin(i / 15)) + 0.1 * ricker(t - z - 33.3)
        for i, z in enumerate(zero_ns)
    ]
    return (np.array(traces) + noise * rng.standard_normal((len(zero_ns), samples))).astype(np.float32)


def ramp(n: int = 200) -> np.ndarray:
    return np.linspace(8.0, 11.3, n)


def steps(n: int = 200) -> np.ndarray:
    return 8.1 + 1.37 * (np.arange(n) >= 60) - 2.2 * (np.arange(n) >= 130)


@pytest.mark.parametrize("planted", [np.full(200, 9.13), ramp(), steps()], ids=["level", "ramp", "steps"])
def test_planted_drift_is_followed_to_a_twentieth_of_a_sample(planted):
    found = pick_time_zero(line(planted), SECTION)
    assert np.abs(found - planted).max() < 0.05 * DT


@pytest.mark.parametrize("planted", [ramp(), steps()], ids=["ramp", "steps"])
@pytest.mark.parametrize("seed", range(3))
def test_planted_drift_in_noise_of_a_tenth(planted, seed):
    found = pick_time_zero(line(planted, noise=0.1, seed=seed), SECTION)
    # Within the running median's reach of a step, noise may move the step by a trace or two.
    steady = np.ones(len(planted), bool)
    for at in np.flatnonzero(np.abs(np.diff(planted)) > 0.5):
        steady[at - 2 : at + 4] = False
    assert np.abs(found - planted)[steady].max() < 0.5 * DT
    assert np.sqrt(np.mean((found - planted)[steady] ** 2)) < 0.15 * DT


def test_shifted_traces_lie_on_one_another():
    shifted = time_zero(line(ramp()), SECTION)
    level = time_zero(line(np.full(200, 9.0)), SECTION)
    inside = slice(8, 180)
    assert np.abs(shifted[:, inside] - level[:, inside]).max() < 0.02


def test_first_sample_is_the_middle_of_the_direct_wave_less_its_way_through_the_air():
    apart = Section(interval_ns=DT, spacing_m=0.05, centre_mhz=400.0, separation_m=0.3)
    found = pick_time_zero(line(np.full(30, 9.0)), apart)
    assert found == pytest.approx(np.full(30, 9.0 - 0.3 / C_M_PER_NS), abs=0.05 * DT)


def test_a_reflection_lands_at_its_two_way_time():
    shifted = time_zero(line(np.full(30, 9.1)), SECTION)
    assert abs(int(shifted[0, 120:150].argmax()) + 120 - 33.3 / DT) <= 0.5


def test_first_break_comes_before_the_crest_by_the_rise_of_the_pulse():
    threshold = 0.05
    found = pick_time_zero(line(np.full(30, 9.0)), SECTION, pick="first_break", threshold=threshold)
    fine = np.linspace(-3.0, 0.0, 300_001)
    rise = fine[np.flatnonzero(np.abs(ricker(fine)) >= threshold)[0]]
    # Picked between samples along a straight line, on a curve that is concave there: a part of a sample.
    assert found == pytest.approx(np.full(30, 9.0 + rise), abs=0.2 * DT)


def test_whole_shifts_copy_samples():
    x = line(np.full(12, 10.0))
    shifted = shift_by(x, np.full(12, 40.0))
    assert (shifted[:, :-40] == x[:, 40:]).all()
    assert not shifted[:, -40:].any()
    assert (shift_by(x, np.full(12, -3.0))[:, 3:] == x[:, :-3]).all()


def test_parts_of_a_sample_against_the_wave_itself():
    t = DT * np.arange(256)
    parts = np.linspace(0.05, 0.95, 19)
    x = np.tile(ricker(t - 30.0), (19, 1)).astype(np.float32)
    expected = ricker(t + DT * parts[:, None] - 30.0)
    assert np.abs(shift_by(x, parts) - expected).max() < 5e-3


def test_a_bright_object_does_not_draw_the_pick_away():
    x = line(ramp())
    t = DT * np.arange(256)
    aside = 0.05 * (np.arange(200) - 120)
    arrival = ramp() + 8.0 + 2 * (np.hypot(aside, 0.3) - 0.3) / 0.1
    x += (1.6 * np.exp(-((aside / 0.8) ** 2))[:, None] * ricker(t - arrival[:, None])).astype(np.float32)
    assert (x[110:130].argmax(axis=1) > (ramp()[110:130] + 7.0) / DT).all()
    assert np.abs(pick_time_zero(x, SECTION) - ramp()).max() < 0.1 * DT


def test_faulty_traces_take_their_neighbours_pick():
    x = line(ramp())
    rng = np.random.default_rng(5)
    x[20] = 0.0
    x[21] = 3.0
    x[90, 60] = 500.0
    x[140] = 5.0 * rng.standard_normal(256)
    found = pick_time_zero(x, SECTION)
    assert np.abs(found - ramp()).max() < 0.1 * DT


def test_an_offset_and_a_slow_swing_do_not_move_the_pick():
    x = line(ramp()) + 0.3 + 0.2 * np.sin(np.arange(256) / 60.0)
    assert np.abs(pick_time_zero(x, SECTION) - ramp()).max() < 0.25 * DT


@pytest.mark.parametrize("traces", [1, 2, 3])
def test_short_lines(traces):
    assert pick_time_zero(line(np.full(traces, 9.2)), SECTION) == pytest.approx(np.full(traces, 9.2), abs=0.05 * DT)


def test_search_keeps_to_the_start_of_the_record():
    x = line(np.full(20, 9.0))
    x[:, 100:112] += 4.0 * np.hanning(12)
    assert pick_time_zero(x, SECTION) == pytest.approx(np.full(20, 25.0 + 5.5 * DT), abs=DT)
    assert pick_time_zero(x, SECTION, search_ns=15.0) == pytest.approx(np.full(20, 9.0), abs=0.1 * DT)


def test_a_direct_wave_before_the_record_shifts_the_other_way():
    apart = Section(interval_ns=DT, spacing_m=0.05, centre_mhz=400.0, separation_m=1.5)
    x = line(np.full(10, 3.0))
    shifted = time_zero(x, apart)
    assert abs(int(shifted[0].argmax()) - 1.5 / C_M_PER_NS / DT) <= 0.6
    assert not shifted[:, :3].any()


def test_a_silent_line_is_refused():
    with pytest.raises(InputError, match="no direct wave: every trace is silent"):
        time_zero(np.full((5, 64), 2.0), SECTION)


def test_no_sample_is_left_that_was_not_recorded():
    """Traces moved by different shifts: the record ends with the one that was moved most, and nothing is padded."""
    t = 0.25 * np.arange(200)
    zeros = np.array([5.0, 6.5, 9.0])
    traces = np.stack([(1 - 2 * a) * np.exp(-a) for a in ((np.pi * 0.4 * (t - zero)) ** 2 for zero in zeros)])
    flat = (traces + 0.01 * np.cos(0.3 * t)).astype(np.float32)
    shifted = time_zero(flat, Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0), smooth_traces=1)
    assert shifted.shape == (3, 200 - 36)
    assert (np.abs(shifted[:, -8:]).max(axis=1) > 0.005).all()


@pytest.mark.parametrize(("velocity", "moved"), [(0.06, 0.04), (0.08, -0.10), (0.10, -0.26), (0.13, -0.04)])
def test_the_crest_moves_with_moisture_where_air_and_ground_wave_merge(velocity, moved):
    # What the docstring states, on the sum of two Ricker pulses.
    near = Section(interval_ns=DT, spacing_m=0.05, centre_mhz=400.0, separation_m=0.16)
    t = DT * np.arange(256)
    x = ricker(t - 10.0 - 0.16 / C_M_PER_NS) + 0.6 * ricker(t - 10.0 - 0.16 / velocity)
    assert pick_time_zero(np.tile(x, (3, 1)), near) - 10.0 == pytest.approx(np.full(3, moved), abs=0.01)
    assert f"{moved:+.2f} at {velocity:.2f}".replace("-", "−") in (time_zero.__doc__ or "").replace(" ns at", " at")


@pytest.mark.parametrize("pick", ["correlation", "energy_ratio", "aic", "peak"])
def test_a_shallow_echo_stronger_than_the_direct_wave_is_not_taken_for_it(pick: str) -> None:
    # A grave four times as loud as the direct wave, under nine traces: followed, it would lie at time zero and vanish.
    time = 0.5 * np.arange(130)

    def wave(at_ns: float) -> np.ndarray:
        squared = (np.pi * 0.2 * (time - at_ns)) ** 2
        return (1.0 - 2.0 * squared) * np.exp(-squared)

    line = np.array([0.2 * wave(9.7) + (0.85 if 36 <= k < 45 else 0.0) * wave(28.0) for k in range(106)])
    section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=200.0, separation_m=0.5)
    picks = pick_time_zero(line, section, pick=pick)
    assert np.ptp(picks) < 0.05
