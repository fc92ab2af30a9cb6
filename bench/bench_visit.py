"""A visit of 400,000 traces of 512 samples through the standard recipe: memory, and bytes a second.

`python -m bench visit` writes 0.8 GB of recordings to a temporary folder and runs all steps over them in a process of
its own, whose peak of memory the system tells. Beside it: how fast the same bytes are copied in memory and written to
disk.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from bench.copy_speed import copy_bytes_a_second
from yewline.progress import SILENT
from yewline.recipe import standard_recipe
from yewline.workspace import open_site
from yewline.workspace.around import Surroundings
from yewline.workspace.line_cache import LineCache
from yewline.workspace.stage_lines import finish_lines, make_lines

LINES, TRACES, SAMPLES, INTERVAL_NS, SPACING_M = 100, 4_000, 512, 0.2, 0.01
MOST_GB = 2.0


def run() -> list[dict[str, Any]]:
    with tempfile.TemporaryDirectory() as folder:
        site = Path(folder) / "site"
        written = _write_site(site)
        size = LINES * TRACES * SAMPLES * 4
        done = subprocess.run(
            [sys.executable, "-m", "bench.bench_visit", str(site)], check=True, capture_output=True, text=True
        )
        told = json.loads(done.stdout.splitlines()[-1])
        disk = size / written / 1e6
    # A copy reads and writes each byte.
    memory = copy_bytes_a_second(2) / 2e6
    name = f"{LINES * TRACES:,} traces × {SAMPLES} samples, standard recipe, two threads"
    speed = size / told["seconds"] / 1e6
    target = f"{speed:.0f} MB/s; the disk takes {disk:.0f} MB/s, memory copies {memory:.0f} MB/s"
    return [
        _row(name, told["seconds"], target),
        _row("  of which first part, raw files to processed lines", told["first"], ""),
        _row("  peak of memory", told["peak_gb"], f"<= {MOST_GB:g} GB", "GB"),
    ]


def _row(name: str, value: float, target: str, unit: str = "s") -> dict[str, Any]:
    return {
        "name": name, "ours_s": value, "unit": unit, "peer": None, "peer_s": None, "ratio": None, "target": target
    }  # fmt: skip


def _write_site(root: Path) -> float:
    """A site of one visit; seconds that writing its recordings took."""
    lines = root / "visits" / "day" / "lines"
    lines.mkdir(parents=True)
    (root / "site.toml").write_text('name = "Large"\n[release]\ndecided_by = "the bench"\n')
    (root / "visits" / "day" / "visit.toml").write_text(
        "date = 2031-04-01\n[antenna]\ncentre_mhz = 400.0\nseparation_m = 0.16\n[soil]\nvelocity_m_per_ns = 0.1\n"
    )
    rows = ["line,grid,file,first_trace,last_trace,x0,y0,x1,y1,note"]
    rng = np.random.default_rng(1)
    noise = rng.normal(0.0, 0.02, (TRACES + LINES, SAMPLES)).astype(np.float32)
    t = INTERVAL_NS * np.arange(SAMPLES)
    arg = (np.pi * 0.4 * (t - 6.0)) ** 2
    direct = ((1 - 2 * arg) * np.exp(-arg)).astype(np.float32)
    seconds = 0.0
    for n in range(LINES):
        samples = direct + noise[n : n + TRACES] * np.exp(-t / 40.0).astype(np.float32)
        start = time.perf_counter()
        with (lines / f"L{n:03d}.bin").open("wb") as file:
            file.write(samples.tobytes())
            # Into the disk, not only into the system's own memory.
            file.flush()
            os.fsync(file.fileno())
        seconds += time.perf_counter() - start
        described = f'samples = {SAMPLES}\ndtype = "float32"\nbyte_order = "little"\ninterval_ns = {INTERVAL_NS}\n'
        (lines / f"L{n:03d}.bin.toml").write_text(described)
        y = 0.25 * n
        rows.append(f"L{n:03d},,L{n:03d}.bin,,,0,{y},{SPACING_M * (TRACES - 1):.2f},{y},")
    (root / "visits" / "day" / "lines.csv").write_text("\n".join(rows) + "\n")
    return seconds


def _work(root: Path) -> dict[str, float]:
    """All steps before and after the velocity, on every line."""
    site, recipe = open_site(root), standard_recipe()
    cache = LineCache(root / "results" / "cache")
    start = time.perf_counter()
    lines, _ = make_lines(site, recipe, cache=cache, progress=SILENT)["day"]
    first = time.perf_counter() - start
    finish_lines(Surroundings(lines, recipe, 0.1), cache=cache, progress=SILENT, label="")
    seconds = time.perf_counter() - start
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    return {"seconds": seconds, "first": first, "peak_gb": peak}


if __name__ == "__main__":
    print(json.dumps(_work(Path(sys.argv[1]))))
