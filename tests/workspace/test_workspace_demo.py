"""The demo site: what is on disk is what was planned, in formats that read back, with the faults that were planted."""

from __future__ import annotations

import hashlib
import json
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import shapely

from yewline.errors import Cancelled, FormatError, SiteError
from yewline.formats import (
    read_area,
    read_burials,
    read_lines_table,
    read_opened,
    read_readings,
    read_recording,
)
from yewline.model import LineSegment, ReadHints, Recording, SiteSettings, VisitSettings, read_settings, read_toml
from yewline.progress import Progress
from yewline.simulation import FAULT_KINDS, Fault, grave_outline
from yewline.workspace import check_site, open_site
from yewline.workspace.demo import DEMO_SEED, DemoTruth, prepare_demo, write_demo
from yewline.workspace.demo_scene import demo_days, demo_lines, demo_scene, demo_scene_file, line_format
from yewline.workspace.demo_survey import first_order_fields, plan_faults, walk_visit
from yewline.workspace.run import site_result

DRY, WET = "2031-05-dry", "2031-11-wet"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, DemoTruth]:
    folder = tmp_path_factory.mktemp("demo") / "site"
    return folder, write_demo(folder, seed=DEMO_SEED)


def hints(folder: Path, visit: str) -> ReadHints:
    settings = read_settings(VisitSettings, read_toml(folder / "visits" / visit / "visit.toml"), "visit.toml")
    return ReadHints(settings.recording.interval_ns, settings.recording.interval_unit)


def segments_of(folder: Path, visit: str) -> list[LineSegment]:
    return read_lines_table(folder / "visits" / visit / "lines.csv")[0]


def recorded(folder: Path, visit: str, line: str) -> np.ndarray:
    """Samples of a line as planned, whatever name and file it ended up with."""
    plan = next(plan for plan in demo_lines() if plan.name == line)
    rows = [
        segment
        for segment in _all_rows(folder, visit)
        if segment["y0"] == str(plan.y_m) and segment["grid"] == plan.grid.name
    ]
    whole = read_recording(folder / "visits" / visit / "lines" / rows[0]["file"], hints(folder, visit)).amplitude
    if not rows[0]["first_trace"]:
        return whole
    return np.concatenate([whole[int(row["first_trace"]) - 1 : int(row["last_trace"])] for row in rows])


def _all_rows(folder: Path, visit: str) -> list[dict[str, str]]:
    head, *rows = (folder / "visits" / visit / "lines.csv").read_text(encoding="utf-8").splitlines()
    return [dict(zip(head.split(","), row.split(","), strict=True)) for row in rows]


def faults_of(truth: DemoTruth, kind: str, visit: str | None = None) -> list[Fault]:
    return [fault for fault in truth.faults if fault.kind == kind and visit in (None, fault.visit)]


@dataclass
class Verdict:
    """What `check_site` made of one site: planted faults it missed, lines it accused wrongly, lines it judged."""

    missed: list[Fault]
    false: list[tuple[str, str, str, str]]
    judged: int


def judge(folder: Path, truth: DemoTruth) -> Verdict:
    """Hold the findings of `check_site` against the truth.

    A gap beside a line that could not be read, or whose name was taken already, follows from that fault: the line is
    missing, so the gap is no false alarm. A line whose time zero drifts is also unlike the lines before and after it.
    """
    names = [line.name for line in demo_lines()]
    said = [finding for finding in check_site(open_site(folder)).findings if finding.grade in ("warning", "fault")]
    missed, due = [], set()
    for fault in truth.faults:
        if fault.kind not in CODES:
            continue
        about = [f for f in said if (f.code, f.visit, f.line) == (CODES[fault.kind], fault.visit, fault.line)]
        lost = {"gap": fault.line, "wrong-sample-count": fault.line, "duplicate-name": fault.other}.get(fault.kind, "")
        gaps = []
        if lost:
            before, after = names[names.index(lost) - 1], names[names.index(lost) + 1]
            gaps = [
                f
                for f in said
                if f.code == "line-gap" and f.visit == fault.visit and f"lines {before} and {after}," in f.text
            ]
        if fault.kind == "gap":
            about = gaps
        elif fault.traces:
            numbers = f", trace {', '.join(str(trace) for trace in fault.traces)}"
            about = [f for f in about if f.where.endswith(numbers)]
        if fault.kind == "time-zero-drift":
            gaps = [f for f in said if (f.code, f.visit, f.line) == ("time-zero-odd", fault.visit, fault.line)]
        if not about:
            missed.append(fault)
        due |= {id(f) for f in (*about, *gaps)}
    false = [(f.visit, f.line, f.code, f.text) for f in said if id(f) not in due]
    return Verdict(missed, false, sum(len(lines) for _, lines in truth.lines))


