"""Velocity of a visit by several ways: closed-form lines, gathers and burials give back what they were made of."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import jsonschema
import numpy as np
import pytest
import shapely
import xarray as xr

from yewline.errors import FormatError, SiteError
from yewline.export import write_results
from yewline.marks import draw_velocity, undo
from yewline.model import BURIAL_COLUMNS, VelocityField, VolumeGrid, make_outlines, make_radargram
from yewline.physics import topp_moisture_exact
from yewline.progress import SILENT
from yewline.recipe import recipe_from_toml, section_of, standard_recipe
from yewline.report import write_report
from yewline.signal import Section
from yewline.signal.velocity import (
    FitOptions,
    HyperbolaFit,
    VelocityEstimate,
    diffraction_times,
    draw_hyperbola,
    fit_hyperbola,
    oblique_velocity,
    surface_delay_ns,
)
from yewline.units import C_M_PER_NS
from yewline.workspace import check_site, open_site, run_site
from yewline.workspace.results import run_schema
from yewline.workspace.stage_ground import make_ground
from yewline.workspace.stage_velocity import (
    compare_velocities,
    heard_of_velocity,
    load_recorded,
    recorded_velocities,
    save_recorded,
)
from yewline.workspace.stage_volume import _said_of_bending
from yewline.workspace.velocities import RecordedVelocities, SourceVelocity
from yewline.workspace.velocity_burials import burials_velocity
from yewline.workspace.velocity_gathers import gathers_velocity, read_offsets
from yewline.workspace.velocity_hyperbolas import (
    FoundHyperbolas,
    hyperbolas_velocity,
    many_fits,
    search_lines,
    shared_sigma,
    surface_factor,
)

MHZ = 400.0
STEP = 0.25
TRUE = 0.098
"""m/ns: by Topp 1980 the velocity at the water content of the hand-made site's readings, about 0.185."""
SECTION = Section(interval_ns=STEP, spacing_m=0.05, centre_mhz=MHZ)


def ricker(t: np.ndarray) -> np.ndarray:
    a = (np.pi * MHZ * 1e-3 * t) ** 2
    return (1 - 2 * a) * np.exp(-a)


def line_over(name: str, things: list[tuple[float, float, float]], *, y: float, seed: int, v: float = TRUE):
    """Line of 8 m over points (x, depth, velocity factor), with noise; the surface's phase is that of the integral."""
    x, t = 0.05 * np.arange(161), STEP * np.arange(180)
    values = np.random.default_rng(seed).normal(0, 0.02, (len(x), len(t)))
    for at, depth, factor in things:
        times = diffraction_times(x, x0_m=at, depth_m=depth, v_m_per_ns=factor * v)
        if factor * v < 0.24:
            times += 2 * surface_delay_ns(x - at, depth_m=depth, v_m_per_ns=factor * v, frequency_mhz=MHZ)
        values += ricker(t - times[:, None]) / np.hypot(1.0, (x - at) / depth)[:, None]
    attrs = {"line": name, "visit": "day", "centre_mhz": MHZ, "separation_m": 0.0, "file": f"{name}.txt"}
    return make_radargram(values, interval_ns=STEP, x=x, y=np.full(len(x), y), attrs=attrs)


@pytest.fixture(scope="module")
def lines():
    held = {}
    for n in range(6):
        things = [(1.5 + 0.1 * n, 0.7, 1.0), (4.2, 0.9, 1.0), (6.4 - 0.1 * n, 0.6, 1.0)]
        if n == 2:
            things[1] = (4.2, 0.9, 1.6)
        if n == 4:
            things[1] = (4.2, 1.6, C_M_PER_NS / TRUE)
        held[f"L{n}"] = line_over(f"L{n}", things, y=1.0 * n, seed=n)
    return held


@pytest.fixture(scope="module")
def found(lines):
    return search_lines(lines, lines, visit="day", workers=2, progress=SILENT)


