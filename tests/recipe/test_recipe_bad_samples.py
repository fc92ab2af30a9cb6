"""What holds for every step that is registered, on samples and sections that no survey should give, and in any unit."""

from __future__ import annotations

import re
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from yewline.errors import InputError
from yewline.recipe import STEPS, Step
from yewline.recipe.schema import parameter_model
from yewline.signal import Section

every_step = pytest.mark.parametrize("step", STEPS, ids=lambda step: step.name)

STATED = {"notch": {"frequency_mhz": 300.0}}
LONGER = {"topography"}
SHORTER = {"time_zero"}
REFUSALS = (
    r"traces are too short: at least \d+ samples are needed",
    r"the window is too short: at least \d+ samples are needed",
    r"amplitude holds values too large to work on .* bring it to a unit",
    r"no direct wave: every trace is silent",
    r"every trace is dead or noisy",
    r"the line has no length: all traces stand at one place",
    r"distance along the line falls",
    r"distances along the line must rise .* Put the traces in order and drop repeats",
    r"spacing_m is far finer than the line was recorded",
    r"needs? the trace spacing \(received 0 m\)\. Check the positions",
    r"(the band|the notch|the Ricker wavelet) (reaches|must lie|lies) .*the Nyquist frequency .* (Check|Lower) ",
    r"the band must rise and stay under the Nyquist frequency .* Check low_mhz and high_mhz",
    r"the four corners must rise .* Check the corners, the sample interval and the centre frequency",
    r"the band holds no frequency of so short a record",
    r"the Ricker wavelet is longer than the record .* Raise peak_mhz",
    r"the new sample interval is far shorter than the recorded one .* Check both",
)
"""What a step may say of samples and sections as they are drawn here; anything else is a fault of the step."""


def section(traces: int, **more: Any) -> Section:
    at = 0.05 * np.arange(traces)
    held: dict[str, Any] = {
        "interval_ns": 0.25,
        "spacing_m": 0.05 if traces > 1 else 0.0,
        "centre_mhz": 400.0,
        "separation_m": 0.16,
        "velocity_m_per_ns": 0.1,
        "absorption_db_per_ns": 0.3,
        "q_star": 40.0,
        "distance_m": at,
        "elevation_m": 3.0 + 0.02 * np.sin(at),
        "x_m": at,
        "y_m": 0.5 * at,
    }
    return Section(**{**held, **more})


def outcome(step: Step, samples: np.ndarray, of: Section, **stated: Any) -> np.ndarray | InputError:
    """What a step makes of samples, or what it says of them; both they and the section stay as they were."""
    held = samples.copy()
    before = {f.name: np.copy(getattr(of, f.name)) for f in fields(of) if isinstance(getattr(of, f.name), np.ndarray)}
    samples.setflags(write=False)
    try:
        parameters = step.resolved({**STATED.get(step.name, {}), **stated}, of, samples.shape[1])
        given = {name: value for name, value in parameters.items() if value is not None}
        result = step.function(samples, of, **given)
    except InputError as error:
        return error
    finally:
        assert samples.tobytes() == held.tobytes()
        for name, values in before.items():
            assert getattr(of, name).tobytes() == values.tobytes()
    assert result.dtype == np.float32
    assert result.ndim == 2
    assert result.flags.c_contiguous
    assert np.isfinite(result).all()
    assert not np.shares_memory(result, samples)
    if step.section_after is None:
        assert len(result) == len(samples)
        assert result.shape[1] >= samples.shape[1] or step.name in SHORTER
        assert result.shape[1] <= samples.shape[1] or step.name in LONGER
    return result


def finite_or_refused(step: Step, samples: np.ndarray, of: Section) -> None:
    said = outcome(step, samples, of)
    if isinstance(said, InputError):
        assert any(re.search(known, str(said)) for known in REFUSALS), said
        assert said.do, said


