"""Statics and tilt: closed forms, a synthetic mound with point targets, and refusals."""

from __future__ import annotations

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.signal import Section
from yewline.signal.slope import ground_relief, ground_slope, tilt_offset_m
from yewline.signal.topography import datum_of, static_shift, topography

V = 0.1
X = 0.05 * np.arange(401)
MOUND = 0.9 * np.exp(-(((X - 10.0) / 3.0) ** 2))
T = 0.2 * np.arange(300)
GIVEN = {"interval_ns": 0.2, "velocity_m_per_ns": V}


def ricker(t: np.ndarray) -> np.ndarray:
    u = (np.pi * 0.4 * t) ** 2
    return (1 - 2 * u) * np.exp(-u)


def section(**more: object) -> Section:
    return Section(**{"interval_ns": 0.2, "spacing_m": 0.05, "centre_mhz": 400.0, "elevation_m": MOUND, **more})


# Physics


def test_a_level_reflector_under_a_mound_becomes_level():
    below_m = -1.0
    line = ricker(T - (2 * (MOUND - below_m) / V)[:, None])
    shown = topography(line, section(), velocity_m_per_ns=V)
    crest = shown.argmax(axis=1) * 0.2
    # Highest ground at 0.9 m, so 1.9 m of way down: the same time everywhere, to a sample.
    assert crest == pytest.approx(np.full(401, 2 * 1.9 / V), abs=0.2)
    assert np.ptp(line.argmax(axis=1) * 0.2) > 15.0
    assert shown.max(axis=1) == pytest.approx(np.ones(401), abs=0.02)


@pytest.mark.parametrize("datum", ["highest", "mean", "lowest"])
def test_a_place_lies_half_its_time_times_velocity_below_the_datum(datum):
    line = ricker(T - 30.0)[None].repeat(401, axis=0)
    shown = topography(line, section(), velocity_m_per_ns=V, datum=datum)
    height = datum_of(MOUND, datum) - V * shown.argmax(axis=1) * 0.2 / 2
    assert height == pytest.approx(MOUND - 1.5, abs=0.011)


def test_ten_degrees_move_a_target_1_2_m_deep_by_0_21_m():
    # sin 10° = 0.17365: geometry.
    assert tilt_offset_m(1.2, 10.0) == pytest.approx(0.2084, abs=1e-4)
    assert tilt_offset_m([1.0, 2.0], [-30.0, 30.0]) == pytest.approx([-0.5, 1.0])


@pytest.mark.parametrize("target", [6.5, 7.5, 9.0, 11.5, 13.0])
def test_targets_under_a_mound_are_found_within_a_tenth_of_a_metre(target):
    depth_below_zero = 0.4
    way = np.hypot(X - target, MOUND + depth_below_zero)
    line = ricker(T - (2 * way / V)[:, None]) / way[:, None]
    # The earliest time: there the axis of the antenna, square to the ground, points at the target.
    crest = np.where(way < 2.8, line.argmax(axis=1), 999)
    apex = round(float(np.flatnonzero(crest == crest.min()).mean()))
    _, slope = ground_slope(X, MOUND, smooth_m=0.5)
    seen = X[apex] + tilt_offset_m(way[apex], slope[apex])
    assert seen == pytest.approx(target, abs=0.10)
    # Without the tilt it would be off by all of this.
    assert abs(X[apex] - target) > 0.7 * abs(tilt_offset_m(way[apex], slope[apex]))


@pytest.mark.parametrize("target", [6.5, 7.5, 9.0, 11.5, 13.0])
def test_statics_put_the_top_of_a_diffraction_above_its_target(target):
    """2(datum − h) + 2√((x − x₀)² + (h − z)²) is level at x₀ whatever the slope there: no tilt is to be added to it.
    Tilt belongs to times from the ground (the test above), where the earliest answer is that of the antenna's axis."""
    way = np.hypot(X - target, MOUND + 0.4)
    line = (ricker(T - (2 * way / V)[:, None]) / way[:, None]).astype(np.float32)
    shown = topography(line, section(), velocity_m_per_ns=V)
    top = np.clip(shown.argmax(axis=1), 1, shown.shape[1] - 2)
    left, middle, right = (shown[np.arange(len(X)), top + step].astype(float) for step in (-1, 0, 1))
    crest = top + 0.5 * (left - right) / np.minimum(left - 2 * middle + right, -1e-9)
    near = np.flatnonzero(np.abs(X - target) < 0.35)
    bend, slope, _ = np.polyfit(X[near] - target, crest[near], 2)
    assert -slope / (2 * bend) == pytest.approx(0.0, abs=0.02)
    assert float(MOUND.max()) - V * crest[near].min() * 0.2 / 2 == pytest.approx(-0.4, abs=0.01)


def test_slope_of_a_plane_and_of_a_parabola():
    x = np.sort(np.random.default_rng(0).uniform(0, 20, 200))
    height, slope = ground_slope(x, 5.0 - 0.2 * x, smooth_m=1.0)
    assert height == pytest.approx(5.0 - 0.2 * x, abs=1e-9)
    assert slope == pytest.approx(np.full(200, -np.degrees(np.arctan(0.2))), abs=1e-6)
    _, slope = ground_slope(X, 0.05 * (X - 10) ** 2, smooth_m=0.8)
    assert np.tan(np.radians(slope[40:-40])) == pytest.approx(0.1 * (X[40:-40] - 10), abs=1e-9)


def test_slope_is_steadied_by_a_longer_window():
    rough = MOUND + np.random.default_rng(1).normal(0, 0.02, 401)
    true = np.degrees(np.arctan(np.gradient(MOUND, X)))
    errors = [np.std(ground_slope(X, rough, smooth_m=reach)[1] - true) for reach in (0.1, 0.3, 1.0)]
    assert errors[0] > 3 * errors[1] > 6 * errors[2]