def test_hyperbolas_give_back_the_velocity_and_name_what_does_not_belong(found, lines):
    source, seen = hyperbolas_velocity(found, section_of(lines["L0"]), line_spacing_m=1.0, seed=1)
    low, high = source.interval
    assert low < TRUE < high
    assert source.estimate.v_m_per_ns == pytest.approx(TRUE, rel=0.01)
    outliers = [one.fit for one in seen if one.fate == "outlier"]
    assert [(fit.line, round(fit.x_m, 1)) for fit in outliers] == [("L2", 4.2)]
    air = [one.fit for one in seen if one.fate == "air"]
    assert [(fit.line, round(fit.x_m, 1)) for fit in air] == [("L4", 4.2)]
    assert source.estimate.n == sum(one.fate == "used" for one in seen) >= 14
    # Objects may be larger than points and time zero a little off: that does not average out.
    assert source.shared_sigma_m_per_ns == pytest.approx(
        shared_sigma(source.estimate.v_m_per_ns, source.estimate.depth_to_m, section_of(lines["L0"]))
    )
    assert source.estimate.sigma_m_per_ns > source.shared_sigma_m_per_ns


def test_a_long_object_crossed_at_an_angle_is_named():
    """Lines 0.5 m apart along x over a pipe at 60° to them, and a thing of its own on each beside it."""
    v, turn = 0.1, math.radians(60.0)
    sure = ((1e-4, 0, 0), (0, 0.01, 0), (0, 0, 1e-6))
    fits, places = [], []
    for n in range(5):
        y = 0.5 * n
        # A long object crossed at an angle seems faster by 1/sin of it (`oblique_velocity`).
        fits.append(HyperbolaFit(4.0 + y / math.tan(turn), 20.0, oblique_velocity(v, 60.0), sure, line=f"L{n}"))
        fits.append(HyperbolaFit(10.0 + 3.0 * (n % 2), 14.0 + 6.0 * n, v, sure, line=f"L{n}"))
        places += [(fits[-2].x_m, y), (fits[-1].x_m, y)]
    along = np.tile([1.0, 0.0], (len(fits), 1))
    held = FoundHyperbolas(tuple(fits), (), np.array(places), along, {}, tuple(f"L{n}" for n in range(5)), ())
    _, seen = hyperbolas_velocity(held, SECTION, line_spacing_m=0.5, seed=1)
    assert [one.fit.x_m for one in seen if "oblique" in one.fit.cautions] == [fit.x_m for fit in fits[::2]]
    # Met square on, it is no caution; and three lines are needed to see that a thing is long.
    across = np.tile([-math.sin(turn), math.cos(turn)], (len(fits), 1))
    _, seen = hyperbolas_velocity(replace(held, along=across), SECTION, line_spacing_m=0.5, seed=1)
    assert not any(one.fit.cautions for one in seen)
    few = FoundHyperbolas(tuple(fits[:4]), (), np.array(places[:4]), along[:4], {}, ("L0", "L1"), ())
    _, seen = hyperbolas_velocity(few, SECTION, line_spacing_m=0.5, seed=1)
    assert not any(one.fit.cautions for one in seen)


def test_what_is_shared_is_that_of_the_exact_times():
    """The radius of a cylinder raises the velocity by at most the factor at its apex, √(1 + R/d)."""
    for depth in (0.5, 1.0, 2.0):
        shared = shared_sigma(0.1, depth, SECTION) / 0.1
        assert 0.0 < shared < math.sqrt(1 + 0.1 / depth) - 1
    assert shared_sigma(0.1, 0.5, SECTION) > shared_sigma(0.1, 1.0, SECTION) > shared_sigma(0.1, 2.0, SECTION)


def test_the_surface_factor_is_what_a_plain_fit_finds_too_high():
    x = np.linspace(-1.0, 1.0, 21)
    late = 2 * surface_delay_ns(x, depth_m=1.0, v_m_per_ns=0.1, frequency_mhz=MHZ)
    times = diffraction_times(x, x0_m=0.0, depth_m=1.0, v_m_per_ns=0.1) + late - late[10]
    seen = fit_hyperbola(x, times, FitOptions()).v_m_per_ns
    assert seen > 0.102
    assert seen / surface_factor(seen, 1.0, SECTION) == pytest.approx(0.1, rel=2e-3)


