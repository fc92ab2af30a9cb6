"""Lines recorded with the full wave: arrivals and strengths, runs that add up, bodies that end, what is refused."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import Cancelled, InputError
from yewline.physics import plane_wave, ricker, two_fresnel_zones_m
from yewline.progress import Progress
from yewline.simulation.disturbances import ReceiverNoise
from yewline.simulation.earth import DayWater, Drained, Even, Ground, Patches, Soil, materials
from yewline.simulation.fillings import Fill
from yewline.simulation.graves import Coffin, Grave
from yewline.simulation.instrument import Instrument
from yewline.simulation.lookalikes import Stone, Trench
from yewline.simulation.scene import Layer, Scene
from yewline.simulation.scenes import (
    Disturbance,
    ExtraLine,
    LineJob,
    LinePlan,
    SceneDay,
    SceneFile,
    SolverGrid,
    compute_line,
    finish_line,
    planned_lines,
    prepare_line,
    simulate_line,
)
from yewline.simulation.scenes.cutting import cut_scene
from yewline.simulation.scenes.ends import EndingThing, extent_of, groups_apart, heard_by, things_that_end
from yewline.simulation.scenes.line_sections import LineSections, depth_reached, spread_of, spread_settings, taken_at
from yewline.simulation.scenes.recording import walk_line
from yewline.simulation.scenes.responses import grave_responses, prepare_responses
from yewline.simulation.spreading import DirectWave, to_point_source
from yewline.simulation.walking import LineShift, Odometer
from yewline.simulation.wave import Section, record_course
from yewline.units import C_M_PER_NS

MHZ = 150.0
BOUNDS = (0.0, 0.0, 10.0, 8.0)
SOIL = Soil(porosity=0.42, water_ms_per_m=1e-3, surface_ms_per_m=0.0)
DRY = SceneDay("dry", dt.date(2024, 8, 1), DayWater(Even(0.06)))
DAMP = SceneDay("damp", dt.date(2024, 3, 1), DayWater(Drained(0.12, 0.1), micro=Patches(0.01, (0.2, 0.2, 0.2))))
PAIR = Instrument(MHZ, 0.3, 0.5, 90, 10.0, aperture_m=0.9)
GRAVE = Grave("G1", "adult", 5.0, 4.0, 2.0, 0.8, 0.0, 0.2, 1.2, Fill(0.5, 0.8), Coffin(1.8, 0.5, 0.35, 1.0), 0.02)
STONE = Stone(4.0, 4.1, 0.5, 0.2, label="stone")


def _scene(scene: Scene, **changes: object) -> SceneFile:
    plan = LinePlan(count=1, length_m=2.0, trace_interval_m=0.5, origin=(4.0, 4.0))
    held = SceneFile("t", "about", 7, scene, (DRY, DAMP), plan, Ground(SOIL, 5), MHZ, PAIR)
    return replace(held, **changes)  # type: ignore[arg-type]


def _sections(scene: SceneFile, day: str = "dry") -> LineSections:
    walk = walk_line(scene, day, "L1")
    return LineSections.of(scene, walk.day, walk.line, walk.instrument, walk.pulse, walk.places, kept_out=frozenset())


def _index(vwc: float, mhz: float = MHZ) -> float:
    return float(np.sqrt(materials(SOIL, vwc, frequency_mhz=mhz)[0]))


# -------------------------------------------------------------------------------------------- arrivals and strengths


def test_the_direct_wave_is_that_of_a_point_source_in_air_at_its_time() -> None:
    # Antennas so high that the ground answers later: 1 at 1 m, and time counts from `zero_ns`.
    high = replace(PAIR, height_m=2.2, separation_m=0.5, interval_ns=0.25, samples=140)
    line = simulate_line(_scene(Scene(BOUNDS), antenna=high), "dry", "L1")
    time = 0.25 * np.arange(140) - high.zero_ns
    want = ricker(time - 0.5 / C_M_PER_NS, peak_mhz=MHZ) / 0.5
    alone = time < 7.0
    # 0.5 % is the bound that the conversion of line antennas states; the rest is the grid's.
    assert np.abs(line.clean[:, alone] - want[alone]).max() < 0.01 * want.max()


def test_raised_antennas_hear_the_ground_as_its_mirror_image() -> None:
    high = replace(PAIR, height_m=1.9, separation_m=0.3, interval_ns=0.25, samples=160, aperture_m=1.4)
    line = simulate_line(_scene(Scene(BOUNDS), antenna=high), "dry", "L1")
    time = 0.25 * np.arange(160) - high.zero_ns
    n = _index(0.06)
    way = 2.0 * np.hypot(1.9, 0.15)
    want = (1.0 - n) / (1.0 + n) / way * ricker(time - way / C_M_PER_NS, peak_mhz=MHZ)
    late = (time > 9.0) & (time < 18.0)
    strength = line.clean[0, late] @ want[late] / (want[late] @ want[late])
    assert strength == pytest.approx(1.0, abs=0.05)
    assert np.corrcoef(line.clean[0, late], want[late])[0, 1] > 0.99


@pytest.mark.parametrize("depth_m", [0.8, 1.4])
def test_a_layer_under_raised_antennas_has_its_images_time_and_strength(depth_m: float) -> None:
    # Far above and below in wavelengths, and a window that the image's first zones do not fill.
    mhz = 250.0
    pair = Instrument(mhz, 0.1, 0.25, 190, 10.0, height_m=1.0, aperture_m=1.4)
    same = SolverGrid(cell_m=0.013, depth_m=1.9)
    scene = _scene(Scene(BOUNDS, layers=(Layer(depth_m, Fill(0.42, 2.5)),)), antenna=pair, solver=same)
    own = simulate_line(scene, "dry", "L1").clean[2] - _recorded(scene, without=["layer 1"]).clean[2]
    n, below = _index(0.06, mhz), _index(0.15, mhz)
    loss = materials(SOIL, 0.06, frequency_mhz=mhz)[1]
    alpha = plane_wave(mhz, permittivity=n**2, conductivity_ms_per_m=float(loss)).alpha_np_per_m
    # Down and up through the surface, and spread from the image as seen from above: at depth d/n.
    strength = (n - below) / (n + below) * 4.0 * n / (1.0 + n) ** 2 * np.exp(-2.0 * alpha * depth_m)
    time = 0.25 * np.arange(190) - pair.zero_ns
    late = 2.0 * (1.0 + n * depth_m) / C_M_PER_NS
    want = strength / (2.0 * (1.0 + depth_m / n)) * ricker(time - late, peak_mhz=mhz)
    # Later on the multiples between layer and surface follow.
    near = np.flatnonzero(np.abs(time - late) < 6.0)
    lags = np.arange(-8, 9)
    assert lags[int(np.argmax([own[near] @ want[near - lag] for lag in lags]))] == 0
    assert own[near] @ want[near] / (want[near] @ want[near]) == pytest.approx(1.0, abs=0.03)
    assert np.corrcoef(own[near], want[near])[0, 1] > 0.995


def _recorded(scene: SceneFile, without: list[str]):  # type: ignore[no-untyped-def]
    job = prepare_line(scene, "dry", "L1", without=without)
    fields = [np.zeros((len(job.places), job.instrument.samples), np.float32) for _ in job.runs]
    for run, trace, samples in compute_line(job):
        fields[run][trace] = samples
    return finish_line(job, fields)


def test_velocity_for_spreading_is_the_root_mean_square_on_the_way() -> None:
    n = _index(0.06)
    even = _sections(_scene(Scene(BOUNDS)))
    section = even.section()
    v, _ = spread_of(section, PAIR)
    assert v == pytest.approx(C_M_PER_NS / n, rel=1e-5)
    assert depth_reached(section, PAIR, [20.0])[0] == pytest.approx(10.0 * C_M_PER_NS / n, rel=1e-5)
    # With air above, from Dix's sum v² = Σ v² t / Σ t: 1 m of air and 0.5 m of soil.
    raised = replace(PAIR, height_m=1.0)
    v, _ = spread_of(section, raised)
    t_air, t_soil = 1.0 / C_M_PER_NS, 0.5 * n / C_M_PER_NS
    want = np.sqrt((C_M_PER_NS**2 * t_air + (C_M_PER_NS / n) ** 2 * t_soil) / (t_air + t_soil))
    time = 0.5 * np.arange(90) - 10.0
    assert np.interp(2.0 * (t_air + t_soil), time, v) == pytest.approx(want, rel=2e-3)
    assert v[0] == pytest.approx(C_M_PER_NS, rel=1e-6)
    assert depth_reached(section, raised, [2.0 * (t_air + t_soil)])[0] == pytest.approx(0.5, rel=1e-4)


# ---------------------------------------------------------------------------------------------------- relaxing water

WET = Soil(porosity=0.42, water_ms_per_m=20.0, temperature_c=10.0)
HIGH = Instrument(900.0, 0.06, 0.04, 450, 2.0, height_m=0.3, aperture_m=0.4)
RAIN = SceneDay("rain", dt.date(2024, 1, 1), DayWater(Even(0.3)))
SHORT = LinePlan(count=1, length_m=0.1, trace_interval_m=0.1, origin=(4.0, 4.0))


def _wet(scene: Scene, grid: SolverGrid) -> SceneFile:
    return SceneFile("t", "about", 7, scene, (RAIN,), SHORT, Ground(WET, 5), 900.0, HIGH, solver=grid)


def _answer_of_soil(f: np.ndarray, taken_mhz: np.ndarray | float, thick_m: float) -> np.ndarray:
    """Down through wet soil of that thickness, back from wetter soil: water by Kaatze's relaxation, mixed by roots."""

    def wavenumber(vwc: float) -> np.ndarray:
        held = [materials(WET, vwc, frequency_mhz=float(at)) for at in np.broadcast_to(taken_mhz, f.shape)]
        epsilon, sigma = np.array(held).T
        wave = plane_wave(f, permittivity=epsilon, conductivity_ms_per_m=sigma)
        return wave.beta_rad_per_m - 1j * wave.alpha_np_per_m

    air, soil, below = 2e-3 * np.pi * f / C_M_PER_NS, wavenumber(0.3), wavenumber(0.405)
    through = 4.0 * air * soil / (air + soil) ** 2
    return np.asarray(through * (soil - below) / (soil + below) * np.exp(-2j * soil * thick_m))


