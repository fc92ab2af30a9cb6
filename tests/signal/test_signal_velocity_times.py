"""Arrival times of diffractions: published and closed forms, derivatives, twins of the kernels, the surface's phase."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from yewline.errors import InputError
from yewline.signal.velocity import (
    apparent_velocity,
    diffraction_slopes,
    diffraction_times,
    oblique_velocity,
    surface_delay_ns,
    true_velocity,
)
from yewline.signal.velocity.curves import mirrored, moveout_curves, offsets_of
from yewline.signal.velocity.engines import ENGINES
from yewline.units import C_M_PER_NS

X = [0.0, 0.25, 0.5, 1.0, 2.0]


class TestTimes:
    # Straight rays from the geometry, v = 0.1 m/ns, top at 1 m: evaluated by hand from the stated formulas; the forms
    # are those of Ristić, Petrovački & Govedarica 2009, Comput. Geosci. 35:1620–1630 (from memory).
    @pytest.mark.parametrize(
        ("separation", "radius", "expected"),
        [
            (0.0, 0.0, [20.0, 20.61553, 22.36068, 28.28427, 44.72136]),
            (0.16, 0.0, [20.06390, 20.67390, 22.40647, 28.30693, 44.72709]),
            (0.0, 0.15, [20.0, 20.53720, 22.07987, 27.47950, 43.14109]),
        ],
    )
    def test_table(self, separation: float, radius: float, expected: list[float]) -> None:
        found = diffraction_times(X, x0_m=0.0, depth_m=1.0, v_m_per_ns=0.1, separation_m=separation, radius_m=radius)
        # The table has five decimals; its bistatic column is the exact sum of both ways.
        np.testing.assert_allclose(found, expected, rtol=0, atol=6e-6)

    def test_slope_far_out(self) -> None:
        # 2/v = 20 ns/m; through the air 2/c = 6.671 ns/m.
        for v, slope in ((0.1, 20.0), (C_M_PER_NS, 2 / C_M_PER_NS)):
            errors = [
                abs(np.diff(diffraction_times([x, x + 0.01], x0_m=0, depth_m=1.0, v_m_per_ns=v))[0] / 0.01 - slope)
                for x in (3.0, 10.0, 100.0, 1000.0)
            ]
            assert errors == sorted(errors, reverse=True)
            assert errors[-1] < 1e-4
        assert round(2 / C_M_PER_NS, 3) == 6.671

    def test_far_branch_expansion(self) -> None:
        # (2/v)(x + d²/2x) is its expansion; the error falls off with x³.
        error = [
            diffraction_times([x], x0_m=0, depth_m=1.0, v_m_per_ns=0.1)[0] - 20.0 * (x + 0.5 / x) for x in (5.0, 10.0)
        ]
        assert error[0] / error[1] == pytest.approx(8.0, rel=0.03)

    def test_cylinder_and_antennas_apart_take_the_shortest_way(self) -> None:
        # Fermat: no point of the circle gives less, found here by a minimiser over the angle.
        s, radius, depth, v = 0.3, 0.2, 0.4, 0.1
        for x in (-0.7, 0.0, 0.35, 1.4):

            def path(angle: float, x: float = x) -> float:
                px, pz = radius * math.sin(angle), depth + radius - radius * math.cos(angle)
                return math.hypot(px - x + s / 2, pz) + math.hypot(px - x - s / 2, pz)

            best = minimize_scalar(path, bounds=(-1.5, 1.5), method="bounded", options={"xatol": 1e-12}).fun
            found = diffraction_times([x], x0_m=0, depth_m=depth, v_m_per_ns=v, separation_m=s, radius_m=radius)
            assert found[0] == pytest.approx(best / v, rel=1e-12)

    def test_small_radius_tends_to_the_point(self) -> None:
        point = diffraction_times(X, x0_m=0.1, depth_m=0.7, v_m_per_ns=0.1, separation_m=0.2)
        errors = [
            np.abs(
                diffraction_times(X, x0_m=0.1, depth_m=0.7, v_m_per_ns=0.1, separation_m=0.2, radius_m=r) - point
            ).max()
            for r in (0.1, 0.01, 0.001)
        ]
        assert errors[0] > 5 * errors[1] > 25 * errors[2]

    def test_oblique_crossing_in_three_dimensions(self) -> None:
        # A pipe along (cos 90−β…): least way over its points, found by a minimiser along the pipe.
        beta, s, depth, v = math.radians(40.0), 0.4, 0.6, 0.1
        pipe = np.array([math.cos(beta), math.sin(beta)])
        for x in (-0.8, 0.0, 0.5):
            ends = [np.array([x - s / 2, 0.0]), np.array([x + s / 2, 0.0])]

            def path(u: float, ends: list[np.ndarray] = ends) -> float:
                return sum(math.hypot(float(np.linalg.norm(u * pipe - end)), depth) for end in ends)

            best = minimize_scalar(path, bounds=(-3, 3), method="bounded", options={"xatol": 1e-12}).fun
            found = diffraction_times([x], x0_m=0, depth_m=depth, v_m_per_ns=v, separation_m=s, crossing_deg=40.0)
            assert found[0] == pytest.approx(best / v, rel=1e-10)

    @settings(max_examples=40, deadline=None)
    @given(
        x0=st.floats(-1, 1),
        depth=st.floats(0.1, 3.0),
        v=st.floats(0.04, 0.29),
        separation=st.floats(0.0, 0.5),
        radius=st.floats(0.0, 0.5),
        crossing=st.floats(20.0, 90.0),
    )
    def test_slopes_are_the_derivatives(
        self, x0: float, depth: float, v: float, separation: float, radius: float, crossing: float
    ) -> None:
        x = np.linspace(-1.5, 1.5, 7)
        held = {"x0_m": x0, "depth_m": depth, "v_m_per_ns": v, "separation_m": separation, "radius_m": radius + 1e-3}
        slopes = diffraction_slopes(x, crossing_deg=crossing, **held)
        for name, slope in zip(("x0_m", "depth_m", "v_m_per_ns", "radius_m"), slopes, strict=True):
            step = 1e-6 if name != "v_m_per_ns" else 1e-7
            up, down = (
                diffraction_times(x, crossing_deg=crossing, **(held | {name: held[name] + sign * step}))
                for sign in (1, -1)
            )
            np.testing.assert_allclose(slope, (up - down) / (2 * step), rtol=2e-5, atol=2e-4)

    def test_mirror_symmetry(self) -> None:
        held = {
            "x0_m": 0.0,
            "depth_m": 0.5,
            "v_m_per_ns": 0.08,
            "separation_m": 0.2,
            "radius_m": 0.1,
            "crossing_deg": 50.0,
        }
        x = np.linspace(0.1, 2.0, 9)
        np.testing.assert_allclose(diffraction_times(x, **held), diffraction_times(-x, **held), rtol=1e-13)


class TestBias:
    def test_radius_ignored(self) -> None:
        # Velocity from apex and leg of the table's column for R = 0.15: 2x/√(t² − t0²).
        t = np.array([20.53720, 22.07987, 27.47950, 43.14109])
        x = np.array(X[1:])
        found = apparent_velocity(x, depth_m=1.0, v_m_per_ns=0.1, radius_m=0.15)
        # Half of the table's last digit moves that by t·5e-6/(t² − t0²), 4.7e-6 at the nearest point.
        np.testing.assert_allclose(found, 2 * x / np.sqrt(t**2 - 400.0), rtol=5e-6)
        assert (found > 0.1).all()
        assert (np.diff(found) < 0).all()

    def test_limits(self) -> None:
        assert apparent_velocity([0.0], depth_m=0.5, v_m_per_ns=0.1, radius_m=0.1)[0] == pytest.approx(
            0.1 * math.sqrt(1.2)
        )
        assert apparent_velocity([1e6], depth_m=0.5, v_m_per_ns=0.1, radius_m=0.1)[0] == pytest.approx(0.1, rel=1e-6)
        assert apparent_velocity([0.3], depth_m=0.5, v_m_per_ns=0.1, radius_m=0.0)[0] == pytest.approx(0.1, rel=1e-15)

    def test_oblique(self) -> None:
        # v/sin(angle): plane geometry of a line over a long straight object.
        assert oblique_velocity(0.1, 90.0) == pytest.approx(0.1)
        assert true_velocity(oblique_velocity(0.08, 37.0), 37.0) == pytest.approx(0.08)
        straight = diffraction_times(X, x0_m=0, depth_m=1.0, v_m_per_ns=0.1, crossing_deg=30.0)
        np.testing.assert_allclose(straight, 20.0 * np.sqrt(1 + (np.array(X) * 0.5) ** 2), rtol=1e-12)


class TestSurface:
    def test_no_surface_no_delay(self) -> None:
        # Ground like air: the field is Hankel's function itself.
        found = surface_delay_ns(np.linspace(0, 1.5, 6), depth_m=1.0, v_m_per_ns=C_M_PER_NS, frequency_mhz=400.0)
        assert np.abs(found).max() < 2e-3

    def test_far_below_it_is_that_of_fresnels_transmission(self) -> None:
        # Phase of 2n cosθ/(n cosθ + √(1 − n² sin²θ)) beyond the critical angle (Fresnel; any textbook of optics).
        n, frequency = 3.0, 400.0
        angle = np.radians([35.0, 45.0, 55.0])
        ray = -np.arctan(np.sqrt(n**2 * np.sin(angle) ** 2 - 1) / (n * np.cos(angle))) / (2e-3 * np.pi * frequency)
        errors = []
        for depth in (0.5, 2.0, 8.0, 32.0):
            found = surface_delay_ns(
                depth * np.tan(angle), depth_m=depth, v_m_per_ns=C_M_PER_NS / n, frequency_mhz=frequency
            )
            errors.append(float(np.abs(found - ray).max()))
        assert errors[-1] < 0.1 * errors[0]
        assert errors[-1] < 0.03 * np.abs(ray).max()

    def test_depends_on_wavelengths_only(self) -> None:
        x = np.linspace(0, 1, 5)
        one = surface_delay_ns(x, depth_m=1.0, v_m_per_ns=0.1, frequency_mhz=200.0)
        half = surface_delay_ns(0.5 * x, depth_m=0.5, v_m_per_ns=0.1, frequency_mhz=400.0)
        np.testing.assert_allclose(one, 2 * half, rtol=1e-9)


class TestTwins:
    def test_diffraction(self) -> None:
        x = np.linspace(-2, 2, 33)
        for arguments in (
            (0.1, 0.5, 0.1, 0.16, 0.0, 1.5),
            (0.0, 0.3, 0.08, 0.3, 0.2, 0.7),
            (0.0, 1e-3, 0.1, 0.0, 0.0, 1.0),
        ):
            for compiled, plain in zip(
                ENGINES["compiled"].diffraction(x, *arguments), ENGINES["plain"].diffraction(x, *arguments), strict=True
            ):
                np.testing.assert_allclose(compiled, plain, rtol=1e-9, atol=1e-9)

    def test_scan(self) -> None:
        rng = np.random.default_rng(1)
        real, imag = rng.standard_normal((2, 60, 90)).astype(np.float32)
        # A curve that is coherent, so that the largest scores are tested too.
        curves = moveout_curves(
            np.arange(4.0, 16.0, 0.6),
            np.array([0.06, 0.1, 0.2]),
            offsets_of(12),
            spacing_m=0.05,
            separation_m=0.1,
            interval_ns=0.2,
            samples=90,
            reach=1.0,
        )
        for step, held in ((1, curves), (3, mirrored(curves))):
            for j, side in enumerate((-1, 1)):
                real[30 + side * (3 + j), 40] = 3.0
            best, which = ENGINES["compiled"].scan(real, imag, *held, step, 0.1)
            plain, plain_which = ENGINES["plain"].scan(real, imag, *held, step, 0.1)
            assert (best > 0).mean() > 0.3
            np.testing.assert_allclose(best, plain, rtol=2e-4, atol=1e-4)
            # Where two curves tie to rounding, either may be named.
            assert (which != plain_which).mean() < 0.01

    def test_rescore(self) -> None:
        rng = np.random.default_rng(4)
        real, imag = rng.standard_normal((2, 40, 90)).astype(np.float32)
        trace, apex, v = rng.integers(0, 40, 25), rng.uniform(2.0, 17.0, 25), rng.uniform(0.06, 0.2, 25)
        for bend in (1.0, -1.0):
            geometry = np.array([0.05, 0.1, 0.2, 1.0, 0.1, bend])
            arguments = (real, imag, trace, apex, v, np.array([-0.2, 0.0, 0.2]), np.array([0.9, 1.0, 1.1]))
            found = ENGINES["compiled"].rescore(*arguments, offsets_of(12), geometry)
            plain = ENGINES["plain"].rescore(*arguments, offsets_of(12), geometry)
            assert (found[0] > 1).mean() > 0.5
            for one, other in zip(found, plain, strict=True):
                np.testing.assert_allclose(one, other, rtol=1e-5)

    def test_moveout_sums(self) -> None:
        rng = np.random.default_rng(2)
        real, imag = rng.standard_normal((2, 12, 50)).astype(np.float32)
        place = rng.uniform(-5, 55, (40, 7))
        place[0, 0], place[0, 1] = 49.0, 0.0
        traces = np.array([0, 3, 4, 5, 8, 9, 11])
        for compiled, plain in zip(
            ENGINES["compiled"].moveout_sums(real, imag, traces, place),
            ENGINES["plain"].moveout_sums(real, imag, traces, place),
            strict=True,
        ):
            np.testing.assert_allclose(compiled, plain, rtol=1e-6)

    def test_mirrored_curves_bend_up_and_stay_inside(self) -> None:
        curves = moveout_curves(
            np.arange(1.0, 16.0, 0.6),
            np.array([0.06, 0.2]),
            offsets_of(9),
            spacing_m=0.05,
            separation_m=0.0,
            interval_ns=0.2,
            samples=90,
            reach=3.0,
        )
        up = mirrored(curves)
        for v, j in np.ndindex(*up.span.shape[:2]):
            low, high = up.span[v, j]
            exact = 2 * curves.apex[low:high].astype(int) - curves.table[v, j, low:high]
            assert (exact >= 0).all()
            np.testing.assert_array_equal(up.table[v, j, low:high], exact)
            assert curves.span[v, j, 0] <= low <= high <= curves.span[v, j, 1]


class TestFaults:
    @pytest.mark.parametrize(
        ("change", "message"),
        [
            ({"v_m_per_ns": 0.31}, "velocity above that of light"),
            ({"depth_m": 0.0}, "depth_m must be greater than zero"),
            ({"separation_m": -0.1}, "separation_m must lie between"),
            ({"radius_m": -0.1}, "radius_m must lie between"),
            ({"crossing_deg": 0.0}, "more than 0 and at most 90 degrees .received 0"),
            ({"crossing_deg": 120.0}, "smaller of the two angles"),
            ({"x0_m": math.nan}, "x0_m must be finite"),
        ],
    )
    def test_values(self, change: dict[str, float], message: str) -> None:
        held = {"x0_m": 0.0, "depth_m": 1.0, "v_m_per_ns": 0.1}
        with pytest.raises(InputError, match=message):
            diffraction_times([0.0], **(held | change))

    def test_arrays(self) -> None:
        with pytest.raises(InputError, match="x_m is empty"):
            diffraction_times([], x0_m=0, depth_m=1, v_m_per_ns=0.1)
        with pytest.raises(InputError, match="not finite"):
            surface_delay_ns([math.nan], depth_m=1, v_m_per_ns=0.1, frequency_mhz=400)
