"""Kirchhoff sums beside PyLops' compiled engine and beside C with OpenMP.

A section of 600 traces × 512 samples to an image of 600 × 300, single precision, two threads. All add the same samples
up with weight one, along straight lines between samples; what they give is compared before the clock starts. PyLops is
given its traveltimes in a table, made once; with its set-up counted, the table is made within the time. Rows with our
45° aperture, which PyLops cannot leave out of its sum, do less than it does: that is what an aperture is for. PyLops
runs on two threads only where NUMBA_NUM_THREADS is set before it is loaded.
"""

from __future__ import annotations

import contextlib
import ctypes
import importlib
import os
import shutil
import subprocess
import tempfile
import warnings
from functools import cache, partial
from pathlib import Path
from typing import Any

import numpy as np
from scipy import ndimage

from bench.copy_speed import copy_bytes_a_second
from bench.wave_problem import agree, best_seconds, row
from yewline.signal import Section
from yewline.signal.migration import (
    KirchhoffOptions,
    Recording,
    antennas_on_line,
    migrate_kirchhoff,
    migrate_phase_shift,
    migrate_stolt,
    places_below_line,
)
from yewline.signal.migration.kirchhoff_engines import Sums, choose_sums, make_plan

TRACES, SAMPLES, DEPTHS = 600, 512, 300
# So dense that nearly all pairs of trace and image point are heard within the record: nothing can be passed over.
DX, DZ, DT, V, MHZ = 0.01, 0.01, 0.25, 0.1, 300.0
X, Z = DX * np.arange(TRACES), DZ * np.arange(1, DEPTHS + 1)
REPEATS = 5


def run() -> list[dict[str, Any]]:
    return [*_sums(), *_lines()]


def data() -> np.ndarray:
    """Noise in the antenna's band: of white noise single precision would keep three digits."""
    u = (np.pi * MHZ * 1e-3 * DT * np.arange(-12, 13)) ** 2
    noise = np.random.default_rng(0).standard_normal((TRACES, SAMPLES))
    values = ndimage.convolve1d(noise, (1 - 2 * u) * np.exp(-u), axis=1).astype(np.float32)
    values[:, -1] = 0.0
    return values


def sums_of(aperture_deg: float, *, table: bool) -> Sums:
    options = KirchhoffOptions("none", aperture_deg=aperture_deg, antialias=False, finer=1)
    plan = make_plan(antennas_on_line(X), places_below_line(X, Z), V, Recording(SAMPLES, DT, MHZ), options)
    return choose_sums(plan, table=table)


def _sums() -> list[dict[str, Any]]:
    copies = np.zeros((1, TRACES, SAMPLES + 2), np.float32)
    copies[0, :, :SAMPLES] = data()

    def ours(sums: Sums) -> np.ndarray:
        image = np.zeros((TRACES, DEPTHS), np.float32)
        sums.gather(copies, image)
        return image

    ready = {(a, t): sums_of(a, table=t) for a in (90.0, 45.0) for t in (False, True)}
    works = {key: partial(ours, sums) for key, sums in ready.items()}
    works["built"] = lambda: ours(sums_of(90.0, table=True))
    peers = {"PyLops": _pylops(), "C": _in_c(copies[0], 1e12), "C 45": _in_c(copies[0], 1.0)}
    whole = works[90.0, False]()
    agree(whole.ravel(), works[90.0, True]().ravel(), "the table of offsets")
    for name in ("PyLops", "C"):
        if peers[name] is not None:
            agree(whole.ravel(), peers[name]().ravel(), name)
    used = {name: work for name, work in peers.items() if work is not None}
    best = best_seconds({**works, **used}, REPEATS)
    if peers["PyLops"] is not None:
        best["PyLops built"] = best_seconds({"built": lambda: _pylops()()}, 1)["built"]
    size = f"Kirchhoff {TRACES} × {SAMPLES} to {TRACES} × {DEPTHS}"
    asked = [
        (f"{size}, on the fly", (90.0, False), "PyLops", ">= 1.8 x"),
        (f"{size}, on the fly, 45°", (45.0, False), "PyLops", ">= 3 x"),
        (f"{size}, table of offsets", (90.0, True), "PyLops", ">= 5 x"),
        (f"{size}, table of offsets, 45°", (45.0, True), "PyLops", ">= 5 x"),
        (f"{size}, table of offsets and its set-up", "built", "PyLops built", ">= 10 x"),
        (f"{size}, on the fly", (90.0, False), "C", ">= 0.8 x"),
        (f"{size}, on the fly, 45°", (45.0, False), "C 45", ">= 0.8 x"),
        (f"{size}, table of offsets", (90.0, True), "C", ">= 3 x"),
    ]
    rows = []
    for name, mine, peer, target in asked:
        if peer in best:
            label = "PyLops, compiled" if "PyLops" in peer else "C with OpenMP, on the fly"
            rows.append(row(name, best[mine], target, label, best[peer]))
        else:
            rows.append(row(name, best[mine], f"skipped: {'PyLops' if 'Py' in peer else 'a C compiler'} is not there"))
    # Two samples and a sum are read and the sum written for each pair, were nothing kept in the caches.
    moved = 16.0 * TRACES * TRACES * DEPTHS
    copied = copy_bytes_a_second(2)
    for name, key in (("on the fly", (90.0, False)), ("table of offsets", (90.0, True))):
        rows.append({"name": f"{size}, {name}: bytes asked for over copy bandwidth",
                     "ours_s": moved / best[key] / copied, "unit": "x", "peer": None, "peer_s": None, "ratio": None,
                     "target": ""})  # fmt: skip
    return rows