def test_few_hyperbolas_all_count_and_their_spread_is_the_error():
    sure = ((1e-4, 0, 0), (0, 0.01, 0), (0, 0, 1e-6))
    fits = [HyperbolaFit(k, 20.0, v, sure, line="L1") for k, v in enumerate((0.098, 0.100, 0.130))]
    source, outliers = many_fits(fits, SECTION, seed=1, blocks=[["L1"] * 3])
    assert outliers == frozenset()
    assert source.estimate.n == 3
    assert source.estimate.cautions == ("few-hyperbolas",)
    # Equal errors: mean of three, and Birge's error is their standard deviation over √3.
    assert source.estimate.v_m_per_ns == pytest.approx(0.328 / 3)
    own = math.sqrt(source.estimate.sigma_m_per_ns**2 - source.shared_sigma_m_per_ns**2)
    assert own == pytest.approx(np.std([0.098, 0.100, 0.130], ddof=1) / math.sqrt(3))


def test_a_gap_parts_a_line_and_a_line_that_cannot_be_searched_is_named(lines):
    whole = lines["L0"]
    segment = np.repeat([0, 1], [81, 80])
    parted = whole.assign_coords(segment=("trace", segment))
    nameless = whole.copy()
    nameless.attrs = {**whole.attrs, "separation_m": -1.0}
    held = {"L0": parted, "odd": nameless, "short": whole[:3]}
    found = search_lines(held, held, visit="day", workers=1, progress=SILENT)
    assert {fit.line for fit in found.fits} == {"L0"}
    assert all(abs(fit.x_m - 4.0) > 0.05 for fit in found.fits)
    assert [(finding.code, finding.line) for finding in found.findings] == [("velocity-line", "odd")]


def test_of_a_large_survey_an_even_part_is_searched(lines, monkeypatch):
    monkeypatch.setattr("yewline.workspace.velocity_hyperbolas.MOST_TRACES", 3 * 161)
    found = search_lines(lines, lines, visit="day", workers=1, progress=SILENT)
    assert found.searched == ("L0", "L2", "L4")
    assert [(f.grade, f.code, f.received) for f in found.findings] == [("found", "velocity-lines", "966 traces")]


