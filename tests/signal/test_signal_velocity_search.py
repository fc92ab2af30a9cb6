"""Automatic search for hyperbolas: what is planted is found, noise and layers are not, air waves are named."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter1d

from yewline.errors import InputError
from yewline.signal import Section, background_removal, band_pass
from yewline.signal.velocity import (
    HyperbolaSearch,
    SearchOptions,
    diffraction_times,
    find_hyperbolas,
    hyperbola_velocity,
)
from yewline.signal.velocity.analytic import analytic
from yewline.units import C_M_PER_NS

PERIOD = 2.5
IN_AIR = SearchOptions(on_ground=False)
"""The planted hyperbolas are those of rays: nothing has turned their phase."""


def sampled(traces: int = 400, samples: int = 300, interval: float = 0.2) -> tuple[Section, np.ndarray, np.ndarray]:
    section = Section(interval_ns=interval, spacing_m=0.05, centre_mhz=400.0, separation_m=0.16)
    return section, 0.05 * np.arange(traces), interval * np.arange(samples)


def pulse(u: np.ndarray) -> np.ndarray:
    """Ricker wavelet of 400 MHz (Ricker 1953)."""
    a = (np.pi * u / PERIOD) ** 2
    return (1 - 2 * a) * np.exp(-a)


def noise(section: Section, shape: tuple[int, int], size: float, seed: int) -> np.ndarray:
    values = band_pass(np.random.default_rng(seed).standard_normal(shape), section)
    return size * values / values.std()


def planted(
    things: list[tuple[float, float, float]], *, size: float = 0.2, seed: int = 1, **shape: float
) -> tuple[np.ndarray, Section]:
    """A line with diffractions at (place, depth, velocity) in noise."""
    section, x, t = sampled(**shape)  # type: ignore[arg-type]
    values = noise(section, (len(x), len(t)), size, seed)
    for x0, depth, v in things:
        times = diffraction_times(x, x0_m=x0, depth_m=depth, v_m_per_ns=v, separation_m=0.16)
        values += (times.min() / times[:, None]) * pulse(t - times[:, None])
    return values.astype(np.float32), section


THINGS = [(3.0, 0.6, 0.09), (7.2, 1.1, 0.09), (11.5, 0.9, 0.09), (16.0, 1.6, 0.09)]


class TestFound:
    def test_each_that_was_planted_and_nothing_else(self) -> None:
        values, section = planted(THINGS)
        found = find_hyperbolas(values, section, IN_AIR, line="L07")
        assert len(found.fits) == len(THINGS)
        assert found.air == ()
        for fit, (x0, depth, v) in zip(sorted(found.fits, key=lambda one: one.x_m), THINGS, strict=True):
            assert fit.x_m == pytest.approx(x0, abs=0.03)
            assert abs(fit.v_m_per_ns - v) < 4 * fit.sigma_v_m_per_ns
            assert fit.v_m_per_ns == pytest.approx(v, rel=0.03)
            assert fit.depth_m == pytest.approx(depth, rel=0.04)
            assert fit.line == "L07"
            assert fit.by == "search"
            assert fit.semblance is not None
            assert fit.semblance > 0.5
            assert fit.expected_false is not None
            assert fit.expected_false < 0.1

    def test_velocity_of_the_line(self) -> None:
        values, section = planted(THINGS)
        velocity = hyperbola_velocity(find_hyperbolas(values, section, IN_AIR).fits, seed=1)
        assert velocity.low_m_per_ns < 0.09 < velocity.high_m_per_ns
        assert velocity.estimate.v_m_per_ns == pytest.approx(0.09, rel=0.01)

    def test_same_bytes_every_time_and_input_unchanged(self) -> None:
        values, section = planted(THINGS[:2])
        held = values.copy()
        assert find_hyperbolas(values, section) == find_hyperbolas(values, section)
        np.testing.assert_array_equal(values, held)

    def test_scale_and_sign_do_not_matter(self) -> None:
        values, section = planted(THINGS[:2])
        first = find_hyperbolas(values, section, IN_AIR)
        for factor in (-1.0, 1e30, 1e-20):
            again = find_hyperbolas(factor * values.astype(np.float64), section, IN_AIR)
            assert len(again.fits) == len(first.fits)
            for one, other in zip(again.fits, first.fits, strict=True):
                assert one.v_m_per_ns == pytest.approx(other.v_m_per_ns, rel=1e-3)

    def test_coarse_samples_are_made_finer(self) -> None:
        # Four samples a period, the fewest that carry the pulse.
        values, section = planted(THINGS, size=0.1, interval=0.6, samples=100)
        found = find_hyperbolas(values, section, IN_AIR)
        assert len(found.fits) == len(THINGS)
        assert np.mean([fit.v_m_per_ns for fit in found.fits]) == pytest.approx(0.09, rel=0.02)

    def test_distance_of_each_trace_is_used(self) -> None:
        values, _ = planted(THINGS[:1])
        moved = Section(
            interval_ns=0.2,
            spacing_m=0.05,
            centre_mhz=400.0,
            separation_m=0.16,
            distance_m=100.0 + 0.05 * np.arange(len(values)),
        )
        assert find_hyperbolas(values, moved, IN_AIR).fits[0].x_m == pytest.approx(103.0, abs=0.03)

    def test_air_waves_are_named_and_not_used(self) -> None:
        values, section = planted([*THINGS[:2], (12.0, 4.0, C_M_PER_NS), (16.0, 5.5, C_M_PER_NS)])
        found = find_hyperbolas(values, section, IN_AIR)
        assert sorted(round(fit.x_m) for fit in found.fits) == [3, 7]
        assert sorted(round(fit.x_m) for fit in found.air) == [12, 16]
        assert all(fit.kind == "air" for fit in found.air)
        with pytest.raises(InputError, match="no hyperbola tells of the ground's velocity"):
            hyperbola_velocity(found.air, seed=1)

    def test_multiple_is_not_used(self) -> None:
        # What went to the object and back twice: exactly twice the time, at half the velocity's slope.
        section, x, t = sampled()
        times = diffraction_times(x, x0_m=8.0, depth_m=0.6, v_m_per_ns=0.09)
        values = pulse(t - times[:, None]) + 0.6 * pulse(t - 2 * times[:, None])
        values = values + noise(section, values.shape, 0.05, 2)
        plain = Section(interval_ns=0.2, spacing_m=0.05, centre_mhz=400.0)
        found = find_hyperbolas(values, plain, IN_AIR)
        assert [round(fit.apex_ns, 0) for fit in found.fits] == [13.0]
        assert "multiple" in {one.reason for one in found.refused}


class TestNotFound:
    def test_noise(self) -> None:
        # At most 0.1 a line is asked for; 1 in 20 lines is then less than expected by chance, 6 would be far more.
        kept = 0
        for seed in range(20):
            section, x, t = sampled(300, 250)
            found = find_hyperbolas(noise(section, (len(x), len(t)), 1.0, seed), section)
            kept += len(found.fits) + len(found.air)
        assert kept <= 3

    def test_undulating_layers(self) -> None:
        kept = 0
        for seed in range(10):
            rng = np.random.default_rng(seed)
            section, x, t = sampled(300, 300)
            values = noise(section, (len(x), len(t)), 0.3, seed)
            for base in rng.uniform(8, 50, 5):
                times = base + gaussian_filter1d(rng.standard_normal(len(x)), 20) * 20 * rng.uniform(0.3, 1)
                values += pulse(t - times[:, None])
            found = find_hyperbolas(background_removal(values, section), section)
            kept += len(found.fits)
        assert kept <= 2

    def test_one_leg_is_no_hyperbola(self) -> None:
        # The apex lies off the line: a leg alone tells nothing safe.
        values, section = planted([(-1.0, 0.8, 0.09)], size=0.05)
        assert find_hyperbolas(values, section, IN_AIR).fits == ()


class TestFaults:
    @settings(max_examples=25, deadline=None)
    @given(traces=st.integers(1, 40), samples=st.integers(2, 60), kind=st.sampled_from(["noise", "constant", "spike"]))
    def test_any_shape(self, traces: int, samples: int, kind: str) -> None:
        section = Section(interval_ns=0.2, spacing_m=0.05, centre_mhz=400.0, separation_m=0.1)
        values = np.zeros((traces, samples), np.float32)
        if kind == "noise":
            values = np.random.default_rng(traces).standard_normal((traces, samples)).astype(np.float32) * 1e30
        elif kind == "constant":
            values += 5.0
        else:
            values[traces // 2, samples // 2] = 1.0
        found = find_hyperbolas(values, section)
        assert isinstance(found, HyperbolaSearch)
        for fit in (*found.fits, *found.air):
            assert np.isfinite([fit.x_m, fit.t0_ns, fit.v_m_per_ns, fit.sigma_v_m_per_ns]).all()

    def test_messages(self) -> None:
        values, section = planted(THINGS[:1])
        with pytest.raises(InputError, match="needs the trace spacing"):
            find_hyperbolas(values, Section(interval_ns=0.2, spacing_m=0.0, centre_mhz=400.0))
        with pytest.raises(InputError, match="one for each trace .received 3 for 400 traces"):
            find_hyperbolas(
                values, Section(interval_ns=0.2, spacing_m=0.05, centre_mhz=400.0, distance_m=np.arange(3.0))
            )
        with pytest.raises(InputError, match="not finite"):
            find_hyperbolas(values * np.nan, section)
        with pytest.raises(InputError, match="slowest velocity must lie below"):
            SearchOptions(slowest_m_per_ns=0.2, fastest_m_per_ns=0.1)
        for wrong in ({"slowest_m_per_ns": 0.02}, {"fastest_m_per_ns": 0.35}, {"false_alarms": 0.0}):
            with pytest.raises(InputError, match=f"{next(iter(wrong))} must lie between"):
                SearchOptions(**wrong)

    def test_analytic_signal_is_scipys(self) -> None:
        # scipy.signal.hilbert on the padded traces; and a finer one passes through the same samples.
        from scipy.signal import hilbert  # noqa: PLC0415  (only here; it is heavy)

        section, x, t = sampled(6, 200)
        values = noise(section, (len(x), len(t)), 1.0, 5).astype(np.float32)
        peak = np.abs(values).max()
        found = analytic(values, section, even=False)
        padded = hilbert(values.astype(np.float64), 270 if len(t) == 200 else None, axis=1)[:, :200]
        middle = slice(40, 160)
        np.testing.assert_allclose(found.real * peak, values, atol=2e-6 * peak)
        assert np.abs(found.imag * peak - padded.imag)[:, middle].max() < 0.02 * peak
        coarse = Section(interval_ns=0.6, spacing_m=0.05, centre_mhz=400.0)
        finer = analytic(values, coarse, even=False)
        assert finer.interval_ns == pytest.approx(0.2)
        np.testing.assert_allclose(finer.real[:, ::3] * peak, values, atol=5e-6 * peak)
