"""What lies around a line reaches the steps that ask for it: lines beside, the ground below; and a word on aliasing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from yewline.errors import SettingsError
from yewline.model import VelocityField, make_radargram
from yewline.progress import SILENT
from yewline.recipe import recipe_from_toml
from yewline.workspace import open_site
from yewline.workspace.around import Surroundings, alias_findings, lone_findings
from yewline.workspace.line_cache import LineCache
from yewline.workspace.run import site_result
from yewline.workspace.stage_lines import finish_lines

ACROSS = '[[after]]\nstep = "migrate_kirchhoff_3d"\n'
BELOW = '[[after]]\nstep = "migrate_kirchhoff"\nground = "below the line"\n'
ENVELOPE = '[[after]]\nstep = "envelope"\n'


def lines_of(ys: dict[str, float], *, turned: tuple[str, ...] = (), step_m: float = 0.1):
    rng = np.random.default_rng(3)
    held = {}
    for name, y in ys.items():
        x = np.arange(0.0, 6.01, step_m)[:: -1 if name in turned else 1]
        attrs = {"line": name, "visit": "day", "centre_mhz": 400.0, "line_key": f"key of {name}"}
        held[name] = make_radargram(
            rng.normal(size=(len(x), 80)), interval_ns=0.4, x=x, y=np.full(len(x), y), attrs=attrs
        )
    return held


def near(lines, recipe: str, field: VelocityField | None = None) -> Surroundings:
    return Surroundings(lines, recipe_from_toml(recipe), 0.1, field, 0.5)


def test_lines_within_the_aperture_stand_beside_whichever_way_they_were_walked():
    """32 ns at 0.1 m/ns is 1.58 m of path; under 45° it reaches 1.12 m to the side."""
    lines = lines_of({"a": 0.0, "b": 0.5, "c": 1.0, "d": 1.5, "e": -1.0}, turned=("b",))
    beside = near(lines, ACROSS).of("a").beside
    assert beside is not None
    assert sorted(float(line.y_m[0]) for line in beside()) == [-1.0, 0.5, 1.0]
    assert near(lines, BELOW).of("a").beside is None


def test_lines_without_others_of_their_sampling_are_named():
    lines = lines_of({"a": 0.0, "b": 0.5, "c": 1.0, "far": 40.0})
    assert lone_findings(near({"a": lines["a"], "b": lines["b"]}, ACROSS), "day") == []
    assert lone_findings(near(lines, ENVELOPE), "day") == []
    (said,) = lone_findings(near(lines, ACROSS), "day")
    assert (said.code, said.received) == ("migrated-alone", "1 of 4: far")
    x = lines["b"]["x"].values
    coarse = make_radargram(np.ones((61, 40)), interval_ns=0.8, x=x, y=0 * x + 0.5, attrs={"centre_mhz": 400.0})
    (said,) = lone_findings(near({"a": lines["a"], "b": coarse}, ACROSS), "day")
    assert said.received == "2 of 2: a, b"


def test_a_gap_in_a_line_beside_stays_a_gap():
    lines = lines_of({"a": 0.0, "b": 0.5})
    lines["b"] = lines["b"].isel(trace=[*range(20), *range(40, 61)])
    lines["b"] = lines["b"].assign_coords(segment=("trace", np.repeat([0, 1], [20, 21])))
    beside = near(lines, ACROSS).of("a").beside
    assert beside is not None
    assert [len(part.x_m) for part in beside()] == [20, 21]


def test_crossing_lines_and_those_far_along_are_not_beside():
    lines = lines_of({"a": 0.0, "b": 0.5})
    crossing, far = lines["b"].copy(), lines["b"].copy()
    lines["x"] = crossing.assign_coords(x=("trace", np.full(61, 3.0)), y=("trace", np.linspace(-3, 3, 61)))
    lines["f"] = far.assign_coords(x=("trace", np.linspace(20, 26, 61)))
    beside = near(lines, ACROSS).of("a").beside
    assert beside is not None
    assert [float(line.y_m[0]) for line in beside()] == [0.5]


def test_the_key_of_a_line_follows_from_what_its_steps_ask_for_alone():
    lines = lines_of({"a": 0.0, "b": 0.5, "f": 30.0})
    patchy = VelocityField.uniform(0.1, 0.01)
    assert near(lines, ENVELOPE, patchy).key("a") == []
    before = near(lines, ACROSS, patchy).key("a")
    lines["b"] = lines["b"].assign_attrs(line_key="another")
    assert near(lines, ACROSS, patchy).key("a") != before
    lines["f"] = lines["f"].assign_attrs(line_key="another")
    assert near(lines, ACROSS, patchy).key("f") != near(lines, ACROSS, patchy).key("a")
    below = near(lines, BELOW, patchy).key("a")
    assert near(lines, BELOW, VelocityField.uniform(0.11, 0.01)).key("a") != below


def test_neighbours_and_threads_give_the_same_bits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    lines = lines_of({f"L{k}": 0.5 * k for k in range(5)})
    made = []
    for workers in (1, 2):
        monkeypatch.setattr("yewline.workspace.stage_lines.WORKERS", workers)
        done, faults = finish_lines(
            Surroundings(lines, recipe_from_toml(ACROSS + ENVELOPE), 0.1, None, 0.5),
            cache=LineCache(tmp_path / str(workers)),
            progress=SILENT,
            label="",
            use=lambda line: line.values.copy(),
        )
        assert faults == []
        made.append(done)
    for name in lines:
        np.testing.assert_array_equal(made[0][name], made[1][name])
    # The neighbours count: alone, the line gives something else.
    alone, _ = finish_lines(
        Surroundings({"L2": lines["L2"]}, recipe_from_toml(ACROSS + ENVELOPE), 0.1, None, 0.5),
        cache=LineCache(tmp_path / "alone"),
        progress=SILENT,
        label="",
        use=lambda line: line.values.copy(),
    )
    assert not np.allclose(alone["L2"], made[0]["L2"], rtol=1e-3)


@pytest.mark.parametrize("migration", [ACROSS, BELOW])
def test_a_site_runs_through_with_either(text_site: Path, migration: str):
    before = "".join(f'[[before]]\nstep = "{step}"\n' for step in ("time_zero", "dewow", "background_removal"))
    (text_site / "recipe.toml").write_text(f'name = "around"\n{before}{migration}{ENVELOPE}')
    result = site_result(open_site(text_site))
    assert len(result.visits[0].scored)
    assert not [f for f in result.findings if f.code in ("line-left-out", "visit-refused")]
    said = [f.code for f in result.findings if f.code == "migration-aliased"]
    assert said == (["migration-aliased"] if migration == ACROSS else [])


def test_it_stands_first_after_the_velocity_is_known():
    with pytest.raises(SettingsError, match="stands first under .*Move it to the top of"):
        recipe_from_toml(ENVELOPE + ACROSS)


def test_lines_that_alias_are_named_and_those_that_do_not_are_not():
    """λ/(4 sin θ) at the band's upper edge, 600 MHz: 0.0589 m under 45° at 0.1 m/ns (closed form)."""
    recipe, about = recipe_from_toml(ACROSS), {"velocity_m_per_ns": 0.1, "centre_mhz": 400.0}
    (wide,) = alias_findings(recipe, "day", line_spacing_m=0.5, **about)
    assert wide.do.startswith("lines 0.06 m apart")
    assert "averaged away" in wide.text
    assert alias_findings(recipe, "day", line_spacing_m=0.058, **about) == []
    # What the step states comes before the visit's.
    slow = recipe_from_toml(ACROSS + "velocity_m_per_ns = 0.06\n")
    (said,) = alias_findings(slow, "day", line_spacing_m=0.058, **about)
    assert said.do.startswith("lines 0.04 m apart")
    assert alias_findings(recipe_from_toml(BELOW), "day", line_spacing_m=0.5, **about) == []
    bare = recipe_from_toml(ACROSS.replace('3d"\n', '3d"\nantialias = false\n'))
    (said,) = alias_findings(bare, "day", line_spacing_m=0.5, **about)
    assert "without aliasing" in said.text
