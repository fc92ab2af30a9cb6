"""Drift over a session: steps and warm-up come back, chance makes no steps, outliers are named."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from yewline.errors import InputError
from yewline.signal.session_drift import session_drift


def session(
    seed: int, *, lines: int = 40, step_ns: float = 0.0, warm_ns: float = 1.0, sigma_ns: float = 0.03, outliers: int = 0
) -> tuple[np.ndarray, np.ndarray, np.ndarray, int]:
    """Clock times, time zeros, the drift beneath them, and the first line after the step."""
    rng = np.random.default_rng(seed)
    clock = np.cumsum(rng.uniform(60.0, 240.0, lines))
    drift = 8.0 + warm_ns * (1 - np.exp(-clock / 1_500.0))
    at = int(rng.integers(4, lines - 3))
    drift = drift + step_ns * (np.arange(lines) >= at)
    zero = drift + sigma_ns * rng.standard_normal(lines)
    wild = rng.choice(lines, outliers, replace=False)
    zero[wild] += rng.choice([-1.0, 1.0], outliers) * rng.uniform(0.5, 2.0, outliers)
    return clock, zero, drift, at


def test_a_straight_drift_is_fitted_exactly():
    clock = np.cumsum(np.random.default_rng(0).uniform(50.0, 300.0, 30))
    zero = 7.0 + 3e-4 * clock
    found = session_drift(zero, clock)
    assert found.fitted_ns == pytest.approx(zero, abs=1e-9)
    assert found.drift_ns == pytest.approx(np.ptp(zero))
    assert len(found.step_ns) == 0
    assert not found.outlier.any()


def test_chance_and_warm_up_make_no_step():
    false = sum(
        len(session_drift(zero, clock).step_ns) > 0
        for seed in range(100)
        for clock, zero, _, _ in [session(seed, lines=(12, 25, 40)[seed % 3], warm_ns=(0.0, 1.0)[seed % 2], outliers=2)]
    )
    assert false < 5


def test_a_step_is_placed_sized_and_timed():
    placed, pulls = 0, []
    for seed in range(40):
        clock, zero, _, at = session(seed, step_ns=0.6)
        found = session_drift(zero, clock)
        if found.step_line.tolist() == [at]:
            placed += 1
            pulls.append((found.step_ns[0] - 0.6) / found.step_sigma_ns[0])
            assert found.step_time_s[0] == pytest.approx(0.5 * (clock[at - 1] + clock[at]))
    assert placed >= 36
    assert np.std(pulls) < 1.6


def test_warm_up_is_followed_and_its_scatter_measured():
    errors, sigmas = [], []
    for seed in range(20):
        clock, zero, drift, _ = session(seed, step_ns=0.8, outliers=2)
        found = session_drift(zero, clock)
        errors.append(np.sqrt(np.mean((found.fitted_ns - drift) ** 2)))
        sigmas.append(found.sigma_ns)
    assert np.median(errors) < 0.03
    assert np.median(sigmas) == pytest.approx(0.03, rel=0.2)


def test_two_steps():
    minute = np.arange(30.0)
    zero = 8.0 + 0.5 * (minute >= 10) - 1.1 * (minute >= 21) + 0.01 * np.random.default_rng(4).standard_normal(30)
    found = session_drift(zero, 60 * minute)
    assert found.step_line.tolist() == [10, 21]
    assert found.step_ns == pytest.approx([0.5, -1.1], abs=0.03)


def test_outliers_are_named_and_do_not_bend_the_drift():
    clock, zero, drift, _ = session(3)
    zero[7] += 1.5
    zero[30] -= 0.9
    found = session_drift(zero, clock)
    assert np.flatnonzero(found.outlier).tolist() == [7, 30]
    assert np.sqrt(np.mean((found.fitted_ns - drift) ** 2)) < 0.03


def test_lines_may_come_in_any_order():
    clock, zero, _, at = session(5, step_ns=0.9)
    shuffled = np.random.default_rng(6).permutation(len(zero))
    straight, mixed = session_drift(zero, clock), session_drift(zero[shuffled], clock[shuffled])
    assert (mixed.fitted_ns == straight.fitted_ns[shuffled]).all()
    assert shuffled[mixed.step_line].tolist() == straight.step_line.tolist() == [at]
    assert mixed.sigma_ns == straight.sigma_ns


def test_a_small_jump_is_drift():
    minute = np.arange(20.0)
    zero = 8.0 + 0.15 * (minute >= 9)
    assert len(session_drift(zero, minute * 60).step_ns) == 0
    assert session_drift(zero, minute * 60, smallest_step_ns=0.1).step_line.tolist() == [9]


def test_all_lines_at_one_clock_time():
    found = session_drift([8.0, 8.1, 7.9, 8.0, 8.0], np.zeros(5))
    assert np.ptp(found.fitted_ns) < 0.05


@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_any_session_gives_finite_figures(data):
    n = data.draw(st.integers(1, 25))
    zero = data.draw(arrays(np.float64, n, elements=st.floats(-50.0, 50.0)))
    clock = data.draw(arrays(np.float64, n, elements=st.floats(0.0, 2e4)))
    held = zero.copy(), clock.copy()
    found = session_drift(zero, clock)
    assert found.fitted_ns.shape == found.outlier.shape == (n,)
    assert np.isfinite(found.fitted_ns).all()
    assert np.isfinite([found.sigma_ns, found.drift_ns]).all()
    assert np.isfinite(found.step_sigma_ns).all()
    assert (zero == held[0]).all()
    assert (clock == held[1]).all()


@pytest.mark.parametrize(
    ("zero", "clock", "more", "message"),
    [
        ([1.0, 2.0], [1.0], {}, "each line needs its time zero and its clock time .received 2 time zeros for 1"),
        ([], [], {}, "zero_ns is empty"),
        ([1.0, np.nan], [1.0, 2.0], {}, "zero_ns holds values that are not finite"),
        ([1.0], [np.inf], {}, "clock_s holds values that are not finite"),
        ([1.0], [1.0], {"smallest_step_ns": 0.0}, "smallest_step_ns must be greater than zero"),
        ([1.0], [1.0], {"span": 2.0}, "span must lie between"),
    ],
)
def test_refusals(zero, clock, more, message):
    with pytest.raises(InputError, match=message):
        session_drift(zero, clock, **more)
