"""Spacing and gaps: planted gaps are found, regular surveys are left in peace."""

from __future__ import annotations

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.positions import gap_findings, line_gaps, line_spacing_m, same_ends_findings


def _survey(rng, *, n=None, spacing=None, crossing=False):
    """A survey as people walk it: turned, zigzag or not, ends ragged, ends of lines off by a few centimetres."""
    n = int(rng.integers(8, 60)) if n is None else n
    spacing = float(rng.choice([0.25, 0.5, 1.0])) if spacing is None else spacing
    length = float(rng.uniform(8, 40))
    turn = rng.uniform(0, 2 * np.pi)
    jitter = 0.05 * spacing
    zigzag = rng.random() < 0.5
    lines = {}
    for family in range(2 if crossing else 1):
        angle = turn + family * np.pi / 2
        along, across = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
        origin = rng.uniform(-50, 50, 2)
        for i in range(n):
            cut = rng.uniform(0, 0.2, 2) * length if rng.random() < 0.3 else np.zeros(2)
            start = origin + cut[0] * along + (i * spacing + rng.normal(0, jitter)) * across
            stop = origin + (length - cut[1]) * along + (i * spacing + rng.normal(0, jitter)) * across
            if zigzag and i % 2:
                start, stop = stop, start
            lines[f"{'AB'[family]}{i:02d}"] = (*start, *stop)
    return lines, spacing


def test_regular_surveys_raise_no_alarm_and_planted_gaps_are_found():
    false_alarms, found, spacing_off = 0, 0, 0
    surveys = 200
    for seed in range(surveys):
        rng = np.random.default_rng(seed)
        lines, spacing = _survey(rng, crossing=bool(seed % 4 == 0))
        false_alarms += bool(line_gaps(lines))
        spacing_off += abs(line_spacing_m(lines) / spacing - 1) > 0.05
        names = sorted(name for name in lines if name.startswith("A"))
        k = int(rng.integers(1, len(names) - 1))
        lost = lines.pop(names[k])
        middle = 0.5 * (np.array(lost[:2]) + lost[2:])
        gaps = [gap for gap in line_gaps(lines) if {gap.before, gap.after} == {names[k - 1], names[k + 1]}]
        if len(gaps) == 1 and gaps[0].missing == 1:
            centre = np.array([gaps[0].x0 + gaps[0].x1, gaps[0].y0 + gaps[0].y1]) / 2
            # Ragged ends move the middle along the line; across it, half a spacing is already another place.
            direction = np.array(lost[2:]) - lost[:2]
            normal = np.array([-direction[1], direction[0]]) / np.hypot(*direction)
            found += abs((centre - middle) @ normal) < 0.5 * spacing
    assert false_alarms / surveys < 0.05
    assert found / surveys > 0.95
    assert spacing_off == 0


@pytest.mark.parametrize("missing", [1, 2, 5])
def test_the_number_of_missing_lines_and_their_place(missing):
    lines = {f"L{i:02d}": (0.0, 0.5 * i, 20.0, 0.5 * i) for i in range(20) if not 7 <= i < 7 + missing}
    (gap,) = line_gaps(lines)
    assert (gap.before, gap.after, gap.missing) == ("L06", f"L{7 + missing:02d}", missing)
    assert gap.width_m == pytest.approx(0.5 * (missing + 1))
    assert gap.design_m == pytest.approx(0.5)
    assert (gap.x0, gap.x1) == (0.0, 20.0)
    assert gap.y0 == gap.y1 == pytest.approx(3.0 + gap.width_m / 2)
    (finding,) = gap_findings(lines)
    assert f"between lines L06 and L{7 + missing:02d}" in finding.text
    assert finding.where.startswith("from (0.00, ")
    assert finding.grade == "warning"


def test_the_threshold_is_one_and_a_half_spacings():
    def lines(wide):
        return {f"L{i}": (0.0, y, 20.0, y) for i, y in enumerate([0, 1, 2, 3, 3 + wide, 4 + wide, 5 + wide])}

    assert line_gaps(lines(1.49)) == []
    assert line_gaps(lines(1.5)) == []
    assert len(line_gaps(lines(1.51))) == 1
    assert len(line_gaps(lines(1.3), factor=1.2)) == 1


