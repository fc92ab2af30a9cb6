"""Layers over a clean line: measured levels are those asked for, truth undoes the data, and no layer moves another."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy import signal as scipy_signal

from yewline.errors import InputError
from yewline.physics import ricker
from yewline.signal import Section, clipped_traces, dead_traces, pick_time_zero, spiky_traces, time_zero_drift
from yewline.simulation.disturbances import Bursts, DeadTraces, ReceiverNoise, Spikes, Transmitter
from yewline.simulation.electronics import Converter, Coupling, Electronics, Ringing, Wow, layers_of
from yewline.simulation.instrument import Instrument
from yewline.simulation.layer_table import LAYER_KINDS, make_layer
from yewline.simulation.layers import Layer, Layers, LayerTruth, LineSetting, SignalLayer, truth_arrays
from yewline.simulation.timing import Drift, Jitter, delay_traces

STEP, ZERO, SPACING = 0.25, 10.0, 0.05
SETTING = LineSetting(STEP, ZERO, SPACING, "dry", "L1")
TIME = STEP * np.arange(400) - ZERO


def clean_line(traces: int = 200, samples: int = 400) -> np.ndarray:
    """A direct wave of swing 2 and a weaker reflector that dips along the line."""
    time = STEP * np.arange(samples) - ZERO
    dip = 20.0 + 0.05 * np.arange(traces)[:, None]
    line = 2.0 * ricker(time, peak_mhz=300.0) + 0.2 * ricker(time - dip, peak_mhz=300.0)
    return line.astype(np.float32)


def laid(
    layer: SignalLayer, line: np.ndarray | None = None, seed: int = 1, setting: LineSetting = SETTING
) -> tuple[np.ndarray, LayerTruth]:
    """The line under one layer, and that layer's truth."""
    stored, truth = Layers((layer,)).apply(clean_line() if line is None else line, setting, seed=seed)
    return stored, truth[0]


EVERY: tuple[SignalLayer, ...] = (
    Converter(counts=4_000.0),
    DeadTraces(count=3),
    Spikes(count=2),
    ReceiverNoise(white=0.003, coloured=0.002),
    Bursts(per_100_traces=3.0, height=0.1),
    Transmitter(frequency_mhz=440.0, level=0.01),
    Jitter(sd_ns=0.05),
    Drift(linear_ns=1.0, walk_ns=0.3, warm_ns=0.5),
    Wow(strength=0.03),
    Ringing(strength=0.01),
    Coupling(sd=0.05, bumps=2),
    Ringing(strength=0.02, through="ground", label="ground"),
)


# Nothing, and independence


def test_no_layer_leaves_the_line_as_it_was() -> None:
    line = clean_line()
    for layers in (Layers(), Layers(EVERY, off=tuple(layer.key for layer in EVERY))):
        stored, truth = layers.apply(line, SETTING, seed=4)
        assert stored.tobytes() == line.tobytes()
        assert truth == ()
        assert stored is not line


@pytest.mark.parametrize(
    "layer",
    [
        Coupling(),
        Ringing(strength=0.0),
        Wow(strength=0.0),
        Drift(),
        Jitter(sd_ns=0.0),
        Transmitter(frequency_mhz=440.0, level=0.0),
        Bursts(per_100_traces=0.0, height=1.0),
        ReceiverNoise(white=0.0),
        Spikes(),
        DeadTraces(),
    ],
    ids=lambda layer: layer.kind,
)
def test_layer_of_no_strength_leaves_the_line_as_it_was(layer: SignalLayer) -> None:
    stored, truth = laid(layer)
    assert (stored == clean_line()).all()
    assert truth.faults == ()


