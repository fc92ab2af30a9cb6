"""Time to depth: geometry, inverse, and the error's propagation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import InputError
from yewline.ground import TOPP, depth_error_m, depth_of_time, time_of_depth
from yewline.physics import topp_permittivity, velocity_of_permittivity
from yewline.units import Z90


@pytest.mark.parametrize(
    ("theta", "time_ns", "plotted_m"),
    # Worked from Topp, Davis & Annan 1980: two-way time to 1 m, and where that target is drawn at a fixed 0.10 m/ns.
    [
        (0.05, 13.1, 0.65),
        (0.10, 15.4, 0.77),
        (0.15, 18.2, 0.91),
        (0.20, 21.2, 1.06),
        (0.25, 24.3, 1.22),
        (0.30, 27.4, 1.37),
        (0.35, 30.5, 1.52),
        (0.40, 33.5, 1.67),
    ],
)
def test_a_fixed_velocity_moves_a_grave(theta: float, time_ns: float, plotted_m: float) -> None:
    v = velocity_of_permittivity(topp_permittivity(theta))
    time = time_of_depth(1.0, v)
    assert time == pytest.approx(time_ns, abs=0.051)
    assert depth_of_time(time, 0.10) == pytest.approx(plotted_m, abs=0.0051)
    assert depth_of_time(time, v) == pytest.approx(1.0, rel=1e-12)


def test_separated_antennas() -> None:
    # v = 0.1 m/ns, 1 m: 20.00000 ns with antennas together, 20.06390 ns with 0.16 m between them (path of two slants).
    assert time_of_depth(1.0, 0.1) == pytest.approx(20.0, rel=1e-12)
    assert time_of_depth(1.0, 0.1, separation_m=0.16) == pytest.approx(20.06390, abs=1e-5)
    assert time_of_depth(1.0, 0.1, separation_m=0.16) == pytest.approx(2 * np.hypot(1.0, 0.08) / 0.1, rel=1e-14)
    # The direct ground wave needs s/v; nothing earlier can be at any depth.
    assert depth_of_time([0.0, 1.0, 1.59], 0.1, separation_m=0.16).tolist() == [0.0, 0.0, 0.0]
    assert depth_of_time(1.6, 0.1, separation_m=0.16) == pytest.approx(0.0, abs=1e-8)


@given(st.floats(0.01, 5.0), st.floats(0.03, 0.29), st.floats(0.0, 1.0))
@settings(max_examples=50, deadline=None)
def test_round_trip(depth: float, v: float, separation: float) -> None:
    time = time_of_depth(depth, v, separation_m=separation)
    # Where the slant is long against the depth the square root loses digits.
    assert depth_of_time(time, v, separation_m=separation) == pytest.approx(depth, rel=1e-9)


@pytest.mark.parametrize("separation", [0.0, 0.16])
@pytest.mark.parametrize("depth", [0.3, 1.0, 2.0])
def test_error_agrees_with_drawing_at_random(depth: float, separation: float) -> None:
    # 400,000 draws fix a quantile's half-width to about 0.3 %; relative errors of 4 % keep the curve straight enough.
    rng = np.random.default_rng(8)
    v = rng.normal(0.1, 0.004, 400_000)
    time = time_of_depth(depth, 0.1, separation_m=separation) + rng.normal(0, 0.3, v.size)
    low, high = np.quantile(depth_of_time(time, v, separation_m=separation), [0.05, 0.95])
    error = depth_error_m(depth, 0.1, 0.004, time_zero_sigma_ns=0.3, separation_m=separation)
    assert error == pytest.approx(0.5 * (high - low), rel=0.02)


def test_error_is_the_derivative() -> None:
    step = 1e-7
    for depth in (0.2, 1.0):
        time = time_of_depth(depth, 0.1, separation_m=0.3)
        by_v = (depth_of_time(time, 0.1 + step, separation_m=0.3) - depth) / step
        by_t = (depth_of_time(time + 1e-5, 0.1, separation_m=0.3) - depth) / 1e-5
        assert depth_error_m(depth, 0.1, 0.01, separation_m=0.3) == pytest.approx(Z90 * 0.01 * by_v, rel=1e-4)
        error = depth_error_m(depth, 0.1, 0.0, time_zero_sigma_ns=0.2, separation_m=0.3)
        assert error == pytest.approx(Z90 * 0.2 * by_t, rel=1e-4)


def test_error_grows_with_depth_and_is_finite_at_the_surface() -> None:
    depth = np.linspace(0.0, 3.0, 31)
    error = depth_error_m(depth, 0.1, 0.01, time_zero_sigma_ns=0.1, separation_m=0.0)
    assert (np.diff(error) > 0).all()
    assert error[0] == pytest.approx(Z90 * 0.5 * 0.1 * 0.1, rel=1e-12)
    assert depth_error_m(0.0, 0.1, 0.01) == 0
    assert np.isfinite(depth_error_m(depth, 0.1, 0.01, separation_m=0.2)).all()


def test_three_hundredths_of_moisture_are_nine_percent_of_depth() -> None:
    # Topp et al. 1980 at 0.20 m³/m³: dε/dθ = 58.496, ε = 10.1164, so dv/v = −½ · 58.496/10.1164 · 0.03 = −8.67 %.
    v, slope = float(TOPP.velocity(0.2)), float(TOPP.slope(0.2))
    assert 0.03 * slope == pytest.approx(-0.0867, abs=1e-4)
    assert depth_error_m(1.0, v, abs(0.03 * slope) * v / Z90) == pytest.approx(0.0867, abs=1e-4)


def test_faults() -> None:
    with pytest.raises(InputError, match=r"time_ns must not be negative \(received -1\)"):
        depth_of_time([-1.0, 2.0], 0.1)
    with pytest.raises(InputError, match=r"velocity above that of light \(received 0\.31 m/ns\)"):
        depth_of_time(10.0, 0.31)
    with pytest.raises(InputError, match="velocity must be greater than zero"):
        time_of_depth(1.0, 0.0)
    with pytest.raises(InputError, match="separation_m must not be negative"):
        depth_of_time(10.0, 0.1, separation_m=-0.1)
    with pytest.raises(InputError, match="time_zero_sigma_ns must not be negative"):
        depth_error_m(1.0, 0.1, 0.01, time_zero_sigma_ns=-1.0)
    with pytest.raises(InputError, match="sigma_v_m_per_ns must not be negative"):
        depth_error_m(1.0, 0.1, -0.01)