def _last_trace(scene: SceneFile) -> np.ndarray:
    job = prepare_line(scene, "rain", "L1")
    last = len(job.runs) - 1
    return next(samples for run, trace, samples in compute_line(job) if (run, trace) == (last, 0))


def test_relaxing_water_slows_and_weakens_each_frequency_as_debye_water_does() -> None:
    """One layer's echo at 900 MHz with relaxation over that without: spreading, pulse and grid cancel."""
    thick = 0.25
    layered, bare = Scene(BOUNDS, layers=(Layer(thick, Fill(0.42, 1.35)),)), Scene(BOUNDS)
    f = np.array([500.0, 700.0, 900.0, 1100.0, 1300.0])
    time = 0.04 * np.arange(450) - HIGH.zero_ns
    # Only what came straight back: the surface's multiples follow.
    n = float(np.sqrt(materials(WET, 0.3, frequency_mhz=900.0)[0]))
    arrival = 2.0 * (0.3 + n * thick) / C_M_PER_NS
    near = np.clip(3.5 - np.abs(time - arrival), 0.0, 1.0)
    turn = np.exp(-2e-3j * np.pi * np.outer(f, time))
    found = []
    for relaxing in (True, False):
        grid = SolverGrid(0.0023, 0.5, relaxing=relaxing)
        found.append(turn @ (near * (_last_trace(_wet(layered, grid)) - _last_trace(_wet(bare, grid)))))
    ratio = found[0] / found[1]
    want = _answer_of_soil(f, f, thick) / _answer_of_soil(f, 900.0, thick)
    assert np.abs(ratio / want - 1.0).max() < 0.02
    # At the centre both are the same, and off it by far not.
    assert abs(want[2]) == pytest.approx(1.0, abs=1e-9)
    assert abs(want[0]) > 1.7 > 0.45 > abs(want[-1])