CODES = {
    "dead-trace": "trace-dead",
    "spiky-trace": "trace-spiky",
    "time-zero-drift": "time-zero-drift",
    "duplicate-name": "line-duplicate",
    "gap": "line-gap",
    "wrong-sample-count": "file-left-out",
    "reversed-line": "line-reversed",
    "swapped-lines": "line-swapped",
}


def hold_to_truth(verdicts: list[Verdict]) -> None:
    """Every covered fault found, and under 5 % of the lines judged accused of what they have not done."""
    assert [fault for verdict in verdicts for fault in verdict.missed] == []
    accused = sum(len({(visit, line) for visit, line, _, _ in verdict.false}) for verdict in verdicts)
    assert accused < 0.05 * sum(verdict.judged for verdict in verdicts), [verdict.false for verdict in verdicts]


def hold_to_promise(folder: Path) -> None:
    """What the demo is to show: graves found and missed, on a site with room enough to tell it from chance."""
    result = site_result(open_site(folder))
    assert [visit.name for visit in result.visits] == [DRY, WET]
    for visit in result.visits:
        score = visit.score
        assert score is not None
        assert score.recall.value is not None
        assert score.precision.value is not None
        assert 0.40 <= score.recall.value <= 0.85
        assert score.precision.n >= 8
        assert score.precision.value < 1.0
        for distances in (score.hotspot_to_burial, score.burial_to_hotspot):
            assert distances.shift is not None
            assert distances.shift.smallest_p is not None
            assert distances.shift.p is not None
            assert distances.shift.smallest_p <= distances.shift.p <= 0.05


