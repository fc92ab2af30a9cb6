"""Traveltimes: circular rays in closed form, orders of convergence, Fermat's principle, scikit-fmm, twins."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize

from yewline.errors import InputError
from yewline.signal.migration import (
    Layers,
    VelocitySection,
    antennas_on_line,
    antennas_on_lines,
    depths_of_times,
    eikonal_times,
    leg_times,
    vertical_times_ns,
)
from yewline.signal.migration.eikonal_kernels import sweep_factored, sweep_first_order
from yewline.signal.migration.eikonal_plain import relax_first_order, update_factored
from yewline.signal.migration.geometry import Antennas

LAYERED = Layers([0.0, 0.4, 0.9], [0.13, 0.07, 0.09])
V0, GX, GZ = 0.08, 0.006, 0.02
SOURCE = (1.013, 0.107)


def gradient(spacing: float) -> tuple[VelocitySection, np.ndarray]:
    """A velocity that grows linearly, and the times from SOURCE in closed form.

    T = arcosh(1 + |g|²r²/(2 v₁ v₂))/|g| (Slotnick 1959, Lessons in Seismic Computing; Červený 2001, Seismic Ray Theory,
    §3.7).
    """
    x, z = spacing * np.arange(round(3.0 / spacing) + 1), spacing * np.arange(round(1.5 / spacing) + 1)
    velocity = V0 + GX * x[:, None] + GZ * z
    r2 = (x[:, None] - SOURCE[0]) ** 2 + (z - SOURCE[1]) ** 2
    g = math.hypot(GX, GZ)
    at_source = V0 + GX * SOURCE[0] + GZ * SOURCE[1]
    return VelocitySection(velocity, spacing), np.arccosh(1 + g**2 * r2 / (2 * at_source * velocity)) / g


class TestEikonal:
    def test_circular_rays(self) -> None:
        ground, exact = gradient(0.02)
        errors = {order: np.abs(eikonal_times([SOURCE], ground, order=order)[0] - exact).max()
                  for order in ("first", "second")}  # fmt: skip
        # A sample of radar is 0.1 to 0.5 ns.
        assert errors["second"] < 1e-3
        assert errors["second"] < 1e-2 * errors["first"]

    def test_orders_of_convergence(self) -> None:
        # The source's own singularity holds the plain scheme to h·ln h; factored out, second differences show theirs.
        rates = {}
        for order in ("first", "second"):
            error = []
            for spacing in (0.04, 0.02, 0.01):
                ground, exact = gradient(spacing)
                error.append(np.abs(eikonal_times([SOURCE], ground, order=order)[0] - exact).mean())
            assert error[0] > error[1] > error[2]
            rates[order] = math.log2(error[1] / error[2])
        assert 0.6 < rates["first"] < 1.1
        assert rates["second"] > 1.7

    def test_even_ground_is_exact_from_anywhere(self) -> None:
        ground = VelocitySection(np.full((31, 21), 0.1), 0.05, x0_m=-0.3, z0_m=-0.2)
        x, z = -0.3 + 0.05 * np.arange(31), -0.2 + 0.05 * np.arange(21)
        places = [(0.0, 0.0), (0.513, 0.333), (-0.3, -0.2), (1.2, 0.8), (1.199, -0.2)]
        for place, times in zip(places, eikonal_times(places, ground), strict=True):
            # Exact but for where the sweeps stop, at changes of 1e-6 ns.
            assert times == pytest.approx(np.hypot(x[:, None] - place[0], z - place[1]) / 0.1, abs=1e-6)

    def test_reciprocity(self) -> None:
        ground, _ = gradient(0.02)
        there, back = eikonal_times([(0.3, 0.0), (2.4, 1.2)], ground)
        assert there[120, 60] == pytest.approx(back[15, 0], abs=1e-4)

    def test_a_slow_body_is_gone_round(self) -> None:
        velocity = np.full((101, 61), 0.1)
        velocity[45:56, 10:31] = 0.02
        ground = VelocitySection(velocity, 0.02)
        time = eikonal_times([(1.0, 0.0)], ground)[0]
        straight = (0.2 + 0.4) / 0.1 + 0.4 / 0.02
        assert time[50, 40] < straight
        # Round the corner: along both edges and back below.
        around = (math.hypot(0.12, 0.2) + 0.42 + math.hypot(0.12, 0.18)) / 0.1
        assert time[50, 40] == pytest.approx(around, rel=0.05)
        assert time[50, 40] == pytest.approx(eikonal_times([(1.0, 0.0)], ground, order="first")[0, 50, 40], rel=0.05)

    def test_scikit_fmm(self) -> None:
        skfmm = pytest.importorskip("skfmm")
        ground, _ = gradient(0.02)
        x, z = 0.02 * np.arange(151), 0.02 * np.arange(76)
        # Its front is a circle three nodes wide, reached at nearly one time; 1/20 ns is what its second order is off by
        # against circular rays.
        away = np.hypot(x[:, None] - SOURCE[0], z - SOURCE[1]) - 0.06
        theirs = skfmm.travel_time(away, ground.velocity_m_per_ns, dx=0.02, order=2)
        ours = eikonal_times([SOURCE], ground)[0]
        edge = np.abs(away) < 0.005
        outside = away > 0.05
        lead = ours[edge].mean()
        assert np.asarray(theirs)[outside] + lead == pytest.approx(ours[outside], abs=0.05)

    def test_sweeps_are_their_twins(self) -> None:
        slowness = 1.0 / np.random.default_rng(0).uniform(0.06, 0.14, (14, 11))
        start = np.full((16, 13), np.inf)
        start[5, 4] = 0.0
        ours, plain = start.copy(), start.copy()
        sweep_first_order(ours, slowness, 0.05, 100, 1e-13)
        relax_first_order(plain, slowness, 0.05, 1e-13)
        assert ours[1:-1, 1:-1] == pytest.approx(plain[1:-1, 1:-1], abs=1e-10)
        smooth = 1.0 / gradient(0.1)[0].velocity_m_per_ns
        x, z = 0.1 * (np.arange(31) - 10.3), 0.1 * (np.arange(16) - 3.6)
        r = np.hypot(x[:, None], z)
        s0 = 1.0 / (V0 + GX * 1.03 + GZ * 0.36)
        base, base_x, base_z = s0 * r, s0 * x[:, None] / r, s0 * z / r
        factor = np.full(r.shape, np.inf)
        fixed = np.array([10, 11, 3, 4])
        factor[10:12, 3:5] = 0.5 * (1.0 + smooth[10:12, 3:5] / s0)
        sweep_factored(factor, base, base_x, base_z, smooth, 0.1, fixed, 100, 1e-12)
        with np.errstate(invalid="ignore"):
            again = update_factored(factor, base, base_x, base_z, smooth, 0.1)
        moving = np.ones(r.shape, bool)
        moving[10:12, 3:5] = False
        assert np.isfinite(factor).all()
        assert (again * base)[moving] == pytest.approx((factor * base)[moving], abs=1e-10)

    def test_refusals(self) -> None:
        ground, _ = gradient(0.1)
        with pytest.raises(InputError, match=r"a source lies outside the velocity section .received 3.5 m along"):
            eikonal_times([(1.0, 0.0), (3.5, 0.0)], ground)
        with pytest.raises(InputError, match="each source needs distance and depth"):
            eikonal_times([[1.0, 0.0, 0.0]], ground)
        with pytest.raises(InputError, match="order must be one of first, second"):
            eikonal_times([(1.0, 0.0)], ground, order="third")  # type: ignore[arg-type]
        with pytest.raises(InputError, match="3 × 3 nodes at least"):
            VelocitySection(np.full((2, 5), 0.1), 0.1)
        with pytest.raises(InputError, match="positive and at most that of light .received 0.5 m/ns"):
            VelocitySection(np.full((5, 5), 0.5), 0.1)

    def test_a_section_reaches_on(self) -> None:
        ground, _ = gradient(0.1)
        wide = ground.reaching(-0.25, 3.05)
        assert (wide.x0_m, wide.end_x_m) == (pytest.approx(-0.3), pytest.approx(3.1))
        assert (wide.velocity_m_per_ns[:4] == ground.velocity_m_per_ns[0]).all()
        assert ground.reaching(0.0, 3.0) is ground


class TestRays:
    @pytest.mark.parametrize("offset", [0.0, 0.1, 0.7, 3.0, 20.0])
    def test_fermat(self, offset: float) -> None:
        # The ray is the way of least time: found again by minimising over where it crosses the boundaries.
        depth = 1.5

        def time_of(cross: np.ndarray) -> float:
            at = np.concatenate([[0.0], cross, [offset]])
            return float((np.hypot(np.diff(at), [0.4, 0.5, 0.6]) / LAYERED.velocity_m_per_ns).sum())

        best = optimize.minimize(time_of, [offset / 3, 2 * offset / 3], tol=1e-14)
        assert leg_times([offset], [depth], LAYERED).time_ns[0, 0] == pytest.approx(best.fun, rel=1e-9)

    def test_derivatives_against_differences(self) -> None:
        x, step = np.linspace(0.1, 3.0, 30), 1e-4
        before, at, after = (leg_times(x + d, [0.2, 0.6, 1.5], LAYERED) for d in (-step, 0.0, step))
        slope = (after.time_ns - before.time_ns) / (2 * step)
        bend = (after.slope - before.slope) / (2 * step)
        assert at.slope == pytest.approx(slope, rel=1e-6)
        assert at.bend_along == pytest.approx(bend, rel=1e-5)
        assert at.bend_across == pytest.approx(at.slope / x[:, None])

    def test_one_velocity_and_towards_zero_offset(self) -> None:
        legs = leg_times([0.0, 1e-9, 2.0], [0.5, 1.0], 0.1)
        r = np.hypot([[0.0], [0.0], [2.0]], [0.5, 1.0])
        assert legs.time_ns == pytest.approx(r / 0.1)
        assert legs.bend_along == pytest.approx(np.array([0.5, 1.0]) ** 2 / (0.1 * r**3))
        assert legs.bend_across == pytest.approx(1 / (0.1 * r))
        assert leg_times([0.0], [0.8], LAYERED).time_ns[0, 0] == pytest.approx(0.4 / 0.13 + 0.4 / 0.07)

    def test_depths_and_times_go_back_and_forth(self) -> None:
        z = np.array([0.1, 0.39, 0.4, 0.75, 2.0])
        times = vertical_times_ns(z, LAYERED)
        assert depths_of_times(times, LAYERED) == pytest.approx(z, abs=1e-9)
        apart = 2 * leg_times([0.2], z, LAYERED).time_ns[0]
        assert depths_of_times(apart, LAYERED, separation_m=0.4) == pytest.approx(z, abs=1e-4)
        assert depths_of_times([0.0, 3.9], 0.1, separation_m=0.4).tolist() == [0.0, 0.0]

    def test_velocity_at_depth(self) -> None:
        assert LAYERED.at_depth([0.0, 0.4, 5.0]).tolist() == [0.13, 0.07, 0.09]

    def test_refusals(self) -> None:
        with pytest.raises(InputError, match="legs need depths below the antenna .received 0 m"):
            leg_times([0.0], [0.0], 0.1)
        with pytest.raises(InputError, match="times must not fall"):
            depths_of_times([2.0, 1.0], 0.1)
        with pytest.raises(InputError, match="each layer needs a top and a velocity .received 2 tops, 1"):
            Layers([0.0, 1.0], [0.1])
        with pytest.raises(InputError, match="tops of layers must start at 0 and go down"):
            Layers([0.0, 1.0, 1.0], [0.1, 0.1, 0.1])
        with pytest.raises(InputError, match="positive and at most that of light .received -1 m/ns"):
            Layers([0.0], [-1.0])


class TestAntennas:
    def test_line(self) -> None:
        pair = antennas_on_line([0.0, 1.0, 2.0], separation_m=0.4, elevation_m=[0.0, 1.0, 0.0])
        assert pair.transmitter_m[1].tolist() == pytest.approx([0.8, 0.0, -0.8])
        assert pair.receiver_m[1].tolist() == pytest.approx([1.2, 0.0, -0.8])
        assert pair.middle_m[:, 0].tolist() == pytest.approx([0.0, 1.0, 2.0])
        assert antennas_on_line([3.0]).share.tolist() == [0.0]

    def test_lines_that_run_askew(self) -> None:
        s = 0.1 * np.arange(11)
        pair = antennas_on_lines([(0.6 * s, 0.8 * s), (0.6 * s[::-1] - 0.4, 0.8 * s[::-1] + 0.3)], line_spacing_m=0.5)
        assert pair.share[[0, 5]].tolist() == pytest.approx([0.05, 0.05])
        assert pair.step_m == (pytest.approx(math.hypot(0.06, 0.4)), pytest.approx(math.hypot(0.08, 0.3)))
        hill = antennas_on_lines([(s, 0 * s)], line_spacing_m=0.5, elevation_m=[0.1 * s])
        assert hill.middle_m[-1, 2] == pytest.approx(-0.1)

    def test_refusals(self) -> None:
        s = 0.1 * np.arange(3)
        with pytest.raises(InputError, match="there are no lines"):
            antennas_on_lines([], line_spacing_m=0.5)
        with pytest.raises(InputError, match="a line needs two traces at least .received 1"):
            antennas_on_lines([([0.0], [0.0])], line_spacing_m=0.5)
        with pytest.raises(InputError, match="lines must be parallel within 10° .received 90° between two"):
            antennas_on_lines([(s, 0 * s), (0 * s, s)], line_spacing_m=0.5)
        with pytest.raises(InputError, match="each line needs its heights .received 1 for 2 lines"):
            antennas_on_lines([(s, 0 * s), (s, s)], line_spacing_m=0.5, elevation_m=[s])
        with pytest.raises(InputError, match="each trace needs its height .received 2 heights for 3 traces"):
            antennas_on_line(s, elevation_m=[0.0, 0.0])
        with pytest.raises(InputError, match="each trace needs both antennas' places and a share"):
            Antennas(np.zeros((2, 3)), np.zeros((3, 3)), np.ones(3), (0.1, 0.0))
        with pytest.raises(InputError, match="share of a trace must not be negative .received -1"):
            Antennas(np.zeros((1, 3)), np.zeros((1, 3)), -np.ones(1), (0.1, 0.0))
