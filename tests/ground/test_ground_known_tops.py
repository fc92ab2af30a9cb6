"""Depths of known tops against what is stated of their error: a flat top in random ground, from readings to depth.

What is what. The ground, its profile below the probe, its soil relation and the readings are drawn as `ground.fusion`,
`moisture_evidence` and `split_reading_error` say that they vary, and the soil scatters about its relation by the
standard error that Topp et al. 1980 give for mineral soils. Velocity comes from the readings alone, by the way that a
visit goes. The arrival is of two kinds: by rays, the vertical two-way time and the legs' slant; or by the full wave,
where the radargram of two antennas over that very ground goes through the built-in recipe and the strongest envelope
is picked, so that pulse, surface, time zero and filters have their say. To both comes an error of time zero, drawn with
the standard deviation that a volume takes for it.
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

from yewline.geostat import VariogramModel
from yewline.ground import (
    PROFILE_SIGMA_VWC,
    TOPP,
    depth_error_m,
    depth_of_time,
    fuse_velocity,
    ground_prior,
    moisture_evidence,
    split_reading_error,
)
from yewline.model import make_radargram, make_readings
from yewline.physics import (
    TOPP_STANDARD_ERROR_VWC,
    ledieu_moisture,
    malicki_permittivity,
    mixed_permittivity,
    plane_wave,
    topp_permittivity,
)
from yewline.recipe import run_before, section_of, standard_recipe
from yewline.signal import envelope, pick_time_zero
from yewline.simulation import Instrument, Pulse, Section, antenna, cell_that_would_do, plan_course, to_point_source
from yewline.simulation.spreading import DirectWave
from yewline.simulation.wave import record_course
from yewline.statistics import clopper_pearson
from yewline.units import C_M_PER_NS
from yewline.volume import TIME_ZERO_SIGMA_NS

SUPPORT_M = 0.12
SIGMA_VWC = 0.03
LATERAL_SD_VWC = 0.015
"""Moisture from place to place on the site: usual on an even day (common practice, no source)."""
READINGS = 40
LEVEL = (0.85, 0.95)
"""Between which a 90 % interval is to cover."""
DEPTHS_M = (0.5, 0.75, 1.0, 1.25)
"""Tops of four classes of depth, 0.25 m each."""


def ledieu_permittivity(vwc: np.ndarray) -> np.ndarray:
    """Ledieu et al. 1986 turned round: √ε = (θ + 0.1758)/0.1138."""
    return ((np.asarray(vwc) + 0.1758) / 0.1138) ** 2


def _mixed(porosity: float, exponent: float = 0.5) -> Callable[[np.ndarray], np.ndarray]:
    return lambda vwc: mixed_permittivity(np.minimum(vwc, porosity), porosity=porosity, exponent=exponent)


def _dense(bulk_g_per_cm3: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda vwc: malicki_permittivity(vwc, bulk_g_per_cm3=bulk_g_per_cm3)


RELATIONS: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "Topp": topp_permittivity,
    "CRIM, porosity 0.40": _mixed(0.40),
    "CRIM, porosity 0.45": _mixed(0.45),
    "CRIM, porosity 0.50": _mixed(0.50),
    "Roth, porosity 0.45": _mixed(0.45, exponent=0.46),
    "Ledieu": ledieu_permittivity,
    "Malicki, 1.30 g/cm³": _dense(1.30),
    "Malicki, 1.45 g/cm³": _dense(1.45),
    "Malicki, 1.60 g/cm³": _dense(1.60),
}
"""Topp et al. 1980; Birchak et al. 1974 with grains of 5; Roth et al. 1990; Ledieu et al. 1986; Malicki et al. 1996."""


@dataclass(frozen=True)
class Case:
    """A top somewhere on a site, and what was read there.

    Attributes
    ----------
    depth_m : of the top.
    vwc : at the place of the top, down to the reach of the probe.
    fall : mean moisture to e times a depth less that to the depth itself, below the probe.
    relation : of the soil.
    scatter : of this soil about it, as if it held so much more water.
    site_vwc, common : mean of the site, and the error that all readings share.
    seed : of readings.
    zero_ns : error of time zero.
    mhz : nominal frequency of the antennas.
    void : the top is that of a void 0.3 m high; otherwise of denser ground without end.
    """

    depth_m: float
    vwc: float
    fall: float
    relation: str
    scatter: float
    site_vwc: float
    common: float
    seed: int
    zero_ns: float
    mhz: float
    void: bool

    def permittivity(self, depth_m: np.ndarray) -> np.ndarray:
        """Of the ground at depths: below the probe, mean moisture goes with the logarithm of depth."""
        below = np.log(np.maximum(depth_m, SUPPORT_M) / SUPPORT_M) + 1.0
        vwc = self.vwc + self.fall * np.where(depth_m > SUPPORT_M, below, 0.0)
        return RELATIONS[self.relation](np.clip(vwc + self.scatter, 0.02, 0.55))

    def velocity(self) -> float:
        """Mean down to the top."""
        z = (np.arange(2000) + 0.5) / 2000 * self.depth_m
        return float(C_M_PER_NS / np.sqrt(self.permittivity(z)).mean())

    def readings(self) -> pd.DataFrame:
        """What the probe says at places over the site."""
        rng = np.random.default_rng([self.seed, 2])
        own, _ = split_reading_error(SIGMA_VWC)
        ground = self.site_vwc + LATERAL_SD_VWC * rng.standard_normal(READINGS)
        read = ground + self.common + own * rng.standard_normal(READINGS)
        x, y = rng.uniform(0.0, 20.0, (2, READINGS))
        return make_readings(x=x, y=y, vwc=np.clip(read, 0.0, 0.6))


def draw(count: int, *, seed: int) -> list[Case]:
    """Cases spread evenly over moisture and depth, all else at random."""
    rng = np.random.default_rng([seed, 1])
    _, common = split_reading_error(SIGMA_VWC)
    level, depth = ((rng.permutation(count) + rng.random(count)) / count for _ in range(2))
    cases = []
    for number in range(count):
        site = 0.08 + 0.27 * float(level[number])
        cases.append(
            Case(
                depth_m=0.5 + float(depth[number]),
                vwc=site + LATERAL_SD_VWC * rng.standard_normal(),
                fall=PROFILE_SIGMA_VWC * rng.standard_normal(),
                relation=str(rng.choice(list(RELATIONS))),
                scatter=TOPP_STANDARD_ERROR_VWC * rng.standard_normal(),
                site_vwc=site,
                common=common * rng.standard_normal(),
                seed=int(rng.integers(2**31)),
                zero_ns=TIME_ZERO_SIGMA_NS * rng.standard_normal(),
                mhz=float(rng.choice([200.0, 400.0])),
                void=bool(rng.random() < 0.5),
            )
        )
    return cases


Velocity = Callable[[float], tuple[float, float]]
"""From a depth to the mean velocity down to it and its standard deviation, m/ns."""


def velocity_of(case: Case) -> Velocity:
    """What the readings say at the place of a top: the one thing to exchange for another estimator."""
    own, common = split_reading_error(SIGMA_VWC)
    readings = case.readings()
    evidence = moisture_evidence(
        readings, relation=TOPP, own_sigma_vwc=own, common_sigma_vwc=common, support_depth_m=SUPPORT_M
    )
    # Each place is drawn for itself, so that moisture is alike over less than readings lie apart.
    lateral = VariogramModel("exponential", partial_sill=LATERAL_SD_VWC**2, range_m=0.5)
    prior = ground_prior(float(readings["vwc"].mean()), relation=TOPP, lateral=lateral)
    corners = [[0.0, 0.0], [20.0, 0.0], [0.0, 20.0], [20.0, 20.0]]
    fused = fuse_velocity(evidence, prior=prior, site_xy=corners, reference_depth_m=1.0)

    def down_to(depth_m: float) -> tuple[float, float]:
        v, sigma = fused.at([50.0], [50.0], depth_m)
        return float(v[0]), float(sigma[0])

    return down_to


# ------------------------------------------------------------------------------------------------------------- arrivals


def ray_ns(case: Case) -> float:
    """Two-way time by a straight ray with the mean velocity, as depths are made from times."""
    separation = antenna(case.mhz).separation_m
    return 2.0 * math.hypot(case.depth_m, 0.5 * separation) / case.velocity()


@dataclass(frozen=True)
class Arrival:
    """A top's arrival by the full wave: its time, what time zero was picked too late, and the cell updates it took."""

    time_ns: float
    zero_late_ns: float
    cell_updates: int


