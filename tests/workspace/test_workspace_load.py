"""What loading and checking make of lines that are odd, and of files that nothing reads."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
import segyio

from yewline.marks import draw_hotspot
from yewline.model import Finding
from yewline.progress import SILENT
from yewline.recipe import standard_recipe
from yewline.workspace import check_site, open_site
from yewline.workspace.line_cache import LineCache
from yewline.workspace.load import load_visit
from yewline.workspace.stage_lines import first_steps, mend_line
from yewline.workspace.truth import load_drawn


def found(root: Path, code: str) -> list[Finding]:
    return [finding for finding in check_site(open_site(root)).findings if finding.code == code]


def rewrite(path: Path, change) -> None:
    samples = np.loadtxt(path, delimiter="\t")
    np.savetxt(path, change(samples), fmt="%.6f", delimiter="\t")


def test_a_record_filled_up_with_nan_is_cut_to_what_was_recorded(text_site: Path):
    """Silence that was never recorded must not pass for quiet ground."""

    def end_early(samples: np.ndarray) -> np.ndarray:
        samples[80:] = np.nan
        return samples

    rewrite(text_site / "visits" / "day" / "lines" / "L05.txt", end_early)
    site = open_site(text_site)
    lines = site.radargrams("day")
    assert lines["L05"].sizes["time"] == 80
    assert lines["L04"].sizes["time"] == 128
    assert np.isfinite(lines["L05"]).all()


def test_a_trace_with_a_gap_is_replaced_by_its_neighbours(text_site: Path):
    path = text_site / "visits" / "day" / "lines" / "L05.txt"
    whole = np.loadtxt(path, delimiter="\t")

    def spoil(samples: np.ndarray) -> np.ndarray:
        samples[40:50, 7] = np.nan
        return samples

    rewrite(path, spoil)
    assert [finding.where for finding in found(text_site, "trace-dead")] == ["visits/day/lines/L05.txt, trace 8"]
    site = open_site(text_site)
    loaded = load_visit(site, site.visit("day"))
    cache = LineCache(text_site / "results" / "cache")
    done = first_steps(loaded, standard_recipe(), cache=cache, progress=SILENT, label="").lines["L05"]
    assert float(abs(done[7]).max()) > 0.3 * float(abs(done[6]).max())
    assert whole.shape == (128, 61)


def test_faulty_traces_are_not_filled_across_a_gap_between_segments(text_site: Path):
    rows = (
        (text_site / "visits" / "day" / "lines.csv")
        .read_text()
        .replace("L05,,L05.txt,,,0,2.5,6,2.5,", "L05,,L05.txt,1,30,0,2.5,2.9,2.5,\nL05,,L05.txt,31,61,40,2.5,43,2.5,")
    )
    (text_site / "visits" / "day" / "lines.csv").write_text(rows)

    def spoil(samples: np.ndarray) -> np.ndarray:
        samples[:, 29] = 0.0
        samples[:, 30:] *= 1.5
        return samples

    rewrite(text_site / "visits" / "day" / "lines" / "L05.txt", spoil)
    raw = open_site(text_site).radargrams("day")["L05"]
    assert raw["segment"].values.tolist() == [0] * 30 + [1] * 31
    assert float(abs(raw[29]).max()) == 0
    mended = mend_line(raw)
    # The dead trace, at the end of its segment, repeats its neighbour there.
    assert (mended[29].values == raw[28].values).all()
    assert (mended[30:].values == raw[30:].values).all()


def test_a_line_on_another_scale_is_named(text_site: Path):
    assert found(text_site, "line-level") == []
    rewrite(text_site / "visits" / "day" / "lines" / "L05.txt", lambda samples: 5.0 * samples)
    (finding,) = found(text_site, "line-level")
    assert finding.line == "L05"
    assert finding.received == "5 times the typical level"


def test_files_that_nothing_reads_are_named(text_site: Path):
    (text_site / "burials.csv").rename(text_site / "burial.csv")
    (text_site / "visits" / "day" / "reading.csv").write_text("x,y,vwc\n")
    said = found(text_site, "file-not-read")
    assert [(f.where, f.do) for f in said] == [
        ("burial.csv", "did you mean 'burials.csv'?"),
        ("visits/day/reading.csv", "did you mean 'readings.csv'?"),
    ]
    (none,) = found(text_site, "burials-none")
    assert "not scored" in none.text


def test_readings_beside_lines_that_cannot_be_used_are_not_astray(text_site: Path):
    for number in range(1, 15):
        (text_site / "visits" / "day" / "lines" / f"L{number:02d}.txt").write_text("")
    assert found(text_site, "readings-outside") == []


def test_check_refuses_what_a_run_would_refuse(text_site: Path):
    toml = text_site / "site.toml"
    toml.write_text(toml.read_text().replace("slice_m = [0.65, 1.0]", "slice_m = [65, 100]"))
    (finding,) = found(text_site, "run-refused")
    assert "deeper than the volume" in finding.text
    assert finding.where == "site.toml, primary.slice_m"


def test_the_date_of_the_template_is_noticed(text_site: Path):
    toml = text_site / "visits" / "day" / "visit.toml"
    toml.write_text(toml.read_text().replace("2031-04-01", "2000-01-01"))
    assert [finding.grade for finding in found(text_site, "date")] == ["warning"]


@pytest.fixture
def header_site(segy_site: Path) -> Path:
    """Positions in the trace headers, in centimetres with their scalar; lines.csv says nothing of them."""
    for number in range(15):
        with segyio.open(segy_site / "visits" / "day" / "lines" / f"L{number:02d}.sgy", "r+", strict=False) as file:
            for trace in range(file.tracecount):
                file.header[trace] = {
                    segyio.TraceField.SourceGroupScalar: -100,
                    segyio.TraceField.SourceX: 10 * trace,
                    segyio.TraceField.SourceY: 50 * number,
                    segyio.TraceField.GroupX: 10 * trace,
                    segyio.TraceField.GroupY: 50 * number,
                    segyio.TraceField.CoordinateUnits: 1,
                }
    toml = segy_site / "visits" / "day" / "visit.toml"
    toml.write_text(toml.read_text().replace("[recording]", '[recording]\ncoordinates = "headers"'))
    rows = "".join(f"L{n:02d},L{n:02d}.sgy,,\n" for n in range(15))
    (segy_site / "visits" / "day" / "lines.csv").write_text(f"line,file,first_trace,last_trace\n{rows}")
    return segy_site


def test_positions_from_headers(header_site: Path):
    line = open_site(header_site).radargrams("day")["L03"]
    assert line.x.values == pytest.approx(np.arange(61) * 0.1)
    assert line.y.values == pytest.approx(np.full(61, 1.5))


def test_segments_with_positions_from_headers(header_site: Path):
    table = header_site / "visits" / "day" / "lines.csv"
    table.write_text(table.read_text().replace("L03,L03.sgy,,", "L03,L03.sgy,1,20\nL03,L03.sgy,41,61"))
    line = open_site(header_site).radargrams("day")["L03"]
    assert line.segment.values.tolist() == [0] * 20 + [1] * 21
    assert line.x.values[[0, 19, 20, 40]] == pytest.approx([0, 1.9, 4.0, 6.0])
    table.write_text(table.read_text().replace("41,61", "41,99"))
    assert "L03" not in open_site(header_site).radargrams("day")
    (fault,) = [f for f in check_site(open_site(header_site)).findings if f.line == "L03" and f.grade == "fault"]
    assert "last_trace lies beyond the recording" in fault.text


def test_hotspots_of_the_journal_count_as_drawn(text_site: Path):
    """What the journal of marks holds and what a GeoJSON file in marks/ holds count alike."""
    draw_hotspot(text_site / "marks" / "journal.jsonl", "mine", [[1, 1], [2, 1], [2, 2], [1, 2]], visit="day")
    draw_hotspot(text_site / "marks" / "journal.jsonl", "other", [[3, 3], [4, 3], [4, 4]], visit="another day")
    table, said = load_drawn(open_site(text_site), "day")
    assert table["hotspot"].tolist() == ["mine"]
    assert table.area.tolist() == [1.0]
    assert all(dataclasses.is_dataclass(finding) for finding in said)
