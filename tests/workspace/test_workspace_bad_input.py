"""Bad input, end to end: each fault is named with its place and what to do, and everything else still runs."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
import segyio

from yewline.errors import FrameError, SettingsError, SiteError
from yewline.export import write_results
from yewline.model import Finding
from yewline.report import write_report
from yewline.workspace import Outcome, check_site, open_site, run_site

INTERVAL_PS = 400
SQUARE = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))


def run(root: Path) -> Outcome:
    return run_site(open_site(root), export=write_results, report=write_report)


def findings(root: Path) -> list[Finding]:
    said = list(check_site(open_site(root)).findings)
    assert all(str(root.parent) not in json.dumps(finding.as_dict()) for finding in said)
    return said


def faults(root: Path) -> list[Finding]:
    return [finding for finding in findings(root) if finding.grade == "fault"]


def only(found: list[Finding], code: str) -> Finding:
    (finding,) = [each for each in found if each.code == code]
    assert finding.where
    assert finding.do
    return finding


def outside_results(root: Path) -> dict[str, bytes]:
    files = (path for path in sorted(root.rglob("*")) if path.is_file())
    return {str(path): path.read_bytes() for path in files if "results" not in path.relative_to(root).parts}


def run_beside(root: Path) -> tuple[Outcome, str]:
    """Run, and hold that nothing outside results/ changed and that no path of this machine is in the report."""
    before = outside_results(root)
    outcome = run(root)
    assert outside_results(root) == before
    page = outcome.report.read_text(encoding="utf-8")
    assert str(root.parent) not in page
    return outcome, page


def lines_used(root: Path) -> set[str]:
    return set(open_site(root).radargrams("day"))


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


def polygons(*outlines: tuple[tuple[float, float], ...], **members: object) -> str:
    features = [
        {"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": [[*o, o[0]]]}}
        for o in outlines
    ]
    return json.dumps({"type": "FeatureCollection", **members, "features": features})


def box(x0: float, y0: float, x1: float, y1: float) -> tuple[tuple[float, float], ...]:
    return ((x0, y0), (x1, y0), (x1, y1), (x0, y1))


def write_ieee(path: Path, samples: np.ndarray) -> None:
    """SEG-Y of IEEE floats, by segyio alone."""
    spec = segyio.spec()
    spec.format, spec.samples, spec.tracecount = 5, range(samples.shape[1]), len(samples)
    with segyio.create(str(path), spec) as file:
        file.bin[segyio.BinField.Interval] = INTERVAL_PS
        for trace, values in enumerate(samples.astype(np.float32)):
            file.header[trace] = {segyio.TraceField.TRACE_SAMPLE_INTERVAL: INTERVAL_PS}
            file.trace[trace] = values.copy()


def swapped_samples(raw: bytes, n_time: int = 128) -> bytes:
    """The same headers, but the four bytes of each sample the other way round."""
    traces = np.frombuffer(raw[3600:], np.uint8).reshape(-1, 240 + 4 * n_time).copy()
    traces[:, 240:] = traces[:, 240:].reshape(len(traces), n_time, 4)[:, :, ::-1].reshape(len(traces), -1)
    return raw[:3600] + traces.tobytes()


BROKEN = {
    "L01": ("file-left-out", r"the file ends inside trace 61", r"visits/day/lines/L01\.sgy, byte \d+"),
    "L02": ("file-left-out", r"no traces: the file ends after its headers", r"visits/day/lines/L02\.sgy, byte 3600"),
    "L03": ("file-left-out", r"a trace's sample count differs", r"visits/day/lines/L03\.sgy, trace \d+ \(byte \d+\)"),
    "L04": ("file-left-out", r"wrong byte order, or another sample format", r"visits/day/lines/L04\.sgy"),
    "L06": ("file-left-out", r"the file is empty", r"visits/day/lines/L06\.txt, byte 0"),
    "L07": ("file-left-out", r"not a text file: it holds binary bytes", r"visits/day/lines/L07\.txt, byte 0"),
    "L00": ("line-duplicate", r"L00 is already the name of another file, in row 2", r"visits/day/lines\.csv, row 10"),
    "L09": ("row-without-file", r"the file of line L09 is not there", r"visits/day/lines\.csv, row 11"),
    "": ("file-without-row", r"no row names this file", r"visits/day/lines/stray\.sgy"),
    "L10": ("line-row", r"the line has no length", r"visits/day/lines\.csv, row 12"),
    "L11": ("segment-ends", r"the segment is shorter than a centimetre", r"visits/day/lines\.csv, row 13"),
    "L12": ("line-far", r"the line lies far from all others", r"visits/day/lines/L12\.sgy"),
}
"""Line to code, text and place of its fault."""


@pytest.fixture
def broken_site(segy_site: Path) -> Path:
    """A site in which nearly every line has a fault of its own."""
    folder = segy_site / "visits" / "day" / "lines"
    files = {n: folder / f"L{n:02d}.sgy" for n in range(15)}
    raw = {n: path.read_bytes() for n, path in files.items()}
    files[1].write_bytes(raw[1][:-300])
    files[2].write_bytes(raw[2][:3600])
    files[3].write_bytes(raw[3][:3220] + (100).to_bytes(2, "big") + raw[3][3222:])
    files[4].write_bytes(swapped_samples(raw[4]))
    with segyio.open(str(files[5]), ignore_geometry=True) as file:
        samples = file.trace.raw[:]
    samples[7, 9], samples[20, 3], samples[30, 5] = np.nan, np.inf, 1e30
    write_ieee(files[5], samples)
    for n, content in ((6, b""), (7, bytes(range(256)) * 20)):
        files[n].unlink()
        files[n].with_suffix(".txt").write_bytes(content)
    files[9].rename(folder / "stray.sgy")
    table = segy_site / "visits" / "day" / "lines.csv"
    rows = table.read_text().splitlines()
    rows[7], rows[8] = rows[7].replace(".sgy", ".txt"), rows[8].replace(".sgy", ".txt")
    rows[9] = rows[9].replace("L08,", "L00,")
    rows[11] = "L10,,L10.sgy,,,0,5.0,0,5.0,"
    rows[12] = "L11,,L11.sgy,,,13.00000,50.0,13.00008,50.0,"
    rows[13] = "L12,,L12.sgy,,,0,60000,6,60000,"
    table.write_text("\n".join(rows) + "\n")
    return segy_site


def test_broken_lines_are_named_and_the_others_run(broken_site: Path):
    said = findings(broken_site)
    wrong = {finding.line: finding for finding in said if finding.grade == "fault"}
    assert set(wrong) == set(BROKEN)
    for line, (code, text, where) in BROKEN.items():
        assert wrong[line].code == code
        assert re.search(text, wrong[line].text)
        assert re.fullmatch(where, wrong[line].where)
        assert wrong[line].do
    odd = only(said, "not-finite")
    assert odd.where == "visits/day/lines/L05.sgy"
    assert odd.received == "2 samples: trace 8 sample 10, trace 21 sample 4"
    assert only(said, "sample-size").received == "1 sample above 1e+12"
    assert only(said, "sample-size").text == "samples of impossible size are taken as zero"
    assert only(said, "trace-dead").where == "visits/day/lines/L05.sgy, trace 8, 21"

    assert lines_used(broken_site) == {"L00", "L05", "L13", "L14"}
    outcome, page = run_beside(broken_site)
    assert len(outcome.figures["visits"]) == 1
    for finding in (*wrong.values(), odd):
        assert finding.where in page


def test_a_visit_without_usable_lines_does_not_stop_the_other(text_site: Path):
    other, stray = text_site / "visits" / "later", text_site / "visits" / "notes"
    other.mkdir()
    stray.mkdir()
    (other / "visit.toml").write_text((text_site / "visits" / "day" / "visit.toml").read_text())
    said = findings(text_site)
    assert only(said, "lines-table").where == "visits/later/lines.csv"
    assert only(said, "visit-empty").text == "no line of this visit can be used"
    assert only(said, "visit-without-settings").where == "visits/notes"
    outcome, page = run_beside(text_site)
    assert [visit["visit"] for visit in outcome.figures["visits"]] == ["day"]
    assert "no line of this visit can be used" in page
    assert "visits/notes" in page


def test_readings_of_another_unit_and_outlines_that_cannot_be(text_site: Path):
    """Percent declared as fraction, a crossed burial, opened ground in degrees: each left out, the lines still run."""
    readings = text_site / "visits" / "day" / "readings.csv"
    rows = readings.read_text().splitlines()
    percent = [",".join([*row.split(",")[:2], str(100 * float(row.split(",")[2]))]) for row in rows[1:]]
    readings.write_text("\n".join([rows[0], *percent]) + "\n")
    crossed = ["B9,1,3,3,adult", "B9,2,4,4,adult", "B9,3,4,3,adult", "B9,4,3,4,adult"]
    burials = text_site / "burials.csv"
    burials.write_text(burials.read_text() + "\n".join(crossed) + "\n")
    near = tuple((13 + x / 1e5, 50 + y / 1e5) for x, y in SQUARE)
    (text_site / "opened.geojson").write_text(polygons(near))
    said = faults(text_site)
    wet = only(said, "readings-left-out")
    assert (wet.text, wet.where) == (
        "the readings look like percent declared as fraction",
        "visits/day/readings.csv, column vwc",
    )
    assert "vwc_percent" in wet.do
    assert only(said, "no-velocity").where == "visits/day"
    bent = next(fault for fault in said if fault.where.startswith("burials.csv"))
    assert "crosses itself" in bent.text
    assert re.search(r"row", bent.where)
    assert bent.do
    degrees = only(said, "opened-left-out")
    assert degrees.text == "outlines in degrees on a metre frame"
    assert degrees.where.startswith("opened.geojson")

    with pytest.raises(SiteError, match="no visit has a velocity"):
        run(text_site)
    toml = text_site / "visits" / "day" / "visit.toml"
    toml.write_text(toml.read_text() + "[soil]\nvelocity_m_per_ns = 0.098\n")
    assert not [fault for fault in faults(text_site) if fault.code == "no-velocity"]
    outcome, page = run_beside(text_site)
    (visit,) = outcome.figures["visits"]
    assert visit["recall"]["value"] == 1.0
    assert visit["moisture"]["mean"] is None
    for finding in (wet, bent, degrees):
        assert finding.text in page.replace("&#39;", "'")


def test_what_lies_outside_the_area_is_named_and_left_out(text_site: Path):
    readings = text_site / "visits" / "day" / "readings.csv"
    readings.write_text(readings.read_text() + "900,900,0.59\n")
    burials = text_site / "burials.csv"
    far = [f"B9,{n},{100 + x},{100 + y},adult" for n, (x, y) in enumerate(SQUARE, start=1)]
    burials.write_text(burials.read_text() + "\n".join(far) + "\n")
    (text_site / "opened.geojson").write_text(polygons(box(100, 100, 110, 110), frame="site"))
    said = findings(text_site)
    assert only(said, "readings-outside").where == "visits/day/readings.csv, rows 18"
    assert only(said, "burials-outside").received == "B9"
    assert only(said, "opened-outside").text.startswith("1 of 1 outlines of opened ground lie outside")
    outcome, page = run_beside(text_site)
    (visit,) = outcome.figures["visits"]
    assert visit["burial_distance_m"]["n"] == 4
    assert visit["burial_distance_m"]["mean"] < 0.3
    assert "opened" in visit["precision"]["why"]
    assert visit["moisture"]["mean"] == pytest.approx(0.185, abs=0.01)
    assert "lie outside the surveyed area" in page


@pytest.mark.parametrize(
    ("recipe", "said"),
    [
        (
            '[[before]]\nstep = "dewoww"\n',
            r"recipe\.toml, before step 1: unknown step .*'dewoww'.* Did you mean 'dewow'",
        ),
        (
            '[[before]]\nstep = "dewow"\nwindw_ns = 5\n',
            r"recipe\.toml, before step 1 \(dewow\): unknown key 'windw_ns' .received 5.. Did you mean 'window_ns'",
        ),
        ("", r"recipe\.toml: the recipe has no steps. Write at least one"),
        ("[[before]\n", r"recipe\.toml: not valid TOML: .* \(at line 1, column 9\). Mend that line"),
    ],
)
def test_a_recipe_that_cannot_be_used_is_refused(text_site: Path, recipe: str, said: str):
    """No other recipe is put in its place: figures would rest on what nobody asked for."""
    (text_site / "recipe.toml").write_text(recipe)
    fault = only(faults(text_site), "recipe")
    assert fault.where.startswith("recipe.toml")
    before = outside_results(text_site)
    with pytest.raises(SettingsError, match=f"^{said}"):
        run(text_site)
    assert outside_results(text_site) == before


@pytest.mark.parametrize(
    ("file", "old", "new", "said"),
    [
        (
            "visits/day/visit.toml",
            "[recording]",
            "[soil]\nvelocity_m_per_ns = 0.3\n[recording]",
            r"visits/day/visit\.toml: 'soil.velocity_m_per_ns' .* above that of light in vacuum, 0.2998 m/ns "
            r"\(received 0.3\)",
        ),
        ("visits/day/visit.toml", "[antenna]", "[antenna", r"visits/day/visit\.toml: not valid TOML: .*line 2"),
        ("site.toml", "[target]", "[target", r"site\.toml: not valid TOML: .*line 2"),
        ("site.toml", "draws = 499", "draws = 10", r"site\.toml: 'primary.draws' .* \(received 10\)"),
    ],
)
def test_settings_that_cannot_be_used_are_refused(text_site: Path, file: str, old: str, new: str, said: str):
    edit(text_site / file, old, new)
    with pytest.raises(SettingsError, match=f"^{said}"):
        open_site(text_site)


@pytest.mark.parametrize(
    ("epsg", "said"), [(99999, "unknown EPSG code"), (4326, "must be a projected system in metres")]
)
def test_a_frame_that_cannot_be_used_is_refused_before_any_work(text_site: Path, epsg: int, said: str):
    toml = text_site / "site.toml"
    toml.write_text(toml.read_text() + f"[frame]\nepsg = {epsg}\n")
    assert said in only(faults(text_site), "frame").text
    with pytest.raises(FrameError, match=rf"^site\.toml, \[frame\]: .*{said}"):
        run(text_site)
    assert not (text_site / "results" / "visits").exists()


def test_areas_that_leave_nothing_are_refused(text_site: Path):
    (text_site / "obstacles.geojson").write_text(polygons(box(-20, -20, 30, 30), frame="site"))
    with pytest.raises(SiteError, match="^obstacles: the obstacles leave nothing of the surveyed area"):
        run(text_site)
    (text_site / "obstacles.geojson").unlink()
    (text_site / "area.geojson").write_text(polygons(box(100, 100, 110, 110), frame="site"))
    with pytest.raises(SiteError, match="^area: no line lies in the surveyed area"):
        run(text_site)


def test_a_slice_below_the_recordings_is_refused_and_a_deep_one_is_cut(text_site: Path):
    edit(text_site / "site.toml", "[0.65, 1.0]", "[1.0, 6.0]")
    with pytest.raises(SettingsError, match=r"^site\.toml, primary\.slice_m: .* deeper than the volume .*reach 2\.\d"):
        run(text_site)
    edit(text_site / "site.toml", "[1.0, 6.0]", "[1.0, 1.9]")
    edit(text_site / "site.toml", "[0.5, 1.1]", "[0.5, 8.0]")
    outcome, page = run_beside(text_site)
    assert outcome.figures["visits"][0]["slice_m"] == [1.0, 1.9]
    assert "targets are expected from 0.5 to 8 m" in page


def test_a_visit_that_does_not_reach_the_slice_is_left_out(text_site: Path):
    """Half the time window: the same lines cut off above the burials."""
    day, short = text_site / "visits" / "day", text_site / "visits" / "short"
    shutil.copytree(day, short)
    for path in sorted((short / "lines").iterdir()):
        path.write_text("".join(path.read_text().splitlines(keepends=True)[:40]))
    outcome, page = run_beside(text_site)
    assert [visit["visit"] for visit in outcome.figures["visits"]] == ["day"]
    assert outcome.figures["comparisons"] == []
    assert "the visit holds no data on the slice from 0.65 to 1.00 m, and is left out" in page


def test_check_names_lines_that_processing_refuses(text_site: Path):
    """One line of too few samples; the others run."""
    path = text_site / "visits" / "day" / "lines" / "L03.txt"
    path.write_text("".join(path.read_text().splitlines(keepends=True)[:12]))
    fault = only(faults(text_site), "line-left-out")
    assert (fault.line, fault.where) == ("L03", "visits/day/lines/L03.txt, step band_pass")
    assert "traces are too short" in fault.text
    outcome, page = run_beside(text_site)
    assert outcome.figures["visits"][0]["recall"]["value"] == 1.0
    assert fault.text in page


def test_two_files_for_one_thing_are_named(text_site: Path):
    (text_site / "burials.geojson").write_text(polygons(frame="site"))
    (text_site / "visits" / "day" / "readings.xlsx").write_bytes(b"x")
    said = faults(text_site)
    assert only(said, "burials-left-out").received == "burials.geojson, burials.csv"
    assert only(said, "readings-left-out").text == "two files of readings"


def test_results_that_cannot_be_written_are_an_error_in_words(text_site: Path):
    (text_site / "results").write_text("in the way")
    with pytest.raises(SiteError, match=r"^results: the system refused to read or write .received File exists"):
        run(text_site)


def test_an_input_that_cannot_be_opened_is_named(text_site: Path, monkeypatch: pytest.MonkeyPatch):
    def refuse(path: Path) -> str:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr("yewline.workspace.inputs.file_sha256", refuse)
    with pytest.raises(SiteError, match=r"^burials\.csv: the file cannot be opened: Permission denied"):
        check_site(open_site(text_site))


def test_damaged_results_are_made_again(text_site: Path):
    run(text_site)
    results = text_site / "results"
    whole = {str(p.relative_to(results)): p.read_bytes() for p in sorted(results.rglob("*")) if p.is_file()}
    chunk = next((results / "visits" / "day" / "radargrams.zarr" / "0" / "amplitude").rglob("c/0/0"))
    chunk.unlink()
    (results / "layers.gpkg").unlink()
    assert run(text_site).made == ("lines day", "export")
    assert {str(p.relative_to(results)): p.read_bytes() for p in sorted(results.rglob("*")) if p.is_file()} == whole


def test_cells_wider_than_the_lines_are_apart_are_refused(text_site: Path):
    edit(text_site / "site.toml", 'name = "Hand-made"', 'name = "Hand-made"\ncell_m = 0.6')
    with pytest.raises(SettingsError, match=r"^site\.toml, cell_m: .* wider .* 0.6 m for lines 0.50 m apart"):
        run(text_site)


def test_one_line_is_drawn_without_a_word_from_the_plotting_library(text_site: Path, caplog: pytest.LogCaptureFixture):
    table = text_site / "visits" / "day" / "lines.csv"
    rows = table.read_text().splitlines()
    table.write_text("\n".join(rows[:2]) + "\n")
    for path in sorted((text_site / "visits" / "day" / "lines").glob("*.txt"))[1:]:
        path.unlink()
    assert len(run(text_site).figures["visits"]) == 1
    assert not caplog.records
