"""NumPy twins of the compiled kernels: what each means, in whole-array operations."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = [
    "correlate_lags",
    "largest_swing",
    "mean_about",
    "running_mean",
    "second_order_sections",
    "shift_traces",
    "sliding_mean",
    "stolt_map",
]

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
C64 = npt.NDArray[np.complex64]
Index = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


def running_mean(x: F32, half: int) -> F32:
    """Mean over the samples i−half … i+half that exist, for each trace."""
    n = x.shape[1]
    total = np.concatenate([np.zeros((len(x), 1)), np.cumsum(x, axis=1, dtype=np.float64)], axis=1)
    high = np.minimum(np.arange(n) + half + 1, n)
    low = np.maximum(np.arange(n) - half, 0)
    return ((total[:, high] - total[:, low]) / (high - low)).astype(np.float32)


def sliding_mean(x: F32, count: int) -> F32:
    """Mean over `count` neighbouring traces, at most all of them; at both ends of the line the window stands still."""
    n = len(x)
    first = np.clip(np.arange(n) - count // 2, 0, n - count)
    total = np.zeros((n + 1, x.shape[1]))
    np.cumsum(x, axis=0, dtype=np.float64, out=total[1:])
    return ((total[first + count] - total[first]) / count).astype(np.float32)


def second_order_sections(x: F32, sos: F64, steady: F64, pad: int) -> F32:
    """Forward and backward pass of recursive sections over each trace, its ends extended by odd reflection."""
    n = x.shape[1]
    ends = x.astype(np.float64)
    left = 2 * ends[:, :1] - ends[:, pad:0:-1]
    right = 2 * ends[:, -1:] - ends[:, n - 2 : n - 2 - pad if n - 2 - pad >= 0 else None : -1]
    y = np.concatenate([left, ends, right], axis=1) if pad else ends
    for _ in range(2):
        first = y[:, 0].copy()
        for s, (b0, b1, b2, _one, a1, a2) in enumerate(sos):
            z = np.empty_like(y)
            x1 = x2 = steady[s] * first
            y1 = y2 = steady[s + 1] * first
            for i in range(y.shape[1]):
                z[:, i] = b0 * y[:, i] + b1 * x1 + b2 * x2 - a1 * y1 - a2 * y2
                x2, x1 = x1, y[:, i]
                y2, y1 = y1, z[:, i]
            y = z
        y = y[:, ::-1]
    return np.ascontiguousarray(y[:, pad : pad + n], dtype=np.float32)


def largest_swing(x: F32, stop: int) -> tuple[Index, F32]:
    """Place and size of the largest departure from its mean in the first `stop` samples of each trace."""
    early = x[:, :stop]
    swing = np.abs(early - early.mean(axis=1, dtype=np.float64, keepdims=True).astype(np.float32))
    return swing.argmax(axis=1), swing.max(axis=1)


def mean_about(x: F32, centre: Index, use: Flags, before: int, after: int) -> F64:
    """Mean of the used traces from `before` samples ahead of `centre` to `after` behind, each scaled to one."""
    n = x.shape[1]
    at = centre[use, None] + np.arange(-before, after + 1)
    part = np.where((at >= 0) & (at < n), np.take_along_axis(x[use], np.clip(at, 0, n - 1), axis=1), np.float32(0.0))
    size = np.abs(part).max(axis=1, keepdims=True)
    mean: F64 = (part / np.where(size > 0, size, 1.0)).sum(axis=0, dtype=np.float64) / max(len(part), 1)
    return mean


def correlate_lags(x: F32, centre: Index, reference: F32, lags: int) -> F32:
    """Normalised correlation of each trace with `reference` at lags −lags … lags about `centre`."""
    n, width = x.shape[1], len(reference)
    at = centre[:, None] - width // 2 - lags + np.arange(width + 2 * lags)
    inside = (at >= 0) & (at < n)
    part = np.where(inside, np.take_along_axis(x, np.clip(at, 0, n - 1), axis=1), np.float32(0.0))
    windows = np.lib.stride_tricks.sliding_window_view(part, width, axis=1)
    square = np.einsum("tlw,tlw->tl", windows, windows)
    energy = square - windows.sum(axis=2) ** 2 / width
    good = energy > 1e-6 * square
    out: F32 = np.where(good, windows @ reference / np.sqrt(np.where(good, energy, 1.0)), 0.0).astype(np.float32)
    return out


def shift_traces(x: F32, whole: Index, weights: F32) -> F32:
    """out[t, i] = Σ_j weights[t, j] · x[t, i + whole[t] + j − 3], zero outside the record."""
    n = x.shape[1]
    out = np.zeros_like(x)
    for j in range(weights.shape[1]):
        at = np.arange(n) + (whole[:, None] + j - 3)
        inside = (at >= 0) & (at < n)
        out += weights[:, j : j + 1] * np.where(inside, np.take_along_axis(x, np.clip(at, 0, n - 1), axis=1), 0)
    return out


def stolt_map(spectrum: C64, lateral: F64, table: F32, n_time: int, centre: int) -> None:
    """Stolt's change of variable from frequency to vertical frequency, for all horizontal wavenumbers, in place."""
    n_x, n_freq = spectrum.shape
    mirror = -np.arange(n_x) % n_x
    conjugate = spectrum[mirror].conj()
    extended = np.concatenate([conjugate[:, 4:0:-1], spectrum, conjugate[:, n_freq - 2 : n_freq - 6 : -1]], axis=1)
    k = np.arange(n_freq)
    rows = lateral[np.minimum(np.arange(n_x), mirror)]
    bins = np.sqrt(k**2 + rows[:, None] ** 2)
    inside = bins <= n_freq - 1
    bins = np.where(inside, bins, 0.0)
    low = np.floor(bins).astype(np.int64)
    place = (bins - low) * (len(table) - 1)
    entry = np.floor(place).astype(np.int64)
    share = (place - entry).astype(np.float32)
    total = np.zeros((n_x, n_freq), np.complex64)
    for i in range(table.shape[1]):
        weight = table[entry, i] + share * (table[entry + 1, i] - table[entry, i])
        total += weight * np.take_along_axis(extended, low + 1 + i, axis=1)
    slope = np.where(bins > 0, k / np.maximum(bins, 1e-30), rows[:, None] == 0)
    phase = np.exp(-2j * np.pi * (bins * centre / n_time % 1.0))
    spectrum[:] = np.where(inside, total * slope * phase, 0)
