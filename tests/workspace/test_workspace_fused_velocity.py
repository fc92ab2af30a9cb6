"""Joined velocity against ground whose velocity is known: nearer the truth than either source, and honest about it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
import xarray as xr

from yewline.geostat import VariogramModel
from yewline.ground import (
    CONTRADICTION,
    FusedVelocity,
    VelocityEvidence,
    depth_error_m,
    depth_of_time,
    fuse_velocity,
    ground_prior,
    map_moisture,
    moisture_evidence,
    relation_of_soil,
    split_reading_error,
)
from yewline.model import Soil, make_radargram
from yewline.progress import SILENT
from yewline.recipe import section_of
from yewline.signal import envelope
from yewline.signal.velocity import HyperbolaFit
from yewline.units import Z90
from yewline.volume import arrival_sigma_ns
from yewline.workspace.stage_lines import line_spacing
from yewline.workspace.velocities import RecordedVelocities, SeenHyperbola
from yewline.workspace.velocity_evidence import source_evidence
from yewline.workspace.velocity_hyperbolas import focus_velocity, hyperbolas_velocity, many_fits, search_lines

from .fused_scenes import (
    CENTRE_MHZ,
    LINES_M,
    SEPARATION_M,
    SIGMA_VWC,
    SIZE_M,
    SUPPORT_M,
    TARGET_M,
    InventedGround,
    processed,
    with_air_waves,
)

Array = npt.NDArray[np.float64]
Lines = Mapping[str, xr.DataArray]
Evidence = Sequence[VelocityEvidence]

RELATION = relation_of_soil(Soil(), frequency_mhz=CENTRE_MHZ)
CHECKED = np.stack(np.meshgrid(np.linspace(0.8, 5.8, 4), np.linspace(0.5, 3.1, 3)), axis=-1).reshape(-1, 2)
RADAR = ("hyperbolas", "focus")
ROWS = ("moisture", "radar", "joined", *RADAR)
LOW, HIGH = 0.85, 1.15
"""Factors of a source that is wrong."""
FEW = range(4)
SCORED = (*range(100, 156), *range(200, 256), *range(300, 364))
"""Grounds that nothing was chosen by; that was done on 0 to 63."""
SURE = 0.01
"""m³/m³, of a probe that was calibrated for the site's own soil, and of a relation fitted to its samples."""


@dataclass(frozen=True)
class Survey:
    """One scene as a run has it: its lines before migration, and what they and the probe say."""

    ground: InventedGround
    lines: Lines
    recorded: RecordedVelocities
    moisture: Evidence
    lateral: VariogramModel
    vwc: float

    @classmethod
    def of(cls, ground: InventedGround, lines: Lines) -> Survey:
        readings = ground.readings()
        moisture, lateral = probed(readings)
        return cls(ground, lines, heard(lines), moisture, lateral, float(readings["vwc"].mean()))

    def radar(self) -> Evidence:
        return source_evidence(self.recorded, [], self.lines, use=RADAR, reference_depth_m=TARGET_M, seed=1)

    def joined(self, evidence: Evidence) -> FusedVelocity:
        prior = ground_prior(self.vwc, relation=RELATION, lateral=self.lateral)
        return fuse_velocity(evidence, prior=prior, site_xy=self.ground.places, reference_depth_m=TARGET_M)


def heard(lines: Lines) -> RecordedVelocities:
    """What a run takes from a visit's lines."""
    found = search_lines(lines, lines, visit="day", workers=2, progress=SILENT)
    section = section_of(next(iter(lines.values())))
    source, seen = hyperbolas_velocity(found, section, line_spacing_m=line_spacing(lines), seed=1)
    focus = focus_velocity(lines, seen, visit="day", seed=1, workers=2, progress=SILENT)
    return RecordedVelocities(tuple(one for one in (source, focus) if one is not None), seen)


def probed(readings: pd.DataFrame) -> tuple[Evidence, VariogramModel]:
    """What a run takes from a visit's readings: evidence, and how moisture varies from place to place."""
    x, y = (np.arange(0.1, size, 0.2) for size in SIZE_M)
    mapped = map_moisture(readings, x=x, y=y, sigma_vwc=SIGMA_VWC)
    assert mapped is not None
    own, common = split_reading_error(SIGMA_VWC)
    evidence = moisture_evidence(
        readings,
        relation=RELATION,
        own_sigma_vwc=own,
        common_sigma_vwc=common,
        support_depth_m=SUPPORT_M,
        nugget=mapped.attrs["nugget"],
    )
    about = {name: mapped.attrs[name] for name in ("partial_sill", "range_m", "nugget")}
    return evidence, VariogramModel(mapped.attrs["family"], **about)


