"""Lines that are made when they are asked for, and half-done lines that are kept between runs."""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

from yewline.model import make_radargram
from yewline.recipe import Recipe, recipe_digest, recipe_to_toml, standard_recipe
from yewline.workspace import lazy, load, open_site, stage_lines
from yewline.workspace.lazy import LazyLines, lights_of, without_samples
from yewline.workspace.line_cache import LineCache
from yewline.workspace.run import run_site, site_result


def line(name: str, value: float = 1.0) -> xr.DataArray:
    return make_radargram(
        np.full((4, 6), value), interval_ns=0.5, x=np.arange(4), y=np.zeros(4), attrs={"line": name, "rate": 0.25}
    )


class TestLazyLines:
    def test_what_does_not_fit_is_made_again_and_is_the_same(self) -> None:
        asked: list[str] = []

        def make(name: str) -> xr.DataArray:
            asked.append(name)
            return line(name, float(name))

        lines = LazyLines(["1", "2", "3"], make, kept_bytes=2 * 4 * 6 * 4)
        assert [float(lines[name].values[0, 0]) for name in ("1", "2", "1", "3", "2", "3")] == [1, 2, 1, 3, 2, 3]
        # 2 had to make room for 3, for 1 was used after it.
        assert asked == ["1", "2", "3", "2"]

    def test_a_line_without_samples_lies_where_it_lies(self) -> None:
        light = without_samples(line("a"))
        assert light.shape == (4, 6)
        assert light["x"].values.tolist() == [0, 1, 2, 3]
        assert light.values.strides == (0, 0)
        assert np.isnan(light.values).all()

    def test_lights_that_are_known_need_no_line(self) -> None:
        def never(name: str) -> xr.DataArray:
            raise AssertionError(name)

        lines = LazyLines(["a"], never, lights={"a": without_samples(line("a"))})
        assert lights_of(lines)["a"].attrs["line"] == "a"
        assert lights_of(lines.only(["a"]))["a"].shape == (4, 6)
        with pytest.raises(KeyError):
            lines["b"]


class TestLineCache:
    def test_round_trip(self, tmp_path: Path) -> None:
        cache, held = LineCache(tmp_path), line("a", 3.0)
        cache.put("key", held)
        back = cache.get("key")
        assert back is not None
        xr.testing.assert_identical(back, held)

    def test_a_damaged_file_is_none(self, tmp_path: Path) -> None:
        cache = LineCache(tmp_path)
        cache.put("key", line("a"))
        path = tmp_path / "key.npz"
        path.write_bytes(path.read_bytes()[:200])
        assert cache.get("key") is None
        assert cache.get("other") is None

    def test_what_was_used_longest_ago_goes_first(self, tmp_path: Path) -> None:
        cache = LineCache(tmp_path)
        for age, key in enumerate(("old", "middle", "new")):
            cache.put(key, line(key))
            os.utime(tmp_path / f"{key}.npz", (1000 + age, 1000 + age))
        cache.get("old")
        LineCache(tmp_path, most_bytes=(tmp_path / "new.npz").stat().st_size * 2 + 10).prune()
        assert sorted(path.stem for path in tmp_path.glob("*.npz")) == ["new", "old"]


