"""Lines of the demo for the pictures: taken through the first steps, and spoilt where a fault is needed."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline import signal
from yewline.recipe import find_step, section_of
from yewline.signal import Section
from yewline.workspace import open_site, prepare_demo

__all__ = ["DRY", "WET", "Demo", "Held", "View"]

DRY, WET = "2031-05-dry", "2031-11-wet"
VELOCITY = {DRY: 0.110, WET: 0.0765}
"""m/ns: what hyperbolas over single stones give on the two days."""
FIRST_STEPS = ("repair_traces", "time_zero", "dewow", "band_pass", "background_removal", "compensate")

Floats = npt.NDArray[np.floating]


@dataclass(frozen=True)
class View:
    """A stretch of a line: (T, S) samples with distance (m) and time (ns)."""

    values: Floats
    distance_m: Floats
    time_ns: Floats

    def minus(self, other: View) -> View:
        """The difference of two views of one stretch."""
        return replace(self, values=self.values - other.values)


@dataclass(frozen=True)
class Held:
    """A line between two steps, with what steps may know of it."""

    amplitude: npt.NDArray[np.float32]
    section: Section

    def after(self, step: str, **parameters: Any) -> Held:
        """What one registered step makes of it, segments not told apart."""
        found = find_step(step)
        if found is None:
            raise KeyError(step)
        made = found.function(self.amplitude, self.section, **parameters)
        if found.section_after is not None:
            return Held(made, found.section_after(self.section, **parameters))
        return Held(made, self.section)

    def view(
        self, from_m: float = -1e9, to_m: float = 1e9, *, from_ns: float = 0.0, to_ns: float = 1e9, like: bool = False
    ) -> View:
        """A stretch of it; `like` shows it with the compensation that a recipe would add later."""
        values = self.amplitude
        if like:
            values = signal.compensate(values, self.section)
        at = self.section.distance_m
        if at is None:
            raise ValueError("the line has no distances")
        times = self.section.interval_ns * np.arange(values.shape[1])
        here, then = (at >= from_m) & (at <= to_m), (times >= from_ns) & (times <= to_ns)
        return View(values[np.ix_(here, then)], at[here], times[then])


class Demo:
    """The demo site, written once, and its lines."""

    def __init__(self, folder: Path) -> None:
        prepare_demo(folder)
        self.site = open_site(folder)
        self._lines = {visit: self.site.radargrams(visit) for visit in (DRY, WET)}

    def radargrams(self, visit: str) -> Mapping[str, xr.DataArray]:
        """All lines of a visit as recorded."""
        return self._lines[visit]

    def fault(self, visit: str, kind: str) -> tuple[str, int]:
        """The line that a kind of planted fault befell on a visit, and the first trace of it."""
        found = next(each for each in self._faults if (each["visit"], each["kind"]) == (visit, kind))
        return str(found["line"]), min(found["traces"], default=1) - 1

    def misplaced(self, visit: str) -> set[str]:
        """Lines of a visit that were swapped, reversed or stored under another's name."""
        kinds = ("swapped-lines", "reversed-line", "duplicate-name")
        wrong = [each for each in self._faults if each["visit"] == visit and each["kind"] in kinds]
        return {name for each in wrong for name in (each["line"], each["other"])}

    @cached_property
    def _faults(self) -> list[dict[str, Any]]:
        """What was planted, from the demo's truth."""
        told = (self.site.root / "truth" / "truth.json").read_text(encoding="utf-8")
        return list(json.loads(told)["faults"])

    @cached_property
    def rate(self) -> float:
        """The site's rate of absorption, fitted over both visits, dB/ns."""
        return float(signal.fit_absorption(self._all_lines()))

    @cached_property
    def q_star(self) -> float:
        """The site's quality factor, fitted over both visits."""
        return 1.0 / float(signal.fit_q_star(self._all_lines(), window_ns=9.0).inverse)

    def _all_lines(self) -> list[tuple[npt.NDArray[np.float32], Section]]:
        made = []
        for visit in (DRY, WET):
            for radargram in self._lines[visit].values():
                held = _taken(Held(radargram.values, section_of(radargram)), FIRST_STEPS[:-1])
                made.append((held.amplitude, held.section))
        return made

    def recorded(self, visit: str, line: str) -> Held:
        """A line as it was stored."""
        radargram = self._lines[visit][line]
        section = section_of(
            radargram, velocity_m_per_ns=VELOCITY[visit], absorption_db_per_ns=self.rate, q_star=self.q_star
        )
        return Held(radargram.values, section)

    def through(self, visit: str, line: str, until: str) -> Held:
        """A line that has gone through the first steps up to and with `until`."""
        return _taken(self.recorded(visit, line), FIRST_STEPS[: FIRST_STEPS.index(until) + 1])


