"""Commands as a person types them: what they print, what they return, what they advise."""

from __future__ import annotations

import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import jsonschema
import numpy as np
import pytest

SCHEMA = json.loads((Path(__file__).parents[2] / "src" / "yewline" / "workspace" / "run.schema.json").read_text())


def yewline(*arguments: object, folder: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "yewline", *map(str, arguments)]
    return subprocess.run(
        command, cwd=folder, capture_output=True, text=True, check=False, env={**os.environ, "COLUMNS": "200"}
    )


def test_new_check_run_compare_report(text_site: Path, tmp_path: Path):
    """The way of someone with data of their own."""
    made = yewline("new", "fresh", folder=tmp_path)
    assert made.returncode == 0
    assert "yewline check fresh" in made.stderr
    assert (tmp_path / "fresh" / "site.toml").is_file()

    checked = yewline("check", text_site, folder=tmp_path)
    assert checked.returncode == 0, checked.stdout + checked.stderr
    assert "0 faults" in checked.stderr
    assert "15 lines" in checked.stdout
    assert "Before you leave" not in checked.stdout

    ran = yewline("run", text_site, folder=tmp_path)
    assert ran.returncode == 0, ran.stderr
    assert "Done now: lines day, velocities day, volume day, export, report." in ran.stderr
    assert "report.html in any browser" in ran.stderr
    again = yewline("run", text_site, folder=tmp_path)
    assert "Nothing was stale" in again.stderr

    told = yewline("run", text_site, "--json", folder=tmp_path)
    figures = json.loads(told.stdout)
    jsonschema.validate(figures, SCHEMA)
    assert Path(figures["report"]).is_file()

    compared = yewline("compare", text_site, folder=tmp_path)
    assert "a comparison needs two visits" in compared.stdout
    assert json.loads(yewline("compare", text_site, "--json", folder=tmp_path).stdout)["comparisons"] == []

    reported = yewline("report", text_site, folder=tmp_path)
    assert reported.stdout.strip().endswith("report.html")
    assert "ask whoever decides on release" in reported.stderr
    assert json.loads(yewline("report", text_site, "--json", folder=tmp_path).stdout)["report"].endswith("report.html")


def test_check_returns_one_where_there_are_faults(text_site: Path, tmp_path: Path):
    (text_site / "visits" / "day" / "lines" / "L04.txt").unlink()
    checked = yewline("check", text_site, "--json", folder=tmp_path)
    assert checked.returncode == 1
    report = json.loads(checked.stdout)
    assert report["faults"] == 1
    (fault,) = [f for f in report["findings"] if f["grade"] == "fault"]
    assert fault["line"] == "L04"
    assert fault["where"] == "visits/day/lines.csv, row 6"
    assert yewline("check", text_site, folder=tmp_path).returncode == 1


def test_check_prints_the_walk_in_the_order_of_walking(text_site: Path, tmp_path: Path):
    lines = text_site / "visits" / "day" / "lines"
    for name in ("L11", "L02", "L05"):
        samples = np.loadtxt(lines / f"{name}.txt")
        samples[:, 20:24] = 0.0
        np.savetxt(lines / f"{name}.txt", samples, fmt="%.6f", delimiter="\t")
    told = json.loads(yewline("check", text_site, "--json", folder=tmp_path).stdout)["walk_again"]["day"]
    printed = yewline("check", text_site, folder=tmp_path).stdout
    head, walk = printed.split("Before you leave, day: 3 lines to walk again\n")
    assert "traces without signal" in head
    sentence = r"^ +(\d) +(Walk line (L\d\d) again, (?:east|west)ward, from .+: .*traces without signal.*\.)$"
    rows = re.findall(sentence, walk, re.MULTILINE)
    assert [number for number, _, _ in rows] == ["1", "2", "3"]
    # The very list that programs get, and a short walk: from one end of the site to the other.
    assert [name for _, _, name in rows] == [row["line"] for row in told]
    assert [text[1:] for _, text, _ in rows] == [row["text"][1:] + "." for row in told]
    assert [name for _, _, name in rows] in (["L02", "L05", "L11"], ["L11", "L05", "L02"])


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("run", "nowhere"), "nowhere: no such folder. Make one with `yewline new`."),
        (("check", "."), "not a site folder"),
        (("new", "."), "the folder exists and is not empty"),
        (("demo", "."), "the folder exists and is not empty"),
    ],
)
def test_errors_are_one_sentence_and_exit_with_one(arguments, said, tmp_path: Path):
    (tmp_path / "something").write_text("here")
    ran = yewline(*arguments, folder=tmp_path)
    assert ran.returncode == 1
    assert said in ran.stderr
    assert "Traceback" not in ran.stderr


def test_errors_as_json(tmp_path: Path):
    ran = yewline("run", "nowhere", "--json", folder=tmp_path)
    assert ran.returncode == 1
    assert json.loads(ran.stdout)["error"] == {
        "problem": "no such folder",
        "where": "nowhere",
        "received": None,
        "do": "make one with `yewline new`",
    }


def test_unknown_commands_and_options_are_refused(tmp_path: Path):
    assert yewline("rnu", folder=tmp_path).returncode == 2
    assert yewline("run", "--jsn", ".", folder=tmp_path).returncode == 2


def results(root: Path) -> dict[str, bytes]:
    folder = root / "results"
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


# A run that sends SIGINT to itself at one of its reports of progress, so that the moment is the same on any machine.
INTERRUPTED = """
import signal, sys
from yewline.export import write_results
from yewline.progress import Progress
from yewline.report import write_report
from yewline.workspace import open_site, run_site

# A shell in the background starts its children deaf to SIGINT.
signal.signal(signal.SIGINT, signal.default_int_handler)
seen = 0
def tell(label, done, total):
    global seen
    seen += 1
    if seen == int(sys.argv[2]):
        # To this very thread: the system may hand a signal for the process to any other, and then it comes late.
        signal.raise_signal(signal.SIGINT)
try:
    run_site(open_site(sys.argv[1]), export=write_results, report=write_report, progress=Progress(tell))
except KeyboardInterrupt:
    raise SystemExit(130)
print(seen)
"""


def interrupted(root: Path, at: int) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", INTERRUPTED, str(root), str(at)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_sigint_at_five_seeded_moments_and_resuming_gives_the_same_bytes(text_site: Path):
    first = interrupted(text_site, 0)
    assert first.returncode == 0, first.stderr
    whole = results(text_site)
    reports = int(first.stdout)
    assert reports > 50
    for at in sorted(random.Random(5).sample(range(1, reports), 5)):
        shutil.rmtree(text_site / "results")
        assert interrupted(text_site, at).returncode == 130
        assert interrupted(text_site, 0).returncode == 0
        assert results(text_site) == whole
        assert not list((text_site / "results").rglob("*.partial"))


def test_sigint_to_the_command_says_that_it_goes_on(text_site: Path, tmp_path: Path):
    process = subprocess.Popen(
        [sys.executable, "-m", "yewline", "run", str(text_site)], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    # The folder is made when the run begins; the lines come first, and take longer than this loop's sleep.
    while not (text_site / "results").is_dir():
        assert process.poll() is None
        time.sleep(0.01)
    process.send_signal(signal.SIGINT)
    _, told = process.communicate()
    assert process.returncode == 130
    assert b"stopped. What was done is kept; the same command goes on from there." in told
    assert b"Traceback" not in told
    assert yewline("run", text_site, folder=tmp_path).returncode == 0