@pytest.mark.parametrize("off", [layer.key for layer in EVERY])
def test_switching_one_off_leaves_the_random_numbers_of_the_others(off: str) -> None:
    _, whole = Layers(EVERY).apply(clean_line(), SETTING, seed=7)
    _, rest = Layers(EVERY).without(off).apply(clean_line(), SETTING, seed=7)
    told = {truth.layer: truth for truth in whole if truth.layer != off}
    assert [truth.layer for truth in rest] == list(told)
    for truth in rest:
        before = told[truth.layer]
        # What a spike replaced, and how much was cut, are the others' doing; where and when are the layer's own.
        own = {name for name in truth.arrays if name not in ("replaced", "clipped")}
        assert own or truth.values == before.values
        assert truth.faults == before.faults
        for name in own:
            assert truth.arrays[name].tobytes() == before.arrays[name].tobytes(), (truth.layer, name)


def test_layers_that_add_are_added_whatever_else_is_on() -> None:
    line = clean_line()
    adding = (ReceiverNoise(white=0.01), Transmitter(frequency_mhz=440.0, level=0.02), Wow(strength=0.1))
    both = Layers(adding).apply(line, SETTING, seed=2)[0]
    alone = sum((Layers((layer,)).apply(line, SETTING, seed=2)[0] - line for layer in adding), np.zeros_like(line))
    assert both - line == pytest.approx(alone, abs=1e-6)


def test_order_of_listing_does_not_matter() -> None:
    forward = Layers(EVERY).apply(clean_line(), SETTING, seed=3)
    backward = Layers(EVERY[::-1]).apply(clean_line(), SETTING, seed=3)
    assert forward[0].tobytes() == backward[0].tobytes()
    order = [truth.kind for truth in forward[1]]
    assert order[:2] == ["ringing", "coupling"]
    assert order[-1] == "converter"
    assert order.index("drift") < order.index("noise") < order.index("spikes")


def test_same_seed_same_bytes_and_lines_differ() -> None:
    def run(seed: int, line: str) -> bytes:
        return Layers(EVERY).apply(clean_line(), replace(SETTING, line=line), seed=seed)[0].tobytes()

    assert run(1, "L1") == run(1, "L1")
    assert len({run(1, "L1"), run(1, "L2"), run(2, "L1")}) == 3


# Levels and spectra measured on the output


def test_white_noise_has_its_level_and_no_colour() -> None:
    line = np.zeros((400, 400), np.float32)
    stored, truth = laid(ReceiverNoise(white=0.02), line, setting=replace(SETTING, direct=1.0))
    assert stored.std() == pytest.approx(0.02, rel=0.01)
    assert truth.values["noise"] == pytest.approx(stored.std(), rel=1e-4)
    power = np.abs(np.fft.rfft(stored, axis=1)[:, 1:-1]) ** 2
    quarters = [part.mean() for part in np.array_split(power, 4, axis=1)]
    assert max(quarters) / min(quarters) < 1.06
    assert abs(np.corrcoef(stored[:-1].ravel(), stored[1:].ravel())[0, 1]) < 0.01


@pytest.mark.parametrize("exponent", [1.0, 2.0])
def test_coloured_noise_has_its_level_and_its_slope(exponent: float) -> None:
    line = np.zeros((1_500, 512), np.float32)
    layer = ReceiverNoise(white=0.0, coloured=0.05, exponent=exponent)
    stored, _ = laid(layer, line, setting=replace(SETTING, direct=1.0))
    assert np.sqrt((stored.astype(float) ** 2).mean()) == pytest.approx(0.05, rel=0.02)
    frequency, power = scipy_signal.periodogram(stored, fs=1e3 / STEP, window="hann", axis=1)
    used = (frequency > 40) & (frequency < 1_000)
    slope = np.polyfit(np.log(frequency[used]), np.log(power.mean(axis=0)[used]), 1)[0]
    assert slope == pytest.approx(-exponent, abs=0.06)


def test_transmitter_is_a_line_of_its_frequency_and_level() -> None:
    line = np.zeros((100, 400), np.float32)
    stored, truth = laid(Transmitter(frequency_mhz=440.0, level=0.3), line, setting=replace(SETTING, direct=1.0))
    spectrum = np.abs(np.fft.rfft(stored, axis=1)) / 200
    frequency = np.fft.rfftfreq(400, STEP * 1e-3)
    # 440 MHz is the 44th line of a record of 100 ns: all of it falls there.
    assert frequency[spectrum.argmax(axis=1)] == pytest.approx(np.full(100, 440.0))
    assert spectrum.max(axis=1) == pytest.approx(np.full(100, 0.3), rel=1e-4)
    again = 0.3 * np.cos(2 * np.pi * 0.44 * STEP * np.arange(400) + truth.arrays["phase_rad"][:, None])
    assert stored == pytest.approx(again, abs=1e-5)
    assert abs(np.exp(1j * truth.arrays["phase_rad"]).mean()) < 0.3