@dataclass
class Tally:
    """Errors and stated standard deviations of ln v: of the site's mean, and at twelve places."""

    site: list[tuple[float, float]] = field(default_factory=list)
    places: list[tuple[float, float]] = field(default_factory=list)

    def add(self, fused: FusedVelocity, ground: InventedGround) -> None:
        v, sigma = fused.site_mean(TARGET_M)
        true = float(ground.velocity(*ground.places.T, TARGET_M).mean())
        self.site.append((np.log(v / true), sigma / v))
        there, of_it = fused.at(*CHECKED.T, TARGET_M)
        off = np.log(there / ground.velocity(*CHECKED.T, TARGET_M))
        self.places += zip(off.tolist(), (of_it / there).tolist(), strict=True)


@dataclass
class Study:
    """Over all scenes: tallies by source, lids as (true top, depth read, stated half-width), largest scores by case."""

    tallies: dict[str, Tally] = field(default_factory=dict)
    lids: list[tuple[float, float, float]] = field(default_factory=list)
    scores: dict[str, list[float]] = field(default_factory=dict)
    scenes: int = 0
    updates: int = 0
    air: list[tuple[int, int]] = field(default_factory=list)
    """Of each scene with waves through the air: how many the search named so, and how many it used for the ground."""

    def tally(self, name: str, fused: FusedVelocity, ground: InventedGround) -> None:
        self.tallies.setdefault(name, Tally()).add(fused, ground)

    def add(self, survey: Survey) -> FusedVelocity:
        self.scenes += 1
        radar = survey.radar()
        groups = {"moisture": survey.moisture, "radar": radar, "joined": [*survey.moisture, *radar]}
        groups |= {one.source: [one] for one in radar}
        fused = {name: survey.joined(evidence) for name, evidence in groups.items() if evidence}
        for name, one in fused.items():
            self.tally(name, one, survey.ground)
        self.lids += depths_of_lids(survey, fused["joined"])
        self.scored("as they are", fused["joined"])
        return fused["joined"]

    def add_wrong(self, survey: Survey) -> None:
        """The same scene with one source wrong by 15 per cent."""
        radar = survey.radar()
        if not radar:
            return
        for by in (LOW, HIGH):
            off = f"{100 * (by - 1):+.0f} %"
            cases: dict[str, Evidence] = {
                f"moisture {off}": [*wrong(survey.moisture, by), *radar],
                f"moisture {off}, which it takes for sure": [*wrong(sure(survey.moisture), by), *radar],
                f"radar {off}": [*survey.moisture, *wrong(radar, by)],
                f"radar {off}, moisture sure": [*sure(survey.moisture), *wrong(radar, by)],
            }
            for name, evidence in cases.items():
                fused = survey.joined(evidence)
                self.tally(name, fused, survey.ground)
                self.scored(name, fused)
        self.scored("moisture sure", survey.joined([*sure(survey.moisture), *radar]))

    def add_air(self, raw: Lines, survey: Survey) -> None:
        """The same scene with waves through the air, and with hyperbolas that have the velocity of air."""
        lines = processed(with_air_waves(raw, survey.ground.seed))
        with_air = replace(survey, lines=lines, recorded=heard(lines))
        fates = [one.fate for one in with_air.recorded.hyperbolas]
        fast = sum(one.fate == "used" and one.fit.v_m_per_ns > 0.22 for one in with_air.recorded.hyperbolas)
        self.air.append((fates.count("air"), fast))
        self.tally("joined, with waves in air", with_air.joined([*survey.moisture, *with_air.radar()]), survey.ground)
        fooled = [replace(one, v_m_per_ns=np.full(one.n, 0.29)) for one in survey.radar() if one.source == "hyperbolas"]
        if fooled:
            self.scored("hyperbolas of air", survey.joined([*survey.moisture, *fooled]))

    def scored(self, name: str, fused: FusedVelocity) -> None:
        scores = [abs(one.score) for one in fused.sources] if len(fused.sources) > 1 else [0.0]
        assert (max(scores) > CONTRADICTION) == (fused.widened > 1.0)
        self.scores.setdefault(name, []).append(max(scores))


