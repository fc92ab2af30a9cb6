"""What a run corrects on single lines, before and after; and what lines say of one another."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from yewline.model import Finding, make_radargram
from yewline.workspace import check_site, open_site
from yewline.workspace.corrections import correction_of, corrections_of
from yewline.workspace.field import said_once

INTERVAL, TRACES = 0.25, 120
CORRELATION = {"pick": "correlation", "search_ns": None}


def line(drift_ns: float = 0.0, dead: tuple[int, ...] = ()) -> object:
    """A direct wave whose time zero drifts evenly, over an echo and a little noise; some traces silent."""
    t = INTERVAL * np.arange(160)
    late = drift_ns * np.linspace(0.0, 1.0, TRACES)[:, None]
    arg = (np.pi * 0.4 * (t - 6.0 - late)) ** 2
    echo = (np.pi * 0.4 * (t - 20.0 - late)) ** 2
    samples = (1 - 2 * arg) * np.exp(-arg) + 0.2 * (1 - 2 * echo) * np.exp(-echo)
    samples += np.random.default_rng(1).normal(0.0, 0.003, samples.shape)
    samples[list(dead)] = 0.0
    attrs = {"line": "L1", "visit": "day", "centre_mhz": 400.0}
    return make_radargram(samples, interval_ns=INTERVAL, x=0.05 * np.arange(TRACES), y=np.zeros(TRACES), attrs=attrs)


def test_drift_is_taken_out() -> None:
    found = correction_of(line(2.0), "drift", CORRELATION)
    assert found is not None
    assert found.before == pytest.approx(2.0, abs=0.15)
    assert found.after < 0.1
    assert found.raw.shape == found.mended.shape == (len(found.distance_m), len(found.time_ns))
    # The crest of the direct wave lies at one time now.
    crest = found.mended.argmax(axis=1)
    assert np.ptp(crest) <= 1
    assert np.ptp(found.raw.argmax(axis=1)) >= 7


def test_time_zero_is_taken_as_the_recipe_takes_it() -> None:
    """One trace 1 ns late: levelled where each trace is picked by itself, left late where nine are smoothed."""
    late = line()
    late.values[60] = np.roll(late.values[60], 4)
    alone, smoothed = (correction_of(late, "drift", {**CORRELATION, "smooth_traces": n}) for n in (1, 9))
    assert alone is not None
    assert smoothed is not None
    crest = alone.mended.argmax(axis=1)
    assert np.ptp(crest) <= 1
    assert np.ptp(smoothed.mended.argmax(axis=1)) >= 3


def test_silent_traces_take_what_lies_between_their_neighbours() -> None:
    found = correction_of(line(dead=(60, 61)), "traces", {})
    assert found is not None
    assert (found.before, found.after) == (2.0, 0.0)
    gap = np.flatnonzero(np.abs(found.raw).max(axis=1) == 0)
    assert len(gap) == 2
    np.testing.assert_allclose(found.mended[gap].max(axis=1), 1.0, atol=0.05)


def test_a_sound_line_was_not_corrected() -> None:
    assert correction_of(line(), "traces", {}) is None
    silent = make_radargram(
        np.zeros((3, 2)), interval_ns=1.0, x=[0, 1, 2], y=[0, 0, 0], attrs={"line": "L1", "centre_mhz": 400.0}
    )
    assert correction_of(silent, "drift", CORRELATION) is None


def test_only_the_lines_concerned_are_read(text_site: Path) -> None:
    site = open_site(text_site)
    visit = site.visit("day")
    findings = [
        Finding("warning", "time-zero-drift", "", visit="day", line="L03"),
        Finding("warning", "time-zero-drift", "", visit="other", line="L04"),
        Finding("warning", "line-gap", "", visit="day", line="L05"),
        Finding("warning", "trace-dead", "", visit="day", line="none of that name"),
    ]
    assert [(found.line, found.kind) for found in corrections_of(site, visit, findings, zero=CORRELATION)] == [
        ("L03", "drift")
    ]
    assert corrections_of(site, visit, findings, zero=None) == ()


def test_a_drifting_line_is_named_once() -> None:
    odd = [Finding("warning", "time-zero-odd", "", visit="day", line=name) for name in ("L1", "L2")]
    drift = Finding("warning", "time-zero-drift", "", visit="day", line="L1")
    assert said_once([*odd, drift]) == [odd[1], drift]


def test_check_tells_what_to_walk_again_and_how(text_site: Path) -> None:
    path = text_site / "visits" / "day" / "lines" / "L05.txt"
    samples = np.loadtxt(path)
    samples[:, 20:24] = 0.0
    np.savetxt(path, samples, fmt="%.6f", delimiter="\t")
    report = check_site(open_site(text_site))
    (walk,) = report.again["day"]
    assert walk.line == "L05"
    assert walk.heading in ("east", "west")
    assert "traces without signal" in walk.text
    told = report.as_dict()["walk_again"]["day"]
    assert [entry["line"] for entry in told] == ["L05"]


def test_an_exchanged_pair_of_files_is_named(text_site: Path) -> None:
    table = text_site / "visits" / "day" / "lines.csv"
    text = table.read_text().replace("L02.txt", "X").replace("L10.txt", "L02.txt").replace("X", "L10.txt")
    table.write_text(text)
    said = [f for f in check_site(open_site(text_site)).findings if f.code == "line-swapped"]
    assert [(f.line, "L10" in f.text) for f in said] == [("L02", True)]
