"""The fast first-order model against the full wave: the same ground, antennas and bodies, with minus without each."""

from __future__ import annotations

import datetime as dt
import sys
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from scipy.signal import hilbert

from yewline.simulation import (
    Coffin,
    DayWater,
    Drain,
    Even,
    Fill,
    Grave,
    Ground,
    Instrument,
    LinePlan,
    Scene,
    SceneDay,
    SceneFile,
    Soil,
    Stone,
    columns_of,
    grave_responses,
    pack,
    prepare_responses,
    record_traces,
    scatter_scene,
)
from yewline.units import C_M_PER_NS

Array = npt.NDArray[np.float64]

BOUNDS = (0.0, 0.0, 10.0, 8.0)
SOIL = Soil(water_ms_per_m=30.0, surface_ms_per_m=2.0)
DAYS = {
    "dry": SceneDay("dry", dt.date(2031, 5, 1), DayWater(Even(0.10))),
    "wet": SceneDay("wet", dt.date(2031, 11, 1), DayWater(Even(0.25))),
}
ADULT = Grave("it", "adult", 5.0, 4.0, 2.1, 0.7, 0.0, 0.2, 1.2, Fill(0.47, 0.8), blur_m=0.0)
BODIES: dict[str, Scene] = {
    "cut with drier fill, base at 1.2 m": Scene(BOUNDS, graves=(ADULT,)),
    "the same, base at 0.7 m": Scene(BOUNDS, graves=(replace(ADULT, base_m=0.7),)),
    "cut with a sound coffin": Scene(BOUNDS, graves=(replace(ADULT, coffin=Coffin(1.8, 0.5, 0.35, 1.0)),)),
    "stone, radius 0.15 m": Scene(BOUNDS, stones=(Stone(5.0, 4.0, 0.8, 0.15, 5.0, label="it"),)),
    "stone, radius 0.04 m": Scene(BOUNDS, stones=(Stone(5.0, 4.0, 0.8, 0.04, 5.0, label="it"),)),
    "drain of air, radius 0.06 m": Scene(
        BOUNDS, drains=(Drain(((5.0, 0.5, 0.8), (5.0, 7.5, 0.8)), 0.06, 1.5, label="it"),)
    ),
}


def pair(mhz: float) -> Instrument:
    """Antennas 0.2 m apart close to the ground."""
    return Instrument(mhz, 0.2, 80.0 / mhz, 200 if mhz > 300 else 140, 2e3 / mhz, height_m=0.02, aperture_m=1.3)


def both(body: Scene, day: str, mhz: float, *, half_m: float = 0.6, step_m: float = 0.1) -> tuple[Array, Array, float]:
    """Responses (T, S) of the body by the full wave and by the first order, and the sample interval.

    Of a grave only what comes back from the lower half of it: the first order knows no top of a fill.
    """
    instrument = pair(mhz)
    traces = round(2 * half_m / step_m)
    plan = LinePlan(count=1, length_m=traces * step_m, trace_interval_m=step_m, origin=(5.0 - half_m, 4.0))
    scene = SceneFile("t", "about", 3, body, (DAYS[day],), plan, Ground(SOIL, 4), mhz, instrument)
    (full,) = grave_responses(prepare_responses(scene, day, "L1", ["it"]))
    columns = columns_of(scene.ground, DAYS[day].water, BOUNDS, centre_mhz=mhz)
    packed = pack(scatter_scene(body, columns, seed=1, density_per_m3=0.0))
    x = 5.0 - half_m + step_m * np.arange(traces + 1)
    first = record_traces(packed, x[full.traces], np.full(len(full.traces), 4.0), instrument, direct=False)
    after = np.ones(instrument.samples)
    if body.graves:
        speed = C_M_PER_NS / np.sqrt(columns.permittivity.mean())
        time = instrument.interval_ns * np.arange(instrument.samples) - instrument.zero_ns
        begins = 1.2 * body.graves[0].base_m / speed
        after = np.clip((time - begins) / (0.5e3 / mhz), 0.0, 1.0)
    return full.difference * after, first * after, instrument.interval_ns


def compare(full: Array, first: Array, interval_ns: float) -> tuple[float, float, float]:
    """Amplitude of the first order over the full wave, its delay in ns, and their correlation once it is taken out.

    All three over the traces within a metre of the body, by the strongest answer's envelope.
    """
    envelopes = [np.abs(hilbert(field, axis=1)) for field in (full, first)]
    ratio = float(envelopes[1].max() / envelopes[0].max())
    trace = int(envelopes[0].max(axis=1).argmax())
    crest = [float(envelope[trace].argmax()) for envelope in envelopes]
    lags = np.arange(-12, 13)
    alike = [float((full * np.roll(first, -lag, axis=1)).sum()) for lag in lags]
    best = max(alike) / float(np.sqrt((full**2).sum() * (first**2).sum()))
    return ratio, (crest[1] - crest[0]) * interval_ns, best


@pytest.mark.parametrize("day", ["dry", "wet"])
def test_the_answer_of_a_drain_is_the_full_waves(day: str) -> None:
    ratio, late, alike = compare(*both(BODIES["drain of air, radius 0.06 m"], day, 200.0))
    assert 0.5 < ratio < 2.0
    assert abs(late) < 0.3 * 1e3 / 200.0
    assert alike > 0.8


def test_the_first_answer_of_a_grave_is_the_full_waves() -> None:
    ratio, late, alike = compare(*both(BODIES["cut with drier fill, base at 1.2 m"], "dry", 200.0))
    assert 0.5 < ratio < 2.0
    assert abs(late) < 0.5 * 1e3 / 200.0
    assert alike > 0.6


@pytest.mark.study
def test_table(capsys: pytest.CaptureFixture[str]) -> None:
    """The table of docs/studies.md: `make study` prints it."""
    rows = ["| body | day | MHz | amplitude, first order over full wave | delay, ns | correlation |"]
    rows.append("|---|---|---|---|---|---|")
    for name, body in BODIES.items():
        for day in DAYS:
            for mhz in (200.0, 400.0):
                ratio, late, alike = compare(*both(body, day, mhz))
                rows.append(f"| {name} | {day} | {mhz:.0f} | {ratio:.2f} | {late:+.1f} | {alike:.2f} |")
                assert np.isfinite([ratio, late, alike]).all()
    with capsys.disabled():
        sys.stdout.write("\n" + "\n".join(rows) + "\n")
