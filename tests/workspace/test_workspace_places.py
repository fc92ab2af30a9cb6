"""Where traces lie by all that a site folder may say: accepted corrections, marks, tracks, heights."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from yewline.cli.check import carry_out
from yewline.model import Finding, provenance_steps
from yewline.workspace import check_site, open_site
from yewline.workspace.field import field_findings
from yewline.workspace.lazy import lights_of
from yewline.workspace.load import load_visit
from yewline.workspace.rearranged import rearranged_lines
from yewline.workspace.run import site_result

ACCEPT = '\n[[corrections]]\nkind = "{kind}"\nlines = {lines}\nreason = "field notes"\n'


def day(root: Path) -> Path:
    return root / "visits" / "day"


def load(root: Path):
    site = open_site(root)
    return load_visit(site, site.visit("day"))


def faults(root: Path) -> list[Finding]:
    return [finding for finding in load(root).findings if finding.grade == "fault"]


def write_settings(root: Path, text: str) -> None:
    path = day(root) / "visit.toml"
    path.write_text(path.read_text() + text)


def set_recording(root: Path, text: str) -> None:
    path = day(root) / "visit.toml"
    path.write_text(path.read_text().replace("[recording]", f"[recording]\n{text}"))


def test_accepted_exchanges_and_turns_put_recordings_where_they_belong(text_site: Path):
    before = {name: line.copy() for name, line in load(text_site).radargrams.items()}
    lines = day(text_site) / "lines"
    (lines / "L03.txt").rename(lines / "x.txt")
    (lines / "L11.txt").rename(lines / "L03.txt")
    (lines / "x.txt").rename(lines / "L11.txt")
    np.savetxt(lines / "L07.txt", np.loadtxt(lines / "L07.txt", delimiter="\t")[:, ::-1], fmt="%.6f", delimiter="\t")
    assert not np.allclose(load(text_site).radargrams["L03"], before["L03"])
    write_settings(text_site, ACCEPT.format(kind="swapped", lines='["L03", "L11"]'))
    write_settings(text_site, ACCEPT.format(kind="reversed", lines='["L07"]'))
    loaded = load(text_site)
    for name in ("L03", "L11"):
        np.testing.assert_array_equal(loaded.radargrams[name], before[name])
        np.testing.assert_array_equal(loaded.radargrams[name]["y"], before[name]["y"])
    turned = loaded.radargrams["L07"]
    np.testing.assert_array_equal(turned.values[::-1], before["L07"].values)
    np.testing.assert_allclose(turned["x"].values[::-1], before["L07"]["x"].values, atol=1e-12)
    said = [f.text for f in loaded.findings if f.code.endswith("back")]
    assert said == [
        "accepted: takes the recording listed under L11 (field notes)",
        "accepted: takes the recording listed under L03 (field notes)",
        "accepted: walked the other way round (field notes)",
    ]


def test_an_accepted_zigzag_moves_traces_and_counts_in_their_error(text_site: Path):
    write_settings(text_site, '\n[[corrections]]\nkind = "zigzag"\nlines = ["L0*"]\noffset_m = 0.15\nsigma_m = 0.075\n')
    lines = load(text_site).radargrams
    assert lines["L04"]["x"].values[[0, -1]].tolist() == pytest.approx([-0.15, 5.85])
    assert lines["L12"]["x"].values[[0, -1]].tolist() == pytest.approx([0.0, 6.0])
    # Squares add: 0.10 m of the tape, 0.075 m of the zigzag.
    assert lines["L04"]["sigma_xy"].values[0] == pytest.approx(0.125)
    assert [step["step"] for step in provenance_steps(lines["L04"])] == ["zigzag"]


def test_a_correction_of_a_line_that_is_not_there_is_a_fault(text_site: Path):
    write_settings(text_site, ACCEPT.format(kind="left-out", lines='["L14", "Z9"]'))
    (fault,) = faults(text_site)
    assert (fault.code, fault.received) == ("correction-not-applied", "Z9")
    assert "L14" not in load(text_site).radargrams


def test_marks_stretch_a_line_where_the_wheel_slipped(text_site: Path):
    """From 2 m to 3 m of the count the wheel slipped by 0.3 m: true = count + 0.3·(count − 2) there, all known ends."""
    counted = np.arange(61) * 0.1
    slipped = counted + np.clip(counted - 2.0, 0.0, 1.0) * 0.3
    # The recorder's even count between the pegs shares the slip out over the whole line.
    true = slipped * 6.0 / slipped[-1]
    rows = [f"L05,{k + 1},{true[k]:.4f},0.005" for k in (10, 20, 30, 40, 50)]
    (day(text_site) / "fiducials.csv").write_text("line,trace,distance_m,sigma_m\n" + "\n".join(rows) + "\n")
    lines = load(text_site).radargrams
    assert np.abs(lines["L05"]["x"].values - true).max() < 0.03
    assert np.abs(lines["L04"]["x"].values - counted).max() < 1e-9
    assert (lines["L05"]["sigma_xy"].values > 0.1).all()
    assert [step["step"] for step in provenance_steps(lines["L05"])] == ["odometer"]
    assert lines["L05"]["distance"].values[-1] == pytest.approx(6.0, abs=0.05)


def test_marks_of_a_line_in_two_segments_count_along_the_tape(text_site: Path):
    table = day(text_site) / "lines.csv"
    table.write_text(
        table.read_text().replace(
            "L05,,L05.txt,,,0,2.5,6,2.5,", "L05,,L05.txt,1,30,0,2.5,2.9,2.5,\nL05,,L05.txt,31,61,4,2.5,7,2.5,"
        )
    )
    (day(text_site) / "fiducials.csv").write_text("line,trace,distance_m,sigma_m\nL05,46,5.6,0.002\n")
    line = load(text_site).radargrams["L05"]
    assert line["x"].values[45] == pytest.approx(5.6, abs=0.01)
    np.testing.assert_allclose(line["x"].values[:30], np.arange(30) * 0.1, atol=1e-9)
    assert line["distance"].values[30] == pytest.approx(line["distance"].values[29])


def test_a_mark_at_a_trace_that_is_not_there_is_a_fault(text_site: Path):
    (day(text_site) / "fiducials.csv").write_text("line,trace,distance_m\nL05,400,3\n")
    (fault,) = faults(text_site)
    assert (fault.code, fault.line, fault.received) == ("fiducial-trace", "L05", "trace 400")


def test_lines_that_are_not_there_are_named(text_site: Path):
    (day(text_site) / "fiducials.csv").write_text("line,trace,distance_m\nL05,31,3\nL50,31,3\n")
    (said,) = [f for f in load(text_site).findings if f.code == "places-line"]
    assert (said.grade, said.received) == ("warning", "L50")


def test_only_lines_that_a_table_names_are_made_again(text_site: Path):
    before = load(text_site).keys
    (day(text_site) / "fiducials.csv").write_text("line,trace,distance_m\nL05,31,3.1\n")
    after = load(text_site).keys
    assert [line for line in before if before[line] != after[line]] == ["L05"]
    (text_site / "elevation.csv").write_text("x,y,z\n0,0,1\n6,0,1\n0,7,2\n6,7,2\n")
    assert not set(after.values()) & set(load(text_site).keys.values())


def test_heights_come_from_levelled_points(text_site: Path):
    points = [(x, y) for x in (-1, 7) for y in (-1, 8)]
    (text_site / "elevation.csv").write_text(
        "x,y,z\n" + "".join(f"{x},{y},{50 + 0.1 * x - 0.05 * y}\n" for x, y in points)
    )
    line = load(text_site).radargrams["L05"]
    np.testing.assert_allclose(line["z"].values, 50 + 0.1 * line["x"].values - 0.05 * 2.5, atol=1e-9)
    (text_site / "elevation.csv").write_text("x,y,z\n0,0,50\n1,0,50\n0,1,50\n")
    said = [f for f in load(text_site).findings if f.code == "height-beyond"]
    assert {f.line for f in said} >= {"L14"}
    (text_site / "elevation.csv").write_text("x,y\n0,0\n")
    (fault,) = faults(text_site)
    assert (fault.code, fault.where) == ("places-left-out", "elevation.csv, row 1")


def test_lines_placed_by_the_clock(text_site: Path):
    """One track over all lines at 1 m/s, logged 0.2 s late, true places 0.1 m further than the pegs say."""
    fixes, times = [], []
    for n in range(15):
        start = 36_000 + 20.0 * n
        times += [f"L{n:02d},1,{start}", f"L{n:02d},61,{start + 6}"]
        fixes += [f"{start + t + 0.2:.2f},{t + 0.1:.3f},{0.5 * n:.3f},0.02" for t in np.arange(-1, 7.1, 0.5)]
    (day(text_site) / "tracks").mkdir()
    (day(text_site) / "tracks" / "rover.csv").write_text("time,x,y,sigma_m\n" + "\n".join(fixes) + "\n")
    (day(text_site) / "trace_times.csv").write_text("line,trace,time\n" + "\n".join(times) + "\n")
    assert [f.code for f in load(text_site).findings if "track" in f.code] == ["tracks-not-used"]
    set_recording(text_site, 'coordinates = "tracks"\nlatency_s = 0.2\nclock_sigma_s = 0.01')
    loaded = load(text_site)
    line = loaded.radargrams["L06"]
    np.testing.assert_allclose(line["x"].values, np.arange(61) * 0.1 + 0.1, atol=0.005)
    np.testing.assert_allclose(line["y"].values, 3.0, atol=0.005)
    assert 0.01 < float(line["sigma_xy"].max()) < 0.03
    (day(text_site) / "trace_times.csv").write_text("line,trace,time\n" + "\n".join(times[2:]) + "\n")
    (fault,) = faults(text_site)
    assert (fault.line, fault.received) == ("L00", "no rows of line L00")


def test_lines_placed_by_trace_numbers_on_a_tied_frame(text_site: Path):
    site = text_site / "site.toml"
    points = [(0, 0, 0, 0), (0, 20, 0, 20), (20, 0, 20, 0.06)]
    control = ", ".join(
        f"{{ x = {x}, y = {y}, easting = {500000 + e}, northing = {5900000 + n} }}" for x, y, e, n in points
    )
    site.write_text(site.read_text() + f"[frame]\nepsg = 32630\ncontrol = [{control}]\n")
    rows = [f"L{n:02d},{1 + 10 * k},{500000 + k},{5900000 + 0.5 * n},{40 + k}" for n in range(15) for k in range(7)]
    (day(text_site) / "tracks").mkdir()
    (day(text_site) / "tracks" / "fixes.csv").write_text("line,trace,easting,northing,z\n" + "\n".join(rows) + "\n")
    set_recording(text_site, 'coordinates = "tracks"')
    line = load(text_site).radargrams["L06"]
    np.testing.assert_allclose(line["x"].values, np.arange(61) * 0.1, atol=0.05)
    np.testing.assert_allclose(line["z"].values, 40 + np.arange(61) * 0.1, atol=1e-6)
    # The control points disagree by centimetres: that is part of every trace's error.
    (step,) = provenance_steps(line)
    assert step["frame_m"] > 0.005


def test_the_error_of_positions_reaches_hotspots_and_the_tolerance(text_site: Path):
    """By the budget: squares of outline, traces and truth add, and the tolerance is twice their root."""
    plain = site_result(open_site(text_site))
    write_settings(text_site, '\n[[corrections]]\nkind = "zigzag"\nlines = ["*"]\noffset_m = 0.0\nsigma_m = 0.24\n')
    less_sure = site_result(open_site(text_site))
    before, after = (result.visits[0] for result in (plain, less_sure))
    np.testing.assert_allclose(before.scored["position_sigma_m"], 0.10, rtol=1e-4)
    np.testing.assert_allclose(after.scored["position_sigma_m"], 0.26, rtol=1e-4)
    assert before.score is not None
    assert after.score is not None
    added = (after.score.tolerance_m / 2) ** 2 - (before.score.tolerance_m / 2) ** 2
    assert added == pytest.approx(0.24**2, rel=1e-3)


def write_alike(root: Path, *, turned: str) -> None:
    """Lines that resemble their neighbours, one of them recorded from its other end."""
    rng = np.random.default_rng(5)
    x, t = np.arange(0, 6.01, 0.1), np.arange(128) * 0.4
    for n in range(15):
        samples = rng.normal(0, 0.01, (61, 128))
        samples += 3.0 * _pulse(t - 4.0)
        for k in range(14):
            at, when = (1.7 * k + 0.2 * np.sin(n / 3 + k)) % 6.0, 10 + 2.5 * k
            samples += 0.3 * np.exp(-(((x - at) / 0.25) ** 2))[:, None] * _pulse(t - 4.0 - when)
        name = f"L{n:02d}"
        kept = samples[::-1] if name == turned else samples
        np.savetxt(day(root) / "lines" / f"{name}.txt", kept.T, fmt="%.6f", delimiter="\t")


def test_check_prints_what_can_be_accepted(text_site: Path, capsys: pytest.CaptureFixture[str]):
    """Proposed, pasted, and gone."""
    write_alike(text_site, turned="L07")
    report = check_site(open_site(text_site))
    assert report.to_accept["day"].startswith('[[corrections]]\nkind = "reversed"\nlines = ["L07"]')
    with pytest.raises(SystemExit):
        carry_out(site=text_site, everything=False, as_json=False, quiet=True)
    assert report.to_accept["day"] in capsys.readouterr().out
    write_settings(text_site, "\n" + report.to_accept["day"] + "\n")
    assert check_site(open_site(text_site)).to_accept == {}


def test_lines_are_seen_from_above_before_and_after(text_site: Path):
    """A proposal shows the line as it would lie; once it is accepted, as it lay. Both are the same two pictures."""
    write_alike(text_site, turned="L07")
    site = open_site(text_site)
    loaded = load(text_site)
    said = field_findings(site.visit("day"), loaded)
    (proposed,) = rearranged_lines(site, site.visit("day"), said, lights_of(loaded.radargrams))
    assert (proposed.accepted, proposed.lines) == (False, ("L07",))
    assert proposed.before.lines == tuple(f"L{n:02d}" for n in range(4, 11))
    assert proposed.after.likeness > proposed.before.likeness + 0.2
    write_settings(text_site, ACCEPT.format(kind="reversed", lines='["L07"]'))
    site = open_site(text_site)
    (accepted,) = rearranged_lines(site, site.visit("day"), [], lights_of(load(text_site).radargrams))
    assert accepted.accepted
    for mine, theirs in ((accepted.before, proposed.before), (accepted.after, proposed.after)):
        np.testing.assert_allclose(mine.strength, theirs.strength, atol=1e-5)
        assert mine.likeness == pytest.approx(theirs.likeness, abs=1e-6)


def _pulse(t: np.ndarray) -> np.ndarray:
    a = (np.pi * 0.4 * t) ** 2
    return (1 - 2 * a) * np.exp(-a)