def bytes_of(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_same_seed_writes_the_same_bytes(site: tuple[Path, DemoTruth], tmp_path: Path) -> None:
    folder, truth = site
    again = write_demo(tmp_path / "again", seed=DEMO_SEED)
    assert bytes_of(tmp_path / "again") == bytes_of(folder)
    assert again == truth
    assert sum(path.stat().st_size for path in folder.rglob("*") if path.is_file()) < 30e6


def test_settings_are_valid_and_declare_what_files_lack(site: tuple[Path, DemoTruth]) -> None:
    folder, _ = site
    settings = read_settings(SiteSettings, read_toml(folder / "site.toml"), "site.toml")
    assert [grid.name for grid in settings.grids] == ["A", "B"]
    assert settings.grids[1].rotation_deg != 0.0
    assert "invented" in settings.about
    for visit in (DRY, WET):
        day = read_settings(VisitSettings, read_toml(folder / "visits" / visit / "visit.toml"), "visit.toml")
        assert day.recording.interval_unit == "ps"
        assert day.antenna.centre_mhz == 270.0


@pytest.mark.parametrize("visit", [DRY, WET])
def test_every_recording_reads_back(site: tuple[Path, DemoTruth], visit: str) -> None:
    folder, truth = site
    broken = {fault.line.lower() for fault in faults_of(truth, "wrong-sample-count", visit)}
    seen: dict[str, Recording] = {}
    for segment in segments_of(folder, visit):
        path = folder / "visits" / visit / "lines" / segment.file
        if path.stem in broken:
            with pytest.raises(FormatError, match="sample count"):
                read_recording(path, hints(folder, visit))
            continue
        recording = read_recording(path, hints(folder, visit))
        seen[recording.format] = recording
        assert recording.interval_ns == pytest.approx(0.4)
        assert recording.amplitude.shape[1] == 138
        assert (recording.amplitude == np.rint(recording.amplitude)).all()
        if segment.last_trace is not None:
            assert segment.last_trace <= len(recording.amplitude)
    assert len(seen) == 5
    unnamed = {path.name for path in (folder / "visits" / visit / "lines").iterdir() if path.suffix != ".toml"}
    assert unnamed == {row["file"] for row in _all_rows(folder, visit)}


def test_lines_are_walked_to_and_fro_and_stop_at_obstacles(site: tuple[Path, DemoTruth]) -> None:
    folder, _ = site
    settings = read_settings(SiteSettings, read_toml(folder / "site.toml"), "site.toml")
    area, _ = read_area(folder / "area.geojson", settings.frame)
    blocked, _ = read_area(folder / "obstacles.geojson", settings.frame)
    segments = segments_of(folder, DRY)
    names = [segment.line for segment in segments]
    assert 30 <= len(set(names)) <= 40
    split = {name for name in names if names.count(name) == 2}
    assert len(split) >= 3
    ways = []
    for segment in segments:
        grid = settings.grid(segment.grid)
        assert grid is not None
        path = shapely.LineString(grid.to_site([(segment.x0, segment.y0), (segment.x1, segment.y1)]))
        assert area.contains(path), segment
        assert not blocked.intersects(path), segment
        ways.append(segment.x1 - segment.x0 > 0)
    assert 0.4 < np.mean(ways) < 0.6


def test_one_file_holds_several_lines(site: tuple[Path, DemoTruth]) -> None:
    folder, _ = site
    rows = [row for row in segments_of(folder, DRY) if row.file.startswith("b01")]
    assert len({row.line for row in rows}) >= 3
    recording = read_recording(folder / "visits" / DRY / "lines" / rows[0].file, hints(folder, DRY))
    assert recording.line is not None
    for row in rows:
        assert set(recording.line[row.first_trace - 1 : row.last_trace]) == {row.line}  # type: ignore[operator]


def test_moisture_is_dry_and_patchy_then_wet_and_even(site: tuple[Path, DemoTruth]) -> None:
    folder, truth = site
    dry, said = read_readings(folder / "visits" / DRY / "readings.csv")
    wet, told = read_readings(folder / "visits" / WET / "readings.xlsx")
    assert any("m³/m³" in finding.text for finding in said)
    assert any("percent" in finding.text for finding in told)
    for table in (dry, wet):
        assert 60 <= len(table) <= 130
    assert dry["vwc"].mean() == pytest.approx(0.12, abs=0.03)
    assert wet["vwc"].mean() == pytest.approx(0.27, abs=0.02)
    assert dry["vwc"].std() > 1.4 * wet["vwc"].std()
    assert truth.seed == DEMO_SEED


def test_burials_known_are_fewer_than_burials_there(site: tuple[Path, DemoTruth]) -> None:
    folder, truth = site
    frame = read_settings(SiteSettings, read_toml(folder / "site.toml"), "site.toml").frame
    known, _ = read_burials(folder / "burials.gpkg", frame)
    everything, _ = read_burials(folder / "truth" / "burials.geojson", frame)
    assert len(known) == len(truth.known) < len(everything) == len(truth.burials)
    true = {grave.label: grave_outline(grave) for grave in truth.burials}
    for outline, label in zip(known.geometry, truth.known, strict=True):
        assert outline.centroid.distance(true[label].centroid) < 0.3
        assert outline.area == pytest.approx(true[label].area, rel=1e-3)
    opened, _ = read_opened(folder / "opened.geojson", frame)
    empty = next(shape for name, shape in zip(opened["opened"], opened.geometry, strict=True) if "without" in name)
    assert not any(empty.intersects(outline) for outline in true.values())


def test_faults_of_samples_are_where_the_truth_says(site: tuple[Path, DemoTruth]) -> None:
    folder, truth = site
    for fault in faults_of(truth, "dead-trace"):
        line = recorded(folder, fault.visit, fault.line)
        assert np.flatnonzero(~line.any(axis=1)).tolist() == [trace - 1 for trace in fault.traces]
    for fault in faults_of(truth, "spiky-trace"):
        line = recorded(folder, fault.visit, fault.line)
        late = np.abs(line[:, 50:]).max(axis=1)
        assert np.flatnonzero(late > 5_000).tolist() == [trace - 1 for trace in fault.traces]
    for fault in faults_of(truth, "time-zero-drift"):
        line = recorded(folder, fault.visit, fault.line)
        peak = line.argmax(axis=1) * 0.4
        assert peak[-15:].mean() - peak[:15].mean() == pytest.approx(fault.amount, abs=0.4)
    touched = {(fault.visit, fault.line) for fault in truth.faults}
    for plan in demo_lines()[:12]:
        if (DRY, plan.name) not in touched:
            line = recorded(folder, DRY, plan.name)
            peak = line.argmax(axis=1) * 0.4
            assert abs(peak[-15:].mean() - peak[:15].mean()) < 0.3
            assert line.any(axis=1).all()


def test_faults_of_names_and_files_are_where_the_truth_says(site: tuple[Path, DemoTruth]) -> None:
    folder, truth = site
    (gap,) = faults_of(truth, "gap")
    assert gap.line not in {segment.line for segment in segments_of(folder, gap.visit)}
    (twice,) = faults_of(truth, "duplicate-name")
    _, findings = read_lines_table(folder / "visits" / twice.visit / "lines.csv")
    assert [finding.line for finding in findings if finding.code == "line-duplicate"] == [twice.line]
    (wrong,) = faults_of(truth, "wrong-sample-count")
    path = folder / "visits" / wrong.visit / "lines" / f"{wrong.line.lower()}.sgy"
    assert int.from_bytes(path.read_bytes()[3220:3222], "big") == 138 + wrong.amount


def test_reversed_and_swapped_lines_are_the_clean_ones_turned_and_exchanged() -> None:
    days, lines = demo_days(), demo_lines()[:5]
    scene = demo_scene_file(demo_scene(3), days, lines, 3)
    fields, instrument = first_order_fields(scene, DRY), scene.antenna_on(scene.days[0])
    faults = (Fault("reversed-line", DRY, "A02"), Fault("swapped-lines", DRY, "A03", other="A05"))
    clean, faulty = (
        {
            line.plan.name: line.amplitude
            for line in walk_visit(days[0], lines, planted, fields, instrument=instrument, seed=3).lines
        }
        for planted in ((), faults)
    )
    assert (faulty["A02"] == clean["A02"][::-1]).all()
    assert (faulty["A03"] == clean["A05"]).all()
    assert (faulty["A05"] == clean["A03"]).all()
    assert (faulty["A04"] == clean["A04"]).all()
    for fault in plan_faults(demo_days(), demo_lines(), 3):
        if fault.kind == "swapped-lines":
            assert int(fault.other[1:]) - int(fault.line[1:]) == 8


@pytest.mark.parametrize("seed", range(20))
def test_every_seed_plants_every_kind_of_fault_on_lines_of_their_own(seed: int) -> None:
    lines = demo_lines()
    names = [line.name for line in lines]
    faults = plan_faults(demo_days(), lines, seed)
    assert {fault.kind for fault in faults} == set(FAULT_KINDS)
    for visit in (DRY, WET):
        touched = [name for f in faults if f.visit == visit for name in (f.line, f.other) if name]
        assert len(set(touched)) == len(touched)
        assert set(touched) <= set(names)
    for fault in faults:
        if fault.kind == "wrong-sample-count":
            assert line_format(lines[names.index(fault.line)]) == "segy"
        if fault.kind == "time-zero-drift":
            assert 1.5 <= abs(fault.amount) <= 2.6
    assert faults == plan_faults(demo_days(), lines, seed)


@pytest.mark.parametrize("seed", range(0, 20, 3))
def test_every_seed_has_a_plausible_burial_ground(seed: int) -> None:
    ground = demo_scene(seed)
    graves = ground.scene.graves
    assert 24 <= len(graves) <= 42
    assert sum(grave.kind == "child" for grave in graves) >= 2
    assert 12 <= len(ground.known) < len(graves)
    outlines = [grave_outline(grave) for grave in graves]
    assert all(ground.area.contains(outline) for outline in outlines)
    assert all(a.disjoint(b) for n, a in enumerate(outlines) for b in outlines[:n])
    for _, obstacle in ground.obstacles:
        assert not any(obstacle.intersects(outline) for outline in outlines)
    assert not any(dict(ground.opened)["trench without burials"].intersects(outline) for outline in outlines)
    # The rows leave unused ground on three sides, and some of it was opened: precision can be judged there.
    zone = shapely.union_all(outlines).convex_hull
    assert zone.area < 0.6 * ground.area.area
    opened = shapely.union_all([shape for _, shape in ground.opened])
    assert opened.difference(zone).area > 30.0
    assert sum(opened.contains(outline) for outline in outlines) >= 4


def test_truth_is_written_apart(site: tuple[Path, DemoTruth]) -> None:
    folder, truth = site
    told = json.loads((folder / "truth" / "truth.json").read_text(encoding="utf-8"))
    assert [fault["kind"] for fault in told["faults"]] == [fault.kind for fault in truth.faults]
    assert len(told["graves"]) == len(truth.burials)
    outside = [path.name for path in folder.rglob("*") if "truth" in path.name and path.parent != folder / "truth"]
    assert outside == ["truth"]


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(SiteError, match="exists and is not empty"):
        write_demo(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_a_demo_that_is_there_is_kept(site: tuple[Path, DemoTruth]) -> None:
    folder, _ = site
    before = bytes_of(folder)
    assert prepare_demo(folder, seed=DEMO_SEED) is False
    assert bytes_of(folder) == before
    with pytest.raises(SiteError, match="demo of another seed .*seed 12 instead of 13"):
        prepare_demo(folder, seed=DEMO_SEED + 1)


def test_stopping_half_way_leaves_nothing_behind(tmp_path: Path) -> None:
    told: list[str] = []
    progress = Progress(lambda label, done, total: told.append(label), lambda: len(told) > 5)
    with pytest.raises(Cancelled, match="stopped during simulate 2031-05-dry"):
        prepare_demo(tmp_path / "site", seed=1, progress=progress)
    assert list(tmp_path.iterdir()) == []


def test_the_default_seed_shows_what_a_demo_is_for(site: tuple[Path, DemoTruth]) -> None:
    hold_to_promise(site[0])


def test_check_finds_what_was_planted_and_little_else(site: tuple[Path, DemoTruth], tmp_path: Path) -> None:
    """Three seeds here; the study below takes twenty."""
    verdicts = [judge(*site)]
    verdicts += [judge(tmp_path / str(seed), write_demo(tmp_path / str(seed), seed=seed)) for seed in (1, 2)]
    hold_to_truth(verdicts)


@pytest.mark.study
def test_twenty_seeds(site: tuple[Path, DemoTruth], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The table of docs/studies.md: `make study` prints it."""
    verdicts = []
    rows = ["| seed | planted and looked for | found | lines accused wrongly | of | recall dry, wet | largest p |"]
    rows.append("|---|---|---|---|---|---|---|")
    for seed in range(20):
        folder = tmp_path / str(seed)
        truth = write_demo(folder, seed=seed)
        verdict = judge(folder, truth)
        verdicts.append(verdict)
        scores = [visit.score for visit in site_result(open_site(folder)).visits]
        recall = ", ".join(f"{score.recall.value:.2f}" for score in scores)
        largest = max(side.shift.p for score in scores for side in (score.hotspot_to_burial, score.burial_to_hotspot))
        planted = sum(fault.kind in CODES for fault in truth.faults)
        accused = len({(visit, line) for visit, line, _, _ in verdict.false})
        found = planted - len(verdict.missed)
        rows.append(f"| {seed} | {planted} | {found} | {accused} | {verdict.judged} | {recall} | {largest:.3f} |")
        shutil.rmtree(folder)
    with capsys.disabled():
        sys.stdout.write("\n" + "\n".join(rows) + "\n")
    hold_to_truth(verdicts)
    hold_to_promise(site[0])