def _lines() -> list[dict[str, Any]]:
    section = Section(interval_ns=DT, spacing_m=DX, centre_mhz=MHZ, velocity_m_per_ns=V)
    values = data()
    steps = {step.__name__: partial(step, values, section) for step in (migrate_kirchhoff, migrate_stolt)}
    steps["migrate_phase_shift"] = partial(migrate_phase_shift, values, section)
    for work in steps.values():
        work()
    best = best_seconds(steps, 3)
    return [row(f"{name}, a line of {TRACES} × {SAMPLES}, one thread", best[name], "") for name in steps]


def _module(name: str) -> Any:
    with contextlib.suppress(ImportError):
        return importlib.import_module(name)
    return None


def _pylops() -> Any:
    """Its sum over the same traces, with its table made; None where it is not installed."""
    os.environ.setdefault("NUMBA_NUM_THREADS", "2")
    module = _module("pylops.waveeqprocessing.kirchhoff")
    if module is None:
        return None
    time = 2.0 / V * np.hypot(X[:, None, None] - X, Z[None, :, None])
    with warnings.catch_warnings():
        # It announces a change of its own arguments.
        warnings.simplefilter("ignore")
        peer = module.Kirchhoff(
            z=Z, x=X, t=DT * np.arange(SAMPLES), srcs=np.zeros((2, 1)), recs=np.vstack([X, 0 * X]), vel=V,
            wav=np.ones(1, np.float32), wavcenter=0, mode="byot", trav=time.reshape(-1, TRACES), engine="numba",
            dtype="float32",
        )  # fmt: skip
    flat = data().ravel()
    return lambda: peer._rmatvec(flat)


@cache
def _library() -> ctypes.CDLL | None:
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None:
        return None
    folder = Path(tempfile.mkdtemp())
    try:
        target, source = folder / "migration_kernel.so", Path(__file__).with_name("migration_kernel.c")
        flags = ("-O3", "-march=native", "-fopenmp", "-ffast-math", "-shared", "-fPIC")
        done = subprocess.run([compiler, *flags, "-o", target, source, "-lm"], capture_output=True, check=False)
        return None if done.returncode else ctypes.CDLL(str(target))
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _in_c(traces: np.ndarray, tangent: float) -> Any:
    library = _library()
    if library is None:
        return None
    x, z = X.astype(np.float32), Z.astype(np.float32)
    image = np.empty((TRACES, DEPTHS), np.float32)
    held = np.ascontiguousarray(traces)
    whole, real = ctypes.c_int64, ctypes.c_float
    pointers = [ctypes.c_void_p(part.ctypes.data) for part in (held, x, z, image)]
    sizes = [whole(n) for n in (TRACES, TRACES, DEPTHS, held.shape[1])]

    def work() -> np.ndarray:
        library.gather(*pointers, *sizes, real(2.0 / (V * DT)), real(tangent), ctypes.c_int(2))
        return image

    # What the pointers point to has to outlive this call.
    work.held = (held, x, z)  # type: ignore[attr-defined]
    return work