def test_bandwidth_of_a_transmitter_is_its_width_at_half_power() -> None:
    # A phase that walks at random gives a Lorentz line (Wiener-Khinchin).
    line = np.zeros((600, 2_048), np.float32)
    stored, _ = laid(
        Transmitter(frequency_mhz=500.0, level=1.0, bandwidth_mhz=40.0), line, setting=replace(SETTING, direct=1.0)
    )
    frequency, power = scipy_signal.periodogram(stored, fs=1e3 / STEP, window="hann", axis=1)
    mean = power.mean(axis=0)
    lorentz = 1.0 / (1.0 + ((frequency - 500.0) / 20.0) ** 2)
    near = np.abs(frequency - 500.0) < 80
    fit = float((mean[near] * lorentz[near]).sum() / (lorentz[near] ** 2).sum())
    assert np.abs(mean[near] / fit - lorentz[near]).max() < 0.12
    assert np.interp(480.0, frequency, mean) / fit == pytest.approx(0.5, abs=0.08)


def test_transmitter_is_on_over_its_share_only() -> None:
    line = np.zeros((200, 100), np.float32)
    stored, truth = laid(
        Transmitter(frequency_mhz=440.0, level=0.3, share=0.25), line, setting=replace(SETTING, direct=1.0)
    )
    on = np.abs(stored).max(axis=1) > 0
    assert (on == truth.arrays["on"]).all()
    assert on.sum() == 50
    assert np.abs(np.diff(on.astype(int))).sum() <= 2


def test_bursts_come_as_often_and_as_loud_as_asked() -> None:
    line = np.zeros((2_000, 100), np.float32)
    stored, truth = laid(
        Bursts(per_100_traces=10.0, height=0.7, length_ns=3.0), line, setting=replace(SETTING, direct=1.0)
    )
    n = len(truth.arrays["trace"])
    assert abs(n - 200) < 4 * np.sqrt(200)
    assert np.abs(truth.arrays["added"]).max(axis=1) == pytest.approx(np.full(n, 0.7), rel=1e-5)
    rest = stored.copy()
    np.subtract.at(rest, truth.arrays["trace"], truth.arrays["added"])
    assert np.abs(rest).max() < 1e-6
    # Nothing before a burst starts.
    start = np.rint(truth.arrays["start_ns"] / STEP).astype(int)
    first = (truth.arrays["added"] != 0).argmax(axis=1)
    assert (first == start).all()


def test_ringing_has_its_period_decay_and_strength_in_every_trace() -> None:
    layer = Ringing(strength=0.02, period_ns=4.1, decay_ns=12.0)
    stored, truth = laid(layer)
    ring = (stored - clean_line()).astype(float)
    assert np.abs(ring - ring[0]).max() < 1e-6
    assert ring[0] == pytest.approx(truth.arrays["waveform"], abs=1e-6)
    late = (TIME > 8.0) & (TIME < 50.0)
    crossings = np.flatnonzero(np.diff(np.sign(ring[0][late])) != 0)
    assert np.diff(crossings).mean() * STEP * 2 == pytest.approx(4.1, rel=0.01)
    crests = scipy_signal.argrelmax(ring[0])[0]
    crests = crests[(TIME[crests] > 3.0) & (TIME[crests] < 40.0)]
    decay = -1.0 / np.polyfit(TIME[crests], np.log(ring[0][crests]), 1)[0]
    assert decay == pytest.approx(12.0, rel=0.02)
    # Strength is that of the envelope at time zero over the direct wave's swing of 2; samples lie beside the crest.
    at = TIME[crests[0]]
    assert ring[0][crests[0]] / np.cos(2 * np.pi * at / 4.1) * np.exp(at / 12.0) == pytest.approx(0.02 * 2.0, rel=0.001)