def solved(case: Case) -> Arrival:
    """Time of the strongest envelope after time zero, as the built-in recipe has both.

    The line that goes through the recipe has the top under one trace of 41, as a line has a grave's lid under few; it
    is not migrated, which would leave a level top where it is.
    """
    last = 2.0 * (case.depth_m + 0.3) / case.velocity() + 4e3 / case.mhz
    pair = antenna(case.mhz)
    pair = replace(pair, samples=math.ceil((pair.zero_ns + last) / pair.interval_ns))
    pulse = Pulse("ricker", pair.centre_mhz)
    bare, with_top, updates = _traces(case, pair, pulse)
    z = (np.arange(200) + 0.5) / 200 * case.depth_m
    loss = plane_wave(
        pair.centre_mhz, permittivity=float(case.permittivity(z).mean()), conductivity_ms_per_m=_loss(case)
    )
    spreading = {
        "pulse": pulse,
        "interval_ns": pair.interval_ns,
        "zero_ns": pair.zero_ns,
        "v_m_per_ns": case.velocity(),
        "attenuation_np_per_m": float(loss.alpha_np_per_m),
    }
    direct = to_point_source(bare[None], **spreading, direct=DirectWave(pair.separation_m, C_M_PER_NS))
    line = np.repeat(direct, 41, axis=0)
    line[20] += to_point_source((with_top - bare)[None], **spreading)[0]
    x = 0.1 * np.arange(41)
    about = {"centre_mhz": case.mhz, "separation_m": pair.separation_m}
    recorded = make_radargram(line, interval_ns=pair.interval_ns, x=x, y=0.0 * x, attrs=about)
    processed = run_before(standard_recipe(), recorded)
    strength = envelope(processed.values, section_of(processed))[20].astype(np.float64)
    peak = int(strength[1:-1].argmax()) + 1
    low, high = strength[peak - 1], strength[peak + 1]
    part = 0.5 * (low - high) / (low - 2.0 * strength[peak] + high)
    zero = pick_time_zero(line, section_of(recorded), pick="correlation")[20] - pair.zero_ns
    return Arrival(float(processed["time"].values[peak]) + part * pair.interval_ns, float(zero), updates)


