"""Two visits to the same ground, one dry and one wet, by the full wave: cut at equal time, and at equal depth.

Ground of uniform moisture 0.10 and 0.30 m³/m³ with graves whose coffins hold air. Four of them, the targets, have their
lids 1.0 m down; the others lie 0.65 and 1.35 m down, where a slice at equal time finds them in one state and not in the
other. Every line goes through the built-in recipe (time zero, dewow, band pass, background, spreading, migration with
the visit's own velocity, envelope) and every visit into a volume, from which the equal-area rule outlines one slice.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pytest
import shapely
import xarray as xr

from yewline.ground import depth_of_time, time_of_depth
from yewline.hotspots import find_hotspots
from yewline.model import VelocityField, VolumeGrid
from yewline.physics import topp_permittivity, velocity_of_permittivity
from yewline.recipe import Recipe, StepCall, run_after, run_before, standard_recipe
from yewline.simulation import (
    Coffin,
    DayWater,
    Disturbance,
    Even,
    Fill,
    Grave,
    Ground,
    LineJob,
    LinePlan,
    ReceiverNoise,
    Scene,
    SceneDay,
    SceneFile,
    Soil,
    SolverGrid,
    antenna,
    finish_line,
    planned_lines,
    prepare_line,
    run_course,
)
from yewline.simulation.earth import materials
from yewline.simulation.wave import record_course
from yewline.volume import build_volume, slice_exactly

MOISTURE = {"dry": 0.10, "wet": 0.30}
VELOCITY = {day: float(velocity_of_permittivity(topp_permittivity(vwc))) for day, vwc in MOISTURE.items()}
FIXED_M_PER_NS = 0.10
LID_M = 1.0
SLICE_M = (0.90, 1.10)
AREA_SHARE = 0.08
"""The default of a site's primary choice."""
SOIL = Soil(model="topp", water_ms_per_m=45.0, surface_ms_per_m=3.0)
"""1.2 mS/m where dry and 7.1 mS/m where wet, at the antennas' 160 MHz, relaxation of water included."""
LENGTH_M, WIDTH_M = 10.4, 6.0


def grave(
    label: str,
    x: float,
    y: float,
    size_m: tuple[float, float],
    *,
    azimuth_deg: float = 0.0,
    lid_m: float = LID_M,
    high_m: float = 0.3,
    fill: float = 1.0,
) -> Grave:
    """A cut with a coffin of air in it, the lid at `lid_m`; its fill is the soil again, `fill` times as wet."""
    coffin = Coffin(size_m[0] - 0.2, size_m[1] - 0.15, high_m, 1.0)
    back = Fill(SOIL.porosity, fill)
    return Grave(label, "adult", x, y, *size_m, azimuth_deg, 0.2, lid_m + high_m, back, coffin, 0.0)


UPRIGHT = (
    grave("adult", 1.8, 1.7, (2.1, 0.8)),
    grave("shallow adult", 4.0, 1.7, (2.0, 0.7), lid_m=0.65),
    grave("small adult", 6.2, 1.7, (1.9, 0.65)),
    grave("deep adult", 8.5, 1.7, (2.0, 0.75), lid_m=1.35),
    grave("deep child", 1.8, 4.5, (1.3, 0.6), lid_m=1.35),
    grave("adult along the lines", 4.6, 4.5, (2.0, 0.75), azimuth_deg=90.0),
    grave("shallow child", 7.2, 4.5, (1.3, 0.6), lid_m=0.65),
    grave("child", 9.0, 4.5, (1.3, 0.6)),
)
"""Square to the lines or along them: all lines that cross the same graves have the same section."""


@dataclass(frozen=True)
class Survey:
    """A site, its antennas, and what the solver takes for it; `cells_m` for the dry and the wet day."""

    graves: tuple[Grave, ...] = UPRIGHT
    mhz: float = 200.0
    cells_m: tuple[float, float] = (0.025, 0.0125)
    trace_interval_m: float = 0.1
    spacing_m: float = 0.25
    noise: float = 0.0
    window_ns: float = 56.0

    def scene(self, day: str) -> SceneFile:
        cell = dict(zip(MOISTURE, self.cells_m, strict=True))[day]
        water = SceneDay(day, dt.date(2031, 5, 14), DayWater(Even(MOISTURE[day])))
        plan = LinePlan(
            count=round(WIDTH_M / self.spacing_m) + 1,
            length_m=LENGTH_M,
            spacing_m=self.spacing_m,
            trace_interval_m=self.trace_interval_m,
        )
        return SceneFile(
            "equal-depth",
            "Graves with air in them at three depths.",
            1,
            Scene((0.0, 0.0, LENGTH_M, WIDTH_M), graves=self.graves),
            (water,),
            plan,
            Ground(SOIL, 1),
            self.mhz,
            antenna(self.mhz, window_ns=self.window_ns),
            disturbances=(Disturbance(ReceiverNoise(white=self.noise)),),
            solver=SolverGrid(cell_m=cell, depth_m=1.75, reach_m=1.2),
        )


