"""The site folder on disk: its settings and visits. Raw files are opened read-only; only `results/` is written."""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from yewline.errors import SiteError, YewlineError
from yewline.model import Finding, SiteSettings, VisitSettings, read_settings, read_toml

__all__ = ["Site", "Visit", "calibration_files", "places_inside", "rain_files", "read_site"]

OUTLINE_STEMS = ("area", "obstacles", "burials", "opened")
SURVEY_STEMS = ("elevation", "pegs", "peg_distances")
PLACE_STEMS = ("fiducials", "trace_times", "target_passes")
"""Tables about places, of the site and of a visit."""
OUTLINE_SUFFIXES = (".gpkg", ".geojson", ".shp", ".csv")


def calibration_files(folder: Path) -> list[Path]:
    """`calibration.csv` of a visit or of the site: pairs of moisture readings and samples; none or one."""
    return [path for path in (folder / "calibration.csv",) if path.is_file()]


def rain_files(folder: Path) -> list[Path]:
    """Rain of a visit or of the site, `rain.csv` or `rain.xlsx`; also both, where there is one too many."""
    return [path for suffix in (".csv", ".xlsx") if (path := folder / f"rain{suffix}").is_file()]


@dataclass(frozen=True)
class Visit:
    """One visit's folder: its name, path and settings."""

    name: str
    path: Path
    settings: VisitSettings

    @property
    def readings_path(self) -> Path | None:
        """`readings.csv` or `readings.xlsx`; None where the visit has no readings."""
        there = self.readings_paths
        if len(there) > 1:
            raise SiteError(
                "two files of readings", where=f"visits/{self.name}", do="keep one of readings.csv and readings.xlsx"
            )
        return there[0] if there else None

    @property
    def readings_paths(self) -> list[Path]:
        """All files of readings that are there, also where there is one too many."""
        return [path for suffix in (".csv", ".xlsx") if (path := self.path / f"readings{suffix}").is_file()]


@dataclass(frozen=True)
class Site:
    """A site folder: its root, settings and visits, in the order of their dates."""

    root: Path
    settings: SiteSettings
    visits: tuple[Visit, ...]

    def visit(self, name: str) -> Visit:
        """The visit called `name`.

        Raises
        ------
        SiteError : there is no such visit; the message names those that there are.
        """
        for visit in self.visits:
            if visit.name == name:
                return visit
        known = ", ".join(visit.name for visit in self.visits) or "none"
        raise SiteError(f"no visit called {name!r}", where="visits", do=f"visits here: {known}")

    @property
    def results(self) -> Path:
        """Where a run writes; safe to delete."""
        return self.root / "results"

    def results_of(self, visit: str) -> Path:
        """Where a run keeps the lines and the volume of one visit."""
        return self.results / "visits" / visit

    def outline_path(self, stem: str) -> Path | None:
        """The file of outlines called `stem` (burials, opened, area, obstacles), in whichever format it is."""
        there = self.outline_paths(stem)
        if len(there) > 1:
            names = ", ".join(path.name for path in there)
            raise SiteError(f"more than one file of {stem}", where=there[0].name, received=names, do="keep one")
        return there[0] if there else None

    def outline_paths(self, stem: str) -> list[Path]:
        """All files of outlines called `stem`, also where there is one too many."""
        return [path for suffix in OUTLINE_SUFFIXES if (path := self.root / f"{stem}{suffix}").is_file()]

    def strays(self) -> list[Finding]:
        """Warnings of what nothing reads: folders of visits without settings, and files with a name not known here."""
        text, do = "the folder has no visit.toml: it is not taken for a visit", "write one, or move the folder away"
        findings = [
            Finding("warning", "visit-without-settings", text, where=f"visits/{path.name}", do=do)
            for path in sorted((self.root / "visits").glob("*/"))
            if not (path / "visit.toml").is_file()
        ]
        folders: list[tuple[Path, tuple[str, ...]]] = [
            (self.root, ("site", "recipe", "readme", "calibration", "rain", *SURVEY_STEMS, *OUTLINE_STEMS))
        ]
        folders += [
            (visit.path, ("visit", "lines", "readings", "calibration", "rain", *PLACE_STEMS)) for visit in self.visits
        ]
        for folder, known in folders:
            for path in sorted(folder.iterdir()):
                stem = path.name.lower().split(".")[0]
                if path.is_dir() or not stem or stem in known:
                    continue
                near = difflib.get_close_matches(stem, known, n=1, cutoff=0.6)
                do = f"did you mean '{near[0]}{path.suffix}'?" if near else "its name is none that is read"
                text = "the file is not read"
                findings.append(Finding("warning", "file-not-read", text, where=self.relative(path), do=do))
        return findings

    def relative(self, path: Path) -> str:
        """A path as text relative to the site folder, for messages and provenance."""
        return path.relative_to(self.root).as_posix() if path.is_relative_to(self.root) else path.name

    def inside(self, finding: Finding) -> Finding:
        """The same finding with its place relative to the site folder: no path of this machine."""
        where = _inside(self.root, finding.where)
        return finding if where == finding.where else replace(finding, where=where)


@contextmanager
def places_inside(root: Path) -> Iterator[None]:
    """Errors raised in the block name their place relative to the site folder: no path of this machine."""
    try:
        yield
    except YewlineError as error:
        where = None if error.where is None else _inside(root, error.where)
        if where == error.where:
            raise
        raise type(error)(error.problem, where=where, received=error.received, do=error.do) from error


def _inside(root: Path, where: str) -> str:
    for folder in (root.resolve(), root):
        where = where.replace(f"{folder}/", "")
    return where


def read_site(folder: str | Path) -> Site:
    """Read `site.toml` and each visit's `visit.toml`, nothing else.

    Raises
    ------
    SiteError : the folder is missing, or has no visits.
    SettingsError : a settings file has an unknown key or a value that cannot be used.
    """
    root = Path(folder)
    if not root.is_dir():
        raise SiteError("no such folder", where=str(folder), do="make one with `yewline new`")
    if not (root / "site.toml").is_file():
        raise SiteError("not a site folder: there is no site.toml", where=str(folder), do="make one with `yewline new`")
    with places_inside(root):
        settings = read_settings(SiteSettings, read_toml(root / "site.toml"), "site.toml")
        visits = []
        for path in sorted((root / "visits").glob("*/visit.toml")):
            where = path.relative_to(root).as_posix()
            visits.append(Visit(path.parent.name, path.parent, read_settings(VisitSettings, read_toml(path), where)))
    if not visits:
        raise SiteError(
            "no visits", where=str(folder), do="put each day's survey into visits/NAME/ with a visit.toml of its own"
        )
    return Site(root, settings, tuple(sorted(visits, key=lambda visit: (visit.settings.date, visit.name))))
