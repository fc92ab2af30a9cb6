"""The page on processing against the code and the pictures: each step has one, none is left over, none is large."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from PIL import Image

from yewline.recipe import STEPS

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
PAGE = (DOCS / "processing.md").read_text(encoding="utf-8")
PICTURES = sorted((DOCS / "pictures").glob("*.png"))
LARGEST_KB, ALL_KB = 60, 2500


@pytest.mark.parametrize("step", [step.name for step in STEPS])
def test_every_step_has_a_section_and_a_picture(step: str):
    heading = re.search(rf"^### .* · `{step}`\n(.*?)(?=^##)", PAGE, flags=re.DOTALL | re.MULTILINE)
    assert heading is not None
    assert f"](pictures/{step}.png)" in heading[1]
    assert (DOCS / "pictures" / f"{step}.png").is_file()


def test_headings_are_the_titles_of_the_registry():
    told = dict(re.findall(r"^### (.*) · `(\w+)`$", PAGE, flags=re.MULTILINE))
    assert {name: title for title, name in told.items()} == {step.name: step.title for step in STEPS}


def test_every_parameter_that_the_page_names_is_one_of_a_step():
    known = {name for step in STEPS for name in step.function.__kwdefaults__ or {}} | {step.name for step in STEPS}
    units = re.findall(r"`(\w+_(?:ns|m|mhz|db|deg|traces|scale))`", PAGE)
    assert len(units) > 10
    assert set(units) <= known


def test_every_picture_is_shown_somewhere():
    pages = [ROOT / "README.md", *DOCS.glob("*.md")]
    shown = {
        (page.parent / target).resolve()
        for page in pages
        for target in re.findall(r"!\[[^\]]+\]\(([^)]+\.png)\)", page.read_text(encoding="utf-8"))
    }
    there = {path.resolve() for path in DOCS.rglob("*.png")}
    assert there - shown == set()
    assert {path for path in shown if DOCS.resolve() in path.parents} - there == set()


def test_the_page_is_linked():
    assert "docs/processing.md" in (ROOT / "README.md").read_text(encoding="utf-8")
    assert "processing.md" in (DOCS / "recipes.md").read_text(encoding="utf-8")


def test_pictures_are_small_and_whole():
    sizes = {path.name: path.stat().st_size for path in PICTURES}
    assert len(sizes) >= len(STEPS)
    assert {name: size for name, size in sizes.items() if size > 1000 * LARGEST_KB} == {}
    assert sum(sizes.values()) < 1000 * ALL_KB
    for path in PICTURES:
        with Image.open(path) as picture:
            picture.load()
            assert (picture.width, picture.mode) == (1000, "P")
            assert len(picture.getcolors() or []) > 8
