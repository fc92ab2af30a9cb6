"""Input that is odd rather than broken: one place twice, one trace, another unit, a visit that a recipe refuses."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

from yewline.errors import InputError, SiteError
from yewline.export import write_results
from yewline.model import Finding, make_radargram
from yewline.recipe import Recipe
from yewline.report import write_report
from yewline.workspace import Outcome, check_site, open_site, run_site, stage_lines
from yewline.workspace.run import site_result
from yewline.workspace.stage_lines import line_spacing


def run(root: Path) -> Outcome:
    return run_site(open_site(root), export=write_results, report=write_report)


def findings(root: Path) -> list[Finding]:
    return list(check_site(open_site(root)).findings)


def faults(root: Path) -> list[Finding]:
    return [finding for finding in findings(root) if finding.grade == "fault"]


def only(found: list[Finding], code: str) -> Finding:
    (finding,) = [each for each in found if each.code == code]
    return finding


def lines_used(root: Path) -> set[str]:
    return set(open_site(root).radargrams("day"))


def test_two_lines_in_one_place_are_named_and_still_run(text_site: Path):
    """Of two lines only, nothing but their coordinates tells; walking a line twice is no fault."""
    table = text_site / "visits" / "day" / "lines.csv"
    rows = table.read_text().splitlines()
    table.write_text("\n".join([*rows[:2], rows[2].replace(",0.5,6,0.5", ",0.0,6,0.0")]) + "\n")
    for path in sorted((text_site / "visits" / "day" / "lines").glob("*.txt"))[2:]:
        path.unlink()
    said = findings(text_site)
    same = only(said, "line-same-ends")
    assert same.text == "lines L00 and L01 have the same ends: taken as one track walked again"
    assert (same.grade, same.where) == ("assumed", "visits/day/lines.csv")
    assert not [finding for finding in said if finding.grade == "fault"]
    assert lines_used(text_site) == {"L00", "L01"}


def test_a_visit_of_which_a_step_refuses_every_line_does_not_stop_the_other(
    text_site: Path, monkeypatch: pytest.MonkeyPatch
):
    shutil.copytree(text_site / "visits" / "day", text_site / "visits" / "later")
    real = stage_lines.run_after

    def refuse(recipe: Recipe, line: xr.DataArray, **more: Any) -> xr.DataArray:
        if line.attrs["visit"] == "later":
            raise InputError("distances along the line must rise", received="a step of 0 m", do="put traces in order")
        return real(recipe, line, **more)

    monkeypatch.setattr(stage_lines, "run_after", refuse)
    outcome = run(text_site)
    assert [visit["visit"] for visit in outcome.figures["visits"]] == ["day"]
    assert outcome.figures["visits"][0]["hotspots"] > 0
    (said,) = [text for text in outcome.left_out if text.startswith("later was left out")]
    assert "line L00: distances along the line must rise (received a step of 0 m), and 14 more" in said
    told = only(list(site_result(open_site(text_site)).findings), "visit-refused")
    assert (told.grade, told.visit, told.where) == ("fault", "later", "visits/later")
    assert (told.received, told.do) == ("distances along the line must rise", "put traces in order")
    assert "the recipe refuses every line of the visit, which is left out" in outcome.report.read_text()
    # Nothing is tried again.
    assert run(text_site).made == ()

    shutil.rmtree(text_site / "visits" / "day")
    with pytest.raises(SiteError, match=r"no visit can be mapped .*every line of the visit.* must rise\)\. Put traces"):
        run(text_site)


def keep_traces(root: Path, lines: list[int], most: int) -> None:
    for n in lines:
        path = root / "visits" / "day" / "lines" / f"L{n:02d}.txt"
        rows = path.read_text().splitlines()
        path.write_text("".join("\t".join(row.split("\t")[:most]) + "\n" for row in rows))


def test_lines_of_one_trace_are_left_out_and_the_others_run(text_site: Path):
    """A trace without another beside it keeps its direct wave, which would pass for the strongest response of all."""
    keep_traces(text_site, [3, 9], 1)
    found = {fault.line: fault for fault in faults(text_site)}
    assert set(found) == {"L03", "L09"}
    assert found["L03"].code == "line-left-out"
    assert found["L03"].where == "visits/day/lines/L03.txt"
    assert found["L03"].text.startswith("the line has one trace only")
    assert found["L03"].received == "1 of the 1 in the file"
    assert "look whether the recording was cut off" in found["L03"].do
    assert lines_used(text_site) == {f"L{n:02d}" for n in range(15)} - {"L03", "L09"}


def test_a_survey_of_lines_of_one_trace_is_refused_in_words(text_site: Path):
    keep_traces(text_site, list(range(15)), 1)
    assert only(faults(text_site), "visit-empty").text == "no line of this visit can be used"
    with pytest.raises(SiteError, match="the line has one trace only|no line"):
        run(text_site)


def test_lines_that_end_where_they_begin_have_no_neighbours():
    """A walk round a tree, and one on the spot: nothing tells how far lines are apart."""
    round_a_tree = make_radargram(np.ones((3, 4)), interval_ns=0.5, x=[0.0, 1.0, 0.0], y=[0.0, 0.0, 0.0])
    on_the_spot = make_radargram(np.ones((3, 4)), interval_ns=0.5, x=[5.0] * 3, y=[0.0] * 3)
    assert line_spacing({"L1": round_a_tree, "L2": on_the_spot}) == 0.5


def test_results_do_not_know_the_unit_of_amplitudes(text_site: Path, tmp_path: Path):
    """A file scaled to some 1e-30 of what the other one has: the same findings, the same hotspots."""
    small = tmp_path / "small"
    shutil.copytree(text_site, small)
    for path in sorted((small / "visits" / "day" / "lines").glob("*.txt")):
        np.savetxt(path, np.loadtxt(path) * 2.0**-100, fmt="%.17e", delimiter="\t")

    def told(root: Path) -> list[tuple[str, str, str, str]]:
        return [(f.grade, f.code, f.line, f.text) for f in findings(root)]

    assert told(small) == told(text_site)
    ((one,), (other,)) = (run(root).figures["visits"] for root in (text_site, small))
    assert other["hotspots"] == one["hotspots"] > 0
    # Below a size of 1e-15 time zero is counted on scaled samples, which rounds another way.
    assert other["burial_distance_m"]["mean"] == pytest.approx(one["burial_distance_m"]["mean"], rel=1e-5)
    velocities = [[source["mean"] for source in visit["velocities"]["sources"]] for visit in (one, other)]
    assert velocities[1] == pytest.approx(velocities[0], rel=1e-5)


def test_a_line_of_faulty_traces_only_is_left_out(text_site: Path):
    """Sixty silent traces and one that is live: nothing is left to replace them by."""
    path = text_site / "visits" / "day" / "lines" / "L05.txt"
    samples = np.loadtxt(path, delimiter="\t")
    samples[:] = 0.0
    np.savetxt(path, samples, fmt="%.6f", delimiter="\t")
    (fault,) = [f for f in check_site(open_site(text_site)).findings if f.code == "line-left-out"]
    assert (fault.line, fault.text) == ("L05", "every trace of the line is without signal or holds wild samples")
