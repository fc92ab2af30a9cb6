"""Dips and attributes of one line against SciPy's whole-array operations: same numbers, same type, one thread.

A line of 600 traces × 512 samples. What the peers give is compared with ours before anything is timed.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
import scipy.fft
from scipy.ndimage import uniform_filter1d

from yewline.signal import Section
from yewline.signal.attributes import low_amplitude, similarity, truncation
from yewline.signal.dips import dip_filter, find_air_waves
from yewline.signal.dips.air_grid import AirGrid
from yewline.signal.dips.kernels_plain import stack_along

SECTION = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0, separation_m=0.16)
SHAPE = (600, 512)
DIPS = 10.0


def line() -> np.ndarray:
    return np.random.default_rng(0).standard_normal(SHAPE).astype(np.float32)


def semblance_scipy(x: np.ndarray) -> np.ndarray:
    total = uniform_filter1d(x, 5, axis=0) * 5
    power = uniform_filter1d(total * total, 15, axis=1)
    return power / (5 * uniform_filter1d(uniform_filter1d(x * x, 5, axis=0) * 5, 15, axis=1))


def semblance_dips_numpy(x: np.ndarray, dips: np.ndarray) -> np.ndarray:
    """Neighbours read late by interpolation on whole arrays, one dip after another."""
    best = np.zeros_like(x)
    samples = np.arange(x.shape[1])
    for dip in dips:
        total, square = np.zeros_like(x), np.zeros_like(x)
        for d in range(-2, 3):
            place = np.clip(samples + dip * 0.05 * d / 0.25, 0, x.shape[1] - 1)
            low = np.minimum(place.astype(np.int64), x.shape[1] - 2)
            share = (place - low).astype(np.float32)
            late = x[:, low] * (1 - share) + x[:, low + 1] * share
            here = slice(max(0, -d), len(x) - max(0, d))
            there = late[max(0, d) : len(x) + min(0, d)]
            total[here] += there
            square[here] += there * there
        power, powers = uniform_filter1d(total * total, 15, axis=1), uniform_filter1d(square, 15, axis=1)
        np.maximum(best, power / np.maximum(5 * powers, 1e-14), out=best)
    return best


def fan_scipy(x: np.ndarray) -> np.ndarray:
    """The same padding and weights by SciPy's transform of both axes and the weights in full."""
    n, m = (min(max(SHAPE[0] // 2, 32), 400), max(SHAPE[1] // 2, 32))
    rise_x, rise_t = (0.5 - 0.5 * np.cos(np.pi * (np.arange(k) + 0.5) / k) for k in (n, m))
    held = np.pad(x, ((n, n), (m, m)), mode="symmetric")
    held *= np.concatenate([rise_x, np.ones(SHAPE[0]), rise_x[::-1]]).astype(np.float32)[:, None]
    held *= np.concatenate([rise_t, np.ones(SHAPE[1]), rise_t[::-1]]).astype(np.float32)
    k = -np.fft.fftfreq(held.shape[0], 0.05)[:, None]
    f = np.fft.rfftfreq(held.shape[1], 0.25)[None]
    with np.errstate(divide="ignore", invalid="ignore"):
        dip = np.abs(np.nan_to_num(k / f, nan=0.0, posinf=np.inf, neginf=np.inf))
    weight = np.where(dip >= 40.0, 1.0, 0.5 - 0.5 * np.cos(np.pi * np.clip((dip - 32.0) / 8.0, 0, 1)))
    spectrum = scipy.fft.fft(scipy.fft.rfft(held, axis=1), axis=0)
    fan = scipy.fft.irfft(scipy.fft.ifft(spectrum * weight, axis=0), held.shape[1], axis=1)
    return x - fan[n : n + SHAPE[0], m : m + SHAPE[1]].astype(np.float32)


def run() -> list[dict[str, Any]]:
    x = line()
    inside = (slice(2, -2), slice(7, -7))
    dips = np.linspace(-DIPS, DIPS, 2 * 4 + 1)
    assert np.abs(similarity(x, SECTION) - semblance_scipy(x))[inside].max() < 1e-4
    tilted = similarity(x, SECTION, highest_dip_ns_per_m=DIPS)
    assert np.abs(tilted - semblance_dips_numpy(x, dips))[inside].max() < 1e-4
    assert np.abs(dip_filter(x, SECTION) - fan_scipy(x)).max() < 1e-3
    grid = AirGrid.over(SECTION, SHAPE, (0.3, None), reach_m=4.0, beyond_m=0.5, fewest=12)
    assert grid is not None
    whole, part, stop = grid.tables(grid.apart_m, 1.0, 0.0)
    pairs: list[tuple[str, Callable[[], object], str | None, Callable[[], object] | None, str]] = [
        ("similarity 600 × 512", lambda: similarity(x, SECTION), "SciPy uniform_filter1d", lambda: semblance_scipy(x),
         ">= 1.5 x"),
        ("similarity along 9 dips", lambda: similarity(x, SECTION, highest_dip_ns_per_m=DIPS), "NumPy, SciPy filters",
         lambda: semblance_dips_numpy(x, dips), ">= 4 x"),
        ("dip filter 600 × 512", lambda: dip_filter(x, SECTION), "SciPy FFT", lambda: fan_scipy(x), ">= 1 x"),
        ("air-wave stack of a line", lambda: grid.score(x), "NumPy gather",
         lambda: stack_along(x, grid.apex, -grid.reach, whole, part, stop), ">= 4 x"),
        ("search for air waves", lambda: find_air_waves(x, SECTION), None, None, "<= 0.2 s"),
        ("truncation 600 × 512", lambda: truncation(x, SECTION), None, None, "<= 0.1 s"),
        ("low amplitude 600 × 512", lambda: low_amplitude(x, SECTION), None, None, "<= 0.1 s"),
    ]  # fmt: skip
    return [_row(*pair) for pair in pairs]


def _row(
    name: str, ours: Callable[[], object], peer: str | None, theirs: Callable[[], object] | None, target: str
) -> dict[str, Any]:
    best, best_peer = float("inf"), float("inf")
    ours()
    for _ in range(4):
        best = min(best, _seconds(ours))
        if theirs is not None:
            best_peer = min(best_peer, _seconds(theirs))
    return {
        "name": name,
        "ours_s": best,
        "unit": "s a line",
        "peer": peer,
        "peer_s": best_peer if theirs is not None else None,
        "ratio": best_peer / best if theirs is not None else None,
        "target": target,
    }


def _seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start
