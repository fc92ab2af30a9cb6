"""What is told before leaving the field: settings, drift, noise, repeats, what to walk again, and all together."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.model import Finding, make_radargram, provenance_steps
from yewline.positions import (
    LineSettings,
    PositionBudget,
    check_field,
    find_repeats,
    gap_findings,
    line_images,
    line_noise,
    line_settings,
    line_time_zero_ns,
    noise_findings,
    position_sigma_m,
    repeat_findings,
    repeat_score,
    resurvey_list,
    session_findings,
    settings_findings,
    with_sigma,
)

USUAL = LineSettings(0.5, 100, 50.0, 0.0, 0.1, 300.0, 0.1, "flat", "8")


def _codes(findings):
    return [finding.code for finding in findings]


# Settings


@pytest.mark.parametrize(
    ("change", "code", "received"),
    [
        ({"interval_ns": 0.4, "samples": 125}, "settings-interval-ns", "0.4 ns instead of 0.5 ns"),
        ({"samples": 120, "window_ns": 60.0}, "settings-window-ns", "60 ns instead of 50 ns"),
        ({"centre_mhz": 500.0}, "settings-centre-mhz", "500 MHz instead of 300 MHz"),
        ({"separation_m": 0.2}, "settings-separation-m", "0.2 m instead of 0.1 m"),
        ({"trace_spacing_m": 0.05}, "settings-trace-spacing-m", "0.05 m instead of 0.1 m"),
        ({"start_ns": -5.0}, "settings-start-ns", "-5 ns instead of 0 ns"),
        ({"gain": "steep"}, "settings-gain", "steep instead of flat"),
        ({"stacking": "16"}, "settings-stacking", "16 instead of 8"),
    ],
)
def test_a_line_or_a_visit_of_other_settings_is_named(change, code, received):
    odd = LineSettings(**{name: change.get(name, getattr(USUAL, name)) for name in USUAL.__dataclass_fields__})
    lines = {"L1": USUAL, "L2": odd, "L3": USUAL}
    (told,) = settings_findings({"may": lines})
    assert (told.code, told.received, told.line, told.visit) == (code, received, "L2", "may")
    (told,) = settings_findings({"may": {"L1": USUAL}, "june": {"L1": odd, "L2": odd}})
    assert (told.code, told.line, told.visit) == (code, "", "june")
    assert "that of visit may" in told.text


def test_unknown_settings_and_small_differences_are_let_pass():
    bare = LineSettings(0.5, 100, 50.0, 0.0, 0.102)
    assert settings_findings({"may": {"L1": USUAL, "L2": bare, "L3": USUAL}}) == []
    with pytest.raises(InputError, match="a visit without lines has no settings"):
        settings_findings({"may": {}})
    line = make_radargram(np.zeros((4, 50)), interval_ns=0.25, x=np.arange(4.0), y=np.zeros(4), attrs={"gain": 3})
    assert line_settings(line) == LineSettings(0.25, 50, 12.5, 0.0, 1.0, gain="3")


# Drift of time zero over a session


def test_planted_steps_and_drifts_are_told_and_steady_sessions_are_not():
    steps, drifts, odd, alarms = 0, 0, 0, 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        n = int(rng.integers(14, 40))
        clock = 60.0 * np.cumsum(rng.uniform(2, 6, n))
        steady = 8.0 + rng.normal(0, 0.03, n)
        names = [f"L{i:02d}" for i in range(n)]

        def told(zero, names=names, clock=clock):
            return session_findings(dict(zip(names, zero, strict=True)), clock_s=clock)

        alarms += bool(told(steady))
        k = int(rng.integers(4, n - 4))
        found = told(steady + 0.8 * (np.arange(n) >= k))
        steps += [(f.code, f.line) for f in found] == [("time-zero-step", names[k])]
        drifts += _codes(told(steady + 1.2 * (clock - clock[0]) / np.ptp(clock))) == ["time-zero-session"]
        one = steady.copy()
        one[k] += 1.0
        odd += [(f.code, f.line) for f in told(one)] == [("time-zero-odd", names[k])]
    assert alarms / 60 < 0.05
    assert min(steps, drifts, odd) / 60 > 0.9


def test_steps_are_named_in_the_order_of_the_clock():
    rng = np.random.default_rng(1)
    clock = rng.permutation(20) * 100.0
    zero = 5.0 + rng.normal(0, 0.02, 20) + 1.0 * (clock >= 1000)
    names = [f"L{int(c):04d}" for c in clock]
    (found,) = session_findings(dict(zip(names, zero, strict=True)), clock_s=clock)
    assert found.text == "time zero steps between lines L0900 and L1000"
    assert session_findings({"a": 1.0, "b": 5.0}) == []
    with pytest.raises(InputError, match="zero_ns holds values that are not finite"):
        session_findings({str(k): np.nan for k in range(6)})


def test_a_wetter_ground_wave_does_not_move_time_zero(survey, ground):
    line = survey(ground(1), seed=1, lines=1)["L01"]
    t = np.arange(line.sizes["time"]) * 0.5
    # A later arrival through the ground, twice as strong where it is wet; the air wave stays.
    pulse = np.exp(-(((t - 12.0) / 1.2) ** 2)) * np.cos(2 * np.pi * 0.3 * (t - 12.0))
    dry, wet = (line.copy(data=(line.values + size * pulse).astype(np.float32)) for size in (1.0, 2.0))
    assert abs(line_time_zero_ns(dry) - line_time_zero_ns(wet)) < 0.1
    late = line.copy(data=np.roll(line.values, 3, axis=1))
    assert line_time_zero_ns(late) - line_time_zero_ns(line) == pytest.approx(1.5, abs=0.05)


# Noise and penetration


def test_noisy_and_shallow_lines_are_named(survey, ground):
    lines = survey(ground(2), seed=2, lines=8, length_m=8.0)
    told = noise_findings(line_noise(lines), velocity_m_per_ns=0.1)
    assert _codes(told) == ["noise-level"]
    assert " m" in told[0].text
    rng = np.random.default_rng(0)
    loud = lines["L03"].values + rng.normal(0, 0.5, lines["L03"].shape)
    quiet = lines["L05"].values.copy()
    quiet[:, 28:] = 0.02 * rng.normal(size=(len(quiet), quiet.shape[1] - 28))
    lines["L03"] = lines["L03"].copy(data=loud.astype(np.float32))
    lines["L05"] = lines["L05"].copy(data=quiet.astype(np.float32))
    told = noise_findings(line_noise(lines))
    assert ("line-noise", "L03") in {(f.code, f.line) for f in told}
    assert ("line-shallow", "L05") in {(f.code, f.line) for f in told}
    assert noise_findings({}) == []


# Repeats


def _again(line, record, here, seed, *, shift=0.0, turned=False, noise=0.15):
    x = line["x"].values[::-1] if turned else line["x"].values
    values = record(here, x, line["y"].values, seed=seed, noise=noise)
    again = make_radargram(values, interval_ns=0.5, x=x + shift, y=line["y"].values + 0.03, attrs=dict(line.attrs))
    again.attrs["line"] = "R2"
    return again


def test_a_repeat_agrees_and_its_lag_is_found(survey, ground, record):
    for seed in range(6):
        here = ground(seed)
        line = survey(here, seed=seed, lines=1, noise=0.05)["L01"]
        shift = (-0.15, 0.0, 0.22)[seed % 3]
        again = _again(line, record, here, seed, shift=shift, turned=bool(seed % 2), noise=0.05)
        score = repeat_score(line, again)
        assert score.accepted
        assert score.lag_m == pytest.approx(shift, abs=0.03)
        assert score.lag_sigma_m < 0.03
        codes = _codes(repeat_findings(score))
        assert codes == (["repeat", "repeat-shift"] if shift else ["repeat"])


def test_a_neighbour_is_no_repeat(survey, ground):
    lines = survey(ground(3), seed=3, lines=2)
    score = repeat_score(lines["L01"], lines["L02"])
    assert not score.accepted
    assert repeat_findings(score)[0].code == "repeat-poor"


def test_walks_of_one_track_are_found(survey, ground, record):
    here = ground(4)
    lines = survey(here, seed=4, lines=6)
    lines["R2"] = _again(lines["L03"], record, here, 5)
    assert find_repeats(line_images(lines), tuple(lines)) == [("L03", "R2")]
    assert find_repeats(line_images(lines), ("R2", "L03")) == [("R2", "L03")]
    with pytest.raises(InputError, match="the two walks cannot be compared"):
        repeat_score(lines["L01"], lines["L01"].isel(trace=slice(0, 5)))


# What to walk again


def test_the_way_is_short_and_words_can_be_acted_on():
    rng = np.random.default_rng(0)
    for seed in range(10):
        picks = rng.choice(20, 5, replace=False)
        lines = {f"A{k:02d}": (0.5 * k, 0.0, 0.5 * k, 12.0) for k in range(20)}
        found = [Finding("warning", "trace-dead", "", line=f"A{k:02d}") for k in picks]
        walk = resurvey_list(found, lines, begin=(0.0, 0.0))
        assert sorted(step.line for step in walk) == sorted(f"A{k:02d}" for k in picks)
        way = sum(step.walk_m for step in walk)
        assert way <= _best_way([lines[f"A{k:02d}"] for k in picks]) * 1.001, seed
    assert walk[0].text.startswith(f"walk line {walk[0].line} again, northward, from ({walk[0].x0:.1f}, 0.0)")


def _best_way(ends):
    """The shortest way by trying all orders and directions."""
    best = np.inf
    for order in itertools.permutations(range(len(ends))):
        # For each direction of the last line, the shortest way so far.
        state = None
        for k in order:
            x0, y0, x1, y1 = ends[k]
            both = [((x0, y0), (x1, y1)), ((x1, y1), (x0, y0))]
            before = [((0.0, 0.0), 0.0)] if state is None else state
            state = [
                (stop, min(way + np.hypot(*np.subtract(start, here)) for here, way in before)) for start, stop in both
            ]
        best = min(best, *(way for _, way in state))
    return best


def test_reasons_pegs_bearings_and_gaps():
    lines = {f"L{i}": (0.0, 0.5 * i, 20.0, 0.5 * i) for i in range(12) if i != 7}
    found = [
        *gap_findings(lines),
        Finding("warning", "line-noise", "", line="L2"),
        Finding("warning", "trace-dead", "", line="L2"),
        Finding("warning", "line-swapped", "", line="L4"),
        Finding("found", "line-noise", "", line="L5"),
        Finding("fault", "line-left-out", "", line="no such line"),
    ]
    walk = resurvey_list(found, lines, begin=(0.0, 0.0), pegs={"C": (0.1, 1.0)}, north_deg=90.0)
    assert [step.line for step in walk] == ["L2", "between L6 and L8"]
    assert walk[0].text == "walk line L2 again, southward, from peg C: noisy, traces without signal"
    assert walk[1].text == "walk a line between L6 and L8, northward, from (20.0, 3.5): missing"
    kept = resurvey_list(found, lines, begin=(0.0, 0.0), keep_direction=True)
    assert all(step.x0 == 0.0 for step in kept)
    assert resurvey_list([], lines) == ()
    assert len(resurvey_list(found, lines)) == 2
    with pytest.raises(InputError, match="L1: each line needs x0, y0, x1, y1"):
        resurvey_list(found, {"L1": (0.0, 1.0)})


# Position sigma


def test_parts_of_the_budget_add_as_squares():
    sigma = position_sigma_m(PositionBudget(tape_m=0.05, zigzag_m=0.03, frame_m=0.02, odometer_m=[0.0, 0.1]), 2)
    np.testing.assert_allclose(sigma**2, [0.05**2 + 0.03**2 + 0.02**2, 0.05**2 + 0.03**2 + 0.02**2 + 0.1**2])
    # A track takes the place of the tape.
    tracked = PositionBudget(tape_m=0.5, track_m=[0.02, 0.04])
    np.testing.assert_allclose(position_sigma_m(tracked, 2), [0.02, 0.04])
    line = make_radargram(np.zeros((2, 4)), interval_ns=0.5, x=[0.0, 1.0], y=[0.0, 0.0])
    placed = with_sigma(line, tracked)
    np.testing.assert_allclose(placed["sigma_xy"].values, [0.02, 0.04])
    assert provenance_steps(placed)[0]["track_m"] == 0.03
    with pytest.raises(InputError, match="tape_m must not be negative"):
        position_sigma_m(PositionBudget(tape_m=-0.1), 2)
    with pytest.raises(InputError, match="odometer_m needs one value, or one for each trace"):
        position_sigma_m(PositionBudget(odometer_m=[0.1, 0.2, 0.3]), 2)


# All together


def test_a_sound_visit_is_left_in_peace_and_nothing_is_changed(survey, ground):
    alarms = 0
    for seed in range(12):
        lines = survey(ground(600 + seed), seed=600 + seed, lines=10, length_m=10.0)
        before = {name: (line.values.copy(), line["x"].values.copy()) for name, line in lines.items()}
        found = check_field(lines, visit="may")
        alarms += any(f.grade in ("warning", "fault") for f in found.findings)
        assert all(finding.visit == "may" for finding in found.findings)
        for name, (values, x) in before.items():
            np.testing.assert_array_equal(lines[name].values, values)
            np.testing.assert_array_equal(lines[name]["x"].values, x)
    assert alarms == 0


def test_planted_faults_are_told_together(survey, ground, record):
    here = ground(77)
    lines = survey(here, seed=77, zigzag_m=0.15)
    lines["L05"] = lines["L05"].copy(data=lines["L05"].values[::-1].copy())
    lines["L09"] = lines["L09"].copy(data=np.roll(lines["L09"].values, 4, axis=1))
    lines["R2"] = _again(lines["L12"], record, here, 5, noise=0.15)
    lines["L14"] = lines["L14"].copy(data=np.zeros(lines["L14"].shape, np.float32))
    found = check_field(lines, velocity_m_per_ns=0.09)
    told = {(f.code, f.line) for f in found.findings if f.grade == "warning"}
    assert {("zigzag", ""), ("line-reversed", "L05"), ("time-zero-odd", "L09")} <= told
    assert {score.second for score in found.repeats} == {"R2"}
    assert found.zigzag[0].offset_m == pytest.approx(0.15, abs=0.03)
    assert "L14" not in found.zero_ns
    assert check_field(lines, velocity_m_per_ns=0.09).findings == found.findings
    with pytest.raises(InputError, match="there are no lines"):
        check_field({})


def test_few_and_single_lines_are_checked_as_far_as_they_go(survey, ground):
    lines = survey(ground(1), seed=1, lines=1, length_m=5.0)
    found = check_field(lines)
    assert found.zigzag == (None,)
    assert found.placebo == (None,)
    assert _codes(found.findings) == ["noise-level"]
    silent = {"L1": lines["L01"].copy(data=np.zeros(lines["L01"].shape, np.float32))}
    assert check_field(silent).images == ()
