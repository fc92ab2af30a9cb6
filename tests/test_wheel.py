"""A built wheel, installed outside the checkout, does the whole demo; and what it imports is what it declares."""

from __future__ import annotations

import ast
import json
import os
import re
import subprocess
import sys
import sysconfig
import tomllib
import venv
import zipfile
from importlib import metadata
from pathlib import Path

import jsonschema
import pytest

ROOT = Path(__file__).parents[1]


def distribution(name: str) -> str:
    return re.sub(r"[-_.]+", "-", re.split(r"[\s<>=!~\[;]", name)[0]).lower()


def test_every_library_imported_is_declared():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    declared = {distribution(name) for name in project["dependencies"]}
    providers = metadata.packages_distributions()
    used: dict[str, str] = {}
    for path in sorted((ROOT / "src").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            names = (
                [alias.name for alias in node.names]
                if isinstance(node, ast.Import)
                else [node.module or ""]
                if isinstance(node, ast.ImportFrom)
                else []
            )
            used |= {name.split(".")[0]: path.name for name in names}
    third = {name: where for name, where in used.items() if name not in sys.stdlib_module_names | {"yewline"}}
    missing = {
        f"{name} (in {where})"
        for name, where in third.items()
        if not {distribution(d) for d in providers.get(name, ["?"])} & declared
    }
    assert not missing


def test_every_pinned_version_is_a_name_and_a_version():
    lines = [line for line in (ROOT / "constraints.txt").read_text().splitlines() if not line.startswith("#")]
    assert len(lines) > 50
    assert all(re.fullmatch(r"[A-Za-z0-9_.-]+==[A-Za-z0-9_.!+-]+", line) for line in lines)
    pinned = {distribution(line) for line in lines}
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = [name for names in project["optional-dependencies"].values() for name in names]
    wanted = {distribution(name) for name in [*project["dependencies"], *extras]}
    assert wanted <= pinned


@pytest.mark.wheel
def test_the_wheel_runs_the_demo_in_an_environment_of_its_own(tmp_path: Path):
    build = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(tmp_path), str(ROOT)]
    subprocess.run(build, check=True, capture_output=True)
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
    assert "yewline/recipe/standard.toml" in names
    assert "yewline/workspace/run.schema.json" in names
    assert "yewline/simulation/scenes/shipped/row-of-graves.toml" in names
    assert not [name for name in names if name.endswith((".nbi", ".nbc", ".pyc"))]

    venv.create(tmp_path / "env", with_pip=False, symlinks=True)
    python = tmp_path / "env" / "bin" / "python"
    site = Path(sysconfig.get_path("purelib", vars={"base": str(tmp_path / "env")}))
    # Libraries are borrowed from this environment; a plain path in a .pth file does not bring its editable install.
    (site / "libraries.pth").write_text(sysconfig.get_path("purelib") + "\n")
    install = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index"]
    subprocess.run([*install, "--target", str(site), str(wheel)], check=True, capture_output=True)

    outside = tmp_path / "outside"
    outside.mkdir()
    clean = {key: value for key, value in os.environ.items() if not key.startswith(("PYTHON", "COV"))}
    where = [str(python), "-c", "import yewline; print(yewline.__file__)"]
    found = subprocess.run(where, cwd=outside, env=clean, capture_output=True, text=True, check=True).stdout
    assert Path(found.strip()).is_relative_to(tmp_path / "env")

    demo = [str(python), "-m", "yewline", "demo", "ground", "--json"]
    ran = subprocess.run(demo, cwd=outside, env=clean, capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stderr
    figures = json.loads(ran.stdout)
    schema = json.loads((ROOT / "src" / "yewline" / "workspace" / "run.schema.json").read_text())
    jsonschema.validate(figures, schema)
    assert len(figures["visits"]) == 2
    assert (outside / figures["report"]).is_file()
