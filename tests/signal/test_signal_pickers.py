"""Pickers of time zero: onsets against ObsPy, drift followed on the air wave while moisture moves the ground wave."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from yewline.errors import InputError
from yewline.signal import Section, pick_time_zero, time_zero, time_zero_drift
from yewline.signal.onsets import akaike, energy_ratio, pick_onsets
from yewline.simulation import delay_traces
from yewline.units import C_M_PER_NS

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # ObsPy's import uses a part of the standard library that is deprecated
    from obspy.signal.trigger import aic_simple, classic_sta_lta

DT = 0.25
FRONT_PICKS = ("energy_ratio", "aic", "correlation")


def section(separation_m: float = 0.0) -> Section:
    return Section(interval_ns=DT, spacing_m=0.05, centre_mhz=400.0, separation_m=separation_m)


def ricker(t: np.ndarray) -> np.ndarray:
    """Ricker 1953, Geophysics 18:10–40, at 400 MHz."""
    u = (np.pi * 0.4 * t) ** 2
    return (1 - 2 * u) * np.exp(-u)


def moist_line(
    separation_m: float, ground: float, *, noise: float = 0.02, n: int = 240, still: bool = False
) -> tuple[np.ndarray, np.ndarray]:
    """A line with a ramp and a step of time zero over ground whose velocity swings from 0.12 to 0.07 m/ns and back."""
    i = np.arange(n)
    t = DT * np.arange(256)
    velocity = 0.095 + 0.025 * np.cos(2 * np.pi * i / n)
    zero = 8.0 + np.zeros(n) if still else 8.0 + np.linspace(0, 1.2, n) + 0.8 * (i >= 150)
    air, soil = zero + separation_m / C_M_PER_NS, zero + separation_m / velocity
    x = ricker(t - air[:, None]) + ground * ricker(t - soil[:, None])
    x += 0.2 * ricker(t - zero[:, None] - 14.0 - 3 * np.sin(i / 15)[:, None])
    return (x + noise * np.random.default_rng(0).standard_normal(x.shape)).astype(np.float32), zero


def off(found: np.ndarray, zero: np.ndarray) -> float:
    """Largest departure of the drift found from the one planted: the same for all traces does not count."""
    error = found - zero
    return float(np.abs(error - np.median(error)).max())


# A ramp and a step come back, moisture stays


@pytest.mark.parametrize("pick", FRONT_PICKS)
@pytest.mark.parametrize("ground", [0.0, 0.6, 1.2])
@pytest.mark.parametrize(("separation_m", "most"), [(0.5, 0.02), (0.3, 0.02)])
def test_ramp_and_step_are_recovered_while_moisture_moves_the_ground_wave(pick, ground, separation_m, most):
    x, zero = moist_line(separation_m, ground)
    delay = separation_m * (1 / 0.07 - 1 / 0.12)
    assert delay > 1.7
    assert off(pick_time_zero(x, section(separation_m), pick=pick), zero) < most


@pytest.mark.parametrize("pick", FRONT_PICKS)
@pytest.mark.parametrize(("ground", "most"), [(0.6, 0.07), (1.2, 0.13)])
def test_where_air_and_ground_wave_merge_moisture_bends_the_drift_by_what_is_stated(pick, ground, most):
    x, zero = moist_line(0.16, ground)
    bent = off(pick_time_zero(x, section(0.16), pick=pick), zero)
    assert 0.03 < bent < most


@pytest.mark.parametrize("separation_m", [0.3, 0.5])
@pytest.mark.parametrize("pick", FRONT_PICKS)
def test_delay_of_the_ground_wave_stays_in_the_shifted_line(pick, separation_m):
    # Time zero stands still: what moves in the recording is moisture alone, and must come through the step.
    x, _ = moist_line(separation_m, 1.2, still=True, noise=0.005)
    shifted = time_zero(x, section(separation_m), pick=pick)
    velocity = 0.095 + 0.025 * np.cos(2 * np.pi * np.arange(240) / 240)
    dry, wet = shifted[0], shifted[120]
    lag = np.correlate(wet, dry, "full").argmax() - (len(dry) - 1)
    # The strongest wave of both is the ground wave of 1.2 times the air wave's size.
    assert lag * DT == pytest.approx(separation_m * (1 / velocity[120] - 1 / velocity[0]), abs=0.5)
    assert np.abs(np.diff(pick_time_zero(x, section(separation_m), pick=pick))).max() < 0.02


def any_ground(seed: int, separation_m: float, *, still: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A line over ground of random moisture with a random ramp and step of time zero, that time zero, and the velocity.

    The ground wave is 0.3 to 1.2 times as strong as the air wave; moisture changes over metres.
    """
    rng = np.random.default_rng([seed, round(100 * separation_m)])
    n, i = 240, np.arange(240)
    rough = gaussian_filter1d(rng.standard_normal(n), rng.uniform(10, 40), mode="wrap")
    velocity = 0.095 + 0.025 * rough / np.abs(rough).max()
    ramp, step = (0.0, 0.0) if still else (rng.uniform(-2, 2), rng.choice([-1, 1]) * rng.uniform(0.5, 1.5))
    zero = 9.0 + ramp * i / n + step * (i >= rng.integers(20, n - 20))
    return recorded(zero, velocity, separation_m, rng.uniform(0.3, 1.2), rng), zero, velocity