def test_ringing_of_the_ground_follows_the_coupling_and_that_of_the_antenna_does_not() -> None:
    line = clean_line()
    quiet = TIME > 60.0
    swings = {}
    for through in ("antenna", "ground"):
        layers = Layers((Ringing(strength=0.5, decay_ns=60.0, through=through), Coupling(sd=0.2)))  # type: ignore[arg-type]
        stored, truth = layers.apply(line, SETTING, seed=1)
        coupling = {told.kind: told for told in truth}["coupling"].arrays["coupling"]
        swings[through] = np.abs(stored[:, quiet]).max(axis=1)
    assert swings["antenna"] == pytest.approx(np.full(200, swings["antenna"][0]), rel=1e-4)
    assert swings["ground"] / coupling == pytest.approx(np.full(200, swings["antenna"][0]), rel=1e-4)


def test_wow_decays_as_asked_about_its_offset() -> None:
    stored, _ = laid(Wow(strength=-0.1, decay_ns=20.0, offset=0.05))
    slow = (stored - clean_line())[0].astype(float)
    assert slow[:10] == pytest.approx(np.full(10, 0.05 * 2.0), abs=1e-4)
    late = (TIME > 10.0) & (TIME < 60.0)
    fit = np.polyfit(TIME[late], np.log(0.1 - slow[late]), 1)
    assert -1.0 / fit[0] == pytest.approx(20.0, rel=1e-3)
    assert np.exp(fit[1]) == pytest.approx(0.1 * 2.0, rel=1e-3)


def test_coupling_has_its_spread_and_range() -> None:
    n = 20_000
    line = np.ones((n, 4), np.float32)
    _, truth = laid(Coupling(sd=0.1, range_m=0.5), line)
    factor = truth.arrays["coupling"].astype(float)
    assert factor.std() == pytest.approx(0.1, rel=0.02)
    # White noise smoothed by a Gaussian of sd a correlates as exp(−h²/4a²): 1/e at a lag of 2a.
    lag = round(2 * 0.5 / SPACING)
    swing = factor - factor.mean()
    correlation = (swing[:-lag] * swing[lag:]).mean() / (swing**2).mean()
    assert correlation == pytest.approx(np.exp(-1.0), abs=0.06)


def test_bump_takes_its_share_over_its_length() -> None:
    _, truth = laid(Coupling(bumps=1, bump_m=0.8, bump_loss=0.6), np.ones((400, 4), np.float32))
    factor = truth.arrays["coupling"]
    assert factor.min() == pytest.approx(0.4, abs=0.01)
    assert (factor < 0.7).sum() * SPACING == pytest.approx(0.8, abs=0.06)


# Timing


def test_drift_is_what_the_direct_wave_shows_at_each_trace() -> None:
    stored, truth = laid(Drift(linear_ns=1.5, walk_ns=0.4, warm_ns=-0.8, warm_m=2.0))
    drift = truth.arrays["drift_ns"]
    window = TIME < 10.0
    lags = np.fft.rfft(stored[:, window], 512) * np.conj(np.fft.rfft(clean_line()[:1, window], 512))
    frequency = np.fft.rfftfreq(512, STEP)
    used = (frequency > 0.1) & (frequency < 0.6)
    # Delay from the slope of the phase, weighted by power.
    weight = np.abs(lags[:, used])
    phase = -np.unwrap(np.angle(lags[:, used]), axis=1)
    turn = 2 * np.pi * frequency[used]
    measured = (weight * phase * turn).sum(axis=1) / (weight * turn**2).sum(axis=1)
    assert measured == pytest.approx(drift, abs=0.01)
    assert drift[0] == 0.0


