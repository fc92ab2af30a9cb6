"""Automatic search for hyperbolas: what is planted is found, noise and layers are not, air waves are named."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter1d
from scipy.stats import f as f_ratio
from scipy.stats import false_discovery_control

from yewline.errors import InputError
from yewline.signal import Section, background_removal, band_pass
from yewline.signal.velocity import (
    HyperbolaSearch,
    SearchOptions,
    diffraction_times,
    find_hyperbolas,
    hyperbola_velocity,
    pool_scans,
    scan_line,
    surest,
)
from yewline.signal.velocity.analytic import analytic
from yewline.signal.velocity.noise import NoiseTail
from yewline.signal.velocity.scan import BANDS, LineScan
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
        # Counted once on 100 other lines each: 0 of noise, 1 of the layers below.
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


def scores(values: np.ndarray, *, band: np.ndarray, room: float = 1_000.0) -> LineScan:
    """A line's scan that holds these scores of noise, and the same as candidates."""
    n = len(values)
    return LineScan(np.zeros(n, np.int64), np.zeros(n), np.full(n, 0.1), values, band, values, band, room)


class TestManyLines:
    def test_two_passes_with_a_lines_own_noise_are_one(self) -> None:
        values, section = planted(THINGS)
        scan = scan_line(values, section, IN_AIR)
        found = find_hyperbolas(values, section, IN_AIR, scan=scan, noise=pool_scans([scan]))
        assert found == find_hyperbolas(values, section, IN_AIR)
        assert found.noise_maxima == len(scan.mirrored_score)

    def test_the_scan_of_another_line_is_refused(self) -> None:
        values, section = planted(THINGS[:1])
        with pytest.raises(InputError, match="the scan is that of another line"):
            find_hyperbolas(values[:50], section, scan=scan_line(values, section))

    def test_where_few_velocities_are_tried_only_their_band_counts(self) -> None:
        values, section = planted(THINGS)
        narrow = SearchOptions(fastest_m_per_ns=0.12, on_ground=False)
        assert pool_scans([scan_line(values, section, narrow)]).bands == 1
        assert pool_scans([scan_line(values, section, IN_AIR)]).bands == BANDS

    def test_nothing_is_expected_of_a_line_on_which_nothing_can_be_looked_for(self) -> None:
        _, section = planted(THINGS[:1])
        empty = scan_line(np.zeros((100, 80)), section)
        assert empty.room == 0.0
        assert pool_scans([empty]).expected(empty).shape == (0,)
        assert pool_scans([]).maxima == 0
        values, _ = planted(THINGS[:1])
        assert pool_scans([empty, scan_line(values, section)]).maxima == pool_scans([scan_line(values, section)]).maxima

    def test_each_band_of_velocity_has_its_own_noise(self) -> None:
        # Exponential scores whose fall is 1, 2 and 4: the number above any score is known in closed form.
        rng = np.random.default_rng(3)
        falls, n = (1.0, 2.0, 4.0), 5_000
        band = np.repeat(np.arange(BANDS), n)
        noise = pool_scans([scores(rng.exponential(np.repeat(falls, n)), band=band)])
        for fall, tail in zip(falls, noise.tails, strict=True):
            for times in (4.0, 8.0):
                # Twice as many as are seen, for half were lost to rivals. The fall of n/10 excesses is known to
                # √(10/n), and tells in proportion to how far beyond the tail's start, ln 10 falls, one looks.
                off = np.log(tail.expected(times * fall) / (2 * n * np.exp(-times)))
                assert abs(off) < 3 * (0.05 + (times - np.log(10)) * np.sqrt(10 / n))
        asked = scores(np.array([12.0, 12.0, 12.0]), band=np.arange(BANDS), room=100.0)
        low, middle, high = noise.expected(asked)
        assert low < middle < high
        # A tenth of the room has a tenth of the noise.
        assert noise.expected(scores(asked.score, band=asked.band, room=10.0)) == pytest.approx(
            0.1 * np.array([low, middle, high])
        )

    def test_a_tail_known_from_few_is_that_of_a_mean_of_exponentials(self) -> None:
        # Ratio of an exponential to the mean of k others: F on 2 and 2k degrees of freedom (SciPy's).
        for k in (3, 10, 200):
            ours = NoiseTail(1.0, 0.0, 1.0, k, 0).expected(np.array([0.5, 3.0, 9.0]))
            np.testing.assert_allclose(ours, f_ratio.sf([0.5, 3.0, 9.0], 2, 2 * k), rtol=1e-9)

    def test_a_band_without_enough_noise_takes_that_of_all(self) -> None:
        rng = np.random.default_rng(4)
        few = pool_scans([scores(rng.exponential(1.0, 405), band=np.repeat([0, 1, 2], [200, 200, 5]))])
        assert few.tails[2].maxima == 405
        assert few.tails[0].maxima == 200

    def test_the_surest_are_those_of_benjamini_and_hochberg(self) -> None:
        # SciPy's adjusted p-values: expected counts are p-values times their number.
        rng = np.random.default_rng(5)
        for n in (1, 7, 60):
            p = rng.uniform(0, 1, n) ** 4
            for share in (0.05, 0.1, 0.3):
                kept = surest(n * p, share)
                np.testing.assert_array_equal(kept, false_discovery_control(p) <= share)
        assert surest([]).shape == (0,)
        with pytest.raises(InputError, match="share must lie between"):
            surest([0.1], 0.0)
        with pytest.raises(InputError, match="expected_false"):
            surest([np.nan])


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
