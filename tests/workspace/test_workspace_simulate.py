"""A simulated site: complete, checked without faults, the same however often it was interrupted, refused in time."""

from __future__ import annotations

import csv
import dataclasses
import hashlib
import json
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from yewline.errors import Cancelled, InputError, SettingsError, SiteError
from yewline.formats import read_area, read_burials, read_netcdf, read_opened, read_readings, read_recording
from yewline.model import Frame
from yewline.progress import Progress
from yewline.simulation import Fault
from yewline.simulation.scenes import SceneFile, prepare_line, read_scene, simulate_line
from yewline.simulation.wave import courses
from yewline.workspace import (
    check_site,
    open_site,
    plan_simulation,
    run_simulation,
    simulate_cost,
    simulate_folder,
    simulate_scene,
)
from yewline.workspace import simulate as simulate_module
from yewline.workspace.run import site_result
from yewline.workspace.simulate_ledger import ledger_of

TINY = Path(__file__).parents[1] / "tiny_scene.toml"
TWO = ("L3", "L5")


@pytest.fixture(scope="module")
def scene() -> SceneFile:
    return read_scene(TINY)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("simulated") / "tiny"
    told = simulate_scene(TINY, folder)
    assert told.written
    assert told.visits == (("dry", ("L1", "L2", "L3", "L4", "L5", "L6")),)
    return folder


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Hashes of a site of two lines, simulated in one go."""
    folder = tmp_path_factory.mktemp("simulated") / "two"
    simulate_scene(TINY, folder, lines=TWO)
    return hashes(folder)


def hashes(folder: Path) -> dict[str, str]:
    files = (path for path in sorted(folder.rglob("*")) if path.is_file())
    return {path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8") as handle:
        return list(csv.DictReader(handle))


def stored(site: Path, line: str) -> np.ndarray:
    return read_recording(site / "visits" / "dry" / "lines" / f"{line.lower()}.sgy").amplitude


def truth(site: Path, name: str = "truth.json") -> Any:
    return json.loads((site / "truth" / name).read_text(encoding="utf-8"))


def stopping_after(traces: int) -> Progress:
    """Asks to stop once so many traces are computed."""
    seen: list[int] = []
    return Progress(
        lambda label, done, total: seen.append(done) if label.startswith("simulate") else None,
        lambda: bool(seen) and seen[-1] >= traces,
    )


# The site as a surveyor would have it


def test_a_check_finds_what_was_planted_and_no_fault(site: Path):
    report = check_site(open_site(site))
    assert [f for f in report.findings if f.grade == "fault"] == []
    codes = {f.code for f in report.findings if f.grade == "warning"}
    assert codes == {"line-gap", "trace-dead", "background-line-short"}


def test_a_run_goes_through_to_the_score(site: Path, tmp_path: Path):
    result = site_result(open_site(site))
    (visit,) = result.visits
    assert sorted(visit.radargrams) == ["L1", "L3", "L4", "L5", "L6"]
    assert visit.score is not None
    # Even soil of 0.05 m³/m³ by Topp, Davis & Annan 1980, eq. 7: permittivity 3.73, velocity 0.155 m/ns.
    assert visit.velocity.mean_m_per_ns == pytest.approx(0.155, abs=0.012)


def test_recordings_are_those_of_the_simulator_bit_for_bit(site: Path, scene: SceneFile):
    recorded = simulate_line(scene, "dry", "L5")
    np.testing.assert_array_equal(stored(site, "L5"), recorded.radargram.values[::-1])
    held = read_netcdf(site / "truth" / "clean" / "dry" / "L5.nc")
    np.testing.assert_array_equal(held.amplitude, recorded.clean)
    np.testing.assert_array_equal(np.column_stack([held.x, held.y]), recorded.true_xy)
    assert held.delay_ns == pytest.approx(-scene.antenna.zero_ns)
    assert held.interval_ns == scene.antenna.interval_ns


def test_the_table_of_lines_lacks_the_gap_and_keeps_the_planned_ends(site: Path):
    rows = rows_of(site / "visits" / "dry" / "lines.csv")
    assert [row["line"] for row in rows] == ["L1", "L3", "L4", "L5", "L6"]
    assert [[float(row[name]) for name in ("x0", "y0", "x1", "y1")] for row in rows[:2]] == [
        [0.5, 0.75, 5.5, 0.75],
        [0.5, 1.75, 5.5, 1.75],
    ]
    assert {path.name for path in (site / "visits" / "dry" / "lines").iterdir()} == {row["file"] for row in rows}


def test_faults_of_traces_are_where_the_truth_says(site: Path):
    faults = [Fault(**{**entry, "traces": tuple(entry["traces"])}) for entry in truth(site)["visits"]["dry"]["faults"]]
    assert {(f.kind, f.line) for f in faults} >= {("gap", "L2"), ("reversed-line", "L5"), ("dead-trace", "L3")}
    (dead,) = (f for f in faults if f.kind == "dead-trace" and f.line == "L3")
    assert np.flatnonzero(~stored(site, "L3").any(axis=1)).tolist() == [trace - 1 for trace in dead.traces]


def test_truth_tells_what_each_layer_did_and_what_lies_under_each_line(site: Path, scene: SceneFile):
    layers = truth(site, "layers.json")
    assert {entry["kind"] for entry in layers} == {"noise", "dead-traces", "converter"}
    with np.load(site / "truth" / "layers.npz") as arrays:
        for entry in layers:
            for name, shape in entry["arrays"].items():
                assert list(arrays[f"dry/{entry['line']}/{entry['layer']}/{name}"].shape) == shape
        gain = arrays["dry/L1/converter/gain"]
    counts = next(e for e in layers if e["kind"] == "converter" and e["line"] == "L1")["values"]["counts_per_unit"]
    clean = read_netcdf(site / "truth" / "clean" / "dry" / "L1.nc").amplitude
    alive = stored(site, "L1").any(axis=1)
    off = stored(site, "L1")[alive] - counts * gain * clean[alive]
    # What is left is the noise in counts: white, of 0.0005 of the field, rounded.
    assert off.std() == pytest.approx(np.hypot(0.0005 * counts, 12**-0.5), rel=0.05)
    sections = truth(site, "sections.json")["dry"]
    assert {cut["label"] for cut in sections["L3"] if not cut["beside"]} == {"G1", "G2"}
    assert read_scene(site / "truth" / "scene.toml") == scene
    places = rows_of(site / "truth" / "positions.csv")
    assert len(places) == 6 * 21
    assert all(float(row["said_x"]) == float(row["true_x"]) for row in places)
    moisture = truth(site)["visits"]["dry"]["moisture"]
    assert moisture["mean_vwc"][0] == pytest.approx(0.05, abs=1e-3)


def test_only_known_graves_are_burials_and_all_are_in_the_truth(site: Path, scene: SceneFile):
    known, _ = read_burials(site / "burials.gpkg", Frame())
    everything, _ = read_burials(site / "truth" / "burials.geojson", Frame())
    assert known["burial"].tolist() == ["G1"]
    assert everything["burial"].tolist() == ["G1", "G2"]
    assert 0 < known.geometry[0].centroid.distance(everything.geometry[0].centroid) < 0.25
    opened, _ = read_opened(site / "opened.geojson", Frame())
    assert opened["depth_reached_m"].tolist() == [1.2]


def test_readings_are_as_many_as_asked_for_and_lie_in_the_area(site: Path):
    readings, _ = read_readings(site / "visits" / "dry" / "readings.csv")
    area, _ = read_area(site / "area.geojson", Frame())
    assert len(readings) == 12
    assert shapely.contains_xy(area.buffer(0.01), readings["x"], readings["y"]).all()
    assert area.bounds == (0.25, 0.5, 5.75, 3.5)
    # Spread: nearer than a random point process would leave some, none on another.
    apart = np.hypot(*(readings[["x", "y"]].to_numpy()[:, None] - readings[["x", "y"]].to_numpy()[None]).T)
    assert apart[np.triu_indices(12, 1)].min() > 0.4
    assert readings["vwc"].mean() == pytest.approx(0.05, abs=3 * 0.012 / np.sqrt(12))


def test_without_readings_and_burials_the_site_still_works(scene: SceneFile, tmp_path: Path):
    bare = dataclasses.replace(
        scene, known=(), opened=(), faults=(), readings=dataclasses.replace(scene.readings, count=0)
    )
    simulate_scene(bare, tmp_path / "bare", lines=["L3"])
    assert not (tmp_path / "bare" / "burials.gpkg").exists()
    report = check_site(open_site(tmp_path / "bare"))
    assert [f for f in report.findings if f.grade == "fault"] == []
    (visit,) = open_site(tmp_path / "bare").visits
    # The relation of velocity and permittivity in soil without loss, v = c/√ε, with ε between 3 and 5.
    assert 0.134 < (visit.settings.soil.velocity_m_per_ns or 0) < 0.173


def test_names_and_files_after_each_fault_of_whole_lines(scene: SceneFile):
    faults = (
        Fault("duplicate-name", "dry", "L1", other="L2"),
        Fault("swapped-lines", "dry", "L4", other="L6"),
        Fault("gap", "dry", "L3"),
    )
    muddled = dataclasses.replace(scene, faults=faults)
    lines = tuple(f"L{n}" for n in range(1, 7))
    assert [(x.name, x.file, x.planned, x.walked) for x in ledger_of(muddled, "dry", lines)] == [
        ("L1", "l1.sgy", "L1", "L1"),
        ("L1", "l2.sgy", "L2", "L2"),
        ("L6", "l6.sgy", "L6", "L4"),
        ("L5", "l5.sgy", "L5", "L5"),
        ("L4", "l4.sgy", "L4", "L6"),
    ]
    # A fault whose second line is not simulated does not happen.
    assert [x.name for x in ledger_of(muddled, "dry", ("L4", "L5"))] == ["L4", "L5"]


# What it costs


def test_the_plan_counts_what_the_solver_will_do(scene: SceneFile, tmp_path: Path):
    told: list[tuple[str, int, int]] = []
    listening = Progress(lambda *a: told.append(a))
    plan = plan_simulation(scene, tmp_path / "new", lines=["L3"], workers=2, progress=listening)
    job = prepare_line(scene, "dry", "L3")
    (cost,) = plan.costs
    assert (cost.traces, cost.computed, cost.cell_updates) == (len(job.places), job.traces, job.cell_updates)
    assert cost.cell_m == job.runs[0].course.grid.section.cell_m
    assert cost.updates_a_trace * cost.computed == pytest.approx(cost.cell_updates)
    assert cost.bytes_needed > sum(run.course.grid.keep.nbytes for run in job.runs)
    assert plan.updates_per_s > 0
    assert plan.seconds == pytest.approx(cost.cell_updates / plan.updates_per_s + cost.prepare_s)
    assert json.loads(json.dumps(plan.as_dict()))["state"] == "new"
    assert ("look at the lines", 1, 1) in told
    assert not (tmp_path / "new").exists()


def test_compiling_is_told_of_only_where_it_takes_long(monkeypatch: pytest.MonkeyPatch):
    told: list[tuple[str, int, int]] = []
    listening = Progress(lambda *a: told.append(a))
    simulate_cost.prepare_solver(listening)
    assert told == []
    begun = threading.Event()
    monkeypatch.setattr(simulate_cost, "_PATIENCE_S", 0.01)
    monkeypatch.setattr(simulate_cost, "_first_shot", lambda: begun.wait(5.0))
    waiting = Progress(lambda *a: (told.append(a), begun.set()))
    simulate_cost.prepare_solver(waiting)
    assert [(done, total) for _, done, total in told] == [(0, 1), (1, 1)]
    assert "compiled for this machine" in told[0][0]


# Interrupted, and gone on


@pytest.mark.parametrize("stops", [(1,), (20, 39), (40, 77)])
def test_stopped_and_gone_on_it_is_the_same_byte_for_byte(two: dict[str, str], tmp_path: Path, stops: tuple[int, ...]):
    folder = tmp_path / "two"
    for traces in stops:
        with pytest.raises(Cancelled):
            simulate_scene(TINY, folder, lines=TWO, progress=stopping_after(traces))
        assert [path.name for path in folder.iterdir()] == [".simulating"]
        plan = plan_simulation(TINY, folder, lines=TWO)
        assert plan.state == "begun"
        assert plan.kept >= traces
    told = simulate_scene(TINY, folder, lines=TWO)
    assert told.kept >= stops[-1]
    assert told.kept + told.computed == sum(cost.computed for cost in plan.costs)
    assert hashes(folder) == two


def damaged_log(work: Path) -> None:
    """The second line's log as it is after a sudden end: the last record torn, an earlier one spoilt."""
    (log,) = work.glob("dry.L5.traces")
    data = bytearray(log.read_bytes())
    data[len(data) // 2] ^= 0xFF
    log.write_bytes(bytes(data[:-7]))


def damaged_piece(work: Path) -> None:
    (piece,) = work.glob("dry.L3.npz")
    piece.write_bytes(piece.read_bytes()[:-100])


def spoilt_piece(work: Path) -> None:
    (piece,) = work.glob("dry.L3.npz")
    data = bytearray(piece.read_bytes())
    data[len(data) // 2] ^= 0xFF
    piece.write_bytes(bytes(data))


def foreign_log(work: Path) -> None:
    (work / "dry.L5.traces").write_bytes(b"something else")


def torn_costs(work: Path) -> None:
    (work / "costs.json").write_text("[{", encoding="utf-8")


@pytest.mark.parametrize("damage", [damaged_log, damaged_piece, spoilt_piece, foreign_log, torn_costs])
def test_what_was_torn_is_computed_again(two: dict[str, str], tmp_path: Path, damage: Callable[[Path], None]):
    folder = tmp_path / "two"
    with pytest.raises(Cancelled):
        simulate_scene(TINY, folder, lines=TWO, progress=stopping_after(60))
    before = plan_simulation(TINY, folder, lines=TWO).kept
    damage(folder / ".simulating")
    assert plan_simulation(TINY, folder, lines=TWO).kept <= before
    simulate_scene(TINY, folder, lines=TWO)
    assert hashes(folder) == two


def test_stopped_while_the_site_moves_into_place_it_goes_on(
    two: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    folder, rename, moved = tmp_path / "two", Path.rename, []

    def rename_two(path: Path, target: Path) -> Path:
        if path.parent.name == "site":
            if len(moved) == 2:
                raise KeyboardInterrupt
            moved.append(path.name)
        return rename(path, target)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "rename", rename_two)
        with pytest.raises(KeyboardInterrupt):
            simulate_scene(TINY, folder, lines=TWO)
    assert len(moved) == 2
    assert not (folder / "site.toml").exists()
    plan = plan_simulation(TINY, folder, lines=TWO)
    assert plan.state == "begun"
    assert run_simulation(plan).written
    assert hashes(folder) == two


# Refused


def test_a_finished_one_says_so_and_does_nothing(site: Path):
    before = hashes(site)
    told = simulate_scene(TINY, site)
    assert not told.written
    assert told.computed == 0
    assert hashes(site) == before


def test_another_simulation_is_never_overwritten(site: Path, scene: SceneFile, monkeypatch: pytest.MonkeyPatch):
    before = hashes(site)
    other = dataclasses.replace(scene, seed=6)
    with pytest.raises(SiteError, match="another form of the scene 'tiny'.*delete the folder to simulate again"):
        simulate_scene(other, site)
    with pytest.raises(SiteError, match="of the lines L1, L2, L3.*received L3.*another folder"):
        simulate_scene(TINY, site, lines=["L3"])
    with pytest.raises(SiteError, match="a finished simulation of the scene 'tiny'"):
        simulate_scene(dataclasses.replace(scene, name="other"), site)
    monkeypatch.setattr(simulate_folder, "version", lambda: "99.0")
    with pytest.raises(SiteError, match="a finished simulation of version .*received 99.0"):
        simulate_scene(TINY, site)
    assert hashes(site) == before


def test_another_one_under_way_is_not_mixed_up(scene: SceneFile, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    folder = tmp_path / "begun"
    with pytest.raises(Cancelled):
        simulate_scene(TINY, folder, lines=["L3"], progress=stopping_after(1))
    with pytest.raises(SiteError, match=r"a simulation that was begun of the lines L3.*delete .*\.simulating to begin"):
        simulate_scene(TINY, folder)
    monkeypatch.setattr(simulate_folder, "_libraries", lambda: "numpy 99")
    with pytest.raises(SiteError, match="other versions of the libraries"):
        simulate_scene(TINY, folder, lines=["L3"])


def test_a_folder_that_holds_something_else_is_left_alone(tmp_path: Path):
    (tmp_path / "letter.txt").write_text("mine")
    with pytest.raises(SiteError, match="exists and is not empty.*another name"):
        simulate_scene(TINY, tmp_path)
    with pytest.raises(SiteError, match="not a folder"):
        simulate_scene(TINY, tmp_path / "letter.txt")
    (tmp_path / "truth").mkdir()
    (tmp_path / "truth" / "truth.json").write_text('{"seed": 1}')
    with pytest.raises(SiteError, match="the folder holds another site"):
        simulate_scene(TINY, tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["letter.txt", "truth"]


def with_text(tmp_path: Path, old: str, new: str) -> Path:
    text = TINY.read_text(encoding="utf-8")
    assert text.count(old) >= 1
    path = tmp_path / "changed.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("x = 2.0", "x = 7.5", "graves.*outside|outside.*scene|leaves the scene"),
        ("separation_m = 0.3", "separation_m = 0.3\nheight_m = -0.1", "underground.*0 or more"),
        ("length_m = 5.0", "length_m = 0.1", "leaves the line empty"),
        ("reach_m = 0.5", "reach_m = 0.5\ncell_m = 0.2", "too coarse.*permittivity.*Use cells of 0.0"),
    ],
)
def test_what_cannot_be_right_is_refused_before_anything_is_written(tmp_path: Path, old: str, new: str, said: str):
    path = with_text(tmp_path, old, new)
    with pytest.raises((SettingsError, InputError), match=said):
        simulate_scene(path, tmp_path / "site")
    assert not (tmp_path / "site").exists()


def test_a_scene_that_is_not_there_is_named_with_the_nearest(tmp_path: Path):
    with pytest.raises(SettingsError, match="no such scene.*row-of-graves"):
        simulate_scene("row-of-grave", tmp_path / "site")


@pytest.mark.parametrize(
    ("chosen", "said"),
    [
        ({"lines": ["L33"]}, "no such line.*Did you mean L3\\?"),
        ({"days": ["noon"]}, "no such day.*It has dry"),
        ({"lines": []}, "no line was chosen"),
    ],
)
def test_days_and_lines_that_are_not_there_are_refused(tmp_path: Path, chosen: dict[str, list[str]], said: str):
    with pytest.raises(InputError, match=said):
        simulate_scene(TINY, tmp_path / "site", **chosen)
    assert not (tmp_path / "site").exists()


def test_memory_that_is_not_there_is_asked_for_before_anything_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(courses, "free_memory_bytes", lambda: 400_000)
    with pytest.raises(InputError, match="more memory than is free.*Use cells of 0.0"):
        simulate_scene(TINY, tmp_path / "site")
    assert not (tmp_path / "site").exists()


def test_a_line_that_was_lost_at_the_last_moment_is_said(scene: SceneFile, tmp_path: Path):
    with pytest.raises(SiteError, match="cannot be read again.*the same command again"):
        simulate_module._piece(tmp_path, "dry", "L3")