def test_parts_of_the_drift_have_their_size() -> None:
    line = np.zeros((401, 8), np.float32)
    setting = replace(SETTING, direct=1.0, interval_ns=100.0)
    settled = laid(Drift(warm_ns=1.0, warm_m=5.0), line, setting=setting)[1].arrays["drift_ns"]
    assert settled[[0, 100]] == pytest.approx([0.0, 1.0 - np.exp(-1.0)])
    even = laid(Drift(linear_ns=-2.0), line, setting=setting)[1].arrays["drift_ns"]
    assert even == pytest.approx(np.linspace(0.0, -2.0, 401))
    ends = [
        laid(Drift(walk_ns=0.5), line, seed=seed, setting=setting)[1].arrays["drift_ns"][[100, 400]]
        for seed in range(300)
    ]
    # A random walk: its spread grows with the square root of the way.
    assert np.std(ends, axis=0) == pytest.approx([0.25, 0.5], rel=0.12)


def test_time_zero_finder_sees_the_planted_drift() -> None:
    section = Section(interval_ns=STEP, spacing_m=SPACING, centre_mhz=300.0)
    layers = Layers((Drift(linear_ns=2.2, warm_ns=0.8, warm_m=3.0), ReceiverNoise(white=0.004)))
    stored, truth = layers.apply(clean_line(), SETTING, seed=5)
    drift = truth[0].arrays["drift_ns"]
    found = time_zero_drift(stored, section)
    assert found.drifting
    assert found.drift_ns == pytest.approx(np.ptp(drift), abs=0.15)
    assert truth[0].faults[0].amount == pytest.approx(np.ptp(drift), abs=1e-3)
    picks = pick_time_zero(stored, section)
    assert picks - picks.mean() == pytest.approx(drift - drift.mean(), abs=0.12)
    assert not time_zero_drift(layers.without("drift").apply(clean_line(), SETTING, seed=5)[0], section).drifting


def test_jitter_has_its_spread_and_delays_back() -> None:
    line = clean_line(1_000)
    stored, truth = laid(Jitter(sd_ns=0.1), line)
    late = truth.arrays["jitter_ns"]
    # Of 1,000 draws, the spread is known to 2.2 %.
    assert late.std() == pytest.approx(0.1, rel=0.07)
    back = delay_traces(stored, -late, interval_ns=STEP)
    assert np.abs(back - line)[:, 4:-4].max() < 2e-5


def test_delay_of_whole_samples_moves_samples_and_keeps_noise_white() -> None:
    line = np.zeros((2, 100), np.float32)
    line[:, 30:50] = np.random.default_rng(0).normal(size=(2, 20))
    moved = delay_traces(line, [1.0, -0.5], interval_ns=0.25)
    assert moved[0] == pytest.approx(np.roll(line[0], 4), abs=1e-6)
    assert moved[1] == pytest.approx(np.roll(line[1], -2), abs=1e-6)
    # Half a sample of delay is the sum of shifted sinc functions: a pulse in the band keeps its shape.
    wave = ricker(TIME, peak_mhz=300.0)[None]
    assert delay_traces(wave, [0.125], interval_ns=STEP)[0] == pytest.approx(
        ricker(TIME - 0.125, peak_mhz=300.0), abs=1e-5
    )


# Conversion, spikes, dead traces


def test_converter_rounds_and_clips_where_its_full_scale_is() -> None:
    line = clean_line()
    stored, truth = laid(Converter(headroom=0.5))
    # Full scale is half the direct wave's 2: counts of 32767 a unit.
    assert truth.values["counts_per_unit"] == pytest.approx(32_767.0, rel=1e-4)
    assert stored.max() == 32_767
    assert stored.min() == np.rint(line.min() * truth.values["counts_per_unit"])
    assert (stored == np.rint(stored)).all()
    assert (clipped_traces(stored).traces == np.flatnonzero(truth.arrays["clipped"])).all()
    assert truth.values["clipped_samples"] == truth.arrays["clipped"].sum() == (line > 1.0).sum()
    inside = np.abs(stored) < 32_767
    undone = stored / truth.values["counts_per_unit"] / truth.arrays["gain"]
    assert np.abs(undone - line)[inside].max() <= 0.51 / 32_767


