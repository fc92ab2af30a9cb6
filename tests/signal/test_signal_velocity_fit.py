"""Fit of hyperbolas: recovery, reference minimiser, honest errors under correlated noise, a person's own, faults."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares

from yewline.errors import InputError
from yewline.signal.velocity import (
    FitOptions,
    HyperbolaFit,
    apparent_velocity,
    diffraction_times,
    draw_hyperbola,
    fit_hyperbola,
    oblique_velocity,
    velocity_kind,
)
from yewline.signal.velocity.robust import HUBER, fit_errors
from yewline.units import C_M_PER_NS


def arrivals(x: np.ndarray, **changes: Any) -> np.ndarray:
    held = {"x0_m": 0.03, "depth_m": 0.8, "v_m_per_ns": 0.1, "separation_m": 0.16} | changes
    return diffraction_times(x, **held)


def noisy(rng: np.random.Generator, n: int, rho: float) -> np.ndarray:
    """Noise of size one whose neighbours are correlated."""
    e = rng.standard_normal(n)
    for k in range(1, n):
        e[k] = rho * e[k - 1] + math.sqrt(1 - rho**2) * e[k]
    return e


class TestRecovery:
    @settings(max_examples=30, deadline=None)
    @given(
        x0=st.floats(-0.3, 0.3),
        depth=st.floats(0.2, 3.0),
        v=st.floats(0.05, 0.25),
        separation=st.floats(0.0, 0.3),
        crossing=st.floats(30.0, 90.0),
    )
    def test_exact_picks(self, x0: float, depth: float, v: float, separation: float, crossing: float) -> None:
        x = np.linspace(-1.2, 1.2, 25)
        times = arrivals(x, x0_m=x0, depth_m=depth, v_m_per_ns=v, separation_m=separation, crossing_deg=crossing)
        fit = fit_hyperbola(x, times, FitOptions(separation_m=separation, crossing_deg=crossing))
        assert fit.v_m_per_ns == pytest.approx(v, rel=1e-5)
        assert fit.depth_m == pytest.approx(depth, rel=1e-5)
        assert fit.x_m == pytest.approx(x0, abs=1e-5)
        np.testing.assert_allclose(fit.times(x), times, rtol=1e-6)
        assert fit.apex_ns == pytest.approx(fit.times([fit.x_m])[0])

    def test_radius_is_found_with_long_legs(self) -> None:
        x = np.linspace(-2, 2, 81)
        times = arrivals(x, radius_m=0.2, depth_m=0.5)
        fit = fit_hyperbola(x, times, FitOptions(separation_m=0.16, fit_radius=True))
        assert fit.radius_m == pytest.approx(0.2, abs=1e-4)
        assert fit.v_m_per_ns == pytest.approx(0.1, rel=1e-4)
        assert len(fit.covariance) == 4

    def test_radius_left_out_biases_as_the_formula_says(self) -> None:
        # Near the apex the limit is v√(1 + R/d); a fit to short legs comes near it.
        x = np.linspace(-0.15, 0.15, 31)
        fit = fit_hyperbola(x, arrivals(x, x0_m=0.0, separation_m=0.0, radius_m=0.1))
        limits = apparent_velocity([0.0, 0.15], depth_m=0.8, v_m_per_ns=0.1, radius_m=0.1)
        assert limits[1] < fit.v_m_per_ns < limits[0]

    def test_point_model_over_an_oblique_pipe(self) -> None:
        x = np.linspace(-1, 1, 31)
        fit = fit_hyperbola(x, arrivals(x, crossing_deg=45.0, separation_m=0.0))
        assert fit.v_m_per_ns == pytest.approx(oblique_velocity(0.1, 45.0), rel=1e-6)

    def test_negative_radius_is_not_kept(self) -> None:
        # Legs that bend the other way than a round object's ask for a radius below zero.
        x = np.linspace(-1.5, 1.5, 61)
        times = arrivals(x) - 0.3 * (x / 1.5) ** 4
        fit = fit_hyperbola(x, times, FitOptions(separation_m=0.16, fit_radius=True))
        assert "radius-at-zero" in fit.cautions
        assert fit.radius_m == 0.0
        assert not fit.radius_fitted


class TestReference:
    def test_as_scipys_huber(self) -> None:
        # scipy.optimize.least_squares with its own Huber loss and numerical derivatives.
        rng = np.random.default_rng(4)
        x = np.linspace(-1, 1, 41)
        times = arrivals(x) + 0.1 * rng.standard_normal(41)
        times[[5, 20, 33]] += [3.0, -2.0, 4.0]
        fit = fit_hyperbola(x, times, FitOptions(separation_m=0.16, scale_ns=0.1))

        def residual(p: np.ndarray) -> np.ndarray:
            return arrivals(x, x0_m=p[0], depth_m=0.5 * p[1] * p[2], v_m_per_ns=p[2]) - times

        best = least_squares(
            residual,
            [0.0, 15.0, 0.11],
            loss="huber",
            f_scale=HUBER * 0.1,
            x_scale=[0.1, 1, 0.01],
            xtol=1e-14,
            ftol=1e-14,
        )
        np.testing.assert_allclose([fit.x_m, fit.t0_ns, fit.v_m_per_ns], best.x, rtol=2e-5, atol=2e-6)
        assert np.argsort(fit.picks_weight)[:3].tolist() == [33, 5, 20]

    def test_independent_noise_gives_the_textbook_covariance(self) -> None:
        # (JᵀJ)⁻¹σ² for normal errors: the mean over many fits, whose scale is estimated, tends to it.
        rng = np.random.default_rng(5)
        x = np.linspace(-1.2, 1.2, 121)
        found = [
            fit_hyperbola(x, arrivals(x) + 0.05 * rng.standard_normal(121), FitOptions(separation_m=0.16))
            for _ in range(60)
        ]
        spread = np.std([fit.v_m_per_ns for fit in found])
        stated = np.mean([fit.sigma_v_m_per_ns for fit in found])
        # One standard error of correlation is added on purpose; 60 fits tell a spread to 9 %.
        assert 0.9 < stated / spread < 1.6


class TestHonestErrors:
    @pytest.mark.parametrize(("n", "rho"), [(21, 0.0), (41, 0.5), (61, 0.8), (31, 0.9)])
    def test_coverage(self, n: int, rho: float) -> None:
        rng = np.random.default_rng(n)
        x = np.linspace(-0.9, 0.9, n)
        times = arrivals(x)
        inside = 0
        for _ in range(300):
            low, high = fit_hyperbola(x, times + 0.15 * noisy(rng, n, rho), FitOptions(separation_m=0.16)).interval()
            inside += low <= 0.1 <= high
        assert inside >= 0.9 * 300

    def test_coverage_with_wild_picks(self) -> None:
        rng = np.random.default_rng(8)
        x = np.linspace(-0.9, 0.9, 41)
        times = arrivals(x)
        inside = 0
        for _ in range(200):
            wild = np.where(rng.random(41) < 0.1, 8.0, 1.0)
            fit = fit_hyperbola(x, times + 0.1 * wild * noisy(rng, 41, 0.5), FitOptions(separation_m=0.16))
            low, high = fit.interval()
            inside += low <= 0.1 <= high
        assert inside >= 0.9 * 200

    def test_ignoring_correlation_would_not_be_honest(self) -> None:
        # What the usual covariance would cover under the same noise: far less than it says.
        rng = np.random.default_rng(9)
        x = np.linspace(-0.9, 0.9, 61)
        times = arrivals(x)
        naive = 0
        for _ in range(150):
            fit = fit_hyperbola(x, times + 0.15 * noisy(rng, 61, 0.8), FitOptions(separation_m=0.16))
            slopes = _slopes(fit)
            rms2 = fit.rms_ns**2 * 61 / 58  # type: ignore[operator]
            naive += abs(fit.v_m_per_ns - 0.1) <= 2.0 * math.sqrt(rms2 * np.linalg.inv(slopes.T @ slopes)[2, 2])
        assert naive < 0.8 * 150

    def test_common_errors_add(self) -> None:
        # Time zero: d v/v = −δ·(t over the legs): compare with picks that are shifted.
        x = np.linspace(-1, 1, 41)
        times = arrivals(x) + 0.02 * np.random.default_rng(1).standard_normal(41)
        options = FitOptions(separation_m=0.16)
        plain, with_zero = (fit_hyperbola(x, times, FitOptions(separation_m=0.16, zero_sigma_ns=z)) for z in (0.0, 0.3))
        shifted = fit_hyperbola(x, times + 0.3, options)
        moved = shifted.v_m_per_ns - plain.v_m_per_ns
        extra = math.sqrt(with_zero.sigma_v_m_per_ns**2 - plain.sigma_v_m_per_ns**2)
        assert extra == pytest.approx(abs(moved), rel=0.03)
        by_shape = fit_hyperbola(x, times, options, common_ns=np.full((1, 41), 0.3))
        assert by_shape.sigma_v_m_per_ns == pytest.approx(with_zero.sigma_v_m_per_ns)

    def test_assumed_radius_adds(self) -> None:
        x = np.linspace(-1, 1, 41)
        times = arrivals(x) + 0.02 * np.random.default_rng(1).standard_normal(41)
        fits = [fit_hyperbola(x, times, FitOptions(separation_m=0.16, radius_sigma_m=s)) for s in (0.0, 0.05)]
        other = fit_hyperbola(x, times, FitOptions(separation_m=0.16, radius_m=0.05))
        extra = math.sqrt(fits[1].sigma_v_m_per_ns ** 2 - fits[0].sigma_v_m_per_ns ** 2)
        assert extra == pytest.approx(abs(other.v_m_per_ns - fits[0].v_m_per_ns), rel=0.1)

    def test_correlation_is_seen(self) -> None:
        rng = np.random.default_rng(3)
        x = np.linspace(-1, 1, 101)
        found = {}
        for rho in (0.0, 0.9):
            fits = [fit_hyperbola(x, arrivals(x) + 0.1 * noisy(rng, 101, rho)) for _ in range(20)]
            found[rho] = (
                np.mean([fit.correlation for fit in fits]),  # type: ignore[arg-type]
                np.mean([fit.n_effective for fit in fits]),  # type: ignore[arg-type]
            )
        assert found[0.0][0] < 0.3
        assert found[0.9][0] == pytest.approx(0.9, abs=0.1)
        assert found[0.9][1] < 0.3 * found[0.0][1]


def _slopes(fit: HyperbolaFit) -> np.ndarray:
    """Derivatives of a fit's times by x0, t0 and v, by differences."""
    x = np.array(fit.picks_x_m)
    columns = []
    for step in ((1e-6, 0, 0), (0, 1e-6, 0), (0, 0, 1e-8)):
        up, down = (
            HyperbolaFit(
                fit.x_m + s * step[0], fit.t0_ns + s * step[1], fit.v_m_per_ns + s * step[2], separation_m=0.16
            ).times(x)
            for s in (1, -1)
        )
        columns.append((up - down) / (2 * sum(step)))
    return np.stack(columns, axis=1)