def recorded(zero, velocity, separation_m, ground, rng=None) -> np.ndarray:
    t = DT * np.arange(256)
    x = ricker(t - zero[:, None] - separation_m / C_M_PER_NS)
    x += ground * ricker(t - (zero + separation_m / velocity)[:, None])
    x += 0.2 * ricker(t - zero[:, None] - 16.0)
    return (x if rng is None else x + 0.02 * rng.standard_normal(x.shape)).astype(np.float32)


@pytest.mark.parametrize("separation_m", [0.3, 0.5])
def test_ramps_and_steps_over_any_moist_ground_come_back_and_nothing_else_does(separation_m):
    errors, by_crest = [], []
    for seed in range(40):
        x, zero, _ = any_ground(seed, separation_m, still=False)
        errors.append(off(pick_time_zero(x, section(separation_m), pick="correlation"), zero))
        by_crest.append(off(pick_time_zero(x, section(separation_m)), zero))
    # Beside the step the running median may take one trace to its other side: nine traces of noise decide.
    assert np.max(errors) < 0.06
    # What the crest of both waves together would have made of it.
    assert np.max(by_crest) > 1.0


@pytest.mark.parametrize("separation_m", [0.16, 0.3, 0.5])
def test_moisture_alone_raises_no_alarm_of_drift(separation_m):
    still = (any_ground(seed, separation_m, still=True)[0] for seed in range(60))
    assert sum(time_zero_drift(x, section(separation_m)).drifting for x in still) < 3
    planted = (any_ground(seed, separation_m, still=False) for seed in range(60))
    found = [(time_zero_drift(x, section(separation_m)), zero) for x, zero, _ in planted]
    large = [drift.drifting for drift, zero in found if np.ptp(zero) > 0.7]
    assert len(large) > 45
    assert all(large)
    assert max(abs(drift.drift_ns - np.ptp(zero)) for drift, zero in found) < (0.1 if separation_m < 0.2 else 0.08)


@pytest.mark.parametrize("separation_m", [0.3, 0.5])
def test_what_moisture_does_to_the_direct_wave_stays_in_the_line(separation_m):
    for seed in range(20):
        rng = np.random.default_rng(seed)
        _, zero, velocity = any_ground(seed, separation_m, still=False)
        x = recorded(zero, velocity, separation_m, 0.8)
        shifted = time_zero(x + 0.005 * rng.standard_normal(x.shape), section(separation_m), pick="correlation")
        # The same ground recorded without any fault, from time zero on; the moment is free by the same for all traces.
        free = float(np.median(pick_time_zero(x, section(separation_m), pick="correlation") - zero))
        true = recorded(np.full(len(x), -free), velocity, separation_m, 0.8)[:, : shifted.shape[1]]
        change = np.sqrt(np.mean((true - true.mean(axis=0))[:, :40] ** 2))
        assert change > 0.1
        assert np.sqrt(np.mean((shifted - true)[:, :40] ** 2)) < 0.15 * change


