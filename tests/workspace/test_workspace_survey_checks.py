"""What check says of pegs, control points and the delay of positions."""

from __future__ import annotations

from pathlib import Path

import pytest

from yewline.model import Finding
from yewline.workspace import check_site, open_site

PEGS = "peg,x,y\nA,0,0\nB,20,0\nC,20,10\nD,0,10\n"
SIDES = (
    "from,to,distance_m,sigma_m\nA,B,20,0.02\nB,C,10,0.02\nC,D,20,0.02\nD,A,10,0.02\n"
    "A,C,{diagonal},0.02\nB,D,22.361,0.02\n"
)


def said(root: Path, *codes: str) -> list[Finding]:
    return [finding for finding in check_site(open_site(root)).findings if finding.code in codes]


def test_a_square_whose_diagonals_fit_closes(text_site: Path):
    (text_site / "pegs.csv").write_text(PEGS)
    (text_site / "peg_distances.csv").write_text(SIDES.format(diagonal=22.361))
    found = said(text_site, "pegs", "peg-distance", "peg-closure", "peg-moved", "file-not-read")
    assert [(f.grade, f.text) for f in found] == [("found", "4 pegs and 6 distances between them")]


def test_a_wrong_diagonal_does_not_close(text_site: Path):
    (text_site / "pegs.csv").write_text(PEGS)
    (text_site / "peg_distances.csv").write_text(SIDES.format(diagonal=22.861))
    assert {f.code for f in said(text_site, "peg-distance", "peg-closure")} & {"peg-distance", "peg-closure"}


@pytest.mark.parametrize("lacks", ["pegs.csv", "peg_distances.csv"])
def test_half_of_the_pegs_is_named(text_site: Path, lacks: str):
    (text_site / "pegs.csv").write_text(PEGS)
    (text_site / "peg_distances.csv").write_text(SIDES.format(diagonal=22.361))
    (text_site / lacks).unlink()
    (finding,) = said(text_site, "pegs")
    assert finding.grade == "warning"
    assert lacks in finding.do


def test_a_distance_to_an_unknown_peg_is_a_fault(text_site: Path):
    (text_site / "pegs.csv").write_text(PEGS)
    (text_site / "peg_distances.csv").write_text("from,to,distance_m\nA,E,5\n")
    (fault,) = said(text_site, "pegs")
    assert (fault.grade, fault.received) == ("fault", "E")


def test_control_points_that_nothing_checks_are_named(text_site: Path):
    toml = text_site / "site.toml"
    points = ", ".join(f"{{ x = 0, y = {y}, easting = 500000, northing = {5900000 + y} }}" for y in (0, 20))
    toml.write_text(toml.read_text() + f"[frame]\nepsg = 32630\ncontrol = [{points}]\n")
    assert [f.grade for f in said(text_site, "control-unchecked")] == ["warning"]


def test_a_planted_delay_is_found_and_written_down_it_is_gone(text_site: Path):
    """0.25 s: forward shows the target v·τ short, reverse v·τ beyond (closed form)."""
    rows = [f"pipe,forward,{v},{8 - 0.25 * v},0.01\npipe,reverse,{v},{8 + 0.25 * v},0.01" for v in (0.8, 1.2, 1.0)]
    path = text_site / "visits" / "day" / "target_passes.csv"
    path.write_text("target,direction,speed_m_per_s,place_m,sigma_m\n" + "\n".join(rows) + "\n")
    (late,) = said(text_site, "latency")
    assert late.do == "for tracks, write latency_s = 0.250 under [recording] in visit.toml"
    assert (late.grade, late.visit) == ("warning", "day")
    toml = text_site / "visits" / "day" / "visit.toml"
    toml.write_text(toml.read_text().replace("[recording]", "[recording]\nlatency_s = 0.25"))
    assert said(text_site, "latency") == []
    path.write_text("target,direction,speed_m_per_s,place_m\npipe,sideways,1,2\n")
    (fault,) = said(text_site, "latency")
    assert fault.grade == "fault"
