"""Recipes over radargrams: segments, provenance, times, threads, and refusals that name line and step."""

from __future__ import annotations

import numpy as np
import pytest

from yewline import signal
from yewline.errors import Cancelled, InputError
from yewline.model import make_radargram, provenance_steps
from yewline.progress import Progress
from yewline.recipe import (
    recipe_from_toml,
    run_after,
    run_before,
    run_display,
    run_lines,
    section_of,
    standard_recipe,
)

DT, V, MHZ = 0.25, 0.1, 400.0
ATTRS = {"centre_mhz": MHZ, "separation_m": 0.16, "line": "L07", "visit": "dry"}

MIGRATE = '[[after]]\nstep = "migrate_stolt"\n[[after]]\nstep = "envelope"'


def ricker(t: np.ndarray) -> np.ndarray:
    u = (np.pi * MHZ * 1e-3 * t) ** 2
    return (1 - 2 * u) * np.exp(-u)


def survey_line(*, traces: int = 160, x0: float = 4.0, z0: float = 0.8, start_ns: float = 0.0, segment=None):
    """A direct wave at 9 ns, wow, noise and a point at (x0, z0)."""
    x = 0.05 * np.arange(traces)
    t = DT * np.arange(256)
    air = 0.16 / 0.299792458
    arrival = 9.0 - air + 2 * np.hypot(x - x0, z0) / V
    field = 3.0 * ricker(t - 9.0) + (8.0 / arrival[:, None]) ** 2 * ricker(t - arrival[:, None])
    field = field + 0.4 * np.exp(-t / 25.0) + 0.002 * np.random.default_rng(1).standard_normal((traces, 256))
    return make_radargram(field, interval_ns=DT, x=x, y=0 * x, start_ns=start_ns, segment=segment, attrs=ATTRS)


def test_a_point_in_the_ground_is_imaged_where_it_is():
    line = survey_line()
    image = run_after(standard_recipe(), run_before(standard_recipe(), line), velocity_m_per_ns=V)
    late = image.sel(time=slice(6.0, None))
    trace, sample = np.unravel_index(late.values.argmax(), late.shape)
    assert late["distance"].values[trace] == pytest.approx(4.0, abs=0.05)
    # Within the half-way time between two samples and what the filters leave of the direct wave.
    assert late["time"].values[sample] * V / 2 == pytest.approx(0.8, abs=0.025)


def test_the_standard_recipe_is_its_steps_one_after_the_other():
    line = survey_line()
    section = section_of(line, absorption_db_per_ns=0.4)
    # Time zero is found on the record as it came, and the record cut there once the filters have seen all of it.
    zero = signal.pick_time_zero(line.values, section, pick="correlation")
    x = signal.dewow(line.values, section)
    x = signal.band_pass(x, section)
    x = signal.start_at(x, section, zero)
    x = signal.background_removal(x, section)
    x = signal.compensate(x, section)
    before = run_before(standard_recipe(), line, absorption_db_per_ns=0.4)
    assert before.values.tobytes() == x.tobytes()
    fast = section_of(line, velocity_m_per_ns=V)
    after = run_after(standard_recipe(), before, velocity_m_per_ns=V)
    assert after.values.tobytes() == signal.envelope(signal.migrate_stolt(x, fast), fast).tobytes()
    assert run_display(standard_recipe(), before).values.tobytes() == signal.automatic_gain(x, fast).tobytes()


def test_the_radargram_that_came_in_is_left_alone():
    line = survey_line()
    held = line.copy(deep=True)
    run_after(standard_recipe(), run_before(standard_recipe(), line), velocity_m_per_ns=V)
    assert line.identical(held)


def test_traces_coordinates_and_number_type_stay():
    line = survey_line()
    image = run_after(standard_recipe(), run_before(standard_recipe(), line), velocity_m_per_ns=V)
    assert image.dims == ("trace", "time")
    # The record ends where that of the trace that was moved most does.
    assert image.sizes["trace"] == line.sizes["trace"]
    assert 0 < line.sizes["time"] - image.sizes["time"] < 0.3 * line.sizes["time"]
    assert image.dtype == np.float32
    assert (image["x"].values == line["x"].values).all()


def test_times_count_from_time_zero():
    line = survey_line(start_ns=-5.0)
    before = run_before(standard_recipe(), line)
    assert before["time"].values[0] == 0.0
    assert before["time"].attrs == {"units": "ns"}
    kept = run_before(recipe_from_toml('[[before]]\nstep = "dewow"'), line)
    assert kept["time"].values[0] == -5.0