def test_relaxing_ground_spreads_waves_at_its_velocity_at_the_centre() -> None:
    grave = Grave("G1", "adult", 4.0, 4.0, 2.0, 0.8, 0.0, 0.2, 1.2, Fill(0.42, 1.2))
    plain, relaxing = (
        prepare_line(_wet(Scene(BOUNDS, graves=(grave,)), SolverGrid(relaxing=held)), "rain", "L1")
        for held in (False, True)
    )
    sections = [job.runs[-1].course.grid.section for job in (plain, relaxing)]
    # Kaatze's water at 900 MHz, mixed, against the pole that stands for it: within what `relaxation_of` states.
    assert relaxing.v_m_per_ns == pytest.approx(plain.v_m_per_ns, rel=5e-4)
    assert relaxing.attenuation_np_per_m == pytest.approx(plain.attenuation_np_per_m, rel=5e-3)
    assert sections[1].depth_m[-1] == pytest.approx(sections[0].depth_m[-1], abs=2 * sections[0].cell_m)
    assert 0.98 * sections[0].cell_m < sections[1].cell_m <= sections[0].cell_m
    taken = taken_at(sections[1], 900.0)
    soil = taken.permittivity[0, -1], taken.conductivity_ms_per_m[0, -1]
    assert soil == pytest.approx(np.array(materials(WET, 0.3, frequency_mhz=900.0)), rel=4e-3)
    assert taken_at(sections[0], 900.0) is sections[0]