class TestCautions:
    @pytest.mark.parametrize(
        ("x", "code"), [(np.linspace(-0.3, 0.3, 21), "short-legs"), (np.linspace(0.03, 1.5, 31), "one-leg")]
    )
    def test_shape_of_the_legs(self, x: np.ndarray, code: str) -> None:
        assert code in fit_hyperbola(x, arrivals(x)).cautions

    def test_velocity_unsure_and_trade_off(self) -> None:
        rng = np.random.default_rng(1)
        x = np.linspace(-0.5, 0.5, 21)
        loud = fit_hyperbola(x, arrivals(x) + 2.0 * rng.standard_normal(21), FitOptions(separation_m=0.16))
        assert "velocity-unsure" in loud.cautions
        quiet = fit_hyperbola(
            x,
            arrivals(x, radius_m=0.2) + 0.002 * rng.standard_normal(21),
            FitOptions(separation_m=0.16, fit_radius=True, radius_m=0.2),
        )
        assert "radius-trade-off" in quiet.cautions

    def test_good_legs_have_none(self) -> None:
        x = np.linspace(-1, 1, 41)
        assert fit_hyperbola(x, arrivals(x), FitOptions(separation_m=0.16)).cautions == ()


class TestDataType:
    def test_round_trip_through_json(self) -> None:
        x = np.linspace(-1, 1, 21)
        fit = fit_hyperbola(x, arrivals(x) + 0.01 * x**3, FitOptions(separation_m=0.16, zero_sigma_ns=0.1))
        drawn = draw_hyperbola(3.0, 20.0, 0.1, leg_m=1.0, reading_sigma_ns=0.5, line="L01")
        for one in (fit, drawn, fit.with_caution("looked-at", "looked-at")):
            again = HyperbolaFit.from_dict(json.loads(json.dumps(one.to_dict(), allow_nan=False)))
            assert again == one
            assert hash(again) == hash(one)
        assert fit.with_caution("a", "a").cautions.count("a") == 1

    def test_drawn_lies_where_it_was_drawn(self) -> None:
        drawn = draw_hyperbola(
            3.0, 16.0, 0.1, leg_m=1.0, reading_sigma_ns=0.6, options=FitOptions(separation_m=0.3, radius_m=0.1)
        )
        assert drawn.by == "person"
        assert drawn.apex_ns == pytest.approx(16.0, rel=2e-3)
        assert 0.001 < drawn.sigma_v_m_per_ns < 0.01
        low, high = drawn.interval(0.95)
        assert (high - low) == pytest.approx(2 * 1.959964 * drawn.sigma_v_m_per_ns, rel=1e-5)

    def test_depth_error_has_both_parts(self) -> None:
        fit = HyperbolaFit(0.0, 20.0, 0.1, ((1e-4, 0, 0), (0, 0.04, -1e-4), (0, -1e-4, 4e-6)))
        # d = vt/2: σ² = (v/2)²σt² + (t/2)²σv² + 2(v/2)(t/2)cov
        assert fit.sigma_depth_m == pytest.approx(math.sqrt(0.0025 * 0.04 + 100 * 4e-6 - 2 * 0.5 * 1e-4))

    def test_unknown_errors(self) -> None:
        bare = HyperbolaFit(0.0, 20.0, 0.1)
        assert math.isnan(bare.sigma_v_m_per_ns)
        assert math.isnan(bare.sigma_depth_m)
        assert bare.kind == "ground"
        with pytest.raises(InputError, match="no covariance. Fit it, or draw it"):
            bare.interval()

    def test_kinds(self) -> None:
        assert velocity_kind(C_M_PER_NS) == "air"
        assert velocity_kind(0.24) == "air"
        assert velocity_kind(0.2) == "ground"
        assert velocity_kind(0.31) == "impossible"
        assert velocity_kind(0.0329) == "impossible"
        assert velocity_kind(0.033) == "ground"

    def test_faster_than_light_is_still_drawn(self) -> None:
        # Fits of air waves scatter above c; their curve must be the same formula.
        fit = HyperbolaFit(0.0, 20.0, 0.35)
        np.testing.assert_allclose(fit.times([1.0]), [math.hypot(20.0, 2 / 0.35)], rtol=1e-12)

    @pytest.mark.parametrize(
        ("values", "message"),
        [
            ({"x_m": math.nan}, "x_m must be finite"),
            ({"t0_ns": 0.0}, "t0_ns must be greater than zero"),
            ({"v_m_per_ns": 20.0}, "v_m_per_ns must lie between"),
            ({"by": "nobody"}, "by must be one of search, person"),
            ({"picks_x_m": [1.0]}, "each pick has a place, a time and a weight .received 1, 0 and 0"),
            ({"covariance": [[1.0]]}, r"covariance must have 3 rows of 3 .received \[1\]"),
            ({"covariance": [[-1.0, 0, 0], [0, 1, 0], [0, 0, 1]]}, "covariance holds values that cannot be"),
            ({"speed": 1.0}, "unknown key of a hyperbola .received speed"),
        ],
    )
    def test_refused(self, values: dict[str, Any], message: str) -> None:
        with pytest.raises(InputError, match=message):
            HyperbolaFit.from_dict({"x_m": 0.0, "t0_ns": 20.0, "v_m_per_ns": 0.1} | values)

    def test_missing_key(self) -> None:
        with pytest.raises(InputError, match="lacks a key .received no t0_ns, v_m_per_ns"):
            HyperbolaFit.from_dict({"x_m": 0.0})


