"""The solver against exact fields: line currents, cylinders, flat ground, relaxing water, and its own grid's theory."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest
import shapely

from yewline.physics import (
    AIR,
    Cylinder,
    Medium,
    Stack,
    cylinder_line_source_field,
    ground_field,
    line_source_field,
    numerical_wavenumber,
    ricker,
    water_relaxation,
    wavenumber,
)
from yewline.simulation.wave import Edges, Grid, Relaxation, Section, fire, half_steps_ns, make_grid
from yewline.units import C_M_PER_NS, EPS0_F_PER_M, MU0_H_PER_M

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]
Measured = Callable[..., None]


def spectrum(series: Array, time_ns: Array, frequency_mhz: Array) -> Complex:
    """∫ s e^{−jωt} dt of series (R, S) at frequencies (F,): (F, R)."""
    turn = np.exp(-2j * np.pi * 1e-3 * np.multiply.outer(frequency_mhz, time_ns))
    return np.asarray(turn @ np.asarray(series, np.float64).T * (time_ns[1] - time_ns[0]))


def transfer(
    grid: Grid,
    source: tuple[float, float],
    receivers: npt.ArrayLike,
    frequency_mhz: npt.ArrayLike,
    peak_mhz: float,
    ns: float,
) -> Complex:
    """Field over current (F, R) at frequencies, V/m/A."""
    f = np.atleast_1d(np.asarray(frequency_mhz, np.float64))
    at = half_steps_ns(grid, int(ns / grid.step_ns))
    current = ricker(at - 1.5e3 / peak_mhz, peak_mhz=peak_mhz)
    shot = fire(grid, [source], [current], receivers)
    return spectrum(shot.field_v_per_m, shot.time_ns, f) / spectrum(current[None], at, f)


def even_grid(epsilon: float, sigma: float, cell_m: float, half_m: float, **settings: object) -> Grid:
    """An even medium about the origin."""
    n = 2 * round(half_m / cell_m) + 1
    section = Section(np.full((n, n), epsilon), np.full((n, n), sigma), cell_m, x0_m=-half_m, z0_m=-half_m)
    return make_grid(section, precision="double", fastest_permittivity=1.0, **settings)  # type: ignore[arg-type]


def grid_far_field(f: float, cell: float, step: float, medium: Medium, angle: Array, rho: Array) -> Complex:
    """What the grid's dispersion relation alone makes of a line current's far field, over the exact field.

    The grid's field is a sum of plane waves over its own dispersion curve D(k) = 0, and far off the part counts whose
    normal points to the observer (stationary phase): its phase is k·ρ there and its amplitude 1/(|∇D| √curvature),
    against 1/(2√k) for the circle of an even medium.
    """
    true = wavenumber(f, medium=medium).item()
    phi = np.linspace(-0.2, np.pi / 2 + 0.2, 4001)
    lossless = Medium(medium.permittivity, 0.0)
    k = numerical_wavenumber(f, cell_m=cell, interval_ns=step, medium=lossless, angle_deg=np.degrees(phi)).real
    kx, kz = k * np.cos(phi), k * np.sin(phi)
    gradient = 2.0 / cell * np.array([np.sin(kx * cell), np.sin(kz * cell)])
    normal = np.arctan2(gradient[1], gradient[0])
    curvature = np.gradient(normal, phi) / np.hypot(np.gradient(kx, phi), np.gradient(kz, phi))
    size = 2.0 * np.sqrt(wavenumber(f, medium=lossless).real) / (np.hypot(*gradient) * np.sqrt(curvature))
    # The current acts at half steps: its own derivative in time is that of the grid.
    half = np.pi * 1e-3 * f * step
    at = np.interp(angle, normal, phi)
    k_at = numerical_wavenumber(f, cell_m=cell, interval_ns=step, medium=medium, angle_deg=np.degrees(at))
    phase = np.exp(-1j * (k_at * np.cos(at - angle) - true) * rho)
    return np.asarray(np.interp(angle, normal, size) * np.sin(half) / half * phase)


class TestLineCurrent:
    """Harrington 1961, sec. 5-6; Balanis, sec. 11.2: E = −(ωμ₀I/4) H₀⁽²⁾(kρ)."""

    @pytest.mark.parametrize(("epsilon", "sigma"), [(1.0, 0.0), (9.0, 0.0), (9.0, 10.0), (25.0, 50.0)])
    def test_amplitude_and_phase(self, epsilon: float, sigma: float, measured: Measured) -> None:
        # Within 1 % and 1° beyond the grid's own dispersion, at 20 cells a wavelength and a wavelength or more away.
        f, medium = 400.0, Medium(epsilon, sigma)
        wavelength = C_M_PER_NS / (f * 1e-3 * np.sqrt(epsilon))
        cell = wavelength / 20.0
        angle = np.radians([0.0, 22.5, 45.0, 70.0, 90.0])
        rho = wavelength * np.array([1.0, 1.3, 1.7, 2.0, 2.3])
        places = rho[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
        grid = even_grid(epsilon, sigma, cell, 2.6 * wavelength)
        found = transfer(grid, (0.0, 0.0), places, f, f, 40.0)[0]
        exact = line_source_field(rho, frequency_mhz=f, medium=medium)
        ratio = found / (exact * grid_far_field(f, cell, grid.step_ns, medium, angle, rho))
        where = f"line current, permittivity {epsilon:g}, {sigma:g} mS/m, 20 cells a wavelength"
        hankel = "Hankel solution (Harrington 1961), beyond the grid's dispersion"
        measured(f"{where}: amplitude", hankel, 100 * np.abs(np.abs(ratio) - 1.0).max(), most=1.0, unit="%")
        measured(f"{where}: phase", hankel, np.abs(np.degrees(np.angle(ratio))).max(), most=1.0, unit="°")
        # With the dispersion left in, amplitudes fall with the square of the cell.
        left_in = 100 * np.abs(np.abs(found / exact) - 1.0).max()
        measured(f"{where}: amplitude", "Hankel solution, dispersion left in", left_in, most=1.6, unit="%")

    def test_second_order(self, measured: Measured) -> None:
        errors = []
        for cells in (10.0, 20.0, 40.0):
            cell = 0.3 / cells
            grid = even_grid(4.0, 5.0, cell, 0.9)
            f = 1e3 * C_M_PER_NS / (2.0 * 0.3)
            found = transfer(grid, (0.0, 0.0), [[0.45, 0.15], [0.15, -0.6]], f, f, 30.0)[0]
            rho = np.hypot([0.45, 0.15], [0.15, 0.6])
            exact = line_source_field(rho, frequency_mhz=f, medium=Medium(4.0, 5.0))
            errors.append(np.abs(found - exact).max() / np.abs(exact).max())
        order = np.log2(np.array(errors[:-1]) / errors[1:])
        measured("line current: order of convergence", "Hankel solution, 10 to 40 cells", order.min(), least=1.9)


CYLINDERS = {
    "conductor in soil": (None, 9.0),
    "wet body in soil": (Medium(36.0, 0.0), 36.0),
    "air void in soil": (AIR, 9.0),
    "lossy body in soil": (Medium(16.0, 30.0), 16.0),
}
RADIUS_M = 0.1
BACKGROUND = Medium(9.0, 0.0)


def cylinder_error(
    filling: Medium | None, dense: float, cells: float, *, smooth: bool = True, ka: float = 1.0
) -> Complex:
    """Field over all angles less the exact one, over the exact one's peak (2, angles): complex, and amplitudes."""
    f = 1e3 * ka / RADIUS_M * C_M_PER_NS / 3.0 / (2.0 * np.pi)
    cell = C_M_PER_NS / np.sqrt(dense) / (f * 1e-3) / cells
    n = int(1.1 / cell)
    # Not on the grid's lines: a cylinder may lie anywhere.
    x, z = (np.arange(n) - n / 2 + 0.137) * cell, (np.arange(n) - n / 2 + 0.311) * cell
    parts = 16 if smooth else 1
    fine = (np.arange(parts) - (parts - 1) / 2) / parts * cell
    xx, zz = (x[:, None] + fine).ravel()[:, None], (z[:, None] + fine).ravel()[None, :]
    share = (np.hypot(xx, zz) < RADIUS_M).reshape(n, parts, n, parts).mean((1, 3))
    epsilon, sigma = np.full((n, n), BACKGROUND.permittivity), np.zeros((n, n))
    conductors: tuple[shapely.Polygon, ...] = ()
    if filling is None:
        conductors = (shapely.Point(0.0, 0.0).buffer(RADIUS_M, quad_segs=256),)
    else:
        epsilon = epsilon + share * (filling.permittivity - epsilon)
        sigma = share * filling.conductivity_ms_per_m
    section = Section(epsilon, sigma, cell, x0_m=x[0], z0_m=z[0], conductors=conductors)
    grid = make_grid(section, precision="double", fastest_permittivity=1.0)
    phi, rho, source = np.arange(0.0, 360.0, 10.0), 0.3, (-0.45, 0.05)
    places = rho * np.column_stack([np.cos(np.radians(phi)), np.sin(np.radians(phi))])
    found = transfer(grid, source, places, f, f, 60.0)[0]
    away = (float(np.hypot(*source)), float(np.degrees(np.arctan2(source[1], source[0]))))
    exact = cylinder_line_source_field(
        Cylinder(RADIUS_M, filling, BACKGROUND), rho, phi, source_m=away, frequency_mhz=f
    ).total
    peak = np.abs(exact).max()
    return np.array([(found - exact) / peak, (np.abs(found) - np.abs(exact)) / peak])


