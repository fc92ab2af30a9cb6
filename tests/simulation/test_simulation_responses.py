"""What graves add: against whole lines, nothing before it can be there, shared backgrounds, and what is refused."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace

import numpy as np
import pytest

from yewline.errors import Cancelled, InputError
from yewline.progress import Progress
from yewline.simulation.earth import DayWater, Drained, Even, Ground, Patches, Soil, materials
from yewline.simulation.fillings import Fill
from yewline.simulation.graves import Coffin, Grave, Lining
from yewline.simulation.instrument import Instrument
from yewline.simulation.lookalikes import Root, Stone
from yewline.simulation.scene import Layer, Scene
from yewline.simulation.scenes import LinePlan, SceneDay, SceneFile, SceneLine, SolverGrid, planned_lines, simulate_line
from yewline.simulation.scenes.responses import (
    GraveResponse,
    ResponseJob,
    grave_on_line,
    grave_responses,
    prepare_responses,
)
from yewline.simulation.scenes.sections import section_on
from yewline.simulation.wave import record_course, steps_ns
from yewline.units import C_M_PER_NS

MHZ = 150.0
BOUNDS = (0.0, 0.0, 12.0, 8.0)
SOIL = Soil(porosity=0.42, water_ms_per_m=1e-3, surface_ms_per_m=0.0)
DRY = SceneDay("dry", dt.date(2024, 8, 1), DayWater(Even(0.06)))
DAMP = SceneDay("damp", dt.date(2024, 3, 1), DayWater(Drained(0.12, 0.1), micro=Patches(0.01, (0.2, 0.2, 0.2))))
PAIR = Instrument(MHZ, 0.3, 0.5, 90, 10.0, aperture_m=0.9)
VOID = Coffin(1.8, 0.5, 0.35, 1.0)
GRAVE = Grave("G1", "adult", 5.0, 4.0, 2.0, 0.8, 0.0, 0.2, 1.2, Fill(0.5, 0.8), VOID, 0.02)
SECOND = replace(GRAVE, label="G2", x=7.0, coffin=None)
STONE = Stone(4.0, 4.1, 0.5, 0.2, label="stone")
FIXED = SolverGrid(cell_m=0.022, depth_m=1.7)


def _scene(scene: Scene, **changes: object) -> SceneFile:
    plan = LinePlan(count=1, length_m=4.0, trace_interval_m=0.5, origin=(4.0, 4.0))
    held = SceneFile("t", "about", 7, scene, (DRY, DAMP), plan, Ground(SOIL, 5), MHZ, PAIR)
    return replace(held, **changes)  # type: ignore[arg-type]


def _all(job: ResponseJob, **settings: object) -> dict[str, GraveResponse]:
    return {held.label: held for held in grave_responses(job, **settings)}  # type: ignore[arg-type]


# ------------------------------------------------------------------------------------------- the difference it makes


def test_background_and_response_are_the_line_with_the_grave() -> None:
    scene = _scene(Scene(BOUNDS, graves=(GRAVE,), stones=(STONE,), layers=(Layer(1.4, Fill(0.42, 1.3)),)))
    without_stone = replace(scene, scene=replace(scene.scene, stones=()))
    response = _all(prepare_responses(scene, "damp", "L1", without=["stone"]))["G1"]
    line = simulate_line(without_stone, "damp", "L1")
    largest = np.abs(response.difference).max()
    together = response.background + response.difference
    assert np.abs(line.clean[response.traces] - together).max() < 1e-3 * largest
    others = np.setdiff1d(np.arange(len(line.clean)), response.traces)
    assert len(others)
    bare = simulate_line(replace(scene, scene=replace(scene.scene, graves=(), stones=())), "damp", "L1")
    # Traces that do not hear the grave: the line records there what it would without it, but for its cells and edges.
    assert np.abs(line.clean[others] - bare.clean[others]).max() < 0.02 * largest


def test_nothing_comes_back_before_light_could_bring_it() -> None:
    job = prepare_responses(_scene(Scene(BOUNDS, graves=(GRAVE,))), "damp", "L1")
    (response,) = grave_responses(job)
    start = job.walk.pulse.span_ns(1e-6)[0]
    time = 0.5 * np.arange(90) - 10.0
    checked = 0
    for row, at in zip(response.difference, response.at_m, strict=True):
        # The cut begins 0.2 m down and 0.6 to 1.4 m along, its blur and cells a little before.
        off = [max(0.0, 0.6 - 0.12 - place, place - 1.4 - 0.12) for place in (at - 0.15, at + 0.15)]
        first = start + sum(math.hypot(way, 0.2 - 0.12) for way in off) / C_M_PER_NS
        assert not row[time < first].any()
        assert row[time > first + 14.0].any()
        checked += int((time < first).sum())
    assert checked > 30


def test_runs_with_and_without_have_the_same_bits_until_the_grave_can_be_felt() -> None:
    job = prepare_responses(_scene(Scene(BOUNDS, graves=(GRAVE,))), "damp", "L1")
    (thing,) = job.things
    course = job.sections.course(section_on(job.sections.under, (*job.cuts, *thing.cuts)), like=job.background)
    trace = int(thing.traces[-1])
    plain, dug = record_course(job.background, trace), record_course(course, trace)
    # On staggered cells nothing goes farther than one cell, along or down, in a step.
    at = job.sections.at_m[trace]
    cells = sum((place - thing.along_m[1]) / job.sections.cell_m for place in (at - 0.15, at + 0.15))
    cells += 2 * (0.2 - 0.08) / job.sections.cell_m
    felt = steps_ns(job.background.grid, int(cells))[-1] - job.background.lead_ns
    time = 0.5 * np.arange(90) - 10.0
    assert (time < felt).sum() > 5
    assert np.array_equal(plain[time < felt], dug[time < felt])
    assert not np.array_equal(plain, dug)


def test_a_void_answers_from_its_lid_and_then_from_its_base() -> None:
    scene = _scene(
        Scene(BOUNDS, graves=(GRAVE,)), antenna=replace(PAIR, centre_mhz=400.0, interval_ns=0.25, samples=170)
    )
    response = _all(prepare_responses(scene, "dry", "L1", without=[]))["G1"]
    # 1.2 m less 0.35 m; the lid is the strongest, and it is nearest straight under the antennas.
    assert response.peak_depth_m == pytest.approx(0.85, abs=0.06)
    assert response.at_m[response.traces.tolist().index(response.peak_trace)] == pytest.approx(1.0)
    n = math.sqrt(float(materials(SOIL, 0.06, frequency_mhz=400.0)[0]))
    assert response.peak_ns == pytest.approx(2.0 * 0.85 * n / C_M_PER_NS, abs=1.0)
    assert response.peak == np.abs(response.difference).max()
    assert response.across_m == (-1.0, 1.0)


def test_anything_else_answers_by_its_label() -> None:
    scene = _scene(Scene(BOUNDS, stones=(STONE,), layers=(Layer(1.0, Fill(0.42, 2.0)),)))
    job = prepare_responses(scene, "dry", "L1", ["layer 1", "stone"])
    assert {cut.label for cut in job.cuts} == set()
    responses = _all(job)
    assert len(responses["layer 1"].traces) == 9
    assert responses["layer 1"].peak_depth_m == pytest.approx(1.0, abs=0.05)
    assert responses["layer 1"].across_m == (-math.inf, math.inf)
    assert responses["stone"].peak_depth_m == pytest.approx(0.4, abs=0.2)
    assert len(responses["stone"].traces) < 9


# ------------------------------------------------------------------------------------------ backgrounds that are shared


def test_a_grave_put_in_answers_as_one_that_was_there() -> None:
    there = _scene(Scene(BOUNDS, graves=(GRAVE,), stones=(STONE,)), solver=FIXED)
    put_in = replace(there, scene=replace(there.scene, graves=()))
    one = _all(prepare_responses(there, "damp", "L1"))["G1"]
    other = _all(prepare_responses(put_in, "damp", "L1", [GRAVE]))["G1"]
    assert np.array_equal(one.traces, other.traces)
    assert np.array_equal(one.difference, other.difference)
    assert np.array_equal(one.background, other.background)


def test_a_response_does_not_depend_on_its_company_nor_on_the_workers() -> None:
    scene = _scene(Scene(BOUNDS, stones=(STONE,)), solver=FIXED)
    both = _all(prepare_responses(scene, "damp", "L1", [GRAVE, SECOND]), workers=3)
    alone = _all(prepare_responses(scene, "damp", "L1", [SECOND]), workers=1)["G2"]
    assert list(both) == ["G1", "G2"]
    assert np.array_equal(both["G2"].difference, alone.difference)
    assert np.array_equal(both["G2"].background, alone.background)


def test_only_traces_within_reach_are_computed_and_all_are_told() -> None:
    job = prepare_responses(_scene(Scene(BOUNDS, graves=(GRAVE, SECOND))), "dry", "L1")
    assert [thing.label for thing in job.things] == ["G1", "G2"]
    # 0.9 m and half the separation beyond the cut's blurred edges, 0.08 m out of it.
    assert job.things[0].traces.tolist() == [0, 1, 2, 3, 4, 5]
    assert job.things[1].traces.tolist() == list(range(3, 9))
    assert job.traces.tolist() == list(range(9))
    assert job.early_traces.tolist() == []
    told: list[tuple[int, int]] = []
    list(grave_responses(job, progress=Progress(lambda label, done, total: told.append((done, total)))))
    assert told == [(done, 21) for done in range(22)]
    assert job.trace_count == 21
    assert job.cell_updates == 21 * job.background.cell_updates


def test_it_stops_when_asked() -> None:
    job = prepare_responses(_scene(Scene(BOUNDS, graves=(GRAVE,))), "dry", "L1")
    told: list[int] = []
    progress = Progress(lambda label, done, total: told.append(done), lambda: len(told) > 2)
    with pytest.raises(Cancelled):
        list(grave_responses(job, workers=1, progress=progress))
    assert len(told) == 3


def test_what_no_trace_hears_is_named() -> None:
    far = replace(GRAVE, label="far", x=10.5, y=1.2, length_m=1.0, coffin=None)
    job = prepare_responses(_scene(Scene(BOUNDS)), "dry", "L1", [far, SECOND])
    assert job.unheard == ("far",)
    assert [thing.label for thing in job.things] == ["G2"]
    nothing = prepare_responses(_scene(Scene(BOUNDS)), "dry", "L1")
    assert nothing.trace_count == 0
    assert list(grave_responses(nothing)) == []


def test_a_grave_put_in_is_dug_after_the_graves_and_before_what_lies_in_them() -> None:
    root = Root(((4.0, 4.0, 0.6), (8.0, 4.0, 0.6)), 0.1, label="root")
    scene = _scene(Scene(BOUNDS, graves=(GRAVE,), roots=(root,)), solver=SolverGrid(0.013, 1.7))
    cutting = replace(SECOND, x=5.3, fill=Fill(0.5, 1.6), blur_m=0.0)
    job = prepare_responses(scene, "dry", "L1", [cutting])
    order = sorted((*job.cuts, *job.things[0].cuts), key=lambda cut: job.ranks[cut.label])
    labels = list(dict.fromkeys(cut.label for cut in order))
    assert labels == ["G1", "G2", "root"]
    section = section_on(job.sections.under, order)
    k = round((0.4 - section.z0_m) / section.cell_m)
    i = round((1.15 - section.x0_m) / section.cell_m)
    fill, _ = materials(SOIL, 0.06 * 1.6, porosity=0.5, frequency_mhz=MHZ)
    assert section.permittivity[i, k] == pytest.approx(float(fill), rel=1e-3)
    k = round((0.6 - section.z0_m) / section.cell_m)
    assert section.permittivity[i, k] == pytest.approx(root.permittivity, rel=1e-6)


def test_cells_do_for_the_densest_grave_that_is_put_in() -> None:
    clay = replace(SECOND, lining=Lining(0.1, "clay"))
    scene = _scene(Scene(BOUNDS))
    coarse, fine = (prepare_responses(scene, "dry", "L1", [grave]).sections.cell_m for grave in (SECOND, clay))
    fill = float(materials(SOIL, 0.06, frequency_mhz=MHZ)[0])
    # Cells go with the wavelength: clay's permittivity is 25.
    assert fine / coarse == pytest.approx(math.sqrt(fill / 25.0), rel=0.03)
    with pytest.raises(InputError, match=r"too coarse for a grave that is put in.*permittivity 25\.0.*cells of 0\.01"):
        prepare_responses(replace(scene, solver=SolverGrid(cell_m=0.022)), "dry", "L1", [clay])


def test_a_deep_void_lets_the_section_reach_deeper() -> None:
    scene = _scene(Scene(BOUNDS))
    plain, void = (
        prepare_responses(scene, "dry", "L1", [grave]).sections.depth_m
        for grave in (SECOND, replace(SECOND, coffin=VOID))
    )
    n = math.sqrt(float(materials(SOIL, 0.06, frequency_mhz=MHZ)[0]))
    # What 0.35 m of air saves brings waves back from 0.35 (n − 1)/n deeper: on cells of 0.05 m.
    assert void - plain == pytest.approx(0.35 * (n - 1.0) / n, abs=0.1)


def test_raised_and_beside_the_line_it_still_works() -> None:
    beside = replace(SECOND, y=2.75, length_m=2.0)
    job = prepare_responses(_scene(Scene(BOUNDS), antenna=replace(PAIR, height_m=0.1)), "dry", "L1", [beside])
    (response,) = grave_responses(job)
    assert response.across_m == pytest.approx((-2.25, -0.25))
    over = _all(prepare_responses(_scene(Scene(BOUNDS)), "dry", "L1", [SECOND]))["G2"]
    assert 0 < response.peak < 0.5 * over.peak


# --------------------------------------------------------------------------------------------------- places and faults


def test_a_grave_is_moved_onto_a_line() -> None:
    line = SceneLine("d", (1.0, 1.0), (4.0, 5.0), 0.05)
    moved = grave_on_line(GRAVE, line, 2.5, across_m=1.0, to_line_deg=30.0)
    assert (moved.x, moved.y) == pytest.approx((1.0 + 1.5 - 0.8, 1.0 + 2.0 + 0.6))
    # The line's bearing is atan2(3, 4) clockwise from +y.
    assert moved.azimuth_deg == pytest.approx(math.degrees(math.atan2(3, 4)) + 30.0)
    assert grave_on_line(GRAVE, line, 0.0).azimuth_deg == GRAVE.azimuth_deg
    square = grave_on_line(GRAVE, planned_lines(_scene(Scene(BOUNDS)).lines)[0], 3.0, to_line_deg=90.0)
    (thing,) = prepare_responses(_scene(Scene(BOUNDS)), "dry", "L1", [square]).things
    assert thing.across_m == pytest.approx((-1.0, 1.0))
    assert thing.along_m == pytest.approx((2.6 - 0.08, 3.4 + 0.08))


def test_what_cannot_be_asked_is_refused() -> None:
    scene = _scene(Scene(BOUNDS, graves=(GRAVE,)))
    with pytest.raises(InputError, match="nothing of that label.*G7.*G1"):
        prepare_responses(scene, "dry", "L1", ["G7"])
    with pytest.raises(InputError, match="the same label.*G1"):
        prepare_responses(scene, "dry", "L1", ["G1", "G1"])
    with pytest.raises(InputError, match="the same label.*G1"):
        prepare_responses(scene, "dry", "L1", [replace(GRAVE, x=6.0)])
    with pytest.raises(InputError, match="left out cannot answer.*G1"):
        prepare_responses(scene, "dry", "L1", without=["G1"])
    with pytest.raises(InputError, match="outside the scene"):
        prepare_responses(scene, "dry", "L1", [replace(SECOND, x=11.9)])
    with pytest.raises(InputError, match="no such day.*It has dry, damp"):
        prepare_responses(scene, "wet", "L1")
    with pytest.raises(InputError, match="must be finite|at_m"):
        grave_on_line(GRAVE, planned_lines(scene.lines)[0], math.nan)
