"""What several tests of this room look at: lines by the full wave, which nothing in this room has had a hand in."""

from __future__ import annotations

import numpy as np
import pytest

from yewline.signal import Section
from yewline.workspace.demo import DEMO_SEED
from yewline.workspace.demo_fields import shipped_fields
from yewline.workspace.demo_scene import demo_days, demo_lines, demo_scene, demo_scene_file
from yewline.workspace.demo_survey import walk_visit


@pytest.fixture(scope="session")
def full_wave() -> tuple[tuple[np.ndarray, ...], Section]:
    """All lines of the demo, dry day and wet day, with the instrument's noise and jitter and no field fault."""
    ground, days, lines = demo_scene(DEMO_SEED), demo_days(), demo_lines()
    scene = demo_scene_file(ground, days, lines, DEMO_SEED)
    fields = shipped_fields()
    assert fields is not None
    found = []
    for day, scene_day in zip(days, scene.days, strict=True):
        instrument = scene.antenna_on(scene_day)
        walked = walk_visit(day, lines, (), fields.of_visit(day.name), instrument=instrument, seed=3)
        found += [line.amplitude for line in walked.lines]
    section = Section(interval_ns=instrument.interval_ns, spacing_m=0.075, centre_mhz=270.0, separation_m=0.3)
    return tuple(found), section
