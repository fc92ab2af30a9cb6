"""Where commands write: figures to standard output, progress and advice to standard error."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
from rich.progress import Progress as Bars

from yewline.progress import SILENT, Progress

__all__ = ["ADVICE", "OUT", "count", "show_json", "show_progress"]

OUT = Console(highlight=False)
ADVICE = Console(stderr=True, highlight=False, soft_wrap=True)


def count(n: int, noun: str) -> str:
    """A number with its noun, in the plural where it is not one."""
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"


def show_json(figures: dict[str, Any]) -> None:
    """Print one JSON object to standard output; a figure that is not a number is null."""
    OUT.file.write(json.dumps(figures, ensure_ascii=False, indent=2, allow_nan=False) + "\n")


@contextmanager
def show_progress(*, quiet: bool) -> Iterator[Progress]:
    """Progress that draws a bar with time left on standard error, or none where nobody watches."""
    if quiet or not ADVICE.is_terminal:
        yield SILENT
        return
    columns = (TextColumn("{task.description:<34}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Bars(*columns, console=ADVICE, transient=True) as bars:
        tasks: dict[str, Any] = {}

        def tell(label: str, done: int, total: int) -> None:
            if label not in tasks:
                tasks[label] = bars.add_task(label, total=total or None)
            bars.update(tasks[label], completed=done)
            if total and done >= total:
                bars.remove_task(tasks.pop(label))

        yield Progress(tell)
