"""The first-order model face by face against the full wave: same bodies, same ground, same antennas."""

from __future__ import annotations

import datetime as dt
import math
import sys
from dataclasses import dataclass, replace

import numpy as np
import pytest

from yewline.signal import Section as Sampling
from yewline.signal import envelope
from yewline.simulation.bodies import scatter_scene
from yewline.simulation.earth import DayWater, Even, Ground, Soil, columns_of, materials
from yewline.simulation.fillings import Fill
from yewline.simulation.graves import Coffin, Grave
from yewline.simulation.instrument import Instrument
from yewline.simulation.lookalikes import Drain, Stone
from yewline.simulation.record import record_traces
from yewline.simulation.scene import Layer, Scene
from yewline.simulation.scenes import LinePlan, SceneDay, SceneFile
from yewline.simulation.scenes.responses import grave_responses, prepare_responses
from yewline.simulation.spikes import pack
from yewline.units import C_M_PER_NS

BOUNDS = (0.0, 0.0, 8.0, 8.0)
GROUND = Ground(Soil(porosity=0.42), 5)
MIDDLE = 4.0
ASIDE_M = 0.75
STEP_NS = 0.1
DRY, WET = 0.08, 0.25


def _grave(label: str, top: float, base: float, coffin: Coffin | None = None) -> Grave:
    return Grave(label, "adult", MIDDLE, MIDDLE, 2.0, 0.7, 0.0, top, base, Fill(0.48, 0.85), coffin, 0.0)


def _drain(label: str, radius: float) -> Drain:
    return Drain(((MIDDLE, 0.5, 0.6), (MIDDLE, 7.5, 0.6)), radius, 1.0, label=label)


VOID = Coffin(1.8, 0.5, 0.35, 1.0)
SCENE = Scene(
    BOUNDS,
    graves=(
        _grave("grave, fill only: its base", 0.2, 1.2),
        _grave("grave with a void: its lid", 0.2, 1.2, VOID),
        _grave("deep grave, fill only: its base", 0.6, 1.8),
        _grave("deep grave with a void: its lid", 0.6, 1.8, VOID),
        _grave("shallow grave, fill only: its base", 0.1, 0.5),
    ),
    stones=(
        Stone(MIDDLE, MIDDLE, 0.5, 0.15, label="stone, 0.30 m across"),
        Stone(MIDDLE, MIDDLE, 0.5, 0.03, label="stone, 0.06 m across"),
        Stone(MIDDLE, MIDDLE, 0.15, 0.06, label="stone, 0.12 m across, 0.09 m deep"),
    ),
    drains=(_drain("empty drain, 0.16 m across", 0.08), _drain("empty drain, 0.08 m across", 0.04)),
    layers=(Layer(0.8, Fill(0.42, 1.4), label="layer"),),
)
ANSWERS = {
    "layer": 0.8,
    "grave with a void: its lid": 0.85,
    "deep grave with a void: its lid": 1.45,
    "grave, fill only: its base": 1.2,
    "deep grave, fill only: its base": 1.8,
    "shallow grave, fill only: its base": 0.5,
    "empty drain, 0.16 m across": 0.52,
    "empty drain, 0.08 m across": 0.56,
    "stone, 0.30 m across": 0.35,
    "stone, 0.06 m across": 0.47,
    "stone, 0.12 m across, 0.09 m deep": 0.09,
}
"""Depth of the face whose answer is compared."""


@dataclass(frozen=True)
class Verdict:
    """First order against full wave in the time of one face's answer, straight over it.

    `later_ns` that the first order's answer is; `strength` of it over the full wave's, with what the surface does taken
    in; `alike`, their best correlation within half a period of one time, polarity kept; `legs`, the strongest answer
    `ASIDE_M` off over that straight above, by the full wave and by the first order.
    """

    later_ns: float
    strength: float
    alike: float
    legs: tuple[float, float]


def compare(mhz: float, vwc: float, labels: tuple[str, ...], *, power: int = 1) -> dict[str, Verdict]:
    """Both models of some bodies of `SCENE`, each alone in the ground, on three traces: over them and to both sides."""
    n = math.sqrt(float(materials(GROUND.soil, vwc, frequency_mhz=mhz)[0]))
    zero = 2.5e3 / mhz + 3.0
    deepest = max(ANSWERS[label] for label in labels)
    samples = math.ceil((2.0 * deepest * n / C_M_PER_NS + zero + 4e3 / mhz) / STEP_NS)
    pair = Instrument(mhz, 0.16 if mhz > 300 else 0.3, STEP_NS, samples, zero, pattern_power=power)
    day = SceneDay("d", dt.date(2024, 1, 1), DayWater(Even(vwc)))
    plan = LinePlan(count=1, length_m=2 * ASIDE_M, trace_interval_m=ASIDE_M, origin=(MIDDLE - ASIDE_M, MIDDLE))
    file = SceneFile("t", "about", 1, SCENE, (day,), plan, GROUND, mhz, pair)
    others = [label for label, _ in SCENE.things() if label not in labels]
    columns = columns_of(GROUND, day.water, BOUNDS, centre_mhz=mhz, cell_m=1.0)
    x = MIDDLE + ASIDE_M * np.array([-1.0, 0.0, 1.0])
    found = {}
    for response in grave_responses(prepare_responses(file, "d", "L1", labels, without=others)):
        alone = scatter_scene(_only(response.label), columns, seed=1, density_per_m3=0.0)
        first = record_traces(pack(alone), x, np.full_like(x, MIDDLE), pair, direct=False)
        full = np.zeros_like(first)
        full[response.traces] = response.difference
        # Through the surface and back, spread as from a source in air: (2n/(1 + n))². The first order leaves it out.
        found[response.label] = _judge(full, (2.0 * n / (1.0 + n)) ** 2 * first, pair, n, ANSWERS[response.label])
    return found


