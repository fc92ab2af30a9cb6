"""The demo's clean fields: every line on both days as the full wave gave it, small enough to travel with the code.

Samples are whole multiples of a step well below the receiver's noise, as differences from trace to trace, compressed.
`make demo-data` computes them again; that takes an hour or so.
"""

from __future__ import annotations

import hashlib
import io
import json
import lzma
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from yewline.errors import FormatError, InputError
from yewline.simulation import SceneFile, scene_to_toml

__all__ = ["STEP", "DemoFields", "read_fields", "scene_digest", "shipped_fields", "write_fields"]

Float32 = npt.NDArray[np.float32]

STEP = 0.0004
"""Field of one count: rounding to it adds a fifth of the receiver's noise."""
_HEAD, _BODY = "fields.json", "fields.npy.xz"
_FILTERS = [{"id": lzma.FILTER_DELTA, "dist": 2}, {"id": lzma.FILTER_LZMA2, "preset": 9}]


@dataclass(frozen=True)
class DemoFields:
    """Clean fields of all lines.

    Attributes
    ----------
    seed, digest : of the scene they were computed for.
    fields : (T, S) for each visit and line: 1 is the pulse 1 m off in air.
    """

    seed: int
    digest: str
    fields: Mapping[tuple[str, str], Float32]

    def of_visit(self, visit: str) -> dict[str, Float32]:
        """Lines of one visit by name."""
        return {line: field for (day, line), field in self.fields.items() if day == visit}


def scene_digest(scene: SceneFile) -> str:
    """What tells one scene from another: a hash of all that its file would say."""
    return hashlib.sha256(scene_to_toml(scene).encode()).hexdigest()


def write_fields(folder: Path, held: DemoFields) -> int:
    """Pack fields into `folder`; the number of bytes that they take.

    Raises
    ------
    InputError : lines of different shapes, or a field beyond what whole numbers of 16 bits hold.
    """
    keys = sorted(held.fields)
    shapes = {held.fields[key].shape for key in keys}
    if len(shapes) != 1:
        raise InputError("all lines must have the same number of traces and samples", received=sorted(shapes))
    counts = np.rint(np.stack([held.fields[key] for key in keys]) / STEP)
    if np.abs(counts).max() > 32_767:
        raise InputError("a field is too strong to be packed", received=float(np.abs(counts).max() * STEP))
    change = np.diff(counts.astype(np.int32), axis=1, prepend=0).astype(np.int16)
    raw = io.BytesIO()
    np.save(raw, change)
    packed = lzma.compress(raw.getvalue(), format=lzma.FORMAT_XZ, filters=_FILTERS)
    head = {"seed": held.seed, "digest": held.digest, "step": STEP, "lines": [list(key) for key in keys]}
    folder.mkdir(parents=True, exist_ok=True)
    (folder / _BODY).write_bytes(packed)
    (folder / _HEAD).write_text(json.dumps(head, indent=1) + "\n", encoding="utf-8")
    return len(packed)


def read_fields(folder: Any) -> DemoFields:
    """Fields from a folder that `write_fields` wrote.

    Raises
    ------
    FormatError : the files are not what they should be.
    """
    try:
        head = json.loads((folder / _HEAD).read_text(encoding="utf-8"))
        change = np.load(io.BytesIO(lzma.decompress((folder / _BODY).read_bytes())), allow_pickle=False)
        keys = [(str(visit), str(line)) for visit, line in head["lines"]]
        step, seed, digest = float(head["step"]), int(head["seed"]), str(head["digest"])
    except (OSError, ValueError, KeyError, TypeError, lzma.LZMAError) as error:
        raise FormatError(
            "the demo's fields cannot be read", where=str(folder), do="install the package again"
        ) from error
    if change.ndim != 3 or len(change) != len(keys):
        raise FormatError(
            "the demo's fields do not go with their head", where=str(folder), do="install the package again"
        )
    fields = (np.cumsum(change, axis=1, dtype=np.int32) * step).astype(np.float32)
    return DemoFields(seed, digest, dict(zip(keys, fields, strict=True)))


def shipped_fields() -> DemoFields | None:
    """The fields that travel with the package, if it has any."""
    folder = resources.files("yewline.workspace") / "demo_data"
    return read_fields(folder) if folder.is_dir() else None
