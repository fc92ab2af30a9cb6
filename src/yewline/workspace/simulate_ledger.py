"""Which file each simulated line ends up in, and under which name, after whole-line faults."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from yewline.simulation import Fault
from yewline.simulation.faults import muddle_lines
from yewline.simulation.scenes import SceneFile

__all__ = ["LedgerLine", "faults_on", "ledger_of"]


@dataclass(frozen=True, slots=True)
class LedgerLine:
    """A line as it stands in `lines.csv`.

    Attributes
    ----------
    name : there.
    file : that it names.
    planned : the planned line whose ends it is given.
    walked : the planned line that was truly recorded.
    turned : whether it was walked from the other end than noted.
    """

    name: str
    file: str
    planned: str
    walked: str
    turned: bool


def ledger_of(scene: SceneFile, day: str, lines: tuple[str, ...]) -> tuple[LedgerLine, ...]:
    """The lines of one day as they are stored, in the order walked."""
    stored = muddle_lines({name: np.zeros((1, 1)) for name in lines}, faults_on(scene, day, lines))
    names = [line.name for line in stored]
    held = []
    for line in stored:
        # A name given twice has two files, each with the ends of the line that was walked.
        planned = line.walked if names.count(line.name) > 1 else line.name
        held.append(LedgerLine(line.name, f"{planned.lower()}.sgy", planned, line.walked, line.turned))
    return tuple(held)


def faults_on(scene: SceneFile, day: str, lines: tuple[str, ...]) -> tuple[Fault, ...]:
    """Whole-line faults that happen on a day: those that need a line which is not simulated do not."""
    return tuple(
        fault for fault in scene.faults if fault.visit == day and {fault.line, fault.other} - {""} <= set(lines)
    )
