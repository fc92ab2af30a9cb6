"""Kirchhoff migration: phase and amplitude of exact wave fields, dips, antennas apart, heights, layers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special
from scipy.signal import hilbert

from yewline.errors import InputError
from yewline.signal import Section, envelope
from yewline.signal.migration import (
    ImagePlaces,
    KirchhoffOptions,
    Layers,
    Recording,
    VelocitySection,
    antennas_on_line,
    antennas_on_lines,
    depths_of_times,
    kirchhoff_image,
    kirchhoff_operator,
    leg_times,
    migrate_kirchhoff,
    migrate_stolt,
    places_below_line,
    places_in_block,
)

V = 0.1
DX, DT, MHZ = 0.04, 0.25, 300.0
SECTION = Section(interval_ns=DT, spacing_m=DX, centre_mhz=MHZ, velocity_m_per_ns=V)
X = DX * np.arange(241)
T = DT * np.arange(320)
WIDE = KirchhoffOptions(aperture_deg=75.0, antialias=False)


def ricker(t: np.ndarray, mhz: float = MHZ) -> np.ndarray:
    """Ricker 1953, Geophysics 18:10–40."""
    u = (np.pi * mhz * 1e-3 * t) ** 2
    return (1 - 2 * u) * np.exp(-u)


def spectrum_of_ricker(omega: np.ndarray) -> np.ndarray:
    """Transform of `ricker`, real: its peak is at time 0."""
    peak = 2 * np.pi * MHZ * 1e-3
    return 4 * np.sqrt(np.pi) * omega**2 / peak**3 * np.exp(-((omega / peak) ** 2))


def exploding(r: np.ndarray, samples: int, dimensions: int) -> np.ndarray:
    """Field of a point that explodes at time 0, at half the velocity, at distances r: (R, S), e^{jωt}.

    The initial value problem: source jω/c² times Green's function, −j/4·H0⁽²⁾(ωr/c) in a plane, e^{−jωr/c}/4πr in
    space (Morse & Feshbach 1953, §7.3).
    """
    long = 4 * samples
    omega = 2 * np.pi * np.fft.rfftfreq(long, DT)
    c = 0.5 * V
    phase = omega[1:] * r[..., None] / c
    if dimensions == 2:
        green = -0.25j * special.hankel2(0, phase)
    else:
        green = np.exp(-1j * phase) / (4 * np.pi * r[..., None])
    field = np.zeros((*r.shape, len(omega)), complex)
    field[..., 1:] = spectrum_of_ricker(omega[1:]) * 1j * omega[1:] / c**2 * green
    return np.fft.irfft(field, long)[..., :samples] / DT


def apex_phase_deg(column: np.ndarray) -> float:
    """Phase of a response where its envelope is highest."""
    analytic = hilbert(column)
    return math.degrees(np.angle(analytic[np.abs(analytic).argmax()]))


def hyperbola(x: np.ndarray, x0: float, z0: float, separation: float = 0.0, v: float = V) -> np.ndarray:
    """Both legs to a point, and obliquity as a line scatterer has it."""
    near, far = (np.hypot(x + side - x0, z0) for side in (-separation / 2, separation / 2))
    return (z0 / np.hypot(x - x0, z0))[:, None] * ricker(T - ((near + far) / v)[:, None])


def peak_of(image: np.ndarray) -> tuple[int, int]:
    strength = envelope(image, SECTION)
    return tuple(int(i) for i in np.unravel_index(strength.argmax(), strength.shape))  # type: ignore[return-value]


class TestWaveEquation:
    """Schneider 1978, Geophysics 43:49–76: phase and amplitude."""

    def test_apex_phase_in_a_plane(self) -> None:
        x0, z0 = 4.8, 1.0
        data = exploding(np.hypot(X - x0, z0), len(T), 2)
        z = 0.5 * V * T
        image = kirchhoff_image(data, antennas_on_line(X), places_below_line([x0], z), V, SECTION, options=WIDE)[0]
        assert abs(apex_phase_deg(image[40:])) < 3.0
        assert abs(int(np.abs(hilbert(image)).argmax()) - 2 * z0 / V / DT) <= 1

    def test_without_the_half_derivative_it_is_off_by_45_degrees(self) -> None:
        x0, z0 = 4.8, 1.0
        data = exploding(np.hypot(X - x0, z0), len(T), 2)
        options = KirchhoffOptions("none", aperture_deg=75.0, antialias=False)
        z = 0.5 * V * T
        image = kirchhoff_image(data, antennas_on_line(X), places_below_line([x0], z), V, SECTION, options=options)[0]
        assert apex_phase_deg(image[60:]) == pytest.approx(45.0, abs=5.0)

    def test_apex_phase_in_space(self) -> None:
        # Parallel lines, 90° derivative.
        at = 0.05 * np.arange(61)
        data = np.concatenate([exploding(np.hypot(np.hypot(at - 1.5, y - 1.5), 0.8), 160, 3) for y in at])
        pair = antennas_on_lines([(at, np.full(61, y)) for y in at], line_spacing_m=0.05)
        options = KirchhoffOptions("3d", aperture_deg=60.0, antialias=False)
        z = 0.5 * V * T[:160]
        block = kirchhoff_image(data, pair, places_in_block([1.5], [1.5], z), V, SECTION, options=options)
        assert block.shape == (1, 1, 160)
        assert abs(apex_phase_deg(block[0, 0, 30:])) < 3.0
        assert abs(int(np.abs(hilbert(block[0, 0])).argmax()) - 1.6 / V / DT) <= 1

    def test_strength_of_a_point_in_a_plane(self) -> None:
        # The wave numbers of the point that the aperture lets through, with its fade, add up in phase:
        # m(0) = (1/4π²) ∫ W(cκ) κ dκ ∫ fade(θ) dθ; half of what explodes goes up, and its mirror image goes down.
        x0, z0 = 4.8, 1.0
        data = exploding(np.hypot(X - x0, z0), len(T), 2)
        image = kirchhoff_image(data, antennas_on_line(X), places_below_line([x0], [z0]), V, SECTION, options=WIDE)
        angle = np.radians(np.linspace(-75, 75, 20_001))
        ratio = np.abs(np.tan(angle)) / np.tan(np.radians(75))
        part = np.clip(5 * (ratio - 0.8), 0, 1)
        fade = 1 - part**2 * (3 - 2 * part)
        kappa = np.linspace(0, 2 * np.pi * 1.5 / (0.5 * V), 4_001)
        radial = np.trapezoid(spectrum_of_ricker(0.5 * V * kappa) * kappa, kappa)
        theory = radial * np.trapezoid(fade, angle) / (4 * np.pi**2)
        assert image[0, 0] == pytest.approx(theory, rel=0.01)

    @pytest.mark.parametrize("separation", [0.0, 0.3])
    @pytest.mark.parametrize("depth", [0.8, 1.6])
    def test_a_flat_reflector_keeps_its_amplitude(self, separation: float, depth: float) -> None:
        late = math.hypot(2 * depth, separation) / V
        data = np.tile(ricker(T - late), (len(X), 1))
        pair = antennas_on_line(X, separation_m=separation)
        depths = depths_of_times(T, V, separation_m=separation)
        image = kirchhoff_image(data, pair, places_below_line(X[120:121], depths), V, SECTION, options=WIDE)[0]
        middle = slice(round(late / DT) - 8, round(late / DT) + 9)
        assert image[middle] == pytest.approx(data[0, middle], abs=0.015)

    @pytest.mark.parametrize("depth", [0.8, 1.6])
    def test_a_line_with_point_antennas_gets_its_spreading_back(self, depth: float) -> None:
        # A mirror at depth z answers a point source with 1/2z (Bleistein, Cohen & Hagin 1987, Geophysics 52:26–36).
        data = np.tile(ricker(T - 2 * depth / V) / (2 * depth), (len(X), 1))
        options = KirchhoffOptions("2.5d", aperture_deg=75.0, antialias=False)
        image = kirchhoff_image(
            data, antennas_on_line(X), places_below_line(X[120:121], [depth]), V, SECTION, options=options
        )
        assert image[0, 0] == pytest.approx(1.0, abs=0.03)

    def test_a_flat_reflector_in_space_keeps_its_amplitude(self) -> None:
        at, depth, sep = 0.05 * np.arange(101), 1.0, 0.1
        late = math.hypot(2 * depth, sep) / V
        pair = antennas_on_lines([(at, np.full(101, y)) for y in at], line_spacing_m=0.05, separation_m=sep)
        options = KirchhoffOptions("3d", aperture_deg=65.0, antialias=False)
        places = places_in_block([2.5], [2.5], depths_of_times(T[:120], V, separation_m=sep))
        data = np.tile(ricker(T[:120] - late), (101 * 101, 1))
        image = kirchhoff_image(data, pair, places, V, SECTION, options=options)
        # The far field's sum leaves out v/2ωr of the wave in quadrature (Schneider 1978, eq. 4): 2.7 % here.
        assert image[0, 0, 70:91] == pytest.approx(ricker(T[70:91] - late), abs=0.03)


class TestWhereThingsGo:
    @pytest.mark.parametrize(("x0", "z0"), [(4.8, 1.0), (3.2, 0.5), (6.0, 1.6)])
    @pytest.mark.parametrize("separation", [0.0, 0.3])
    def test_a_point_focuses_where_it_is(self, x0: float, z0: float, separation: float) -> None:
        section = Section(interval_ns=DT, spacing_m=DX, centre_mhz=MHZ, separation_m=separation, velocity_m_per_ns=V)
        trace, sample = peak_of(migrate_kirchhoff(hyperbola(X, x0, z0, separation), section))
        assert abs(trace - x0 / DX) <= 1
        # Time stays that of antennas right above, as the conversion to depth expects.
        assert abs(sample - math.hypot(2 * z0, separation) / V / DT) <= 1

    @pytest.mark.parametrize("dip_deg", [10.0, 25.0, 40.0])
    def test_dip_relation(self, dip_deg: float) -> None:
        # tan ξ_apparent = sin ξ_true (Chun & Jacewitz 1981, Geophysics 46:717–733).
        z, x = self.line_of(dip_deg, V)
        true = math.degrees(math.atan(np.polyfit(x, z, 1)[0]))
        assert true == pytest.approx(dip_deg, abs=0.5)

    @staticmethod
    def line_of(dip_deg: float, v: float) -> tuple[np.ndarray, np.ndarray]:
        """Depth along the image of a plane reflector of this dip, around its brightest part."""
        slope = math.sin(math.radians(dip_deg))
        x, t = DX * np.arange(400), DT * np.arange(600)
        depth = 2.0 + slope * (x - 8.0) * (np.abs(x - 8.0) < 3.0)
        window = np.clip((3.0 - np.abs(x - 8.0)) / 1.0, 0.0, 1.0)
        image = migrate_kirchhoff(window[:, None] * ricker(t - 2 * depth[:, None] / v), SECTION)
        strength = envelope(image, SECTION)
        crest = strength.max(axis=1)
        use = np.flatnonzero(crest > 0.9 * crest.max())
        place = []
        for trace in use:
            i = int(strength[trace].argmax())
            left, top, right = strength[trace, i - 1 : i + 2]
            place.append(i + 0.5 * (left - right) / (left - 2 * top + right))
        return np.array(place) * DT * v / 2, x[use]

    @pytest.mark.parametrize("method", [migrate_kirchhoff, migrate_stolt])
    def test_displacement(self, method) -> None:
        # dx = (v²t/4)(Δt/Δx), dτ = t{1 − √(1 − (vΔt/2Δx)²)} (Chun & Jacewitz 1981, Geophysics 46:717–733).
        x, t = DX * np.arange(401), DT * np.arange(480)
        slope = 2 * math.sin(math.radians(30.0)) / V
        late, x1 = 70.0, 9.0
        beam = np.exp(-(((x - x1) / 0.8) ** 2))[:, None] * ricker(t - late - slope * (x[:, None] - x1))
        strength = envelope(method(beam, SECTION), SECTION).astype(float) ** 2
        went = x1 - float((strength.sum(axis=1) * x).sum() / strength.sum())
        rose = late - float((strength.sum(axis=0) * t).sum() / strength.sum())
        assert went == pytest.approx(V**2 * late / 4 * slope, rel=0.01)
        assert rose == pytest.approx(late * (1 - math.sqrt(1 - (V * slope / 2) ** 2)), rel=0.02)

    def test_nothing_steeper_than_two_over_v_comes_to_rest(self) -> None:
        # The steepest slope of anything in the ground is 2/v (Chun & Jacewitz 1981).
        slow = Section(interval_ns=DT, spacing_m=DX, centre_mhz=100.0, velocity_m_per_ns=V)
        kept = {}
        for slope in (0.8, 2.6):
            late = T - 40.0 - slope / V * (X[:, None] - 4.8)
            data = np.exp(-(((X - 4.8) / 1.0) ** 2))[:, None] * ricker(late, 100.0)
            kept[slope] = float((migrate_kirchhoff(data, slow).astype(float) ** 2).sum() / (data**2).sum())
        assert kept[2.6] < 0.01 < 0.5 < kept[0.8]

    def test_points_below_a_hill(self) -> None:
        height = 0.5 * np.exp(-(((X - 4.0) / 1.0) ** 2))
        x0, z0 = 4.6, 0.9
        below = z0 + float(np.interp(x0, X, height))
        r = np.hypot(X - x0, z0 + height)
        data = ricker(T - 2 * r[:, None] / V)
        section = Section(interval_ns=DT, spacing_m=DX, centre_mhz=MHZ, velocity_m_per_ns=V, elevation_m=height)
        image = migrate_kirchhoff(data, section, from_surface=True)
        trace, sample = peak_of(image)
        assert abs(trace - x0 / DX) <= 1
        assert abs(sample - 2 * below / V / DT) <= 1
        flat = migrate_kirchhoff(data, section)
        assert envelope(image, section).max() > 1.2 * envelope(flat, section).max()

    def test_uneven_traces(self) -> None:
        rng = np.random.default_rng(4)
        x = X + np.cumsum(rng.normal(0.0, 0.003, len(X)))
        section = Section(interval_ns=DT, spacing_m=DX, centre_mhz=MHZ, velocity_m_per_ns=V, distance_m=x)
        trace, sample = peak_of(migrate_kirchhoff(hyperbola(x, 4.8, 1.0), section))
        assert abs(x[trace] - 4.8) <= DX
        assert abs(sample - 80) <= 1

    def test_a_point_in_space_between_lines(self) -> None:
        at = 0.08 * np.arange(31)
        x0, y0, z0 = 1.17, 1.32, 0.7
        data = np.concatenate([ricker(T[:160] - 2 / V * np.sqrt((at - x0) ** 2 + (y - y0) ** 2 + z0**2)[:, None])
                               for y in at])  # fmt: skip
        pair = antennas_on_lines([(at, np.full(31, y)) for y in at], line_spacing_m=0.08)
        x, y, z = x0 + 0.04 * np.arange(-6, 7), y0 + 0.04 * np.arange(-6, 7), z0 + 0.0125 * np.arange(-16, 17)
        block = kirchhoff_image(data, pair, places_in_block(x, y, z), V, SECTION, options=KirchhoffOptions("3d"))
        strength = np.abs(hilbert(block, axis=2))
        iy, ix, iz = np.unravel_index(strength.argmax(), strength.shape)
        assert (abs(ix - 6) <= 1, abs(iy - 6) <= 1, abs(iz - 16) <= 1) == (True, True, True)


class TestGroundThatVaries:
    GROUND = Layers([0.0, 0.4, 0.9], [0.13, 0.09, 0.07])

    def test_a_point_below_layers(self) -> None:
        x0, z0 = 4.8, 1.2
        t = 2 * leg_times(X - x0, [z0], self.GROUND).time_ns[:, 0]
        data = (t.min() / t)[:, None] * ricker(T - t[:, None])
        depth = depths_of_times(T, self.GROUND)
        images = [
            kirchhoff_image(data, antennas_on_line(X), places_below_line(X, depths_of_times(T, g)), g, SECTION)
            for g in (self.GROUND, 0.09)
        ]
        trace, sample = peak_of(images[0])
        assert abs(trace - 120) <= 1
        assert abs(depth[sample] - z0) <= depth[sample] - depth[sample - 1]
        assert images[0].max() > images[1].max()

    def test_below_a_section_of_velocities(self) -> None:
        # Velocity that grows with depth and along the line: times of circular rays in closed form (Slotnick 1959,
        # Lessons in Seismic Computing): T = arcosh(1 + |g|²r²/2v₁v₂)/|g|.
        x, t = 0.08 * np.arange(61), DT * np.arange(200)
        gx, gz, v0 = 0.004, 0.012, 0.08
        x0, z0 = 2.4, 1.0
        at_point, at_line = v0 + gx * x0 + gz * z0, v0 + gx * x
        g = math.hypot(gx, gz)
        times = np.arccosh(1 + g**2 * ((x - x0) ** 2 + z0**2) / (2 * at_point * at_line)) / g
        data = ricker(t - 2 * times[:, None], 200.0)
        nodes_x, nodes_z = 0.04 * np.arange(121), 0.04 * np.arange(46)
        ground = VelocitySection(v0 + gx * nodes_x[:, None] + gz * nodes_z, 0.04)
        section = Section(interval_ns=DT, spacing_m=0.08, centre_mhz=200.0)
        z = 0.3 + 0.0125 * np.arange(100)
        image = kirchhoff_image(data, antennas_on_line(x), places_below_line(x, z), ground, section)
        trace, sample = peak_of(image)
        assert abs(trace - 30) <= 1
        assert abs(z[sample] - z0) <= 0.0125
        even = kirchhoff_image(data, antennas_on_line(x), places_below_line(x, z), v0 + gx * x0, section)
        assert abs(z[peak_of(even)[1]] - z0) > 0.03


class TestChoices:
    def test_aperture_leaves_out_what_is_steeper(self) -> None:
        spike = np.zeros((len(X), len(T)), np.float32)
        spike[120, 100] = 1.0
        for angle in (20.0, 40.0):
            image = migrate_kirchhoff(spike, SECTION, aperture_deg=angle)
            trace, sample = np.nonzero(np.abs(image) > 1e-6 * np.abs(image).max())
            depth = 0.5 * V * DT * sample
            assert (np.abs(X[trace] - X[120]) < np.tan(np.radians(angle)) * depth + 1e-9).all()
        image = migrate_kirchhoff(spike, SECTION, aperture_m=0.3)
        assert np.abs(X[np.nonzero(np.abs(image).max(axis=1))[0]] - X[120]).max() < 0.3

    def test_antialias_quiets_the_noise_of_steep_operators(self) -> None:
        # Flat layers on traces far apart: above them, steep operators turn samples into noise unless averaged (Lumley,
        # Claerbout & Bevc 1994, 64th Ann. Int. Mtg., SEG).
        coarse = Section(interval_ns=DT, spacing_m=0.25, centre_mhz=MHZ, velocity_m_per_ns=V)
        data = np.tile(ricker(T - 40.0), (41, 1))
        with_, without = (migrate_kirchhoff(data, coarse, aperture_deg=75.0, antialias=a) for a in (True, False))
        noise = np.s_[20, 40:140]
        assert np.abs(with_[noise]).max() < 0.2 * np.abs(without[noise]).max()
        assert with_[20, 160] == pytest.approx(1.0, abs=0.25)

    def test_weights_for_an_area_on_one_line_are_its_part_of_the_area(self) -> None:
        data = hyperbola(X, 4.8, 1.0)
        options = KirchhoffOptions("3d", antialias=False)
        places = places_below_line([4.8], [1.0])
        line = kirchhoff_image(data, antennas_on_line(X), places, V, SECTION, options=options)
        strip = antennas_on_lines([(X, 0 * X)], line_spacing_m=0.5)
        area = kirchhoff_image(data, strip, places, V, SECTION, options=options)
        assert area == pytest.approx(0.5 * line, rel=1e-5)

    def test_threads_change_nothing(self) -> None:
        data = np.random.default_rng(0).standard_normal((50, 100)).astype(np.float32)
        section = Section(interval_ns=DT, spacing_m=DX, centre_mhz=MHZ)
        for x in (X[:50], np.append(X[:49], X[49] + 0.01)):
            images = [
                kirchhoff_image(
                    data, antennas_on_line(x), places_below_line(x, 0.0125 * np.arange(60)), V, section,
                    options=KirchhoffOptions(threads=threads),
                )
                for threads in ("one", "all", "all")
            ]  # fmt: skip
            assert images[1].tobytes() == images[2].tobytes() == images[0].tobytes()


class TestStep:
    def test_single_trace_and_single_sample_come_back(self) -> None:
        single = Section(interval_ns=DT, spacing_m=0.0, centre_mhz=MHZ, velocity_m_per_ns=V)
        x = np.random.default_rng(0).standard_normal((1, 64)).astype(np.float32)
        assert (migrate_kirchhoff(x, single) == x).all()
        assert (migrate_kirchhoff(x.T.copy(), SECTION) == x.T).all()

    @settings(max_examples=12, deadline=None)
    @given(
        shape=st.tuples(st.integers(1, 12), st.integers(1, 30)),
        size=st.sampled_from([0.0, 1.0, 1e30]),
        separation=st.sampled_from([0.0, 0.4]),
        weights=st.sampled_from(["2d", "2.5d"]),
    )
    def test_any_section_gives_finite_samples_of_its_shape(self, shape, size, separation, weights) -> None:
        section = Section(interval_ns=DT, spacing_m=DX, centre_mhz=MHZ, separation_m=separation, velocity_m_per_ns=V)
        data = (size * np.random.default_rng(1).standard_normal(shape)).astype(np.float32)
        before = data.copy()
        image = migrate_kirchhoff(data, section, weights=weights)
        assert image.shape == shape
        assert image.dtype == np.float32
        assert image.flags.c_contiguous
        assert np.isfinite(image).all()
        assert (data == before).all()

    def test_refusals(self) -> None:
        data = np.zeros((4, 8), np.float32)
        bare = Section(interval_ns=DT, spacing_m=DX, centre_mhz=MHZ)
        with pytest.raises(InputError, match="migration needs a velocity"):
            migrate_kirchhoff(data, bare)
        with pytest.raises(InputError, match="velocity above that of light"):
            migrate_kirchhoff(data, bare, velocity_m_per_ns=0.4)
        with pytest.raises(InputError, match="migration needs the trace spacing .received 0 m"):
            migrate_kirchhoff(data, Section(interval_ns=DT, spacing_m=0.0, centre_mhz=MHZ), velocity_m_per_ns=V)
        with pytest.raises(InputError, match="heights of the ground are not known"):
            migrate_kirchhoff(data, SECTION, from_surface=True)
        with pytest.raises(InputError, match="each trace needs its distance .received 3 for 4"):
            migrate_kirchhoff(
                data, Section(interval_ns=DT, spacing_m=DX, centre_mhz=MHZ, distance_m=[0.0, 1.0, 2.0]),
                velocity_m_per_ns=V,
            )  # fmt: skip
        with pytest.raises(InputError, match="each trace needs its height .received 3 for 4"):
            migrate_kirchhoff(
                data, Section(interval_ns=DT, spacing_m=DX, centre_mhz=MHZ, elevation_m=[0.0, 1.0, 2.0]),
                velocity_m_per_ns=V, from_surface=True,
            )  # fmt: skip
        with pytest.raises(InputError, match="distances along the line must rise .received a step of -1 m"):
            migrate_kirchhoff(
                data, Section(interval_ns=DT, spacing_m=DX, centre_mhz=MHZ, distance_m=[0.0, 2.0, 1.0, 3.0]),
                velocity_m_per_ns=V,
            )  # fmt: skip
        with pytest.raises(InputError, match="not finite"):
            migrate_kirchhoff(np.full((4, 8), np.nan), SECTION)

    def test_refusals_of_geometry(self) -> None:
        pair = antennas_on_line([0.0, 0.1, 0.2])
        places = places_below_line([0.0, 0.1, 0.2], [0.5, 1.0])
        with pytest.raises(InputError, match="each trace needs its antennas .received 2 traces, 3 pairs"):
            kirchhoff_image(np.zeros((2, 8)), pair, places, V, SECTION)
        hill = antennas_on_line([0.0, 0.1, 0.2], elevation_m=[0.0, 0.1, 0.0])
        with pytest.raises(InputError, match="flat layers need antennas at depth 0"):
            kirchhoff_operator(hill, places, Layers([0.0, 1.0], [0.1, 0.08]), Recording(8, DT, MHZ))
        ground = VelocitySection(np.full((9, 9), V), 0.25)
        with pytest.raises(InputError, match="a velocity section is for one line along x"):
            kirchhoff_operator(pair, places_in_block([0.0], [0.0], [1.0]), ground, Recording(8, DT, MHZ))
        with pytest.raises(InputError, match="weights must be one of 2d, 2.5d, 3d, none .received '4d'"):
            KirchhoffOptions("4d")  # type: ignore[arg-type]
        with pytest.raises(InputError, match="depths of an image must not fall"):
            places_below_line([0.0], [1.0, 0.5])
        with pytest.raises(InputError, match="columns, depths and shape of the image do not fit"):
            ImagePlaces(np.zeros((2, 2)), np.ones((2, 3)), (2, 2))
        with pytest.raises(InputError, match="each column needs its height .received 1 for 2 columns"):
            places_below_line([0.0, 0.1], [1.0], surface_m=[0.0])