def test_gain_grows_with_time_to_its_limit_and_is_undone() -> None:
    stored, truth = laid(Converter(counts=1e4, gain_db=6.0, gain_db_per_ns=0.5, gain_limit_db=30.0, bits=24))
    gain = 20 * np.log10(truth.arrays["gain"])
    assert gain[TIME <= 0] == pytest.approx(np.full((TIME <= 0).sum(), 6.0))
    assert np.interp(20.0, TIME, gain) == pytest.approx(16.0)
    assert gain[-1] == 30.0
    undone = stored / truth.values["counts_per_unit"] / truth.arrays["gain"]
    assert undone == pytest.approx(clean_line(), abs=0.51 / 1e4 / truth.arrays["gain"][0])


def test_eight_bits_hold_128_steps_a_side() -> None:
    stored, _ = laid(Converter(counts=1e6, bits=8))
    assert (stored.min(), stored.max()) == (-128, 127)


def test_spikes_are_found_where_the_truth_says_and_taken_out_again() -> None:
    layers = Layers((Spikes(count=4, height=1.5), ReceiverNoise(white=0.004)))
    stored, truth = layers.apply(clean_line(), SETTING, seed=3)
    told = truth[-1]
    traces = tuple(number - 1 for number in told.faults[0].traces)
    assert len(traces) == 4
    assert spiky_traces(stored).traces == traces
    assert np.abs(stored[told.arrays["trace"], told.arrays["sample"]]).max() == pytest.approx(3.0, rel=0.1)
    stored[told.arrays["trace"], told.arrays["sample"]] = told.arrays["replaced"]
    assert (stored == layers.without("spikes").apply(clean_line(), SETTING, seed=3)[0]).all()


def test_dead_traces_are_found_where_the_truth_says() -> None:
    stored, truth = laid(DeadTraces(count=3, run=2))
    told = truth.faults[0]
    assert dead_traces(stored).traces == tuple(number - 1 for number in told.traces)
    assert (told.kind, told.visit, told.line, told.amount) == ("dead-trace", "dry", "L1", 6.0)
    assert (np.diff(np.flatnonzero((stored == 0).all(axis=1))) > 1).sum() == 2
    named, _ = laid(DeadTraces(traces=(1, 200)))
    assert (named[[0, 199]] == 0).all()
    assert (named[1:199] == clean_line()[1:199]).all()


@pytest.mark.parametrize(("count", "run", "n"), [(5, 1, 9), (3, 3, 11), (1, 4, 4)])
def test_faulty_runs_fill_the_tightest_line(count: int, run: int, n: int) -> None:
    stored, _ = laid(DeadTraces(count=count, run=run), np.ones((n, 8), np.float32))
    assert int((stored == 0).all(axis=1).sum()) == count * run


# Truth


def test_truth_goes_through_json_and_npz() -> None:
    _, truth = Layers(EVERY).apply(clean_line(), SETTING, seed=1)
    told = json.loads(json.dumps([one.as_dict() for one in truth]))
    assert [one["layer"] for one in told] == [one.layer for one in truth]
    for one, record in zip(truth, told, strict=True):
        assert (record["visit"], record["line"]) == ("dry", "L1")
        for name, data in one.arrays.items():
            assert np.asarray(record["arrays"][name], data.dtype) == pytest.approx(data)
        # The settings alone make the layer again.
        assert make_layer(record["kind"], record["settings"]).key == one.layer
    assert json.dumps(truth[0].as_dict(arrays=False)["arrays"]) == '{"waveform": [400]}'
    file = io.BytesIO()
    np.savez(file, **truth_arrays(truth))
    file.seek(0)
    with np.load(file) as held:
        assert set(held) == set(truth_arrays(truth))
        assert (held["dry/L1/ringing:ground/waveform"] == truth[0].arrays["waveform"]).all()


def test_layers_made_again_from_their_truth_give_the_same_bytes() -> None:
    stored, truth = Layers(EVERY).apply(clean_line(), SETTING, seed=6)
    again = Layers(tuple(make_layer(told.kind, json.loads(json.dumps(told.settings))) for told in truth))
    assert again.apply(clean_line(), SETTING, seed=6)[0].tobytes() == stored.tobytes()