def test_relief_says_how_far_from_level():
    relief = ground_relief(X, MOUND, smooth_m=0.3)
    # Steepest at 3/√2 m from the middle: 0.9·√2·e^{−½}/3.
    assert relief.range_m == pytest.approx(0.9, abs=0.02)
    assert relief.steepest_deg == pytest.approx(np.degrees(np.arctan(0.9 * np.sqrt(2) * np.exp(-0.5) / 3)), abs=0.2)
    assert abs(relief.steepest_at_m - 10.0) == pytest.approx(3 / np.sqrt(2), abs=0.1)


# Identities


def test_there_and_back():
    x = np.random.default_rng(0).standard_normal((401, 300)).astype(np.float32)
    whole = 0.01 * np.round(MOUND / 0.01)
    down = static_shift(x, whole, datum_m=0.9, **GIVEN)
    # 0.9 m above the lowest ground is 90 samples of 0.2 ns at 0.1 m/ns.
    assert down.shape[1] == 300 + round(2 * (0.9 - whole.min()) / V / 0.2)
    back = static_shift(down, 2 * 0.9 - whole, datum_m=0.9, **GIVEN)
    assert np.abs(back[:, :300] - x).max() < 1e-6


def test_level_ground_at_the_datum_is_left_as_it_is():
    x = np.random.default_rng(0).standard_normal((20, 50)).astype(np.float32)
    shown = static_shift(x, np.full(20, 3.0), datum_m=3.0, **GIVEN)
    assert (shown == x).all()
    assert not np.shares_memory(shown, x)


def test_energy_is_kept_where_nothing_is_cut_off():
    x = np.zeros((401, 300), np.float32)
    x[:, 40:260] = np.random.default_rng(0).standard_normal((401, 220))
    x = np.apply_along_axis(np.convolve, 1, x, np.hanning(17) / 8.0, "same").astype(np.float32)
    shown = topography(x, section(), velocity_m_per_ns=V)
    assert (shown**2).sum() == pytest.approx((x**2).sum(), rel=1e-3)


def test_smoothed_heights_and_a_stated_datum():
    x = np.random.default_rng(0).standard_normal((401, 300)).astype(np.float32)
    smooth, _ = ground_slope(X, MOUND, smooth_m=2.0)
    shown = topography(x, section(distance_m=X), velocity_m_per_ns=V, smooth_m=2.0, datum_m=2.0)
    assert (shown == static_shift(x, smooth, datum_m=2.0, **GIVEN)).all()
    by_spacing = topography(x, section(), velocity_m_per_ns=V, smooth_m=2.0, datum_m=2.0)
    assert by_spacing == pytest.approx(shown, abs=1e-3)
    known = section(velocity_m_per_ns=V)
    assert (topography(x, known) == topography(x, known, velocity_m_per_ns=V)).all()


# Faults


def test_what_topography_cannot_do_without_is_asked_for():
    x = np.ones((401, 30), np.float32)
    with pytest.raises(InputError, match="topography needs the height of the ground at each trace"):
        topography(x, section(elevation_m=None), velocity_m_per_ns=V)
    with pytest.raises(InputError, match="topography needs a velocity"):
        topography(x, section())
    with pytest.raises(InputError, match=r"each trace needs an elevation \(received 401 elevations for 30 traces\)"):
        topography(x[:30], section(), velocity_m_per_ns=V)
    with pytest.raises(InputError, match="datum must be one of highest, mean, lowest"):
        topography(x, section(), velocity_m_per_ns=V, datum="sea")
    with pytest.raises(InputError, match="smoothing of heights needs the trace spacing"):
        topography(x, section(spacing_m=0.0), velocity_m_per_ns=V, smooth_m=1.0)
    with pytest.raises(InputError, match="smooth_m must lie between"):
        topography(x, section(), velocity_m_per_ns=V, smooth_m=-1.0)
    with pytest.raises(InputError, match="the ground lies too far below the datum"):
        topography(x, section(), velocity_m_per_ns=V, datum_m=300.0)
    with pytest.raises(InputError, match="velocity above that of light"):
        static_shift(x, MOUND, interval_ns=0.2, velocity_m_per_ns=0.4, datum_m=0.0)


@pytest.mark.parametrize(
    ("x", "z", "message"),
    [
        ([0.0, 1.0, 1.0], [0.0, 0.0, 0.0], r"distances along the line must rise \(received 1 m, then 1 m\)"),
        ([0.0, 1.0], [0.0, 0.0, 0.0], r"each trace needs a distance and an elevation \(received 2 and 3\)"),
        ([0.0], [0.0], "a slope needs two traces or more"),
        ([0.0, 1.0], [0.0, np.nan], "elevation_m holds values that are not finite"),
    ],
)
def test_ground_that_cannot_be_is_refused(x, z, message):
    with pytest.raises(InputError, match=message):
        ground_slope(x, z, smooth_m=1.0)
    with pytest.raises(InputError, match=message):
        ground_relief(x, z, smooth_m=1.0)


def test_tilts_that_cannot_be_are_refused():
    with pytest.raises(InputError, match="depth_m must be finite and not negative"):
        tilt_offset_m(-1.0, 3.0)
    with pytest.raises(InputError, match="slope_deg must lie between"):
        tilt_offset_m(1.0, 90.0)
    with pytest.raises(InputError, match="smooth_m must be greater than zero"):
        ground_slope([0.0, 1.0], [0.0, 0.0], smooth_m=0.0)


def test_two_traces_have_a_slope():
    _, slope = ground_slope([0.0, 1.0], [0.0, 1.0], smooth_m=0.1)
    assert slope == pytest.approx([45.0, 45.0])