def burial_lines(tops: list[float], *, v: float = TRUE, seed: int = 5):
    """Lines 0.5 m apart over burials 3 m apart along x, each with a flat lid at its depth."""
    rng = np.random.default_rng(seed)
    lines, outlines, rows = {}, [], []
    for i, top in enumerate(tops):
        x0, y0 = 2.0 + 3.0 * (i % 4), 1.0 + 2.5 * (i // 4)
        outlines.append(shapely.box(x0 - 0.4, y0 - 1.0, x0 + 0.4, y0 + 1.0))
        rows.append({"burial": f"B{i}", "kind": "adult", "top_m": top, "base_m": top + 0.02})
    x, t = 0.05 * np.arange(260), STEP * np.arange(200)
    for n in range(18):
        y = 0.5 * n
        values = rng.normal(0, 0.05, (len(x), len(t)))
        for outline, top in zip(outlines, tops, strict=True):
            x0, y0, x1, y1 = outline.bounds
            if y0 <= y <= y1:
                values[(x >= x0) & (x <= x1)] += ricker(t - 2 * (top + 0.01) / v)
        attrs = {"line": f"L{n}", "visit": "day", "centre_mhz": MHZ, "separation_m": 0.0}
        lines[f"L{n}"] = make_radargram(values, interval_ns=STEP, x=x, y=np.full(len(x), y), attrs=attrs)
    return lines, make_outlines(BURIAL_COLUMNS, rows, outlines)


def test_burials_of_known_depth_give_the_velocity():
    lines, burials = burial_lines([0.5, 0.7, 0.9, 1.1, 0.6, 0.8, 1.0, 1.2])
    source, said = burials_velocity(lines, lines, burials, visit="day", seed=3)
    assert said == []
    assert source.kind == "known depths"
    assert source.estimate.n == 8
    assert source.estimate.v_m_per_ns == pytest.approx(TRUE, rel=0.02)
    low, high = source.interval
    assert low < TRUE < high
    # Depths known only as a range from top to base: as uncertain, all together, as that range is wide.
    vague = burials.assign(base_m=burials["top_m"] + 0.4, top_m=burials["top_m"] - 0.36)
    wide = burials_velocity(lines, lines, vague, visit="day", seed=3)[0]
    assert wide.estimate.sigma_m_per_ns > TRUE * (0.76 / math.sqrt(12)) / 0.9
    assert wide.estimate.v_m_per_ns == pytest.approx(TRUE, rel=0.05)


def test_burials_that_do_not_answer_give_no_velocity():
    lines, burials = burial_lines([0.5, 0.7, 0.9, 1.1, 0.6, 0.8, 1.0, 1.2])
    silent = {name: line.copy(data=np.random.default_rng(1).normal(0, 1, line.shape)) for name, line in lines.items()}
    source, (said,) = burials_velocity(silent, silent, burials, visit="day", seed=3)
    assert source is None
    assert "do not answer more strongly than other ground (p = " in said.text
    source, (said,) = burials_velocity(lines, lines, burials.assign(top_m=np.nan), visit="day", seed=3)
    assert source is None
    assert "0 of 8 known burials have a depth" in said.text
    marked = burials_velocity(lines, lines, burials.assign(evidence="marker"), visit="day", seed=3)
    assert marked[0] is None
    far = burials.assign(geometry=burials.translate(500.0, 0.0))
    assert "no line crosses" in burials_velocity(lines, lines, far, visit="day", seed=3)[1][0].text
    two = burials.assign(geometry=[*burials.geometry[:2], *burials.translate(500.0, 0.0)[2:]])
    assert "cross only 2 burials" in burials_velocity(lines, lines, two, visit="day", seed=3)[1][0].text
    assert burials_velocity(lines, lines, burials.iloc[:0], visit="day", seed=3) == (None, [])


OFFSETS = 0.2 + 0.1 * np.arange(24)


def write_gather(folder: Path, name: str, *, air: float = 1.0, late: float = 9.0, offsets: np.ndarray | None = OFFSETS):
    """A gather in plain text, written with NumPy: waves through the air and along the ground, and one reflection."""
    folder.mkdir(parents=True, exist_ok=True)
    t = 0.4 * np.arange(200)
    values = np.random.default_rng(2).normal(0, 0.005, (len(OFFSETS), len(t)))
    for x, row in zip(OFFSETS, values, strict=True):
        row += air * ricker(t - late - x / C_M_PER_NS) + 0.6 * ricker(t - late - x / 0.11)
        row += 0.7 * ricker(t - late - math.hypot(25.0, x / TRUE))
    np.savetxt(folder / f"{name}.txt", values.T, fmt="%.6f", delimiter="\t")
    if offsets is not None:
        rows = "".join(f"{n},{x:.2f}\n" for n, x in enumerate(offsets, start=1))
        (folder / f"{name}.offsets.csv").write_text(f"trace,offset_m\n{rows}")


def test_a_gather_gives_its_reflection_and_its_ground_wave(text_site):
    site = open_site(text_site)
    write_gather(text_site / "visits" / "day" / "gathers", "cmp1")
    sources, findings = gathers_velocity(site.visits[0], relative=site.relative)
    assert findings == []
    by_kind = {source.kind: source for source in sources}
    reflection = by_kind["gather"]
    assert reflection.estimate.label == "cmp1"
    # The wave along the ground is no reflection from the surface.
    assert reflection.estimate.n == 1
    assert "reflections at 25 ns" in reflection.note
    assert reflection.estimate.v_m_per_ns == pytest.approx(TRUE, rel=0.02)
    assert reflection.interval[0] < TRUE < reflection.interval[1]
    assert reflection.estimate.depth_to_m == pytest.approx(25.0 * TRUE / 2, rel=0.03)
    assert not by_kind["ground wave"].compared
    assert by_kind["ground wave"].estimate.v_m_per_ns == pytest.approx(0.11, rel=0.03)


def test_without_a_wave_through_the_air_time_zero_is_less_sure(text_site):
    site = open_site(text_site)
    folder = text_site / "visits" / "day" / "gathers"
    write_gather(folder, "cmp1")
    (sure, *_), _ = gathers_velocity(site.visits[0], relative=site.relative)
    write_gather(folder, "cmp1", air=0.0)
    sources, findings = gathers_velocity(site.visits[0], relative=site.relative)
    assert [(f.grade, f.code, f.where) for f in findings] == [("assumed", "gather-zero", "visits/day/gathers/cmp1.txt")]
    assert findings[0].text.endswith("from the wave along the ground")
    (unsure,) = [source for source in sources if source.kind == "gather"]
    assert unsure.estimate.sigma_m_per_ns > sure.estimate.sigma_m_per_ns
    assert unsure.interval[0] < TRUE < unsure.interval[1]


def test_a_gather_without_offsets_is_refused_and_the_others_count(text_site):
    site = open_site(text_site)
    folder = text_site / "visits" / "day" / "gathers"
    write_gather(folder, "a", offsets=None)
    write_gather(folder, "b")
    write_gather(folder, "c", offsets=OFFSETS[:-1])
    write_gather(folder, "d", offsets=np.full(24, 0.3))
    (folder / "e.offsets.csv").write_text("offset_m\n0.2\n")
    (folder / "f.txt").write_text("")
    (folder / "f.offsets.csv").write_text("offset_m\n0.2\n")
    sources, findings = gathers_velocity(site.visits[0], relative=site.relative)
    assert {source.estimate.label for source in sources} == {"b"}
    told = {Path(site.inside(f).where).name: (f.grade, f.text) for f in findings}
    assert told["a.txt"] == ("fault", "a gather without offsets gives no velocity")
    assert told["c.offsets.csv"] == ("fault", "a gather has one offset for each trace")
    assert told["d.txt"][0] == "fault"
    assert "different offsets" in told["d.txt"][1]
    assert told["e.offsets.csv"] == ("warning", "a table of offsets without a recording of that name")
    assert any("the file is empty" in f.text for f in findings)
    assert "column offset_m" in next(f.do for f in findings if "without offsets" in f.text)


def test_check_says_in_the_field_what_a_run_would_say_of_gathers(text_site):
    folder = text_site / "visits" / "day" / "gathers"
    write_gather(folder, "a", offsets=None)
    write_gather(folder, "b")
    write_gather(folder, "d", offsets=np.full(24, 0.3))
    site = open_site(text_site)
    _, noticed = gathers_velocity(site.visits[0], relative=site.relative)
    said = check_site(site).findings
    assert {site.inside(finding) for finding in noticed} <= set(said)
    told = {f.where: (f.grade, f.text, f.visit) for f in said if f.code == "gather-left-out"}
    assert told["visits/day/gathers/a.txt"] == ("fault", "a gather without offsets gives no velocity", "day")
    assert "different offsets" in told["visits/day/gathers/d.txt"][1]
    found = [f.text for f in said if f.code == "gather"]
    assert f"gather b: reflections at {TRUE:.3f} m/ns" in found
    assert "gather b: ground wave at 0.110 m/ns" in found


def test_a_gather_of_noise_says_so(text_site):
    site = open_site(text_site)
    folder = text_site / "visits" / "day" / "gathers"
    write_gather(folder, "a")
    noise = np.random.default_rng(4).normal(0, 1, (200, 24))
    np.savetxt(folder / "a.txt", noise, fmt="%.6f", delimiter="\t")
    sources, findings = gathers_velocity(site.visits[0], relative=site.relative)
    assert sources == ()
    assert "gather-empty" in {finding.code for finding in findings}


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "row 1: a table of offsets has a column offset_m"),
        ("distance\n1\n", r"received distance\)"),
        ("offset_m,colour\n1,red\n", r"received offset_m, colour\)"),
        ("offset_m\n0.2\nfar\n", "row 3: a row of offsets holds no distance"),
        ("offset_m\n500\n", "row 2: a row of offsets holds no distance"),
        ("trace,offset_m\n1,0.2\n3,0.3\n", "row 3: a row of offsets holds no distance in metres, or not the next"),
    ],
)
def test_tables_of_offsets_that_cannot_be_used(tmp_path, text, told):
    path = tmp_path / "a.offsets.csv"
    path.write_text(text)
    with pytest.raises(FormatError, match=told):
        read_offsets(path)


