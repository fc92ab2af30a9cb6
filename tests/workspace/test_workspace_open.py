"""What someone who scripts gets: one line, a site's lines, readings, burials, check and result."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import yewline
from yewline.errors import FormatError, InputError, SiteError
from yewline.formats import write_segy
from yewline.workspace import Outcome

SAMPLES = np.random.default_rng(1).integers(-99, 99, (4, 6)).astype(np.float32)


def text(folder: Path) -> Path:
    path = folder / "a.txt"
    path.write_text("\n".join("\t".join(map(str, row)) for row in SAMPLES.T))
    return path


def test_a_line_between_two_ends(tmp_path: Path):
    line = yewline.read_line(text(tmp_path), interval_ns=0.5, start=(1.0, 2.0), end=(1.3, 2.0))
    assert (line.values == SAMPLES).all()
    assert line.x.values == pytest.approx([1.0, 1.1, 1.2, 1.3])
    assert line.attrs["line"] == "a"
    assert len(line.attrs["sha256"]) == 64


def test_a_line_without_positions_says_so(tmp_path: Path):
    line = yewline.read_line(text(tmp_path), interval_ns=0.5)
    assert line.x.values.tolist() == [0, 1, 2, 3]
    assert "one metre apart" in line.attrs["notes"]


def test_one_of_many_lines_in_a_file(tmp_path: Path):
    path = tmp_path / "many.sgy"
    labels = np.array(["L1", "L1", "L2", "L2"])
    write_segy(path, SAMPLES, interval_ns=0.5, line=labels)
    assert (yewline.read_line(path, line="L2").values == SAMPLES[2:]).all()
    with pytest.raises(InputError, match=r"no line 'L3' in many.sgy .received L1, L2"):
        yewline.read_line(path, line="L3")
    with pytest.raises(InputError, match="a file of one line"):
        yewline.read_line(text(tmp_path), interval_ns=0.5, line="L3")


def test_what_is_missing_is_asked_for(tmp_path: Path):
    with pytest.raises(FormatError, match="nothing gives the sample interval.*Give interval_ns"):
        yewline.read_line(text(tmp_path))
    with pytest.raises(InputError, match="start and end go together"):
        yewline.read_line(text(tmp_path), interval_ns=0.5, start=(0, 0))


def test_a_site_gives_what_it_holds(text_site: Path):
    site = yewline.open_site(text_site)
    assert list(site.radargrams("day"))[:2] == ["L00", "L01"]
    assert site.radargram("day", "L03").equals(site.radargrams("day")["L03"])
    assert len(site.readings("day")) == 16
    assert site.burials()["burial"].tolist() == ["B1", "B2", "B3", "B4"]
    assert not [finding for finding in site.check().findings if finding.grade == "fault"]
    result = site.result()
    assert result.visits[0].score.recall.k == 4
    assert not (text_site / "results" / "report.html").exists()


def test_a_line_that_is_not_there_is_named_with_its_reason(text_site: Path):
    site = yewline.open_site(text_site)
    with pytest.raises(FormatError, match="no usable line 'L99' in visit day.*Lines here: L00, L01"):
        site.radargram("day", "L99")
    with pytest.raises(SiteError, match="no visit called 'night'"):
        site.radargrams("night")
    (text_site / "visits" / "day" / "lines" / "L03.txt").write_text("")
    with pytest.raises(FormatError, match=r"no usable line 'L03'.*L03\.txt.*Mend that"):
        site.radargram("day", "L03")


def test_the_package_says_what_it_does_not_have():
    assert dir(yewline) == ["__version__", "open_site", "read_line", "simulate_scene"]
    with pytest.raises(AttributeError, match="no attribute 'grave'"):
        _ = yewline.grave


def test_an_outcome_tells_what_was_done():
    told = Outcome({}, Path("r"), ("report",), ("export",), {}).told()
    assert told == "Done now: report. Still good: export."
    assert Outcome({}, Path("r"), (), ("export",), {}).told() == "Nothing was stale; nothing was done."
