"""Heights between levelled points and traces placed by tracks: closed forms, planted errors, refusals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from yewline.errors import InputError
from yewline.positions import heights_at, place_by_clock, place_by_numbers, times_of_traces


@given(st.integers(0, 2**31), st.integers(3, 40))
def test_a_plane_of_heights_is_returned_as_it_is(seed, count):
    rng = np.random.default_rng(seed)
    # Eastings and northings: heights must not lose digits to large coordinates.
    px, py = 5e5 + rng.uniform(0, 30, count), 5.9e6 + rng.uniform(0, 20, count)
    a, b = rng.uniform(-0.2, 0.2, 2)
    share = rng.dirichlet(np.ones(count), 15)
    x, y = share @ px, share @ py
    found = heights_at(px, py, 100 + a * (px - 5e5) + b * (py - 5.9e6), x, y)
    inside = ~found.beyond
    expected = 100 + a * (x - 5e5) + b * (y - 5.9e6)
    np.testing.assert_allclose(found.z_m[inside], expected[inside], atol=1e-6)
    assert inside.sum() >= 13


def test_points_in_one_line_or_alone_and_points_given_twice():
    found = heights_at([0, 10, 5, 5], [0, 0, 0, 0], [1.0, 3.0, 1.8, 2.2], [2.5, 12.0], [0.3, 0.0])
    assert found.z_m.tolist() == pytest.approx([1.5, 3.0])
    assert found.beyond.tolist() == [False, True]
    assert found.nearest_m[1] == pytest.approx(2.0)
    assert heights_at([3], [4], [7.0], [0, 50], [0, 50]).z_m.tolist() == [7.0, 7.0]
    with pytest.raises(InputError, match="is empty"):
        heights_at([], [], [], [0], [0])


@pytest.mark.parametrize(
    ("trace", "time"), [([1], [0.0]), ([1, 5], [3.0, 3.0]), ([1, 5, 5], [0, 1, 2]), ([1, 3, 5], [0.0, 9.0, 4.0])]
)
def test_times_that_do_not_grow_with_the_trace_are_refused(trace, time):
    with pytest.raises(InputError, match="must grow with their numbers"):
        times_of_traces(trace, time, 9)


def test_latency_is_taken_out_and_forth_and_back_agree():
    """0.25 s at 1 m/s is 0.25 m, the other way round on the way back (closed form)."""
    t = np.arange(0.0, 60.0, 0.5)
    x = np.where(t < 30, t, 60 - t)
    logged = (t + 0.25, x, 0 * t)
    trace_forth, trace_back = np.arange(5.0, 20.0, 0.1), np.arange(40.0, 55.0, 0.1)
    for times, true in ((trace_forth, trace_forth), (trace_back, 60 - trace_back)):
        placed = place_by_clock(times, logged, latency_s=0.25, fix_sigma_m=0.01)
        np.testing.assert_allclose(placed.x, true, atol=0.005)
        late = place_by_clock(times, logged, fix_sigma_m=0.01)
        assert np.abs(np.abs(late.x - true) - 0.25).max() < 0.005


def test_the_stated_error_of_tracked_traces_is_honest():
    """Fixes of 0.03 m at walking pace: 90 % intervals of both axes hold the truth in 85 to 98 % over 40 tracks."""
    held = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        t = np.arange(0.0, 40.0)
        phase = rng.uniform(0, 6)
        sway = 0.2 * np.sin(0.2 * t + phase)
        fixes = (t, 0.8 * t + rng.normal(0, 0.03, len(t)), sway + rng.normal(0, 0.03, len(t)))
        at = np.arange(5.0, 35.0, 0.37)
        placed = place_by_clock(at, fixes, fix_sigma_m=0.03)
        held.append(np.abs(placed.x - 0.8 * at) < 1.645 * placed.sigma_m)
        held.append(np.abs(placed.y - 0.2 * np.sin(0.2 * at + phase)) < 1.645 * placed.sigma_m)
    assert 0.85 < np.mean(held) < 0.98


def test_trace_numbers_stand_for_time_and_jumps_are_left_out():
    number = np.arange(1.0, 402.0, 20.0)
    x = 0.025 * (number - 1)
    y = 0.1 * np.sin(0.3 * x)
    bad = x.copy()
    bad[7] += 3.0
    placed = place_by_numbers(401, (number, bad, y), fix_z=50 + 0.1 * x, fix_sigma_m=0.01)
    truth = 0.025 * np.arange(401)
    np.testing.assert_allclose(placed.x, truth, atol=0.01)
    np.testing.assert_allclose(placed.y, 0.1 * np.sin(0.3 * truth), atol=0.01)
    assert placed.z is not None
    np.testing.assert_allclose(placed.z, 50 + 0.1 * truth, atol=1e-6)
    assert [f.code for f in placed.findings] == ["track-jump"]


def test_traces_far_from_any_fix_are_named_and_less_sure():
    t = np.concatenate([np.arange(0.0, 20.0), np.arange(50.0, 70.0)])
    placed = place_by_clock(np.arange(5.0, 65.0, 0.5), (t, 0.8 * t, 0 * t), fix_sigma_m=0.02, line="L1")
    (gap,) = [f for f in placed.findings if f.code == "track-gap"]
    assert gap.line == "L1"
    assert placed.sigma_m[60] > 3 * placed.sigma_m[5]


def test_a_track_of_another_hour_or_that_stands_still_is_refused():
    t = np.arange(10.0)
    with pytest.raises(InputError, match="no positions while the line was recorded.*zone of time"):
        place_by_clock(t + 3600, (t, t, t))
    with pytest.raises(InputError, match="do not move on"):
        place_by_numbers(10, ([1, 5, 9], [2, 2, 2], [3, 3, 3]))
