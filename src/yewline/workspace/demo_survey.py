"""The demo's two surveys: every planned line walked over the invented ground, with the field faults of a real one."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from yewline.progress import SILENT, Progress
from yewline.simulation import (
    Electronics,
    Fault,
    FaultKind,
    Instrument,
    LineSetting,
    SceneFile,
    columns_of,
    drift_time_zero,
    kill_traces,
    pack,
    planned_lines,
    planned_places,
    record_traces,
    reverse_line,
    scatter_scene,
    site_places,
    spike_traces,
    through_electronics,
)
from yewline.units import C_M_PER_NS
from yewline.workspace.demo_scene import TRACE_INTERVAL_M, DemoDay, DemoLine, line_format

__all__ = ["WRONG_BY", "Survey", "SurveyedLine", "demo_rain", "first_order_fields", "plan_faults", "walk_visit"]

Float32 = npt.NDArray[np.float32]

_ELECTRONICS = Electronics(
    counts=3_000.0,
    noise=0.0006,
    ringing=0.004,
    ringing_ns=4.6,
    ringing_decay_ns=13.0,
    wow=0.03,
    coupling_sd=0.02,
    coupling_m=0.6,
    jitter_ns=0.012,
)
WRONG_BY = 24
_GRAINS_PER_M3 = 150.0
"""Fewer than a still soil would need, each so much stronger: in a cell of the beam there are still dozens."""


@dataclass(frozen=True)
class SurveyedLine:
    """One line as the surveyor has it: samples, and the ends that the field notes give, in the grid's metres.

    `back` is true where the line was walked from its far end, as every other line is; `segments` are the trace ranges
    (from 1, both ends included) with the distances along the line at which they begin and end.
    """

    plan: DemoLine
    amplitude: npt.NDArray[np.float32]
    back: bool
    segments: tuple[tuple[int, int, float, float], ...]
    name: str


@dataclass(frozen=True)
class Survey:
    """One visit: its lines in the order walked, the instrument, and the faults that happened."""

    day: DemoDay
    lines: tuple[SurveyedLine, ...]
    instrument: Instrument
    faults: tuple[Fault, ...]


def plan_faults(days: tuple[DemoDay, DemoDay], lines: tuple[DemoLine, ...], seed: int) -> tuple[Fault, ...]:
    """Which fault befalls which line, drawn from `seed`: every kind at least once over the two visits.

    Lines beside an obstacle are spared, and no two faults touch the same or neighbouring lines: a gap, a duplicate and
    an unreadable file each cost a line.
    """
    rng = np.random.default_rng([seed, 2])
    faults: list[Fault] = []
    for day, kinds in zip(days, _KINDS, strict=True):
        touched: set[int] = set()
        for kind in kinds:
            at = int(rng.choice([n for n in _open_to(kind, lines) if not touched & {n - 1, n, n + 1}]))
            fault = _fault(kind, day.name, lines, at, rng)
            faults.append(fault)
            touched |= {n for n, line in enumerate(lines) if line.name in (lines[at].name, fault.line, fault.other)}
    return tuple(faults)


def demo_rain(days: tuple[DemoDay, DemoDay], seed: int) -> list[tuple[dt.date, float]]:
    """Rain of every day from weeks before the dry visit to the wet one, mm: as the weather of each visit is told.

    No rain fell in the three weeks before the dry visit; before the wet one it rained on most days of two weeks.
    Neither survey met rain.
    """
    rng = np.random.default_rng([seed, 5])
    dry, wet = (day.date for day in days)
    rain = []
    for n in range(_RAIN_BEFORE_DAYS + (wet - dry).days + 1):
        day = dry + dt.timedelta(days=n - _RAIN_BEFORE_DAYS)
        falls, often, light, soaking = rng.random(), rng.random(), rng.gamma(0.8, 6.0), 1.0 + rng.gamma(1.2, 5.0)
        mm = light if falls < _RAINY_SHARE else 0.0
        if 0 < (wet - day).days <= _WET_DAYS:
            mm = soaking if often < _WET_SHARE else 0.0
        elif day == wet or 0 <= (dry - day).days <= _DRY_DAYS:
            mm = 0.0
        rain.append((day, round(float(mm), 1)))
    return rain


_RAIN_BEFORE_DAYS, _DRY_DAYS, _WET_DAYS = 60, 21, 14
_RAINY_SHARE, _WET_SHARE = 0.35, 0.8
_KINDS: tuple[tuple[FaultKind, ...], tuple[FaultKind, ...]] = (
    ("swapped-lines", "gap", "time-zero-drift", "dead-trace", "spiky-trace"),
    ("wrong-sample-count", "duplicate-name", "reversed-line", "time-zero-drift", "dead-trace", "spiky-trace"),
)
_SWAPPED_BY = 8
"""An even number of lines apart were walked the same way; two lines a metre apart are too much alike to be told."""


def _open_to(kind: FaultKind, lines: tuple[DemoLine, ...]) -> list[int]:
    """Lines that a kind of fault may befall."""
    whole = [n for n, line in enumerate(lines) if line.gap_m is None]
    if kind in ("time-zero-drift", "dead-trace", "spiky-trace"):
        return whole
    # A neighbour of the same grid on both sides: a line missing at a grid's edge is not a gap.
    first_grid = [n for n in whole if lines[n].grid.name == "A"]
    inner = [n for n in first_grid if n - 1 in first_grid and n + 1 in first_grid]
    if kind == "wrong-sample-count":
        return [n for n in inner if line_format(lines[n]) == "segy"]
    if kind == "swapped-lines":
        return [n for n in inner if n + _SWAPPED_BY in inner]
    return inner


def _fault(kind: FaultKind, visit: str, lines: tuple[DemoLine, ...], at: int, rng: np.random.Generator) -> Fault:
    name, count = lines[at].name, len(lines[at].places())
    if kind in ("dead-trace", "spiky-trace"):
        n, first = int(rng.integers(1, 4)), int(rng.integers(20, count - 20))
        step = 1 if kind == "dead-trace" else 3
        return Fault(kind, visit, name, tuple(range(first, first + step * n, step)), amount=n, unit="traces")
    if kind == "time-zero-drift":
        drift = rng.choice([-1.0, 1.0]) * rng.uniform(1.5, 2.6)
        return Fault(kind, visit, name, amount=round(float(drift), 2), unit="ns over the line")
    if kind == "duplicate-name":
        return Fault(kind, visit, lines[at - 1].name, other=name)
    if kind == "swapped-lines":
        return Fault(kind, visit, name, other=lines[at + _SWAPPED_BY].name, amount=_SWAPPED_BY, unit="lines")
    if kind == "wrong-sample-count":
        return Fault(kind, visit, name, amount=WRONG_BY, unit="samples more in the header than in the traces")
    return Fault(kind, visit, name)


def first_order_fields(scene: SceneFile, visit: str, *, progress: Progress = SILENT) -> dict[str, Float32]:
    """Clean fields of all lines of a visit by the first-order model, for a demo whose full wave nobody computed."""
    day = next(day for day in scene.days if day.name == visit)
    instrument = scene.antenna_on(day)
    columns = columns_of(scene.ground, day.water, scene.scene.bounds, centre_mhz=instrument.centre_mhz)
    packed = pack(scatter_scene(scene.scene, columns, seed=scene.ground.structure_seed, density_per_m3=_GRAINS_PER_M3))
    speed = C_M_PER_NS / float(np.sqrt(columns.permittivity[:2].mean()))
    found = {}
    for line in progress.over(planned_lines(scene.lines), f"simulate {visit}"):
        setting = LineSetting.of(instrument, TRACE_INTERVAL_M, visit=visit, line=line.name)
        places, _ = scene.layers_on(day).walk(planned_places(line.length_m, TRACE_INTERVAL_M), setting, seed=scene.seed)
        x, y = site_places(places, line.start, line.end)
        found[line.name] = record_traces(packed, x, y, instrument, ground_v_m_per_ns=speed)
    return found


def walk_visit(
    day: DemoDay,
    lines: tuple[DemoLine, ...],
    faults: tuple[Fault, ...],
    fields: Mapping[str, Float32],
    *,
    instrument: Instrument,
    seed: int,
) -> Survey:
    """All lines of one visit as they were stored.

    Parameters
    ----------
    day, lines : the day, the plan.
    faults : of all visits; those of this day are planted.
    fields : clean field of each line, a trace at each place of the straight line from its start.
    instrument : on that day.
    seed : of the receiver's noise.
    """
    today = tuple(fault for fault in faults if fault.visit == day.name)
    walked = []
    for n, line in enumerate(lines):
        back = n % 2 == 1
        places = np.rint(line.places() / TRACE_INTERVAL_M).astype(np.int64)
        clean = fields[line.name][places[::-1] if back else places]
        rng = np.random.default_rng([seed, day.date.toordinal(), n])
        stored = through_electronics(clean, instrument, _ELECTRONICS, TRACE_INTERVAL_M, rng)
        walked.append(SurveyedLine(line, stored, back, _segments(line, back), line.name))
    return Survey(day, _befallen(walked, today, instrument, seed), instrument, today)


def _segments(line: DemoLine, back: bool) -> tuple[tuple[int, int, float, float], ...]:
    at = line.places()[::-1] if back else line.places()
    cuts = np.flatnonzero(np.abs(np.diff(at)) > 1.5 * TRACE_INTERVAL_M) + 1
    bounds = [0, *cuts.tolist(), len(at)]
    return tuple(
        (first + 1, end, round(float(at[first]), 3), round(float(at[end - 1]), 3)) for first, end in pairwise(bounds)
    )


def _befallen(
    walked: list[SurveyedLine], faults: tuple[Fault, ...], instrument: Instrument, seed: int
) -> tuple[SurveyedLine, ...]:
    """The lines after all that went wrong with samples, order and names; faults of files come with the files."""
    lines = {line.plan.name: line for line in walked}
    for fault in faults:
        line = lines[fault.line]
        if fault.kind == "gap":
            del lines[fault.line]
        elif fault.kind == "duplicate-name":
            lines[fault.other] = replace(lines[fault.other], name=fault.line)
        elif fault.kind == "swapped-lines":
            other = lines[fault.other]
            # Their ends are those of their names, so samples change places and nothing else does.
            lines[fault.line] = replace(line, amplitude=other.amplitude)
            lines[fault.other] = replace(other, amplitude=line.amplitude)
        elif fault.kind != "wrong-sample-count":
            lines[fault.line] = replace(line, amplitude=_spoilt(line.amplitude, fault, instrument, seed))
    return tuple(lines.values())


def _spoilt(amplitude: Float32, fault: Fault, instrument: Instrument, seed: int) -> npt.NDArray[np.float32]:
    at = np.array(fault.traces, dtype=np.int64) - 1
    if fault.kind == "time-zero-drift":
        drifting = drift_time_zero(amplitude, interval_ns=instrument.interval_ns, drift_ns=fault.amount)
        return np.rint(drifting).astype(np.float32)
    if fault.kind == "dead-trace":
        return kill_traces(amplitude, at)
    if fault.kind == "spiky-trace":
        return np.rint(spike_traces(amplitude, at, height=32_000.0, seed=np.random.default_rng([seed, at[0]]))).astype(
            np.float32
        )
    return reverse_line(amplitude)