def test_lines_of_the_full_wave_raise_no_alarm_and_give_back_what_is_planted(full_wave):
    lines, of = full_wave
    assert len(lines) == 80
    assert not any(time_zero_drift(x, of).drifting for x in lines)
    # What moisture does to the crest of air and ground wave together is at least twice what is left at the front.
    swings = np.array([[np.ptp(pick_time_zero(x, of, pick=pick)) for pick in ("peak", "correlation")] for x in lines])
    assert np.median(swings[:40], axis=0)[0] > 2 * np.median(swings[:40], axis=0)[1]
    assert np.median(swings[40:], axis=0)[0] > 2 * np.median(swings[40:], axis=0)[1]
    rng = np.random.default_rng(0)
    for x in lines[::5]:
        i = np.arange(len(x))
        late = rng.uniform(-1.5, 1.5) * i / len(x) + rng.choice([-0.8, 0.8]) * (i >= rng.integers(40, len(x) - 40))
        # Later only: the lines begin 4 ns ahead of the wave, and its front is told by the quiet before it.
        late -= late.min()
        moved = delay_traces(x, late, interval_ns=of.interval_ns)
        before, after = (pick_time_zero(each, of, pick="correlation") for each in (x, moved))
        assert off(after - before, late) < 0.06
        # The same for all traces: the crest between two samples, a quarter of their interval at most.
        assert np.median(np.abs(after - before - late)) < 0.1


def test_the_strongest_swing_is_led_astray_by_a_strong_ground_wave_as_stated():
    for separation_m, stated in ((0.5, 1.9), (0.3, 1.2), (0.16, 0.6)):
        x, zero = moist_line(separation_m, 1.2)
        assert off(pick_time_zero(x, section(separation_m)), zero) == pytest.approx(stated, abs=0.05)


@pytest.mark.parametrize("pick", FRONT_PICKS)
def test_steps_of_three_nanoseconds_are_kept(pick):
    t, n = DT * np.arange(256), 200
    zero = 8.1 + 3.0 * (np.arange(n) >= 60) - 2.2 * (np.arange(n) >= 130)
    x = ricker(t - zero[:, None]) + 0.02 * np.random.default_rng(1).standard_normal((n, 256))
    assert off(pick_time_zero(x, section(), pick=pick), zero) < 0.05


# Where the moment lies


def test_correlation_gives_the_crest():
    t = DT * np.arange(256)
    x = np.tile(ricker(t - 9.13 - 0.3 / C_M_PER_NS), (20, 1))
    assert pick_time_zero(x, section(0.3), pick="correlation") == pytest.approx(np.full(20, 9.13), abs=0.05 * DT)


@pytest.mark.parametrize("middle_ns", [0.0, 0.11, -0.35])
def test_a_given_pulse_gives_the_moment_of_its_middle_sample(middle_ns):
    t = DT * np.arange(256)
    zero = np.linspace(8.0, 9.0, 40)
    x = -3.0 * ricker(t - zero[:, None]) + 0.5 * ricker(t - zero[:, None] - 12.0)
    pulse = -7.0 * ricker(DT * np.arange(-14, 15) + middle_ns)
    found = pick_time_zero(x, section(), pick="correlation", pulse=pulse)
    assert found == pytest.approx(zero + middle_ns, abs=0.1 * DT)


@pytest.mark.parametrize("pick", ["energy_ratio", "aic"])
def test_an_onset_lies_where_the_wave_sets_in(pick):
    # A sudden sine: here the onset is no matter of taste.
    t = DT * np.arange(256)
    x = np.where(t >= 12.0, np.sin(2 * np.pi * 0.4 * (t - 12.0)) * np.exp(-np.maximum(t - 12.0, 0.0) / 5.0), 0.0)
    x = x + 0.003 * np.random.default_rng(2).standard_normal((30, 256))
    found = pick_time_zero(x, section(), pick=pick)
    assert np.abs(found - 12.0).max() < 1.5 * DT


def test_onset_comes_before_the_crest_by_less_than_a_period():
    x, zero = moist_line(0.5, 0.6)
    for pick in ("energy_ratio", "aic"):
        lead = np.median(zero - pick_time_zero(x, section(0.5), pick=pick))
        assert 1.2 < lead < 2.5


# Faults of traces


@pytest.mark.parametrize("pick", FRONT_PICKS)
def test_faulty_traces_take_their_neighbours_pick(pick):
    x, zero = moist_line(0.3, 0.6)
    rng = np.random.default_rng(5)
    x[20] = 0.0
    x[21] = 3.0
    x[90, 10] = 50.0
    x[140] = 5.0 * rng.standard_normal(256)
    assert off(pick_time_zero(x, section(0.3), pick=pick), zero) < 0.05