def test_undoing_every_layer_gives_the_clean_line_back() -> None:
    layers = Layers(
        (
            Ringing(strength=0.02),
            Coupling(sd=0.05),
            Wow(strength=0.03),
            Drift(linear_ns=1.0, walk_ns=0.2),
            Jitter(sd_ns=0.03),
            Spikes(count=2),
            Converter(counts=1e5, bits=24),
        )
    )
    stored, truth = layers.apply(clean_line(), SETTING, seed=9)
    told = {one.kind: one for one in truth}
    line = stored / told["converter"].values["counts_per_unit"]
    line[told["spikes"].arrays["trace"], told["spikes"].arrays["sample"]] = told["spikes"].arrays["replaced"]
    line = delay_traces(line, -told["jitter"].arrays["jitter_ns"], interval_ns=STEP)
    line = delay_traces(line, -told["drift"].arrays["drift_ns"], interval_ns=STEP)
    line = line - told["wow"].arrays["waveform"] - told["ringing"].arrays["waveform"]
    line = line / told["coupling"].arrays["coupling"][:, None]
    # At the record's ends the wow and ringing that were moved out of it cannot come back.
    assert line[:, 12:-12] == pytest.approx(clean_line()[:, 12:-12], abs=2e-4)


def test_electronics_become_layers_of_the_same_strength() -> None:
    parts = Electronics(
        counts=3_000.0, noise=0.0006, ringing=0.004, wow=0.03, coupling_sd=0.02, coupling_m=0.6, jitter_ns=0.012
    )
    layers = Layers(layers_of(parts))
    assert [layer.kind for layer in layers.active()] == ["coupling", "ringing", "wow", "jitter", "noise", "converter"]
    assert {layer.kind: layer for layer in layers.layers}["converter"] == Converter(counts=3_000.0, bits=16)
    assert layers_of(Electronics()) == ()
    stored, truth = layers.apply(clean_line(), SETTING, seed=1)
    rest = stored[:, TIME > 80.0] / 3_000.0
    assert rest.std(axis=0).mean() == pytest.approx(np.hypot(0.0006, 1 / np.sqrt(12) / 3_000.0), rel=0.1)
    assert truth[-1].values["full_scale"] == parts.full_scale


def test_table_of_layers_is_complete_and_names_each_by_its_kind() -> None:
    assert all(kind == layer.kind for kind, layer in LAYER_KINDS.items())
    # By name: a dataclass with slots is made twice, and the first one stays among the subclasses.
    found: set[str] = set()
    waiting: list[type] = [Layer]
    while waiting:
        for below in waiting.pop().__subclasses__():
            waiting.append(below)
            if below.__module__.startswith("yewline") and hasattr(below, "kind"):
                found.add(below.__name__)
    assert found == {layer.__name__ for layer in LAYER_KINDS.values()}
    ranks = [layer.rank for layer in Layers(EVERY).active()]
    assert all(a < b for a, b in pairwise(ranks))


def test_setting_comes_from_the_instrument() -> None:
    setting = LineSetting.of(Instrument(interval_ns=0.2, zero_ns=4.0), 0.05, visit="wet", line="L2")
    assert setting == LineSetting(0.2, 4.0, 0.05, "wet", "L2")
    with pytest.raises(InputError, match="level of the direct wave is not known"):
        Ringing(strength=0.1).apply(clean_line(), setting, np.random.default_rng(0))


# What cannot be