class TestCylinders:
    """Harrington 1961, sec. 5-9; Balanis, sec. 11.5: line current beside a circular cylinder."""

    @pytest.mark.parametrize("name", CYLINDERS)
    def test_amplitude_over_all_angles(self, name: str, measured: Measured) -> None:
        # Within 2 % of the peak at 20 cells a wavelength in the densest material.
        error = 100 * np.abs(cylinder_error(*CYLINDERS[name], 20.0)).max(axis=1)
        series = "series of cylinder waves (Harrington 1961), over the peak"
        measured(f"{name}, ka = 1, 20 cells in the densest material: amplitude", series, error[1], most=2.0, unit="%")

    @pytest.mark.parametrize("name", CYLINDERS)
    def test_order_of_convergence(self, name: str, measured: Measured) -> None:
        errors = [
            np.sqrt((np.abs(cylinder_error(*CYLINDERS[name], cells)[0]) ** 2).mean()) for cells in (15.0, 30.0, 60.0)
        ]
        order = np.log2(np.array(errors[:-1]) / errors[1:])
        measured(f"{name}: order of convergence", "series, 15 to 60 cells", order.min(), least=1.9)

    def test_staircase_is_worse(self, measured: Measured) -> None:
        # Why materials are averaged over cells: with whole cells the order is that of a staircase.
        filling, dense = CYLINDERS["wet body in soil"]
        sizes = np.geomspace(15.0, 60.0, 7)
        errors = {
            smooth: [np.sqrt((np.abs(cylinder_error(filling, dense, c, smooth=smooth)[0]) ** 2).mean()) for c in sizes]
            for smooth in (True, False)
        }
        slopes = {smooth: -np.polyfit(np.log(sizes), np.log(error), 1)[0] for smooth, error in errors.items()}
        measured("wet body: order with averaged faces, fitted", "series, 15 to 60 cells", slopes[True], least=1.9)
        measured("wet body: order with whole cells, fitted", "the same", slopes[False], most=slopes[True] - 0.2)
        assert sum(errors[False]) > 1.5 * sum(errors[True])