def solve(cases: Sequence[Case]) -> list[Arrival]:
    """Two cases side by side: a trace lets go of the interpreter's lock."""
    with ThreadPoolExecutor(2) as pool:
        return list(pool.map(solved, cases))


def _loss(case: Case) -> float:
    """Modest conductivity, mS/m: 2 where dry and 9 where wettest (common practice, no source)."""
    return 25.0 * case.vwc


def _traces(case: Case, pair: Instrument, pulse: Pulse) -> tuple[np.ndarray, np.ndarray, int]:
    """One trace of line antennas over the ground without the top and one with it."""
    deepest = case.depth_m + 0.4
    look = case.permittivity(np.linspace(0.0, deepest, 500))
    below = 1.0 if case.void else 1.6
    cell = 0.97 * cell_that_would_do(float(look.max()) * max(1.0, below), pulse.band_mhz()[1])
    half = math.ceil((0.5 * pair.separation_m + 0.9) / cell)
    above = math.ceil(pair.height_m / cell) + 8
    z = cell * np.arange(-above, math.ceil(deepest / cell) + 1)
    ground, buried = case.permittivity(np.maximum(z, 0.0)), np.clip((z - case.depth_m) / cell + 0.5, 0.0, 1.0)
    other = 1.6 * ground
    if case.void:
        other, buried = np.ones_like(z), buried - np.clip((z - case.depth_m - 0.3) / cell + 0.5, 0.0, 1.0)
    # Nodes on the surface take the mean of both sides.
    sky = np.clip(0.5 - z / cell, 0.0, 1.0)
    traces = []
    for share in (np.zeros_like(z), buried):
        permittivity = sky + (1.0 - sky) * ((1.0 - share) * ground + share * other)
        loss = (1.0 - sky) * _loss(case) * (1.0 - share * case.void)
        shape = (2 * half + 1, 1)
        section = Section(
            np.tile(permittivity, shape), np.tile(loss, shape), cell_m=cell, x0_m=-half * cell, z0_m=-above * cell
        )
        course = plan_course(section, [0.0], pair, pulse=pulse, window_m=2 * half * cell)
        traces.append(record_course(course, 0))
    return traces[0], traces[1], 2 * course.cell_updates


# ---------------------------------------------------------------------------------------------------------- the verdict


@dataclass(frozen=True)
class Verdict:
    """A top's true depth, the estimated one, the half-width of its 90 % interval, and whether that holds the truth."""

    case: Case
    estimated_m: float
    error_m: float

    @property
    def inside(self) -> bool:
        return abs(self.estimated_m - self.case.depth_m) <= self.error_m


