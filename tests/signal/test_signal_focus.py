"""Focus against velocity, what a spacing aliases, and a full-wave point target as independent data."""

from __future__ import annotations

import math

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.signal import Section, envelope
from yewline.signal.migration import (
    FocusWindow,
    aliased_share,
    aliasing_limit_m,
    focus_curve,
    leg_bend,
    migrate_kirchhoff,
    migrate_phase_shift,
    migrate_stolt,
    sharpness,
)
from yewline.simulation import Instrument, plan_course, run_course
from yewline.simulation import Section as Materials
from yewline.units import C_M_PER_NS

V = 0.1
SECTION = Section(interval_ns=0.25, spacing_m=0.04, centre_mhz=300.0, velocity_m_per_ns=V)
VELOCITIES = np.arange(0.08, 0.1201, 0.005)


def ricker(t: np.ndarray, mhz: float = 300.0) -> np.ndarray:
    """Ricker 1953, Geophysics 18:10–40."""
    u = (np.pi * mhz * 1e-3 * t) ** 2
    return (1 - 2 * u) * np.exp(-u)


def point(x0: float, z0: float, v: float = V) -> np.ndarray:
    x, t = 0.04 * np.arange(161)[:, None], 0.25 * np.arange(256)
    r = np.hypot(x - x0, z0)
    return z0 / r * ricker(t - 2 * r / v)


class TestFocus:
    @pytest.mark.parametrize("method", ["stolt", "kirchhoff"])
    @pytest.mark.parametrize("measure", ["varimax", "entropy"])
    def test_sharpest_at_the_true_velocity(self, method: str, measure: str) -> None:
        around = FocusWindow((40, 121), (40, 120))
        curve = focus_curve(point(3.2, 1.0), SECTION, VELOCITIES, windows=[around], method=method)
        assert curve.best_m_per_ns(measure)[0] == pytest.approx(V, rel=0.02)
        score = curve.varimax[0] if measure == "varimax" else -curve.entropy[0]
        best = int(score.argmax())
        assert (np.diff(score[: best + 1]) > 0).all()
        assert (np.diff(score[best:]) < 0).all()

    def test_windows_keep_velocities_apart(self) -> None:
        both = point(1.6, 0.8, 0.09) + point(4.8, 0.8, 0.11)
        windows = [FocusWindow((10, 70), (40, 110)), FocusWindow((90, 150), (30, 90))]
        curve = focus_curve(both, SECTION, VELOCITIES, windows=windows)
        assert curve.best_m_per_ns() == pytest.approx([0.09, 0.11], rel=0.025)

    def test_over_and_under_migration_are_told_apart(self) -> None:
        around = FocusWindow((60, 101), (50, 110))
        states = [leg_bend(point(3.2, 1.0), SECTION, V * f, window=around) for f in (0.8, 0.9, 1.0, 1.1, 1.2)]
        assert [s.state for s in states] == ["under", "under", "focused", "over", "over"]
        bends = [s.bend_ns for s in states]
        assert bends == sorted(bends, reverse=True)

    def test_flat_layers_have_no_preference(self) -> None:
        flat = np.tile(ricker(0.25 * np.arange(256) - 20.0), (161, 1))
        curve = focus_curve(flat, SECTION, VELOCITIES, windows=[FocusWindow((60, 100), (60, 100))])
        assert np.ptp(curve.varimax) < 0.05 * curve.varimax.mean()

    def test_best_at_the_edge_is_the_edge(self) -> None:
        curve = focus_curve(point(3.2, 1.0), SECTION, [0.11, 0.115, 0.12])
        assert curve.best_m_per_ns()[0] == 0.11

    def test_sharpness_of_known_images(self) -> None:
        assert sharpness(np.ones((4, 5))) == pytest.approx((1.0, 1.0))
        # Two equal points of twenty: N/2, and ln 2/ln 20.
        two = np.zeros((4, 5))
        two[0, 0] = two[3, 3] = 7.0
        assert sharpness(two) == pytest.approx((10.0, math.log(2) / math.log(20)))
        assert sharpness(1e30 * two) == pytest.approx(sharpness(two))

    def test_a_silent_section(self) -> None:
        curve = focus_curve(np.zeros((8, 16)), SECTION, [0.1])
        assert (curve.varimax[0, 0], curve.entropy[0, 0]) == (1.0, 1.0)
        assert leg_bend(np.zeros((8, 16)), SECTION, 0.1, window=FocusWindow((0, 8), (0, 16))).state == "focused"

    def test_refusals(self) -> None:
        data = np.zeros((8, 16))
        with pytest.raises(InputError, match=r"a window is empty or leaves the section .received traces \(0, 9\)"):
            focus_curve(data, SECTION, [0.1], windows=[FocusWindow((0, 9), (0, 16))])
        with pytest.raises(InputError, match="velocity above that of light"):
            focus_curve(data, SECTION, [0.4])
        with pytest.raises(InputError, match="method must be one of stolt, kirchhoff"):
            focus_curve(data, SECTION, [0.1], method="other")  # type: ignore[arg-type]
        with pytest.raises(InputError, match="measure must be one of varimax, entropy"):
            focus_curve(data, SECTION, [0.1]).best_m_per_ns("peak")  # type: ignore[arg-type]


