"""One table of a result, before it becomes a file."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

__all__ = ["ResultTable"]


@dataclass(frozen=True, slots=True)
class ResultTable:
    """One table: what it holds, its column names with units, its rows."""

    about: str
    columns: tuple[str, ...]
    rows: list[tuple[Any, ...]] = field(default_factory=list)