def judge(case: Case, arrival_ns: float, velocity: Velocity | None = None) -> Verdict:
    """Depth of a top from its arrival, as a survey would have it: readings to velocity to depth, with its error."""
    down_to = velocity or velocity_of(case)
    separation = antenna(case.mhz).separation_m
    depth = 1.0
    for _ in range(20):
        v, sigma = down_to(max(depth, 0.05))
        depth = float(depth_of_time(max(arrival_ns + case.zero_ns, 0.0), v, separation_m=separation))
    error = depth_error_m(depth, v, sigma, time_zero_sigma_ns=TIME_ZERO_SIGMA_NS, separation_m=separation)
    return Verdict(case, depth, float(error))


def held_of(verdicts: Iterable[Verdict]) -> tuple[int, int]:
    """How many intervals hold the truth, of how many."""
    inside = [verdict.inside for verdict in verdicts]
    return sum(inside), len(inside)


def depth_table(verdicts: Sequence[Verdict]) -> list[str]:
    """Rows of a table, shallowest first: true depth, estimated, ± of 90 %, error, and whether it is inside."""
    rows = ["| true, m | estimated, m | ± (90 %), m | error, m | inside? |", "|---|---|---|---|---|"]
    for each in sorted(verdicts, key=lambda verdict: verdict.case.depth_m):
        off = each.estimated_m - each.case.depth_m
        rows.append(
            f"| {each.case.depth_m:.2f} | {each.estimated_m:.2f} | {each.error_m:.2f} | {off:+.2f} | "
            f"{'yes' if each.inside else 'no'} |"
        )
    return rows


# ----------------------------------------------------------------------------------------------- physics and identities


def test_ledieu_turned_round_is_ledieu() -> None:
    vwc = np.linspace(0.05, 0.5, 10)
    assert ledieu_moisture(ledieu_permittivity(vwc)) == pytest.approx(vwc, abs=1e-12)


def test_mean_moisture_below_the_probe_departs_as_the_profile_says() -> None:
    """Mean to e times the probe's reach is that of the probe plus one `fall`."""
    case = replace(draw(1, seed=0)[0], vwc=0.2, fall=0.01, relation="Ledieu", scatter=0.0)
    z = (np.arange(100_000) + 0.5) / 100_000 * math.e * SUPPORT_M
    assert ledieu_moisture(case.permittivity(z)).mean() == pytest.approx(0.21, abs=1e-5)


def test_without_any_error_the_depth_is_the_true_one() -> None:
    case = replace(draw(1, seed=0)[0], relation="Topp", scatter=0.0, zero_ns=0.0)
    verdict = judge(case, ray_ns(case), lambda _: (case.velocity(), 0.002))
    assert verdict.estimated_m == pytest.approx(case.depth_m, abs=1e-9)
    assert verdict.inside


def test_a_wrong_velocity_is_not_inside() -> None:
    case = replace(draw(1, seed=0)[0], relation="Topp", scatter=0.0, zero_ns=0.0)
    assert not judge(case, ray_ns(case), lambda _: (1.2 * case.velocity(), 0.05 * case.velocity())).inside


# ------------------------------------------------------------------------------------------------------------- coverage


def test_ninety_per_cent_intervals_cover_as_stated_by_rays() -> None:
    cases = draw(1000, seed=20_250)
    verdicts = [judge(case, ray_ns(case)) for case in cases]
    for part in (
        verdicts,
        [v for v in verdicts if v.case.depth_m < 1.0],
        [v for v in verdicts if v.case.depth_m >= 1.0],
    ):
        inside, of = held_of(part)
        assert LEVEL[0] <= inside / of <= LEVEL[1], (inside, of)


def test_the_full_wave_comes_later_than_rays_by_little(wave: list[tuple[Case, Arrival]]) -> None:
    """The strongest envelope against the top itself: half a period at most, and never so early as to lift the top."""
    for case, arrival in wave:
        late = arrival.time_ns - ray_ns(case)
        assert 0.0 < late < 0.5e3 / (0.8 * case.mhz), (case, late)
    by_mhz = {
        mhz: [0.5 * case.velocity() * (a.time_ns - ray_ns(case)) for case, a in wave if case.mhz == mhz]
        for mhz in (200.0, 400.0)
    }
    assert np.mean(by_mhz[400.0]) == pytest.approx(0.016, abs=0.006)
    assert np.mean(by_mhz[200.0]) == pytest.approx(0.043, abs=0.015)