def wrong(evidence: Evidence, factor: float) -> list[VelocityEvidence]:
    return [replace(one, v_m_per_ns=one.v_m_per_ns * factor) for one in evidence]


def sure(moisture: Evidence) -> list[VelocityEvidence]:
    """The probe calibrated and the relation fitted on the site's own soil, to 0.01 m³/m³ each."""
    slope = abs(float(RELATION.slope(0.2)))
    return [replace(one, biases=(("calibration", slope * SURE), ("soil relation", slope * SURE))) for one in moisture]


def depths_of_lids(survey: Survey, fused: FusedVelocity) -> list[tuple[float, float, float]]:
    """True top of each lid, its depth as read from the envelope's crest over its middle, and the stated half-width."""
    ground, found = survey.ground, []
    for line, y, bodies in zip(survey.lines.values(), LINES_M, ground.bodies, strict=True):
        section = section_of(line)
        strength, time = np.asarray(envelope(line.values, section)), line["time"].values
        for lid in bodies:
            if not lid.width_m:
                continue
            # A person knows which answer is the lid's: the strongest one within a period of where it must be.
            due = np.hypot(2.0 * lid.top_m, SEPARATION_M) / ground.velocity([lid.x], [y], lid.top_m)[0]
            near = np.flatnonzero(np.abs(time - due) <= section.period_ns)
            middle = int(np.abs(line["x"].values - lid.x).argmin())
            crest = time[near[strength[middle - 1 : middle + 2, near].mean(axis=0).argmax()]]
            depth = lid.top_m
            for _ in range(20):
                v, sigma = fused.at([lid.x], [y], max(depth, 0.05))
                depth = float(depth_of_time(crest, v[0], separation_m=SEPARATION_M))
            late = arrival_sigma_ns(CENTRE_MHZ)
            half = depth_error_m(depth, v[0], sigma[0], time_zero_sigma_ns=late, separation_m=SEPARATION_M)
            found.append((lid.top_m, depth, float(half)))
    return found


def rms(pairs: Sequence[tuple[float, float]]) -> float:
    return float(np.sqrt(np.mean(np.array(pairs)[:, 0] ** 2)))


def covered(pairs: Sequence[tuple[float, float]]) -> float:
    off, sigma = np.array(pairs).T
    return float(np.mean(np.abs(off) <= Z90 * sigma))


def studied(seeds: Iterable[int], *then: Callable[[Study, Lines, Survey], None]) -> Study:
    study = Study()
    for seed in seeds:
        ground = InventedGround(seed)
        raw, updates = ground.recorded()
        study.updates += updates
        survey = Survey.of(ground, processed(raw))
        study.add(survey)
        for each in then:
            each(study, raw, survey)
    return study


def told(study: Study) -> str:
    """The tables of docs/studies.md."""
    rows = [
        f"{study.scenes} scenes, {study.updates / 1e9:.0f} billion cell updates",
        "| velocity from | scenes | site, rms | mean error | stated | covered | places, rms | stated | covered |",
    ]
    for name, tally in study.tallies.items():
        off, sigma = np.array(tally.site).T
        rows.append(
            f"| {name} | {len(off)} | {100 * rms(tally.site):.1f} % | {100 * off.mean():+.1f} % | "
            f"{100 * np.sqrt(np.mean(sigma**2)):.1f} % | {100 * covered(tally.site):.0f} % | "
            f"{100 * rms(tally.places):.1f} % | {100 * np.sqrt(np.mean(np.square(tally.places)[:, 1])):.1f} % | "
            f"{100 * covered(tally.places):.0f} % |"
        )
    top, depth, half = np.array(study.lids).T
    rows.append("| lids | n | rms | mean | stated 90 % | covered |")
    for low, high in ((0.0, 0.6), (0.6, 0.85), (0.85, 2.0), (0.0, 2.0)):
        part = (top >= low) & (top < high)
        off = depth[part] - top[part]
        rows.append(
            f"| {low:.2f}–{high:.2f} m | {part.sum()} | {np.sqrt(np.mean(off**2)):.3f} m | {off.mean():+.3f} m | "
            f"± {half[part].mean():.3f} m | {100 * np.mean(np.abs(off) <= half[part]):.0f} % |"
        )
    rows.append("| case | scenes | contradiction said | median score |")
    rows += [
        f"| {name} | {len(scores)} | {np.sum(np.array(scores) > CONTRADICTION)} | {np.median(scores):.1f} |"
        for name, scores in study.scores.items()
    ]
    if study.air:
        named, used = np.sum(study.air, axis=0)
        rows.append(f"waves in air: {named} named, {used} faster than 0.22 m/ns used, {3 * len(study.air)} laid")
    return "\n".join(rows)


