"""What a reader or a check has to say: found, assumed, warned of, or wrong; with place and advice."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

from yewline.errors import YewlineError

__all__ = ["Finding", "Grade"]

Grade = Literal["found", "assumed", "warning", "fault"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One line of a check's report.

    Attributes
    ----------
    grade : "found" (a fact), "assumed" (filled in for lack of information), "warning" (usable, look at it),
        "fault" (something is left out because of it).
    code : a short stable name of the kind of finding, such as ``"time-zero-drift"``.
    text : what is the case, in one clause.
    where : file, with row, byte or trace, relative to the site folder where it lies inside.
    received : what was there.
    do : what to do about it.
    visit, line : which visit and line it concerns, if any.
    """

    grade: Grade
    code: str
    text: str
    where: str = ""
    received: str = ""
    do: str = ""
    visit: str = ""
    line: str = ""

    @classmethod
    def of_error(cls, error: YewlineError, code: str, *, visit: str = "", line: str = "") -> Finding:
        """The fault that `error` describes."""
        return cls(
            grade="fault",
            code=code,
            text=error.problem,
            where=error.where or "",
            received=error.received or "",
            do=error.do or "",
            visit=visit,
            line=line,
        )

    def as_dict(self) -> dict[str, Any]:
        """A plain dictionary for ``--json``."""
        return asdict(self)
