"""Point sources from line sources, and bodies of finite length, against exact fields and 3-D Born integrals."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import InputError
from yewline.physics import (
    line_source_green,
    plane_wave,
    point_source_green,
    ricker,
    ricker_spectrum,
    two_fresnel_zones_m,
)
from yewline.simulation.born import BornBox, BornGround, born_line, born_point
from yewline.simulation.instrument import Instrument
from yewline.simulation.pulse import Pulse
from yewline.simulation.spreading import DirectWave, finite_length, to_point_source
from yewline.units import C_M_PER_NS

STEP, SAMPLES, ZERO = 0.25, 400, 8.0
TIME = STEP * np.arange(SAMPLES) - ZERO


def _settings(mhz: float, v: float, loss: float = 0.0, step: float = STEP) -> dict:
    return {
        "pulse": Pulse("ricker", mhz),
        "interval_ns": step,
        "zero_ns": ZERO,
        "v_m_per_ns": v,
        "attenuation_np_per_m": loss,
    }


def _exact(
    mhz: float, permittivity: float, distance: float, conductivity: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    """(1, S) traces of a line and a point source at a distance in even ground, from their Green's functions."""
    frequency = np.fft.rfftfreq(8192, STEP)
    wave = plane_wave(1e3 * frequency[1:], permittivity=permittivity, conductivity_ms_per_m=conductivity)
    k = wave.beta_rad_per_m - 1j * wave.alpha_np_per_m
    both = []
    for green in (line_source_green, point_source_green):
        spectrum = np.zeros(len(frequency), complex)
        spectrum[1:] = 4 * np.pi * ricker_spectrum(1e3 * frequency[1:], peak_mhz=mhz) * green(k, distance)
        spectrum *= np.exp(-2j * np.pi * frequency * ZERO)
        both.append(np.fft.irfft(spectrum)[None, :SAMPLES] / STEP)
    return both[0], both[1]


def _error(found: np.ndarray, want: np.ndarray) -> float:
    return float(np.abs(found - want).max() / np.abs(want).max())


# --- point from line ---------------------------------------------------------------------------------------------


def test_the_point_source_is_the_pulse_over_the_distance() -> None:
    # What the reference is measured with: w(t − r/v)/r, the convention of both models.
    _, point = _exact(400.0, 9.0, 1.0)
    np.testing.assert_allclose(point[0], ricker(TIME - 3.0 / C_M_PER_NS, peak_mhz=400.0), atol=1e-9)


@pytest.mark.parametrize("mhz", [200.0, 400.0])
@pytest.mark.parametrize("permittivity", [1.0, 9.0])
@pytest.mark.parametrize("distance", [0.1, 0.16, 0.5, 2.0, 5.0])
def test_direct_wave_in_even_ground(mhz: float, permittivity: float, distance: float) -> None:
    # Exact but for the fade: ωr/v here is 0.4 to 130. What is left is what a line's tail has after the fade began.
    line, point = _exact(mhz, permittivity, distance)
    v = C_M_PER_NS / np.sqrt(permittivity)
    if distance / v > TIME[-1] - 10.0:
        pytest.skip("arrives after the record")
    found = to_point_source(line, **_settings(mhz, v), direct=DirectWave(distance, v))
    assert _error(found, point) < 5e-3


@pytest.mark.parametrize(
    ("mhz", "path"), [(200.0, 1.0), (200.0, 3.0), (400.0, 0.5), (400.0, 1.0), (400.0, 3.0), (400.0, 5.0)]
)
def test_mirror_is_its_image(mhz: float, path: float) -> None:
    # A perfect plane at depth d is an image source 2d off. Error of second order in 1/ωt, and the 1 % not stripped.
    line, point = _exact(mhz, 9.0, path)
    v = C_M_PER_NS / 3.0
    found = to_point_source(line, **_settings(mhz, v), answer="mirror")
    turns = 2e-3 * np.pi * mhz * path / v
    assert _error(found, point) < 1.0 / turns**2 + 0.05 / turns + 2e-3
    # The other answer differs by the first order, 1/ωt, which is in quadrature with the wave.
    assert _error(to_point_source(line, **_settings(mhz, v)), point) == pytest.approx(0.85 / turns, rel=0.15)


def test_error_of_a_mirror_falls_with_depth() -> None:
    v = C_M_PER_NS / 3.0
    errors = []
    for path in (0.4, 1.0, 2.0, 4.0):
        line, point = _exact(200.0, 9.0, path)
        errors.append(_error(to_point_source(line, **_settings(200.0, v), answer="mirror"), point))
    assert errors == sorted(errors, reverse=True)


