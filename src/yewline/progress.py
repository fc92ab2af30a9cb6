"""Progress and cancellation, passed down as an argument: no room knows who listens."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

from yewline.errors import Cancelled

__all__ = ["SILENT", "Progress"]

T = TypeVar("T")


class Progress:
    """Tells a listener how far long work has come, and stops it on request.

    Parameters
    ----------
    tell : called as ``tell(label, done, total)``; `total` is 0 where it is not known.
    cancelled : asked at every step; work stops with `Cancelled` once it returns true.

    Examples
    --------
    >>> seen = []
    >>> progress = Progress(lambda label, done, total: seen.append((label, done, total)))
    >>> [n * n for n in progress.over([1, 2], "squares")]
    [1, 4]
    >>> seen
    [('squares', 0, 2), ('squares', 1, 2), ('squares', 2, 2)]
    """

    def __init__(
        self,
        tell: Callable[[str, int, int], None] | None = None,
        cancelled: Callable[[], bool] | None = None,
    ) -> None:
        self._tell = tell
        self._cancelled = cancelled

    def report(self, label: str, done: int, total: int) -> None:
        """Tell the listener, and raise `Cancelled` if the work is to stop."""
        self.check(label)
        if self._tell is not None:
            self._tell(label, done, total)

    def check(self, label: str) -> None:
        """Raise `Cancelled` if the work is to stop; tell nobody anything."""
        if self._cancelled is not None and self._cancelled():
            raise Cancelled(f"stopped during {label}", do="run the same command again to go on from there")

    def over(self, items: Iterable[T], label: str) -> Iterator[T]:
        """Iterate over `items`, reporting before the first and after each."""
        held = list(items)
        self.report(label, 0, len(held))
        for done, item in enumerate(held, start=1):
            yield item
            self.report(label, done, len(held))


SILENT = Progress()
"""Nobody listens and nobody cancels."""
