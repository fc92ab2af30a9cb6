"""Traces with all that belongs to them: windows cut, edges, sources, sampling; memory; and the first start of all.

`python -m bench.bench_traces --long` also measures 10,000 traces.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
import tracemalloc
from typing import Any

import numpy as np

from bench.wave_problem import row
from yewline.simulation import Instrument
from yewline.simulation.wave import Course, Section, plan_course, run_course

WORKERS = 2
DRY = Instrument(centre_mhz=200.0, separation_m=0.5, interval_ns=0.5, samples=111, zero_ns=5.0)
WET = Instrument(centre_mhz=400.0, separation_m=0.16, interval_ns=0.25, samples=221, zero_ns=5.0)
SMALL = Instrument(centre_mhz=200.0, separation_m=0.3, interval_ns=0.5, samples=48, zero_ns=5.0)
COUNTS, LONG_COUNT = (10, 100, 1_000), 10_000
SMALL_TRACES_M = 0.02

# What a first trace takes: Numba compiles, and the tiling is looked for.
START = """
import time
began = time.perf_counter()
from bench.bench_traces import DRY, soil_course
from yewline.simulation.wave import run_course
imported = time.perf_counter()
next(iter(run_course(soil_course([0.0, 0.05], DRY, 4.5, 0.025, (5.0, 2.5)), workers=2)))
print(imported - began, time.perf_counter() - imported)
"""


def run(long: bool = False) -> list[dict[str, Any]]:
    counts = (*COUNTS, LONG_COUNT) if long else COUNTS
    return [*_a_trace(), *_flat(counts), _memory(), *_starts()]


def soil_course(
    at_m: Any, instrument: Instrument, permittivity: float, cell_m: float, window: tuple[float, float]
) -> Course:
    """A course over soil that varies by a tenth below `permittivity`; the window's depth includes 0.25 m of air."""
    at, (long_m, deep_m) = np.asarray(at_m, np.float64), window
    columns, depths, air = (round(length / cell_m) for length in (np.ptp(at) + long_m, deep_m, 0.25))
    epsilon = permittivity * np.random.default_rng(1).uniform(0.9, 1.0, (columns + 1, depths + 1))
    epsilon[:, :air] = 1.0
    section = Section(epsilon, np.where(epsilon > 1.0, 1.0, 0.0), cell_m, z0_m=-air * cell_m)
    return plan_course(section, at - at[0] + 0.5 * long_m, instrument, window_m=long_m)


def _seconds(course: Course, repeats: int = 3) -> float:
    best = np.inf
    for _ in range(repeats):
        start = time.perf_counter()
        for _ in run_course(course, workers=WORKERS):
            pass
        best = min(best, time.perf_counter() - start)
    return best


def _a_trace() -> list[dict[str, Any]]:
    rows = []
    for what, instrument, permittivity, cell_m, traces, target in (
        ("dry", DRY, 4.5, 0.025, 80, "<= 0.015 s"),
        ("wet", WET, 16.0, 0.0067, 6, "stated"),
    ):
        start = time.perf_counter()
        course = soil_course(0.05 * np.arange(traces), instrument, permittivity, cell_m, (5.0, 2.5))
        planning = time.perf_counter() - start
        _seconds(course, 1)
        seconds = (_seconds(course) + planning) / traces
        cost = f"{course.cell_updates / 1e6:,.0f} M updates at {course.cell_updates / seconds / 1e9:.1f} G/s"
        name = f"a trace, {what}, {instrument.centre_mhz:.0f} MHz, cell {1e3 * cell_m:g} mm: {cost}"
        rows.append(row(name, seconds, target))
    return rows


def _flat(counts: tuple[int, ...]) -> list[dict[str, Any]]:
    each = {}
    for count in counts:
        start = time.perf_counter()
        course = soil_course(SMALL_TRACES_M * np.arange(count), SMALL, 4.5, 0.025, (1.25, 0.75))
        planning = time.perf_counter() - start
        each[count] = (_seconds(course, 7 if count <= 100 else 3 if count <= 1000 else 1) + planning) / count
    first = each[counts[0]]
    return [
        row(f"a trace among {count:,}, window of 1.25 × 0.75 m", seconds, f"flat: {seconds / first:.2f} x")
        for count, seconds in each.items()
    ]


def _memory() -> dict[str, Any]:
    """What one worker allocates at most, in arrays of the grid; the section's own arrays apart."""
    course = soil_course(np.zeros(2), DRY, 4.5, 0.0125, (5.0, 2.5))
    list(run_course(course, workers=1))
    tracemalloc.start()
    for _ in run_course(course, workers=1):
        pass
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    arrays = most / (4 * course.grid.cells_of_window(course.columns))
    return {**row("memory of a trace, over that of one field", arrays, "<= 8 arrays"), "unit": "arrays"}


def _starts() -> list[dict[str, Any]]:
    """Seconds to the first trace in a new process: nothing compiled before, then all."""
    with tempfile.TemporaryDirectory() as folder:
        # Numba's folder and that of the tile shapes: both empty.
        clean = {**os.environ, "NUMBA_CACHE_DIR": f"{folder}/numba", "XDG_CACHE_HOME": f"{folder}/cache"}
        started = [_start(clean) for _ in range(4)]
    cold, warm = started[0], min(started[1:], key=lambda parts: parts[1])
    return [
        row("first trace of the first run ever, imports included", sum(cold), "<= 25 s"),
        row("first trace of a later run, beyond imports", warm[1], "<= 1 s"),
        row("imports of a later run", warm[0], "-"),
    ]


def _start(environment: dict[str, str]) -> tuple[float, float]:
    done = subprocess.run([sys.executable, "-c", START], env=environment, capture_output=True, text=True, check=True)
    imports, first = (float(part) for part in done.stdout.split())
    return imports, first


if __name__ == "__main__":
    for line in run("--long" in sys.argv):
        print(f"{line['name']:<80} {line['ours_s']:>9.4g} {line['unit']:<7} {line['target']}", flush=True)
