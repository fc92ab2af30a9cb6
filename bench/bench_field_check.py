"""The field check of 40 lines, 400 traces of 512 samples each, beside some of its work in plain NumPy and SciPy.

The check is all of `check_field`: settings, time zero and noise of each line, pictures, zigzag with its bias test,
every hypothesis of order, shuffled orders, repeats and crossings. The plain version does only a part of it, line by
line: the analytic signal of each line by `scipy.signal.hilbert` in double precision with bins of time, and the
correlation of each line with its neighbours one and two apart at every lag, by slices and sums. Both get the same
lines. Our pictures hold the signed wave as well as the strength.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
from scipy.signal import hilbert

from yewline.model import make_radargram
from yewline.positions import check_field, line_images, neighbours, pair_correlation
from yewline.positions.lag_kernels import lag_products, lag_products_plain

LINES, TRACES, SAMPLES = 40, 400, 512
SPACING_M, STEP_M, INTERVAL_NS = 0.5, 0.05, 0.1
MOST = 32


def best(*jobs: Callable[[], Any], repeats: int = 3) -> list[float]:
    """Best time of each job, taken in turns."""
    found = [np.inf] * len(jobs)
    for _ in range(repeats):
        for index, job in enumerate(jobs):
            start = time.perf_counter()
            job()
            found[index] = min(found[index], time.perf_counter() - start)
    return found


def make_lines() -> dict[str, Any]:
    """Objects under a grid, walked forth and back, with a direct wave and noise."""
    rng = np.random.default_rng(0)
    t = INTERVAL_NS * np.arange(SAMPLES)
    n = 600
    ox, oy, at = rng.uniform(0, 20, n), rng.uniform(0, 20, n), rng.uniform(8, 45, n)
    size = rng.normal(0, 1, n)
    lines = {}
    for k in range(LINES):
        x = STEP_M * np.arange(TRACES)
        x = x[::-1] if k % 2 else x
        y = SPACING_M * k
        near = np.abs(oy - y) < 1.2
        values = 0.1 * rng.standard_normal((TRACES, SAMPLES))
        for i in np.flatnonzero(near):
            reach = np.flatnonzero(np.abs(x - ox[i]) < 1.5)
            when = np.hypot(at[i], np.hypot(x[reach] - ox[i], oy[i] - y) * 2 / 0.09)
            u = np.pi * 0.4 * (t - when[:, None])
            values[reach] += size[i] * np.exp(-(((oy[i] - y) / 0.6) ** 2)) * (1 - 2 * u**2) * np.exp(-(u**2))
        u = np.pi * 0.4 * (t - 4.0)
        values += 8.0 * (1 - 2 * u**2) * np.exp(-(u**2))
        lines[f"L{k:02d}"] = make_radargram(
            values.astype(np.float32),
            interval_ns=INTERVAL_NS,
            x=x,
            y=np.full(TRACES, y),
            attrs={"line": f"L{k:02d}", "centre_mhz": 400.0},
        )
    return lines


def plain_features(lines: dict[str, Any]) -> np.ndarray:
    """Strength of each line in bins of 0.9 ns from 8 ns on, along the axis."""
    found = []
    for line in lines.values():
        values = line.values.astype(np.float64)
        strength = np.abs(hilbert(values - np.median(values, axis=0), axis=1))[:, 80:]
        strength = strength[:, : strength.shape[1] // 9 * 9].reshape(TRACES, -1, 9).mean(axis=2)
        strength = np.minimum(strength / np.median(strength, axis=0), 4.0)
        strength -= strength.mean(axis=0)
        found.append(strength if line.x[0] < line.x[-1] else strength[::-1])
    return np.array(found)


def plain_pairs(pictures: np.ndarray, apart: tuple[int, ...] = (1, 2)) -> list[np.ndarray]:
    """Correlation of lines one and two apart at each lag, by slices."""
    found = []
    for i in range(len(pictures)):
        for step in apart:
            if i + step >= len(pictures):
                continue
            a, b = pictures[i], pictures[i + step]
            curve = []
            for lag in range(-MOST, MOST + 1):
                left = a[max(0, -lag) : TRACES - max(0, lag)]
                right = b[max(0, lag) : TRACES - max(0, -lag)]
                curve.append((left * right).sum() / np.sqrt((left**2).sum() * (right**2).sum()))
            found.append(np.array(curve))
    return found


def plain_table(pictures: np.ndarray) -> np.ndarray:
    """Correlation of each line with each, as it is."""
    table = np.empty((len(pictures),) * 2)
    for i, a in enumerate(pictures):
        for j, b in enumerate(pictures):
            table[i, j] = (a * b).sum() / np.sqrt((a**2).sum() * (b**2).sum())
    return table


def run() -> list[dict[str, Any]]:
    lines = make_lines()
    # The first call compiles or loads the kernels.
    check_field(lines)
    images = line_images(lines)[0]
    pictures, known = images.stack()
    pairs = neighbours(images)
    whole, plain = best(lambda: check_field(lines), lambda: plain_pairs(plain_features(lines)))
    features, plain_feature = best(lambda: line_images(lines), lambda: plain_features(lines))
    ours_lags, plain_lags = best(
        lambda: [lag_products(pictures[i], pictures[j], known[i], known[j], MOST) for i, j, _ in pairs],
        lambda: [lag_products_plain(pictures[i], pictures[j], known[i], known[j], MOST) for i, j, _ in pairs],
    )
    table, plain_all = best(
        lambda: pair_correlation(pictures, known, pictures, known), lambda: plain_table(pictures), repeats=5
    )
    return [
        _row(
            "field check of 40 lines, all of it",
            whole,
            "plain NumPy and SciPy: envelopes and lags only",
            plain,
            "<= 5 s",
        ),
        _row("pictures of 40 lines", features, "scipy.signal.hilbert and bins", plain_feature, ">= 1 x"),
        _row("lags of neighbours", ours_lags, "plain NumPy twin", plain_lags, ">= 2 x"),
        _row("each line with each", table, "plain NumPy, pair by pair", plain_all, ">= 3 x"),
    ]


def _row(name: str, ours_s: float, peer: str, peer_s: float, target: str) -> dict[str, Any]:
    return {
        "name": name,
        "ours_s": ours_s,
        "unit": "s",
        "peer": peer,
        "peer_s": peer_s,
        "ratio": peer_s / ours_s,
        "target": target,
    }
