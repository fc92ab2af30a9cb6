"""Deconvolution and background steps against the same arithmetic with SciPy and NumPy, single precision in and out.

One line of 1,000 traces × 512 samples. What both give is compared before anything is timed. SciPy's median filter knows
no window that stands still at the ends, so that its ends are cut off and only the middle is compared.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
import scipy.fft
import scipy.linalg
import scipy.ndimage
import scipy.signal

from yewline.signal import Section
from yewline.signal.eigen_image import eigen_background
from yewline.signal.sliding_median import sliding_median
from yewline.signal.wavelets import predictive_deconvolution, predictive_deconvolution_by_trace, solve_levinson

TRACES, SAMPLES, DT = 1_000, 512, 0.2
SECTION = Section(interval_ns=DT, spacing_m=0.05, centre_mhz=400.0)
GAP, LAGS = 25, 50
"""Default gap and length at 400 MHz, in samples."""
WINDOW = 101


def line() -> np.ndarray:
    rng = np.random.default_rng(3)
    poles = np.zeros(41)
    poles[0], poles[40] = 1.0, -0.6
    return scipy.signal.lfilter([1.0], poles, rng.standard_normal((TRACES, SAMPLES)), axis=1).astype(np.float32)


def correlations(x: np.ndarray) -> np.ndarray:
    length = scipy.fft.next_fast_len(SAMPLES + GAP + LAGS, real=True)
    spectrum = scipy.fft.rfft(x.astype(np.float64), length, axis=1)
    return scipy.fft.irfft(np.abs(spectrum) ** 2, length, axis=1)[:, : GAP + LAGS]


def operator_of(r: np.ndarray) -> np.ndarray:
    column = r[:LAGS].copy()
    column[0] *= 1.001
    a = scipy.linalg.solve_toeplitz(column, r[GAP:])
    return np.concatenate([[1.0], np.zeros(GAP - 1), -a]).astype(np.float32)


def scipy_line(x: np.ndarray) -> np.ndarray:
    return scipy.signal.lfilter(operator_of(correlations(x).mean(axis=0)), np.ones(1, np.float32), x, axis=1)


def scipy_line_by_transform(x: np.ndarray) -> np.ndarray:
    return scipy.signal.fftconvolve(x, operator_of(correlations(x).mean(axis=0))[None], axes=1)[:, :SAMPLES]


def scipy_traces(x: np.ndarray) -> np.ndarray:
    one = np.ones(1, np.float32)
    return np.stack([scipy.signal.lfilter(operator_of(r), one, row) for row, r in zip(x, correlations(x), strict=True)])


def scipy_median(x: np.ndarray) -> np.ndarray:
    return scipy.ndimage.median_filter(x, size=(WINDOW, 1), mode="nearest")


def scipy_median_by_sample(x: np.ndarray) -> np.ndarray:
    out = np.empty_like(x)
    for i in range(SAMPLES):
        out[:, i] = scipy.ndimage.median_filter(np.ascontiguousarray(x[:, i]), WINDOW, mode="nearest")
    return out


def numpy_median(x: np.ndarray) -> np.ndarray:
    first = np.clip(np.arange(TRACES) - WINDOW // 2, 0, TRACES - WINDOW)
    medians = {start: np.median(x[start : start + WINDOW], axis=0) for start in np.unique(first)}
    return np.stack([medians[start] for start in first])


def scipy_eigen(x: np.ndarray) -> np.ndarray:
    u, s, vt = scipy.linalg.svd(x.astype(np.float64), full_matrices=False)
    return (x - (u[:, :2] * s[:2]) @ vt[:2]).astype(np.float32)


def best_of(ours: Callable[[], Any], peer: Callable[[], Any], repeats: int = 3) -> tuple[float, float]:
    took: tuple[list[float], list[float]] = ([], [])
    for _ in range(repeats):
        for call, times in zip((ours, peer), took, strict=True):
            start = time.perf_counter()
            call()
            times.append(time.perf_counter() - start)
    return min(took[0]), min(took[1])


def run() -> list[dict[str, Any]]:
    x = line()
    r = correlations(x)
    systems = r[:, :LAGS] * np.where(np.arange(LAGS) == 0, 1.001, 1.0)
    right = np.ascontiguousarray(r[:, GAP:])
    middle = slice(WINDOW // 2, TRACES - WINDOW // 2)
    every = slice(None)
    cases: list[tuple[str, Callable[[], Any], str, Callable[[], Any], str, slice]] = [
        (
            "predictive deconvolution, one operator",
            lambda: predictive_deconvolution(x, SECTION),
            "SciPy, whole-array lfilter",
            lambda: scipy_line(x),
            ">= 1.5 x",
            every,
        ),
        (
            "predictive deconvolution, one operator",
            lambda: predictive_deconvolution(x, SECTION),
            "SciPy, fftconvolve",
            lambda: scipy_line_by_transform(x),
            ">= 1 x",
            every,
        ),
        (
            "predictive deconvolution, an operator a trace",
            lambda: predictive_deconvolution_by_trace(x, SECTION),
            "SciPy, trace by trace",
            lambda: scipy_traces(x),
            ">= 3 x",
            every,
        ),
        (
            "1,000 Toeplitz systems of 50",
            lambda: solve_levinson(systems, right),
            "SciPy's solve_toeplitz",
            lambda: np.stack([scipy.linalg.solve_toeplitz(c, y) for c, y in zip(systems, right, strict=True)]),
            ">= 3 x",
            every,
        ),
        (
            "sliding median over 101 traces",
            lambda: sliding_median(x, WINDOW),
            "SciPy's median_filter, whole array",
            lambda: scipy_median(x),
            ">= 2 x",
            middle,
        ),
        (
            "sliding median over 101 traces",
            lambda: sliding_median(x, WINDOW),
            "SciPy's median_filter, sample by sample",
            lambda: scipy_median_by_sample(x),
            ">= 1 x",
            middle,
        ),
        (
            "sliding median over 101 traces",
            lambda: sliding_median(x, WINDOW),
            "NumPy, window by window",
            lambda: numpy_median(x),
            ">= 10 x",
            every,
        ),
        (
            "two eigen-images",
            lambda: eigen_background(x, SECTION, components=2),
            "SciPy's thin SVD",
            lambda: scipy_eigen(x),
            ">= 2 x",
            every,
        ),
    ]
    rows = []
    for name, ours, peer, theirs, target, compared in cases:
        a, b = ours()[compared], theirs()[compared]
        if np.abs(a - b).max() > 1e-5 * np.abs(b).max():
            raise AssertionError(f"{name} and {peer} differ by {np.abs(a - b).max() / np.abs(b).max():.2g} of the peak")
        ours_s, peer_s = best_of(ours, theirs)
        rows.append(
            {
                "name": f"{name}: 1,000 × 512",
                "ours_s": ours_s,
                "unit": "s",
                "peer": peer,
                "peer_s": peer_s,
                "ratio": peer_s / ours_s,
                "target": target,
            }
        )
    return rows
