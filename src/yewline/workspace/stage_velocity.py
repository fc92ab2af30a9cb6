"""Velocity of each visit by several ways, side by side: moisture, hyperbolas, focus, gathers, known depths, people.

Depths rest on those that the visit's settings put to use, joined; the comparison says how far to trust them.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import xarray as xr

from yewline.errors import YewlineError
from yewline.ground import VelocityEvidence
from yewline.marks import drawn_velocities, read_journal
from yewline.model import Finding
from yewline.progress import Progress
from yewline.recipe import section_of
from yewline.signal import Section
from yewline.signal.velocity import (
    HyperbolaFit,
    VelocityComparison,
    VelocityEstimate,
    combine_estimates,
)
from yewline.units import Z90
from yewline.workspace.lazy import lights_of
from yewline.workspace.site import Site, Visit
from yewline.workspace.stage_ground import Ground, reference_depth_m, soil_relation
from yewline.workspace.stage_lines import WORKERS, line_spacing
from yewline.workspace.truth import JOURNAL
from yewline.workspace.velocities import (
    RecordedVelocities,
    SeenHyperbola,
    SourceVelocity,
    VelocityJoin,
    VisitVelocities,
)
from yewline.workspace.velocity_burials import burials_velocity
from yewline.workspace.velocity_evidence import source_evidence
from yewline.workspace.velocity_gathers import gathers_velocity
from yewline.workspace.velocity_hyperbolas import (
    SURFACE_SHARE,
    focus_velocity,
    hyperbolas_velocity,
    many_fits,
    search_lines,
    surface_factor,
)

__all__ = [
    "HeardVelocities",
    "compare_velocities",
    "drawn_hyperbolas",
    "heard_of_velocity",
    "load_recorded",
    "recorded_velocities",
    "save_recorded",
]

SMALL_SHARE: Final = 0.03
"""Sources that lie nearer to one another than this are not warned of: 3 cm at a depth of 1 m. Own choice, no source."""
NAMED: Final = 6


def recorded_velocities(
    site: Site, visit: Visit, lines: Mapping[str, xr.DataArray], *, progress: Progress
) -> RecordedVelocities:
    """What a visit's recordings alone say: hyperbolas and focus on its processed lines, and its gathers.

    Parameters
    ----------
    lines : processed, before migration.
    """
    said: list[Finding] = []
    sources: list[SourceVelocity] = []
    hyperbolas: tuple[SeenHyperbola, ...] = ()
    refused: Mapping[str, int] = {}
    searched = 0
    lights = lights_of(lines)
    if lights:
        seed = site.settings.primary.seed
        found = search_lines(lines, lights, visit=visit.name, workers=WORKERS, progress=progress)
        section = section_of(lights[found.searched[0]])
        source, hyperbolas = hyperbolas_velocity(found, section, line_spacing_m=line_spacing(lights), seed=seed)
        sources += [source] if source is not None else []
        focus = focus_velocity(lines, hyperbolas, visit=visit.name, seed=seed, workers=WORKERS, progress=progress)
        sources += [focus] if focus is not None else []
        said += [*found.findings, *_told(hyperbolas, len(found.searched), visit.name)]
        refused, searched = found.refused, len(found.searched)
    gathers, noticed = gathers_velocity(visit, relative=site.relative)
    inside = tuple(site.inside(finding) for finding in (*said, *noticed))
    return RecordedVelocities((*sources, *gathers), hyperbolas, refused, searched, inside)


def save_recorded(path: Path, held: RecordedVelocities) -> None:
    """Write what the recordings say as JSON, the same bytes for the same content."""
    text = json.dumps(held.to_dict(), indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")


def load_recorded(path: Path) -> RecordedVelocities:
    """What `save_recorded` wrote."""
    return RecordedVelocities.from_dict(json.loads(path.read_text(encoding="utf-8")))


@dataclass(frozen=True)
class HeardVelocities:
    """What all sources but moisture say of a visit's velocity.

    `others` are people's hyperbolas and known depths, `fits` the people's curves; depths may rest on `evidence`.
    """

    recorded: RecordedVelocities
    others: tuple[SourceVelocity, ...]
    fits: tuple[HyperbolaFit, ...]
    evidence: tuple[VelocityEvidence, ...]
    findings: tuple[Finding, ...]


def heard_of_velocity(
    site: Site,
    visit: Visit,
    recorded: RecordedVelocities,
    lines: Mapping[str, xr.DataArray],
    burials: gpd.GeoDataFrame,
) -> HeardVelocities:
    """Everything but moisture that tells a visit's velocity.

    Parameters
    ----------
    recorded : from `recorded_velocities`.
    lines : processed, before migration.
    burials : known ones inside the surveyed area.
    """
    lights, seed = lights_of(lines), site.settings.primary.seed
    people, fits, said = _people(site, visit, section_of(next(iter(lights.values()))))
    deep, noticed = burials_velocity(lines, lights, burials, visit=visit.name, seed=seed)
    others = tuple(source for source in (deep, people) if source is not None)
    evidence = source_evidence(
        recorded,
        others,
        lights,
        use=visit.settings.velocity.use,
        reference_depth_m=reference_depth_m(site.settings),
        seed=seed,
    )
    return HeardVelocities(recorded, others, fits, tuple(evidence), (*recorded.findings, *said, *noticed))


def compare_velocities(
    site: Site, visit: Visit, heard: HeardVelocities, ground: Ground
) -> tuple[VisitVelocities, list[Finding]]:
    """All sources of a visit's velocity side by side, what they join to, and a warning where they disagree."""
    used = SourceVelocity("joined", _estimate(site, ground), note=ground.velocity.source)
    sources = (used, *_probed(site, ground), *heard.recorded.sources, *heard.others)
    comparison = _compared(sources[1:])
    held = VisitVelocities(
        0,
        sources,
        comparison,
        heard.recorded.hyperbolas,
        heard.fits,
        heard.recorded.lines,
        join=_join_of(site, visit, heard, ground),
    )
    findings = list(heard.findings)
    if comparison is not None:
        findings += _disagreement(held, comparison, visit.name)
    return held, findings


