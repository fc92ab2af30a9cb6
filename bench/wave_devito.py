"""The same problem in Devito, which writes and compiles C with OpenMP for the wave equation of the electric field.

Its fastest form is that of second order in time, with one unknown: where ours takes three fields and two coefficients
to and fro, it takes three levels of one field and the same two coefficients. With the coefficients of our step it is
the same scheme, so that both give the same field to rounding. It has no absorbing edges here.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from types import ModuleType
from typing import Any

import numpy as np
import numpy.typing as npt

from bench.wave_problem import Problem

Float32 = npt.NDArray[np.float32]
Run = Callable[[], Float32]


def devito_module() -> ModuleType | None:
    """Devito, told to use OpenMP and to be silent; None where it is not installed."""
    try:
        devito = importlib.import_module("devito")
    except ImportError:
        return None
    devito.configuration["language"] = "openmp"
    devito.configuration["log-level"] = "ERROR"
    return devito


def second_order(devito: Any, problem: Problem, threads: int) -> Run:
    """e ← (1 + k) e − k e' + g (∇²e − ∂j), e' the field of the step before: our step with the magnetic field put in."""
    grid, keep, gain = _media(devito, problem)
    e = devito.TimeFunction(name="e", grid=grid, time_order=2, space_order=2)
    source, receiver = _points(devito, grid, problem, np.diff(problem.drive, prepend=0.0))
    step = devito.Eq(e.forward, (1 + keep) * e - keep * e.backward + gain * e.laplace)
    drive = source.inject(field=e.forward, expr=-source * gain)
    operator = devito.Operator([step, drive, receiver.interpolate(expr=e.forward)])
    return _runner(operator, [e], receiver, problem, threads)


def first_order(devito: Any, problem: Problem, threads: int) -> Run:
    """The three staggered fields that ours has."""
    grid, keep, gain = _media(devito, problem)
    x, z = grid.dimensions
    e = devito.TimeFunction(name="e", grid=grid, time_order=1, space_order=2)
    hx = devito.TimeFunction(name="hx", grid=grid, time_order=1, space_order=2, staggered=z)
    hz = devito.TimeFunction(name="hz", grid=grid, time_order=1, space_order=2, staggered=x)
    source, receiver = _points(devito, grid, problem, problem.drive)
    steps = [
        devito.Eq(hx.forward, hx + e.dy),
        devito.Eq(hz.forward, hz + e.dx),
        devito.Eq(e.forward, keep * e + gain * (hx.forward.dy + hz.forward.dx)),
    ]
    drive = source.inject(field=e.forward, expr=-source * gain)
    operator = devito.Operator([*steps, drive, receiver.interpolate(expr=e.forward)])
    return _runner(operator, [e, hx, hz], receiver, problem, threads)


def _media(devito: Any, problem: Problem) -> tuple[Any, Any, Any]:
    grid = devito.Grid(shape=problem.shape, extent=tuple(n - 1.0 for n in problem.shape), dtype=np.float32)
    made = []
    for name in ("keep", "gain"):
        values = getattr(problem.window.media, name).copy()
        values[[0, -1]] = 0.0
        function = devito.Function(name=name, grid=grid)
        function.data[:] = values
        made.append(function)
    return grid, *made


def _points(devito: Any, grid: Any, problem: Problem, series: npt.ArrayLike) -> tuple[Any, Any]:
    source = devito.SparseTimeFunction(name="source", grid=grid, npoint=1, nt=problem.steps)
    source.coordinates.data[:] = problem.source
    source.data[:, 0] = series
    receiver = devito.SparseTimeFunction(name="receiver", grid=grid, npoint=1, nt=problem.steps)
    receiver.coordinates.data[:] = problem.receiver
    return source, receiver


def _runner(operator: Any, fields: list[Any], receiver: Any, problem: Problem, threads: int) -> Run:
    def run() -> Float32:
        operator.apply(time_m=0, time_M=problem.steps - 1, dt=1.0, nthreads=threads)
        return np.asarray(receiver.data[:, 0])

    def from_rest() -> Float32:
        for field in fields:
            field.data[:] = 0.0
        return run()

    from_rest()
    return from_rest