def test_a_few_wide_things_among_hyperbolas_hardly_draw_the_velocity_up() -> None:
    """Ten points at nearly one velocity, and four lids that seem up to a third faster; none is called an outlier."""
    x = np.arange(0.0, 30.0, 0.1)
    about = {"line": "L1", "visit": "day", "centre_mhz": 400.0, "separation_m": 0.0, "file": ""}
    line = make_radargram(np.zeros((len(x), 100), np.float32), interval_ns=0.4, x=x, y=0.0 * x, attrs=about)
    v = np.array([*np.linspace(0.097, 0.103, 10), 0.115, 0.12, 0.13, 0.135])

    def joined(count: int) -> float:
        errors = [((1e-4, 0, 0), (0, 0.01, 0), (0, 0, (0.04 * each) ** 2)) for each in v]
        fits = [
            HyperbolaFit(2.0 + 2.0 * n, 20.0, float(v[n]), errors[n], line="L1") for n in range(count)
        ]  # 2 m apart: each is a thing of its own
        source, _ = many_fits(fits, section_of(line), seed=1, blocks=[[str(n) for n in range(count)]])
        held = RecordedVelocities((source,), tuple(SeenHyperbola(fit, "used") for fit in fits))
        evidence = source_evidence(held, [], {"L1": line}, use=RADAR, reference_depth_m=TARGET_M, seed=1)
        even = ground_prior(
            0.2, relation=RELATION, lateral=VariogramModel("exponential", partial_sill=1e-9, range_m=9.0)
        )
        return fuse_velocity(evidence, prior=even, site_xy=[[15.0, 0.0]], reference_depth_m=TARGET_M).site_mean(1.0)[0]

    points, all_of_them = joined(10), joined(14)
    assert v.mean() / v[:10].mean() > 1.07
    assert 1.0 < all_of_them / points < 1.03


def test_joined_velocity_is_nearer_the_truth_than_the_probe_on_four_scenes() -> None:
    study = studied(FEW)
    report = told(study)
    held = {name: np.array(tally.site) for name, tally in study.tallies.items()}
    assert len(held["joined"]) == len(held["radar"]) == len(FEW)
    assert rms(held["joined"]) < 0.7 * rms(held["moisture"]), report
    assert rms(held["joined"]) < 0.09, report
    # Unless sources contradict each other, nothing that is added makes the whole less sure.
    agreed = np.array(study.scores["as they are"]) <= CONTRADICTION
    assert agreed.any()
    for name in ("moisture", "radar"):
        assert (held["joined"][agreed, 1] < held[name][agreed, 1]).all(), report
    # What is stated bears some relation to what it is off by: over four scenes, neither a third of it nor twice.
    off, sigma = held["joined"].T
    assert 0.33 < np.sqrt(np.mean((off / sigma) ** 2)) < 2.0, report
    off = np.array([depth - top for top, depth, _ in study.lids])
    assert len(off) == 6 * len(FEW)
    assert np.sqrt(np.mean(off**2)) < 0.10, report


@pytest.mark.study
def test_joined_velocity_over_many_scenes() -> None:
    study = studied(SCORED, lambda study, _, survey: study.add_wrong(survey), Study.add_air)
    report = told(study)
    print(f"\n{report}")  # noqa: T201  (a study prints its table)
    held = study.tallies
    for part in ("site", "places"):
        joined, *alone = (rms(getattr(held[name], part)) for name in ("joined", "moisture", "radar"))
        assert joined < min(alone), report
        assert covered(getattr(held["joined"], part)) >= 0.85, report
    top, depth, half = np.array(study.lids).T
    assert len(top) == 6 * len(SCORED)
    assert np.mean(np.abs(depth - top) <= half) >= 0.85, report
    # Hyperbolas with the velocity of air are contradicted, and waves through the air are not taken for the ground's.
    assert np.mean(np.array(study.scores["hyperbolas of air"]) > CONTRADICTION) > 0.9, report
    named, used = np.sum(study.air, axis=0)
    assert used < 0.05 * named, report