class TestAliasing:
    def test_limit(self) -> None:
        # λ_min/(4 sin θ) (Yilmaz 2001, Seismic Data Analysis, §1.2).
        assert aliasing_limit_m(0.1, highest_mhz=500.0, dip_deg=30.0) == pytest.approx(0.2 / (4 * 0.5))
        assert aliasing_limit_m(0.1, highest_mhz=500.0) == pytest.approx(0.05)
        assert aliasing_limit_m(0.1, highest_mhz=500.0, dip_deg=0.0) == math.inf

    def test_a_dipping_event_turns_back_beyond_the_limit(self) -> None:
        # Sampled at the limit, the event's wavenumber is Nyquist's: beyond it, it comes back with the other sign.
        limit, f, dip = aliasing_limit_m(0.1, highest_mhz=400.0, dip_deg=40.0), 0.4, math.radians(40.0)
        for spacing, sign in ((0.9 * limit, 1), (1.1 * limit, -1)):
            x = spacing * np.arange(64)
            wave = np.exp(1j * 2 * np.pi * f * 2 * x * math.sin(dip) / 0.1) * np.hanning(64)
            strongest = np.fft.fftfreq(64)[np.abs(np.fft.fft(wave)).argmax()]
            assert np.sign(strongest) == sign

    @pytest.mark.parametrize("steepest", [90.0, 45.0])
    def test_share_against_its_integral(self, steepest: float) -> None:
        # ∫ arcsin(a/f) df = f arcsin(a/f) + a ln(f + √(f² − a²)).
        a, low, high = 1e3 * 0.1 / (4 * 0.2), 200.0, 700.0
        inside = low if steepest == 90.0 else max(low, a / math.sin(math.radians(steepest)))
        whole = [f * math.asin(a / f) + a * math.log(f + math.sqrt(f * f - a * a)) for f in (inside, high)]
        limit = math.radians(steepest)
        clean = (whole[1] - whole[0] + (inside - low) * limit) / ((high - low) * limit)
        found = aliased_share(0.2, 0.1, band_mhz=(low, high), steepest_deg=steepest)
        assert found.share == pytest.approx(1 - clean, abs=1e-4)
        assert found.clean_within_deg == pytest.approx(math.degrees(math.asin(a / high)))
        assert found.clean_below_mhz == pytest.approx(a / math.sin(limit))

    def test_nothing_is_aliased_at_the_widest_spacing(self) -> None:
        found = aliased_share(0.3, 0.08, band_mhz=(100.0, 600.0), steepest_deg=60.0)
        assert found.share > 0
        at_limit = aliased_share(found.widest_m * 0.999, 0.08, band_mhz=(100.0, 600.0), steepest_deg=60.0)
        assert at_limit.share == 0.0
        flat = aliased_share(0.3, 0.08, band_mhz=(100.0, 600.0), steepest_deg=0.0)
        assert (flat.share, flat.widest_m, flat.clean_below_mhz) == (0.0, math.inf, math.inf)

    def test_refusals(self) -> None:
        with pytest.raises(InputError, match="lower edge must lie below its upper one .received 600 to 200 MHz"):
            aliased_share(0.2, 0.1, band_mhz=(600.0, 200.0))


@pytest.fixture(scope="module")
def drain() -> tuple[np.ndarray, Section, float, float]:
    """A thin empty drain in even soil, recorded by the full-wave solver, its ground without the drain taken off."""
    cell, epsilon, x0, z0 = 0.02, 9.0, 1.5, 0.7
    nodes_x, nodes_z = cell * np.arange(151), -0.2 + cell * np.arange(76)
    soil = np.tile(np.where(nodes_z < -1e-9, 1.0, np.where(nodes_z > 1e-9, epsilon, 0.5 * (1 + epsilon))), (151, 1))
    hollow = soil.copy()
    hollow[np.hypot(nodes_x[:, None] - x0, nodes_z - z0) < 0.05] = 1.0
    antennas = Instrument(200.0, separation_m=0.2, interval_ns=0.4, samples=90, zero_ns=8.0, aperture_m=1.2)
    at = 0.3 + 0.06 * np.arange(41)
    still = np.zeros_like(soil)
    courses = [
        plan_course(Materials(e, still, cell, z0_m=-0.2), places, antennas, cells_a_wavelength=8.0)
        for e, places in ((hollow, at), (soil, [x0]))
    ]
    records = dict(run_course(courses[0]))
    quiet = dict(run_course(courses[1]))[0]
    data = np.stack([records[i] for i in range(41)]) - quiet
    # Time zero is when the pulse's middle leaves: sample 20.
    section = Section(
        interval_ns=0.4, spacing_m=0.06, centre_mhz=200.0, separation_m=0.2,
        velocity_m_per_ns=C_M_PER_NS / math.sqrt(epsilon),
    )  # fmt: skip
    return data[:, 20:], section, (x0 - 0.3) / 0.06, z0


class TestFullWave:
    @pytest.mark.parametrize("migrate", [migrate_kirchhoff, migrate_stolt, migrate_phase_shift])
    def test_a_drain_focuses_within_one_sample_and_one_trace(self, drain, migrate) -> None:
        data, section, trace0, z0 = drain
        strength = envelope(migrate(data, section), section)
        trace, sample = np.unravel_index(strength.argmax(), strength.shape)
        # Both legs go to the drain's middle and back from it.
        late = math.hypot(2 * z0, section.separation_m) / section.velocity_m_per_ns
        assert abs(trace - trace0) <= 1
        assert abs(sample * section.interval_ns - late) <= section.interval_ns

    def test_velocities_on_both_sides_of_it_are_recognised(self, drain) -> None:
        data, section, trace0, _ = drain
        around = FocusWindow((round(trace0) - 14, round(trace0) + 15), (20, 60))
        bends = [
            leg_bend(data, section, factor * section.velocity_m_per_ns, window=around) for factor in (0.75, 1.0, 1.3)
        ]
        assert bends[0].state == "under"
        assert bends[2].state == "over"
        assert bends[0].bend_ns > bends[1].bend_ns > bends[2].bend_ns
