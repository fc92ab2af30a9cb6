"""Known depths, estimates side by side, many hyperbolas: published fits, reference libraries, honest intervals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize
from scipy.stats import chi2

from yewline.errors import InputError
from yewline.signal.velocity import (
    HyperbolaFit,
    VelocityEstimate,
    combine_estimates,
    draw_hyperbola,
    estimate_of,
    hyperbola_velocity,
    known_depth_velocity,
    line_with_errors,
)


def hyperbola(v: float, sigma: float = 0.002, x: float = 0.0) -> HyperbolaFit:
    return HyperbolaFit(x, 20.0, v, ((1e-4, 0, 0), (0, 0.04, 0), (0, 0, sigma**2)), dof=20.0)


class TestLineWithErrors:
    # Pearson's points with York's weights (York 1966, Can. J. Phys. 44:1079–1086; values from memory).
    X = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
    Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
    SX = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0]) ** -0.5
    SY = np.array([1.0, 1.8, 4, 8, 20, 20, 70, 70, 100, 500]) ** -0.5

    def test_pearson_and_york(self) -> None:
        # York et al. 2004, Am. J. Phys. 72:367–375, table II (from memory): a 5.47991, b −0.480533, S 11.8664 and
        # standard errors 0.294971 and 0.0579850.
        found = line_with_errors(self.X, self.Y, sigma_x=self.SX, sigma_y=self.SY)
        assert found.intercept == pytest.approx(5.47991022, abs=1e-7)
        assert found.slope == pytest.approx(-0.48053341, abs=1e-8)
        assert found.chi2 == pytest.approx(11.8663532, abs=1e-6)
        assert np.sqrt(np.diag(found.covariance)) == pytest.approx([0.294971, 0.0579850], abs=2e-6)

    @pytest.mark.parametrize("prior", [None, 0.0, 0.4])
    def test_is_the_least_of_all(self, prior: float | None) -> None:
        # A general minimiser over slope, intercept and all true x.
        y = self.Y - 5.5
        found = line_with_errors(self.X, y, sigma_x=self.SX, sigma_y=self.SY, intercept_sigma=prior)

        def loss(p: np.ndarray) -> float:
            a, b, true = (0.0, *p[:1], p[1:]) if prior == 0.0 else (p[0], p[1], p[2:])
            extra = 0.0 if not prior else (a / prior) ** 2
            return float((((self.X - true) / self.SX) ** 2 + ((y - a - b * true) / self.SY) ** 2).sum() + extra)

        start = [found.slope * 1.1, *self.X] if prior == 0.0 else [found.intercept, found.slope * 1.1, *self.X]
        best = minimize(loss, start, method="BFGS", options={"gtol": 1e-8, "maxiter": 5000})
        slope = best.x[0] if prior == 0.0 else best.x[1]
        assert found.slope == pytest.approx(slope, rel=1e-5)

    def test_without_errors_in_x_it_is_weighted_least_squares(self) -> None:
        found = line_with_errors(self.X, self.Y, sigma_x=0 * self.SX, sigma_y=self.SY)
        coefficients, covariance = np.polyfit(self.X, self.Y, 1, w=1 / self.SY, cov="unscaled")
        assert [found.slope, found.intercept] == pytest.approx(coefficients.tolist(), rel=1e-10)
        np.testing.assert_allclose(found.covariance, covariance[::-1, ::-1], rtol=1e-10)

    def test_faults(self) -> None:
        one = np.ones(1)
        with pytest.raises(InputError, match="a line needs two points .received 1"):
            line_with_errors(one, one, sigma_x=one, sigma_y=one)
        with pytest.raises(InputError, match="all points lie at one place"):
            line_with_errors([1, 1], [1, 2], sigma_x=[1, 1], sigma_y=[1, 1])
        with pytest.raises(InputError, match="each point needs an error above 0"):
            line_with_errors([1, 2], [1, 2], sigma_x=[0, 1], sigma_y=[0, 1])
        with pytest.raises(InputError, match="points and errors must be as many .received 2, 2, 1, 2"):
            line_with_errors([1, 2], [1, 2], sigma_x=[1], sigma_y=[1, 1])


class TestKnownDepths:
    @settings(max_examples=25, deadline=None)
    @given(v=st.floats(0.05, 0.25), s=st.floats(0.0, 0.4))
    def test_exact(self, v: float, s: float) -> None:
        d = np.array([0.4, 0.9, 1.3, 1.8])
        fit = known_depth_velocity(
            d,
            np.sqrt(4 * d**2 + s**2) / v,
            sigma_depth_m=np.full(4, 0.05),
            sigma_time_ns=np.full(4, 0.5),
            zero_sigma_ns=1.0,
            separation_m=s,
        )
        assert fit.estimate.v_m_per_ns == pytest.approx(v, rel=1e-9)
        assert fit.zero_ns == pytest.approx(0.0, abs=1e-7)
        assert fit.p == pytest.approx(1.0)

    def test_coverage(self) -> None:
        rng = np.random.default_rng(1)
        d = np.array([0.5, 0.8, 1.1, 1.2, 1.6, 1.9])
        inside = 0
        for _ in range(300):
            fit = known_depth_velocity(
                d + 0.08 * rng.standard_normal(6),
                2 * d / 0.09 + 0.5 * rng.standard_normal(6) + 0.7 * rng.standard_normal(),
                sigma_depth_m=np.full(6, 0.08),
                sigma_time_ns=np.full(6, 0.5),
                zero_sigma_ns=0.7,
            )
            inside += abs(fit.estimate.v_m_per_ns - 0.09) <= 1.96 * fit.estimate.sigma_m_per_ns
        assert inside >= 0.9 * 300

    def test_common_zero_does_not_shrink(self) -> None:
        # Many burials at one depth: their own errors average out, that of time zero stays: σv/v = σ0/t.
        n = 400
        fit = known_depth_velocity(
            np.full(n, 1.0),
            np.full(n, 20.0),
            sigma_depth_m=np.full(n, 0.05),
            sigma_time_ns=np.full(n, 0.5),
            zero_sigma_ns=0.4,
        )
        assert fit.estimate.sigma_m_per_ns == pytest.approx(0.1 * 0.4 / 20, rel=0.1)

    def test_disagreement_widens_and_outliers_are_named(self) -> None:
        d = np.linspace(0.5, 2.0, 8)
        t = 2 * d / 0.1
        t[5] += 12.0
        errors = {"sigma_depth_m": np.full(8, 0.02), "sigma_time_ns": np.full(8, 0.4), "zero_sigma_ns": 0.3}
        fit = known_depth_velocity(d, t, **errors)
        assert fit.outliers == (5,)
        assert fit.p < 1e-6
        assert {"outliers", "errors-too-small"} <= set(fit.estimate.cautions)
        assert fit.estimate.n == 8
        quiet = known_depth_velocity(
            np.delete(d, 5), np.delete(t, 5), **{k: v if np.isscalar(v) else v[:7] for k, v in errors.items()}
        )  # type: ignore[index]
        assert quiet.estimate.sigma_m_per_ns < 0.5 * fit.estimate.sigma_m_per_ns

    def test_one_burial(self) -> None:
        fit = known_depth_velocity([1.0], [20.0], sigma_depth_m=[0.05], sigma_time_ns=[0.5], zero_sigma_ns=0.0)
        # σv/v from σd/d and σt/t.
        assert fit.estimate.sigma_m_per_ns == pytest.approx(0.1 * math.hypot(0.05, 0.025), rel=1e-9)
        assert (fit.dof, fit.p) == (0, 1.0)

    def test_faults(self) -> None:
        held = {"sigma_depth_m": [0.05], "sigma_time_ns": [0.5], "zero_sigma_ns": 0.5}
        with pytest.raises(InputError, match="greater than zero .received 0 m and 20 ns"):
            known_depth_velocity([0.0], [20.0], **held)
        with pytest.raises(InputError, match="no velocity that ground can have|give no velocity"):
            known_depth_velocity([4.0], [20.0], **held)
        with pytest.raises(InputError, match="each depth has an error and a time .received 2, 1 and 1"):
            known_depth_velocity([1.0, 2.0], [20.0], **held)


class TestCombine:
    def test_textbook_of_two(self) -> None:
        # 0.10 ± 0.003 and 0.12 ± 0.004: weights 1/9 and 1/16, mean 0.1072, σ = 0.0024, χ² = (0.02/0.005)² = 16.
        both = combine_estimates(
            [VelocityEstimate(0.10, 0.003, "hyperbolas"), VelocityEstimate(0.12, 0.004, "known depths", depth_to_m=2)]
        )
        assert both.mean.v_m_per_ns == pytest.approx(0.1072)
        assert both.chi2 == pytest.approx(16.0)
        assert both.p == pytest.approx(chi2.sf(16.0, 1))
        assert both.mean.sigma_m_per_ns == pytest.approx(0.0024 * 4)
        assert both.mean.cautions == ("disagreement",)
        assert both.pairs[0].p == pytest.approx(both.p)
        assert both.score == pytest.approx((-2.4, 3.2))

    def test_agreement_is_not_narrowed(self) -> None:
        same = combine_estimates([VelocityEstimate(0.1, 0.004, "a"), VelocityEstimate(0.1, 0.004, "b")])
        assert same.widened == 1.0
        assert same.mean.sigma_m_per_ns == pytest.approx(0.004 / math.sqrt(2))
        assert same.p == 1.0
        assert same.mean.cautions == ()

    def test_nothing_is_dropped(self) -> None:
        three = [VelocityEstimate(v, 0.001, f"s{v}") for v in (0.09, 0.1, 0.2)]
        found = combine_estimates(three)
        assert found.estimates == tuple(three)
        assert len(found.pairs) == 3
        assert len(found.score) == 3

    def test_common_error_does_not_shrink(self) -> None:
        many = [VelocityEstimate(0.1, 0.002, "a", label=str(k)) for k in range(100)]
        assert combine_estimates(many, common_sigma_m_per_ns=0.003).mean.sigma_m_per_ns == pytest.approx(
            math.hypot(0.0002, 0.003)
        )

    def test_one(self) -> None:
        one = combine_estimates([VelocityEstimate(0.1, 0.002, "a")])
        assert (one.dof, one.p, one.mean.source) == (0, 1.0, "a")

    def test_estimate(self) -> None:
        one = VelocityEstimate(0.1, 0.002, "focus", label="L1", cautions=("x",))
        assert one.name == "focus L1"
        assert one.to_dict()["depth_to_m"] is None
        assert one.to_dict()["cautions"] == ["x"]

    def test_faults(self) -> None:
        with pytest.raises(InputError, match="no estimates to compare"):
            combine_estimates([])
        for values, message in (
            ((0.1, 0.0, "a"), "sigma_m_per_ns must be greater"),
            ((2.0, 0.1, "a"), "v_m_per_ns must lie between"),
            ((0.1, 0.1, ""), "names where it comes from"),
            ((0.1, 0.1, "a", 2.0, 1.0), "depths must grow .received 2 to 1 m"),
            ((0.1, 0.1, "a", 0.0, 1.0, 0), "rests on one thing at least"),
        ):
            with pytest.raises(InputError, match=message):
                VelocityEstimate(*values)  # type: ignore[arg-type]


class TestHyperbolas:
    @pytest.mark.parametrize(("n", "spread"), [(4, 0.003), (12, 0.0), (12, 0.006), (30, 0.003)])
    def test_coverage(self, n: int, spread: float) -> None:
        rng = np.random.default_rng(n)
        inside = 0
        for _ in range(200):
            sigma = rng.uniform(0.001, 0.004, n)
            v = 0.09 + spread * rng.standard_normal(n) + sigma * rng.standard_normal(n)
            found = hyperbola_velocity([hyperbola(a, b) for a, b in zip(v, sigma, strict=True)], seed=1, draws=400)
            inside += found.low_m_per_ns <= 0.09 <= found.high_m_per_ns
        assert inside >= 0.9 * 200

    def test_blocks_that_err_together(self) -> None:
        # Five lines, each with an error of its own: taken as independent, the interval would be too narrow.
        rng = np.random.default_rng(3)
        blocked = alone = 0
        for _ in range(150):
            own = 0.004 * rng.standard_normal(5)
            fits = [hyperbola(0.09 + own[k // 8] + 0.001 * rng.standard_normal(), 0.001) for k in range(40)]
            names = [str(k // 8) for k in range(40)]
            for blocks in (names, None):
                found = hyperbola_velocity(fits, seed=1, draws=200, blocks=blocks)
                hit = found.low_m_per_ns <= 0.09 <= found.high_m_per_ns
                blocked, alone = blocked + (hit and blocks is not None), alone + (hit and blocks is None)
        assert blocked >= 0.88 * 150
        assert alone < 0.75 * 150

    def test_outliers_are_named_and_air_is_not_used(self) -> None:
        fits = [hyperbola(0.09 + 0.001 * (k % 5 - 2)) for k in range(10)]
        fits += [hyperbola(0.15), hyperbola(0.2995, 0.01), HyperbolaFit(0.0, 20.0, 0.09)]
        found = hyperbola_velocity(fits, seed=1)
        assert found.outliers == (10,)
        assert found.unusable == (11, 12)
        assert found.used == tuple(range(10))
        assert found.with_outliers_m_per_ns > found.estimate.v_m_per_ns
        assert abs(found.score[10]) > 3.5
        assert math.isnan(found.score[11])

    def test_one_hyperbola_for_a_whole_site_is_cautioned(self) -> None:
        found = hyperbola_velocity([hyperbola(0.09)], seed=1)
        assert found.estimate.cautions == ("one-hyperbola",)
        assert found.estimate.sigma_m_per_ns == pytest.approx(0.002)

    def test_same_seed_same_value(self) -> None:
        fits = [hyperbola(v) for v in (0.09, 0.092, 0.087, 0.095)]
        assert hyperbola_velocity(fits, seed=5) == hyperbola_velocity(fits, seed=5)
        assert hyperbola_velocity(fits, seed=5).estimate.cautions == ("few-hyperbolas",)

    def test_a_persons_stands_beside_the_searchs(self) -> None:
        drawn = draw_hyperbola(1.0, 20.0, 0.095, leg_m=1.0, reading_sigma_ns=0.5, line="L3")
        both = combine_estimates([estimate_of(drawn), estimate_of(hyperbola(0.09))])
        assert [one.name for one in both.estimates] == ["hyperbola by a person L3", "hyperbola"]
        assert hyperbola_velocity([drawn, hyperbola(0.09)], seed=1).used == (0, 1)

    def test_faults(self) -> None:
        with pytest.raises(InputError, match="tells nothing of the ground's velocity .received 0.295 m/ns .air"):
            estimate_of(hyperbola(0.295))
        with pytest.raises(InputError, match="no covariance"):
            estimate_of(HyperbolaFit(0.0, 20.0, 0.1))
        with pytest.raises(InputError, match="one name a hyperbola .received 1 for 2"):
            hyperbola_velocity([hyperbola(0.1), hyperbola(0.1)], seed=1, blocks=["a"])
        with pytest.raises(InputError, match="no hyperbola tells"):
            hyperbola_velocity([], seed=1)
