"""Each compiled kernel of signals and positions on one line, and its share of what the machine's memory copies.

The share is that of the least a kernel can move: every array that goes in or comes out, once, over its time, beside the
bytes that a plain copy reads and writes on as many threads, measured in the same run. A kernel near 1 is bound by
memory; a low share is arithmetic on what the caches hold, or sums over many samples for each one that is written.
Kernels that only another kernel calls are timed in it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import Any

import numpy as np
import scipy.signal

from bench.copy_speed import copy_bytes_a_second
from bench.wave_problem import best_seconds
from yewline.positions.lag_kernels import lag_products
from yewline.signal import Section
from yewline.signal.attributes.kernels import stack_neighbours
from yewline.signal.dips.air_grid import AirGrid
from yewline.signal.dips.kernels import stack_along
from yewline.signal.engines import COMPILED
from yewline.signal.migration import (
    KirchhoffOptions,
    Layers,
    Recording,
    VelocitySection,
    antennas_on_line,
    eikonal_times,
    phase_kernels,
    places_below_line,
)
from yewline.signal.migration.kirchhoff_engines import choose_sums, make_plan
from yewline.signal.sliding_median import sliding_median
from yewline.signal.velocity.curves import moveout_curves, offsets_of
from yewline.signal.velocity.engines import COMPILED as SEARCH
from yewline.signal.wavelets import solve_levinson

TRACES, SAMPLES, DT, DX, MHZ, V = 600, 512, 0.25, 0.05, 400.0, 0.1
SECTION = Section(interval_ns=DT, spacing_m=DX, centre_mhz=MHZ, separation_m=0.16)
THREADS, REPEATS = 2, 4

Kernel = tuple[str, int, Callable[..., Any], tuple[Any, ...]]
"""Name, threads, what to call, with what."""


def run() -> Iterator[dict[str, Any]]:
    yield from (_row(*kernel) for part in (_filters, _sums, _search, _migration) for kernel in part())


def _filters() -> Iterator[Kernel]:
    rng = np.random.default_rng(0)
    x = rng.standard_normal((TRACES, SAMPLES), np.float32)
    centre, use = np.full(TRACES, 40), np.ones(TRACES, bool)
    pulse = rng.standard_normal(25)
    pulse = ((pulse - pulse.mean()) / np.linalg.norm(pulse - pulse.mean())).astype(np.float32)
    weights = rng.standard_normal((TRACES, 8), np.float32)
    sos = scipy.signal.butter(4, [0.06, 0.5], "bandpass", output="sos")
    yield "running mean", 1, COMPILED.running_mean, (x, 10)
    yield "second-order sections, 4, both ways", 1, COMPILED.second_order_sections, (x, sos, np.zeros(5), 27)
    yield "largest swing", 1, COMPILED.largest_swing, (x, SAMPLES)
    yield "mean about picks", 1, COMPILED.mean_about, (x[:, :80].copy(), centre, use, 25, 25)
    yield "correlation at 21 lags", 1, COMPILED.correlate_lags, (x[:, :80].copy(), centre, pulse, 10)
    yield "shift by parts of a sample", 1, COMPILED.shift_traces, (x, centre, weights)
    spectrum = np.fft.fft2(rng.standard_normal((720, 800)))[:, :401].astype(np.complex64)
    lateral, table = 0.5 * np.arange(361), np.full((513, 8), 0.125, np.float32)
    yield "Stolt's change of variable", 1, COMPILED.stolt_map, (spectrum, lateral, table, 800, 256)
    yield "sliding median over 101 traces", 1, sliding_median, (x, 101)
    systems = np.tile(0.5 ** np.arange(50.0), (1_000, 1))
    yield "Levinson, 1,000 systems of 50", 1, solve_levinson, (systems, systems[:, ::-1].copy())


def _sums() -> Iterator[Kernel]:
    rng = np.random.default_rng(1)
    x = rng.standard_normal((TRACES, SAMPLES), np.float32)
    late, part = np.arange(-2, 3), np.full(5, 0.3, np.float32)
    yield "stack of five neighbours along a dip", 1, stack_neighbours, (x, -2, 3, late, part)
    grid = AirGrid.over(SECTION, x.shape, (0.3, None), reach_m=4.0, beyond_m=0.5, fewest=12)
    assert grid is not None
    tables = grid.tables(grid.apart_m, 1.0, 0.0)
    yield "stack along air waves", 1, stack_along, (x, grid.apex, -grid.reach, *tables)
    pictures, known = rng.standard_normal((2, 400, 48), np.float32), np.ones(400, bool)
    yield "products of two lines at 65 lags", 1, lag_products, (*pictures, known, known, 32)


def _search() -> Iterator[Kernel]:
    rng = np.random.default_rng(2)
    real, imag = rng.standard_normal((2, 1_000, SAMPLES), np.float32)
    curves = moveout_curves(
        np.arange(4.3, 0.15 * (SAMPLES - 1), 0.45), np.geomspace(0.045, 0.3, 16), offsets_of(40),
        spacing_m=DX, separation_m=0.16, interval_ns=0.15, samples=SAMPLES, reach=1.0,
    )  # fmt: skip
    yield "scan for hyperbolas", 1, SEARCH.scan, (real, imag, *curves, 1, 0.1)
    traces = np.arange(100)
    places = rng.uniform(0, SAMPLES - 1, (4_000, 100))
    yield "sums along 4,000 curves", 1, SEARCH.moveout_sums, (real, imag, traces, places)
    geometry = np.array([DX, 0.16, 0.15, 1.0, 0.1, 1.0])
    where = (rng.integers(100, 900, 400), rng.uniform(10, 60, 400), np.full(400, V))
    steps = (np.linspace(-0.2, 0.2, 5), np.linspace(0.95, 1.05, 5))
    yield "finer curves about 400 places", 1, SEARCH.rescore, (real, imag, *where, *steps, offsets_of(40), geometry)
    yield (
        "times and slopes of a hyperbola",
        1,
        SEARCH.diffraction,
        (DX * np.arange(10_000), 3.0, 1.0, V, 0.16, 0.1, 1.5),
    )


def _migration() -> Iterator[Kernel]:
    rng = np.random.default_rng(3)
    z = 0.01 * np.arange(1, 301)
    options = KirchhoffOptions("none", aperture_deg=45.0, antialias=False, finer=1)
    # Times are swept anew for each place of an antenna, which is nearly all of that sum's work: a few traces do.
    grounds = {
        "straight rays": (V, TRACES, False),
        "table of offsets": (V, TRACES, True),
        "rays through layers": (Layers([0.0, 0.8], [0.12, 0.09]), TRACES, False),
        "swept times, sweeps and all": (VelocitySection(np.full((301, 151), V), 0.02), 40, False),
    }
    for name, (ground, count, table) in grounds.items():
        x = 0.02 * np.arange(count)
        plan = make_plan(antennas_on_line(x), places_below_line(x, z), ground, Recording(SAMPLES, DT, MHZ), options)
        sums = choose_sums(plan, table=table)
        copies = rng.standard_normal((1, count, SAMPLES + 2)).astype(np.float32)
        image = np.zeros((count, len(z)), np.float32)
        yield f"Kirchhoff of {count} traces, {name}, 45°", THREADS, sums.gather, (copies, image)
        yield f"its transpose, {name}, 45°", THREADS, sums.scatter, (copies, image)
    velocity = VelocitySection(np.full((301, 151), V), 0.02)
    for order in ("first", "second"):
        sweep = partial(eikonal_times, [[1.003, 0.0], [4.003, 0.0]], order=order)
        yield f"eikonal, two sources, {order} order", THREADS, partial(_eikonal, sweep), (velocity.velocity_m_per_ns,)
    spectrum = rng.standard_normal((640, 257)) + 1j * rng.standard_normal((640, 257))
    k, omega, squares = rng.uniform(-60, 60, 640), np.linspace(0, 6, 257), np.full(SAMPLES, V**2)
    down = np.zeros((640, SAMPLES), complex)
    yield "phase shift down", THREADS, phase_kernels.carry_down_parallel, (spectrum, k, squares, omega, DT, down)
    yield "phase shift up", THREADS, phase_kernels.carry_up_parallel, (down, k, squares, omega, DT, spectrum.copy())


def _eikonal(sweep: Callable[..., Any], velocity: np.ndarray) -> Any:
    return sweep(ground=VelocitySection(velocity, 0.02))


def _row(name: str, threads: int, kernel: Callable[..., Any], given: tuple[Any, ...]) -> dict[str, Any]:
    made = kernel(*given)
    arrays = [
        part for part in (*given, *(made if isinstance(made, tuple) else (made,))) if isinstance(part, np.ndarray)
    ]
    moved = sum(array.nbytes for array in arrays)
    seconds = best_seconds({name: lambda: kernel(*given)}, REPEATS)[name]
    share = moved / seconds / copy_bytes_a_second(threads)
    told = f"{100 * share:.2g} % of copying memory on {'one thread' if threads == 1 else 'two threads'}"
    return {
        "name": f"kernel: {name}", "ours_s": seconds, "unit": "s", "peer": None, "peer_s": None, "ratio": None,
        "target": told, "share_of_copy": share,
    }  # fmt: skip
