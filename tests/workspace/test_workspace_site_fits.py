"""What is fitted once a site: the same for all visits, in the order in which steps need it."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from yewline.model import provenance_steps
from yewline.progress import SILENT
from yewline.recipe import recipe_from_toml
from yewline.workspace import open_site
from yewline.workspace.line_cache import LineCache
from yewline.workspace.site_fits import SiteFits, fit_before, fitted_steps
from yewline.workspace.stage_lines import make_lines

STEPS = "time_zero", "background_removal", "q_compensation", "compensate"
RECIPE = 'name = "test"\n' + "".join(f'[[before]]\nstep = "{step}"\n' for step in STEPS)


def fading(seed: int, q_star: float) -> np.ndarray:
    """(61, 128) a direct pulse, then reflectors at random times whose spectrum loses exp(-π f t / Q*)."""
    rng = np.random.default_rng(seed)
    f = np.fft.rfftfreq(512, 0.4e-9)
    pulse = (f / 400e6) ** 2 * np.exp(-((f / 400e6) ** 2))
    when = rng.uniform(0.0, 60e-9, 90)
    spectra = rng.normal(size=(61, 90)) @ (
        np.exp(-np.pi * f * when[:, None] / q_star) * np.exp(-2j * np.pi * f * (when[:, None] + 4e-9))
    )
    direct = 30.0 * np.exp(-2j * np.pi * f * 4e-9)
    return np.fft.irfft((spectra + direct) * pulse, 512)[:, :128] + rng.normal(0, 1e-4, (61, 128))


def two_visits(root: Path, q_stars: tuple[float, float]) -> None:
    shutil.copytree(root / "visits" / "day", root / "visits" / "later")
    toml = root / "visits" / "later" / "visit.toml"
    toml.write_text(toml.read_text().replace("2031-04-01", "2031-09-01"))
    for visit, q_star in zip(("day", "later"), q_stars, strict=True):
        for n in range(15):
            samples = fading(100 * n + len(visit), q_star)
            np.savetxt(root / "visits" / visit / "lines" / f"L{n:02d}.txt", samples.T, fmt="%.6f", delimiter="\t")


def made(root: Path, recipe: str = RECIPE):
    cache = LineCache(root / "results" / "cache")
    return make_lines(open_site(root), recipe_from_toml(recipe, "recipe.toml"), cache=cache, progress=SILENT)


def used(line, step: str) -> dict:
    (entry,) = [each for each in provenance_steps(line) if each["step"] == step]
    return entry["parameters"]


def test_one_q_star_for_all_visits_and_the_rate_after_it(text_site: Path):
    """Planted 20 on both days: found within three of its own standard deviations, and the same on every line."""
    two_visits(text_site, (20.0, 20.0))
    visits = made(text_site)
    values = {used(line, "q_compensation")["q_star"] for lines, _ in visits.values() for line in lines.values()}
    assert len(values) == 1
    (finding,) = [f for _, said in visits.values() for f in said if f.code == "q-star"]
    assert "fitted once over 30 lines of all visits" in finding.text
    sigma = float(finding.received.split("±")[1].split("(")[0])
    assert abs(values.pop() - 20.0) < 3 * max(sigma, 1.0)
    rates = {
        used(line, "compensate")["absorption_db_per_ns"] for lines, _ in visits.values() for line in lines.values()
    }
    assert len(rates) == 1


def test_where_nothing_fades_faster_nothing_is_lifted(text_site: Path):
    two_visits(text_site, (1e9, 1e9))
    visits = made(text_site)
    assert {used(line, "q_compensation")["q_star"] for line in visits["day"][0].values()} == {None}
    (finding,) = [f for _, said in visits.values() for f in said if f.code == "q-star"]
    assert "not compensated" in finding.text


def test_a_stated_q_star_is_not_fitted(text_site: Path):
    stated = RECIPE.replace('"q_compensation"\n', '"q_compensation"\nq_star = 33.0\n')
    assert [recipe_from_toml(stated, "").before[at].step for at in fitted_steps(recipe_from_toml(stated, ""))] == [
        "compensate"
    ]
    lines, said = made(text_site, stated)["day"]
    assert used(lines["L03"], "q_compensation")["q_star"] == 33.0
    assert [f for f in said if f.code == "q-star"] == []


def test_a_recipe_that_needs_no_fit_runs_through(text_site: Path):
    lines, _ = made(text_site, 'name = "test"\n[[before]]\nstep = "dewow"\n')["day"]
    assert len(lines) == 15
    assert "line_key" in lines["L03"].attrs


def test_a_changed_step_after_the_second_fit_keeps_the_first(text_site: Path, monkeypatch: pytest.MonkeyPatch):
    two_visits(text_site, (20.0, 20.0))
    made(text_site)
    puts: list[str] = []
    put = LineCache.put
    monkeypatch.setattr(LineCache, "put", lambda self, key, line: (puts.append(key), put(self, key, line))[1])
    made(text_site, RECIPE.replace('"compensate"\n', '"compensate"\nspreading_power = 0.5\n'))
    assert len(puts) == 30


def test_without_lines_nothing_is_fitted():
    call = recipe_from_toml(RECIPE, "").before[2]
    assert fit_before(call, SiteFits(), []) == (SiteFits(), [])