def _grid():
    from_model = {"x0": 0.0, "y0": 0.0, "cell_m": 0.5, "nx": 17, "ny": 17, "depth_step_m": 0.1, "nz": 2}
    return VolumeGrid(**from_model)


def compared(root, lines, recorded):
    """All that a visit's sources come to: the comparison, what was said, and the ground."""
    site = open_site(root)
    none = gpd.GeoDataFrame(make_outlines(BURIAL_COLUMNS, [], []))
    heard = heard_of_velocity(site, site.visits[0], recorded, lines, none)
    ground = make_ground(site, site.visits[0], _grid(), shapely.box(0, 0, 8, 8), recorded=heard.evidence)
    together, findings = compare_velocities(site, site.visits[0], heard, ground)
    return together, [*findings, *ground.findings], ground


def readings_of(root, vwc, **settings):
    """Sixteen readings about a water content, deep enough to speak of all the ground, and nearly exact."""
    rng = np.random.default_rng(3)
    rows = [f"{x},{y},{vwc + rng.normal(0, 0.004):.4f}" for x in (0.5, 2, 4, 6) for y in (0.5, 2.5, 4.5, 6.5)]
    (root / "visits" / "day" / "readings.csv").write_text("x,y,vwc\n" + "\n".join(rows) + "\n")
    given = {"sigma_vwc": 0.005, "support_depth_m": 1.2, **settings}
    with (root / "visits" / "day" / "visit.toml").open("a") as file:
        file.write("[readings]\n" + "".join(f"{name} = {value}\n" for name, value in given.items()))


