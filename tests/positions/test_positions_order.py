"""Planted faults of order are named for what they are, and sound surveys are left in peace."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.positions import (
    find_order_faults,
    line_gaps,
    line_images,
    order_findings,
    order_placebo,
    placebo_findings,
    survey_likeness,
)

LAYERS = ((15.0, 0.35, 0.9, 2.0), (25.0, -0.3, 0.8, 2.0), (33.0, 0.5, -0.6, 2.0))
GROUNDS = {
    "objects": ({}, {}),
    "dipping layers": ({"layers": LAYERS}, {}),
    "oblique": ({"oblique_deg": 50.0}, {}),
    "weak": ({"long_m": 0.35, "per_m2": 1.0}, {"noise": 0.4}),
    "one way": ({}, {"one_way": True}),
}
SEEDS = 6


def _with(lines, name, values):
    return {**lines, name: lines[name].copy(data=np.ascontiguousarray(values, np.float32))}


def _plant(kind, here, lines, seed, record):
    """The survey with one fault, and the labels that count as finding it."""
    rng = np.random.default_rng([seed, 5])
    names = list(lines)
    k = int(rng.integers(1, len(names) - 2))
    name = names[k]
    if kind == "reversed":
        return _with(lines, name, lines[name].values[::-1]), {("reversed", name)}
    if kind in ("swapped", "swapped far"):
        other = names[k + 2 if k + 2 < len(names) else k - 2] if kind == "swapped" else names[(k + 6) % len(names)]
        swapped = _with(_with(lines, name, lines[other].values), other, lines[name].values)
        return swapped, {("swapped", name, other), ("swapped", other, name)}
    if kind == "duplicate":
        other = names[k + 1]
        # The same track again on the same day: new noise, a few centimetres beside it.
        values = record(here, lines[name]["x"].values, lines[other]["y"].values + 0.03, seed=9000 + seed)
        return _with(lines, name, values), {("duplicate", name), ("duplicate", other)}
    # Walked in its place, entered in the table under the coordinates of a line that was never walked.
    other = names[(k + 6) % len(names)]
    moved = dict(lines)
    moved[name] = lines[name].assign_coords(x=lines[other]["x"], y=lines[other]["y"])
    del moved[other]
    return moved, {("moved", name)}


def _labels(faults):
    return {(f.kind, f.line, f.other) if f.kind == "swapped" else (f.kind, f.line) for f in faults}


def test_sound_surveys_raise_no_alarm(survey, ground):
    """5 grounds × 20 surveys: the false-alarm rate is below 5 %."""
    alarms = []
    for kind, (here, how) in GROUNDS.items():
        for seed in range(200, 220):
            lines = survey(ground(seed, **here), seed=seed, lines=12, length_m=12.0, **how)
            alarms += [(kind, seed, fault) for fault in find_order_faults(line_images(lines)[0])]
    assert len({(kind, seed) for kind, seed, _ in alarms}) / 100 < 0.05, alarms


@pytest.mark.parametrize(
    ("kind", "repeats"),
    # A repeat shows itself only by being more alike than neighbours are. Of twelve a ground, measured: 5, 12, 10,
    # 0 and 4 were named; the others passed for neighbours, and none for another fault.
    [("objects", 0.5), ("dipping layers", 0.9), ("oblique", 0.6), ("weak", None), ("one way", 0.1)],
)
def test_confusion_matrix_over_planted_faults(survey, ground, record, kind, repeats):
    here, how = GROUNDS[kind]
    matrix: Counter[tuple[str, str]] = Counter()
    beside = 0
    planted = ("reversed", "swapped", "swapped far", "duplicate", "moved")
    for seed in range(SEEDS):
        earth = ground(300 + seed, **here)
        lines = survey(earth, seed=300 + seed, **how)
        for fault in planted:
            broken, right = _plant(fault, earth, lines, seed, record)
            found = _labels(find_order_faults(line_images(broken)[0]))
            matrix[fault, "right" if found & right else "missed" if not found else "wrong"] += 1
            beside += len(found - right)
    hits = {fault: matrix[fault, "right"] / SEEDS for fault in planted}
    assert hits["reversed"] == 1.0, matrix
    assert hits["swapped"] > 0.9, matrix
    assert hits["swapped far"] > 0.9, matrix
    assert hits["moved"] > 0.9, matrix
    if repeats is not None:
        assert hits["duplicate"] >= repeats, matrix
    assert not any(result == "wrong" for _, result in matrix), matrix
    # Whatever is named besides or instead of the fault counts as a false alarm.
    assert beside / (SEEDS * len(planted)) < 0.05, matrix


def test_a_line_that_was_never_walked_is_a_gap_and_no_fault_of_order(survey, ground):
    for seed in range(4):
        lines = survey(ground(400 + seed), seed=400 + seed)
        del lines["L06"]
        assert find_order_faults(line_images(lines)[0]) == []
        ends = {n: (float(r.x[0]), float(r.y[0]), float(r.x[-1]), float(r.y[-1])) for n, r in lines.items()}
        (gap,) = line_gaps(ends)
        assert {gap.before, gap.after} == {"L05", "L07"}


def test_several_faults_are_found_one_after_another(survey, ground):
    lines = survey(ground(17), seed=17, lines=16)
    broken = _with(lines, "L03", lines["L03"].values[::-1])
    broken = _with(_with(broken, "L08", lines["L12"].values), "L12", lines["L08"].values)
    found = _labels(find_order_faults(line_images(broken)[0]))
    assert found == {("reversed", "L03"), ("swapped", "L08", "L12")}


def test_findings_name_the_likelihood_and_what_to_do(survey, ground):
    lines = survey(ground(17), seed=17)
    faults = find_order_faults(line_images(_with(lines, "L03", lines["L03"].values[::-1]))[0])
    (finding,) = order_findings(faults)
    assert finding.line == "L03"
    assert finding.grade == "warning"
    assert finding.received.startswith(f"likelihood ratio 10^{faults[0].log10_ratio:.1f}; correlation with neighbours")
    assert "accept it in visit.toml" in finding.do
    assert faults[0].best > 0.5 > faults[0].as_is


def test_few_lines_and_unlike_lines_are_not_judged(survey, ground):
    lines = survey(ground(1), seed=1, lines=4)
    assert find_order_faults(line_images(_with(lines, "L02", lines["L02"].values[::-1]))[0]) == []
    far = survey(ground(1), seed=1, lines=10, spacing_m=6.0, length_m=12.0)
    assert find_order_faults(line_images(far)[0]) == []
    with pytest.raises(InputError, match="sure must be greater than zero"):
        find_order_faults(line_images(lines)[0], sure=0.0)


def test_the_order_of_lines_shows_against_shuffled_orders(survey, ground):
    images = line_images(survey(ground(4), seed=4, lines=12, length_m=12.0))[0]
    pictures, known = images.stack()
    placebo = order_placebo(images, pictures, known, draws=199)
    assert placebo.p == 1 / 200
    assert placebo.observed > placebo.shuffled + 5 * placebo.shuffled_sd
    assert placebo_findings(placebo) == []
    assert order_placebo(images, pictures, known, draws=199) == placebo
    with pytest.raises(InputError, match="fewer than 19 draws"):
        order_placebo(images, pictures, known, draws=10)


def test_p_is_even_where_lines_have_nothing_in_common(survey, ground):
    """Lines of different ground under one table: p is uniform, so at most 5 % are below 0.05 but for chance."""
    p = []
    for seed in range(30):
        parts = [survey(ground(1000 + 20 * seed + k), seed=k, lines=1, length_m=8.0)["L01"] for k in range(7)]
        lines = {f"L{k}": part.assign_coords(y=part.y + 0.5 * k) for k, part in enumerate(parts)}
        images = line_images(lines)[0]
        placebo = order_placebo(images, *images.stack(), draws=99, seed=seed)
        p.append(placebo.p)
    # Kolmogorov's distance at 1 % for 30 values is 0.29 (Massey 1951).
    at = np.sort(p)
    distance = np.abs(at - (np.arange(30) + 0.5) / 30).max() + 0.5 / 30
    assert distance < 0.29
    assert bool(placebo_findings(placebo)) == (placebo.p > 0.05)


def test_likeness_falls_with_distance(survey, ground):
    images = line_images(survey(ground(4), seed=4))[0]
    like = survey_likeness(images, *images.stack())
    values = [like.expected(steps)[0] for steps in (1, 2, 3, 4)]
    assert values == sorted(values, reverse=True)
    assert like.near > like.next > like.chance + 2 * like.chance_sd
    alone = line_images(survey(ground(4), seed=4, lines=1))[0]
    assert survey_likeness(alone, *alone.stack()) is None
    assert order_placebo(alone, *alone.stack()) is None
    assert placebo_findings(None) == []
