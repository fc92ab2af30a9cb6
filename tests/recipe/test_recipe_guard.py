"""The guard: what a recipe would do to a line that its reader should know of."""

from __future__ import annotations

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.model import make_radargram
from yewline.recipe import find_step, guard, recipe_from_toml, run_after, standard_recipe
from yewline.signal import background_risk

DT, V = 0.25, 0.1
ATTRS = {"centre_mhz": 400.0, "separation_m": 0.16, "line": "L07", "visit": "dry"}

MIGRATE = '[[after]]\nstep = "migrate_stolt"\n[[after]]\nstep = "envelope"'


def survey_line(*, traces: int = 160, start_ns: float = 0.0, segment=None, bearing_deg: float = 90.0):
    """A line of noise, 5 cm from trace to trace, in a direction clockwise from +y."""
    along, turn = 0.05 * np.arange(traces), np.radians(bearing_deg)
    noise = np.random.default_rng(1).standard_normal((traces, 64))
    x, y = along * np.sin(turn), along * np.cos(turn)
    return make_radargram(noise, interval_ns=DT, x=x, y=y, start_ns=start_ns, segment=segment, attrs=ATTRS)


def steps(part: str, *names: str) -> str:
    return "".join(f'[[{part}]]\nstep = "{name}"\n' for name in names)


def codes(text: str, line, grave: float = 2.1) -> list[str]:
    return [finding.code for finding in guard(recipe_from_toml(text), line, grave_length_m=grave)]


def test_the_standard_recipe_on_a_long_even_line_needs_no_warning():
    assert guard(standard_recipe(), survey_line(traces=400), grave_length_m=2.1) == []


@pytest.mark.parametrize(("window", "expected"), [(3.0, ["background-window-short"]), (3.2, []), (8.0, [])])
def test_a_background_window_shorter_than_a_grave_and_a_half(window, expected):
    recipe = f'[[before]]\nstep = "background_removal"\nwindow_m = {window}'
    assert codes(recipe, survey_line(traces=400)) == expected


def test_a_short_line_or_segment_is_warned_of():
    findings = guard(
        standard_recipe(), survey_line(traces=160, segment=np.repeat([0, 1], [100, 60])), grave_length_m=2.1
    )
    assert [finding.code for finding in findings] == ["background-line-short"]
    assert findings[0].received == "5.0 m, 3.0 m" or findings[0].received == "5.0 m, 2.9 m"
    assert (findings[0].visit, findings[0].line, findings[0].grade) == ("dry", "L07", "warning")


def test_migration_warns_of_uneven_and_missing_spacing():
    x = 0.05 * np.arange(400)
    x[200:] += np.cumsum(np.where(np.arange(200) % 3 == 0, 0.04, 0.0))
    uneven = make_radargram(np.ones((400, 64)), interval_ns=DT, x=x, y=0 * x, attrs=ATTRS)
    assert codes(MIGRATE, uneven) == ["migration-uneven-spacing"]
    assert codes(MIGRATE, survey_line(traces=1)) == ["migration-no-spacing"]


def test_migration_of_traces_without_distance_is_said_to_be_refused():
    migrate = recipe_from_toml('[[after]]\nstep = "migrate_stolt"')
    still = make_radargram(np.ones((5, 64)), interval_ns=DT, x=np.zeros(5), y=np.zeros(5), attrs=ATTRS)
    assert "refuses this line" in guard(migrate, still, grave_length_m=2.1)[0].text
    with pytest.raises(InputError, match="migration needs the trace spacing"):
        run_after(migrate, still, velocity_m_per_ns=V)
    single = survey_line(traces=1)
    assert "as they are" in guard(migrate, single, grave_length_m=2.1)[0].text
    assert run_after(migrate, single, velocity_m_per_ns=V).values.tobytes() == single.values.tobytes()


def test_advice_names_no_step_that_does_not_exist():
    x = np.cumsum(np.where(np.arange(400) % 3 == 0, 0.09, 0.05))
    uneven = make_radargram(np.ones((400, 64)), interval_ns=DT, x=x, y=0 * x, attrs=ATTRS)
    (finding,) = guard(recipe_from_toml(MIGRATE), uneven, grave_length_m=2.1)
    assert finding.code == "migration-uneven-spacing"
    assert "check the line's positions" in finding.do
    named = [word for word in finding.do.replace(",", " ").split() if "_" in word]
    assert named == ["equal_spacing"]
    assert all(find_step(name) is not None for name in named)
    mended = '[[before]]\nstep = "equal_spacing"\n' + MIGRATE
    assert codes(mended, uneven) == []
    assert codes(MIGRATE.replace("stolt", "kirchhoff"), uneven) == []