def noise(*shape: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(shape).astype(np.float32)


@every_step
@settings(max_examples=25)
@given(data=st.data())
def test_any_samples_give_finite_samples_or_a_clear_refusal(step, data):
    shape = data.draw(st.tuples(st.integers(1, 12), st.integers(1, 70)))
    x = data.draw(arrays(np.float32, shape, elements=st.floats(-(2.0**15), 2.0**15, width=32)))
    finite_or_refused(step, x, section(shape[0]))


ODD = {
    "constant": np.full((6, 80), 7.0),
    "silent": np.zeros((6, 80)),
    "one trace": noise(1, 80),
    "two samples": noise(6, 2),
    "one sample": noise(6, 1),
    "one trace of one sample": noise(1, 1),
    "two traces": noise(2, 80),
    "enormous": 1e30 * noise(6, 80),
    "as large as numbers go": np.sign(noise(6, 80)) * 3e38,
    "tiny": 1e-30 * noise(6, 80),
    "as small as numbers go": 1e-44 * noise(6, 80),
    "one spike": np.where(np.arange(480).reshape(6, 80) == 200, 1e9, 0.0),
    "one trace alone": np.where(np.arange(6)[:, None] == 3, noise(6, 80), 0.0),
    "cut at both ends": np.clip(noise(6, 80), -0.1, 0.1),
    "alternating": np.tile([1.0, -1.0], (6, 40)),
}


@every_step
@pytest.mark.parametrize("odd", ODD)
def test_odd_samples_give_finite_samples_or_a_clear_refusal(step, odd):
    x = ODD[odd].astype(np.float32)
    finite_or_refused(step, x, section(len(x)))


@every_step
@pytest.mark.parametrize(
    ("samples", "message"),
    [
        (np.full((3, 80), np.nan), "amplitude holds values that are not finite (received nan at (0, 0))"),
        (np.where(np.eye(3, 80) > 0, np.inf, 0.0), "amplitude holds values that are not finite"),
        (np.zeros((0, 80)), "amplitude is empty"),
        (np.zeros((3, 0)), "amplitude is empty"),
    ],
)
def test_samples_that_are_none_are_refused(step, samples, message):
    said = outcome(step, samples, section(3))
    assert isinstance(said, InputError)
    assert message in str(said)


COARSE = {
    "centre above the highest frequency": {"interval_ns": 2.0},
    "far above it": {"interval_ns": 50.0},
    "band above it": {"interval_ns": 1.1},
    "far below": {"centre_mhz": 0.5},
    "traces apart": {"spacing_m": 50.0},
    "traces close": {"spacing_m": 1e-5},
    "no distance between traces": {"spacing_m": 0.0},
    "fast": {"velocity_m_per_ns": 0.2997},
    "slow": {"velocity_m_per_ns": 0.005},
    "antennas far apart": {"separation_m": 20.0},
    "strong absorption": {"absorption_db_per_ns": 20.0, "q_star": 0.1},
}


@every_step
@pytest.mark.parametrize("odd", COARSE)
def test_odd_sections_give_finite_samples_or_a_clear_refusal(step, odd):
    finite_or_refused(step, noise(8, 80), section(8, **COARSE[odd]))


WANDERING = {
    "back and forth": [0.0, 0.1, 0.05, 0.2, 0.15, 0.3, 0.25, 0.4],
    "a jump back": [0.0, 0.1, 0.2, 0.3, -100.0, -99.9, -99.8, -99.7],
    "a jump": [0.0, 0.1, 0.2, 0.3, 1000.0, 1000.1, 1000.2, 1000.3],
    "repeats": [0.0, 0.0, 0.1, 0.1, 0.1, 0.2, 0.2, 0.3],
    "standing still": [1.0] * 8,
    "backwards": np.linspace(1.0, 0.0, 8),
}


@every_step
@pytest.mark.parametrize("odd", WANDERING)
def test_odd_distances_give_finite_samples_or_a_clear_refusal(step, odd):
    at = np.asarray(WANDERING[odd], np.float64)
    finite_or_refused(step, noise(8, 80), section(8, distance_m=at, x_m=at, y_m=0.0 * at))


@every_step
@settings(max_examples=15)
@given(data=st.data())
def test_any_distances_give_finite_samples_or_a_clear_refusal(step, data):
    at = data.draw(arrays(np.float64, 9, elements=st.floats(-400.0, 400.0)))
    heights = data.draw(arrays(np.float64, 9, elements=st.floats(-2.0, 2.0)))
    of = section(9, distance_m=at, x_m=at, y_m=0.0 * at, elevation_m=heights)
    finite_or_refused(step, noise(9, 80), replace(of, spacing_m=float(np.median(np.abs(np.diff(at))))))


@every_step
def test_what_is_not_known_is_asked_for_in_words(step):
    """A section that knows only how it was sampled."""
    bare = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
    said = outcome(step, noise(8, 80), bare)
    if isinstance(said, InputError):
        assert re.search(r"needs (a velocity|the distance|the height|the site)", str(said)), said
        assert said.do, said


def ends(step: Step) -> list[tuple[str, Any]]:
    """Every parameter at each end of what its schema lets through, and every choice of words."""
    found: list[tuple[str, Any]] = []
    for name, about in parameter_model(step).model_json_schema().get("properties", {}).items():
        for kind in about.get("anyOf", [about]):
            lowest = kind.get("minimum", kind.get("exclusiveMinimum"))
            found += [(name, choice) for choice in kind.get("enum", [])]
            if lowest is not None:
                # What must be above zero is tried close to it; a filter's edges go no nearer than arithmetic does.
                found.append((name, lowest if "minimum" in kind else lowest + 1e-3))
            if "maximum" in kind:
                found.append((name, kind["maximum"]))
    return found


@pytest.mark.parametrize(
    ("step", "name", "value"),
    [(step, *end) for step in STEPS for end in ends(step)],
    ids=lambda part: getattr(part, "name", str(part)),
)
def test_parameters_at_the_ends_of_their_range_give_finite_samples_or_a_clear_refusal(step, name, value):
    said = outcome(step, noise(8, 80), section(8), **{name: value})
    assert isinstance(said, np.ndarray) or re.search(r"received", str(said)), said


PULSE = np.exp(-(((np.arange(120) - 24) / 4.0) ** 2)) * np.cos(0.6 * (np.arange(120) - 24))


@every_step
@pytest.mark.parametrize("power", [-100, -60, 60, 90])
def test_no_step_knows_the_unit_of_samples(step, power):
    """Another unit gives the same numbers in that unit, or the same where they have none (phases, likeness)."""
    x = (noise(30, 120, seed=1) * 0.02 + 3.0 * PULSE).astype(np.float32)
    x[12, 70] += 2.0
    unit = np.float32(2.0**power)
    first, second = outcome(step, x.copy(), section(30)), outcome(step, x * unit, section(30))
    assert isinstance(first, np.ndarray)
    assert isinstance(second, np.ndarray)
    size = float(np.abs(first).max())
    in_units = np.abs(second.astype(np.float64) / float(unit) - first).max()
    without = np.abs(second.astype(np.float64) - first).max()
    # Where numbers fit single precision with room to spare, shifts of time zero round another way in the last digits.
    assert size > 0
    assert min(in_units, without) <= 4e-6 * size
