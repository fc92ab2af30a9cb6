"""A site for those who script: everything in the shapes of `yewline.model`, nothing hidden."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import pandas as pd
import xarray as xr

from yewline.errors import FormatError
from yewline.progress import SILENT, Progress
from yewline.workspace.check import CheckReport, check_site
from yewline.workspace.load import load_visit
from yewline.workspace.results import SiteResult
from yewline.workspace.run import site_result
from yewline.workspace.site import Site, read_site
from yewline.workspace.stage_ground import load_readings
from yewline.workspace.trial import line_at
from yewline.workspace.truth import load_outlines

__all__ = ["OpenSite", "open_site"]


@dataclass(frozen=True)
class OpenSite(Site):
    """A site folder with its data a call away; see `yewline.workspace.Site` for settings and visits."""

    def radargrams(self, visit: str) -> Mapping[str, xr.DataArray]:
        """Recorded lines of a visit as they are, by name: (T, S) each; lines that cannot be used are left out."""
        return load_visit(self, self.visit(visit)).radargrams

    def radargram(self, visit: str, line: str, *, stage: str = "recorded") -> xr.DataArray:
        """One line, (T, S): as it was recorded, or at a later stage of the site's recipe.

        Parameters
        ----------
        stage : "recorded"; "before" the velocity is known; or "after", migrated as it feeds the volume. All have the
            same traces, and the last two the same times, so that a pick on one can be shown on the other.

        Raises
        ------
        FormatError : there is no usable line of that name; the message says why, or names those that there are.
        SiteError : no such stage, or one that a run has to prepare.
        """
        if stage != "recorded":
            return line_at(self, visit, line, stage)
        loaded = load_visit(self, self.visit(visit))
        if line not in loaded.radargrams:
            faults = [f"{f.where}: {f.text}" for f in loaded.findings if f.grade == "fault" and f.line == line]
            do = "mend that" if faults else f"lines here: {', '.join(loaded.radargrams)}"
            raise FormatError(f"no usable line {line!r} in visit {visit}", received="; ".join(faults) or None, do=do)
        return loaded.radargrams[line]

    def readings(self, visit: str) -> pd.DataFrame | None:
        """Moisture readings of a visit (`yewline.model.READING_COLUMNS`), or None where it has none."""
        return load_readings(self, self.visit(visit), None)[0]

    def burials(self) -> gpd.GeoDataFrame:
        """Known burials (`yewline.model.BURIAL_COLUMNS`), in site metres; may be empty."""
        return load_outlines(self).burials

    def check(self, *, progress: Progress = SILENT) -> CheckReport:
        """What `yewline check` finds."""
        return check_site(self, progress=progress)

    def result(self, *, progress: Progress = SILENT) -> SiteResult:
        """Do whatever is stale and return all products, as report and export receive them."""
        return site_result(self, progress=progress)


def open_site(folder: str | Path) -> OpenSite:
    """Open a site folder: reads `site.toml` and each visit's `visit.toml`, nothing else.

    Raises
    ------
    SiteError : the folder is missing, or has no visits.
    SettingsError : a settings file has an unknown key or a value that cannot be used.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> from yewline.workspace import write_new_site
    >>> folder = pathlib.Path(tempfile.mkdtemp()) / "ground"
    >>> _ = write_new_site(folder)
    >>> [visit.name for visit in open_site(folder).visits]
    ['first-visit']
    """
    site = read_site(folder)
    return OpenSite(site.root, site.settings, site.visits)
