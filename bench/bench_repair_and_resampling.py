"""Notch, resampling, detrend and onset picks of a line of 400 × 512, against SciPy and ObsPy on whole arrays."""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable
from typing import Any

import numpy as np
import scipy.interpolate
import scipy.signal

from yewline.signal import Section
from yewline.signal.detrend import detrend
from yewline.signal.equal_places import equal_places
from yewline.signal.equal_spacing import equal_spacing
from yewline.signal.notch import notch
from yewline.signal.onsets import akaike
from yewline.signal.repair import repair_traces
from yewline.signal.resample_time import resample_time

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # ObsPy's import uses a part of the standard library that is deprecated
    from obspy.signal.trigger import aic_simple

TRACES, SAMPLES, REPEATS = 400, 512, 7


def recorded() -> tuple[np.ndarray, Section]:
    rng = np.random.default_rng(3)
    t, i = 0.25 * np.arange(SAMPLES), np.arange(TRACES)
    u = (np.pi * 0.4 * (t - 8.0 - i[:, None] / 400.0)) ** 2
    x = (1 - 2 * u) * np.exp(-u) + 0.02 * rng.standard_normal((TRACES, SAMPLES))
    at = np.cumsum(rng.uniform(0.035, 0.065, TRACES))
    return x.astype(np.float32), Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0, distance_m=at)


def run() -> list[dict[str, Any]]:
    x, section = recorded()
    sos = scipy.signal.tf2sos(*scipy.signal.iirnotch(300.0, 10.0, fs=4_000.0))
    faulty = x.copy()
    faulty[::20, 100] += 40.0
    faulty[7] = 0.0
    stop = np.full(TRACES, SAMPLES)
    wide = x.astype(np.float64)
    at, new = section.distance_m, equal_places(section, spacing_m=0.05)
    pairs: list[tuple[str, Callable[[], Any], str | None, Callable[[], Any] | None, str | None]] = [
        (
            "notch",
            lambda: notch(x, section, frequency_mhz=300.0),
            "SciPy, sosfiltfilt",
            lambda: scipy.signal.sosfiltfilt(sos, x, axis=-1).astype(np.float32),
            ">= 3 x",
        ),
        (
            "0.25 to 0.4 ns",
            lambda: resample_time(x, section, interval_ns=0.4),
            "SciPy, resample_poly",
            lambda: scipy.signal.resample_poly(x, 5, 8, axis=-1, padtype="edge"),
            None,
        ),
        (
            "straight trend",
            lambda: detrend(x, section),
            "SciPy, detrend in double precision",
            lambda: scipy.signal.detrend(x.astype(np.float64), axis=-1).astype(np.float32),
            None,
        ),
        (
            "Akaike's criterion",
            lambda: akaike(wide, stop),
            "ObsPy, compiled, trace by trace",
            lambda: np.array([aic_simple(row) for row in wide]),
            None,
        ),
        (
            "equal spacing",
            lambda: equal_spacing(x, section, spacing_m=0.05),
            "SciPy, cubic spline",
            lambda: scipy.interpolate.CubicSpline(at, x, axis=0)(new).astype(np.float32),
            None,
        ),
        ("repair of 20 wild samples and a dead trace", lambda: repair_traces(faulty, section), None, None, None),
    ]
    return [_compared(*pair) for pair in pairs]


def _compared(
    name: str, ours: Callable[[], Any], peer: str | None, theirs: Callable[[], Any] | None, target: str | None
) -> dict[str, Any]:
    works = [ours] if theirs is None else [ours, theirs]
    best = [float("inf")] * len(works)
    # The first turn compiles and fills caches, and is not counted.
    for turn in range(REPEATS + 1):
        for k, work in enumerate(works):
            start = time.perf_counter()
            work()
            if turn > 0:
                best[k] = min(best[k], time.perf_counter() - start)
    peer_s = best[1] if theirs is not None else None
    return {
        "name": f"{name}, {TRACES} × {SAMPLES}",
        "ours_s": best[0],
        "unit": "s",
        "peer": peer,
        "peer_s": peer_s,
        "ratio": None if peer_s is None else peer_s / best[0],
        "target": target,
    }
