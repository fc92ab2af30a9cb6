"""Every file that a site's results depend on, with its SHA-256."""

from __future__ import annotations

from pathlib import Path

from yewline.errors import SiteError
from yewline.model import file_sha256
from yewline.progress import SILENT, Progress
from yewline.workspace.places import place_files, track_files
from yewline.workspace.site import Site, Visit, calibration_files, rain_files

__all__ = ["hash_inputs", "inputs_of_visit"]

_STEMS = ("area", "obstacles", "burials", "opened")


def hash_inputs(site: Site, *, progress: Progress = SILENT) -> dict[str, str]:
    """Path relative to the site folder to SHA-256, of every input file, in order of path; all opened read-only.

    Raises
    ------
    SiteError : a file cannot be opened.
    """
    paths = [site.root / "site.toml"]
    if (site.root / "recipe.toml").is_file():
        paths.append(site.root / "recipe.toml")
    # One file too many is for whoever reads it to refuse; its bytes count all the same.
    paths += [part for stem in _STEMS for path in site.outline_paths(stem) for part in _with_sidecars(path)]
    paths += sorted(path for path in (site.root / "marks").glob("*") if path.suffix in {".geojson", ".jsonl"})
    paths += [*place_files(site), *calibration_files(site.root), *rain_files(site.root)]
    for visit in site.visits:
        paths += inputs_of_visit(visit)
    return {site.relative(path): _sha256(site, path) for path in progress.over(sorted(paths), "read inputs")}


def _sha256(site: Site, path: Path) -> str:
    try:
        return file_sha256(path)
    except OSError as error:
        problem = f"the file cannot be opened: {error.strerror}"
        raise SiteError(problem, where=site.relative(path), do="check who may read it") from error


def inputs_of_visit(visit: Visit) -> list[Path]:
    """The files of one visit that its results depend on."""
    paths = [visit.path / "visit.toml"]
    if (visit.path / "lines.csv").is_file():
        paths.append(visit.path / "lines.csv")
    paths += [*track_files(visit), *visit.readings_paths, *calibration_files(visit.path), *rain_files(visit.path)]
    recorded = [path for part in ("lines", "gathers") for path in (visit.path / part).rglob("*") if path.is_file()]
    return paths + sorted(recorded)


def _with_sidecars(path: Path) -> list[Path]:
    """A shapefile is several files; the others are one."""
    if path.suffix != ".shp":
        return [path]
    return sorted(
        part for part in path.parent.glob(f"{path.stem}.*") if part.suffix in {".shp", ".dbf", ".prj", ".shx"}
    )