def test_ninety_per_cent_intervals_hold_most_tops_of_the_full_wave(wave: list[tuple[Case, Arrival]]) -> None:
    """Few cases here: fewer than this would come once in a thousand times where the intervals hold 85 %."""
    verdicts = [judge(case, arrival.time_ns) for case, arrival in wave]
    inside, of = held_of(verdicts)
    assert inside > binom.ppf(0.001, of, LEVEL[0])
    assert len(depth_table(verdicts)) == 2 + of


@pytest.fixture(scope="module")
def wave() -> list[tuple[Case, Arrival]]:
    cases = draw(20, seed=1)
    return list(zip(cases, solve(cases), strict=True))


# ------------------------------------------------------------------------------------------------------------ the study


@pytest.mark.study
def test_two_thousand_tops_by_the_full_wave(capsys: pytest.CaptureFixture[str]) -> None:
    """Three tables of docs/studies.md: `make study` prints them."""
    cases = draw(2000, seed=20_250)
    started = time.perf_counter()
    arrivals = solve(cases)
    took = time.perf_counter() - started
    many = draw(10_000, seed=20_251)
    kinds = {
        "2,000, full wave": [(case, arrival.time_ns) for case, arrival in zip(cases, arrivals, strict=True)],
        "the same, rays": [(case, ray_ns(case)) for case in cases],
        "10,000 others, rays": [(case, ray_ns(case)) for case in many],
    }
    rows = ["| tops, arrivals | all | " + " | ".join(f"{t:.2f}–{t + 0.25:.2f} m" for t in DEPTHS_M) + " |"]
    rows.append("|---" * (2 + len(DEPTHS_M)) + "|")
    held = {}
    for kind, arrived in kinds.items():
        found = [judge(case, arrived_ns) for case, arrived_ns in arrived]
        parts = [held_of(v for v in found if top <= v.case.depth_m < top + 0.25) for top in DEPTHS_M]
        cells = " | ".join(f"{100 * inside / of:.0f} %" for inside, of in parts)
        held[kind] = held_of(found)
        rows.append(f"| {kind} | {_share(*held[kind])} | {cells} |")
    rows += _lateness(cases, arrivals)
    judged = [judge(case, arrival.time_ns) for case, arrival in zip(cases, arrivals, strict=True)]
    rows += ["", *depth_table(judged[:12])]
    rows.append(f"\n{sum(a.cell_updates for a in arrivals) / 1e9:.0f} billion cell updates, {took:.0f} s")
    with capsys.disabled():
        sys.stdout.write("\n" + "\n".join(rows) + "\n")
    inside, of = held["2,000, full wave"]
    assert LEVEL[0] <= inside / of <= LEVEL[1]


def _share(inside: int, of: int) -> str:
    low, high = clopper_pearson(inside, of)
    return f"{inside} of {of}: {100 * inside / of:.1f} % ({100 * low:.1f}–{100 * high:.1f})"


def _lateness(cases: Sequence[Case], arrivals: Sequence[Arrival]) -> list[str]:
    """How much later the full wave is than rays, and which part of it is time zero and the height of the antennas."""
    rows = [
        "",
        "| antennas, top, moisture | tops | later than rays, ns | time zero | height | rest | too deep, m |",
    ]
    rows.append("|---" * 7 + "|")
    for mhz in (200.0, 400.0):
        for void in (True, False):
            for wet in (False, True):
                pairs = [
                    (case, arrival)
                    for case, arrival in zip(cases, arrivals, strict=True)
                    if (case.mhz, case.void, case.site_vwc >= 0.2) == (mhz, void, wet)
                ]
                late = np.array([arrival.time_ns - ray_ns(case) for case, arrival in pairs])
                zero = np.array([-arrival.zero_late_ns for _, arrival in pairs])
                deep = np.array([0.5 * case.velocity() * t for (case, _), t in zip(pairs, late, strict=True)])
                high = 2.0 * antenna(mhz).height_m / C_M_PER_NS
                what = f"{mhz:.0f} MHz, {'void' if void else 'denser ground'}, {'0.20–0.35' if wet else '0.08–0.20'}"
                rows.append(
                    f"| {what} | {len(pairs)} | "
                    f"{late.mean():+.2f} ± {late.std():.2f} | {zero.mean():+.2f} | {high:+.2f} | "
                    f"{(late - zero).mean() - high:+.2f} | {deep.mean():+.3f} |"
                )
    return rows