class TestFaults:
    def test_picks(self) -> None:
        x = np.linspace(-1, 1, 21)
        with pytest.raises(InputError, match="21 places and 20 times"):
            fit_hyperbola(x, arrivals(x)[:20])
        with pytest.raises(InputError, match="five places or more .received 4 places"):
            fit_hyperbola([0, 1, 2, 3, 3], [1, 2, 3, 4, 5])
        with pytest.raises(InputError, match="after time zero .received -1 ns.. Set time zero first"):
            fit_hyperbola(x, np.where(x < 0, -1.0, 5.0))
        with pytest.raises(InputError, match="not grow to both sides"):
            fit_hyperbola(x, 40.0 - arrivals(x))
        with pytest.raises(InputError, match="one value a pick .received 3 for 21"):
            fit_hyperbola(x, arrivals(x), common_ns=np.ones((1, 3)))
        with pytest.raises(InputError, match="not finite"):
            fit_hyperbola(x, arrivals(x) * np.nan)
        with pytest.raises(InputError, match="start v must be greater"):
            fit_hyperbola(x, arrivals(x), start=(0.0, 16.0, 0.0))

    def test_drawn(self) -> None:
        with pytest.raises(InputError, match="no ground has this velocity .received 0.32 m/ns"):
            draw_hyperbola(3.0, 20.0, 0.32, leg_m=1.0, reading_sigma_ns=0.5)
        with pytest.raises(InputError, match="no ground has this velocity .received 0.03 m/ns"):
            draw_hyperbola(3.0, 20.0, 0.03, leg_m=1.0, reading_sigma_ns=0.5)
        with pytest.raises(InputError, match="before the wave could have gone"):
            draw_hyperbola(3.0, 2.0, 0.1, leg_m=1.0, reading_sigma_ns=0.5, options=FitOptions(separation_m=0.3))

    def test_options(self) -> None:
        with pytest.raises(InputError, match="crossing_deg must lie between 1 and 90"):
            FitOptions(crossing_deg=0.0)
        with pytest.raises(InputError, match="scale_ns must be greater"):
            FitOptions(scale_ns=0.0)

    def test_inputs_are_not_changed(self) -> None:
        x = np.linspace(-1, 1, 21)
        times = arrivals(x)
        held = x.copy(), times.copy()
        fit_hyperbola(x, times)
        np.testing.assert_array_equal(x, held[0])
        np.testing.assert_array_equal(times, held[1])

    def test_errors_of_a_perfect_fit(self) -> None:
        x = np.linspace(-1, 1, 21)
        fit = fit_hyperbola(x, arrivals(x), FitOptions(separation_m=0.16))
        assert fit.sigma_v_m_per_ns < 1e-6
        assert fit.dof is not None
        assert callable(fit_errors)