@pytest.mark.parametrize(
    ("kind", "settings", "message"),
    [
        ("noise", {"white": -1.0}, "white must lie between"),
        ("noise", {"white": 0.1, "exponent": 9.0}, "exponent must lie between 0 and 4"),
        ("noise", {"wite": 0.1}, "no such setting .*received wite.*Its settings are label, white, coloured, exponent"),
        ("noise", {}, "kind noise lacks a setting. Give white"),
        ("buzz", {}, "kind of a layer must be one of odometer"),
        ("transmitter", {"frequency_mhz": 0.0, "level": 1.0}, "frequency_mhz must be greater than zero"),
        ("transmitter", {"frequency_mhz": 4.0, "level": 1.0, "bandwidth_mhz": 5.0}, "bandwidth_mhz must lie between"),
        ("transmitter", {"frequency_mhz": 4.0, "level": 1.0, "share": 1.2}, "share must lie between 0 and 1"),
        ("bursts", {"per_100_traces": -1.0, "height": 1.0}, "per_100_traces must lie between"),
        ("bursts", {"per_100_traces": 1.0, "height": 1.0, "length_ns": 0.0}, "length_ns must be greater than zero"),
        ("ringing", {"strength": 0.1, "period_ns": 0.0}, "period_ns must be greater than zero"),
        ("ringing", {"strength": 0.1, "through": "air"}, "through must be one of antenna, ground"),
        ("wow", {"strength": float("nan")}, "strength must be finite"),
        ("coupling", {"sd": 0.9}, "sd must lie between 0 and 0.5"),
        ("drift", {"walk_ns": -0.1}, "walk_ns must lie between"),
        ("jitter", {"sd_ns": -0.1}, "sd_ns must lie between"),
        ("converter", {}, "either its counts a unit of field or its headroom"),
        ("converter", {"counts": 1.0, "headroom": 1.0}, "either its counts a unit of field or its headroom"),
        ("converter", {"counts": 1.0, "bits": 32}, "bits must lie between 8 and 24"),
        ("spikes", {"count": 1, "traces": (1,)}, "either a count or the traces"),
        ("spikes", {"count": 1.5}, "count must be a whole number, 0 or more .*received 1.5"),
        ("spikes", {"traces": [1.5]}, "number of a trace must be a whole number"),
        ("spikes", {"count": 1, "height": 0.0}, "height must be greater than zero"),
        ("dead-traces", {"count": 1, "run": 0}, "run must be a whole number, 1 or more"),
    ],
)
def test_layer_that_cannot_be_is_refused(kind: str, settings: dict[str, object], message: str) -> None:
    with pytest.raises(InputError, match=message):
        make_layer(kind, settings)


@pytest.mark.parametrize(
    ("layer", "line", "message"),
    [
        (DeadTraces(traces=(7,)), np.ones((6, 8)), "no such trace .*received 7 of 6.*Count traces from 1"),
        (DeadTraces(traces=(0,)), np.ones((6, 8)), "no such trace .*received 0 of 6"),
        (DeadTraces(count=4), np.ones((6, 8)), "too short for so many .*4 times 1 of 6.*3 times or fewer"),
        (Ringing(strength=0.1, period_ns=0.3), np.ones((6, 8)), "faster than the samples .*0.5 ns or more"),
        (Converter(headroom=1.0), np.zeros((6, 8)), "silent line"),
        (Drift(linear_ns=3.0), np.ones((6, 8)), "delayed by more than the record .*received 3 ns on 2 ns"),
        (ReceiverNoise(white=0.1), np.full((6, 8), np.nan), "amplitude holds values that are not finite"),
    ],
)
def test_line_that_a_layer_cannot_lie_on_is_refused(layer: SignalLayer, line: np.ndarray, message: str) -> None:
    with pytest.raises(InputError, match=message):
        laid(layer, line)


def test_layers_that_clash_are_refused() -> None:
    with pytest.raises(InputError, match="two layers go by one name .*received wow.*label of its own"):
        Layers((Wow(strength=0.1), Wow(strength=0.2)))
    with pytest.raises(InputError, match="no such layer to switch off .*received drift.*The layers are: wow"):
        Layers((Wow(strength=0.1),)).without("drift")
    with pytest.raises(InputError, match="seed must be a whole number, 0 or more .*received -1"):
        Layers((Wow(strength=0.1),)).apply(clean_line(), SETTING, seed=-1)
    with pytest.raises(InputError, match="one delay for each trace .*1 for 2"):
        delay_traces(np.ones((2, 8)), [1.0], interval_ns=0.5)
