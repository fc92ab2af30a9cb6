"""One line for looking at: the arrays that pictures are drawn from obey the same physics as the site."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from yewline.errors import Cancelled, InputError
from yewline.progress import Progress
from yewline.simulation.scenes import prepare_line, read_scene, simulate_line
from yewline.simulation.wave import record_course
from yewline.units import C_M_PER_NS
from yewline.workspace import LineView, view_line

TINY = Path(__file__).parents[1] / "tiny_scene.toml"


@pytest.fixture(scope="module")
def view() -> LineView:
    return view_line(TINY)


def test_line_and_place_are_where_most_is_to_be_seen(view: LineView):
    assert (view.scene, view.day, view.line) == ("tiny", "dry", "L3")
    # The middle of the line lies at 2.5 m; G1 begins 1.1 m along it, G2 at 3.4 m.
    assert view.shot.at_m == pytest.approx(1.5, abs=0.05)
    assert {thing.label for thing in view.things} == {"G1", "G2"}
    assert {thing.kind for thing in view.things if thing.label == "G1"} >= {"fill", "coffin void"}


def test_radargram_is_that_of_the_simulator(view: LineView):
    recorded = simulate_line(read_scene(TINY), "dry", "L3")
    np.testing.assert_array_equal(view.radargram, recorded.radargram.values)
    assert view.time_ns[0] == -read_scene(TINY).antenna.zero_ns
    assert np.sqrt((view.echoes.astype(np.float64) ** 2).mean()) == pytest.approx(1.0)


def test_direct_waves_arrive_when_distance_over_velocity_says(view: LineView):
    assert view.air_ns == pytest.approx(0.3 / C_M_PER_NS)
    top = view.permittivity[:, (view.depth_m > 0.02) & (view.depth_m < 0.1)]
    assert view.ground_ns == pytest.approx(0.3 * np.sqrt(top.mean()) / C_M_PER_NS, rel=0.02)


def test_no_wave_is_faster_than_light(view: LineView):
    shot = view.shot
    away = np.hypot(shot.distance_m[:, None] - shot.source_m[0], shot.depth_m[None, :] - shot.source_m[1])
    # A Ricker pulse is over, to either side of its middle, 0.85 periods away to a thousandth.
    ahead = 0.85 * 1e3 / 160.0
    for time_ns, field in zip(shot.time_ns[::10], shot.field[::10], strict=True):
        beyond = away > C_M_PER_NS * (time_ns + ahead) + 0.1
        if beyond.any():
            assert np.abs(field[beyond]).max() < 2e-3


def test_the_film_hears_what_the_line_records_there(view: LineView):
    job = prepare_line(read_scene(TINY), "dry", "L3")
    course = dataclasses.replace(job.runs[-1].course, at_m=np.array([view.shot.at_m]))
    trace = record_course(course, 0)
    heard = np.interp(view.time_ns, view.shot.heard_ns, view.shot.heard)
    early = view.time_ns < 12.0
    # The film sees farther to the sides than a trace's window, so late echoes may differ a little.
    np.testing.assert_allclose(heard[early] * np.abs(trace).max(), trace[early], atol=0.01 * np.abs(trace).max())
    assert np.abs(view.shot.heard).max() == pytest.approx(1.0)


def test_frames_are_spread_over_the_record(view: LineView):
    shot = view.shot
    assert shot.field.shape == (len(shot.time_ns), len(shot.distance_m), len(shot.depth_m))
    assert 40 <= len(shot.time_ns) <= 120
    assert -1.0 <= shot.time_ns[0] < 1.0
    assert shot.time_ns[-1] == pytest.approx(view.time_ns[-1], abs=2.0)
    np.testing.assert_allclose(np.diff(shot.time_ns), np.diff(shot.time_ns)[0])


def test_a_place_beyond_the_line_and_a_day_that_is_not_there_are_refused():
    with pytest.raises(InputError, match="at_m must lie between 0 and 5"):
        view_line(TINY, at_m=5.5)
    with pytest.raises(InputError, match="no such day.*dry"):
        view_line(TINY, day="wet")
    with pytest.raises(Cancelled, match="stopped during simulate line L1"):
        view_line(TINY, line="L1", progress=Progress(cancelled=lambda: True))