class TestFlatGround:
    """Line current over a lossy half-space as a sum of plane waves with Fresnel's coefficients: Chew 1990, ch. 2."""

    def test_reflected_and_transmitted(self, measured: Measured) -> None:
        # Receivers from straight under the source to far beyond the critical angle's, above and below ground.
        soil = Medium(9.0, 10.0)
        f, cell = 300.0, 0.3331 / 40.0
        x = np.arange(-60, 240) * cell
        z = np.arange(-90, 90) * cell
        below = np.clip(0.5 + z / cell, 0.0, 1.0) * np.ones((len(x), 1))
        section = Section(1.0 + 8.0 * below, 10.0 * below, cell, x0_m=x[0], z0_m=z[0])
        grid = make_grid(section, precision="double")
        source = (0.0, -36 * cell)
        above = [(k * cell, -48 * cell) for k in (0, 24, 72, 144, 216)]
        under = [(k * cell, 54 * cell) for k in (0, 24, 72, 144, 216)]
        found = transfer(grid, source, [*above, *under], f, f, 60.0)[0]
        places = np.array([*above, *under])
        exact = ground_field(places[:, 0], places[:, 1], source_depth_m=source[1], frequency_mhz=f, stack=Stack(soil))
        spectral = "spectral integral with Fresnel's coefficients (Chew 1990)"
        for name, part in (("above", slice(0, 5)), ("under", slice(5, 10))):
            error = 100 * np.abs(found[part] - exact[part]) / np.abs(exact[part])
            measured(f"field {name} lossy ground, normal to grazing", spectral, error.max(), most=2.0, unit="%")

    def test_arrivals_of_two_layers(self, measured: Measured) -> None:
        # Straight down and up: 2 d₁/v₁, and 2 (d₁/v₁ + d₂/v₂).
        cell = 0.005
        depths = np.arange(0.0, 2.0, cell)
        epsilon = np.where(depths < 0.8, 4.0, np.where(depths < 1.4, 9.0, 16.0))
        n = 80
        section = Section(np.tile(epsilon, (n, 1)), np.zeros((n, len(depths))), cell)
        grid = make_grid(section)
        even = make_grid(
            section.with_materials(np.full((n, len(depths)), 4.0), np.zeros((n, len(depths)))), fastest_permittivity=4.0
        )
        # An even medium's field taken away leaves the reflections: both with one time step.
        assert grid.step_ns == even.step_ns
        at = half_steps_ns(grid, int(40.0 / grid.step_ns))
        current = ricker(at - 3.0, peak_mhz=500.0)
        places = ([[0.2, 0.3]], [current], [[0.2, 0.3]])
        heard = [fire(g, *places).field_v_per_m[0] for g in (grid, even)]
        time = grid.step_ns * np.arange(1, len(at) + 1)
        echo = np.abs(heard[0] - heard[1])
        # The echo's shape is that of the current's field on its way: taken from one that went a known way.
        known = np.abs(fire(even, [[0.2, 0.3]], [current], [[0.2, 1.3]]).field_v_per_m[0])
        delay = time[known.argmax()] - 1.0 / (C_M_PER_NS / 2.0)
        first = 2 * 0.5 / (C_M_PER_NS / 2.0)
        second = first + 2 * 0.6 / (C_M_PER_NS / 3.0)
        for arrival in (first, second):
            near = np.abs(time - delay - arrival) < 0.6
            late = abs(time[near][echo[near].argmax()] - delay - arrival)
            measured("arrival time of an echo in two layers", "straight ray", late, most=0.05, unit="ns")