@pytest.mark.parametrize("conductivity", [10.0, 30.0])
def test_loss_is_in_both_fields_alike(conductivity: float) -> None:
    line, point = _exact(400.0, 9.0, 1.5, conductivity)
    wave = plane_wave(400.0, permittivity=9.0, conductivity_ms_per_m=conductivity)
    v, loss = float(wave.v_m_per_ns), float(wave.alpha_np_per_m)
    # 0.3 % as without loss; and one velocity for all frequencies, where that of half the frequency is 0.1 and 0.8 %
    # lower: the gain goes with its root.
    slower = 1.0 - float(plane_wave(200.0, permittivity=9.0, conductivity_ms_per_m=conductivity).v_m_per_ns) / v
    assert _error(to_point_source(line, **_settings(400.0, v, loss), answer="mirror"), point) < 3e-3 + 0.5 * slower
    assert _error(to_point_source(line, **_settings(400.0, v), answer="mirror"), point) > 1e-2
    line, point = _exact(400.0, 9.0, 0.2, conductivity)
    direct = DirectWave(0.2, v)
    assert _error(to_point_source(line, **_settings(400.0, v, loss), direct=direct), point) < 5e-3
    # Left out, it shows.
    assert _error(to_point_source(line, **_settings(400.0, v), direct=direct), point) > 1e-2


def test_direct_wave_and_reflection_in_one_trace() -> None:
    v = C_M_PER_NS / 3.0
    (near, near_point), (far, far_point) = _exact(400.0, 9.0, 0.16), _exact(400.0, 9.0, 1.0)
    found = to_point_source(near + 0.02 * far, **_settings(400.0, v), direct=DirectWave(0.16, v), answer="mirror")
    # 54 dB below the direct wave, the reflection keeps its shape to 2 %: the line's tail is gone from under it.
    late = TIME > 6.0
    assert _error((found - near_point)[:, late], 0.02 * far_point[:, late]) < 0.02


def test_gain_follows_the_velocity_along_the_way() -> None:
    # σ = v² t, so that a wave that went at v keeps 1/√v of a line's field; samples given one by one.
    line, _ = _exact(400.0, 9.0, 1.0)
    v = C_M_PER_NS / 3.0
    one = to_point_source(line, **_settings(400.0, v))
    each = to_point_source(line, **(_settings(400.0, v) | {"v_m_per_ns": np.full(SAMPLES, v)}))
    np.testing.assert_array_equal(one, each)
    half = to_point_source(line, **(_settings(400.0, v) | {"v_m_per_ns": np.full(SAMPLES, 0.5 * v)}))
    np.testing.assert_allclose(half, 2 * one, rtol=1e-5, atol=1e-6)


