"""A small B-scan against independent solutions of the wave equation, which share neither code nor scheme with ours.

The field across the section obeys (ε/c²) ∂²E/∂t² = ∇²E − μ₀ ∂J/∂t (Balanis 2012, Advanced Engineering Electromagnetics,
sec. 3.2, without conductivity). One solution is spectral in space (derivatives by Fourier transform) and of eighth
order in time (SciPy's DOP853, Hairer, Nørsett & Wanner 1993); the other is a finite-difference operator of eighth order
written and compiled by Devito, where that is installed. Both take the currents of a small smooth patch, for a line
current has no resolvable near field.
"""

from __future__ import annotations

import shutil
from functools import cache
from types import ModuleType
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from scipy import fft, integrate

from yewline.simulation.wave import Section, fire, half_steps_ns, make_grid
from yewline.units import C_M_PER_NS, MU0_H_PER_M

Array = npt.NDArray[np.floating[Any]]

PEAK_MHZ = 100.0
SIDE_M = 9.0
"""Nothing comes back from the sides in time: 9 m there and back at 0.17 m/ns take 53 ns."""
LEAD_NS, END_NS = 12.0, 50.0
TIMES_NS = np.arange(0.0, END_NS, 0.5)
PATCH_M = 1.0 / 6.0
MIDDLES_M = np.array([-1.0, -0.4, 0.2, 0.8])
SEPARATION_M, LEVEL_M = 0.8, -1.1


def permittivity(x: Array, z: Array) -> Array:
    """A wet and a dry body in even ground, with soft faces; wavelengths from 0.9 to 1.7 m."""
    wet = 7.0 * np.exp(-0.5 * ((x - 0.3) ** 2 + (z - 0.5) ** 2) / 0.25**2)
    dry = 0.9 * np.exp(-0.5 * (((x + 0.9) / 0.6) ** 2 + ((z - 0.5) / 0.3) ** 2))
    return 4.0 + wet - dry


def current(time_ns: Array) -> Array:
    """A Gaussian's first derivative, A."""
    at = 2.0 * np.pi * PEAK_MHZ * 1e-3 * (time_ns - LEAD_NS)
    return np.asarray(-at * np.exp(-0.5 * at**2))


def current_rate(time_ns: float) -> float:
    """Its derivative, A/ns."""
    turn = 2.0 * np.pi * PEAK_MHZ * 1e-3
    at = turn * (time_ns - LEAD_NS)
    return float(turn * (at**2 - 1.0) * np.exp(-0.5 * at**2))


def antennas(middle: float) -> tuple[Array, Array]:
    half = 0.5 * SEPARATION_M
    return np.array([middle - half, LEVEL_M]), np.array([middle + half, LEVEL_M])


@cache
def ours(cells_a_m: int) -> Array:
    """(traces, times) V/m."""
    cell, count = 1.0 / cells_a_m, round(SIDE_M * cells_a_m) + 1
    axis = cell * np.arange(count) - 0.5 * SIDE_M
    epsilon = permittivity(axis[:, None], axis[None, :])
    section = Section(epsilon, np.zeros_like(epsilon), cell, x0_m=float(axis[0]), z0_m=float(axis[0]))
    grid = make_grid(section)
    steps = int(END_NS / grid.step_ns) + 2
    # A lattice as fine as the patch's own width stands for it: the next spectral order is evanescent.
    offset = PATCH_M * np.stack(np.meshgrid(*2 * [np.arange(-5.0, 6.0)], indexing="ij"), axis=-1).reshape(-1, 2)
    weight = np.exp(-0.5 * (offset**2).sum(axis=1) / PATCH_M**2) / (2.0 * np.pi)
    driven = weight[:, None] * current(half_steps_ns(grid, steps))
    traces = []
    for middle in MIDDLES_M:
        source, receiver = antennas(middle)
        shot = fire(grid, source + offset, driven, [receiver])
        traces.append(np.interp(TIMES_NS, shot.time_ns, shot.field_v_per_m[0].astype(np.float64), left=0.0))
    return np.array(traces)


def spectral(points: int) -> Array:
    """(traces, times) V/m on `points` × `points` nodes of a periodic square."""
    axis = SIDE_M / points * np.arange(points) - 0.5 * SIDE_M
    speed2 = C_M_PER_NS**2 / permittivity(axis[:, None], axis[None, :])
    k = 2.0 * np.pi * fft.fftfreq(points, SIDE_M / points)
    kz = 2.0 * np.pi * fft.rfftfreq(points, SIDE_M / points)
    k2 = k[:, None] ** 2 + kz[None, :] ** 2
    return np.array([_spectral_trace(points, speed2, k, kz, k2, *antennas(middle)) for middle in MIDDLES_M])