def test_what_is_not_a_missing_line_is_not_called_one():
    regular = {f"L{i}": (0.0, 0.5 * i, 20.0, 0.5 * i) for i in range(10)}
    # A repeat of one line, a line in two pieces around a tree, one that starts a third of the way in.
    odd = {
        **regular,
        "R4": (20.0, 2.02, 0.0, 2.02),
        "L5": (0.0, 2.5, 8.0, 2.5),
        "L5b": (11.0, 2.5, 20.0, 2.5),
        "L7": (7.0, 3.5, 20.0, 3.5),
    }
    assert line_gaps(odd) == []
    assert line_spacing_m(odd) == pytest.approx(0.5, abs=0.021)
    # Every line walked twice.
    twice = {**regular, **{f"R{i}": (20.0, 0.5 * i + 0.02, 0.0, 0.5 * i + 0.02) for i in range(10)}}
    assert line_gaps(twice) == []
    assert line_spacing_m(twice) == pytest.approx(0.5)
    del twice["L6"], twice["R6"]
    assert [gap.missing for gap in line_gaps(twice)] == [1]


def test_a_part_walked_more_densely_does_not_accuse_the_rest():
    ys = [*np.arange(0, 10, 0.25), *np.arange(10, 16, 0.5)]
    lines = {f"L{i}": (0.0, y, 20.0, y) for i, y in enumerate(ys)}
    assert line_gaps(lines) == []
    del lines["L46"]
    assert [gap.missing for gap in line_gaps(lines)] == [1]


def test_directions_near_180_degrees_are_one_family():
    lines = {f"L{i}": (0.0, 0.5 * i, 20.0, 0.5 * i + (0.05 if i % 2 else -0.05)) for i in range(10)}
    assert line_spacing_m(lines) == pytest.approx(0.5, abs=0.06)
    assert line_gaps(lines) == []


def test_spacing_is_of_the_direction_most_walked():
    lines = {f"A{i}": (0.0, 0.5 * i, 30.0, 0.5 * i) for i in range(20)}
    lines |= {f"B{i}": (2.0 * i, 0.0, 2.0 * i, 10.0) for i in range(10)}
    assert line_spacing_m(lines) == pytest.approx(0.5)


def test_spacing_cannot_be_given_for_single_lines():
    assert np.isnan(line_spacing_m({"L1": (0, 0, 1, 0)}))
    assert np.isnan(line_spacing_m({"L1": (0, 0, 1, 0), "L2": (0, 0, 0, 1), "L3": (5, 5, 6, 6)}))
    assert line_gaps({"L1": (0, 0, 9, 0), "L2": (0, 1, 9, 1), "L3": (0, 5, 9, 5)}) == []
    assert np.isnan(line_spacing_m({"L1": (0, 0, 4, 0), "L2": (5, 0.5, 9, 0.5)}))


@pytest.mark.parametrize("width_deg", [180, 90])
def test_a_fan_is_not_a_set_of_parallel_lines(width_deg):
    angles = np.radians(np.arange(0, width_deg, 4))
    lines = {f"L{i}": (0.0, 0.0, float(np.cos(a)), float(np.sin(a))) for i, a in enumerate(angles)}
    assert line_gaps(lines) == []
    assert np.isnan(line_spacing_m(lines))


def test_lines_that_cannot_be_used_are_refused():
    with pytest.raises(InputError, match="there are no lines"):
        line_gaps({})
    with pytest.raises(InputError, match="needs x0, y0, x1, y1"):
        line_gaps({"L1": (0, 0, 1)})
    with pytest.raises(InputError, match=r"line L2 has no length \(received \(1.0, 1.0\)\)"):
        line_gaps({"L1": (0, 0, 1, 0), "L2": (1, 1, 1, 1)})
    with pytest.raises(InputError, match="not finite"):
        line_spacing_m({"L1": (0, 0, np.nan, 0)})
    with pytest.raises(InputError, match="factor must be above 1"):
        line_gaps({"L1": (0, 0, 1, 0)}, factor=1.0)


def test_lines_with_the_same_ends_are_named_together():
    lines = {f"L{i}": (0.0, 0.5 * i, 20.0, 0.5 * i) for i in range(5)}
    assert same_ends_findings(lines) == []
    # A reference line walked at noon, and back in the evening; a slip of the pen elsewhere.
    lines |= {"R1": (0.0, 1.0, 20.0, 1.0), "R2": (20.0, 1.004, 0.0, 1.0), "L5": (0.0, 2.0, 20.0, 2.0)}
    lines |= {"L6": (0.0, 2.03, 20.0, 2.03), "L7": (0.0, 2.0, 15.0, 2.0)}
    first, second = same_ends_findings(lines)
    assert first.text == "lines L2, R1 and R2 have the same ends: taken as one track walked again"
    assert second.text.startswith("lines L4 and L5 have the same ends")
    assert (second.grade, second.received) == ("assumed", "from (0.00, 2.00) to (20.00, 2.00)")
    assert "mend the coordinates" in second.do
    assert same_ends_findings({}) == []


def test_walked_surveys_have_no_lines_with_the_same_ends():
    for seed in range(50):
        lines, _ = _survey(np.random.default_rng(seed), crossing=bool(seed % 2))
        assert same_ends_findings(lines) == []