def test_nothing_comes_round() -> None:
    # A wave at the very end must not show at the start, nor one at the start at the end.
    v = C_M_PER_NS / 3.0
    traces = np.stack([ricker(TIME - TIME[-1] + 3.0, peak_mhz=400.0), ricker(TIME - 3.0, peak_mhz=400.0)])
    for found in (
        to_point_source(traces, **_settings(400.0, v)),
        finite_length(traces, across_m=(-0.3, 0.5), **_settings(400.0, v)),
        finite_length(traces, across_m=(-1.5, 2.6), **_settings(400.0, v)),
    ):
        loud = np.abs(found).max(axis=1)
        assert np.abs(found[0, : SAMPLES // 2]).max() < 1e-3 * loud[0]
        assert np.abs(found[1, -SAMPLES // 4 :]).max() < 1e-3 * loud[1]


# --- finite length -------------------------------------------------------------------------------------------------


@settings(max_examples=15)
@given(st.floats(-3.0, 3.0), st.floats(0.01, 2.0), st.floats(0.01, 2.0))
def test_neighbours_add_up_to_one_body(start: float, first: float, second: float) -> None:
    start, middle, end = round(start, 3), round(start + first, 3), round(start + first + second, 3)
    line, _ = _exact(400.0, 9.0, 2.0)
    shape = _settings(400.0, C_M_PER_NS / 3.0)
    both = finite_length(line, across_m=(start, middle), **shape) + finite_length(line, across_m=(middle, end), **shape)
    np.testing.assert_allclose(
        both, finite_length(line, across_m=(start, end), **shape), atol=1e-5 * np.abs(line).max()
    )


def test_endless_half_and_far_off() -> None:
    _, point = _exact(400.0, 9.0, 2.0)
    shape = _settings(400.0, C_M_PER_NS / 3.0)
    np.testing.assert_array_equal(finite_length(point, across_m=(-np.inf, np.inf), **shape), point.astype(np.float32))
    np.testing.assert_allclose(finite_length(point, across_m=(0.0, np.inf), **shape), 0.5 * point, atol=2e-4)
    assert np.abs(finite_length(point, across_m=(30.0, np.inf), **shape)).max() < 1e-6
    np.testing.assert_allclose(finite_length(point, across_m=(-30.0, 30.0), **shape), point, atol=1e-6)
    # A row for each trace is the same as the traces one by one.
    ends = np.array([[-0.3, 0.3], [0.2, 1.0], [-1.0, 0.3]])
    together = finite_length(np.repeat(point, 3, axis=0), across_m=ends, **shape)
    alone = np.concatenate([finite_length(point, across_m=pair, **shape) for pair in ends])
    np.testing.assert_allclose(together, alone, atol=1e-7)


def test_an_end_answers_later_by_its_longer_way() -> None:
    # Body from 1 m on, path 2 m: the wave is that of the end, at √(2² + 2²)/v.
    _, point = _exact(400.0, 9.0, 2.0)
    v = C_M_PER_NS / 3.0
    found = finite_length(point, across_m=(1.0, np.inf), **_settings(400.0, v))[0]
    energy = (found**2).cumsum()
    middle = TIME[int(np.searchsorted(energy, 0.5 * energy[-1]))]
    assert middle == pytest.approx(np.hypot(2.0, 2.0) / v, abs=0.5)


BODIES = {
    "endless": (0.3, (-6.0, 6.0)),
    "4 m": (0.3, (-2.0, 2.0)),
    "2 m centred": (0.3, (-1.0, 1.0)),
    "2 m off": (0.3, (-0.4, 1.6)),
    "end under the line": (0.3, (0.0, 2.0)),
    "line beyond": (0.3, (0.3, 2.3)),
    "line far beyond": (0.3, (0.8, 2.8)),
    "infant": (0.15, (-0.3, 0.3)),
    "infant off": (0.15, (-0.1, 0.5)),
    "stone": (0.15, (-0.15, 0.15)),
    "stone beside": (0.15, (0.1, 0.4)),
}


@lru_cache(maxsize=32)
def _converted(mhz: float, top: float, half: float, conductivity: float) -> tuple[Instrument, np.ndarray]:
    step = 50.0 / mhz
    antenna = Instrument(centre_mhz=mhz, separation_m=0.16, interval_ns=step, samples=round(62.0 / step), zero_ns=ZERO)
    box = BornBox((-half, half), (-1.0, 1.0), (top, top + 0.1 + half))
    line = born_line(box, [0.0, 0.5], instrument=antenna, ground=BornGround(conductivity_ms_per_m=conductivity))
    return antenna, to_point_source(line, **_soil(mhz, conductivity, step))


def _soil(mhz: float, conductivity: float, step: float) -> dict:
    wave = plane_wave(mhz, permittivity=9.0, conductivity_ms_per_m=conductivity)
    return _settings(mhz, float(wave.v_m_per_ns), float(wave.alpha_np_per_m), step)


def _allowed(mhz: float, top: float, far: float) -> float:
    """What the methods leave, as a share of the endless body's peak.

    The spreading is right but for the second order in 1/ωt, and its factor is that of a box's gain, √t: 1.5/(ωt)².
    Of each wave 1 % stays unstripped of its pulse and is taken at the wrong time; the answers of an end are stretched
    by R/r against the time of the body, so that it grows by as much.
    """
    v = C_M_PER_NS / 3.0
    return 1.5 / (2e-3 * np.pi * mhz * 2 * top / v) ** 2 + 0.01 * float(np.hypot(top, min(far, 2.0)) / top)


@pytest.mark.parametrize("body", BODIES)
@pytest.mark.parametrize(
    ("mhz", "top", "conductivity"), [(200.0, 0.5, 0.0), (200.0, 1.1, 0.0), (400.0, 0.5, 0.0), (200.0, 1.1, 10.0)]
)
def test_finite_bodies_against_born(body: str, mhz: float, top: float, conductivity: float) -> None:
    half, across = BODIES[body]
    antenna, endless = _converted(mhz, top, half, conductivity)
    if conductivity > 0 and across[1] - across[0] > 3.0:
        across = (across[0] / 2, across[1] / 2)
    box = BornBox((-half, half), across, (top, top + 0.1 + half))
    ground = BornGround(conductivity_ms_per_m=conductivity)
    places = [0.0, 0.5] if across[1] - across[0] < 3.0 and mhz < 300.0 else [0.0]
    want = born_point(box, places, instrument=antenna, ground=ground)
    shape = _soil(mhz, conductivity, antenna.interval_ns)
    found = finite_length(endless[: len(places)], across_m=across, **shape)
    peak = np.abs(endless).max()
    allowed = _allowed(mhz, top, max(abs(end) for end in across))
    assert np.abs(found - want).max() / peak < allowed
    # Without the step a body that is shorter than two zones, or that the line just misses, is off by far more.
    zones = float(two_fresnel_zones_m(top, wavelength_m=0.1 / (1e-3 * mhz)))
    if min(across[1], -across[0]) < 0.4 * zones:
        assert np.abs(endless[: len(places)] - want).max() / peak > 3 * allowed


def test_beyond_the_end_the_little_that_is_left_is_right() -> None:
    # The line misses the grave by 0.3 m: a quarter of the endless answer, late, and right to 8 % of itself.
    antenna, endless = _converted(200.0, 1.1, 0.3, 0.0)
    want = born_point(BornBox((-0.3, 0.3), (0.3, 2.3), (1.1, 1.5)), [0.0], instrument=antenna)
    found = finite_length(endless[:1], across_m=(0.3, 2.3), **_soil(200.0, 0.0, antenna.interval_ns))
    assert 0.15 < np.abs(want).max() / np.abs(endless[0]).max() < 0.3
    assert _error(found, want) < 0.08


# --- shape, and faults ---------------------------------------------------------------------------------------------


def test_linear_float32_and_untouched() -> None:
    rng = np.random.default_rng(4)
    traces = rng.normal(size=(300, 64)).astype(np.float32)
    kept = traces.copy()
    shape = _settings(400.0, 0.1)
    for call in (
        lambda t: to_point_source(t, **shape, direct=DirectWave(0.16, 0.1)),
        lambda t: finite_length(t, across_m=(-0.3, 0.4), **shape),
    ):
        found = call(traces)
        assert found.dtype == np.float32
        assert found.shape == traces.shape
        np.testing.assert_array_equal(found, call(traces))
        np.testing.assert_allclose(call(2 * traces[:5]), 2 * found[:5], rtol=1e-4, atol=1e-4)
        np.testing.assert_array_equal(traces, kept)


ECHO = np.zeros((2, 64))


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: to_point_source(ECHO[0], **_settings(400.0, 0.1)), "traces must have 2 axes"),
        (lambda: to_point_source(ECHO, **_settings(400.0, 3.0)), "velocity above that of light"),
        (lambda: to_point_source(ECHO, **_settings(400.0, 0.0)), "v_m_per_ns must be greater than zero"),
        (lambda: to_point_source(ECHO, **_settings(400.0, np.full(3, 0.1))), r"one for each sample.*\(3,\) for 64"),
        (lambda: to_point_source(ECHO, **_settings(1500.0, 0.1)), "sample interval is too coarse.*Use 0.167 ns"),
        (lambda: to_point_source(ECHO, **_settings(400.0, 0.1, -1.0)), "attenuation_np_per_m must lie between"),
        (lambda: to_point_source(ECHO, **_settings(400.0, 0.1), answer="loud"), "answer must be one of body, mirror"),
        (lambda: DirectWave(0.0, 0.1), "distance_m must be greater than zero"),
        (lambda: DirectWave(0.1, 1.0), "velocity above that of light"),
        (
            lambda: finite_length(ECHO, across_m=(1.0, 0.0), **_settings(400.0, 0.1)),
            "end beyond where it begins.*smaller y",
        ),
        (lambda: finite_length(ECHO, across_m=(1.0,), **_settings(400.0, 0.1)), "across_m must hold two numbers"),
        (lambda: finite_length(ECHO, across_m=(np.nan, 1.0), **_settings(400.0, 0.1)), "across_m must hold numbers"),
        (
            lambda: finite_length(ECHO, across_m=[[0, 1]] * 3, **_settings(400.0, 0.1)),
            "one row, or one for each trace.*3 rows for 2 traces",
        ),
    ],
)
def test_faults(call, words) -> None:
    with pytest.raises(InputError, match=words):
        call()
