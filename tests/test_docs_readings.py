"""docs/readings.md against the code: every example is read, every column and setting is listed."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from yewline.formats.reading_headings import PLAIN_COLUMNS
from yewline.model import READING_QUANTITIES, ReadingSettings
from yewline.workspace.site import read_site
from yewline.workspace.stage_ground import load_readings

PAGE = (Path(__file__).parents[1] / "docs" / "readings.md").read_text()
BLOCK = re.compile(
    r"^```(?:csv|toml) (readings\.csv|calibration\.csv|visit\.toml)\n(.*?)^```", re.DOTALL | re.MULTILINE
)


def examples() -> list[list[tuple[str, str]]]:
    """Blocks of the page, a new example at each table of readings."""
    held: list[list[tuple[str, str]]] = []
    for name, content in BLOCK.findall(PAGE):
        if name == "readings.csv":
            held.append([])
        held[-1].append((name, content))
    return held


# What each example gives, in the order of the page: (x, y, m³/m³) of its first reading, and how many there are. That of
# the samples is SciPy's orthogonal distance regression, repeated until the slope that the error rests on stays.
GIVEN = [
    ((0, 0, 0.215), 2),
    ((0, 0, 0.28), 1),
    ((2, 3, 0.21), 3),
    ((0, 10, 0.205), 8),
    ((0, 0, 0.212), 2),
    ((0, 0, 0.15998), 2),
    ((0, 0, 0.2903), 2),
]


def site_with(root: Path, blocks: list[tuple[str, str]]) -> Path:
    visit = root / "visits" / "day"
    (visit / "lines").mkdir(parents=True)
    (root / "site.toml").write_text('name = "Invented ground"\n')
    (visit / "lines.csv").write_text("line,file,x0,y0,x1,y1\nL1,a.sgy,2,3,2,13\n")
    settings = "date = 2031-05-14\n[antenna]\ncentre_mhz = 400\n[readings]\n"
    for name, content in blocks:
        if name == "visit.toml":
            settings += content
        else:
            (visit / name).write_text(content)
    (visit / "visit.toml").write_text(settings)
    return root


@pytest.mark.parametrize(("blocks", "given"), list(zip(examples(), GIVEN, strict=True)))
def test_every_example_is_read(tmp_path: Path, blocks: list[tuple[str, str]], given):
    site = read_site(site_with(tmp_path, blocks))
    readings, _, findings = load_readings(site, site.visits[0], None)
    first, n = given
    assert readings is not None, findings
    assert len(readings) == n
    assert readings.loc[0, ["x", "y"]].tolist() == list(first[:2])
    assert readings.loc[0, "vwc"] == pytest.approx(first[2], abs=5e-5)


@pytest.mark.parametrize("name", [*PLAIN_COLUMNS, *READING_QUANTITIES, *ReadingSettings.model_fields])
def test_every_column_and_setting_is_listed(name: str):
    tables = [line for line in PAGE.splitlines() if line.startswith("| `")]
    assert any(f"`{name}`" in line.split("|")[1] for line in tables)