def _spectral_trace(
    points: int, speed2: Array, k: Array, kz: Array, k2: Array, source: Array, receiver: Array
) -> Array:
    def at(place: Array) -> Array:
        return np.exp(-1j * (k[:, None] * (place[0] + 0.5 * SIDE_M) + kz[None, :] * (place[1] + 0.5 * SIDE_M)))

    density = fft.irfft2(at(source) * np.exp(-0.5 * k2 * PATCH_M**2), (points, points)) * (points / SIDE_M) ** 2
    push = MU0_H_PER_M * 1e9 * density
    # The field at the receiver is the sum over all waves; each but the first and last along z stands for two.
    twice = np.where((kz == 0) | (kz == kz[-1]), 1.0, 2.0)
    heard = np.conj(at(receiver)) * twice / points**2

    def rates(time_ns: float, state: Array) -> Array:
        field, rate = state.reshape(2, points, points)
        bent = fft.irfft2(-k2 * fft.rfft2(field), (points, points))
        return np.stack([rate, speed2 * (bent - current_rate(time_ns) * push)]).ravel()

    start = np.zeros(2 * points * points)
    solution = integrate.solve_ivp(rates, (0.0, END_NS), start, "DOP853", TIMES_NS, rtol=1e-7, atol=1e-6, max_step=1.0)
    fields = solution.y[: points * points].T.reshape(-1, points, points)
    return np.array([(heard * fft.rfft2(field)).real.sum() for field in fields])


def devito_traces(devito: ModuleType, cell_m: float, step_ns: float) -> Array:
    """(traces, times) V/m by an operator of eighth order in space; the antennas stand on its nodes."""
    count, steps = round(SIDE_M / cell_m) + 1, round(END_NS / step_ns)
    axis = cell_m * np.arange(count) - 0.5 * SIDE_M
    x, z = axis[:, None], axis[None, :]
    devito.configuration["log-level"] = "ERROR"
    grid = devito.Grid(shape=(count, count), extent=(SIDE_M, SIDE_M), dtype=np.float64)
    field = devito.TimeFunction(name="field", grid=grid, time_order=2, space_order=8)
    slowness = devito.Function(name="slowness", grid=grid)
    slowness.data[:] = permittivity(x, z) / C_M_PER_NS**2
    patch = devito.Function(name="patch", grid=grid)
    rate = devito.Function(name="rate", dimensions=(grid.time_dim,), shape=(steps,))
    rate.data[:] = [current_rate(step_ns * n) for n in range(steps)]
    receiver = devito.SparseTimeFunction(name="receiver", grid=grid, npoint=1, nt=steps)
    equation = slowness * field.dt2 - field.laplace + patch * rate
    step = devito.Eq(field.forward, devito.solve(equation, field.forward))
    operator = devito.Operator([step, receiver.interpolate(expr=field.forward)])
    traces = []
    for middle in MIDDLES_M:
        source, place = antennas(middle)
        off2 = (x - source[0]) ** 2 + (z - source[1]) ** 2
        patch.data[:] = MU0_H_PER_M * 1e9 * np.exp(-0.5 * off2 / PATCH_M**2) / (2.0 * np.pi * PATCH_M**2)
        receiver.coordinates.data[:] = place + 0.5 * SIDE_M
        field.data[:] = 0.0
        operator.apply(time_m=0, time_M=steps - 1, dt=step_ns)
        traces.append(np.interp(TIMES_NS, step_ns * np.arange(1, steps + 1), receiver.data[:, 0], left=0.0))
    return np.array(traces)


@cache
def reference() -> Array:
    return spectral(108)


def off_by(found: Array, expected: Array) -> float:
    """Largest difference in any trace, of that trace's peak."""
    return float((np.abs(found - expected).max(axis=1) / np.abs(expected).max(axis=1)).max())


def test_the_reference_does_not_depend_on_its_nodes() -> None:
    assert off_by(spectral(96), reference()) < 1e-5


def test_the_bodies_are_heard() -> None:
    # Far beyond what the solutions may differ by: in even ground all traces would be the same.
    assert off_by(reference()[::-1], reference()) > 0.05


def test_same_traces() -> None:
    assert off_by(ours(80), reference()) < 1e-3


def test_the_difference_falls_with_the_square_of_the_cell() -> None:
    coarse, fine = (off_by(ours(cells), reference()) for cells in (30, 60))
    assert np.log2(coarse / fine) == pytest.approx(2.0, abs=0.1)


def test_same_traces_as_devito() -> None:
    devito = pytest.importorskip("devito")
    if shutil.which("gcc") is None:
        pytest.skip("no compiler for Devito")
    theirs = devito_traces(devito, 0.05, 0.05)
    assert off_by(theirs, reference()) < 1e-3
    assert off_by(ours(80), theirs) < 1e-3