@dataclass
class Solved:
    """Traces that were computed, by what lies under them, and what they took."""

    traces: dict[str, dict[int, np.ndarray]] = field(default_factory=dict)
    cell_updates: int = 0
    seconds: float = 0.0

    def line(self, job: LineJob) -> xr.DataArray:
        """A line, with every run over a section that was met before taken from there: the solver is told no more.

        Over ground without graves all traces of a line are one and the same, since they stand on nodes.
        """
        started = time.perf_counter()
        fields = []
        for run in job.runs:
            section = run.course.grid.section
            bare = bool((section.permittivity == section.permittivity[:1]).all())
            held = self.traces.setdefault(digest(job, section.permittivity), {})
            wanted = run.which.tolist()[:1] if bare else run.which.tolist()
            new = [trace for trace in wanted if trace not in held]
            held.update(run_course(run.course, new))
            self.cell_updates += len(new) * run.course.cell_updates
            samples = np.zeros((len(job.places), job.instrument.samples), np.float32)
            for trace in run.which:
                samples[trace] = held[wanted[0] if bare else int(trace)]
            fields.append(samples)
        recorded = finish_line(job, fields).radargram
        self.seconds += time.perf_counter() - started
        return recorded


def digest(job: LineJob, permittivity: np.ndarray) -> str:
    """What a computed trace depends on besides its number."""
    return hashlib.sha256(permittivity.tobytes() + repr((job.day, job.instrument)).encode()).hexdigest()


@dataclass(frozen=True)
class Visits:
    """Both visits as recorded, and as volumes."""

    survey: Survey
    solved: Solved
    recorded: dict[str, list[xr.DataArray]]
    grid: VolumeGrid

    @classmethod
    def of(cls, survey: Survey, solved: Solved | None = None) -> Visits:
        solved, recorded = solved or Solved(), {}
        for day in MOISTURE:
            scene = survey.scene(day)
            jobs = [prepare_line(scene, day, line.name) for line in planned_lines(scene.lines)]
            recorded[day] = [solved.line(job) for job in jobs]
        bounds = (0.0, 0.0, LENGTH_M, WIDTH_M)
        grid = VolumeGrid.around(bounds, cell_m=0.5 * survey.spacing_m, depth_max_m=1.5, depth_step_m=0.025)
        return cls(survey, solved, recorded, grid)

    def volume(self, day: str, recipe: Recipe, *, migrated: float, cut: float) -> xr.Dataset:
        """The visit migrated with one velocity and brought to depth with another, which may be the same."""
        lines = [run_after(recipe, run_before(recipe, line), velocity_m_per_ns=migrated) for line in self.recorded[day]]
        separation = float(lines[0].attrs["separation_m"])
        return build_volume(
            lines,
            VelocityField.uniform(cut, 0.01 * cut),
            self.grid,
            line_spacing_m=self.survey.spacing_m,
            separation_m=separation,
        )

    def volumes(self, how: str, recipe: Recipe | None = None) -> dict[str, xr.Dataset]:
        """ "depth": all with the own velocity; "time": cut with 0.10 m/ns; "naive": migrated with that, too."""
        return {
            day: self.volume(
                day,
                recipe or standard_recipe(),
                migrated=FIXED_M_PER_NS if how == "naive" else own,
                cut=own if how == "depth" else FIXED_M_PER_NS,
            )
            for day, own in VELOCITY.items()
        }


def overlap(
    visits: Visits,
    volumes: dict[str, xr.Dataset],
    *,
    slice_m: tuple[float, float] = SLICE_M,
    area_share: float = AREA_SHARE,
) -> float:
    """Intersection over union of both visits' outlines by the equal-area rule."""
    dry, wet = (
        shapely.unary_union(
            find_hotspots(
                slice_exactly(volumes[day], *slice_m)["strength"].values[0],
                visits.grid,
                visit=day,
                rule="equal-area",
                area_share=area_share,
            ).geometry
        )
        for day in MOISTURE
    )
    return float(dry.intersection(wet).area / dry.union(wet).area)


