"""One piece of work over many lines, in threads."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

from yewline.errors import InputError
from yewline.progress import SILENT, Progress

__all__ = ["run_lines"]

T = TypeVar("T")
Each = TypeVar("Each")


def run_lines(
    work: Callable[[Each], T],
    lines: Collection[Each],
    *,
    workers: int = 1,
    progress: Progress = SILENT,
    label: str = "lines",
) -> list[T]:
    """Run one piece of work over many lines, in threads: steps let go of the interpreter's lock.

    Parameters
    ----------
    work : such as ``lambda line: run_before(recipe, line)``.
    lines : radargrams, or the names by which `work` finds them; each is asked for only when its turn is near.
    workers : threads; results do not depend on it, nor does their order.
    progress, label : who is told how far it is, and what to call it.

    Returns
    -------
    list of results, in the order of the lines.

    Examples
    --------
    >>> run_lines(lambda line: line + 1, [1, 2, 3], workers=2)
    [2, 3, 4]
    """
    if workers < 1:
        raise InputError("workers must be at least 1", received=workers)
    progress.report(label, 0, len(lines))
    done: list[T] = []
    waiting: deque[Future[T]] = deque()
    with ThreadPoolExecutor(workers) as pool:

        def take() -> None:
            done.append(waiting.popleft().result())
            progress.report(label, len(done), len(lines))

        try:
            for line in lines:
                # No more lines are in hand than the threads are busy with, and as many again.
                if len(waiting) >= 2 * workers:
                    take()
                waiting.append(pool.submit(work, line))
            while waiting:
                take()
        except BaseException:
            # One failure or a request to stop: what has not begun is not begun.
            for future in waiting:
                future.cancel()
            raise
    return done