def _estimate(site: Site, ground: Ground) -> VelocityEstimate:
    field = ground.velocity
    n = sum(check.n for check in ground.fused.sources)
    deep = reference_depth_m(site.settings)
    return VelocityEstimate(field.mean_m_per_ns, field.mean_sigma_m_per_ns, "joined", depth_to_m=deep, n=n)


def _probed(site: Site, ground: Ground) -> list[SourceVelocity]:
    """What moisture readings, or the visit's declaration, say alone of the ground down to the targets."""
    deep = reference_depth_m(site.settings)
    return [
        SourceVelocity(
            check.source,
            VelocityEstimate(check.v_m_per_ns, check.sigma_m_per_ns, check.source, depth_to_m=deep, n=check.n),
        )
        for check in ground.fused.sources
        if check.source in ("moisture", "moisture at depth", "declared")
    ]


def _join_of(site: Site, visit: Visit, heard: HeardVelocities, ground: Ground) -> VelocityJoin:
    fused, relation, radar_vwc = ground.fused, soil_relation(visit), None
    if heard.evidence:
        heard_alone = fused.only([one.source for one in heard.evidence])
        radar_vwc = relation.moisture(*heard_alone.site_mean(reference_depth_m(site.settings)))
    left_out = dict(zip((check.source for check in fused.sources), fused.left_out, strict=True)).get("hyperbolas")
    if left_out is None:
        return VelocityJoin(fused.sources, fused.widened, radar_vwc=radar_vwc, relation=relation.name)
    off, sigma = left_out.T
    inside = np.abs(off) <= Z90 * sigma
    rms, share = float(np.sqrt(np.mean(off**2))), float(inside.mean())
    return VelocityJoin(fused.sources, fused.widened, rms, share, radar_vwc, relation.name)


def _compared(sources: Sequence[SourceVelocity]) -> VelocityComparison | None:
    """Those that stand for the same ground, compared; what hyperbolas have in common is not averaged away."""
    chosen = [source for source in sources if source.compared]
    if len(chosen) < 2:
        return None
    weight = [1.0 / source.estimate.sigma_m_per_ns**2 for source in chosen]
    shares = [
        w * source.shared_sigma_m_per_ns / sum(weight) for w, source in zip(weight, chosen, strict=True)
    ]  # their part in the mean
    common = math.sqrt(max(sum(shares) ** 2 - sum(share**2 for share in shares), 0.0))
    return combine_estimates([source.estimate for source in chosen], common_sigma_m_per_ns=common)


def _disagreement(held: VisitVelocities, comparison: VelocityComparison, visit: str) -> list[Finding]:
    estimates = comparison.estimates
    values = [estimate.v_m_per_ns for estimate in estimates]
    if not held.disagree or max(values) - min(values) < SMALL_SHARE * comparison.mean.v_m_per_ns:
        return []
    told = "; ".join(f"{e.name} {e.v_m_per_ns:.3f} ± {e.sigma_m_per_ns:.3f}" for e in estimates)
    worst = min(comparison.pairs, key=lambda pair: pair.p)
    text = (
        f"the sources of velocity disagree by more than their errors: χ² = {comparison.chi2:.1f} on {comparison.dof}, "
        f"p = {comparison.p:.2g}; most of all {worst.first} and {worst.second}, "
        f"by {abs(worst.difference_m_per_ns):.3f} m/ns"
    )
    text += "; depths rest on all that are in use, joined with what each may be off by"
    do = (
        "look at the hyperbolas in the report, at time zero and at how deep the readings reach; a gather, or the depth "
        "of something dug up, would decide; a wrong source can be left out of use under [velocity] in visit.toml"
    )
    return [Finding("warning", "velocity-disagree", text, received=f"{told} m/ns (sd)", do=do, visit=visit)]


