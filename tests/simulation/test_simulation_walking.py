"""Where antennas truly were: odometer, offsets and zigzag; and lines left out, turned, swapped, misnamed."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import InputError
from yewline.positions import find_copied_data, trace_count_check
from yewline.simulation.disturbances import ReceiverNoise
from yewline.simulation.faults import LEDGER_KINDS, Fault, draw_ledger_faults, muddle_lines
from yewline.simulation.layer_table import make_layer
from yewline.simulation.layers import Layers, LayerTruth, LineSetting, PlaceLayer
from yewline.simulation.places import Places, along_line, planned_places, site_places
from yewline.simulation.walking import LineShift, Odometer, Slip, StartOffset, Zigzag

SETTING = LineSetting(0.25, 5.0, 0.05, "dry", "L1")


def walked(*layers: PlaceLayer, length: float = 20.0, back: bool = False, seed: int = 1) -> tuple[Places, LayerTruth]:
    places, truth = Layers(layers).walk(planned_places(length, 0.05, back=back), SETTING, seed=seed)
    return places, truth[0]


def test_no_layer_leaves_the_walk_as_planned() -> None:
    plan = planned_places(20.0, 0.05)
    for layers in (Layers(), Layers((Odometer(), StartOffset(), Zigzag(lag_m=0.0), LineShift()))):
        places, _ = layers.walk(plan, SETTING, seed=1)
        assert places.said_m == pytest.approx(plan.said_m, abs=1e-12)
        assert places.along_m == pytest.approx(plan.along_m, abs=1e-9)
        assert (places.across_m == 0).all()
    # Layers of samples have no part in the walk.
    assert Layers((ReceiverNoise(white=1.0),)).walk(plan, SETTING, seed=1) == (plan, ())


@pytest.mark.parametrize("scale", [0.97, 1.02])
@pytest.mark.parametrize("back", [False, True])
def test_wheel_that_tells_too_much_sets_off_more_traces(scale: float, back: bool) -> None:
    places, truth = walked(Odometer(scale=scale), back=back)
    assert len(places) == int(20.0 * scale / 0.05 + 1e-6) + 1
    assert np.diff(places.said_m) == pytest.approx(0.05)
    travelled = 20.0 - places.along_m if back else places.along_m
    assert travelled == pytest.approx(places.said_m / scale, abs=1e-9)
    assert truth.arrays["true_m"] == pytest.approx(travelled, abs=1e-9)
    assert truth.values == pytest.approx({"told_m": 20.0 * scale, "walked_m": 20.0})


def test_slip_loses_its_distance_over_its_stretch() -> None:
    places, _ = walked(Odometer(slips=(Slip(5.0, 0.3, 1.5),)))
    behind = places.along_m - places.said_m
    assert behind[places.along_m <= 5.0] == pytest.approx(0.0, abs=1e-9)
    assert behind[places.along_m >= 6.5] == pytest.approx(0.3, abs=1e-9)
    half = np.interp(5.75, places.along_m, behind)
    assert half == pytest.approx(0.15, abs=1e-9)
    # The wheel turns four fifths of the way there.
    inside = (places.along_m[:-1] > 5.0) & (places.along_m[1:] < 6.5)
    assert np.diff(places.along_m)[inside] == pytest.approx(0.05 / 0.8)


def test_wheel_that_stands_still_leaves_a_gap_without_traces() -> None:
    places, _ = walked(Odometer(slips=(Slip(8.01, 0.4, 0.4),)))
    steps = np.diff(places.along_m)
    assert (steps > 0.06).sum() == 1
    assert steps.max() == pytest.approx(0.45)
    assert len(places) == int(19.6 / 0.05 + 1e-6) + 1
    assert not ((places.along_m > 8.02) & (places.along_m < 8.40)).any()


def test_random_slips_are_as_many_and_as_large_as_asked() -> None:
    layer = Odometer(random_slips=4, slip_m=0.1, stops=2, stop_m=0.25)
    places, truth = walked(layer, length=60.0)
    lost = truth.arrays["slip_lost_m"]
    assert len(lost) == 6
    assert (lost == 0.25).sum() == 2
    assert ((lost >= 0.05) & (lost <= 0.25)).all()
    assert places.along_m[-1] - places.said_m[-1] <= lost.sum() + 1e-9
    assert truth.values["told_m"] == pytest.approx(60.0 - lost.sum(), abs=0.2)
    again, _ = walked(layer, length=60.0)
    assert again.along_m.tobytes() == places.along_m.tobytes()
    assert not np.array_equal(walked(layer, length=60.0, seed=2)[0].along_m, places.along_m)
    json.dumps(truth.as_dict())


@settings(max_examples=25)
@given(
    scale=st.floats(0.9, 1.1),
    slips=st.lists(st.tuples(st.floats(0, 15), st.floats(0.01, 0.5), st.floats(0, 2)), max_size=4),
)
def test_true_distance_rises_and_stays_on_the_line(scale: float, slips: list[tuple[float, float, float]]) -> None:
    layer = Odometer(scale=scale, slips=tuple(Slip(at, lost, lost + more) for at, lost, more in slips))
    places, truth = walked(layer)
    assert (np.diff(places.along_m) > 0).all()
    assert places.along_m.min() >= 0
    assert places.along_m.max() <= 20.0 + 1e-9
    assert len(places) == int(np.floor(truth.values["told_m"] / 0.05 + 1e-9)) + 1


def test_ledger_counts_the_traces_of_a_wrong_wheel() -> None:
    lines = {f"L{n}": (20.0, len(walked(Odometer(), seed=n)[0])) for n in range(5)}
    lines["L5"] = (20.0, len(walked(Odometer(scale=0.9))[0]))
    assert [finding.line for finding in trace_count_check(lines)] == ["L5"]


def test_zigzag_shifts_lines_there_and_back_opposite_ways_and_a_start_offset_does_not() -> None:
    there, back = (walked(Zigzag(lag_m=0.12), back=back)[0] for back in (False, True))
    assert there.along_m[0] == pytest.approx(0.12)
    assert back.along_m[0] == pytest.approx(20.0 - 0.12)
    there, back = (walked(StartOffset(offset_m=0.2), back=back)[0] for back in (False, True))
    assert there.along_m[0] == pytest.approx(0.2)
    assert back.along_m[0] == pytest.approx(20.2)
    drawn = [walked(StartOffset(sd_m=0.1), seed=n)[1].values["offset_m"] for n in range(400)]
    assert np.std(drawn) == pytest.approx(0.1, rel=0.12)
    assert np.mean(drawn) == pytest.approx(0.0, abs=0.02)


def test_line_lies_beside_itself_and_swings() -> None:
    places, truth = walked(LineShift(across_m=0.3, swing_m=0.05, swing_over_m=5.0))
    across = places.across_m
    assert (across.max() + across.min()) / 2 == pytest.approx(0.3, abs=1e-3)
    assert np.ptp(across) / 2 == pytest.approx(0.05, abs=1e-3)
    spectrum = np.abs(np.fft.rfft(across[:-1] - across[:-1].mean()))
    assert np.fft.rfftfreq(400, 0.05)[spectrum.argmax()] == pytest.approx(0.2)
    assert truth.arrays["across_m"] == pytest.approx(across)
    # To the left of a line that runs up the site lie smaller x.
    x, y = site_places(places, (10.0, 0.0), (10.0, 20.0))
    assert x == pytest.approx(10.0 - across)
    assert y == pytest.approx(places.along_m)


def test_switching_one_off_leaves_the_draws_of_the_others() -> None:
    layers = Layers((Odometer(random_slips=3), StartOffset(sd_m=0.1), LineShift(sd_m=0.1, swing_m=0.02)))
    plan = planned_places(40.0, 0.05)
    whole = {told.layer: told for told in layers.walk(plan, SETTING, seed=3)[1]}
    for off in whole:
        for told in layers.without(off).walk(plan, SETTING, seed=3)[1]:
            before = whole[told.layer]
            assert told.values == before.values
            if told.layer == "odometer":
                assert told.arrays["slip_at_m"].tobytes() == before.arrays["slip_at_m"].tobytes()


def test_line_read_out_of_a_clean_one_is_the_line_at_those_places() -> None:
    clean_m = np.arange(-0.5, 20.5, 0.05)
    time = 0.25 * np.arange(64)

    def ground(at: np.ndarray) -> np.ndarray:
        return np.cos(2 * np.pi * at[:, None] / 0.5 + 0.3 * time)

    places, _ = walked(Odometer(scale=1.013, slips=(Slip(7.0, 0.2, 0.8),)), Zigzag(lag_m=0.11))
    stored = along_line(ground(clean_m), clean_m, places)
    # Ten traces a wavelength: splines of the fifth degree are true to a thousandth.
    assert stored == pytest.approx(ground(places.along_m), abs=1e-3)
    plan = planned_places(20.0, 0.05)
    assert along_line(ground(plan.along_m), plan.along_m, plan) == pytest.approx(ground(plan.along_m), abs=1e-6)
    # Undoing the truth: read back at the planned places.
    inner = Places(plan.said_m[20:-20], plan.along_m[20:-20], plan.across_m[20:-20])
    back = along_line(stored, places.along_m, inner)
    assert back == pytest.approx(ground(inner.along_m), abs=4e-3)


def test_two_traces_are_enough_to_read_between() -> None:
    half = planned_places(1.0, 0.5)
    assert along_line([[0.0], [4.0]], [0.0, 1.0], half)[:, 0].tolist() == [0.0, 2.0, 4.0]
    only = Places(np.zeros(2), np.zeros(2), np.zeros(2))
    assert along_line([[5.0]], [0.0], only)[:, 0].tolist() == [5.0, 5.0]


# Whole lines


def four_lines(n: int = 6) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(0)
    return {f"L{k}": rng.normal(size=(20, 30)).astype(np.float32) for k in range(n)}


def test_whole_line_faults_do_what_they_are_called() -> None:
    lines = four_lines(8)
    faults = (
        Fault("gap", "dry", "L1"),
        Fault("reversed-line", "dry", "L3"),
        Fault("swapped-lines", "dry", "L4", other="L6"),
        Fault("duplicate-name", "dry", "L0", other="L2"),
        Fault("dead-trace", "dry", "L5", (1,)),
    )
    stored = muddle_lines(lines, faults)
    assert [(line.name, line.walked) for line in stored] == [
        ("L0", "L0"),
        ("L0", "L2"),
        ("L3", "L3"),
        ("L6", "L4"),
        ("L5", "L5"),
        ("L4", "L6"),
        ("L7", "L7"),
    ]
    for line in stored:
        turned = line.amplitude[::-1] if line.turned else line.amplitude
        assert (turned == lines[line.walked]).all()
    assert [line.name for line in stored if line.turned] == ["L3"]
    assert [(line.name, line.walked) for line in muddle_lines(lines, ())] == [(name, name) for name in lines]


def test_turned_line_is_seen_as_a_copy_of_itself() -> None:
    lines = four_lines()
    (turned,) = (line for line in muddle_lines(lines, [Fault("reversed-line", "dry", "L3")]) if line.turned)
    found = find_copied_data({"walked": lines["L3"], "stored": turned.amplitude})
    assert [finding.text for finding in found] == ["the samples are those of line walked, turned round"]


@pytest.mark.parametrize("seed", range(8))
def test_drawn_faults_touch_neither_each_other_nor_the_edge(seed: int) -> None:
    names = [f"L{k}" for k in range(24)]
    faults = draw_ledger_faults(names, LEDGER_KINDS, visit="wet", seed=seed)
    assert [fault.kind for fault in faults] == list(LEDGER_KINDS)
    touched = [names.index(name) for fault in faults for name in (fault.line, fault.other) if name]
    assert len(set(touched)) == len(touched)
    assert min(touched) > 0
    assert max(touched) < 23
    for fault in faults:
        mine = {names.index(name) for name in (fault.line, fault.other) if name}
        assert all(abs(a - b) > 1 for a in mine for b in set(touched) - mine)
    assert faults == draw_ledger_faults(names, LEDGER_KINDS, visit="wet", seed=seed)
    assert len(muddle_lines(dict.fromkeys(names, np.zeros((2, 2))), faults)) == 23


# What cannot be


@pytest.mark.parametrize(
    ("kind", "values", "message"),
    [
        ("odometer", {"scale": 0.1}, "scale must lie between 0.5 and 2"),
        ("odometer", {"slip_m": 0.9}, "slip_over_m must lie between 1.35"),
        ("odometer", {"slips": [{"at_m": 1.0, "lost_m": 0.5, "over_m": 0.1}]}, "over_m must lie between 0.5"),
        ("odometer", {"slips": [{"at_m": 1.0}]}, "a slip lacks a setting. Give lost_m, over_m"),
        ("odometer", {"slips": [{"at": 1.0}]}, "a slip has no such setting .*received at"),
        ("odometer", {"stops": 1.5}, "stops must be a whole number, 0 or more .*received 1.5"),
        ("zigzag", {"lag_m": 20.0}, "lag_m must lie between"),
        ("start-offset", {"sd_m": -1.0}, "sd_m must lie between"),
        ("line-shift", {"swing_over_m": 0.0}, "swing_over_m must be greater than zero"),
    ],
)
def test_walk_that_cannot_be_is_refused(kind: str, values: dict[str, object], message: str) -> None:
    with pytest.raises(InputError, match=message):
        make_layer(kind, values)


def test_walk_that_does_not_fit_its_line_is_refused() -> None:
    with pytest.raises(InputError, match="slip lies beyond the line .*received 19.5 to 20.5 m on a line of 20 m"):
        walked(Odometer(slips=(Slip(19.5, 0.5, 1.0),)))
    with pytest.raises(InputError, match="shorter than a slip"):
        walked(Odometer(stops=1, stop_m=2.0), length=1.0)
    with pytest.raises(InputError, match="two traces or more .*1 traces"):
        walked(Odometer(), length=0.01)
    with pytest.raises(InputError, match="leaves the clean line .*Simulate the line from -0.100 to 0.950 m"):
        along_line(np.zeros((20, 4)), 0.05 * np.arange(20), walked(Zigzag(lag_m=-0.1), length=0.9)[0])
    with pytest.raises(InputError, match="clean_m must rise"):
        along_line(np.zeros((2, 4)), [0.0, 0.0], planned_places(0.1, 0.05))
    with pytest.raises(InputError, match="the line has no length"):
        site_places(planned_places(1.0, 0.5), (1.0, 1.0), (1.0, 1.0))
    with pytest.raises(InputError, match="spacing_m must be greater than zero"):
        planned_places(1.0, 0.0)


def test_faults_of_lines_that_are_not_there_are_refused() -> None:
    lines = four_lines()
    with pytest.raises(InputError, match="gap names a line that is not there .*L9"):
        muddle_lines(lines, [Fault("gap", "dry", "L9")])
    with pytest.raises(InputError, match="two faults touch one line .*L1"):
        muddle_lines(lines, [Fault("gap", "dry", "L1"), Fault("reversed-line", "dry", "L1")])
    with pytest.raises(InputError, match="swapped-lines needs a second line"):
        muddle_lines(lines, [Fault("swapped-lines", "dry", "L1")])
    with pytest.raises(InputError, match="too few lines for so many faults .*4 lines"):
        draw_ledger_faults(["a", "b", "c", "d"], ["gap", "gap", "gap"], visit="dry", seed=1)
    with pytest.raises(InputError, match="kind must be one of gap, duplicate-name"):
        draw_ledger_faults(["a", "b", "c", "d"], ["dead-trace"], visit="dry", seed=1)