def lid_depths(visits: Visits, volumes: dict[str, xr.Dataset], day: str) -> dict[str, tuple[float, float]]:
    """True depth of each lid, and that of the strongest envelope under the grave's middle."""
    strength, grid = volumes[day]["strength"].values, visits.grid
    found = {}
    for body in visits.survey.graves:
        column = strength[:, np.abs(grid.y - body.y).argmin(), np.abs(grid.x - body.x).argmin()]
        assert body.coffin is not None
        found[body.label] = body.base_m - body.coffin.height_m, float(grid.depth[np.nanargmax(column)])
    return found


@pytest.fixture(scope="module")
def visits() -> Visits:
    return Visits.of(Survey())


# ----------------------------------------------------------------------------------------------- physics and identities


@pytest.mark.parametrize(("day", "plotted_m"), [("dry", 0.77), ("wet", 1.37)])
def test_where_a_target_one_metre_down_plots_at_a_fixed_velocity(day: str, plotted_m: float) -> None:
    arrival = time_of_depth(1.0, VELOCITY[day])
    assert float(depth_of_time(arrival, FIXED_M_PER_NS)) == pytest.approx(plotted_m, abs=0.005)


def test_the_ground_loses_little() -> None:
    lost = {day: float(materials(SOIL, vwc, frequency_mhz=160.0)[1]) for day, vwc in MOISTURE.items()}
    assert lost == pytest.approx({"dry": 1.24, "wet": 7.14}, abs=0.01)


def test_a_section_met_before_gives_the_same_trace(visits: Visits) -> None:
    """A line is put together from traces of another; computed for itself it has the same bits."""
    scene = visits.survey.scene("wet")
    job = prepare_line(scene, "wet", "L06")
    run, trace = job.runs[-1], 40
    held = visits.solved.traces[digest(job, run.course.grid.section.permittivity)]
    assert trace in run.which
    assert np.array_equal(record_course(run.course, trace), held[trace])
    bare = job.runs[0]
    one = next(iter(visits.solved.traces[digest(job, bare.course.grid.section.permittivity)].values()))
    assert np.abs(record_course(bare.course, trace) - one).max() < 1e-4 * np.abs(one).max()


# ------------------------------------------------------------------------------------------------------ the same ground


def test_equal_depth_outlines_the_same_ground_and_equal_time_another(visits: Visits) -> None:
    assert overlap(visits, visits.volumes("depth")) >= 0.8
    assert overlap(visits, visits.volumes("time")) < 0.4
    assert overlap(visits, visits.volumes("naive")) < 0.4


def test_what_is_outlined_are_the_graves_of_that_depth(visits: Visits) -> None:
    volumes = visits.volumes("depth")
    for day in MOISTURE:
        strength = slice_exactly(volumes[day], *SLICE_M)["strength"].values[0]
        found = find_hotspots(strength, visits.grid, visit=day, rule="equal-area", area_share=AREA_SHARE)
        for body in visits.survey.graves:
            assert body.coffin is not None
            at_slice = abs(body.base_m - body.coffin.height_m - LID_M) < 1e-9
            assert found.geometry.contains(shapely.Point(body.x, body.y)).any() == at_slice, (day, body.label)


def test_lids_come_out_at_their_depth_on_both_visits(visits: Visits) -> None:
    volumes = visits.volumes("depth")
    for day in MOISTURE:
        for label, (true, found) in lid_depths(visits, volumes, day).items():
            # The envelope of lid and base together peaks under the lid, by less than half of the coffin's height.
            assert true - 0.03 < found < true + 0.15, (day, label, found)
    fixed = visits.volumes("time")
    assert lid_depths(visits, fixed, "dry")["adult"][1] < 0.90
    assert lid_depths(visits, fixed, "wet")["adult"][1] > 1.30


# ------------------------------------------------------------------------------------------------------------ the study


