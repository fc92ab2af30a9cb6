"""The tree of exceptions.

::

    YewlineError
    ├── InputError            an argument of a function is out of range or of the wrong shape
    ├── SettingsError         a key or value in a TOML file (also an unknown recipe step or parameter)
    ├── FormatError           a recorded file, table or outline file that cannot be read as it stands
    ├── FrameError            coordinates in a frame that does not fit the site's
    ├── SiteError             the site folder: something is missing or does not fit together
    └── Cancelled             a person or program asked for the work to stop

Every message says what is wrong, what was received and what to do, and `where` names the file with
its row or byte. What works, but not as well as it could, is a `YewlineWarning`.
"""

from __future__ import annotations

__all__ = [
    "Cancelled",
    "FormatError",
    "FrameError",
    "InputError",
    "SettingsError",
    "SiteError",
    "YewlineError",
    "YewlineWarning",
]


class YewlineError(Exception):
    """Base of all errors that yewline raises on purpose.

    Parameters
    ----------
    problem : what is wrong, in one clause.
    where : file, with row, byte or key, if there is one.
    received : what was there.
    do : what the reader can do about it.
    """

    def __init__(
        self,
        problem: str,
        *,
        where: str | None = None,
        received: object | None = None,
        do: str | None = None,
    ) -> None:
        self.problem = problem
        self.where = where
        self.received = None if received is None else str(received)
        self.do = do
        super().__init__(self._text())

    def _text(self) -> str:
        text = self.problem if self.where is None else f"{self.where}: {self.problem}"
        if self.received is not None:
            text += f" (received {self.received})"
        if self.do is not None:
            text += f". {self.do[:1].upper()}{self.do[1:]}"
        return text if text.endswith("?") else text.rstrip(".") + "."

    def __reduce__(self) -> tuple[object, ...]:
        # Keyword arguments do not survive the default pickling of exceptions, and errors cross processes.
        return (_rebuild, (type(self), self.problem, self.where, self.received, self.do))


def _rebuild(
    kind: type[YewlineError], problem: str, where: str | None, received: str | None, do: str | None
) -> YewlineError:
    return kind(problem, where=where, received=received, do=do)


class InputError(YewlineError, ValueError):
    """An argument of a public function is out of range or of the wrong shape."""


class SettingsError(YewlineError, ValueError):
    """A settings file or recipe holds a key or value that cannot be used."""


class FormatError(YewlineError, ValueError):
    """A recorded file, table or outline file cannot be read as it stands."""


class FrameError(YewlineError, ValueError):
    """Coordinates stand in a frame that does not fit the site's."""


class SiteError(YewlineError):
    """The site folder is incomplete or does not fit together."""


class Cancelled(YewlineError):
    """Work was stopped on request."""


class YewlineWarning(UserWarning):
    """Something works, but not as well as it could; the text says what to do."""
