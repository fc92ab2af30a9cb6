"""Kriging of 400 readings to 400 × 400 cells with variance, against PyKrige's two engines and GSTools.

From all readings and from the 24 nearest. The last row sets the first beside what the machine multiplies: the products
with the readings' triangle alone, in the time of a full matrix product of the same size on as many threads.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import gstools
import numpy as np
from pykrige.ok import OrdinaryKriging

from yewline.geostat import KrigingOptions, VariogramModel, krige, length_scale
from yewline.geostat.blas_threads import one_blas_thread

READINGS, CELLS, NEAREST = 400, 400, 24
RANGE_M, SILL, NUGGET = 10.0, 1.0, 0.1


def run() -> list[dict[str, Any]]:
    rng = np.random.default_rng(1)
    xy, z = rng.uniform(0, 40, (READINGS, 2)), rng.standard_normal(READINGS)
    x = y = (np.arange(CELLS) + 0.5) * (40.0 / CELLS)
    at = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    model = VariogramModel("exponential", partial_sill=SILL, range_m=RANGE_M, nugget=NUGGET)
    peer = OrdinaryKriging(
        xy[:, 0],
        xy[:, 1],
        z,
        variogram_model="exponential",
        variogram_parameters={"psill": SILL, "range": RANGE_M, "nugget": NUGGET},
    )
    scale = length_scale(RANGE_M, "exponential", "gstools")
    other = gstools.krige.Ordinary(gstools.Exponential(dim=2, var=SILL, len_scale=scale, nugget=NUGGET), xy.T, z)
    near = KrigingOptions(nearest=NEAREST)
    works: dict[str, Callable[[], Any]] = {
        "ours": lambda: krige(xy, z, at, model=model),
        "PyKrige (compiled)": lambda: peer.execute("grid", x, y, backend="C"),
        "PyKrige (vectorised)": lambda: peer.execute("grid", x, y, backend="vectorized"),
        "ours, nearest": lambda: krige(xy, z, at, model=model, options=near),
        "PyKrige (compiled), nearest": lambda: peer.execute("grid", x, y, backend="C", n_closest_points=NEAREST),
        "products": _products,
    }
    agreed = {name: work() for name, work in works.items() if name != "products"}
    _same(agreed["ours"], agreed["PyKrige (compiled)"])
    _same(agreed["ours, nearest"], agreed["PyKrige (compiled), nearest"])
    best = _best(works, repeats=5)
    # Half a minute a time: once, and the fastest of two.
    best |= _best({"GSTools": lambda: other.structured([x, y])}, repeats=2)
    whole, part = f"kriging {READINGS} readings to {CELLS} × {CELLS} cells", f"the same from the {NEAREST} nearest"
    rows = [
        (whole, "ours", "PyKrige (compiled)", ">= 3 x"),
        (whole, "ours", "PyKrige (vectorised)", ">= 7 x"),
        (whole, "ours", "GSTools", ">= 15 x"),
        (part, "ours, nearest", "PyKrige (compiled), nearest", ">= 2 x"),
        (whole, "ours", "products", None),
    ]
    return [
        {
            "name": name,
            "ours_s": best[ours],
            "unit": "s",
            "peer": "its products alone" if peer == "products" else peer,
            "peer_s": best[peer],
            "ratio": best[peer] / best[ours],
            "target": target or f"{best[peer] / best[ours]:.0%} of the machine's limit",
        }
        for name, ours, peer, target in rows
    ]


def _products() -> None:
    """As many multiplications as the triangle needs, R²/2 a cell, as square products at the machine's full rate."""
    left, right = np.ones((READINGS, READINGS)), np.ones((READINGS, CELLS))

    def work(_: int) -> None:
        out = np.empty((READINGS, CELLS))
        for _ in range(CELLS // 8):
            np.matmul(left, right, out=out)

    with one_blas_thread(), ThreadPoolExecutor(os.cpu_count()) as pool:
        list(pool.map(work, range(4)))


def _same(ours: tuple[np.ndarray, np.ndarray], theirs: tuple[Any, Any]) -> None:
    for one, another in zip(ours, theirs, strict=True):
        np.testing.assert_allclose(one, np.asarray(another).ravel(), atol=1e-9)


def _best(works: dict[str, Callable[[], Any]], repeats: int) -> dict[str, float]:
    best = dict.fromkeys(works, float("inf"))
    for _ in range(repeats):
        for name, work in works.items():
            start = time.perf_counter()
            work()
            best[name] = min(best[name], time.perf_counter() - start)
    return best