class TestRelaxingWater:
    """Single-pole water, Kaatze 1989, against the Hankel solution with its complex permittivity."""

    def test_line_current(self, measured: Measured) -> None:
        pole = water_relaxation(10.0)
        share, f = 0.3, np.array([300.0, 600.0, 900.0])
        delta = float(share * (pole.static - pole.infinite))
        epsilon = 4.0 + float(share * pole.infinite)
        tau_ns = float(pole.time_ns)
        cell, n = 0.00125, 321
        section = Section(
            np.full((n, n), epsilon),
            np.full((n, n), 8.0),
            cell,
            x0_m=-160 * cell,
            z0_m=-160 * cell,
            relaxation=Relaxation(np.full((n, n), delta), tau_ns),
        )
        grid = make_grid(section, precision="double")
        rho = np.array([0.06, 0.08, 0.12])
        found = transfer(grid, (0.0, 0.0), np.column_stack([rho, 0.0 * rho]), f, 600.0, 18.0)
        omega = 2e6 * np.pi * f[:, None]
        permittivity = epsilon + delta / (1.0 + 1j * omega * 1e-9 * tau_ns)
        exact = (
            -0.25
            * omega
            * MU0_H_PER_M
            * _hankel(omega / (C_M_PER_NS * 1e9) * np.sqrt(permittivity - 8e-3j / (omega * EPS0_F_PER_M)) * rho)
        )
        error = 100 * np.abs(found / exact - 1.0).max()
        measured("line current in relaxing water, 300 to 900 MHz", "Hankel, Kaatze 1989", error, most=1.0, unit="%")
        # The plain solver without relaxation is elsewhere: the test would see it missing.
        plain = line_source_field(rho, frequency_mhz=900.0, medium=Medium(epsilon + delta, 8.0))
        assert np.abs(exact[2] / plain - 1.0).max() > 0.1