def drawn(seed: int, *, fill: float = 1.0) -> tuple[Grave, ...]:
    """Two rows of four graves, adults' and children's, at odd angles: four of them targets, two higher, two lower."""
    rng = np.random.default_rng(seed)
    lids = rng.permutation([LID_M] * 4 + [0.65, 0.65, 1.35, 1.35])
    across = rng.integers(8)
    bodies = []
    for number, lid in enumerate(lids):
        child = rng.random() < 0.3
        size = (
            (rng.uniform(1.2, 1.4), rng.uniform(0.5, 0.6)) if child else (rng.uniform(1.8, 2.1), rng.uniform(0.6, 0.8))
        )
        bodies.append(
            grave(
                f"G{number + 1}",
                1.5 + 2.45 * (number % 4) + rng.uniform(-0.15, 0.15),
                (1.6, 4.4)[number // 4] + rng.uniform(-0.15, 0.15),
                size,
                azimuth_deg=float((rng.normal(0.0, 20.0) + 90.0 * (number == across)) % 180.0),
                lid_m=float(lid),
                high_m=rng.uniform(0.2, 0.35),
                fill=fill,
            )
        )
    return tuple(bodies)


SURVEYS = {
    "as in the test": Survey(),
    "lines 0.5 m apart": Survey(spacing_m=0.5),
    "noise of 0.005": Survey(noise=0.005),
    "noise of 0.02": Survey(noise=0.02),
    "400 MHz": Survey(mhz=400.0, cells_m=(0.01, 0.008), trace_interval_m=0.04),
    "drawn, at odd angles": Survey(drawn(1)),
    "drawn anew": Survey(drawn(2)),
    "drawn, fills a fifth drier": Survey(drawn(4, fill=0.8)),
    "the same, noise of 0.005, lines 0.5 m apart": Survey(drawn(4, fill=0.8), noise=0.005, spacing_m=0.5),
}
SLICES_M = ((0.95, 1.05), SLICE_M, (0.85, 1.15), (0.80, 1.20))
SHARES = (0.04, 0.06, AREA_SHARE, 0.10, 0.12)


def lids_share(graves: Sequence[Grave]) -> float:
    """Share of the site that has a target's lid under it."""
    lids = [g.coffin for g in graves if g.coffin and abs(g.base_m - g.coffin.height_m - LID_M) < 1e-9]
    return sum(lid.length_m * lid.width_m for lid in lids) / (LENGTH_M * WIDTH_M)


def with_median() -> Recipe:
    """The built-in recipe with the median trace for background: a grave along a line leaves nothing beside itself."""
    recipe = standard_recipe()
    other = StepCall("background_removal", {"statistic": "median"})
    return replace(recipe, before=tuple(other if call.step == other.step else call for call in recipe.before))


@pytest.mark.study
def test_over_layouts_antennas_and_noise(capsys: pytest.CaptureFixture[str]) -> None:
    """Two tables of docs/studies.md: `make study` prints them."""
    rows = [
        "| survey | lids | at equal depth: share of the lids | 8 % | 8 %, median background "
        "| at equal time: 8 % | 0.10 m/ns throughout | billion updates |",
        "|---" * 8 + "|",
    ]
    solved, at_lids, before, cuts = Solved(), [], [], []
    for name, survey in SURVEYS.items():
        already = solved.cell_updates
        visits = Visits.of(survey, solved)
        volumes = {how: visits.volumes(how) for how in ("depth", "time", "naive")}
        share = lids_share(survey.graves)
        at_lids.append(overlap(visits, volumes["depth"], area_share=share))
        before += [overlap(visits, volumes["time"]), overlap(visits, volumes["naive"])]
        median = overlap(visits, visits.volumes("depth", with_median()))
        after = f"{at_lids[-1]:.2f} | {overlap(visits, volumes['depth']):.2f} | {median:.2f}"
        computed = (solved.cell_updates - already) / 1e9
        rows.append(
            f"| {name} | {100 * share:.1f} % | {after} | {before[-2]:.2f} | {before[-1]:.2f} | {computed:.0f} |"
        )
        if name in ("as in the test", "drawn, fills a fifth drier"):
            cuts += ["", f"| {name} | " + " | ".join(f"{100 * each:.0f} %" for each in SHARES) + " |", "|---" * 6 + "|"]
            for cut in SLICES_M:
                cells = [f"{overlap(visits, volumes['depth'], slice_m=cut, area_share=each):.2f}" for each in SHARES]
                cuts.append(f"| {cut[0]:.2f}–{cut[1]:.2f} m | " + " | ".join(cells) + " |")
    with capsys.disabled():
        sys.stdout.write("\n" + "\n".join([*rows, *cuts]) + f"\n\n{solved.seconds:.0f} s in the solver\n")
    assert min(at_lids) >= 0.8
    assert max(before) < 0.4