def test_a_grave_put_into_relaxing_ground_answers_as_the_same_grave_of_the_scene() -> None:
    # Wetter than all else, so that it sets the cells; and its ground relaxes in both runs.
    grave = Grave("G1", "adult", 4.05, 4.0, 2.0, 0.5, 0.0, 0.05, 0.3, Fill(0.42, 1.39))
    scene = _wet(Scene(BOUNDS), SolverGrid(depth_m=0.4, relaxing=True))
    put = prepare_responses(scene, "rain", "L1", [grave])
    assert put.background.grid.section.relaxation is not None
    fixed = SolverGrid(put.sections.cell_m, 0.4, relaxing=True)
    own, plain = (
        prepare_responses(_wet(Scene(BOUNDS, graves=(grave,)), grid), "rain", "L1")
        for grid in (fixed, replace(fixed, relaxing=False))
    )
    (first,), (second,), (third,) = (list(grave_responses(job)) for job in (put, own, plain))
    assert np.array_equal(first.difference, second.difference)
    assert first.peak > 1e-3
    assert np.abs(third.difference - first.difference).max() > 0.1 * first.peak


def test_relaxation_needs_a_soil_whose_water_it_can_tell_apart() -> None:
    scene = replace(_wet(Scene(BOUNDS), SolverGrid(relaxing=True)), ground=Ground(replace(WET, model="topp"), 5))
    with pytest.raises(InputError, match="can be told apart in a mixing-model soil.*run without relaxation"):
        prepare_line(scene, "rain", "L1")


# ------------------------------------------------------------------------------------------------- runs that add up


def test_runs_add_up_to_the_whole_line() -> None:
    # Stone and grave reach differently across the line, and near traces hear both.
    scene = _scene(Scene(BOUNDS, graves=(GRAVE,), stones=(STONE,)))
    job = prepare_line(scene, "damp", "L1")
    assert sorted(label for run in job.runs for label in run.adds) == ["G1", "stone"]
    fields = _fields(job)
    whole = _sections(scene, "damp")
    course = whole.course(whole.section(), like=job.runs[0].course)
    for trace in range(len(job.places)):
        last = max(number for number, run in enumerate(job.runs) if trace in run.which)
        assert np.array_equal(fields[last][trace], record_course(course, trace))
    assert job.traces == sum(len(run.which) for run in job.runs)
    assert job.cell_updates == job.traces * course.cell_updates


def _fields(job: LineJob) -> list[np.ndarray]:
    fields = [np.full((len(job.places), job.instrument.samples), np.nan, np.float32) for _ in job.runs]
    for run, trace, samples in compute_line(job):
        fields[run][trace] = samples
    return fields


def test_a_shallow_layer_is_converted_as_a_body_and_not_as_a_direct_wave() -> None:
    # Told from the ground without it over the whole time, not only while the direct wave lasts.
    layered = _scene(Scene(BOUNDS, layers=(Layer(0.3, Fill(0.42, 1.4)),)), solver=SolverGrid(0.02, 1.2))
    bare = replace(layered, scene=Scene(BOUNDS))
    (with_it, without) = (_last_field(scene) for scene in (layered, bare))
    job = prepare_line(layered, "damp", "L1")
    settings = spread_settings(job.instrument, job.pulse, job.v_m_per_ns, job.attenuation_np_per_m)
    layer = to_point_source(with_it - without, **settings)
    ground = to_point_source(without, **settings, direct=DirectWave(0.3, C_M_PER_NS))
    clean = _finished(job)
    largest = np.abs(layer).max()
    assert np.abs(clean - ground - layer).max() < 0.01 * largest
    # Taken for a part of the direct wave it would be wrong by a good part of itself.
    one = to_point_source(with_it, **settings, direct=DirectWave(0.3, C_M_PER_NS))
    assert np.abs(one - ground - layer).max() > 0.1 * largest


