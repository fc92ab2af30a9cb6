"""Products of two pictures at many lags: the one loop that all comparisons of neighbouring lines share."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from yewline._compiled import njit

__all__ = ["lag_products", "lag_products_plain"]

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
Known = npt.NDArray[np.bool_]


@njit(cache=True, nogil=True, fastmath=False)
def lag_products(a: F32, b: F32, known_a: Known, known_b: Known, most: int) -> F64:  # pragma: no cover - compiled
    """Sums over time of a·b, a² and b² at each station and lag.

    Parameters
    ----------
    a, b : (N, K) pictures.
    known_a, known_b : (N,) stations where they are known.
    most : largest lag, in stations.

    Returns
    -------
    (3, 2·most + 1, N): at lag m, station n of `a` stands beside station n + m of `b`; 0 where either is not known.
    """
    n, k = a.shape
    out = np.zeros((3, 2 * most + 1, n))
    size_a, size_b = np.zeros(n), np.zeros(n)
    for i in range(n):
        sa, sb = 0.0, 0.0
        for t in range(k):
            sa += a[i, t] * a[i, t]
            sb += b[i, t] * b[i, t]
        size_a[i], size_b[i] = sa, sb
    for lag in range(-most, most + 1):
        for i in range(max(0, -lag), min(n, n - lag)):
            if known_a[i] and known_b[i + lag]:
                # Four partial sums let the compiler use vectors without being told that sums may be regrouped.
                s0, s1, s2, s3 = np.float32(0), np.float32(0), np.float32(0), np.float32(0)
                whole = k - k % 4
                for t in range(0, whole, 4):
                    s0 += a[i, t] * b[i + lag, t]
                    s1 += a[i, t + 1] * b[i + lag, t + 1]
                    s2 += a[i, t + 2] * b[i + lag, t + 2]
                    s3 += a[i, t + 3] * b[i + lag, t + 3]
                for t in range(whole, k):
                    s0 += a[i, t] * b[i + lag, t]
                out[0, lag + most, i] = (s0 + s1) + (s2 + s3)
                out[1, lag + most, i] = size_a[i]
                out[2, lag + most, i] = size_b[i + lag]
    return out


def lag_products_plain(a: F32, b: F32, known_a: Known, known_b: Known, most: int) -> F64:
    """The same as `lag_products` in plain NumPy."""
    n = len(a)
    out = np.zeros((3, 2 * most + 1, n))
    size_a, size_b = ((v.astype(np.float64) ** 2).sum(axis=1) for v in (a, b))
    for lag in range(-most, most + 1):
        here = slice(max(0, -lag), max(0, min(n, n - lag)))
        there = slice(here.start + lag, here.stop + lag)
        both = known_a[here] & known_b[there]
        out[0, lag + most, here] = np.where(both, (a[here] * b[there]).sum(axis=1), 0.0)
        out[1, lag + most, here] = np.where(both, size_a[here], 0.0)
        out[2, lag + most, here] = np.where(both, size_b[there], 0.0)
    return out
