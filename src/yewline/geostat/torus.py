"""Many fields of one variogram by circulant embedding: two real fields from each complex transform."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy import fft

from yewline.geostat.covariance import VariogramModel
from yewline.geostat.fields import embed

__all__ = ["Buffers", "Torus", "torus_for"]

Array = npt.NDArray[np.float64]

# One complex field of so many cells and its noise are 0.5 GB, once for each thread.
_MOST_CELLS: Final = 16_000_000

# Correlations below this are left to the torus: what `gaussian_field` leaves to it, two exponential ranges away.
_NEGLIGIBLE: Final = 0.0025

# Stricter than for a field that stands alone: near readings little variance is left, and what is clipped adds to it.
_NEGATIVE_SHARE: Final = 1e-4


@dataclass(frozen=True, eq=False, slots=True)
class Torus:
    """A torus on which fields are drawn, and the window of it that is kept.

    Attributes
    ----------
    root : (Y', X') root of the spectrum over the number of cells, in the type of the fields.
    shape : (Y, X) cells of the window.
    """

    root: npt.NDArray[Any]
    shape: tuple[int, int]

    def buffers(self) -> Buffers:
        """Memory for `pair`, one for each thread that calls it."""
        waves = np.empty((*self.root.shape, 2), dtype=self.root.dtype)
        return Buffers(waves, np.empty_like(self.root), np.empty_like(self.root))

    def pair(self, source: np.random.Generator, buffers: Buffers) -> npt.NDArray[Any]:
        """Two independent fields, (Y, X): the real and the imaginary part. They lie in the buffers."""
        rows, columns = self.shape
        waves = buffers.waves.view(np.result_type(self.root, np.complex64))[..., 0]
        if self.root.dtype == np.float32:
            _fill_single(source, buffers)
        else:
            source.standard_normal(out=buffers.waves)
        waves *= self.root
        # Columns outside the window are dropped before the second transform, which is then the shorter by them.
        along = fft.fft(waves, axis=1, overwrite_x=True)[:, :columns]
        return np.asarray(fft.fft(along, axis=0, overwrite_x=True)[:rows])


@dataclass(frozen=True, eq=False, slots=True)
class Buffers:
    """Memory in which a pair of fields is drawn; taken anew for every pair it would cost as much as the noise.

    Attributes
    ----------
    waves : (Y', X', 2) real and imaginary parts.
    size, phase : (Y', X') of a complex number each.
    """

    waves: npt.NDArray[Any]
    size: npt.NDArray[Any]
    phase: npt.NDArray[Any]


def _fill_single(source: np.random.Generator, buffers: Buffers) -> None:
    """Complex normal noise of variance one a part, by size and phase: half the time of drawing both parts.

    Half the square of the size has an exponential distribution, and the phase is even (Box & Muller 1958). In double
    precision sines cost more than they save.
    """
    size, phase, waves = buffers.size, buffers.phase, buffers.waves
    source.standard_exponential(out=size, dtype=np.float32)
    size *= np.float32(2.0)
    np.sqrt(size, out=size)
    source.random(out=phase, dtype=np.float32)
    phase *= np.float32(2.0 * math.pi)
    np.multiply(np.cos(phase, out=waves[..., 0]), size, out=waves[..., 0])
    np.multiply(np.sin(phase, out=waves[..., 1]), size, out=waves[..., 1])


def torus_for(
    model: VariogramModel, shape: tuple[int, int], step_m: tuple[float, float], dtype: npt.DTypeLike
) -> Torus:
    """The torus on which fields of `model` are drawn over a window.

    Parameters
    ----------
    model : variogram; its nugget is left out.
    shape : (Y, X) cells of the window.
    step_m : distance between cells along y and x, m; negative where coordinates fall.
    dtype : float32 or float64.

    Raises
    ------
    InputError : the torus would have too many cells.

    Notes
    -----
    The torus is longer than the window by the distance at which the correlation has fallen below 0.0025, so that no
    covariance within the window is off by more than that, and only between cells that lie farther apart than half the
    torus. Negative parts of the spectrum are handled as in `gaussian_field`, from a share of 1e-4 instead of 1e-3 on.

    Examples
    --------
    >>> model = VariogramModel("spherical", partial_sill=1.0, range_m=5.0)
    >>> torus_for(model, (20, 30), (0.5, 0.5), np.float32).root.shape
    (30, 40)
    """
    reach = _reach(model)
    shortest = [n + math.ceil(r / abs(d)) for n, r, d in zip(shape, reach, step_m, strict=True)]
    _, spectrum = embed(
        shortest,
        lambda padded: _spectrum(model, padded, step_m),
        most_cells=_MOST_CELLS,
        negative_share=_NEGATIVE_SHARE,
    )
    variance = float(spectrum.sum())
    if variance > 0:
        spectrum *= model.partial_sill / variance
    return Torus(np.sqrt(spectrum).astype(dtype), shape)


def _reach(model: VariogramModel) -> tuple[float, float]:
    """How far along y and x the correlation is above what is negligible, m."""
    s, c = math.sin(math.radians(model.azimuth_deg)), math.cos(math.radians(model.azimuth_deg))
    far = model.range_m * np.arange(0.0, 10.0, 0.01)
    covariance = model.covariance(np.outer(far, [s, c]), np.zeros((1, 2)))[:, 0]
    longest = far[np.count_nonzero(covariance > _NEGLIGIBLE * model.partial_sill)]
    return longest * math.hypot(c, model.ratio * s), longest * math.hypot(s, model.ratio * c)


def _spectrum(model: VariogramModel, padded: tuple[int, ...], step_m: tuple[float, float]) -> Array:
    lags = [d * ((np.arange(n) + n // 2) % n - n // 2) for n, d in zip(padded, step_m, strict=True)]
    places = np.stack(np.meshgrid(lags[1], lags[0]), axis=-1).reshape(-1, 2)
    wrapped = model.covariance(places, np.zeros((1, 2))).reshape(padded)
    # Half-way round, +h and −h are one cell of the torus, but not one covariance where axes are turned: their mean.
    opposite = np.roll(wrapped[::-1, ::-1], 1, axis=(0, 1))
    return np.asarray(fft.fft2(0.5 * (wrapped + opposite)).real)
