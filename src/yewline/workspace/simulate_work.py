"""The work folder of a simulation under way: whatever is computed is kept there, so that nothing is computed twice.

Each line has a log of its traces, to which every trace is appended with a checksum as soon as it is ready, and, once it
is put together, a file of its own. Both are checked when they are read: what was torn by a sudden end is made again.
"""

from __future__ import annotations

import io
import json
import struct
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from yewline.formats import write_atomic

__all__ = ["WORK", "Piece", "TraceLog", "read_piece", "write_piece"]

Float32 = npt.NDArray[np.float32]

WORK: Final = ".simulating"
"""Name of the work folder inside the folder that is being written."""

_MAGIC: Final = b"yewline traces\x00\x01"
_HEAD: Final = struct.Struct("<II")
_CHECK: Final = struct.Struct("<I")
_ABOUT: Final = "about"
_TORN = (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile)


class TraceLog:
    """Traces of one line in the order in which they were ready: run, trace, samples and a checksum each.

    Parameters
    ----------
    path : of the log; made at the first trace. A log that was torn is to be mended before more is appended.
    samples : of a trace.
    """

    def __init__(self, path: Path, samples: int) -> None:
        self._path = path
        self._samples = samples
        self._size = _HEAD.size + 4 * samples + _CHECK.size

    def read(self) -> Iterator[tuple[int, int, Float32]]:
        """(run, trace, samples) of all records that are whole."""
        data = self._path.read_bytes() if self._path.is_file() else b""
        if data[: len(_MAGIC)] != _MAGIC:
            return
        for start in range(len(_MAGIC), self._whole(len(data)), self._size):
            record = data[start : start + self._size]
            if _CHECK.unpack(record[-_CHECK.size :])[0] == zlib.crc32(record[: -_CHECK.size]):
                run, trace = _HEAD.unpack(record[: _HEAD.size])
                yield run, trace, np.frombuffer(record, "<f4", self._samples, _HEAD.size).astype(np.float32)

    def mend(self) -> None:
        """Cut off what a sudden end has left of a record, so that more can be appended."""
        if not self._path.is_file():
            return
        with self._path.open("r+b") as handle:
            sound = handle.read(len(_MAGIC)) == _MAGIC
            handle.truncate(self._whole(self._path.stat().st_size) if sound else 0)

    def append(self, run: int, trace: int, samples: Float32) -> None:
        """Keep one trace."""
        body = _HEAD.pack(run, trace) + np.asarray(samples, "<f4").tobytes()
        with self._path.open("ab") as handle:
            head = b"" if handle.tell() else _MAGIC
            handle.write(head + body + _CHECK.pack(zlib.crc32(body)))

    def _whole(self, size: int) -> int:
        """Bytes up to the end of the last whole record."""
        return len(_MAGIC) + (size - len(_MAGIC)) // self._size * self._size


@dataclass(frozen=True, slots=True)
class Piece:
    """A line that is put together.

    Attributes
    ----------
    about : plain values: what was done to the line, and what lies under it.
    arrays : samples, places, and what the layers did trace by trace.
    """

    about: dict[str, Any]
    arrays: dict[str, npt.NDArray[Any]]


def write_piece(path: Path, piece: Piece) -> None:
    """Write a finished line, whole or not at all."""
    text = json.dumps(piece.about, sort_keys=True, default=float).encode()
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **{**piece.arrays, _ABOUT: np.frombuffer(text, np.uint8)})  # type: ignore[arg-type]
    write_atomic(path, buffer.getvalue())


def read_piece(path: Path) -> Piece | None:
    """A finished line, or None where it is not there or not whole: every part of the file has a checksum."""
    try:
        with np.load(io.BytesIO(path.read_bytes()), allow_pickle=False) as file:
            arrays = {name: file[name] for name in file.files}
        about = json.loads(arrays.pop(_ABOUT).tobytes())
    except _TORN:
        return None
    return Piece(about, arrays)