def _last_field(scene: SceneFile) -> np.ndarray:
    return _fields(prepare_line(scene, "damp", "L1"))[-1]


def test_traces_that_do_not_hear_a_group_see_the_same_ground() -> None:
    # At a cell above what fits, so that two things that differ only there are told apart.
    long = LinePlan(count=1, length_m=3.0, trace_interval_m=0.25, origin=(3.0, 4.0))
    job = prepare_line(_scene(Scene(BOUNDS, graves=(GRAVE,)), lines=long), "damp", "L1")
    base, added = job.runs
    alone = sorted(set(base.which.tolist()) - set(added.which.tolist()))
    assert alone
    for trace in alone:
        assert np.array_equal(record_course(base.course, trace), record_course(added.course, trace))


def test_a_scene_without_short_bodies_has_one_run_and_one_for_the_direct_wave() -> None:
    assert len(prepare_line(_scene(Scene(BOUNDS)), "dry", "L1").runs) == 1
    trench = Trench((4.5, 0.0), (4.5, 8.0), 0.6, base_m=0.8)
    job = prepare_line(_scene(Scene(BOUNDS, layers=(Layer(1.0, Fill(0.42, 1.5)),), trenches=(trench,))), "dry", "L1")
    assert [(run.bare, run.adds) for run in job.runs] == [(True, ()), (False, ())]
    assert job.runs[0].course.steps < 0.6 * job.runs[1].course.steps
    assert {cut.label for cut in job.cuts} == {"layer 1", "trench 1"}


def test_what_is_left_out_leaves_no_trace() -> None:
    with_it = _scene(Scene(BOUNDS, graves=(GRAVE,), stones=(STONE,)))
    job = prepare_line(with_it, "damp", "L1", without=["G1"])
    assert {cut.label for cut in job.cuts} == {"stone"}
    # Cells are set by what is there, so that they are given here.
    fixed = SolverGrid(cell_m=0.025, depth_m=1.6)
    one = prepare_line(replace(with_it, solver=fixed), "damp", "L1", without=["G1"])
    other = prepare_line(_scene(Scene(BOUNDS, stones=(STONE,)), solver=fixed), "damp", "L1")
    assert np.array_equal(_finished(one), _finished(other))


def _finished(job: LineJob) -> np.ndarray:
    return finish_line(job, _fields(job)).clean


def test_the_same_line_has_the_same_bits_however_it_is_run() -> None:
    scene = _scene(
        Scene(BOUNDS, graves=(GRAVE,), stones=(STONE,)), disturbances=(Disturbance(ReceiverNoise(white=0.01)),)
    )
    one, three = (simulate_line(scene, "damp", "L1", workers=workers) for workers in (1, 3))
    assert np.array_equal(one.clean, three.clean)
    assert np.array_equal(one.radargram.to_numpy(), three.radargram.to_numpy())
    assert [told.layer for told in one.truth] == ["noise"]
    assert one.radargram.attrs["line"] == "L1"
    assert one.radargram.attrs["separation_m"] == 0.3
    assert np.array_equal(one.true_xy, planned_lines(scene.lines)[0].xy())


def test_it_stops_when_asked() -> None:
    job = prepare_line(_scene(Scene(BOUNDS)), "dry", "L1")
    told: list[int] = []
    progress = Progress(lambda label, done, total: told.append(done), lambda: len(told) > 2)
    with pytest.raises(Cancelled):
        list(compute_line(job, workers=1, progress=progress))
    assert told[:3] == [0, 1, 2]


def test_each_run_must_have_its_traces() -> None:
    job = prepare_line(_scene(Scene(BOUNDS, graves=(GRAVE,))), "dry", "L1")
    with pytest.raises(InputError, match="each run needs its traces.*1 arrays for 2 runs"):
        finish_line(job, [np.zeros((5, 90), np.float32)])


