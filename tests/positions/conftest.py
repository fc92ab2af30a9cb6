"""Invented surveys: objects of a few decimetres and dipping layers, recorded line by line, with what goes wrong."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
import xarray as xr

from yewline.model import make_radargram

VELOCITY = 0.09
CENTRE_MHZ = 300.0
INTERVAL_NS = 0.5
SAMPLES = 100
DIRECT = 10


@dataclass(frozen=True)
class Ground:
    """Objects (x, y, two-way time, strength, half width across), and layers (time, slope along, slope across)."""

    objects: np.ndarray
    layers: tuple[tuple[float, float, float, float], ...]
    oblique_deg: float


def make_ground(
    seed: int,
    *,
    extent: tuple[float, float] = (16.0, 8.0),
    per_m2: float = 2.0,
    layers: tuple[tuple[float, float, float, float], ...] = (),
    oblique_deg: float = 90.0,
    long_m: float = 0.9,
) -> Ground:
    """Objects `long_m` long in the direction `oblique_deg` from the lines; 90 is across them, as graves are."""
    rng = np.random.default_rng([seed, 77])
    n = rng.poisson(per_m2 * (extent[0] + 4) * (extent[1] + 4))
    objects = np.column_stack(
        [
            rng.uniform(-2, extent[0] + 2, n),
            rng.uniform(-2, extent[1] + 2, n),
            rng.uniform(8.0, 40.0, n),
            rng.lognormal(0.0, 0.6, n) * rng.choice([-1.0, 1.0], n),
            long_m * rng.uniform(0.6, 1.4, n),
        ]
    )
    return Ground(objects, layers, oblique_deg)


def record_line(
    ground: Ground, x: np.ndarray, y: np.ndarray, *, seed: int, noise: float = 0.15, **attrs: object
) -> np.ndarray:
    """(T, S) samples at true places x, y; the noise is the receiver's own, new in each walk."""
    rng = np.random.default_rng([seed, 78])
    turn = np.radians(ground.oblique_deg)
    ox, oy, t0, strength, half = ground.objects.T
    dx, dy = x[:, None] - ox, y[:, None] - oy
    # Along the object its answer goes on; beyond it, and across it, time grows as for a point.
    along, across = dx * np.cos(turn) + dy * np.sin(turn), -dx * np.sin(turn) + dy * np.cos(turn)
    away = np.maximum(np.abs(along) - half, 0.0)
    time = np.sqrt(t0**2 + (2.0 / VELOCITY) ** 2 * (across**2 + away**2))
    weight = strength * (t0 / time) ** 2 * np.exp(-((away / 0.6) ** 2)) / (0.3 + 0.05 * t0)
    spikes = np.zeros((len(x), SAMPLES))
    _add(spikes, np.broadcast_to(np.arange(len(x))[:, None], time.shape), time, weight)
    for at, slope_x, slope_y, size in ground.layers:
        t = at + slope_x * x + slope_y * y
        rough = size * (1 + 0.3 * np.sin(1.7 * x + 0.9 * y) + 0.3 * np.sin(0.8 * x - 1.3 * y + at))
        _add(spikes, np.arange(len(x)), t, rough)
    t = INTERVAL_NS * (np.arange(31) - 15)
    pulse = (1 - 2 * (np.pi * 1e-3 * CENTRE_MHZ * t) ** 2) * np.exp(-((np.pi * 1e-3 * CENTRE_MHZ * t) ** 2))
    out = np.apply_along_axis(np.convolve, 1, spikes, pulse, "same")
    direct = np.zeros(SAMPLES)
    direct[DIRECT] = 8.0
    out = out + np.convolve(direct, pulse, "same") * (1 + 0.02 * rng.standard_normal((len(x), 1)))
    decay = np.exp(-np.arange(SAMPLES) / 60.0)
    return (out * decay + noise * 0.3 * rng.standard_normal(out.shape)).astype(np.float32)


def _add(spikes: np.ndarray, row: np.ndarray, time: np.ndarray, weight: np.ndarray) -> None:
    at = time / INTERVAL_NS + DIRECT
    low = np.floor(at).astype(int)
    part = at - low
    for shift, share in ((0, 1 - part), (1, part)):
        inside = (low + shift >= 0) & (low + shift < SAMPLES) & (np.abs(weight) > 1e-3)
        flat = row[inside] * SAMPLES + low[inside] + shift
        spikes += np.bincount(flat, (weight * share)[inside], spikes.size).reshape(spikes.shape)


def make_survey(
    ground: Ground,
    *,
    seed: int,
    lines: int = 14,
    length_m: float = 15.0,
    spacing_m: float = 0.5,
    step_m: float = 0.1,
    zigzag_m: float = 0.0,
    slope: float = 0.0,
    one_way: bool = False,
    noise: float = 0.15,
) -> dict[str, xr.DataArray]:
    """Lines walked forth and back; traces are said to lie `zigzag_m` too far ahead in the direction of walking."""
    found = {}
    for k in range(lines):
        said = np.arange(0.0, length_m + 1e-9, step_m)
        sign = -1.0 if k % 2 and not one_way else 1.0
        if sign < 0:
            said = said[::-1]
        true = said - sign * (zigzag_m + slope * (said - length_m / 2))
        y = np.full(len(said), spacing_m * k)
        name = f"L{k + 1:02d}"
        found[name] = make_radargram(
            record_line(ground, true, y, seed=1000 * seed + k, noise=noise),
            interval_ns=INTERVAL_NS,
            x=said,
            y=y,
            sigma_xy=0.05,
            attrs={"line": name, "visit": "V", "centre_mhz": CENTRE_MHZ, "separation_m": 0.1},
        )
    return found


@pytest.fixture(scope="session")
def survey() -> Callable[..., dict[str, xr.DataArray]]:
    return make_survey


@pytest.fixture(scope="session")
def ground() -> Callable[..., Ground]:
    return make_ground


@pytest.fixture(scope="session")
def record() -> Callable[..., np.ndarray]:
    return record_line
