"""The same kernel in C, compiled on the spot from wave_kernel.c."""

from __future__ import annotations

import ctypes
import shutil
import subprocess
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from bench.wave_problem import Problem, State

FLAGS = ("-O3", "-march=native", "-fopenmp", "-ffast-math", "-shared", "-fPIC")
Pointer, Whole = ctypes.c_void_p, ctypes.c_int64


class _Grid(ctypes.Structure):
    _fields_ = [
        *((name, Whole) for name in ("nx", "nz", "n")),
        *((name, Pointer) for name in ("e", "hx", "hz", "psi_hx", "psi_ez", "psi_hz", "psi_ex", "keep", "gain")),
        *((name, Pointer) for name in ("down", "up", "along", "back")),
    ]


class _Points(ctypes.Structure):
    _fields_ = [*((name, Pointer) for name in ("first", "k", "which", "weight", "series")), ("steps", Whole)]


class Prepared:
    """A problem's own arrays for C: each begins where a line of the cache does, whatever ours do."""

    def __init__(self, library: ctypes.CDLL, problem: Problem, state: State) -> None:
        self.library, self.steps = library, problem.steps
        window, grid = problem.window, problem.window.grid
        self.fields = [_in_lines(part) for part in state.fields[:7]]
        self.held: list[Any] = [_in_lines(part) for part in (window.media.keep, window.media.gain, *grid.absorber)]
        pointers = [part.ctypes.data for part in (*self.fields, *self.held)]
        self.grid = _Grid(*problem.shape, grid.edges.cells, *pointers)
        self.heard_series = state.receivers.series.copy()
        self.sources = _points(state.sources, state.sources.series, self.steps)
        self.receivers = _points(state.receivers, self.heard_series, self.steps)
        self.held += [state.sources, state.receivers]

    def heard(self) -> npt.NDArray[np.float32]:
        return self.heard_series[0].copy()

    def rest(self) -> None:
        for part in (*self.fields, self.heard_series):
            part[...] = 0.0

    def step(self, depth: int, width: int | None = None, threads: int = 2) -> None:
        """As `wave_problem.step_ours`."""
        grid, sources, receivers = (ctypes.byref(part) for part in (self.grid, self.sources, self.receivers))
        if width is None:
            self.library.advance(grid, self.steps, depth, sources, receivers)
        else:
            self.library.advance_parallel(grid, self.steps, depth, width, threads, sources, receivers)


@cache
def kernel() -> ctypes.CDLL | None:
    """The compiled kernel; None where there is no compiler, or one without OpenMP."""
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None:
        return None
    folder = Path(tempfile.mkdtemp())
    try:
        target = folder / "wave_kernel.so"
        source = Path(__file__).with_name("wave_kernel.c")
        done = subprocess.run([compiler, *FLAGS, "-o", target, source], capture_output=True, check=False)
        if done.returncode:
            return None
        library = ctypes.CDLL(str(target))
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    library.advance.argtypes = [Pointer, Whole, Whole, Pointer, Pointer]
    library.advance_parallel.argtypes = [Pointer, Whole, Whole, Whole, ctypes.c_int, Pointer, Pointer]
    library.advance.restype = library.advance_parallel.restype = None
    return library


def _in_lines(values: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    whole = np.zeros(values.nbytes + 64, np.uint8)
    first = -whole.ctypes.data % 64
    copy = whole[first : first + values.nbytes].view(values.dtype).reshape(values.shape)
    copy[...] = values
    return copy


def _points(points: Any, series: npt.NDArray[np.float32], steps: int) -> _Points:
    return _Points(
        *(part.ctypes.data for part in (points.first, points.k, points.which, points.weight)), series.ctypes.data, steps
    )
