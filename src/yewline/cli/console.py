"""Where commands write: figures to standard output, progress and advice to standard error."""

from __future__ import annotations

import json
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
from rich.progress import Progress as Bars

from yewline.progress import Progress

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
    """Progress that stops on Ctrl-C, and draws bars with time left on standard error unless nobody watches."""
    with _stop_on_request() as asked:
        if quiet or not ADVICE.is_terminal:
            yield Progress(cancelled=asked)
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

            yield Progress(tell, asked)


@contextmanager
def _stop_on_request() -> Iterator[Callable[[], bool]]:
    """While it lasts, the first Ctrl-C asks the work to stop at its next step, and a second one stops it at once.

    An interrupt that strikes anywhere can fall into a callback of the compiler, which swallows it or is left half
    done; asking and answering between steps cannot.
    """
    requests: list[int] = []

    def ask(number: int, _: object) -> None:
        requests.append(number)
        signal.signal(signal.SIGINT, signal.default_int_handler)

    before = signal.signal(signal.SIGINT, ask)
    try:
        yield lambda: bool(requests)
    finally:
        signal.signal(signal.SIGINT, before)
