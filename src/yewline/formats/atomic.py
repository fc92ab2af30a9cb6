"""Files written whole or not at all: beside their place first, then renamed into it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = ["replacing", "write_atomic"]


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """A name beside `path` to write to; it takes the place of `path` once the block ends without an error.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with replacing(Path(folder) / "a.txt") as draft:
    ...         _ = draft.write_text("whole")
    ...     sorted(file.name for file in Path(folder).iterdir())
    ['a.txt']
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    # The suffix stays: some libraries choose the format by it. The process id keeps two runs apart.
    draft = path.with_name(f".{path.stem}.{os.getpid()}.part{path.suffix}")
    draft.unlink(missing_ok=True)
    try:
        yield draft
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)


def write_atomic(path: Path, data: bytes) -> None:
    """Write bytes to `path` in one step."""
    with replacing(path) as draft:
        draft.write_bytes(data)
