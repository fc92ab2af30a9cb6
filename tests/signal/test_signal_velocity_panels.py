"""Semblance panels, focus, gathers and Dix: closed forms, planted events, honest errors, faults."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import InputError
from yewline.signal import Section, band_pass
from yewline.signal.velocity import (
    FitOptions,
    default_velocities_m_per_ns,
    diffraction_times,
    dix_velocities,
    find_direct_waves,
    find_reflections,
    fit_moveout,
    focus_estimate,
    gather_semblance,
    semblance_panel,
)
from yewline.units import C_M_PER_NS

SECTION = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
T = 0.25 * np.arange(280)


def pulse(u: np.ndarray) -> np.ndarray:
    """Ricker wavelet of 400 MHz (Ricker 1953)."""
    a = (np.pi * 0.4 * u) ** 2
    return (1 - 2 * a) * np.exp(-a)


def noise(shape: tuple[int, int], size: float, seed: int) -> np.ndarray:
    values = band_pass(np.random.default_rng(seed).standard_normal(shape), SECTION)
    return size * values / values.std()


def line(things: list[tuple[float, float]], v: float, size: float, seed: int, separation: float = 0.0) -> np.ndarray:
    x = 0.05 * np.arange(200)
    values = noise((200, len(T)), size, seed)
    for x0, depth in things:
        times = diffraction_times(x, x0_m=x0, depth_m=depth, v_m_per_ns=v, separation_m=separation)
        values += (times.min() / times[:, None]) * pulse(T - times[:, None])
    return values.astype(np.float32)


def gather(v: float, size: float = 0.1, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """A reflection at 30 ns, an air wave and a ground wave."""
    x = 0.1 * np.arange(2, 36)
    values = noise((len(x), len(T)), size, seed)
    for times in (np.hypot(30.0, x / v), x / C_M_PER_NS, x / v):
        values += pulse(T - times[:, None])
    return values.astype(np.float32), x


class TestPanel:
    def test_peak_at_the_truth(self) -> None:
        values = line([(5.0, 1.0)], 0.1, 0.2, 1)
        panel = semblance_panel(values, SECTION, 5.0, velocities_m_per_ns=np.arange(0.06, 0.18, 0.004))
        v, t, best = panel.best()
        assert v == pytest.approx(0.1, abs=0.0041)
        assert t == pytest.approx(20.0, abs=0.75)
        assert best > 0.6
        away = semblance_panel(values, SECTION, 2.5, velocities_m_per_ns=np.arange(0.06, 0.18, 0.004))
        assert away.semblance.max() < 0.6 * best
        assert ((panel.semblance >= 0) & (panel.semblance <= 1)).all()

    def test_noise_alone_gives_about_one_over_the_traces(self) -> None:
        panel = semblance_panel(noise((200, len(T)), 1.0, 3), SECTION, 5.0)
        many = panel.traces >= 20
        # E[S] = 1/K for unrelated traces, times 1/1.1 for the added power; neighbours are unrelated here.
        assert panel.semblance[many].mean() == pytest.approx((1 / 1.1 / panel.traces[many]).mean(), rel=0.2)

    def test_antennas_apart_and_radius(self) -> None:
        x = 0.05 * np.arange(200)
        times = diffraction_times(x, x0_m=5.0, depth_m=0.6, v_m_per_ns=0.1, separation_m=0.4, radius_m=0.2)
        values = pulse(T - times[:, None]) + noise((200, len(T)), 0.1, 1)
        section = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0, separation_m=0.4)
        speeds = np.arange(0.08, 0.14, 0.0025)
        ignoring = semblance_panel(values, section, 5.0, velocities_m_per_ns=speeds).best()[0]
        knowing = semblance_panel(
            values, section, 5.0, velocities_m_per_ns=speeds, options=FitOptions(radius_m=0.2)
        ).best()[0]
        assert knowing == pytest.approx(0.1, abs=0.003)
        assert ignoring > 0.103

    def test_faults(self) -> None:
        values = line([(5.0, 1.0)], 0.1, 0.2, 1)
        with pytest.raises(InputError, match="x_m must lie between 0 and 9.95"):
            semblance_panel(values, SECTION, 12.0)
        with pytest.raises(InputError, match="no ground has these velocities .received 0.02 to 0.1"):
            semblance_panel(values, SECTION, 5.0, velocities_m_per_ns=[0.02, 0.1])
        with pytest.raises(InputError, match="velocities must increase"):
            semblance_panel(values, SECTION, 5.0, velocities_m_per_ns=[0.1, 0.1])
        with pytest.raises(InputError, match="need the trace spacing"):
            semblance_panel(values, Section(interval_ns=0.25, spacing_m=0.0, centre_mhz=400.0), 0.0)
        short = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0, distance_m=np.arange(3.0))
        with pytest.raises(InputError, match="one for each trace .received 3 for 200"):
            semblance_panel(values, short, 1.0)
        assert not semblance_panel(np.zeros((20, 40)), SECTION, 0.5).semblance.any()


class TestFocus:
    @pytest.mark.parametrize("measure", ["varimax", "kurtosis", "entropy"])
    def test_sharpest_at_the_truth(self, measure: str) -> None:
        # Focus test of migration: a wrong velocity leaves frowns or smiles.
        values = line([(2.0, 0.9), (4.0, 1.4), (6.5, 1.1), (8.0, 1.7)], 0.1, 0.1, 2)
        curve = focus_estimate(
            values, SECTION, seed=1, measure=measure, velocities_m_per_ns=np.geomspace(0.07, 0.14, 15)
        )
        assert curve.estimate is not None
        assert curve.estimate.v_m_per_ns == pytest.approx(0.1, rel=0.05)
        assert abs(curve.estimate.v_m_per_ns - 0.1) < 3 * curve.estimate.sigma_m_per_ns
        assert curve.estimate.sigma_m_per_ns < 0.02
        assert curve.sharpness.argmax() not in (0, 14)

    def test_antennas_apart(self) -> None:
        values = line([(2.0, 0.5), (5.0, 0.6), (8.0, 0.7)], 0.1, 0.05, 2, separation=0.4)
        section = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0, separation_m=0.4)
        curve = focus_estimate(
            values, section, seed=1, measure="kurtosis", velocities_m_per_ns=np.geomspace(0.07, 0.14, 15)
        )
        assert curve.estimate is not None
        assert curve.estimate.v_m_per_ns == pytest.approx(0.1, rel=0.06)

    def test_top_at_the_end_is_none(self) -> None:
        values = line([(2.0, 0.9), (4.0, 1.4), (6.5, 1.1), (8.0, 1.7)], 0.14, 0.05, 2)
        curve = focus_estimate(
            values, SECTION, seed=1, measure="kurtosis", velocities_m_per_ns=np.geomspace(0.06, 0.1, 8)
        )
        assert curve.estimate is None

    def test_same_seed_same_bytes(self) -> None:
        values = line([(2.0, 0.9), (6.5, 1.1)], 0.1, 0.1, 2)
        speeds = np.geomspace(0.08, 0.12, 6)
        one, other = (focus_estimate(values, SECTION, seed=7, velocities_m_per_ns=speeds) for _ in range(2))
        assert one.draws_m_per_ns.tobytes() == other.draws_m_per_ns.tobytes()
        assert one.estimate == other.estimate

    def test_faults(self) -> None:
        values = line([(2.0, 0.9)], 0.1, 0.1, 2)
        with pytest.raises(InputError, match="five velocities or more .received 2"):
            focus_estimate(values, SECTION, seed=1, velocities_m_per_ns=[0.08, 0.1])
        with pytest.raises(InputError, match="too few traces to judge their focus .received 3"):
            focus_estimate(values[:3], SECTION, seed=1)
        with pytest.raises(InputError, match="measure must be one of"):
            focus_estimate(values, SECTION, seed=1, measure="eye")  # type: ignore[arg-type]


class TestMoveout:
    def test_published_form(self) -> None:
        # t² = t0² + x²/v²: t0 = 20 ns, x = 1 m, v = 0.1 m/ns gives 22.36068 ns (Yilmaz 2001, ch. 3; from memory).
        x = np.linspace(0, 2, 9)
        times = np.hypot(20.0, x / 0.1)
        assert times[4] == pytest.approx(22.36068, abs=5e-6)
        fit = fit_moveout(x, times)
        assert fit.v_m_per_ns == pytest.approx(0.1, rel=1e-9)
        assert fit.t0_ns == pytest.approx(20.0, rel=1e-9)

    @settings(max_examples=25, deadline=None)
    @given(t0=st.floats(5, 80), v=st.floats(0.04, 0.29), linear=st.booleans())
    def test_recovery(self, t0: float, v: float, linear: bool) -> None:
        x = np.linspace(0.2, 4.0, 20)
        times = t0 + x / v if linear else np.hypot(t0, x / v)
        fit = fit_moveout(x, times, moveout="linear" if linear else "reflection")
        assert fit.v_m_per_ns == pytest.approx(v, rel=1e-6)
        assert fit.t0_ns == pytest.approx(t0, rel=1e-5)

    def test_coverage(self) -> None:
        rng = np.random.default_rng(1)
        x = np.linspace(0.2, 4.0, 39)
        inside = 0
        for _ in range(200):
            e = rng.standard_normal(39)
            for k in range(1, 39):
                e[k] = 0.6 * e[k - 1] + 0.8 * e[k]
            fit = fit_moveout(x, np.hypot(30.0, x / 0.1) + 0.2 * e)
            inside += abs(fit.v_m_per_ns - 0.1) <= 2.2 * fit.sigma_v_m_per_ns
        assert inside >= 0.9 * 200

    def test_zero_sigma_of_a_line_moves_t0_alone(self) -> None:
        x = np.linspace(0.2, 4.0, 20)
        fit = fit_moveout(x, 1.0 + x / 0.1, moveout="linear", zero_sigma_ns=0.5)
        assert fit.sigma_t0_ns == pytest.approx(0.5, rel=1e-3)
        assert fit.sigma_v_m_per_ns < 1e-5

    def test_faults(self) -> None:
        with pytest.raises(InputError, match="5 offsets or more .received 4"):
            fit_moveout([1, 2, 3, 4], [1, 2, 3, 4])
        with pytest.raises(InputError, match="do not grow with offset"):
            fit_moveout([1, 2, 3, 4, 5], [9, 8, 7, 6, 5])
        with pytest.raises(InputError, match="5 offsets and 4 times"):
            fit_moveout([1, 2, 3, 4, 5], [1, 2, 3, 4])


class TestGathers:
    @pytest.mark.parametrize("v", [0.07, 0.1, 0.13])
    def test_waves_of_a_gather(self, v: float) -> None:
        values, x = gather(v)
        waves = find_direct_waves(values, SECTION, x)
        assert waves.air is not None
        assert waves.air.v_m_per_ns == pytest.approx(C_M_PER_NS, rel=0.02)
        assert waves.ground is not None
        assert waves.ground.v_m_per_ns == pytest.approx(v, rel=0.02)
        assert waves.ground.estimate("G1").name == "ground wave G1"
        reflections = [fit for fit in find_reflections(values, SECTION, x) if fit.t0_ns > 25]
        assert len(reflections) == 1
        assert reflections[0].t0_ns == pytest.approx(30.0, abs=0.5)
        assert reflections[0].v_m_per_ns == pytest.approx(v, rel=0.03)
        assert reflections[0].semblance is not None
        assert reflections[0].semblance > 0.5
        assert reflections[0].estimate().depth_to_m == pytest.approx(0.5 * 30 * v, rel=0.05)

    def test_panels(self) -> None:
        values, x = gather(0.1)
        panel = gather_semblance(values, SECTION, x)
        late = panel.semblance[:, panel.time_ns > 20]
        i, j = np.unravel_index(late.argmax(), late.shape)
        assert panel.v_m_per_ns[i] == pytest.approx(0.1, rel=0.05)
        assert panel.time_ns[panel.time_ns > 20][j] == pytest.approx(30.0, abs=1.0)
        linear = gather_semblance(values, SECTION, -x, moveout="linear")
        assert linear.best()[2] > 0.6
        assert len(panel.v_m_per_ns) == len(default_velocities_m_per_ns())

    def test_noise_has_no_waves(self) -> None:
        x = 0.1 * np.arange(2, 36)
        values = noise((len(x), len(T)), 1.0, 5)
        assert find_reflections(values, SECTION, x) == ()
        waves = find_direct_waves(values, SECTION, x)
        assert waves.air is None
        assert waves.ground is None

    def test_without_offsets(self) -> None:
        values, x = gather(0.1)
        for function in (gather_semblance, find_reflections, find_direct_waves):
            with pytest.raises(InputError, match="a gather without offsets gives no velocity"):
                function(values, SECTION, None)
            with pytest.raises(InputError, match="5 different offsets or more .received 1 from 0.16"):
                function(values, SECTION, np.full(len(x), 0.16))
            with pytest.raises(InputError, match="one offset for each trace .received 3 for 34"):
                function(values, SECTION, x[:3])
            with pytest.raises(InputError, match="not finite"):
                function(values, SECTION, np.full(len(x), math.nan))


class TestDix:
    def test_published_example(self) -> None:
        # Dix 1955, Geophysics 20:68–86: (20 ns, 0.12), (40 ns, 0.10) gives 0.0748331 m/ns.
        found = dix_velocities([20.0, 40.0], [0.12, 0.10])
        assert found.v_m_per_ns[1] == pytest.approx(0.0748331, abs=5e-8)
        assert found.depth_m.tolist() == pytest.approx([1.2, 1.2 + 0.748331], abs=1e-6)

    @settings(max_examples=25, deadline=None)
    @given(st.lists(st.tuples(st.floats(2, 30), st.floats(0.05, 0.2)), min_size=1, max_size=5))
    def test_inverts_the_mean(self, layers: list[tuple[float, float]]) -> None:
        span, v = np.array(layers).T
        t = np.cumsum(span)
        rms = np.sqrt(np.cumsum(v**2 * span) / t)
        found = dix_velocities(t, rms)
        np.testing.assert_allclose(found.v_m_per_ns, v, rtol=1e-8)
        np.testing.assert_allclose(found.depth_m, np.cumsum(0.5 * v * span), rtol=1e-8)
        assert found.impossible == ()

    def test_errors_are_those_of_many_draws(self) -> None:
        rng = np.random.default_rng(1)
        t, v = np.array([20.0, 40.0, 55.0]), np.array([0.12, 0.11, 0.105])
        st_, sv = np.array([0.2, 0.2, 0.3]), np.array([5e-4, 5e-4, 4e-4])
        stated = dix_velocities(t, v, sigma_t0_ns=st_, sigma_v_m_per_ns=sv)
        draws = [dix_velocities(t + st_ * rng.standard_normal(3), v + sv * rng.standard_normal(3)) for _ in range(4000)]
        # A standard deviation from 4000 draws is known to 1.1 %; the formula is linear, the draws are not.
        for name, sigma in (
            ("v_m_per_ns", stated.sigma_m_per_ns),
            ("thickness_m", stated.sigma_thickness_m),
            ("depth_m", stated.sigma_depth_m),
        ):
            np.testing.assert_allclose(np.std([getattr(one, name) for one in draws], axis=0), sigma, rtol=0.05)
        covariances = np.zeros((3, 2, 2))
        covariances[:, 0, 0], covariances[:, 1, 1] = st_**2, sv**2
        same = dix_velocities(t, v, covariances=covariances)
        np.testing.assert_allclose(same.sigma_m_per_ns, stated.sigma_m_per_ns, rtol=1e-12)

    def test_contradiction_is_named(self) -> None:
        found = dix_velocities([20.0, 22.0, 40.0], [0.12, 0.10, 0.10])
        assert found.impossible == (1,)
        assert math.isnan(found.v_m_per_ns[1])
        assert dix_velocities([20.0, 21.0], [0.1, 0.2]).impossible == (1,)

    def test_faults(self) -> None:
        with pytest.raises(InputError, match="must increase from above 0"):
            dix_velocities([20.0, 20.0], [0.1, 0.1])
        with pytest.raises(InputError, match="2 and 1"):
            dix_velocities([20.0, 30.0], [0.1])
        with pytest.raises(InputError, match="velocity above that of light"):
            dix_velocities([20.0], [0.4])
        with pytest.raises(InputError, match="sigma_v_m_per_ns must be one value"):
            dix_velocities([20.0], [0.1], sigma_v_m_per_ns=[-1.0])
        with pytest.raises(InputError, match=r"covariances must be .n, 2, 2."):
            dix_velocities([20.0], [0.1], covariances=np.zeros((2, 2, 2)))
