"""Samples of traces to means over depth bins: a compiled kernel and its plain twin."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_positive
from yewline._compiled import njit
from yewline.errors import InputError

__all__ = ["depth_bins", "depth_bins_plain"]

_SHARE: Final = 0.5 - 1e-9
"""A bin counts where at least half of its thickness was recorded; a piece where half of its traces were."""


def depth_bins(
    strength: npt.NDArray[np.float32],
    depth_m: npt.NDArray[np.float64],
    piece: npt.NDArray[np.int64],
    *,
    n_pieces: int,
    step_m: float,
    n_bins: int,
    row: npt.NDArray[np.int64] | None = None,
) -> npt.NDArray[np.float32]:
    """Mean strength in each depth bin, averaged over the traces of each piece.

    Parameters
    ----------
    strength : (T, S) envelope; NaN where there is none.
    depth_m : (R, S) depth of each sample, from 0 down and never decreasing along a row; NaN where it has none.
    piece : (T,) the piece that each trace belongs to.
    n_pieces, step_m, n_bins : N pieces; bin k reaches from k·step_m to (k + 1)·step_m.
    row : (T,) the row of `depth_m` that each trace takes; if left out there is one row for each trace.

    Returns
    -------
    (N, Z) means; NaN where less than half of a bin, or of a piece's traces, was recorded.

    Raises
    ------
    InputError : shapes do not fit, or a piece number is out of range.

    Notes
    -----
    Samples are joined by straight lines and this curve f is averaged exactly over each bin, ∫ f(z) dz / ∫ dz over the
    recorded part of the bin. Where samples are dense this is the mean of the samples in the bin, where they are
    sparse it is linear interpolation, and nothing is added beyond the recorded window.

    Examples
    --------
    >>> line = np.array([[0, 1, 2, 3]], np.float32)
    >>> depth_bins(line, line.astype(float), np.zeros(1, np.int64), n_pieces=1, step_m=1.0, n_bins=4).tolist()
    [[0.5, 1.5, 2.5, nan]]
    """
    rows = _check_bins(strength, depth_m, piece, row, (n_pieces, step_m, n_bins))
    out: npt.NDArray[np.float32] = _depth_bins(
        np.ascontiguousarray(strength, np.float32),
        np.ascontiguousarray(depth_m, np.float64),
        rows,
        piece,
        n_pieces,
        float(step_m),
        n_bins,
    )
    return out


def _check_bins(
    strength: npt.NDArray[np.float32],
    depth_m: npt.NDArray[np.float64],
    piece: npt.NDArray[np.int64],
    row: npt.NDArray[np.int64] | None,
    sizes: tuple[int, float, int],
) -> npt.NDArray[np.int64]:
    n_pieces, step_m, n_bins = sizes
    check_array(strength, "strength", ndim=2, dtype=np.float32, finite=False)
    check_positive(step_m, "step_m")
    check_positive(n_bins, "n_bins")
    rows = np.arange(len(strength)) if row is None else np.asarray(row, np.int64)
    fits = depth_m.ndim == 2 and depth_m.shape[1] == strength.shape[1] and len(depth_m) > rows.max(initial=0)
    if not (fits and piece.shape == rows.shape == strength.shape[:1] and rows.min() >= 0):
        raise InputError(
            "depth_m, row and piece must fit strength",
            received=f"{depth_m.shape}, {rows.shape} and {piece.shape} for {strength.shape}",
        )
    if piece.min() < 0 or piece.max() >= n_pieces:
        raise InputError(f"piece must lie between 0 and {n_pieces - 1}", received=f"{piece.min()} to {piece.max()}")
    return rows


@njit(cache=True, nogil=True)
def _depth_bins(
    strength: npt.NDArray[np.float32],
    depth: npt.NDArray[np.float64],
    row: npt.NDArray[np.int64],
    piece: npt.NDArray[np.int64],
    n_pieces: int,
    step: float,
    n_bins: int,
) -> npt.NDArray[np.float32]:
    n_traces, n_samples = strength.shape
    total = np.zeros((n_pieces, n_bins))
    seen = np.zeros((n_pieces, n_bins), np.int64)
    traces = np.zeros(n_pieces, np.int64)
    area = np.empty(n_bins)
    length = np.empty(n_bins)
    for t in range(n_traces):
        area[:] = 0.0
        length[:] = 0.0
        at, r = 0, row[t]
        for s in range(n_samples - 1):
            f0, f1 = float(strength[t, s]), float(strength[t, s + 1])
            z0, z1 = depth[r, s], depth[r, s + 1]
            # Written so that NaN in a depth or a value fails the test and the interval is passed over.
            if not (z1 > z0 and math.isfinite(f0) and math.isfinite(f1)):
                continue
            while at < n_bins and (at + 1) * step <= z0:
                at += 1
            if at == n_bins:
                break
            if z1 <= (at + 1) * step:
                # The common case of dense samples, kept free of divisions.
                area[at] += (z1 - z0) * 0.5 * (f0 + f1)
                length[at] += z1 - z0
                continue
            slope = (f1 - f0) / (z1 - z0)
            k = at
            while k < n_bins and k * step < z1:
                a, b = max(z0, k * step), min(z1, (k + 1) * step)
                area[k] += (b - a) * (f0 + slope * (0.5 * (a + b) - z0))
                length[k] += b - a
                k += 1
        p = piece[t]
        traces[p] += 1
        for k in range(n_bins):
            if length[k] >= _SHARE * step:
                total[p, k] += area[k] / length[k]
                seen[p, k] += 1
    out = np.full((n_pieces, n_bins), np.nan, np.float32)
    for p in range(n_pieces):
        for k in range(n_bins):
            if seen[p, k] > 0 and seen[p, k] >= _SHARE * traces[p]:
                out[p, k] = total[p, k] / seen[p, k]
    return out


def depth_bins_plain(
    strength: npt.NDArray[np.float32],
    depth_m: npt.NDArray[np.float64],
    piece: npt.NDArray[np.int64],
    *,
    n_pieces: int,
    step_m: float,
    n_bins: int,
    row: npt.NDArray[np.int64] | None = None,
) -> npt.NDArray[np.float32]:
    """The twin of `depth_bins` in plain NumPy: bin means as differences of the curve's running integral.

    Examples
    --------
    >>> line = np.array([[0, 1, 2, 3]], np.float32)
    >>> depth_bins_plain(line, line.astype(float), np.zeros(1, np.int64), n_pieces=1, step_m=1.0, n_bins=4).tolist()
    [[0.5, 1.5, 2.5, nan]]
    """
    rows = _check_bins(strength, depth_m, piece, row, (n_pieces, step_m, n_bins))
    edges = np.float64(step_m) * np.arange(n_bins + 1, dtype=np.float64)
    means = np.array([_bin_means(f, z, edges) for f, z in zip(strength.astype(float), depth_m[rows], strict=True)])
    covered = np.isfinite(means)
    out = np.full((n_pieces, n_bins), np.nan, np.float32)
    for p in range(n_pieces):
        own = piece == p
        seen = covered[own].sum(axis=0)
        keep = (seen > 0) & (seen >= _SHARE * own.sum())
        out[p, keep] = (np.where(covered[own], means[own], 0.0).sum(axis=0)[keep] / seen[keep]).astype(np.float32)
    return out


def _bin_means(
    f: npt.NDArray[np.float64], z: npt.NDArray[np.float64], edges: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    good = (z[1:] > z[:-1]) & np.isfinite(f[1:]) & np.isfinite(f[:-1])
    z0, z1, f0, f1 = z[:-1][good], z[1:][good], f[:-1][good], f[1:][good]
    a = np.clip(edges[:-1, None], z0, z1)
    b = np.clip(edges[1:, None], z0, z1)
    length = (b - a).sum(axis=1)
    area = ((b - a) * (f0 + (f1 - f0) / (z1 - z0) * (0.5 * (a + b) - z0))).sum(axis=1)
    enough = length >= _SHARE * np.diff(edges)
    return np.where(enough, area / np.where(enough, length, 1.0), np.nan)