def _told(hyperbolas: Sequence[SeenHyperbola], lines: int, visit: str) -> list[Finding]:
    """How many hyperbolas were found, and by name those that are not used."""
    out = []
    used = [seen.fit for seen in hyperbolas if seen.fate == "used"]
    text = f"{len(used)} hyperbolas on {lines} lines give a velocity"
    if not used:
        text = f"no hyperbola on {lines} lines gives a velocity"
    out.append(Finding("found", "velocity-hyperbolas", text, visit=visit))
    oblique = [fit for fit in used if "oblique" in fit.cautions]
    if oblique:
        text = "from long objects crossed at an angle: their velocities are too high by 1/sin of it"
        many = "1 hyperbola" if len(oblique) == 1 else f"{len(oblique)} hyperbolas"
        do = "trust hyperbolas of lines that cross them straight"
        out.append(Finding("found", "velocity-oblique", f"{many} {text}", received=_named(oblique), do=do, visit=visit))
    for fate, text, do in (
        ("air", "from something above the ground (waves through the air): named, not used", "look for trees and walls"),
        ("outlier", "too far off the others for their errors: named, not used", "look at them in the report"),
    ):
        fits = [seen.fit for seen in hyperbolas if seen.fate == fate]
        if fits:
            many = "1 hyperbola" if len(fits) == 1 else f"{len(fits)} hyperbolas"
            out.append(
                Finding("found", f"velocity-{fate}", f"{many} {text}", received=_named(fits), do=do, visit=visit)
            )
    return out


def _named(fits: Sequence[HyperbolaFit]) -> str:
    shown = [f"{fit.line} at {fit.x_m:.1f} m ({fit.v_m_per_ns:.3f} m/ns)" for fit in fits[:NAMED]]
    return ", ".join(shown) + (f" and {len(fits) - NAMED} more" if len(fits) > NAMED else "")


def drawn_hyperbolas(site: Site) -> list[str]:
    """The hyperbolas that people laid, as text: what depths rest on changes with them."""
    try:
        acts, _ = read_journal(site.root / "marks" / JOURNAL)
    except YewlineError:
        return []
    return [repr(mark) for visit in site.visits for mark in drawn_velocities(acts, visit.name)]


def _people(
    site: Site, visit: Visit, section: Section
) -> tuple[SourceVelocity | None, tuple[HyperbolaFit, ...], list[Finding]]:
    """One velocity from the hyperbolas that people laid, each corrected for the surface's phase."""
    findings: list[Finding] = []
    try:
        # What cannot be read of the journal is said where its outlines are read.
        acts, _ = read_journal(site.root / "marks" / JOURNAL)
    except YewlineError:
        return None, (), []
    drawn: list[HyperbolaFit] = []
    usable: list[HyperbolaFit] = []
    for mark in drawn_velocities(acts, visit.name):
        where = f"marks/{JOURNAL}, {mark.name}"
        try:
            fit = replace(HyperbolaFit.from_dict(mark.fit), line=mark.line, by="person")
        except (YewlineError, TypeError, ValueError) as error:
            text, do = "a drawn hyperbola cannot be used", "draw it anew"
            got = error.problem if isinstance(error, YewlineError) else str(error)
            findings.append(Finding("fault", "velocity-mark", text, where=where, received=got, do=do, visit=visit.name))
            continue
        drawn.append(fit)
        if fit.kind == "ground" and fit.sigma_v_m_per_ns > 0:
            usable.append(fit)
            continue
        text = f"a drawn hyperbola is not used: {'it has no error' if fit.kind == 'ground' else fit.kind}"
        got, do = f"{fit.v_m_per_ns:.3f} m/ns", "draw it with how well it can be read, on something in the ground"
        findings.append(Finding("warning", "velocity-mark", text, where=where, received=got, do=do, visit=visit.name))
    if not usable:
        return None, tuple(drawn), findings
    seed = site.settings.primary.seed
    source, _ = many_fits(usable, section, seed=seed, blocks=[[fit.line for fit in usable]])
    about = source.estimate
    factor = surface_factor(about.v_m_per_ns, about.depth_to_m, section)
    v = about.v_m_per_ns / factor
    sigma = math.hypot(about.sigma_m_per_ns / factor, SURFACE_SHARE * abs(factor - 1.0) * v)
    given: dict[str, Any] = {"v_m_per_ns": v, "sigma_m_per_ns": sigma, "source": "people"}
    note = f"{about.n} laid by hand; divided by {factor:.3f} for the surface's phase"
    whole = replace(source, kind="people", estimate=replace(about, **given), note=note)
    return whole, tuple(drawn), findings