# ----------------------------------------------------------------------------------------------------- bodies that end


def _response(grave: Grave, **changes: object) -> np.ndarray:
    scene = _scene(Scene(BOUNDS, graves=(grave,)), **changes)
    return simulate_line(scene, "dry", "L1").clean - _recorded(scene, without=[grave.label]).clean


# Wide enough for its whole length to be in the scene, and one cell for all lengths.
SQUARE = LinePlan(count=1, length_m=1.0, trace_interval_m=0.5, origin=(4.5, 4.0))
FIXED = SolverGrid(cell_m=0.028, depth_m=1.7)


def test_a_long_grave_crossed_in_the_middle_answers_as_an_endless_one() -> None:
    deep = replace(GRAVE, coffin=None, top_m=0.7)
    endless = _response(replace(deep, length_m=7.8), lines=SQUARE, solver=FIXED)
    wavelength = _sections(_scene(Scene(BOUNDS, graves=(deep,)))).wavelength_m
    enough = 2.0 * float(two_fresnel_zones_m(1.2, wavelength_m=wavelength))
    just, short = (replace(deep, length_m=share * enough) for share in (1.01, 0.99))
    jobs = [prepare_line(_scene(Scene(BOUNDS, graves=(grave,)), lines=SQUARE), "dry", "L1") for grave in (just, short)]
    assert [[run.adds for run in job.runs] for job in jobs] == [[(), ()], [(), ("G1",)]]
    assert np.abs(_response(just, lines=SQUARE, solver=FIXED) - endless).max() == 0
    # The bound that `things_that_end` states.
    assert np.abs(_response(short, lines=SQUARE, solver=FIXED) - endless).max() < 0.04 * np.abs(endless).max()


def test_beyond_its_end_a_grave_fades() -> None:
    # The line's distance from the end: 1 m inside, at the end, 0.25 m and 0.5 m beyond.
    peaks = []
    for inside in (1.0, 0.0, -0.25, -0.5):
        moved = replace(GRAVE, coffin=None, y=4.0 + inside - 1.0)
        peaks.append(float(np.abs(_response(moved, lines=SQUARE, solver=FIXED)).max()))
    share = np.array(peaks) / peaks[0]
    assert (np.diff(share) < 0).all()
    assert share[1] == pytest.approx(0.5, abs=0.1)
    assert share[3] < 0.3


def test_things_far_beside_the_line_are_not_cut() -> None:
    near, far = replace(GRAVE, y=4.0 - 1.2), replace(GRAVE, y=4.0 - 2.5)
    assert {cut.label for cut in prepare_line(_scene(Scene(BOUNDS, graves=(near,))), "dry", "L1").cuts} == {"G1"}
    job = prepare_line(_scene(Scene(BOUNDS, graves=(far,))), "dry", "L1")
    assert job.cuts == ()
    assert len(job.runs) == 1


THINGS = st.lists(
    st.tuples(
        st.integers(0, 60),
        st.integers(1, 8),
        st.sampled_from([-1.0, -0.5, -0.4, 0.1]),
        st.sampled_from([0.3, 0.5, 1.0]),
    ),
    max_size=9,
)


@settings(max_examples=60, deadline=None)
@given(THINGS, st.floats(0.2, 3.0))
def test_no_trace_hears_two_things_of_different_reach_in_one_run(
    drawn: list[tuple[int, int, float, float]], half: float
) -> None:
    things = [
        EndingThing(f"t{number}", (0.25 * left, 0.25 * (left + width)), (near, far), (near, far))
        for number, (left, width, near, far) in enumerate(drawn)
    ]
    at = np.linspace(2.0, 14.0, 25)
    groups = groups_apart(things, at, half)
    by_label = {thing.label: thing for thing in things}
    heard_at_all = {thing.label for thing in things if heard_by(thing, at, half).any()}
    assert sorted(label for group in groups for label in group.labels) == sorted(heard_at_all)
    for group in groups:
        members = [by_label[label] for label in group.labels]
        heard = np.array([heard_by(thing, at, half) for thing in members])
        assert group.traces.tolist() == np.flatnonzero(heard.any(axis=0)).tolist()
        for trace in group.traces:
            reach = np.array([thing.felt_m for thing, hears in zip(members, heard[:, trace], strict=True) if hears])
            assert np.abs(reach - group.across_m[trace]).max() <= 0.2 + 1e-12


