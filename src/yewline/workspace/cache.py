"""Stages that are done once: each product lies under `results/` with the key of all that it was made from.

A product is written beside its place under a name of its own and moved there when whole, and only then is its key
noted; so an interrupted run leaves either a whole product with its key, or nothing that counts.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

__all__ = ["PARTIAL", "StageCache", "write_atomically"]

T = TypeVar("T")
PARTIAL = ".partial"


def write_atomically(path: Path, write: Callable[[Path], object]) -> None:
    """Let `write` make a file or folder beside `path`, then move it there in one step."""
    path.parent.mkdir(parents=True, exist_ok=True)
    partial = path.with_name(path.name + PARTIAL)
    _remove(partial)
    write(partial)
    if path.is_dir():
        # A folder cannot be replaced in one step; its key was taken back before, so a stop here costs only time.
        shutil.rmtree(path)
    partial.replace(path)


def _remove(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)


class StageCache:
    """The keys of the stages that are done, in `results/stages.json`.

    `made` and `kept` name the stages of this run, in order, for telling what was done.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.made: list[str] = []
        self.kept: list[str] = []
        self._path = folder / "stages.json"
        self._keys: dict[str, str] = self._read()

    def _read(self) -> dict[str, str]:
        try:
            held: Any = json.loads(self._path.read_text(encoding="utf-8"))
        except (FileNotFoundError, ValueError):
            return {}
        return {str(k): str(v) for k, v in held.items()} if isinstance(held, dict) else {}

    def is_fresh(self, stage: str, key: str, products: list[Path]) -> bool:
        """Whether a stage was done with this key and all its products are still there."""
        return self._keys.get(stage) == key and all(path.exists() for path in products)

    def do(self, stage: str, key: str, products: list[Path], make: Callable[[], object]) -> bool:
        """Do a stage unless it is fresh; returns whether it was done now."""
        if self.is_fresh(stage, key, products):
            self.kept.append(stage)
            return False
        self._note(stage, None)
        make()
        self._note(stage, key)
        self.made.append(stage)
        return True

    def forget_others(self, stages: set[str]) -> None:
        """Drop the keys of stages that are no longer part of the site."""
        for stage in sorted(set(self._keys) - stages):
            self._note(stage, None)

    def _note(self, stage: str, key: str | None) -> None:
        if key is None:
            if self._keys.pop(stage, None) is None:
                return
        else:
            self._keys[stage] = key
        text = json.dumps(self._keys, indent=1, sort_keys=True) + "\n"
        write_atomically(self._path, lambda path: path.write_text(text, encoding="utf-8"))
