"""The docs against the code: the worked script runs, and every command, step and setting is written of."""

from __future__ import annotations

import re
from pathlib import Path

import matplotlib as mpl
import pytest

from yewline.cli import app
from yewline.model import SiteSettings, VisitSettings
from yewline.recipe import STEPS, step_table
from yewline.workspace import prepare_demo

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text()
COMMANDS = [command.callback.__name__ for command in app.registered_commands]


def test_the_worked_script_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]):
    text = (ROOT / "docs" / "scripting.md").read_text()
    blocks = re.findall(r"^```python\n(.*?)^```", text, flags=re.DOTALL | re.MULTILINE)
    assert len(blocks) >= 6
    mpl.use("agg")
    monkeypatch.chdir(tmp_path)
    prepare_demo(Path("yewline-demo"))
    exec(compile("\n".join(blocks), "docs/scripting.md", "exec"), {"__name__": "docs"})
    told = capsys.readouterr().out
    assert "m/ns" in told
    assert "to the nearest known burial" in told


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_stands_in_the_readme(command: str):
    assert f"yewline {command}" in README or f"`{command}`" in README


def test_the_readme_names_no_command_that_is_not_there():
    for command in re.findall(r"yewline ([a-z]+)\b", " ".join(re.findall(r"`[^`]*`", README))):
        assert command in COMMANDS


def test_the_page_of_steps_is_that_of_the_code():
    """docs/recipes.md holds the table that the code makes: `python -m yewline.recipe` would be one more command."""
    page = (ROOT / "docs" / "recipes.md").read_text()
    assert step_table().strip() in page
    assert all(step.name in page for step in STEPS)


@pytest.mark.parametrize(("template", "settings"), [("site.toml", SiteSettings), ("visit.toml", VisitSettings)])
def test_every_setting_is_in_the_commented_folder(template: str, settings: type):
    """A surveyor learns of a setting from the file that `yewline new` writes."""
    text = (ROOT / "src" / "yewline" / "workspace" / "new_site" / template).read_text()

    def keys(model: type) -> set[str]:
        found = set()
        for name, field in model.model_fields.items():
            found.add(name)
            if isinstance(field.annotation, type) and hasattr(field.annotation, "model_fields"):
                found |= keys(field.annotation)
        return found

    missing = {key for key in keys(settings) if not re.search(rf"\b{key}\b", text)}
    assert not missing
