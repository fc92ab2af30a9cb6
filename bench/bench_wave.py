"""The solver's kernel beside the same tiles in C, beside Devito, and beside a general NumPy package.

All solve one problem: a line current in soil that varies from cell to cell, single precision, the same cells and steps;
what is heard is compared before the clock starts. One large grid takes both processors; small windows, of which a
survey line has thousands, run side by side, one on each.
"""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np

from bench.wave_c import Prepared, kernel
from bench.wave_devito import devito_module, first_order, second_order
from bench.wave_fdtd import fdtd_module, run_of
from bench.wave_problem import (
    Problem,
    agree,
    best_seconds,
    make_problem,
    make_state,
    row,
    side_by_side,
    step_ours,
)

LARGE, LARGE_STEPS = (1024, 2048), {1024: 160, 2048: 64}
WINDOW, WINDOW_STEPS, WINDOWS = (200, 100), 600, 4
TILES = ((8, 64), (16, 64), (32, 64))
WINDOW_DEPTH = 8


def run() -> list[dict[str, Any]]:
    return [*_against_c(), *_against_devito(), *_against_numpy()]


def _against_c() -> list[dict[str, Any]]:
    library, peer, target = kernel(), "C with OpenMP, the same tiles", ">= 0.8 x"
    rows = []
    for cells in LARGE:
        problem = make_problem(cells, cells, LARGE_STEPS[cells])
        state = make_state(problem)
        name = f"wave in {cells} × {cells} cells and edges, {problem.steps} steps, two threads"
        ours, heard = _ours_on_two(problem)
        if library is None:
            rows.append(row(name, min(best_seconds(ours).values()), "skipped: no C compiler with OpenMP"))
            continue
        prepared = Prepared(library, problem, state)
        theirs = {f"C {tile}": partial(prepared.step, *tile, threads=2) for tile in TILES}
        prepared.step(*TILES[0])
        agree(heard, prepared.heard(), peer)
        best = best_seconds({**ours, **theirs})
        rows.append(row(name, min(best[t] for t in ours), target, peer, min(best[t] for t in theirs)))
    problem, name = make_problem(*WINDOW, WINDOW_STEPS), _windows_name()
    states = [make_state(problem) for _ in range(2)]
    ours_s = best_seconds({"ours": lambda: side_by_side([_repeated(problem, s) for s in states])})
    if library is None:
        return [*rows, row(name, ours_s["ours"], "skipped: no C compiler with OpenMP")]
    both = [Prepared(library, problem, s) for s in states]
    states[0].rest()
    step_ours(problem, states[0], WINDOW_DEPTH)
    both[0].rest()
    both[0].step(WINDOW_DEPTH)
    agree(states[0].heard(), both[0].heard(), peer)
    best = best_seconds(
        {
            "ours": lambda: side_by_side([_repeated(problem, s) for s in states]),
            "C": lambda: side_by_side([lambda p=p: [p.step(WINDOW_DEPTH) for _ in range(WINDOWS)] for p in both]),
        }
    )
    return [*rows, row(name, best["ours"], target, peer, best["C"])]


def _against_devito() -> list[dict[str, Any]]:
    devito, rows = devito_module(), []
    for cells in LARGE:
        problem = make_problem(cells, cells, LARGE_STEPS[cells])
        name = f"wave in {cells} × {cells} cells and edges, {problem.steps} steps, two threads"
        ours, heard = _ours_on_two(problem)
        if devito is None:
            rows.append(row(name, min(best_seconds(ours).values()), "skipped: Devito is not installed"))
            continue
        peers = {"second order": second_order(devito, problem, 2), "first order": first_order(devito, problem, 2)}
        for form, peer in peers.items():
            agree(heard[: problem.steps_before_walls], peer()[: problem.steps_before_walls], f"Devito, {form}")
        best = best_seconds({**ours, **peers})
        rows += [
            row(name, min(best[t] for t in ours), ">= 6 x", f"Devito, {form} in time", best[form]) for form in peers
        ]
    problem, name = make_problem(*WINDOW, WINDOW_STEPS), _windows_name()
    states = [make_state(problem) for _ in range(2)]
    works: dict[str, Any] = {"ours": lambda: side_by_side([_repeated(problem, s) for s in states])}
    if devito is None:
        return [*rows, row(name, best_seconds(works)["ours"], "skipped: Devito is not installed")]
    # One after the other on both threads, or two side by side: whichever is faster.
    forms, ways = {"second order": second_order, "first order": first_order}, ("two threads", "side by side")
    for form, make in forms.items():
        single, pair = make(devito, problem, 2), [make(devito, problem, 1) for _ in range(2)]
        works[f"{form} in time, two threads"] = lambda single=single: [single() for _ in range(2 * WINDOWS)]
        works[f"{form} in time, side by side"] = lambda pair=pair: side_by_side(
            [lambda p=p: [p() for _ in range(WINDOWS)] for p in pair]
        )
    best = best_seconds(works)
    for form in forms:
        fastest = min((f"{form} in time, {way}" for way in ways), key=lambda work: best[work])
        rows.append(row(name, best["ours"], ">= 6 x", f"Devito, {fastest}", best[fastest]))
    return rows


def _against_numpy() -> list[dict[str, Any]]:
    fdtd, cells = fdtd_module(), LARGE[0]
    problem = make_problem(cells, cells, LARGE_STEPS[cells], conductivity_ms_per_m=0.0)
    ours, heard = _ours_on_two(problem)
    name = f"wave in {cells} × {cells} cells and edges, {problem.steps} steps, two threads"
    if fdtd is None:
        return [row(name, min(best_seconds(ours).values()), "skipped: fdtd is not installed")]
    peer = run_of(fdtd, problem)
    agree(heard, peer(), "fdtd", tolerance=1e-3)
    best = best_seconds({**ours, "fdtd": peer}, repeats=3)
    return [row(name, min(best[t] for t in ours), ">= 100 x", "fdtd (NumPy), single precision", best["fdtd"])]


def _ours_on_two(problem: Problem) -> tuple[dict[str, Any], np.ndarray]:
    """Ours with each tile shape, and what is heard from rest."""
    state = make_state(problem)
    step_ours(problem, state, *TILES[0])
    heard = state.heard()
    return {f"ours {tile}": partial(step_ours, problem, state, *tile) for tile in TILES}, heard


def _repeated(problem: Problem, state: Any) -> Any:
    return lambda: [step_ours(problem, state, WINDOW_DEPTH) for _ in range(WINDOWS)]


def _windows_name() -> str:
    return f"{2 * WINDOWS} windows of {WINDOW[0]} × {WINDOW[1]} cells and edges, {WINDOW_STEPS} steps, side by side"