def _only(label: str) -> Scene:
    kept = {
        kind: [t for t in getattr(SCENE, kind) if t.label == label] for kind in ("graves", "stones", "drains", "layers")
    }
    return replace(SCENE, **{kind: tuple(things) for kind, things in kept.items()})


def _judge(full: np.ndarray, first: np.ndarray, pair: Instrument, n: float, depth_m: float) -> Verdict:
    sampling = Sampling(pair.interval_ns, 0.0, pair.centre_mhz)
    strong = [envelope(part, sampling) for part in (full, first)]
    time = pair.interval_ns * np.arange(pair.samples) - pair.zero_ns
    period = 1e3 / pair.centre_mhz
    expected = 2.0 * math.hypot(depth_m, 0.5 * pair.separation_m) * n / C_M_PER_NS
    # A fill that is drier than the soil brings the answer of what lies under it earlier.
    near = (time > 0.84 * expected - 0.7 * period) & (time < expected + 1.2 * period)
    at = [int(np.where(near, part[1], 0.0).argmax()) for part in strong]
    half, most = round(0.8 * period / pair.interval_ns), round(0.5 * period / pair.interval_ns)
    there = np.pad(full[1], half + most)[at[0] + most :][: 2 * half + 1]
    moved = np.pad(first[1], half + most)
    alike = [np.corrcoef(there, moved[at[1] + lag :][: 2 * half + 1])[0, 1] for lag in range(2 * most + 1)]
    return Verdict(
        pair.interval_ns * (at[1] - at[0]),
        float(strong[1][1, at[1]] / strong[0][1, at[0]]),
        float(max(alike)),
        (float(strong[0][2].max() / strong[0][1].max()), float(strong[1][2].max() / strong[1][1].max())),
    )


def test_a_layer_is_the_same_in_both() -> None:
    found = compare(200.0, DRY, ("layer",))["layer"]
    assert abs(found.later_ns) <= 0.15
    assert found.strength == pytest.approx(1.0, abs=0.12)
    assert found.alike > 0.98


def test_voids_and_pipes_are_alike_and_thin_pipes_too_strong() -> None:
    lid, pipe, thin = (
        "grave with a void: its lid",
        "empty drain, 0.16 m across",
        "empty drain, 0.08 m across",
    )
    found = compare(400.0, DRY, (lid, pipe, thin))
    assert min(each.alike for each in found.values()) > 0.93
    assert found[pipe].strength == pytest.approx(1.0, abs=0.1)
    assert abs(found[pipe].later_ns) <= 0.4
    assert found[lid].strength == pytest.approx(0.8, abs=0.1)
    # The fill over the lid is drier than the soil, by which the first order counts its time: over 0.65 m of it.
    fill, _ = materials(GROUND.soil, 0.85 * DRY, porosity=0.48, frequency_mhz=400.0)
    soil, _ = materials(GROUND.soil, DRY, frequency_mhz=400.0)
    saved = 2.0 * 0.65 * (math.sqrt(float(soil)) - math.sqrt(float(fill))) / C_M_PER_NS
    assert found[lid].later_ns == pytest.approx(saved, abs=0.4)
    # A quarter of a wavelength across.
    assert found[thin].strength > 1.3


def test_legs_are_too_weak_with_a_cosine_for_the_antennas() -> None:
    pipe = "empty drain, 0.16 m across"
    with_cosine, without = (compare(200.0, DRY, (pipe,), power=power)[pipe].legs for power in (1, 0))
    assert with_cosine[0] == without[0]
    assert with_cosine[1] < 0.5 * without[1] < 0.5 * without[0]


@pytest.mark.study
def test_face_by_face(capsys: pytest.CaptureFixture[str]) -> None:
    """Two tables of docs/studies.md: `make study` prints them."""
    settings = [(200.0, DRY), (400.0, DRY), (200.0, WET), (400.0, WET)]
    found = [compare(mhz, vwc, tuple(ANSWERS)) for mhz, vwc in settings]
    rows = ["| answer of | dry, 200 MHz | dry, 400 MHz | wet, 200 MHz | wet, 400 MHz |", "|---|---|---|---|---|"]
    for label in ANSWERS:
        held = [each[label] for each in found]
        cells = [f"{v.later_ns:+.1f} ns, × {v.strength:.2f}, {v.alike:.2f}" for v in held]
        rows.append(f"| {label} | " + " | ".join(cells) + " |")
    rows += ["", "| full wave, first order | dry, 200 MHz | dry, 400 MHz | wet, 200 MHz | wet, 400 MHz |"]
    rows.append("|---|---|---|---|---|")
    for label in ("layer", "empty drain, 0.16 m across", "stone, 0.30 m across"):
        cells = [f"{each[label].legs[0]:.2f}, {each[label].legs[1]:.2f}" for each in found]
        rows.append(f"| {label} | " + " | ".join(cells) + " |")
    with capsys.disabled():
        sys.stdout.write("\n" + "\n".join(rows) + "\n")
