"""A table as plain text cells, for the page to lay out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

__all__ = ["Cell", "Table"]


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: its text, a smaller second line, and a kind that the page may mark ("yes", "part", "no" or "out")."""

    text: str
    note: str = ""
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """A caption, column heads, and rows whose first cell heads the row; `dense` keeps second lines on the first."""

    caption: str
    heads: tuple[str, ...]
    rows: list[list[Cell]] = field(default_factory=list)
    dense: bool = False

    def add(self, head: str, note: str, cells: Iterable[Cell]) -> None:
        """One more row: its head, a smaller second line, and the cells after it."""
        self.rows.append([Cell(head, note), *cells])
