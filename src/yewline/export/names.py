"""Names of hotspots that stay apart: each rule, and each person, numbers its own from one."""

from __future__ import annotations

import re
from typing import Final

import geopandas as gpd

from yewline.workspace.results import SiteResult, VisitResult

__all__ = ["named_sets"]

LETTERS: Final = {"noise": "N", "equal-area": "E"}


def named_sets(result: SiteResult, visit: VisitResult) -> dict[str, gpd.GeoDataFrame]:
    """A visit's hotspots by how they came about ("noise", "equal-area", "drawn"), with names that differ.

    What is scored, and the site's first choice of rule, keep their names; those of the other rule get its letter before
    their number, such as ``2031-05-dry-E01``.
    """
    sets = {"noise": visit.found, "equal-area": visit.equal_area, "drawn": visit.drawn}
    first = result.settings.primary.rule
    out, taken = {"drawn": visit.drawn}, {str(name) for name in visit.drawn["hotspot"]}
    for kind in (first, *(kind for kind in LETTERS if kind != first)):
        table = sets[kind]
        names = [str(name) for name in table["hotspot"]]
        if taken.intersection(names):
            table = table.assign(hotspot=[_lettered(name, LETTERS[kind], taken) for name in names])
        out[kind] = table
        taken.update(str(name) for name in table["hotspot"])
    return {kind: out[kind] for kind in sets}


def _lettered(name: str, letter: str, taken: set[str]) -> str:
    """The name with a letter before its last number, or at its end; the letter again where that name is taken too."""
    stem, number = re.fullmatch(r"(.*?)(\d*)", name, flags=re.DOTALL).groups()  # type: ignore[union-attr]
    while (candidate := f"{stem}{letter}{number}") in taken:
        stem += letter
    return candidate
