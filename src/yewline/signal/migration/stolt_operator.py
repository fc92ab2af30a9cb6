"""Stolt's migration as a linear operator with its exact transpose, in single or double precision."""

from __future__ import annotations

import math
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from scipy import fft, sparse

from yewline._check import check_in_range, check_velocity
from yewline.errors import InputError
from yewline.signal.migration.operators import MigrationOperator
from yewline.signal.migration.stolt import OVERSAMPLING, WIDTH, default_pad_m, window_shape
from yewline.signal.section import Section

__all__ = ["stolt_operator"]

Real = npt.NDArray[Any]
Complex = npt.NDArray[np.complexfloating[Any, Any]]


def stolt_operator(
    section: Section,
    shape: tuple[int, int],
    velocity_m_per_ns: float,
    *,
    pad_m: float | None = None,
    precision: Literal["single", "double"] = "single",
) -> MigrationOperator:
    """Stolt's migration, and the modelling that is its exact transpose.

    Parameters
    ----------
    section : sample interval and trace spacing.
    shape : (T, S) of the traces, and of the image.
    velocity_m_per_ns : wave velocity, m/ns.
    pad_m : silent ground beyond the line's end, m; left out, the farthest that an event can move.
    precision : of numbers.

    Returns
    -------
    MigrationOperator: `adjoint` is `migrate_stolt` without a taper, `apply` its transpose.

    Raises
    ------
    InputError : no trace spacing, or values out of range.

    Notes
    -----
    The change of variable ω → Ω is one sparse matrix for each wavenumber, 8 entries a row, and the transpose uses the
    same matrix: made when it is needed, so that memory does not grow with traces × samples × 8.

    References
    ----------
    Stolt 1978, Geophysics 43:23–48. Claerbout 1992, Earth Soundings Analysis (dot-product test).

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=200.0)
    >>> stolt_operator(section, (20, 32), 0.1).shape
    (640, 640)
    """
    traces, samples = shape
    speed = check_velocity(velocity_m_per_ns, "velocity_m_per_ns")
    if section.spacing_m <= 0:
        raise InputError("migration needs the trace spacing", received=f"{section.spacing_m:g} m")
    pad = default_pad_m(section, samples, speed) if pad_m is None else check_in_range(pad_m, "pad_m", 0.0, 1_000.0)
    n_x = fft.next_fast_len(traces + math.ceil(pad / section.spacing_m))
    length = 2 * fft.next_fast_len(math.ceil(OVERSAMPLING * samples / 2) + WIDTH, real=True)
    middle = samples // 2
    dtype = np.dtype(np.float32 if precision == "single" else np.float64)
    weight = _equaliser(samples, length).astype(dtype)
    per_bin = 0.5 * speed * length * section.interval_ns / (n_x * section.spacing_m)

    def mapped(spectrum: Complex, transposed: bool) -> Complex:
        out = np.empty_like(spectrum)
        for j in range(n_x // 2 + 1):
            matrix = _change(per_bin * j, length, middle).astype(spectrum.dtype)
            used = matrix.conj().T if transposed else matrix
            for row in {j, (n_x - j) % n_x}:
                out[row] = used @ spectrum[row]
        return out

    def migrate(data: Real) -> Real:
        centred = np.zeros((traces, length), dtype)
        centred[:, : samples - middle] = data[:, middle:] * weight[middle:]
        centred[:, length - middle :] = data[:, :middle] * weight[:middle]
        spectrum = mapped(fft.fft(fft.fft(centred, axis=1), n_x, axis=0), False)
        image = fft.ifft(fft.ifft(spectrum, axis=0)[:traces], axis=1).real[:, :samples]
        return np.ascontiguousarray(image, dtype=dtype)

    def model(image: Real) -> Real:
        # ifft's transpose is fft over its length, and the other way about: the lengths cancel.
        spectrum = mapped(fft.fft(fft.fft(image, length, axis=1), n_x, axis=0), True)
        centred = fft.ifft(fft.ifft(spectrum, axis=0)[:traces], axis=1).real
        data = np.concatenate([centred[:, length - middle :], centred[:, : samples - middle]], axis=1)
        return np.ascontiguousarray(data * weight, dtype=dtype)

    return MigrationOperator(shape, shape, dtype, model, migrate)


def _change(lateral: float, length: int, middle: int) -> Any:
    """Sparse (M, M): the spectrum over Ω from that over ω, for v·k/2 = `lateral` bins."""
    n = fft.fftfreq(length, 1.0 / length)
    bins = np.sign(n) * np.sqrt(n * n + lateral * lateral)
    # Vertical frequency zero has no sign: only the level of the record, at wavenumber zero, lands there.
    use = (np.abs(bins) <= length // 2) & ((n != 0) | (lateral == 0))
    row = np.flatnonzero(use)
    at = bins[row]
    base = np.floor(at).astype(np.int64)
    near = base[:, None] + np.arange(-WIDTH // 2 + 1, WIDTH // 2 + 1)
    inside = np.maximum(1.0 - (2.0 * (at[:, None] - near) / WIDTH) ** 2, 0.0)
    window = np.i0(window_shape() * np.sqrt(inside)) / np.i0(window_shape())
    # The window ends half its width away: what lies there exactly counts for nothing on either side.
    window[np.abs(at[:, None] - near) >= WIDTH / 2] = 0.0
    slope = np.ones(len(row)) if lateral == 0 else n[row] / at
    turn = slope * np.exp(-2j * np.pi * at * middle / length)
    values = window * turn[:, None]
    rows = np.repeat(row, WIDTH)
    return sparse.csr_array((values.ravel(), (rows, (near % length).ravel())), shape=(length, length))


def _equaliser(samples: int, length: int) -> npt.NDArray[np.float64]:
    """(S,) one over the window's transform at each sample."""
    place = (np.arange(samples) - samples // 2) / length
    root = np.sqrt(window_shape() ** 2 - (math.pi * WIDTH * place) ** 2)
    return np.asarray(np.i0(window_shape()) * root / (WIDTH * np.sinh(root)), np.float64)