def test_changing_the_last_step_redoes_only_that(text_site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site_result(open_site(text_site))
    asked: list[tuple[str, slice]] = []
    before, after = stage_lines.run_before, stage_lines.run_after

    def spy_before(recipe: Recipe, held: xr.DataArray, **more: Any) -> xr.DataArray:
        asked.append(("before", more["steps"]))
        return before(recipe, held, **more)

    def spy_after(recipe: Recipe, held: xr.DataArray, **more: Any) -> xr.DataArray:
        asked.append(("after", more["steps"]))
        return after(recipe, held, **more)

    monkeypatch.setattr(stage_lines, "run_before", spy_before)
    monkeypatch.setattr(stage_lines, "run_after", spy_after)
    whole = recipe_to_toml(standard_recipe())
    (text_site / "recipe.toml").write_text(whole.replace('step = "envelope"', 'step = "migrate_stolt"'))
    site_result(open_site(text_site))
    assert asked
    assert {part for part, _ in asked} == {"after"}
    assert {steps.start for _, steps in asked} == {len(standard_recipe().after) - 1}
    # A change at the start redoes all.
    asked.clear()
    (text_site / "recipe.toml").write_text(whole.replace('step = "dewow"', 'step = "dewow"\nwindow_ns = 9.0'))
    site_result(open_site(text_site))
    assert {part for part, _ in asked} == {"before", "after"}


def test_no_step_runs_twice_on_a_line(text_site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Though no line is held from one use to the next."""
    monkeypatch.setattr(lazy, "KEPT_BYTES", 0)
    monkeypatch.setattr(load, "KEPT_BYTES", 0)
    asked: list[tuple[str, int, int]] = []
    real = {"before": stage_lines.run_before, "after": stage_lines.run_after}

    def spy(part: str) -> Any:
        def run(recipe: Recipe, held: xr.DataArray, **more: Any) -> xr.DataArray:
            steps = range(len(getattr(recipe, part)))[more["steps"]]
            asked.extend((f"{part} {held.attrs['line']}", steps.start, step) for step in steps)
            return real[part](recipe, held, **more)

        return run

    monkeypatch.setattr(stage_lines, "run_before", spy("before"))
    monkeypatch.setattr(stage_lines, "run_after", spy("after"))
    recipe = standard_recipe()
    assert np.isfinite(site_result(open_site(text_site)).visits[0].slices["strength"].values).any()
    assert len(asked) == len(set(asked)) == 15 * (len(recipe.before) + len(recipe.after))


def test_a_kept_line_says_what_made_it_and_no_more(text_site: Path) -> None:
    """Another recipe with the same steps so far finds it; the recipe in force is told by the result."""
    site_result(open_site(text_site))
    recipe = replace(standard_recipe(), name="another", after=standard_recipe().after[:1])
    (text_site / "recipe.toml").write_text(recipe_to_toml(recipe))
    kept = site_result(open_site(text_site))
    shutil.rmtree(text_site / "results")
    anew = site_result(open_site(text_site))
    assert kept.recipe_digest == recipe_digest(recipe) != recipe_digest(standard_recipe())
    assert kept.recipe_name == "another"
    assert list(kept.visits[0].radargrams) == list(anew.visits[0].radargrams)
    for name, line in kept.visits[0].radargrams.items():
        xr.testing.assert_identical(line, anew.visits[0].radargrams[name])


def test_results_do_not_depend_on_what_was_kept(text_site: Path) -> None:
    first = site_result(open_site(text_site))
    shutil.rmtree(text_site / "results" / "visits")
    kept = site_result(open_site(text_site))
    shutil.rmtree(text_site / "results")
    anew = site_result(open_site(text_site))
    for one, two, three in zip(first.visits, kept.visits, anew.visits, strict=True):
        xr.testing.assert_identical(one.slices, two.slices)
        xr.testing.assert_identical(one.slices, three.slices)


def test_a_visit_that_does_not_fit_gives_the_same(text_site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = site_result(open_site(text_site))
    shutil.rmtree(text_site / "results")
    monkeypatch.setattr(lazy, "KEPT_BYTES", 0)
    monkeypatch.setattr(load, "KEPT_BYTES", 0)
    small = site_result(open_site(text_site))
    for one, two in zip(first.visits, small.visits, strict=True):
        xr.testing.assert_identical(one.slices, two.slices)
        for name in one.radargrams:
            xr.testing.assert_identical(one.radargrams[name], two.radargrams[name])


def test_a_damaged_half_done_line_is_made_again(text_site: Path) -> None:
    first = site_result(open_site(text_site))
    for path in (text_site / "results" / "cache").glob("*.npz"):
        path.write_bytes(b"")
    shutil.rmtree(text_site / "results" / "visits")
    again = site_result(open_site(text_site))
    assert list(again.visits[0].radargrams) == list(first.visits[0].radargrams)
    xr.testing.assert_identical(again.visits[0].slices, first.visits[0].slices)


def test_a_whole_file_without_samples_is_none(tmp_path: Path) -> None:
    np.savez(tmp_path / "key.npz", about=np.array("{}"))
    assert LineCache(tmp_path).get("key") is None


def keys(site: Path, visit: str = "day") -> dict[str, str]:
    opened = open_site(site)
    return dict(load.load_visit(opened, opened.visit(visit)).keys)


def test_a_raw_line_is_known_by_all_that_it_follows_from(text_site: Path) -> None:
    lines = text_site / "visits" / "day" / "lines"
    samples = np.loadtxt(lines / "L00.txt").T.astype("<f4")
    (lines / "L00.bin").write_bytes(samples.tobytes())
    described = 'samples = 128\ndtype = "float32"\nbyte_order = "little"\ninterval_ns = {}\n'
    (lines / "L00.bin.toml").write_text(described.format(0.4))
    table = text_site / "visits" / "day" / "lines.csv"
    table.write_text(table.read_text().replace("L00.txt", "L00.bin"))
    before = keys(text_site)
    (lines / "L00.bin.toml").write_text(described.format(0.8))
    after = keys(text_site)
    assert [name for name in before if before[name] != after[name]] == ["L00"]
    # The same files under another visit's name are that visit's lines.
    (text_site / "visits" / "day").rename(text_site / "visits" / "night")
    assert not set(keys(text_site, "night").values()) & set(after.values())


def test_a_file_that_no_row_names_is_found_though_its_name_is_part_of_another(text_site: Path) -> None:
    lines = text_site / "visits" / "day" / "lines"
    shutil.copy(lines / "L00.txt", lines / "0.txt")
    opened = open_site(text_site)
    said = load.load_visit(opened, opened.visit("day")).findings
    assert [Path(f.where).name for f in said if f.code == "file-without-row"] == ["0.txt"]


def test_a_step_for_pictures_that_refuses_leaves_the_run_whole(text_site: Path) -> None:
    recipe = recipe_to_toml(standard_recipe()) + '\n[[display]]\nstep = "topography"\n'
    (text_site / "recipe.toml").write_text(recipe)
    result = site_result(open_site(text_site))
    assert [f.code for f in result.findings if f.code == "display-refused"] == ["display-refused"]
    assert np.isfinite(result.visits[0].radargrams["L03"].values).all()


def test_steps_for_pictures_change_no_volume(text_site: Path) -> None:
    before = run_site(open_site(text_site), export=no_product, report=no_product)
    assert "volume day" in before.made
    text = recipe_to_toml(standard_recipe())
    (text_site / "recipe.toml").write_text(text.replace('step = "automatic_gain"', 'step = "cosine_phase"'))
    after = run_site(open_site(text_site), export=no_product, report=no_product)
    assert after.kept[:3] == ("lines day", "velocities day", "volume day")


def no_product(_result: object, path: Path) -> None:
    """What stands for the last two stages: the files that a run expects of them."""
    if path.is_dir():
        (path / "summary.json").write_text("{}")
    else:
        path.write_text("")
