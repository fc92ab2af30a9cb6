"""A scene as a whole: the ground, what lies in it, the days, the lines, the instrument; checked against one another."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from functools import partial

import shapely

from yewline._check import check_in_range
from yewline.errors import InputError
from yewline.simulation.antennas import antenna
from yewline.simulation.earth import Ground
from yewline.simulation.faults import LEDGER_KINDS, Fault, muddle_lines
from yewline.simulation.instrument import Instrument
from yewline.simulation.layers import Layers
from yewline.simulation.scene import Scene
from yewline.simulation.scenes.lines import LinePlan, planned_lines
from yewline.simulation.scenes.parts import Disturbance, Opened, Readings, SceneDay, SolverGrid

__all__ = ["SceneFile"]

_SLACK_M = 1e-6


@dataclass(frozen=True, slots=True)
class SceneFile:
    """Everything that a scene file says.

    Attributes
    ----------
    name : of the scene, as a folder could be called.
    about : one sentence: what it shows.
    seed : of all that is drawn where the file does not state it.
    scene : what lies in the ground.
    ground : the soil and its structure, the same on all days.
    days : the visits, in their order.
    lines : where the antennas are drawn.
    nominal_mhz, antenna : the antenna pair by the figure it goes by, and as an instrument.
    disturbances : what instrument and walking do to the recordings.
    readings : of moisture, on each day.
    faults : of whole lines among the others: left out, misnamed, turned round, swapped.
    known : labels of the graves that become known burials.
    opened : ground that was opened.
    solver : the full-wave solver's grid, where it is not to follow from soil and antenna.

    Raises
    ------
    InputError : parts that do not go together; `where` is the table it concerns.
    """

    name: str
    about: str
    seed: int
    scene: Scene
    days: tuple[SceneDay, ...]
    lines: LinePlan
    ground: Ground = field(default_factory=Ground)
    nominal_mhz: float = 400.0
    antenna: Instrument = field(default_factory=partial(antenna, 400.0))
    disturbances: tuple[Disturbance, ...] = ()
    readings: Readings = field(default_factory=Readings)
    faults: tuple[Fault, ...] = ()
    known: tuple[str, ...] = ()
    opened: tuple[Opened, ...] = ()
    solver: SolverGrid = field(default_factory=SolverGrid)

    def __post_init__(self) -> None:
        if not self.name or not all(letter.isalnum() or letter in "-_" for letter in self.name):
            raise InputError(
                "a scene's name must be letters, digits, - and _",
                where="name",
                received=repr(self.name),
                do="rename it",
            )
        check_in_range(self.seed, "seed", 0, 2**31)
        _check_days(self.days)
        _check_lines(self.lines, self.scene)
        _check_known(self)
        _check_disturbances(self)
        _check_faults(self)

    def antenna_on(self, day: SceneDay) -> Instrument:
        """The antenna pair on one day: wet soil under it lowers its centre, where the day says so."""
        if day.loading is None:
            return self.antenna
        return dataclasses.replace(self.antenna, centre_mhz=day.loading * self.nominal_mhz)

    def layers_on(self, day: SceneDay) -> Layers:
        """The disturbances that befall one day, ready to be laid over its lines."""
        layers = [held for held in self.disturbances if not held.days or day.name in held.days]
        return Layers(tuple(held.layer for held in layers), tuple(held.layer.key for held in layers if held.off))


def _check_days(days: tuple[SceneDay, ...]) -> None:
    if not days:
        raise InputError("the scene has no day", where="days", do="write at least one [[days]] table")
    seen: set[str] = set()
    for i, day in enumerate(days):
        if day.name.casefold() in seen:
            raise InputError(
                "two days have the same name", where=f"days[{i + 1}]", received=repr(day.name), do="give each its own"
            )
        seen.add(day.name.casefold())


def _check_lines(plan: LinePlan, scene: Scene) -> None:
    area = shapely.box(*scene.bounds).buffer(_SLACK_M)
    for line in planned_lines(plan):
        for end in (line.start, line.end):
            if not area.contains(shapely.Point(end)):
                raise InputError(
                    f"line {line.name} leaves the scene",
                    where="lines",
                    received=f"x {end[0]:g}, y {end[1]:g} m",
                    do=f"move or shorten it, or widen bounds_m = {list(scene.bounds)}",
                )


def _check_known(scene: SceneFile) -> None:
    labels = {grave.label for grave in scene.scene.graves}
    for label in scene.known:
        if label not in labels:
            raise InputError(
                "there is no grave of that label", where="known.labels", received=repr(label), do="use a grave's label"
            )
    area = shapely.box(*scene.scene.bounds).buffer(_SLACK_M)
    for i, opened in enumerate(scene.opened):
        if not area.contains(opened.outline()):
            raise InputError(
                "opened ground leaves the scene",
                where=f"known.opened[{i + 1}]",
                received=opened.bounds_m,
                do=f"keep it inside bounds_m = {list(scene.scene.bounds)}",
            )


def _check_disturbances(scene: SceneFile) -> None:
    names = [day.name for day in scene.days]
    for i, held in enumerate(scene.disturbances):
        for name in held.days:
            if name not in names:
                raise InputError(
                    "there is no such day",
                    where=f"disturbances[{i + 1}].days",
                    received=repr(name),
                    do=f"use {_or(names)}",
                )
    for day in scene.days:
        try:
            scene.layers_on(day)
        except InputError as error:
            raise InputError(error.problem, where="disturbances", received=error.received, do=error.do) from error


def _check_faults(scene: SceneFile) -> None:
    lines = [line.name for line in planned_lines(scene.lines)]
    names = [day.name for day in scene.days]
    for i, fault in enumerate(scene.faults):
        where = f"faults[{i + 1}]"
        if fault.kind not in LEDGER_KINDS:
            raise InputError(
                f"kind must be one of {', '.join(LEDGER_KINDS)}",
                where=f"{where}.kind",
                received=repr(fault.kind),
                do="what befalls traces and samples is a disturbance: write it as [[disturbances]]",
            )
        if fault.visit not in names:
            raise InputError(
                "there is no such day", where=f"{where}.visit", received=repr(fault.visit), do=f"use {_or(names)}"
            )
        if fault.line not in lines:
            raise InputError(
                "there is no such line", where=f"{where}.line", received=repr(fault.line), do=f"use {_or(lines)}"
            )
    for name in names:
        try:
            muddle_lines({line: [[0.0]] for line in lines}, [fault for fault in scene.faults if fault.visit == name])
        except InputError as error:
            raise InputError(error.problem, where="faults", received=error.received, do=error.do) from error


def _or(names: list[str]) -> str:
    shown = names if len(names) <= 6 else [names[0], names[1], "…", names[-1]]
    return ", ".join(shown[:-1]) + (" or " if len(shown) > 1 else "") + shown[-1]
