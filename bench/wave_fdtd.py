"""The same problem in the general-purpose NumPy package `fdtd`, which steps all six field components of Maxwell's."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from types import ModuleType

import numpy as np
import numpy.typing as npt

from bench.wave_problem import FASTEST_PERMITTIVITY, Problem

Float32 = npt.NDArray[np.float32]


def fdtd_module() -> ModuleType | None:
    try:
        return importlib.import_module("fdtd")
    except ImportError:
        return None


def run_of(fdtd: ModuleType, problem: Problem) -> Callable[[], Float32]:
    """All steps, in single precision as ours; its time step is that of its fastest material, so ours is put to 1."""
    relative = problem.permittivity[:, :, None] / FASTEST_PERMITTIVITY
    grid = fdtd.Grid((*problem.shape, 1), grid_spacing=1.0, permittivity=relative, courant_number=problem.courant)
    grid.E, grid.H = grid.E.astype(np.float32), grid.H.astype(np.float32)
    grid.inverse_permittivity = grid.inverse_permittivity.astype(np.float32)
    grid.inverse_permeability = grid.inverse_permeability.astype(np.float32)
    gain = float(problem.window.media.gain[problem.source])

    def run() -> Float32:
        grid.E[...] = 0.0
        grid.H[...] = 0.0
        heard = np.zeros(problem.steps, np.float32)
        for step in range(problem.steps):
            grid.update_E()
            grid.E[(*problem.source, 0, 2)] -= gain * problem.drive[step]
            heard[step] = grid.E[(*problem.receiver, 0, 2)]
            grid.update_H()
        return heard

    return run