def test_sources_that_agree_are_joined_and_not_warned_of(text_site, lines):
    site = open_site(text_site)
    recorded = recorded_velocities(site, site.visits[0], lines, progress=SILENT)
    assert [source.kind for source in recorded.sources] == ["hyperbolas", "focus"]
    focus = recorded.sources[1]
    assert focus.interval[0] < TRUE < focus.interval[1]
    together, findings, ground = compared(text_site, lines, recorded)
    assert [source.kind for source in together.sources] == ["joined", "moisture", "hyperbolas", "focus"]
    assert together.used == 0
    assert not together.disagree
    codes = {finding.code for finding in findings if finding.code.startswith("velocity")}
    assert codes == {"velocity-hyperbolas", "velocity-air", "velocity-outlier"}
    air = next(finding for finding in findings if finding.code == "velocity-air")
    assert air.received.startswith("L4 at 4.2 m")
    joined, moisture = (source.estimate for source in together.sources[:2])
    # Surer than the moisture alone, and right within its interval.
    assert joined.sigma_m_per_ns < 0.7 * moisture.sigma_m_per_ns
    assert abs(joined.v_m_per_ns - TRUE) < 2 * joined.sigma_m_per_ns
    assert ground.velocity.source.startswith("joined from 16 moisture readings")
    assert together.join.widened == 1.0
    assert {check.source for check in together.join.checks} == {"moisture", "hyperbolas", "focus"}
    assert 0.0 < together.join.left_out_rms < 0.2
    # Moisture taken back from the recordings is that of their velocity.
    vwc, sd = together.join.radar_vwc
    assert abs(vwc - float(topp_moisture_exact((C_M_PER_NS / TRUE) ** 2))) < 2 * sd
    # The mean of sources that share an error is no surer than what they share.
    shared = min(source.shared_sigma_m_per_ns for source in recorded.sources)
    assert together.comparison.mean.sigma_m_per_ns > 0.5 * shared


def test_sources_that_contradict_are_named_and_their_errors_widened(text_site, lines):
    site = open_site(text_site)
    recorded = recorded_velocities(site, site.visits[0], lines, progress=SILENT)
    readings_of(text_site, 0.05)
    apart, findings, ground = compared(text_site, lines, recorded)
    warned = {finding.code: finding for finding in findings if finding.grade == "warning"}
    assert apart.disagree
    assert "χ² = " in warned["velocity-disagree"].text
    assert "moisture 0.15" in warned["velocity-disagree"].received
    assert "use under [velocity]" in warned["velocity-disagree"].do
    told = warned["velocity-contradict"]
    assert "standard deviations" in told.text
    assert "moisture 0.15" in told.received
    assert ground.fused.widened > 1.0
    # Each source can be switched off: then the field is that of the other alone.
    with (text_site / "visits" / "day" / "visit.toml").open("a") as file:
        file.write('[velocity]\nuse = ["moisture"]\n')
    probed, findings, _ = compared(text_site, lines, recorded)
    assert probed.sources[0].estimate.v_m_per_ns == pytest.approx(0.152, abs=0.004)
    assert "velocity-contradict" not in {finding.code for finding in findings}
    text = (text_site / "visits" / "day" / "visit.toml").read_text()
    (text_site / "visits" / "day" / "visit.toml").write_text(text.replace('["moisture"]', '["hyperbolas"]'))
    heard, _, _ = compared(text_site, lines, recorded)
    assert abs(heard.sources[0].estimate.v_m_per_ns - TRUE) < 0.006