def test_blurred_edges_are_heard_too() -> None:
    scene = Scene(BOUNDS, graves=(replace(GRAVE, blur_m=0.05, coffin=None),))
    cuts = cut_scene(scene, (0.0, 4.0), (8.0, 4.0))
    assert extent_of(cuts, 0.5).along_m == pytest.approx((4.4, 5.6))
    assert extent_of(cuts, 0.5).across_m == pytest.approx((-1.0, 1.0))
    (thing,) = things_that_end(cuts, 0.5)
    assert thing == extent_of(cuts, 0.5)
    assert things_that_end(cuts, 0.01) == ()


# --------------------------------------------------------------------------------- walking faults, and what is refused


def test_a_line_walked_beside_its_plan_records_another_section() -> None:
    scene = _scene(Scene(BOUNDS, graves=(GRAVE,)))
    moved = replace(scene, disturbances=(Disturbance(LineShift(across_m=0.7)),))
    planned, walked = prepare_line(scene, "dry", "L1"), prepare_line(moved, "dry", "L1")
    reach = [{cut.across_m for cut in job.cuts if cut.kind == "fill"} for job in (planned, walked)]
    assert reach[0] == {(-1.0, 1.0)}
    assert next(iter(reach[1])) == pytest.approx((-1.7, 0.3))
    line = simulate_line(moved, "dry", "L1")
    assert line.true_xy[:, 1] == pytest.approx(4.7)
    assert line.radargram["y"].to_numpy() == pytest.approx(4.0)
    assert [told.layer for told in line.truth] == ["line-shift"]


def test_a_wheel_that_tells_too_much_gives_more_traces_nearer_together() -> None:
    scene = _scene(Scene(BOUNDS), disturbances=(Disturbance(Odometer(scale=1.25)),))
    line = simulate_line(scene, "dry", "L1")
    assert line.clean.shape[0] == 6
    assert np.diff(line.true_xy[:, 0]) == pytest.approx(0.4)
    assert np.diff(line.radargram["x"].to_numpy()) == pytest.approx(0.5)


def test_a_line_of_its_own_direction_and_antennas_in_one_housing() -> None:
    plan = LinePlan(extra=(ExtraLine("tie", (5.0, 4.6), (4.2, 4.0)),), trace_interval_m=0.5)
    scene = _scene(Scene(BOUNDS, graves=(GRAVE,)), lines=plan, antenna=replace(PAIR, separation_m=0.0))
    line = simulate_line(scene, "dry", "tie")
    assert np.isfinite(line.clean).all()
    assert line.true_xy == pytest.approx(np.array([[5.0, 4.6], [4.6, 4.3], [4.2, 4.0]]))
    assert line.radargram.attrs["separation_m"] == 0.0


def test_unknown_names_are_refused_with_those_there_are() -> None:
    scene = _scene(Scene(BOUNDS, graves=(GRAVE,)))
    with pytest.raises(InputError, match="no such day.*'wet'.*It has dry, damp"):
        prepare_line(scene, "wet", "L1")
    with pytest.raises(InputError, match="no such line.*'L2'.*It has L1"):
        prepare_line(scene, "dry", "L2")
    with pytest.raises(InputError, match="nothing of that label.*G2.*G1"):
        prepare_line(scene, "dry", "L1", without=["G2"])


def test_cells_that_are_too_coarse_are_refused_before_anything_is_computed() -> None:
    scene = _scene(Scene(BOUNDS), solver=SolverGrid(cell_m=0.1))
    with pytest.raises(InputError, match="too coarse"):
        prepare_line(scene, "dry", "L1")


def test_edges_are_taken_over_from_the_same_cells_only() -> None:
    sections = _sections(_scene(Scene(BOUNDS)))
    course = sections.course(sections.section())
    half = sections.section().cell_m / 2
    shape = (2 * course.grid.section.columns, course.grid.section.depths)
    other = Section(np.ones(shape), np.zeros(shape), cell_m=half, x0_m=course.grid.section.x0_m, z0_m=-8 * half)
    with pytest.raises(InputError, match="same cells only"):
        sections.course(other, like=course)
