"""Stages that are done once: each product lies under `results/` with the key of all that it was made from.

A product is written beside its place under a name of its own and moved there when whole, and only then is its key
noted; so an interrupted run leaves either a whole product with its key, or nothing that counts.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

__all__ = ["PARTIAL", "StageCache", "write_atomically"]

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
    """The stages that are done, in `results/stages.json`: key, and every file made with its size.

    A stage whose files are not all there as they were made is done again. `made` and `kept` name the stages of this
    run, in order, for telling what was done.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.made: list[str] = []
        self.kept: list[str] = []
        self._path = folder / "stages.json"
        self._done: dict[str, dict[str, Any]] = self._read()

    def _read(self) -> dict[str, dict[str, Any]]:
        try:
            held: Any = json.loads(self._path.read_text(encoding="utf-8"))
        except (FileNotFoundError, ValueError):
            return {}
        if not isinstance(held, dict):
            return {}
        return {str(k): v for k, v in held.items() if isinstance(v, dict) and isinstance(v.get("files"), dict)}

    def is_fresh(self, stage: str, key: str, products: list[Path]) -> bool:
        """Whether a stage was done with this key and all its products are still there."""
        done = self._done.get(stage)
        if done is None or done.get("key") != key or not all(path.exists() for path in products):
            return False
        return self._sizes(self.folder / name for name in done["files"]) == done["files"]

    def do(self, stage: str, key: str, products: list[Path], make: Callable[[], object]) -> bool:
        """Do a stage unless it is fresh; returns whether it was done now.

        Where `make` returns a list of paths, these are what it made; else it made `products`.
        """
        if self.is_fresh(stage, key, products):
            self.kept.append(stage)
            return False
        self._note(stage, None)
        told = make()
        files = [*products, *(path for path in (told if isinstance(told, list) else []) if isinstance(path, Path))]
        inside = (each for path in files for each in (sorted(path.rglob("*")) if path.is_dir() else [path]))
        self._note(stage, {"key": key, "files": self._sizes(inside)})
        self.made.append(stage)
        return True

    def forget_others(self, stages: set[str]) -> None:
        """Drop the keys of stages that are no longer part of the site."""
        for stage in sorted(set(self._done) - stages):
            self._note(stage, None)

    def _sizes(self, paths: Iterable[Path]) -> dict[str, int]:
        """Bytes of each file that is there, by its path relative to the folder of results."""
        return {path.relative_to(self.folder).as_posix(): path.stat().st_size for path in paths if path.is_file()}

    def _note(self, stage: str, done: dict[str, Any] | None) -> None:
        if done is None:
            if self._done.pop(stage, None) is None:
                return
        else:
            self._done[stage] = done
        text = json.dumps(self._done, indent=1, sort_keys=True) + "\n"
        write_atomically(self._path, lambda path: path.write_text(text, encoding="utf-8"))