@pytest.mark.parametrize("pick", FRONT_PICKS)
def test_an_offset_and_a_slow_swing_do_not_move_the_drift(pick):
    x, zero = moist_line(0.3, 0.6)
    wow = 0.3 + 0.2 * np.sin(np.arange(256) / 60.0)
    assert off(pick_time_zero(x + wow, section(0.3), pick=pick), zero) < 0.06


@pytest.mark.parametrize("pick", FRONT_PICKS)
@pytest.mark.parametrize("traces", [1, 2, 3])
def test_short_lines(pick, traces):
    x, zero = moist_line(0.3, 0.0, noise=0.001)
    still = np.tile(x[:1], (traces, 1))
    found = pick_time_zero(still, section(0.3), pick=pick)
    assert np.ptp(found) < 1e-6
    assert abs(found[0] - zero[0]) < 3.0


@pytest.mark.parametrize("pick", ["peak", "first_break", *FRONT_PICKS])
@pytest.mark.parametrize("size", [1e-25, 1e30])
def test_picks_know_no_unit(pick, size):
    x, _ = moist_line(0.3, 0.6)
    usual = pick_time_zero(x, section(0.3), pick=pick)
    assert pick_time_zero(x * np.float32(size), section(0.3), pick=pick) == pytest.approx(usual, abs=1e-3)


@pytest.mark.parametrize("pick", FRONT_PICKS)
def test_a_silent_line_is_refused(pick):
    with pytest.raises(InputError, match="no direct wave: every trace is silent"):
        time_zero(np.full((5, 64), 2.0), section(), pick=pick)


def test_refusals_of_a_pulse():
    x, _ = moist_line(0.3, 0.6, n=5)
    with pytest.raises(InputError, match="a pulse can be followed by correlation only .received pick='aic'"):
        pick_time_zero(x, section(0.3), pick="aic", pulse=np.hanning(9))
    for pulse in (np.hanning(8), np.ones(9), [0.0, 1.0, 0.0]):
        with pytest.raises(InputError, match="pulse must be an odd number of samples"):
            pick_time_zero(x, section(0.3), pick="correlation", pulse=pulse)


# References: ObsPy's triggers


@pytest.mark.parametrize("n", [40, 256])
def test_akaike_against_obspy(n):
    rng = np.random.default_rng(n)
    x = rng.standard_normal((4, n)) * np.where(np.arange(n) < n // 3, 0.1, 1.0)
    inner = slice(3, n - 3)
    for row, ours in zip(x, akaike(x, np.full(4, n)), strict=True):
        theirs = aic_simple(row)
        shift = int(np.argmin(theirs[inner])) - int(np.argmin(ours[inner]))
        # ObsPy's first stretch has one sample more under the same index.
        assert shift in (-1, 0)
        assert ours[inner] == pytest.approx(np.roll(theirs, -shift)[inner], rel=1e-9, abs=1e-6)


@pytest.mark.parametrize(("short", "long"), [(5, 20), (3, 9)])
def test_energy_ratio_against_obspy(short, long):
    x = np.random.default_rng(3).standard_normal((3, 200)) * np.where(np.arange(200) < 90, 0.1, 1.0)
    ours = energy_ratio(x, short, long, floor=0.0)
    for row, mine in zip(x, ours, strict=True):
        theirs = classic_sta_lta(row, short, short + long)
        # The same ratio, theirs at the last sample of both windows, ours at the first of the short one.
        assert mine[long : 200 - short] == pytest.approx(theirs[long + short - 1 : 199], rel=1e-9)


def test_onset_in_obspys_ratio_is_ours():
    x, _ = moist_line(0.3, 0.6)
    row = x[:1, :128].astype(np.float64)
    crest = np.abs(row).argmax(axis=1)
    found = pick_onsets(row, crest, 10.0, "energy_ratio")[0]
    theirs = classic_sta_lta(row[0] - np.median(row[0, : crest[0] - 10]), 5, 25)
    assert abs(found - (int(theirs[: crest[0] + 4].argmax()) - 4)) <= 1.5
