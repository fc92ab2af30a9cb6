"""Reading a SEG-Y file of IBM floats, 20,000 × 512, whole: against segyio's and ObsPy's whole-file read."""

from __future__ import annotations

import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import segyio

from yewline.formats import SegyOptions, read_segy, write_segy
from yewline.model import ReadHints

N_TRACE, N_SAMPLE = 20_000, 512


def run() -> list[dict[str, Any]]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # ObsPy's import uses a part of the standard library that is deprecated
        from obspy.io.segy.segy import _read_segy  # noqa: PLC0415
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "line.sgy"
        amplitude = np.random.default_rng(2).normal(scale=1000, size=(N_TRACE, N_SAMPLE)).astype(np.float32)
        write_segy(path, amplitude, interval_ns=0.4, picoseconds=True, options=SegyOptions(sample_format=1))

        def ours() -> np.ndarray:
            return read_segy(path, ReadHints()).amplitude

        def by_segyio() -> np.ndarray:
            with segyio.open(str(path), ignore_geometry=True) as file:
                return file.trace.raw[:]

        def by_obspy() -> np.ndarray:
            # The reader underneath `obspy.read`, without the Trace objects that one makes on top.
            return np.stack([trace.data for trace in _read_segy(str(path)).traces])

        readers = {"ours": ours, "segyio": by_segyio, "obspy": by_obspy}
        for read in readers.values():  # warm up compiled code and the page cache, and hold the outputs together
            if not np.array_equal(read(), ours()):
                raise AssertionError("the readers disagree")
        best = _best(readers, repeats={"ours": 9, "segyio": 9, "obspy": 3})
    return [
        {
            "name": f"read SEG-Y, IBM floats, {N_TRACE} x {N_SAMPLE}, whole file",
            "ours_s": best["ours"],
            "unit": "s",
            "peer": peer,
            "peer_s": best[peer],
            "ratio": best[peer] / best["ours"],
            "target": target,
        }
        for peer, target in (("segyio", ">= 2.5 x"), ("obspy", ">= 20 x"))
    ]


def _best(readers: dict[str, Callable[[], np.ndarray]], repeats: dict[str, int]) -> dict[str, float]:
    """Shortest of several runs each, taken in turns."""
    best = dict.fromkeys(readers, float("inf"))
    for turn in range(max(repeats.values())):
        for name, read in readers.items():
            if turn < repeats[name]:
                start = time.perf_counter()
                read()
                best[name] = min(best[name], time.perf_counter() - start)
    return best
