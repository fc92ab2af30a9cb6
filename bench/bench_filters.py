"""Ten filter steps against SciPy: trace by trace, and in whole-array calls. What all give is compared to 1e-5.

Forty lines of 280–320 traces × 512 samples, time zero at the first sample: trend, wow, band-pass, three notches,
sliding background, compensation, and for the eye a gain by a power of time and automatic gain, through `run_before`
and `run_display` with radargrams and provenance, on two threads. The peers call SciPy on bare arrays; the whole-array
one is timed as SciPy runs it, and once more with lines in a pool of two threads, which its user would have to write.
No step here is a Fourier transform that both sides would share (see `bench_chain` for a chain with those).
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import scipy.ndimage
import scipy.signal

from bench.bench_recipe import DEWOW, DT, DX, MHZ, PERIOD, RATE, SAMPLES, SOS, THREADS, recorded, tables
from bench.wave_problem import agree, best_seconds, row
from yewline.model import make_radargram
from yewline.recipe import recipe_from_toml, run_before, run_display, run_lines

HUM_MHZ = (100.0, 300.0, 900.0)
NOTCHES = [scipy.signal.tf2sos(*scipy.signal.iirnotch(f, 10.0, fs=1_000.0 / DT)) for f in HUM_MHZ]
WINDOW_M = 6.0
WIDE = round(WINDOW_M / DX)
GAIN = 2 * max(1, round((6.0 * PERIOD / DT - 1) / 2)) + 1
SHARE = scipy.ndimage.uniform_filter1d(np.ones(SAMPLES, np.float32), GAIN, mode="constant")
POWER = ((DT * np.arange(SAMPLES) / PERIOD) ** 1.0).astype(np.float32)
FEW = 8
RECIPE = recipe_from_toml(
    '[[before]]\nstep = "detrend"\n[[before]]\nstep = "dewow"\n[[before]]\nstep = "band_pass"\n'
    + "".join(f'[[before]]\nstep = "notch"\nfrequency_mhz = {f}\n' for f in HUM_MHZ)
    + f'[[before]]\nstep = "background_removal"\nwindow_m = {WINDOW_M}\n[[before]]\nstep = "compensate"\n'
    + '[[display]]\nstep = "power_gain"\n[[display]]\nstep = "automatic_gain"\n'
)


def sliding(y: np.ndarray) -> np.ndarray:
    """Mean of the window's traces; at a line's ends the window stops moving."""
    first = np.clip(np.arange(len(y)) - WIDE // 2, 0, len(y) - WIDE)
    total = np.vstack([np.zeros(y.shape[1]), np.cumsum(y, axis=0, dtype=np.float64)])
    return ((total[first + WIDE] - total[first]) / WIDE).astype(np.float32)


def whole(x: np.ndarray) -> np.ndarray:
    basis = np.linalg.qr(np.vander(np.linspace(-1, 1, SAMPLES), 2))[0].astype(np.float32)
    y = x - (x @ basis) @ basis.T
    y -= scipy.ndimage.uniform_filter1d(y, DEWOW, axis=1, mode="constant") / tables(SAMPLES).dewow_share
    for sos in (SOS, *NOTCHES):
        y = scipy.signal.sosfiltfilt(sos, y, axis=-1)
    y = y.astype(np.float32)
    y -= sliding(y)
    y *= tables(SAMPLES).gain * POWER
    return _evened(y, 1)


def by_trace(x: np.ndarray) -> np.ndarray:
    y = np.empty_like(x)
    for t, trace in enumerate(x):
        flat = scipy.signal.detrend(trace)
        flat = flat - scipy.ndimage.uniform_filter1d(flat, DEWOW, mode="constant") / tables(SAMPLES).dewow_share
        for sos in (SOS, *NOTCHES):
            flat = scipy.signal.sosfiltfilt(sos, flat)
        y[t] = flat
    y -= sliding(y)
    for t in range(len(y)):
        y[t] *= tables(SAMPLES).gain
        y[t] *= POWER
    floor = 1e-8 * float(np.mean(y.astype(np.float64) ** 2))
    return np.array([_even(trace, floor) for trace in y])


def _evened(y: np.ndarray, axis: int) -> np.ndarray:
    square = scipy.ndimage.uniform_filter1d(y * y, GAIN, axis=axis, mode="constant") / SHARE
    return y / np.sqrt(np.maximum(square, 0) + np.float32(1e-8 * float(np.mean(y.astype(np.float64) ** 2))))


def _even(trace: np.ndarray, floor: float) -> np.ndarray:
    square = scipy.ndimage.uniform_filter1d(trace * trace, GAIN, mode="constant") / SHARE
    return trace / np.sqrt(np.maximum(square, 0) + np.float32(floor))


def run() -> Iterator[dict[str, Any]]:
    arrays = recorded()
    attrs = {"centre_mhz": MHZ}
    lines = [
        make_radargram(a, interval_ns=DT, x=DX * np.arange(len(a)), y=np.zeros(len(a)), attrs=attrs) for a in arrays
    ]
    assert len(RECIPE.before) + len(RECIPE.display) == 10

    def one(line: Any) -> Any:
        rate = {"absorption_db_per_ns": RATE}
        return run_display(RECIPE, run_before(RECIPE, line, **rate), **rate)

    def ours(count: int) -> Any:
        return run_lines(one, lines[:count], workers=THREADS)

    def pooled() -> list[np.ndarray]:
        with ThreadPoolExecutor(THREADS) as pool:
            return list(pool.map(whole, arrays))

    for mine, recorded_line in zip(ours(3), arrays, strict=False):
        agree(mine.values, whole(recorded_line), "ten filters, whole arrays", 1e-5)
        agree(mine.values, by_trace(recorded_line), "ten filters, trace by trace", 1e-5)
    few = best_seconds({"ours": lambda: ours(FEW), "by_trace": lambda: [by_trace(a) for a in arrays[:FEW]]}, 3)
    name = f"ten filter steps, {FEW} lines of 300 × {SAMPLES}"
    yield row(name, few["ours"], ">= 40 x", "SciPy, trace by trace", few["by_trace"])
    found = best_seconds(
        {"ours": lambda: ours(len(lines)), "whole": lambda: [whole(a) for a in arrays], "pooled": pooled}
    )
    name = f"ten filter steps, {len(lines)} lines of 300 × {SAMPLES}"
    yield row(name, found["ours"], ">= 5 x", "SciPy, whole arrays", found["whole"])
    yield row(name, found["ours"], "", "the same, lines in threads", found["pooled"])
