"""`yewline simulate` as a person types it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

TINY = Path(__file__).parents[1] / "tiny_scene.toml"
SCENES = Path(__file__).parents[2] / "src" / "yewline" / "simulation" / "scenes" / "shipped"


def yewline(*arguments: object, folder: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "yewline", *map(str, arguments)]
    return subprocess.run(
        command, cwd=folder, capture_output=True, text=True, check=False, env={**os.environ, "COLUMNS": "200"}
    )


def test_scenes_are_listed_with_a_sentence_each(tmp_path: Path):
    told = yewline("simulate", "--list", folder=tmp_path)
    assert told.returncode == 0
    names = {path.stem for path in SCENES.glob("*.toml")}
    assert len(names) >= 7
    for name in names:
        (line,) = (line for line in told.stdout.splitlines() if line.startswith(f"{name} "))
        assert line.rstrip().endswith(".")
    listed = json.loads(yewline("simulate", "--list", "--json", folder=tmp_path).stdout)["scenes"]
    assert {scene["name"] for scene in listed} == names


def test_simulate_check_run(tmp_path: Path):
    """From a scene file to a report, with the cost told before and what to do next after."""
    made = yewline("simulate", TINY, "--lines", "L3,L4,L5", folder=tmp_path)
    assert made.returncode == 0, made.stderr
    assert "million updates a trace" in made.stdout
    assert "on this machine, with" in made.stdout
    assert "Wrote 1 visit of 3 lines to tiny in" in made.stderr
    assert "for learning and testing only" in made.stderr
    assert "yewline check tiny" in made.stderr
    assert not (tmp_path / "tiny" / ".simulating").exists()

    checked = yewline("check", "tiny", folder=tmp_path)
    assert checked.returncode == 0, checked.stdout
    assert "0 faults" in checked.stderr
    ran = yewline("run", "tiny", folder=tmp_path)
    assert ran.returncode == 0, ran.stderr
    page = (tmp_path / "tiny" / "results" / "report.html").read_text(encoding="utf-8")
    assert "Simulated data: for learning and testing only." in page

    again = yewline("simulate", TINY, "--lines", "L3,L4,L5", "--json", folder=tmp_path)
    told = json.loads(again.stdout)
    assert (told["written"], told["plan"]["state"]) == (False, "done")
    words = yewline("simulate", TINY, "tiny", "--lines", "L5,L4,L3", folder=tmp_path).stderr
    assert "is there already: tiny. Nothing was done." in words


def test_figures_as_json(tmp_path: Path):
    made = yewline("simulate", TINY, "one", "--lines", "L3", "--workers", 1, "--json", folder=tmp_path)
    told = json.loads(made.stdout)
    assert told["written"]
    assert told["visits"] == [{"visit": "dry", "lines": ["L3"]}]
    (cost,) = told["plan"]["lines"]
    assert told["computed"] == cost["computed"]
    assert told["plan"]["cell_updates"] == cost["cell_updates"] > 0
    assert told["plan"]["workers"] == 1


def test_pictures_of_one_line(tmp_path: Path):
    drawn = yewline("simulate", TINY, "pictures", "--section", "--line", "L4", "--at", 3.7, folder=tmp_path)
    assert drawn.returncode == 0, drawn.stderr
    assert drawn.stdout.split() == ["pictures/tiny-dry-L4.png", "pictures/tiny-dry-L4-wave.gif"]
    assert (tmp_path / "pictures" / "tiny-dry-L4.png").read_bytes()[:4] == b"\x89PNG"
    assert (tmp_path / "pictures" / "tiny-dry-L4-wave.gif").read_bytes()[:6] == b"GIF89a"
    assert "3.70 m along it" in drawn.stderr
    assert "yewline simulate" in drawn.stderr


def test_stopped_by_ctrl_c_it_says_that_it_goes_on(tmp_path: Path):
    process = subprocess.Popen(
        [sys.executable, "-m", "yewline", "simulate", str(TINY), "site"],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    while not list((tmp_path / "site" / ".simulating").glob("*.traces")):
        assert process.poll() is None
        time.sleep(0.01)
    process.send_signal(signal.SIGINT)
    _, told = process.communicate()
    assert process.returncode == 130
    assert b"stopped. What was done is kept; the same command goes on from there." in told
    assert b"Traceback" not in told
    gone_on = yewline("simulate", TINY, "site", folder=tmp_path)
    assert gone_on.returncode == 0, gone_on.stderr
    assert "of them are there already" in gone_on.stdout


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "no scene was named. See what there is with `yewline simulate --list`."),
        (("row-of-grave",), "row-of-graves"),
        (("nowhere.toml",), "there is no such file"),
        ((TINY, "there"), "the folder exists and is not empty"),
        ((TINY, "new", "--lines", "L9"), "the scene has no such line (received 'L9')"),
        ((TINY, "new", "--line", "L3"), "--line, --day and --at go with --section"),
        ((TINY, "new", "--section", "--days", "dry"), "--section shows a single line"),
        ((TINY, "new", "--section", "--at", 99), "at_m must lie between 0 and 5"),
        ((TINY, "there/file", "--section"), "not a folder"),
    ],
)
def test_errors_are_one_sentence_and_nothing_is_written(arguments: tuple[object, ...], said: str, tmp_path: Path):
    (tmp_path / "there").mkdir()
    (tmp_path / "there" / "file").write_text("here")
    ran = yewline("simulate", *arguments, folder=tmp_path)
    assert ran.returncode == 1
    assert said in ran.stderr
    assert "Traceback" not in ran.stderr
    assert [path.name for path in tmp_path.rglob("*")] == ["there", "file"]
