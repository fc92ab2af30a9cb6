"""What a run tells: the figures, where the report is, what was done and what was still good."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

__all__ = ["Outcome"]


@dataclass(frozen=True)
class Outcome:
    """The outcome of `run_site`.

    Attributes
    ----------
    figures : site, visits and comparisons, as in the published schema, without `report` and `seconds`.
    report : path of the report.
    made, kept : stages that were done now, and that were still good.
    seconds : stage to the time it took.
    left_out : what could not be used, one sentence each.
    """

    figures: dict[str, Any]
    report: Path
    made: tuple[str, ...]
    kept: tuple[str, ...]
    seconds: dict[str, float]
    left_out: tuple[str, ...] = ()

    def told(self) -> str:
        """What was done, in one sentence."""
        if not self.made:
            return "Nothing was stale; nothing was done."
        done = "Done now: " + ", ".join(self.made) + "."
        return done if not self.kept else done + " Still good: " + ", ".join(self.kept) + "."