def _taken(held: Held, steps: tuple[str, ...]) -> Held:
    """A line through the first steps as recipes run them: filters next to time zero see the record from its start."""
    zero = None
    for step in steps:
        if step == "time_zero":
            zero = signal.pick_time_zero(held.amplitude, held.section, pick="correlation")
            continue
        found = find_step(step)
        if zero is not None and (found is None or not found.steady):
            held, zero = replace(held, amplitude=signal.start_at(held.amplitude, held.section, zero)), None
        held = held.after(step)
    return held if zero is None else replace(held, amplitude=signal.start_at(held.amplitude, held.section, zero))


def with_tone(held: Held, *, frequency_mhz: float, size: float) -> Held:
    """The same with the wave of a transmitter nearby: one frequency, its phase free from trace to trace."""
    rng = np.random.default_rng(4)
    times = held.section.interval_ns * np.arange(held.amplitude.shape[1])
    phase = rng.uniform(0, 2 * np.pi, (len(held.amplitude), 1))
    tone = size * np.sin(2e-3 * np.pi * frequency_mhz * times + phase)
    return replace(held, amplitude=(held.amplitude + tone).astype(np.float32))


def with_drift(held: Held, *, size: float) -> Held:
    """The same with an offset and a slope of the receiver that wander along the line."""
    rng = np.random.default_rng(5)
    walk = np.cumsum(rng.normal(0, 1, (len(held.amplitude), 2)), axis=0)
    walk = size * walk / np.abs(walk).max(axis=0)
    ramp = np.linspace(-1, 1, held.amplitude.shape[1])
    return replace(held, amplitude=(held.amplitude + walk[:, :1] + walk[:, 1:] * ramp).astype(np.float32))


def with_air_echo(held: Held, *, at_m: float, apart_m: float, size: float) -> Held:
    """The same with the echo of a headstone beside the line."""
    distance, section = held.section.distance_m, held.section
    if distance is None:
        raise ValueError("the line has no distances")
    times = section.interval_ns * np.arange(held.amplitude.shape[1])
    arrives = signal.air_wave_time_ns(distance - at_m, apart_m, section.separation_m)
    u = np.pi * 0.25 * (times - arrives[:, None])
    fade = size * (arrives.min() / arrives)[:, None] ** 1.5
    echo = fade * (1 - 2 * u**2) * np.exp(-(u**2))
    return replace(held, amplitude=(held.amplitude + echo).astype(np.float32))


def with_heights(held: Held) -> Held:
    """The same on a slope that the demo does not have: 0.9 m over the line, with a hollow."""
    at = held.section.distance_m
    if at is None:
        raise ValueError("the line has no distances")
    height = 0.9 * (1 - at / at.max()) - 0.35 * np.exp(-(((at - 11.0) / 1.6) ** 2))
    return replace(held, section=replace(held.section, elevation_m=100.0 + height))


def walked_unevenly(held: Held) -> Held:
    """The same recorded by time at an uneven pace, with a stop and a gap."""
    at = held.section.distance_m
    if at is None:
        raise ValueError("the line has no distances")
    clock = np.linspace(0, 1, 400)
    pace = 1.0 + 0.55 * np.sin(9.0 * clock) + 0.35 * np.sin(23.0 * clock + 1.0)
    pace[150:175] = 0.0
    walked = at[0] + (at[-1] - at[0]) * np.cumsum(pace) / pace.sum()
    walked = walked[(walked < 12.6) | (walked > 13.4)]
    nearest = np.clip(np.searchsorted(at, walked), 0, len(at) - 1)
    low = np.maximum(nearest - 1, 0)
    share = np.clip((walked - at[low]) / (at[1] - at[0]), 0, 1)[:, None]
    values = (1 - share) * held.amplitude[low] + share * held.amplitude[nearest]
    section = replace(held.section, distance_m=walked, elevation_m=None, x_m=None, y_m=None)
    return Held(values.astype(np.float32), section)