def test_a_record_that_does_not_start_at_time_zero_is_warned_of():
    late = survey_line(traces=400, start_ns=-5.0)
    (finding,) = guard(recipe_from_toml(MIGRATE), late, grave_length_m=2.1)
    assert (finding.code, finding.grade) == ("migration-before-time-zero", "warning")
    assert finding.received == "first sample at -5 ns"
    assert "put time_zero first in the recipe" in finding.do
    assert codes(MIGRATE, survey_line(traces=400)) == []
    assert guard(standard_recipe(), late, grave_length_m=2.1) == []
    for place in ("before", "display"):
        text = f'[[before]]\nstep = "dewow"\n[[{place}]]\nstep = "compensate"'
        (gain,) = guard(recipe_from_toml(text), late, grave_length_m=2.1)
        assert gain.code == "gain-before-time-zero"
        assert gain.received == "steps dewow, compensate; first sample at -5 ns"


def test_a_gain_before_time_zero_is_warned_of():
    wrong = '[[before]]\nstep = "compensate"\n[[before]]\nstep = "time_zero"'
    assert codes(wrong, survey_line()) == ["gain-before-time-zero"]
    assert codes('[[before]]\nstep = "time_zero"\n[[display]]\nstep = "power_gain"', survey_line()) == []


def test_a_grave_without_length_is_refused():
    with pytest.raises(InputError, match="grave_length_m must be greater than zero"):
        guard(standard_recipe(), survey_line(), grave_length_m=0.0)


def test_a_recipe_that_ends_without_the_envelope_is_warned_of():
    assert codes('[[after]]\nstep = "migrate_stolt"', survey_line(traces=400)) == ["envelope-missing"]
    assert codes(MIGRATE, survey_line(traces=400)) == []
    assert codes('[[before]]\nstep = "dewow"', survey_line(traces=400)) == []


@pytest.mark.parametrize("name", ["similarity", "truncation", "low_amplitude", "instantaneous_frequency"])
def test_a_recipe_that_ends_with_no_strength_is_warned_of(name):
    for text in (steps("after", name), steps("after", "envelope", name)):
        (said,) = guard(recipe_from_toml(text), survey_line(traces=400), grave_length_m=2.1)
        assert (said.grade, said.code) == ("warning", "no-strength")
        assert said.text.startswith(f"the recipe ends with {name}, so hotspots outline where the ground is ")
        shafts = "keep it where shafts are looked for; else " if name in ("truncation", "low_amplitude") else ""
        assert said.do == shafts + f'end with step = "envelope" under [[after]], and put {name} under [[display]]'
    assert codes(steps("after", "envelope") + steps("display", name), survey_line(traces=400)) == []
    assert codes(steps("after", name, "envelope"), survey_line(traces=400)) == []


# Background removal, where it is known how the graves lie


@pytest.mark.parametrize(
    ("bearing", "expected"), [(0.0, ["background-takes-graves"]), (180.0, ["background-takes-graves"]), (90.0, [])]
)
def test_lines_along_graves_lose_them_and_lines_across_do_not(bearing, expected):
    recipe = recipe_from_toml(steps("before", "background_removal") + "window_m = 5.0")
    line = survey_line(traces=400, bearing_deg=bearing)
    findings = guard(recipe, line, grave_length_m=2.1, grave_width_m=0.75, grave_azimuth_deg=0.0)
    assert [finding.code for finding in findings] == expected
    if findings:
        # A grave of 2.1 m under a window of 5 m: the mean loses 42 %.
        assert findings[0].received == "about 42 %, at 0° to the graves, over 5.0 m"


