"""Hashes of inputs, and which version made a result."""

from __future__ import annotations

import hashlib
import json
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any

__all__ = ["digest", "file_sha256", "version"]


@cache
def version() -> str:
    """The version of yewline that is running."""
    try:
        return metadata.version("yewline")
    except metadata.PackageNotFoundError:  # a source tree on the path that was never installed
        return "0+uninstalled"


def file_sha256(path: Path) -> str:
    """SHA-256 of a file's bytes; the file is opened read-only."""
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def digest(*parts: Any) -> str:
    """A short stable name for a combination of plain values (JSON types only).

    Examples
    --------
    >>> digest({"a": 1, "b": [2, 3]}) == digest({"b": [2, 3], "a": 1})
    True
    """
    text = json.dumps(parts, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=True)
    return hashlib.sha256(text.encode()).hexdigest()[:24]