def test_a_difference_too_small_to_matter_is_not_warned_of(text_site, lines):
    readings_of(text_site, 0.185)
    alone, _, _ = compared(text_site, lines, RecordedVelocities(refused={}))
    v = alone.sources[0].estimate.v_m_per_ns
    near = SourceVelocity("gather", VelocityEstimate(1.02 * v, 1e-4, "gather", depth_to_m=1.0))
    exact = replace(near, kind="people", estimate=replace(near.estimate, v_m_per_ns=v, source="people"))
    together, findings, _ = compared(text_site, lines, RecordedVelocities((near, exact), refused={}))
    assert together.disagree
    assert "velocity-disagree" not in {finding.code for finding in findings}


def test_a_visit_without_readings_rests_on_its_recordings_alone(text_site, lines):
    site = open_site(text_site)
    recorded = recorded_velocities(site, site.visits[0], lines, progress=SILENT)
    (text_site / "visits" / "day" / "readings.csv").unlink()
    together, _, ground = compared(text_site, lines, recorded)
    assert [source.kind for source in together.sources] == ["joined", "hyperbolas", "focus"]
    assert abs(together.sources[0].estimate.v_m_per_ns - TRUE) < 0.006
    assert ground.readings is None
    with pytest.raises(SiteError, match="none is declared or found in the recordings"):
        compared(text_site, lines, RecordedVelocities())


def test_hyperbolas_laid_by_people_stand_beside_the_others(text_site, lines):
    path = text_site / "marks" / "journal.jsonl"
    seen = surface_factor(TRUE, 0.9, section_of(lines["L0"])) * TRUE
    drawn = draw_hyperbola(4.2, 18.4, seen, leg_m=0.8, reading_sigma_ns=0.4)
    draw_velocity(path, "V1", drawn.to_dict(), visit="day", line="L1", who="A. Surveyor")
    draw_velocity(path, "V2", {**drawn.to_dict(), "v_m_per_ns": 0.29}, visit="day", line="L4")
    draw_velocity(path, "V3", {"x_m": 1.0, "t0_ns": 20.0, "v_m_per_ns": 0.1}, visit="day", line="L4")
    draw_velocity(path, "V4", {"x_m": 1.0, "t0_ns": 20.0, "v_m_per_ns": 0.1, "hue": 3}, visit="day", line="L4")
    draw_velocity(path, "V5", drawn.to_dict(), visit="other", line="L4")
    together, findings, _ = compared(text_site, lines, RecordedVelocities())
    assert [source.kind for source in together.sources] == ["joined", "moisture", "people"]
    people = together.sources[2]
    assert people.estimate.n == 1
    assert people.estimate.v_m_per_ns == pytest.approx(TRUE, rel=0.005)
    assert [fit.by for fit in together.people] == ["person"] * 3
    told = {f.where.rpartition(" ")[2]: (f.grade, f.text) for f in findings if f.code == "velocity-mark"}
    assert told == {
        "V2": ("warning", "a drawn hyperbola is not used: air"),
        "V3": ("warning", "a drawn hyperbola is not used: it has no error"),
        "V4": ("fault", "a drawn hyperbola cannot be used"),
    }
    undo(path, of=1)
    kinds = [source.kind for source in compared(text_site, lines, RecordedVelocities())[0].sources]
    assert kinds == ["joined", "moisture"]
    path.write_bytes(b"\xff\n\n")
    assert "velocity-mark" not in {f.code for f in compared(text_site, lines, RecordedVelocities())[1]}