def test_the_share_that_is_lost_follows_from_how_the_line_crosses_a_grave():
    # At 30° a grave 0.75 m wide is crossed over 0.75 / sin 30° = 1.5 m; of a line of 5 m that is 30 %.
    assert background_risk(grave_length_m=2.1, grave_width_m=0.75, angle_deg=30, line_length_m=5.0) == pytest.approx(
        0.3
    )
    line = survey_line(traces=101, bearing_deg=350.0)
    (finding,) = guard(standard_recipe(), line, grave_length_m=2.1, grave_width_m=0.75, grave_azimuth_deg=20.0)
    assert finding.received == "about 30 %, at 30° to the graves, over 5.0 m"


def test_wavenumbers_take_twice_what_a_sliding_mean_takes_and_a_point_has_no_bearing():
    recipe = recipe_from_toml(steps("before", "background_fk") + "window_m = 10.0")
    (finding,) = guard(recipe, survey_line(traces=400, bearing_deg=0.0), grave_length_m=2.1, grave_azimuth_deg=0.0)
    assert finding.received == "about 42 %, at 0° to the graves, over 10.0 m"
    still = make_radargram(np.ones((5, 64)), interval_ns=DT, x=np.zeros(5), y=np.zeros(5), attrs=ATTRS)
    assert guard(recipe, still, grave_length_m=2.1, grave_azimuth_deg=0.0) == []
    with pytest.raises(InputError, match="grave_azimuth_deg must be finite"):
        guard(recipe, still, grave_length_m=2.1, grave_azimuth_deg=float("nan"))
    with pytest.raises(InputError, match="grave_width_m must be greater than zero"):
        guard(recipe, still, grave_length_m=2.1, grave_width_m=0.0)


@pytest.mark.parametrize("step", ["background_removal", "background_fk", "eigen_background"])
def test_every_background_removal_is_guarded(step):
    assert codes(steps("before", step) + "window_m = 2.0", survey_line(traces=400)) == ["background-window-short"]
    assert codes(steps("before", step), survey_line(traces=100)) == ["background-line-short"]


# Steps that do not go together


def test_a_second_eigen_image_is_warned_of_where_numbers_come_from():
    two = "components = 2"
    (finding,) = guard(
        recipe_from_toml(steps("before", "eigen_background") + two), survey_line(traces=400), grave_length_m=2.1
    )
    assert (finding.code, finding.received) == ("eigen-components", "components = 2")
    assert codes(steps("before", "eigen_background"), survey_line(traces=400)) == []
    assert codes(steps("before", "dewow") + steps("display", "eigen_background") + two, survey_line(traces=400)) == []


@pytest.mark.parametrize("name", ["similarity", "truncation"])
def test_attributes_of_level_layers_after_a_short_background_window(name):
    line = survey_line(traces=400)
    for part in ("after", "display"):
        short = steps("before", "background_removal") + "window_m = 6.0\n" + steps(part, name)
        ends = ["no-strength"] if part == "after" else []
        assert codes(short, line) == ["attribute-without-level", *ends]
        assert codes(steps("before", "background_removal") + "window_m = 9.0\n" + steps(part, name), line) == ends
        assert codes(steps("before", "background_removal") + steps(part, name), line) == ends
        assert codes(steps("before", "dewow") + steps(part, name), line) == ends
    assert "attribute-without-level" in codes(
        steps("before", "background_removal") + steps("after", name), survey_line()
    )


def test_frequency_dependent_absorption_is_undone_before_the_rate_is_fitted():
    line = survey_line(traces=400)
    assert codes(steps("before", "time_zero", "compensate", "q_compensation"), line) == ["q-after-compensate"]
    assert codes(steps("before", "time_zero", "q_compensation", "compensate"), line) == []
    assert codes(steps("before", "q_compensation"), line) == ["gain-before-time-zero"]


def test_two_migrations_are_warned_of():
    line = survey_line(traces=400)
    (finding,) = guard(
        recipe_from_toml(steps("after", "migrate_stolt", "migrate_kirchhoff", "envelope")), line, grave_length_m=2.1
    )
    assert finding.code == "migrated-twice"
    assert finding.received == "steps migrate_stolt, migrate_kirchhoff"


def test_every_migration_needs_time_zero_and_distances():
    late = survey_line(traces=400, start_ns=-5.0)
    for name in ("migrate_stolt", "migrate_phase_shift", "migrate_kirchhoff"):
        text = steps("after", name, "envelope")
        assert codes(text, late) == ["migration-before-time-zero"]
        assert codes(text, survey_line(traces=1)) == ["migration-no-spacing"]
