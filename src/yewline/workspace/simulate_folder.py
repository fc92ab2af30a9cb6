"""The folder that a simulation writes: new, begun, or done; whose it is; and how the finished site moves into place."""

from __future__ import annotations

import hashlib
import json
import platform
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

import numba
import numpy as np
import scipy

from yewline.errors import SiteError
from yewline.formats import write_atomic
from yewline.model import version
from yewline.simulation.scenes import SceneFile, scene_to_toml
from yewline.workspace.simulate_work import WORK

__all__ = ["STAMP", "Identity", "State", "begin_work", "finish_work", "identity_of", "is_complete", "state_of"]

State = Literal["new", "begun", "done"]

STAMP: Final = "truth/truth.json"
_KEY, _COMPLETE = "key.json", "complete"
_ENGINE: Final = "libraries"


@dataclass(frozen=True, slots=True)
class Identity:
    """All that decides what a simulated site holds.

    Attributes
    ----------
    scene : name of the scene.
    digest : SHA-256 of the scene as text, with everything that was drawn or filled in.
    version : of yewline.
    days, lines : names of those that are simulated, in their order.
    """

    scene: str
    digest: str
    version: str
    days: tuple[str, ...]
    lines: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """A plain dictionary for JSON."""
        told = {"scene": self.scene, "digest": self.digest, "version": self.version}
        return {**told, "days": list(self.days), "lines": list(self.lines)}


def identity_of(scene: SceneFile, days: tuple[str, ...], lines: tuple[str, ...]) -> Identity:
    """What a site of this scene, with these days and lines, is known by."""
    text = scene_to_toml(scene).encode()
    return Identity(scene.name, hashlib.sha256(text).hexdigest(), version(), days, lines)


def state_of(root: Path, identity: Identity) -> State:
    """Whether a folder is free, holds this simulation under way, or holds it done.

    Raises
    ------
    SiteError : it is no folder, or holds anything else.
    """
    if root.exists() and not root.is_dir():
        raise SiteError("not a folder", where=str(root), do="choose another name")
    key, stamp = root / WORK / _KEY, root / STAMP
    if key.is_file():
        _refuse_other(root, _read(key), {**identity.as_dict(), _ENGINE: _libraries()}, begun=True)
        return "begun"
    if stamp.is_file():
        _refuse_other(root, _read(stamp).get("simulation"), identity.as_dict(), begun=False)
        return "done"
    if root.exists() and any(path.name != WORK for path in root.iterdir()):
        raise SiteError("the folder exists and is not empty", where=str(root), do="choose another name")
    return "new"


def _refuse_other(root: Path, there: Any, wanted: dict[str, Any], *, begun: bool) -> None:
    if there == wanted:
        return
    do = f"delete {root / WORK} to begin again" if begun else "delete the folder to simulate again"
    do = f"choose another folder, or {do}"
    what = "a simulation that was begun" if begun else "a finished simulation"
    if not isinstance(there, dict) or not set(wanted) <= set(there):
        raise SiteError("the folder holds another site", where=str(root), do="choose another folder")
    differs = next(name for name in wanted if there[name] != wanted[name])
    said = {
        "scene": f"of the scene '{there['scene']}'",
        "digest": f"of another form of the scene '{there['scene']}'",
        "version": f"of version {there['version']}",
        "days": f"of the days {', '.join(there['days'])}",
        "lines": f"of the lines {', '.join(there['lines'])}",
        _ENGINE: "with other versions of the libraries, or on another kind of machine",
    }
    raise SiteError(
        f"the folder holds {what} {said[differs]}", where=str(root), received=_short(wanted[differs]), do=do
    )


def _short(value: Any) -> str:
    text = ", ".join(value) if isinstance(value, list) else str(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def begin_work(root: Path, identity: Identity) -> Path:
    """Make the work folder, or find it; return it."""
    work = root / WORK
    work.mkdir(parents=True, exist_ok=True)
    if not (work / _KEY).is_file():
        text = json.dumps({**identity.as_dict(), _ENGINE: _libraries()}, indent=1, sort_keys=True)
        write_atomic(work / _KEY, text.encode())
    return work


def is_complete(root: Path) -> bool:
    """Whether the finished site lies whole in the work folder, or was being moved out of it."""
    return (root / WORK / _COMPLETE).is_file()


def finish_work(root: Path) -> None:
    """Move the finished site out of the work folder, which is then removed; may be stopped and done again."""
    work = root / WORK
    write_atomic(work / _COMPLETE, b"")
    site = work / "site"
    if site.is_dir():
        # What tells that a site is there, its settings and its stamp, comes last.
        for path in sorted(site.iterdir(), key=lambda path: (path.name in ("truth", "site.toml"), path.name)):
            path.rename(root / path.name)
    for path in sorted(work.iterdir(), key=lambda path: path.name in (_KEY, _COMPLETE)):
        shutil.rmtree(path) if path.is_dir() else path.unlink()
    work.rmdir()


def _libraries() -> str:
    # Their last bits may differ, and a site is to be the same whether or not its making was interrupted.
    parts = (("numpy", np), ("scipy", scipy), ("numba", numba))
    return ", ".join([platform.machine(), *(f"{name} {module.__version__}" for name, module in parts)])


def _read(path: Path) -> Any:
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
