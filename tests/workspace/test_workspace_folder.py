"""The site folder: made, opened, refused; stages kept and made again; radargrams through Zarr and back."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from yewline.errors import SettingsError, SiteError
from yewline.model import Finding, make_radargram
from yewline.workspace import open_site
from yewline.workspace.cache import StageCache, write_atomically
from yewline.workspace.inputs import hash_inputs
from yewline.workspace.new import write_new_site
from yewline.workspace.store import load_radargrams, save_radargrams


def test_a_new_site_opens_as_it_was_written(tmp_path: Path):
    written = write_new_site(tmp_path / "ground")
    assert all(path.is_file() for path in written)
    site = open_site(tmp_path / "ground")
    assert [visit.name for visit in site.visits] == ["first-visit"]
    assert site.settings.primary.threshold == 3.0
    assert "visits/first-visit/lines.csv" in hash_inputs(site)


def test_a_new_site_overwrites_nothing(tmp_path: Path):
    (tmp_path / "mine.txt").write_text("keep")
    with pytest.raises(SiteError, match="the folder exists and is not empty"):
        write_new_site(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_commented_keys_of_the_new_site_are_real_keys(tmp_path: Path):
    """Every commented setting works when the # is taken away."""
    write_new_site(tmp_path / "ground")
    for name in ("site.toml", "visits/first-visit/visit.toml"):
        path = tmp_path / "ground" / name
        lines = path.read_text().splitlines()
        # A comment line that holds "key = value", or part of a commented table, is a setting.
        uncommented = [
            line.removeprefix("# ")
            if line.startswith(("# [[", "#   {", "# ]")) or (line.startswith("# ") and " = " in line)
            else line
            for line in lines
        ]
        path.write_text("\n".join(uncommented))
    site = open_site(tmp_path / "ground")
    assert site.settings.frame.epsg == 32630
    assert len(site.settings.frame.control) == 2
    assert site.settings.grids[0].name == "A"
    assert site.visits[0].settings.recording.interval_unit == "ps"


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda root: None, "no such folder"),
        (lambda root: root.mkdir(), "not a site folder: there is no site.toml"),
        (lambda root: (root.mkdir(), (root / "site.toml").write_text("name = 'x'")), "no visits"),
    ],
)
def test_what_is_no_site_is_refused(tmp_path: Path, make, said):
    make(tmp_path / "ground")
    with pytest.raises(SiteError, match=said):
        open_site(tmp_path / "ground")


def test_a_fault_in_a_visit_names_its_file(tmp_path: Path):
    write_new_site(tmp_path / "ground")
    toml = tmp_path / "ground" / "visits" / "first-visit" / "visit.toml"
    toml.write_text(toml.read_text().replace("centre_mhz", "center_mhz"))
    with pytest.raises(
        SettingsError, match=r"visits/first-visit/visit\.toml: unknown key 'antenna\.center_mhz'.*'centre_mhz'"
    ):
        open_site(tmp_path / "ground")


def test_unknown_visit_and_doubled_files_are_refused(tmp_path: Path):
    write_new_site(tmp_path / "ground")
    site = open_site(tmp_path / "ground")
    with pytest.raises(SiteError, match=r"no visit called 'x'.*first-visit"):
        site.visit("x")
    (site.root / "burials.geojson").write_text("{}")
    with pytest.raises(
        SiteError, match=r"^burials.geojson: more than one file .* .received burials.geojson, burials.csv"
    ):
        site.outline_path("burials")
    (site.visits[0].path / "readings.xlsx").write_bytes(b"")
    with pytest.raises(SiteError, match="^visits/first-visit: two files of readings"):
        _ = site.visits[0].readings_path


def test_a_stage_is_done_once_for_each_key(tmp_path: Path):
    product = tmp_path / "product.txt"
    done = []

    def make() -> None:
        done.append(1)
        product.write_text("x")

    assert StageCache(tmp_path).do("a", "key 1", [product], make)
    assert not StageCache(tmp_path).do("a", "key 1", [product], make)
    assert StageCache(tmp_path).do("a", "key 2", [product], make)
    product.unlink()
    assert StageCache(tmp_path).do("a", "key 2", [product], make)
    assert len(done) == 3


def test_a_stage_whose_files_are_damaged_is_done_again(tmp_path: Path):
    """Counted are the files of a folder, and files that the stage says it made."""
    folder, beside = tmp_path / "volume", tmp_path / "table.csv"
    folder.mkdir()

    def make() -> list[Path]:
        (folder / "part").write_text("whole")
        beside.write_text("whole")
        return [beside]

    for spoil in (lambda: None, (folder / "part").unlink, beside.unlink, lambda: beside.write_text("cut")):
        spoil()
        assert StageCache(tmp_path).do("a", "1", [folder], make)
        assert not StageCache(tmp_path).do("a", "1", [folder], make)


def test_an_interrupted_stage_counts_as_not_done(tmp_path: Path):
    product = tmp_path / "product.txt"
    product.write_text("old")
    cache = StageCache(tmp_path)
    cache.do("a", "1", [product], lambda: None)

    def stop() -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        StageCache(tmp_path).do("a", "2", [product], stop)
    assert not StageCache(tmp_path).is_fresh("a", "1", [product])
    assert not StageCache(tmp_path).is_fresh("a", "2", [product])


def test_keys_that_cannot_be_read_count_as_none(tmp_path: Path):
    (tmp_path / "stages.json").write_text('{"a": ')
    assert StageCache(tmp_path).do("a", "1", [], lambda: None)
    assert json.loads((tmp_path / "stages.json").read_text()) == {"a": {"key": "1", "files": {}}}
    StageCache(tmp_path).forget_others({"b"})
    assert json.loads((tmp_path / "stages.json").read_text()) == {}


def test_a_write_that_fails_leaves_the_old_file(tmp_path: Path):
    path = tmp_path / "a.txt"
    path.write_text("old")

    def fail(partial: Path) -> None:
        partial.write_text("half")
        raise OSError("disk full")

    with pytest.raises(OSError, match="disk full"):
        write_atomically(path, fail)
    assert path.read_text() == "old"
    write_atomically(path, lambda partial: partial.write_text("new"))
    assert path.read_text() == "new"


def address(line: int, n_trace: int, n_time: int, interval: float):
    """A radargram whose values encode their own address."""
    trace, sample = np.mgrid[:n_trace, :n_time]
    return make_radargram(
        line * 1e4 + trace * 100 + sample,
        interval_ns=interval,
        x=np.arange(n_trace) * 0.1,
        y=np.full(n_trace, line, float),
        segment=np.arange(n_trace) // 3,
        attrs={"line": f"L{line}", "centre_mhz": 400.0},
    )


def test_radargrams_come_back_as_they_were(tmp_path: Path):
    lines = {"L2": address(2, 5, 4, 0.25), "L1": address(1, 3, 4, 0.25), "L3": address(3, 2, 6, 0.5)}
    findings = [Finding("warning", "x", "looks odd", line="L1")]
    for name in ("a", "b"):
        save_radargrams(tmp_path / f"{name}.zarr", lines, findings)
    back, said = load_radargrams(tmp_path / "a.zarr")
    assert list(back) == ["L2", "L1", "L3"]
    assert said == findings
    for line, radargram in lines.items():
        assert back[line].identical(radargram)
    files = sorted(p.relative_to(tmp_path / "a.zarr") for p in (tmp_path / "a.zarr").rglob("*") if p.is_file())
    assert all((tmp_path / "a.zarr" / f).read_bytes() == (tmp_path / "b.zarr" / f).read_bytes() for f in files)
