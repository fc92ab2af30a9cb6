"""The main job: whatever is stale, from raw lines to the report, stage by stage."""

from __future__ import annotations

import json
import os
import re
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import xarray as xr

from yewline.errors import SiteError
from yewline.geostat import one_blas_thread
from yewline.model import digest, version
from yewline.progress import SILENT, Progress
from yewline.recipe import Recipe, recipe_digest
from yewline.volume import compare_volumes
from yewline.workspace.cache import PARTIAL, StageCache, write_atomically
from yewline.workspace.gather import gather_result
from yewline.workspace.inputs import hash_inputs
from yewline.workspace.line_cache import LineCache
from yewline.workspace.outcome import Outcome
from yewline.workspace.results import SiteResult, left_out_sentences
from yewline.workspace.site import Site
from yewline.workspace.stage_lines import load_recipe, make_lines
from yewline.workspace.stage_velocity import (
    drawn_hyperbolas,
    load_recorded,
    recorded_velocities,
    save_recorded,
)
from yewline.workspace.stage_volume import make_visit_volume
from yewline.workspace.store import load_radargrams, load_volume, save_radargrams, save_volume
from yewline.workspace.survey_frame import Products, SurveyFrame, survey_frame
from yewline.workspace.truth import check_frame

__all__ = ["run_site", "site_result"]

# What the figures rest on besides the lines themselves; a change of these leaves lines and volumes as they are.
_ONLY_FOR_SCORES = ("burials.", "opened.", "marks/")


def _is_rain(name: str) -> bool:
    """Whether a file is the rain of the site or of a visit, which no line, velocity or volume rests on."""
    return re.fullmatch(r"(visits/[^/]+/)?rain\.(csv|xlsx)", name) is not None


def _beside_lines(name: str) -> bool:
    """Whether a visit's file has no part in its lines."""
    return _is_rain(name) or any(part in name for part in ("/readings.", "/calibration.", "/gathers/"))


def run_site(
    site: Site,
    *,
    export: Callable[[SiteResult, Path], object],
    report: Callable[[SiteResult, Path], object],
    progress: Progress = SILENT,
) -> Outcome:
    """Do whatever is stale in a site and tell what was done.

    Parameters
    ----------
    site : an opened site folder.
    export, report : the last two stages, handed in by the faces that own them: `yewline.export.write_results` and
        `yewline.report.write_report`.

    Raises
    ------
    SiteError : nothing can be run: no visit has a usable line and a velocity, or results cannot be written.
    SettingsError, FrameError : the recipe, the primary slice or the frame cannot be used.
    """
    # Matrices of a run are small and many, and lines go side by side: products on several threads would only wait.
    with _system_refusals(site), one_blas_thread():
        return _Run(site, progress).do(export, report)


def site_result(site: Site, *, progress: Progress = SILENT) -> SiteResult:
    """Do whatever is stale up to the volumes, then outline, score and compare; nothing is exported.

    Raises
    ------
    SiteError : nothing can be run: no visit has a usable line and a velocity.
    """
    with _system_refusals(site), one_blas_thread():
        return _Run(site, progress).result()


@contextmanager
def _system_refusals(site: Site) -> Iterator[None]:
    """What the operating system refuses (no space, no permission, a file in the way of a folder), said as an error."""
    try:
        yield
    except OSError as error:
        where = None if error.filename is None else site.relative(Path(os.fsdecode(error.filename)))
        do = "check space and permissions; results/ is safe to delete"
        raise SiteError("the system refused to read or write", where=where, received=error.strerror, do=do) from error


