"""What a window and its shifted copy have in common: its share, and the mean of a field over it, for any shift."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from yewline.accuracy.window import Window

__all__ = ["Overlap"]

Array = npt.NDArray[np.float64]

_CELLS = 96  # along the longer side: fields of distance are smooth, and 96 cells hold means over an overlap to 1 %


class Overlap:
    """Correlations of a window with itself and with fields over it, by Fourier transform on a lattice.

    For a shift v, the overlap is the part of the window W that W + v also covers. All shifts are answered from one
    transform: Σ f(z) 1_W(z) 1_W(z − v).
    """

    def __init__(self, window: Window) -> None:
        x0, y0, x1, y1 = window.bounds
        self._cell = max(x1 - x0, y1 - y0) / _CELLS
        x = np.arange(x0 + self._cell / 2, x1 + self._cell / 2, self._cell)
        y = np.arange(y0 + self._cell / 2, y1 + self._cell / 2, self._cell)
        grid = np.stack(np.meshgrid(x, y), axis=-1)
        self._inside = window.contains(grid).reshape(grid.shape[:2])
        self._points = grid[self._inside]
        self._shape = (2 * len(y), 2 * len(x))
        self._spectrum = np.conj(np.fft.rfft2(self._inside.astype(np.float64), self._shape))
        self._common = self._correlate(self._inside.astype(np.float64))

    def share(self, shifts: Array) -> Array:
        """Share of the window (n,) that is left in common with its copy shifted by each of `shifts` (n, 2)."""
        return self._at(self._common, shifts) / self._common[0, 0]

    def mean_nearest(self, targets: Array, shifts: Array) -> Array:
        """Mean distance (n,) to the nearest of `targets`, over the overlap at each of `shifts` (n, 2)."""
        field = np.zeros(self._inside.shape)
        field[self._inside] = cKDTree(targets).query(self._points)[0]
        return self._at(self._correlate(field), shifts) / self._at(self._common, shifts)

    def _correlate(self, field: Array) -> Array:
        return np.asarray(np.fft.irfft2(np.fft.rfft2(field, self._shape) * self._spectrum, self._shape))

    def _at(self, lattice: Array, shifts: Array) -> Array:
        steps = shifts / self._cell
        low = np.floor(steps).astype(np.intp)
        part = steps - low
        rows, columns = lattice.shape
        total = np.zeros(len(shifts))
        for dx in (0, 1):
            for dy in (0, 1):
                weight = np.abs(1 - dx - part[:, 0]) * np.abs(1 - dy - part[:, 1])
                total += weight * lattice[(low[:, 1] + dy) % rows, (low[:, 0] + dx) % columns]
        return total