def test_what_recordings_say_comes_back_from_its_file(text_site, lines, tmp_path):
    site = open_site(text_site)
    recorded = recorded_velocities(site, site.visits[0], lines, progress=SILENT)
    save_recorded(tmp_path / "a.json", recorded)
    assert load_recorded(tmp_path / "a.json") == recorded
    again = recorded_velocities(site, site.visits[0], lines, progress=SILENT)
    save_recorded(tmp_path / "b.json", again)
    assert (tmp_path / "a.json").read_bytes() == (tmp_path / "b.json").read_bytes()
    endless = SourceVelocity("declared", VelocityEstimate(0.1, 0.01, "declared", dof=math.inf))
    back = SourceVelocity.from_dict(json.loads(json.dumps(endless.to_dict(), allow_nan=False)))
    assert back.interval == endless.interval
    assert back.estimate.depth_to_m == math.inf


def test_nothing_is_said_of_a_visit_without_lines(text_site):
    site = open_site(text_site)
    assert recorded_velocities(site, site.visits[0], {}, progress=SILENT) == RecordedVelocities(refused={})


def run(root: Path):
    return run_site(open_site(root), export=write_results, report=write_report)


def test_a_run_keeps_the_comparison_and_does_only_what_is_stale(text_site):
    outcome = run(text_site)
    assert "velocities day" in outcome.made
    jsonschema.validate({**outcome.figures, "report": str(outcome.report), "seconds": 1.0}, run_schema())
    (visit,) = outcome.figures["visits"]
    kinds = [source["source"] for source in visit["velocities"]["sources"]]
    assert kinds[:2] == ["joined", "moisture"]
    assert (text_site / "results" / "visits" / "day" / "velocities.json").is_file()
    assert "Velocity by several ways" in outcome.report.read_text()
    before = (text_site / "results" / "visits" / "day" / "volume.zarr" / "zarr.json").read_bytes()
    write_gather(text_site / "visits" / "day" / "gathers", "cmp1")
    outcome = run(text_site)
    # A gather makes no line stale, but the volume: depths rest on what it says.
    assert outcome.made == ("velocities day", "volume day", "export", "report")
    (visit,) = outcome.figures["visits"]
    assert "gather" in [source["source"] for source in visit["velocities"]["sources"]]
    assert (
        "visits/day/gathers/cmp1.txt" in json.loads((text_site / "results" / "provenance.json").read_text())["inputs"]
    )
    assert (text_site / "results" / "visits" / "day" / "volume.zarr" / "zarr.json").read_bytes() != before
    drawn = draw_hyperbola(1.6, 16.5, 0.1, leg_m=0.8, reading_sigma_ns=0.4)
    draw_velocity(text_site / "marks" / "journal.jsonl", "V1", drawn.to_dict(), visit="day", line="L03")
    outcome = run(text_site)
    assert outcome.made == ("volume day", "export", "report")
    (visit,) = outcome.figures["visits"]
    assert "people" in [source["source"] for source in visit["velocities"]["sources"]]


def test_rays_that_bend_are_told_where_the_migration_takes_one_velocity() -> None:
    """A velocity that grows by 0.012 m/ns a metre moves things 1.6 m down by 0.15 m: more than half a cell of 0.2 m."""
    x = np.arange(0.0, 8.01, 0.2)
    v = np.broadcast_to(0.10 + 0.012 * (x - 4.0), (1, 11, len(x)))
    field = VelocityField(np.zeros(1), np.arange(0.0, 2.01, 0.2), x, v, 0.0 * v, 0.10, 0.01)
    depth = np.arange(0.1, 1.61, 0.1)
    seen = np.ones((len(depth), 11, len(x)), bool)
    volume = xr.Dataset({"coverage": (("depth", "y", "x"), seen)}, coords={"depth": depth})
    (told,) = _said_of_bending(volume, field, standard_recipe(), "day", cell_m=0.2)
    assert told.code == "rays-bend"
    assert re.search(r"by up to 0\.[12]\d m aside", told.text)
    assert _said_of_bending(volume, field, standard_recipe(), "day", cell_m=0.6) == []
    bent = recipe_from_toml(
        'name = "bent"\n[[before]]\nstep = "time_zero"\n[[after]]\nstep = "migrate_kirchhoff"\n'
        'ground = "below the line"\n[[after]]\nstep = "envelope"\n',
        "bent",
    )
    assert _said_of_bending(volume, field, bent, "day", cell_m=0.2) == []
    even = VelocityField.uniform(0.1, 0.01)
    assert _said_of_bending(volume, even, standard_recipe(), "day", cell_m=0.2) == []
