"""The recipes that come with the package: found by name, sound on a typical line, run on a demo line."""

from __future__ import annotations

import hashlib
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from yewline.errors import SettingsError
from yewline.model import make_radargram
from yewline.recipe import (
    guard,
    list_recipes,
    recipe_from_toml,
    recipe_to_toml,
    run_after,
    run_before,
    run_display,
    shipped_recipe,
    standard_recipe,
)
from yewline.workspace import open_site
from yewline.workspace.demo import DEMO_SEED, write_demo
from yewline.workspace.load import load_lines
from yewline.workspace.site import read_site
from yewline.workspace.stage_lines import load_recipe

FREQUENCIES = {"low-frequency": 100.0, "middle-frequency": 270.0, "high-frequency": 700.0, "wet-clay": 200.0}
DOCS = Path(__file__).parents[2] / "docs" / "recipes.md"


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, xr.DataArray]]:
    """The demo site, and two of its lines: one whole, one with a gap."""
    folder = tmp_path_factory.mktemp("shipped") / "site"
    write_demo(folder, seed=DEMO_SEED)
    site = read_site(folder)
    return folder, load_lines(site, site.visits[0], ["A05", "A16"])


def typical_line(centre_mhz: float) -> xr.DataArray:
    """25 m, ten samples a period, walked at a nearly even pace."""
    rng = np.random.default_rng(2)
    x = np.cumsum(rng.uniform(0.048, 0.052, 500))
    period = 1e3 / centre_mhz
    t = 0.1 * period * np.arange(400)
    late = np.pi * (t - 3 * period) / period
    direct = (1 - 2 * late**2) * np.exp(-(late**2))
    attrs = {"centre_mhz": centre_mhz, "separation_m": 0.4 * 100.0 / centre_mhz, "line": "L01", "visit": "dry"}
    noise = 0.01 * rng.standard_normal((500, 400))
    return make_radargram(direct + noise, interval_ns=0.1 * period, x=x, y=0 * x, start_ns=-2.0, attrs=attrs)


def test_the_list_and_the_names_inside():
    names = list_recipes()
    assert names == ("standard", "dry-sand", "high-frequency", "low-frequency", "middle-frequency", "wet-clay")
    assert [shipped_recipe(name).name for name in names] == list(names)
    assert shipped_recipe("standard") is standard_recipe()


def test_the_standard_recipe_stays_as_it_is_byte_for_byte():
    text = resources.files("yewline.recipe").joinpath("standard.toml").read_bytes()
    # Made with `sha256sum`: the figures of every site without a recipe of its own rest on it.
    assert hashlib.sha256(text).hexdigest() == "c819a9796e0f822b38bb40bdd3c5dbad0cf186eb6dca29ed206055dacebbaa65"


@pytest.mark.parametrize("name", list_recipes())
def test_each_recipe_reads_back(name):
    recipe = shipped_recipe(name)
    assert recipe_from_toml(recipe_to_toml(recipe)) == recipe


@pytest.mark.parametrize("name", list_recipes())
def test_the_guard_has_nothing_to_say_of_them_on_a_typical_line(name):
    line = typical_line(FREQUENCIES.get(name, 400.0))
    assert guard(shipped_recipe(name), line, grave_length_m=2.1) == []
    assert guard(shipped_recipe(name), line, grave_length_m=2.1, grave_azimuth_deg=0.0) == []


@pytest.mark.parametrize("name", list_recipes())
def test_time_zero_follows_the_air_wave_and_filters_come_next(name):
    # Why: docs/recipes.md, "Time zero and filters".
    before = shipped_recipe(name).before
    at = [call.step for call in before].index("time_zero")
    assert before[at].parameters["pick"] == "correlation"
    assert [call.step for call in before[at + 1 : at + 3]] == ["dewow", "band_pass"]


@pytest.mark.parametrize("name", list_recipes())
def test_they_run_on_a_typical_line_of_their_frequency(name):
    line = typical_line(FREQUENCIES.get(name, 400.0))
    image = run_after(shipped_recipe(name), run_before(shipped_recipe(name), line), velocity_m_per_ns=0.09)
    assert image["time"].values[0] == 0.0
    assert np.isfinite(image.values).all()
    assert (image.values >= 0).all()


@pytest.mark.parametrize("name", list_recipes())
@pytest.mark.parametrize("line", ["A05", "A16"])
def test_they_run_on_a_demo_line(demo, name, line):
    recipe, recorded = shipped_recipe(name), demo[1][line]
    done = run_before(recipe, recorded, absorption_db_per_ns=0.3)
    image = run_after(recipe, done, velocity_m_per_ns=0.09)
    assert np.isfinite(image.values).all()
    assert image.sizes["trace"] == recorded.sizes["trace"]
    assert np.unique(image["segment"].values).tolist() == np.unique(recorded["segment"].values).tolist()
    assert image["x"].values == pytest.approx(recorded["x"].values, abs=1e-6)
    assert np.isfinite(run_display(recipe, done).values).all()


# The name in site.toml


def test_a_site_names_a_recipe(text_site):
    assert load_recipe(read_site(text_site)) is standard_recipe()
    settings = text_site / "site.toml"
    before = settings.read_text()
    settings.write_text('recipe = "wet-clay"\n' + before)
    assert load_recipe(read_site(text_site)) == shipped_recipe("wet-clay")
    (text_site / "recipe.toml").write_text('name = "own"\n[[before]]\nstep = "dewow"\n')
    assert load_recipe(read_site(text_site)).name == "own"
    assert isinstance(open_site(text_site).settings.recipe, str)


@pytest.mark.parametrize(
    ("name", "advice"),
    [
        ("wet-caly", r"Did you mean 'wet-clay'\?"),
        ("xyz", "Known: standard, dry-sand, .*wet-clay; or write a recipe.toml"),
    ],
)
def test_a_name_that_is_not_known_is_refused_with_the_nearest(text_site, name, advice):
    settings = text_site / "site.toml"
    settings.write_text(f'recipe = "{name}"\n' + settings.read_text())
    said = rf"site\.toml, recipe: no such recipe comes with yewline \(received '{name}'\)\. {advice}"
    with pytest.raises(SettingsError, match=said):
        load_recipe(read_site(text_site))
    # Also where a file of the site's own would go before it: the name is a slip all the same.
    (text_site / "recipe.toml").write_text('name = "own"\n[[before]]\nstep = "dewow"\n')
    with pytest.raises(SettingsError, match=said):
        load_recipe(read_site(text_site))
    with pytest.raises(SettingsError, match="no such recipe comes with yewline"):
        shipped_recipe(name)


def test_every_recipe_is_in_the_documents():
    page = DOCS.read_text(encoding="utf-8")
    for name in list_recipes():
        assert f"`{name}`" in page