def _hankel(z: Complex) -> Complex:
    from scipy.special import hankel2  # noqa: PLC0415 (only this check is independent of the physics room)

    return np.asarray(hankel2(0, z))


class TestEdges:
    """What comes back from an absorbing edge, against a grid so large that its own edges are not heard."""

    ANGLES = (0.0, 30.0, 45.0, 60.0, 70.0, 80.0)

    @staticmethod
    def heard(edges: Edges, *, large: bool) -> tuple[Array, Complex, Array]:
        cell, away, f = 0.0125, 0.4, np.array([100.0, 150.0, 200.0, 250.0, 300.0])
        more = 240 if large else 0
        columns, depths = 449 + 2 * more, 161 + more
        section = Section(
            np.full((columns, depths), 9.0),
            np.full((columns, depths), 5.0),
            cell,
            x0_m=-more * cell,
            z0_m=-128 * cell,
        )
        grid = make_grid(section, edges=edges, precision="double", fastest_permittivity=1.0)
        offsets = 2 * away * np.tan(np.radians(TestEdges.ANGLES))
        offsets[0] = 2 * cell
        at = half_steps_ns(grid, int(70.0 / grid.step_ns))
        current = ricker(at - 7.0, peak_mhz=200.0)
        shot = fire(grid, [[0.4, 0.0]], [current], np.column_stack([0.4 + offsets, 0.0 * offsets]))
        return shot.field_v_per_m, spectrum(shot.field_v_per_m, shot.time_ns, f), spectrum(current[None], at, f)

    def test_reflection_in_soil(self, measured: Measured) -> None:
        # Below −70 dB to 60° and −50 dB at 80°, against the field that a mirror would send back.
        small, large = (self.heard(Edges(), large=large) for large in (False, True))
        f = np.array([100.0, 150.0, 200.0, 250.0, 300.0])
        back = np.abs(small[1] - large[1]) / np.abs(small[2])
        path = 0.8 / np.cos(np.radians(self.ANGLES))
        mirror = np.abs(line_source_field(path, frequency_mhz=f[:, None], medium=Medium(9.0, 5.0)))
        level = 20.0 * np.log10((back / mirror).max(axis=0))
        reference = "a much larger grid, over the mirror's field"
        measured("absorbing edge in soil, to 60°", reference, level[:4].max(), most=-70.0, unit="dB")
        measured("absorbing edge in soil, 70° and 80°", reference, level[4:].max(), most=-50.0, unit="dB")

    def test_thicker_is_quieter(self) -> None:
        large = self.heard(Edges(), large=True)[0]
        levels = [np.abs(self.heard(Edges(cells=cells), large=False)[0] - large).max() for cells in (16, 32)]
        assert levels[1] < 0.5 * levels[0]

    def test_layers_run_through_the_edges(self, measured: Measured) -> None:
        # Air over two lossy layers, the antennas on the surface: what all four edges send back.
        def traces(*, large: bool) -> Array:
            half, deep, air = (300, 200, 300) if large else (62, 75, 20)
            cell = 0.02
            x, z = np.arange(-half, half) * cell, (np.arange(-air, deep) + 0.5) * cell
            epsilon = np.where(z < -1e-9, 1.0, np.where(z < 0.6, 6.0, 14.0))
            sigma = np.where(z < -1e-9, 0.0, np.where(z < 0.6, 3.0, 15.0))
            section = Section(np.tile(epsilon, (len(x), 1)), np.tile(sigma, (len(x), 1)), cell, x0_m=x[0], z0_m=z[0])
            grid = make_grid(section)
            at = half_steps_ns(grid, int(36.0 / grid.step_ns))
            current = ricker(at - 7.0, peak_mhz=200.0)
            return np.asarray(
                fire(grid, [[-0.2, -0.04]], [current], [[0.2, -0.04], [0.9, -0.04], [0.0, 0.5]]).field_v_per_m
            )

        near, far = traces(large=False), traces(large=True)
        level = 20.0 * np.log10(np.abs(near - far).max(axis=1) / np.abs(far).max(axis=1))
        measured("all edges, air over two lossy layers", "a much larger grid", level.max(), most=-70.0, unit="dB")
