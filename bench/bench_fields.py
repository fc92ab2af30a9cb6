"""Vertical sections through a field of 1,000 modes, against GSTools on the same structured mesh.

GSTools sums its modes node by node, in its compiled Cython routine (one thread) unless its optional Rust engine is
installed, which it then takes by itself. Modes are drawn before the clock starts, by inversion, as ours are.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import gstools
import numpy as np

from yewline.geostat import draw_modes, field_on_section, length_scale

RANGES_M = (2.0, 2.0, 0.5)
COLUMNS, PEER_COLUMNS, ROWS, MODES, CELL_M = 2850, 950, 357, 1000, 0.02


def run() -> list[dict[str, Any]]:
    x, depth = np.arange(COLUMNS) * CELL_M, np.arange(ROWS) * CELL_M
    y = np.full(COLUMNS, 3.0)
    modes = draw_modes(ranges_m=RANGES_M, family="exponential", azimuth_deg=90.0, seed=1, modes=MODES)
    lengths = [length_scale(r, "exponential", "gstools") for r in RANGES_M]
    model = gstools.Exponential(dim=3, len_scale=lengths)
    peer = gstools.SRF(model, generator="RandMeth", mode_no=MODES, seed=1, sampling="inversion")
    peer.structured([x[:2], [3.0], depth[:2]])
    best = _best(
        {
            "whole": lambda: field_on_section(modes, x, y, depth),
            "ours": lambda: field_on_section(modes, x[:PEER_COLUMNS], y[:PEER_COLUMNS], depth),
            "GSTools": lambda: peer.structured([x[:PEER_COLUMNS], [3.0], depth]),
        }
    )
    return [
        {
            "name": f"section {PEER_COLUMNS:,} × {ROWS} of a field of {MODES:,} modes",
            "ours_s": best["ours"],
            "unit": "s",
            "peer": "GSTools",
            "peer_s": best["GSTools"],
            "ratio": best["GSTools"] / best["ours"],
            "target": ">= 30 x",
        },
        {
            "name": f"section {COLUMNS:,} × {ROWS} of a field of {MODES:,} modes",
            "ours_s": best["whole"],
            "unit": "s",
            "peer": None,
            "peer_s": None,
            "ratio": None,
            "target": "<= 0.5 s",
        },
    ]


def _best(works: dict[str, Callable[[], Any]], repeats: int = 3) -> dict[str, float]:
    best = dict.fromkeys(works, float("inf"))
    for _ in range(repeats):
        for name, work in works.items():
            start = time.perf_counter()
            work()
            best[name] = min(best[name], time.perf_counter() - start)
    return best
