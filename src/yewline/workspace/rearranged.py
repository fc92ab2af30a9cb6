"""Lines seen from above before and after a correction: how well each of them fits its neighbours."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline.model import Finding, LineCorrection
from yewline.positions import LineImages, line_images, lines_corrected, neighbours, pair_correlation
from yewline.workspace.field import proposed_in
from yewline.workspace.load import load_lines
from yewline.workspace.looks import line_ends
from yewline.workspace.site import Site, Visit

__all__ = ["Rearranged", "Seen", "rearranged_lines"]

BESIDE: Final = 3
"""Neighbours shown to either side of a line."""
MOST_SHOWN: Final = 16
SHOWN: Final = ("swapped", "reversed", "zigzag")

F64 = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Seen:
    """Some neighbouring lines from above at one time after the direct wave.

    Attributes
    ----------
    lines : (L,) names, in order across.
    along_m : (N,) places along the lines.
    strength : (L, N) strength of response, less what is usual on the line and at that time; NaN where nothing lies.
    likeness : mean correlation with their neighbours of the lines that the correction is about.
    """

    lines: tuple[str, ...]
    along_m: F64
    strength: npt.NDArray[np.float32]
    likeness: float


@dataclass(frozen=True)
class Rearranged:
    """One correction that was accepted, or could be: the lines as listed, and as corrected."""

    correction: LineCorrection
    accepted: bool
    lines: tuple[str, ...]
    before: Seen
    after: Seen


def rearranged_lines(
    site: Site, visit: Visit, findings: Iterable[Finding], lights: Mapping[str, xr.DataArray]
) -> tuple[Rearranged, ...]:
    """Corrections of a visit that move recordings or traces, accepted or proposed, seen from above.

    Parameters
    ----------
    findings : those of the visit, with what they propose.
    lights : the visit's lines without their samples; those shown are read again.
    """
    accepted = visit.settings.corrections
    tried = [(each, tuple(other for other in accepted if other is not each), accepted) for each in accepted]
    tried += [(each, accepted, (*accepted, each)) for each in proposed_in(findings, visit.name)]
    made = (
        _rearranged(site, visit, correction, before, after, lights, accepted=after == accepted)
        for correction, before, after in tried
        if correction.kind in SHOWN
    )
    return tuple(each for each in made if each is not None)


def _rearranged(
    site: Site,
    visit: Visit,
    correction: LineCorrection,
    before: tuple[LineCorrection, ...],
    after: tuple[LineCorrection, ...],
    lights: Mapping[str, xr.DataArray],
    *,
    accepted: bool,
) -> Rearranged | None:
    concerned = lines_corrected(correction, lights)
    shown = _beside(concerned, lights)
    pictures = []
    for corrections in (before, after):
        settings = visit.settings.model_copy(update={"corrections": corrections})
        held = load_lines(site, replace(visit, settings=settings), shown)
        images = [each for each in (line_images(held) if held else ()) if set(concerned) & set(each.names)]
        if not images or len(images[0].names) < 3:
            return None
        pictures.append(images[0])
    # Both are shown at the time at which neighbours agree best once corrected.
    at = _clearest(pictures[1])
    seen = [_seen(images, at, concerned) for images in pictures]
    return Rearranged(correction, accepted, tuple(concerned), *seen)


def _beside(concerned: list[str], lights: Mapping[str, xr.DataArray]) -> list[str]:
    """The lines concerned and those that run nearest to them, in the order of the visit."""
    names = list(lights)
    ends = np.array([line_ends(lights[name]) for name in names])
    middle, way = 0.5 * (ends[:, :2] + ends[:, 2:]), ends[:, 2:] - ends[:, :2]
    length = np.maximum(np.hypot(*way.T), 1e-9)
    keep = set(concerned[:MOST_SHOWN])
    for line in concerned[: max(1, MOST_SHOWN // (2 * BESIDE + 1))]:
        here = names.index(line)
        parallel = np.abs(way @ way[here]) > 0.94 * length * length[here]
        normal = np.array([-way[here, 1], way[here, 0]]) / length[here]
        across = (middle - middle[here]) @ normal
        for side in (across > 1e-6, across < -1e-6):
            near = np.flatnonzero(side & parallel)
            keep |= {names[k] for k in near[np.argsort(np.abs(across[near]), kind="stable")][:BESIDE]}
    return [name for name in names if name in keep]


def _clearest(images: LineImages) -> int:
    pictures, known = images.stack()
    pairs = neighbours(images, apart=(1,))
    if not pairs:
        return 0
    scores = np.zeros(pictures.shape[2])
    for first, second, _ in pairs:
        both = known[first] & known[second]
        a, b = pictures[first][both], pictures[second][both]
        scores += (a * b).sum(axis=0) / np.maximum(np.sqrt((a**2).sum(axis=0) * (b**2).sum(axis=0)), 1e-12)
    return int(scores.argmax())


def _seen(images: LineImages, at: int, concerned: list[str]) -> Seen:
    pictures, known = images.stack()
    about = {k for k, name in enumerate(images.names) if name in concerned}
    pairs = [pair for pair in neighbours(images) if about & set(pair[:2])]
    table = pair_correlation(pictures, known, pictures, known)
    likeness = float(np.mean([table[i, j] for i, j, _ in pairs])) if pairs else float("nan")
    strength = np.where(known, pictures[:, :, min(at, pictures.shape[2] - 1)], np.float32(np.nan))
    return Seen(images.names, images.station_m, strength.astype(np.float32), likeness)
