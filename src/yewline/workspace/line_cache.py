"""Half-done lines: what a recipe's first steps made of each, kept so that only the steps that changed are run again.

A line's key is that of its recording and of every step up to there, so that nothing stale is ever found under it. The
folder is safe to delete at any time.
"""

from __future__ import annotations

import contextlib
import json
import os
from pathlib import Path
from threading import get_ident
from typing import Any, Final
from zipfile import BadZipFile

import numpy as np
import xarray as xr

from yewline.workspace.cache import PARTIAL
from yewline.workspace.stored_line import COORDINATES, stored_line

__all__ = ["LineCache"]

_MOST_BYTES: Final = 4 * 2**30
"""Half-done lines kept between runs; those that were used longest ago go first."""


class LineCache:
    """Radargrams in a folder by key.

    Parameters
    ----------
    folder : made when something is put there.
    most_bytes : `prune` leaves no more than that.
    """

    def __init__(self, folder: Path, *, most_bytes: int = _MOST_BYTES) -> None:
        self.folder = folder
        self.most_bytes = most_bytes

    def get(self, key: str) -> xr.DataArray | None:
        """The radargram of that key; None where there is none, or the file is damaged."""
        path = self._path(key)
        try:
            with path.open("rb") as file, np.load(file, allow_pickle=False) as held:
                parts = {name: held[name] for name in held.files}
            about: dict[str, Any] = json.loads(parts["about"].item())
            os.utime(path)
            return stored_line(parts["amplitude"], parts["time"], parts, about)
        except (OSError, ValueError, KeyError, EOFError, BadZipFile):
            return None

    def put(self, key: str, radargram: xr.DataArray) -> None:
        """Keep a radargram; a stop half-way leaves nothing that counts."""
        path = self._path(key)
        path.parent.mkdir(parents=True, exist_ok=True)
        # Two runs on one site may make the same line at the same time: each writes a draft of its own.
        draft = path.with_name(f"{path.name}.{os.getpid()}-{get_ident()}{PARTIAL}")
        arrays: dict[str, Any] = {name: radargram[name].values for name in ("time", *COORDINATES)}
        about = json.dumps(radargram.attrs, default=float)
        with draft.open("wb") as file:
            np.savez(file, amplitude=np.ascontiguousarray(radargram.values), about=np.array(about), **arrays)
        draft.replace(path)

    def prune(self) -> None:
        """Remove what was used longest ago until no more than `most_bytes` are left."""
        files = sorted(self.folder.glob("*.npz"), key=lambda path: (path.stat().st_mtime_ns, path.name))
        total = sum(path.stat().st_size for path in files)
        for path in files:
            if total <= self.most_bytes:
                return
            # A file that another process has open, or has removed, is no reason to fail a finished run.
            with contextlib.suppress(OSError):
                total -= path.stat().st_size
                path.unlink()

    def _path(self, key: str) -> Path:
        return self.folder / f"{key}.npz"