def test_provenance_names_every_step_with_its_parameters():
    before = run_before(standard_recipe(), survey_line(), absorption_db_per_ns=0.4)
    image = run_after(standard_recipe(), before, velocity_m_per_ns=V)
    made = provenance_steps(image)
    names = ["time_zero", "dewow", "band_pass", "background_removal", "compensate", "migrate_stolt", "envelope"]
    assert [step["step"] for step in made] == names
    assert made[1]["parameters"] == {"window_ns": 5.0}
    assert made[2]["parameters"] == {"low_mhz": 120.0, "high_mhz": 1000.0, "order": 4}
    assert made[4]["parameters"]["absorption_db_per_ns"] == 0.4
    farthest_m = 0.5 * V * image.sizes["time"] * image.attrs["interval_ns"]
    assert made[5]["parameters"] == {"velocity_m_per_ns": 0.1, "pad_m": pytest.approx(farthest_m), "taper_m": 0.0}
    # A line says what made it, and that is the same whatever the rest of the recipe, and its name.
    assert {frozenset(step) for step in made} == {frozenset(("step", "parameters", "part", "version"))}
    assert [step["part"] for step in made] == ["before"] * 5 + ["after"] * 2


def test_provenance_tells_what_the_step_met():
    # time_zero shortens the record; the half of it that was searched is that of the record as it came.
    line = survey_line()
    before = run_before(standard_recipe(), line)
    assert before.sizes["time"] < line.sizes["time"] == 256
    assert provenance_steps(before)[0]["parameters"]["search_ns"] == 128 * DT


def test_segments_are_not_mixed():
    parts = np.repeat([0, 1, 2], [70, 89, 1])
    line = survey_line(segment=parts)
    recipe = recipe_from_toml('[[before]]\nstep = "background_removal"\n[[after]]\nstep = "migrate_stolt"')
    before = run_before(recipe, line)
    section = section_of(line, velocity_m_per_ns=V)
    for start, stop in ((0, 70), (70, 159), (159, 160)):
        alone = signal.background_removal(line.values[start:stop], section)
        assert before.values[start:stop].tobytes() == alone.tobytes()
    image = run_after(recipe, before, velocity_m_per_ns=V)
    assert image.values[:70].tobytes() == signal.migrate_stolt(before.values[:70], section).tobytes()
    assert image.values[159].tobytes() == line.values[159].tobytes()


def test_a_line_of_one_trace_runs_through():
    line = survey_line(traces=1)
    image = run_after(standard_recipe(), run_before(standard_recipe(), line), velocity_m_per_ns=V)
    assert np.isfinite(image.values).all()


def test_threads_change_nothing():
    lines = [survey_line(traces=60 + 7 * i, x0=1.0 + 0.2 * i) for i in range(6)]
    heard = []

    def work(line):
        return run_before(standard_recipe(), line)

    one = run_lines(work, lines)
    two = run_lines(work, lines, workers=2, progress=Progress(lambda *told: heard.append(told)), label="lines of dry")
    assert all(a.identical(b) for a, b in zip(one, two, strict=True))
    assert heard[0] == ("lines of dry", 0, 6)
    assert heard[-1] == ("lines of dry", 6, 6)


def test_threads_stop_on_request_and_on_failure():
    with pytest.raises(Cancelled, match="stopped during lines"):
        run_lines(lambda line: line, [1, 2, 3], progress=Progress(cancelled=lambda: True))

    def work(number):
        raise InputError("no such line", received=number)

    with pytest.raises(InputError, match=r"no such line \(received 1\)"):
        run_lines(work, [1, 2], workers=2)
    with pytest.raises(InputError, match="workers must be at least 1"):
        run_lines(work, [1], workers=0)


def test_an_error_names_the_line_and_the_step():
    short = make_radargram(np.ones((3, 20)), interval_ns=DT, x=[0, 1, 2], y=[0, 0, 0], attrs=ATTRS)
    recipe = recipe_from_toml('[[before]]\nstep = "band_pass"')
    with pytest.raises(InputError, match="visit dry line L07, step band_pass: traces are too short"):
        run_before(recipe, short)


def test_a_radargram_without_its_antenna_is_refused():
    line = make_radargram(np.ones((3, 64)), interval_ns=DT, x=[0, 1, 2], y=[0, 0, 0])
    with pytest.raises(InputError, match="radargram: the radargram does not say its antenna's centre frequency"):
        run_before(standard_recipe(), line)


def test_a_velocity_above_that_of_light_is_refused():
    before = run_before(standard_recipe(), survey_line())
    with pytest.raises(InputError, match="velocity above that of light"):
        run_after(standard_recipe(), before, velocity_m_per_ns=0.31)
