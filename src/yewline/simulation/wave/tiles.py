"""How many steps a row should go forward while in the cache: found by trying, once for a machine and a size."""

from __future__ import annotations

import json
import os
import platform
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Final

import numba
import numpy as np

from yewline.simulation.wave.grid import Grid, window_of
from yewline.simulation.wave.shots import Tiling, fire_in

__all__ = ["best_tiling", "tiling_file"]

_DEPTHS: Final = (1, 4, 8, 16, 32)
_WIDTH_OVER_DEPTH: Final = 2
_TRIAL_CELLS: Final = 6e6
"""Cell updates of one trial: a few milliseconds."""
_SMALL_BYTES: Final = 1 << 19
"""Windows below this fit any processor's second cache, where the order of work makes no difference."""
_known: dict[str, Tiling] = {}


def best_tiling(grid: Grid, columns: int, threads: int = 1) -> Tiling:
    """The tiling that was fastest for windows of this size on this machine.

    Parameters
    ----------
    grid, columns : what will be run.
    threads : how many windows side by side: they share the machine's last cache and its memory's speed.

    Returns
    -------
    Tiling; found by a trial of some tenths of a second at its first use and kept in `tiling_file`.

    Notes
    -----
    Every tiling gives the same bits, so that a wrong choice costs time only.
    """
    size = grid.bytes_of_window(columns)
    if size <= _SMALL_BYTES:
        return Tiling(16, 32)
    key = f"{platform.machine()}|{_processor()}|numba {numba.__version__}|{threads} threads|2^{size.bit_length()} bytes"
    if key not in _known:
        kept = _read()
        if key not in kept:
            kept[key] = _fastest_depth(grid, columns, threads)
            _write(kept)
        _known[key] = Tiling(kept[key], _WIDTH_OVER_DEPTH * kept[key])
    return _known[key]


def tiling_file() -> Path:
    """Where the choice is kept: in the user's cache, safe to delete."""
    base = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA") or str(Path.home() / ".cache")
    return Path(base) / "yewline" / "tiles.json"


def _fastest_depth(grid: Grid, columns: int, threads: int) -> int:
    window = window_of(grid, 0, columns)
    steps = max(32, round(_TRIAL_CELLS / grid.cells_of_window(columns)))
    section = grid.section
    middle = section.x0_m + 0.5 * (columns - 1) * section.cell_m
    place = [[middle, section.z0_m + 0.5 * (section.depths - 1) * section.cell_m]]
    current = np.ones((1, steps))

    def shot(tiling: Tiling) -> None:
        fire_in(window, place, current, place, tiling=tiling)

    best = dict.fromkeys(_DEPTHS, np.inf)
    with ThreadPoolExecutor(threads) as pool:
        for depth in _DEPTHS * 3:
            started = time.perf_counter()
            list(pool.map(shot, [Tiling(depth, _WIDTH_OVER_DEPTH * depth)] * threads))
            best[depth] = min(best[depth], time.perf_counter() - started)
    return min(best, key=lambda depth: best[depth])


def _processor() -> str:
    with suppress(OSError):
        for line in Path("/proc/cpuinfo").read_text(encoding="utf-8", errors="replace").splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    return platform.processor()


def _read() -> dict[str, int]:
    try:
        kept = json.loads(tiling_file().read_text(encoding="utf-8"))
    except (OSError, ValueError, RuntimeError):
        # Somebody without a home has no cache either.
        return {}
    if not isinstance(kept, dict):
        return {}
    return {str(key): depth for key, depth in kept.items() if depth in _DEPTHS}


def _write(kept: dict[str, int]) -> None:
    # A cache that cannot be written is found again next time.
    with suppress(OSError, RuntimeError):
        path = tiling_file()
        path.parent.mkdir(parents=True, exist_ok=True)
        draft = path.with_suffix(f".{os.getpid()}")
        draft.write_text(json.dumps(kept, indent=1, sort_keys=True) + "\n", encoding="utf-8")
        draft.replace(path)
