"""Cell updates a second against the size of the grid, for each engine and for the same tiles in C on two threads.

Each takes the fastest of its tile depths. bench/throughput.json keeps the table, from which
`python -m bench.plot_throughput` draws docs/solver_throughput.png.
"""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path
from typing import Any

from bench.wave_c import Prepared, kernel
from bench.wave_problem import Problem, best_seconds, make_problem, make_state, row, step_ours

CELLS = (64, 96, 128, 192, 256, 384, 512, 768, 1024, 1536, 2048)
UPDATES, LEAST_STEPS = 6e7, 64
DEPTHS = (8, 16, 32)
TABLE = Path(__file__).with_name("throughput.json")


def run() -> list[dict[str, Any]]:
    table, rows = [], []
    for cells in CELLS:
        problem = make_problem(cells, cells, max(LEAST_STEPS, round(UPDATES / (cells + 32) ** 2)))
        best: dict[str, float] = {}
        for (engine, _), seconds in best_seconds(_works(problem), repeats=5).items():
            best[engine] = min(best.get(engine, seconds), seconds)
        table.append({"cells": cells, **{name: round(problem.updates / s / 1e9, 3) for name, s in best.items()}})
        peer = None if "C" not in best else "C with OpenMP, the same tiles"
        rows.append(row(f"grid of {cells}², {problem.steps} steps", best["parallel"], "-", peer, best.get("C")))
    TABLE.write_text(json.dumps(table, indent=1) + "\n")
    return rows


def _works(problem: Problem) -> dict[Any, Any]:
    """What to time, by engine and tile depth."""
    state, library = make_state(problem), kernel()
    works = {("swept", 1): partial(step_ours, problem, state, 1)}
    for depth in DEPTHS:
        works["tiled", depth] = partial(step_ours, problem, state, depth)
        works["parallel", depth] = partial(step_ours, problem, state, depth, 2 * depth)
        if library is not None:
            works["C", depth] = partial(Prepared(library, problem, state).step, depth, 2 * depth)
    for work in works.values():
        work()
    return works