class _Run:
    """One run: the cache, the keys, and products held in memory once they are needed."""

    def __init__(self, site: Site, progress: Progress) -> None:
        self.site = site
        self.progress = progress
        self.folder = site.results
        self.folder.mkdir(exist_ok=True)
        self._clear_leftovers()
        self.cache = StageCache(self.folder)
        self.halves = LineCache(self.folder / "cache")
        self.seconds: dict[str, float] = {}
        with self._timed("read inputs"):
            self.inputs = hash_inputs(site, progress=progress)
        self.recipe: Recipe = load_recipe(site)
        check_frame(site)
        self.products = Products()
        self.lines_key = self.volumes_key = ""

    def do(self, export: Callable[[SiteResult, Path], object], report: Callable[[SiteResult, Path], object]) -> Outcome:
        summary, page = self.folder / "summary.json", self.folder / "report.html"
        left_out = self.folder / "left_out.json"
        self._do_lines()
        self._do_velocities()
        self._do_volumes()
        self._do_comparisons()
        whole = digest("whole", version(), self.inputs, recipe_digest(self.recipe))
        self._stage("export", whole, [summary, left_out], lambda: self._export(export, left_out))
        self._stage("report", whole, [page], lambda: write_atomically(page, lambda p: report(self._gathered(), p)))
        self.cache.forget_others({*self.cache.made, *self.cache.kept})
        self._drop_old_visits()
        self.halves.prune()
        figures: dict[str, Any] = json.loads(summary.read_text(encoding="utf-8"))
        told: list[str] = json.loads(left_out.read_text(encoding="utf-8"))
        return Outcome(figures, page, tuple(self.cache.made), tuple(self.cache.kept), self.seconds, tuple(told))

    def _export(self, export: Callable[[SiteResult, Path], object], left_out: Path) -> object:
        """Export, and keep for later runs what was left out: they may have nothing else to do."""
        result = self._gathered()
        made = export(result, self.folder)
        text = json.dumps(list(left_out_sentences(result)), ensure_ascii=False, indent=1) + "\n"
        write_atomically(left_out, lambda draft: draft.write_text(text, encoding="utf-8"))
        return made

    def result(self) -> SiteResult:
        self._do_lines()
        self._do_velocities()
        self._do_volumes()
        return self._gathered()

    def _do_lines(self) -> None:
        """Radargrams of all visits at once: absorption is fitted over all of them."""
        names = [visit.name for visit in self.site.visits]
        paths = {name: self.site.results_of(name) / "radargrams.zarr" for name in names}
        of_lines = ("visits/", "elevation.")
        raw = {k: v for k, v in self.inputs.items() if k.startswith(of_lines) and not _beside_lines(k)}
        settings = self.site.settings.model_dump(mode="json", include={"frame", "grids", "position_sigma_m"})
        key = self.lines_key = digest("lines", version(), raw, settings, self._recipe_part("before"))
        if all(self.cache.is_fresh(f"lines {name}", key, [path]) for name, path in paths.items()):
            self.cache.kept += [f"lines {name}" for name in names]
            return
        with self._timed("lines"):
            made = make_lines(self.site, self.recipe, cache=self.halves, progress=self.progress)
        for name, path in paths.items():
            radargrams, findings = made[name]

            def save(path: Path = path, radargrams: Any = radargrams, findings: Any = findings) -> None:
                write_atomically(path, lambda draft: save_radargrams(draft, radargrams, findings))

            self._stage(f"lines {name}", key, [path], save)
            self.products.lines[name] = (radargrams, findings)

    def _do_velocities(self) -> None:
        """What the recordings themselves say of the velocity."""
        for visit in self.site.visits:
            path = self.site.results_of(visit.name) / "velocities.json"
            gathers = {k: v for k, v in self.inputs.items() if k.startswith(f"visits/{visit.name}/gathers/")}
            about = [visit.settings.model_dump(mode="json"), self.site.settings.primary.seed]
            key = digest("velocities", version(), self.lines_key, gathers, about)
            self._stage(f"velocities {visit.name}", key, [path], partial(self._make_velocities, visit.name, path))

    def _make_velocities(self, name: str, path: Path) -> None:
        self._load_lines()
        lines = self.products.lines[name][0]
        held = recorded_velocities(self.site, self.site.visit(name), lines, progress=self.progress)
        write_atomically(path, lambda draft: save_recorded(draft, held))
        self.products.velocities[name] = held

    def _do_volumes(self) -> None:
        # What the recipe does counts, not the bytes of its file; steps for pictures change no volume.
        unused = (*_ONLY_FOR_SCORES, "recipe.toml")
        known = self._known_depths()
        used = {k: v for k, v in self.inputs.items() if not (k.startswith(unused) or _is_rain(k)) or k in known}
        laid = drawn_hyperbolas(self.site)
        key = digest("volume", version(), used, laid, self._recipe_part("before"), self._recipe_part("after"))
        for visit in self.site.visits:
            path = self.site.results_of(visit.name) / "volume.zarr"
            self._stage(f"volume {visit.name}", key, [path], partial(self._make_volume, visit.name, path))
        self.volumes_key = key

    def _do_comparisons(self) -> None:
        """Each later visit against the first one, cell by cell at equal depth."""
        first, *others = (visit.name for visit in self.site.visits)
        folder = self.folder / "comparisons"
        paths = {name: folder / f"{name}-over-{first}.zarr" for name in others}
        for name, path in paths.items():
            key = digest("comparison", self.volumes_key)
            self._stage(f"comparison {name}", key, [path], partial(self._make_comparison, first, name, path))
        for old in sorted(folder.glob("*.zarr")):
            if old not in paths.values():
                shutil.rmtree(old)

    def _make_comparison(self, first: str, name: str, path: Path) -> None:
        usable = self._frame().usable
        if first not in usable or name not in usable:
            path.mkdir(parents=True, exist_ok=True)
            return
        found = compare_volumes(self._volume(first), self._volume(name))
        write_atomically(path, lambda draft: save_volume(draft, found, frame=self.site.settings.frame))

    def _volume(self, name: str) -> xr.Dataset:
        if name not in self.products.volumes:
            self.products.volumes[name] = load_volume(self.site.results_of(name) / "volume.zarr")
        return self.products.volumes[name]

    def _known_depths(self) -> set[str]:
        """Files of the burials, where depths of a visit rest on theirs."""
        wanted = any("known depths" in visit.settings.velocity.use for visit in self.site.visits)
        return {name for name in self.inputs if name.startswith("burials.")} if wanted else set()

    def _make_volume(self, name: str, path: Path) -> None:
        frame = self._frame()
        if name not in frame.usable:
            # A visit that cannot be used still has a product, so that it is not tried again at every run.
            path.mkdir(parents=True, exist_ok=True)
            return
        volume = make_visit_volume(
            self.products.lines[name][0],
            self.recipe,
            frame.ground[name].velocity,
            frame.grid,
            how=self.site.settings.volume,
            spacing_m=frame.spacing_m[name],
            cache=self.halves,
            progress=self.progress,
            label=f"volume {name}",
        )
        write_atomically(path, lambda draft: save_volume(draft, volume, frame=self.site.settings.frame))
        self.products.volumes[name] = volume

    def _gathered(self) -> SiteResult:
        """All products together, loaded where they were kept, and scored."""
        if self.products.result is None:
            frame = self._frame()
            for name in frame.usable:
                self._volume(name)
            with self._timed("hotspots and accuracy"):
                self.products.result = gather_result(
                    self.site, self.recipe, self.inputs, self.products, frame, progress=self.progress
                )
        return self.products.result

    def _frame(self) -> SurveyFrame:
        """What all visits share, made once a run."""
        if self.products.frame is None:
            self._load_lines()
            for visit in self.site.visits:
                if visit.name not in self.products.velocities:
                    path = self.site.results_of(visit.name) / "velocities.json"
                    self.products.velocities[visit.name] = load_recorded(path)
            self.products.frame = survey_frame(self.site, self.products)
        return self.products.frame

    def _load_lines(self) -> None:
        for visit in self.site.visits:
            if visit.name not in self.products.lines:
                path = self.site.results_of(visit.name) / "radargrams.zarr"
                self.products.lines[visit.name] = load_radargrams(path)

    def _stage(self, stage: str, key: str, products: list[Path], make: Callable[[], object]) -> None:
        self.progress.check(stage)
        with self._timed(stage):
            self.cache.do(stage, key, products, make)

    @contextmanager
    def _timed(self, stage: str) -> Iterator[None]:
        """Note the time of a stage without that of stages inside it."""
        started, inner = time.perf_counter(), sum(self.seconds.values())
        yield
        inside = sum(self.seconds.values()) - inner
        self.seconds[stage] = self.seconds.get(stage, 0.0) + time.perf_counter() - started - inside

    def _recipe_part(self, part: str) -> list[str]:
        return [repr(call) for call in getattr(self.recipe, part)]

    def _clear_leftovers(self) -> None:
        """Products that an earlier run left half made."""
        for path in sorted(self.folder.rglob(f"*{PARTIAL}")):
            if path.is_dir():
                shutil.rmtree(path)
            else:
                path.unlink()

    def _drop_old_visits(self) -> None:
        """Products of visits that are no longer part of the site."""
        names = {visit.name for visit in self.site.visits}
        for path in sorted((self.folder / "visits").glob("*")):
            if path.is_dir() and path.name not in names:
                shutil.rmtree(path)
