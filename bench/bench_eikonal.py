"""Traveltimes beside scikit-fmm: time against error, held to circular rays, where velocity grows with depth.

6 × 3 m from 0.08 m/ns on, a source at the surface between nodes, grids of 8 to 0.5 cm. scikit-fmm takes no source but a
front. It gets a small circle round the source, as its user would give it, and, in its second order, also an isochron of
1.5 ns whose shape and time the closed form tells: the best start that there can be, which no other ground offers.
bench/eikonal.json keeps the table, from which `python -m bench.plot_eikonal` draws docs/eikonal_error.png.
"""

from __future__ import annotations

import contextlib
import importlib
import json
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from bench.wave_problem import best_seconds, row
from yewline.signal.migration import VelocitySection, eikonal_times

SPACINGS_M = (0.08, 0.04, 0.02, 0.01, 0.005)
V0, SLOPE, X0 = 0.08, 0.02, 3.013
FRONT_NS = 1.5
REPEATS = 5
TABLE = Path(__file__).with_name("eikonal.json")
ORDERS = {"first": 1, "second": 2}


def run() -> list[dict[str, Any]]:
    fmm, table, rows = _fmm(), [], []
    for spacing in SPACINGS_M:
        works, errors, size = _prepared(spacing, fmm)
        best = best_seconds(works, REPEATS)
        table.append({"spacing_m": spacing, **{name: [best[name], errors[name]] for name in works}})
        for order, target in (("first", ">= 2 x"), ("second", "")):
            name = f"eikonal {size}, {order} order, off by {errors[order]:.1e} ns"
            theirs = f"scikit-fmm {order}"
            if theirs in best:
                peer = f"scikit-fmm, {order} order, off by {errors[theirs]:.1e} ns"
                rows.append(row(name, best[order], target, peer, best[theirs]))
            else:
                rows.append(row(name, best[order], "skipped: scikit-fmm is not installed"))
    if fmm is not None:
        TABLE.write_text(json.dumps(table, indent=1) + "\n")
        rows += _to_an_error(table)
    return rows


def _prepared(spacing: float, fmm: Any) -> tuple[dict[str, Any], dict[str, float], str]:
    """What to time, and how far each is off, in ns, at its worst node."""
    x, z = spacing * np.arange(round(6.0 / spacing) + 1), spacing * np.arange(round(3.0 / spacing) + 1)
    velocity = V0 + SLOPE * z + 0.0 * x[:, None]
    ground = VelocitySection(velocity, spacing)
    r2 = (x[:, None] - X0) ** 2 + z**2
    # Circular rays (Slotnick 1959, Lessons in Seismic Computing).
    exact = np.arccosh(1 + SLOPE**2 * r2 / (2 * V0 * velocity)) / SLOPE
    works = {order: partial(eikonal_times, [[X0, 0.0]], ground, order=order) for order in ORDERS}
    errors = {order: float(np.abs(work()[0] - exact).max()) for order, work in works.items()}
    if fmm is not None:
        near = np.sqrt(r2) - 1.5 * spacing
        # Isochrons are circles too: their middles go down as they grow.
        turn = SLOPE * FRONT_NS
        front = np.hypot(x[:, None] - X0, z - V0 / SLOPE * (np.cosh(turn) - 1)) - V0 / SLOPE * np.sinh(turn)
        starts = {f"scikit-fmm {order}": (near, 1.5 * spacing / V0, number) for order, number in ORDERS.items()}
        starts["scikit-fmm second, exact front"] = (front, FRONT_NS, 2)
        for name, (around, lead, number) in starts.items():
            # A front that no node lies inside of is none.
            if (around < 0).sum() >= 4:
                works[name] = partial(fmm.travel_time, around, velocity, dx=spacing, order=number)
                off = np.abs(np.asarray(works[name]()) + lead - exact)[around > 0]
                errors[name] = float(off.max())
    return works, errors, f"{len(x)} × {len(z)}"


def _to_an_error(table: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Seconds to the error of scikit-fmm's second order on its finest grid: ours on the coarsest grid that has it."""
    rows = []
    for name, label in (
        ("scikit-fmm second", "second order"),
        ("scikit-fmm second, exact front", "second order, exact front"),
    ):
        peer_s, wanted = table[-1][name]
        enough = [line["second"][0] for line in table if line["second"][1] <= wanted]
        if enough:
            text = f"eikonal, second order, to {wanted:.1e} ns"
            rows.append(row(text, enough[0], ">= 1 x", f"scikit-fmm, {label}", peer_s))
    return rows


def _fmm() -> Any:
    with contextlib.suppress(ImportError):
        return importlib.import_module("skfmm")
    return None
