"""Filters next to time zero run on the whole record: held to SciPy on a pulse that no edge cuts."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import fft
from scipy import signal as reference
from scipy.ndimage import uniform_filter1d

from yewline import signal
from yewline.errors import InputError
from yewline.model import make_radargram, provenance_steps
from yewline.recipe import explain_recipe, guard, recipe_from_toml, run_before, section_of

DT, MHZ, APART = 0.25, 400.0, 0.3
AIR = APART / 0.299792458
ZERO, LATE = 80, 100
"""Samples at which the wave leaves, and from there to a weak response, ten periods later."""
ATTRS = {"centre_mhz": MHZ, "separation_m": APART, "line": "L07", "visit": "dry"}
FILTERS = {
    "dewow": "",
    "band_pass": "",
    "band_pass_trapezoid": "",
    "notch": "frequency_mhz = 500.0\nwidth_mhz = 100.0",
}


def ricker(t: np.ndarray) -> np.ndarray:
    """Ricker 1953, Geophysics 18:10–40, at 400 MHz."""
    u = (np.pi * MHZ * 1e-3 * t) ** 2
    return (1 - 2 * u) * np.exp(-u)


def record(from_sample: int, samples: int, *, late: float = 0.0) -> np.ndarray:
    """A direct wave of uneven strength along 40 traces, and a weak response; sample 0 is `from_sample`."""
    t = DT * (np.arange(samples) + from_sample - ZERO)
    strength = 1.0 + 0.2 * np.sin(np.arange(40) / 6.0)
    return strength[:, None] * ricker(t - AIR) + late * ricker(t - AIR - DT * LATE)


def recipe(*names: str):
    calls = [f'[[before]]\nstep = "{name}"\n{FILTERS.get(name, "")}' for name in names]
    return recipe_from_toml("\n".join(calls))


def radargram(values: np.ndarray):
    x = 0.05 * np.arange(len(values))
    return make_radargram(values, interval_ns=DT, x=x, y=0 * x, attrs=ATTRS)


def by_scipy(name: str, x: np.ndarray) -> np.ndarray:
    nyquist = 500.0 / DT
    if name == "dewow":
        return x - uniform_filter1d(x, 21, axis=1, mode="constant")
    if name == "band_pass":
        return reference.sosfiltfilt(reference.butter(4, [120.0, 1000.0], "bandpass", fs=2 * nyquist, output="sos"), x)
    if name == "notch":
        return reference.filtfilt(*reference.iirnotch(500.0, 5.0, fs=2 * nyquist), x)
    frequency = 1e3 * fft.rfftfreq(x.shape[1], DT)
    gain = np.interp(frequency, [60.0, 120.0, 800.0, 1200.0], [0.0, 1.0, 1.0, 0.0])
    return fft.irfft(fft.rfft(x) * (0.5 - 0.5 * np.cos(np.pi * gain)), x.shape[1])


def by_function(x: np.ndarray, section: signal.Section, name: str) -> np.ndarray:
    more = {"frequency_mhz": 500.0, "width_mhz": 100.0} if name == "notch" else {}
    return getattr(signal, name)(x, section, **more)


@pytest.mark.parametrize(
    ("name", "early", "late"),
    [("dewow", 0.05, 0.0), ("band_pass", 0.5, 0.2), ("band_pass_trapezoid", 0.5, 0.3), ("notch", 0.2, 0.03)],
)
def test_a_filter_next_to_time_zero_sees_the_direct_wave_whole(name, early, late):
    """By how much the edge would show is measured here, and stated in docs/recipes.md."""
    weak = 0.005
    line = radargram(record(0, 400, late=weak))
    # The same pulse with 100 ns of silence on either side.
    true = by_scipy(name, by_scipy("dewow", record(-400, 1200, late=weak)))[:, 400 + ZERO :]
    first_ten, response = slice(0, 100), slice(LATE - 12, LATE + 13)
    found = run_before(recipe("time_zero", "dewow", name), line).values
    assert np.abs(found[:, first_ten] - true[:, first_ten]).max() < 1e-4
    assert np.abs(found[:, response] - true[:, response]).max() < 1e-3 * weak
    section = section_of(line)
    edge = by_function(by_function(signal.time_zero(line.values, section), section, "dewow"), section, name)
    assert np.abs(edge[:, first_ten] - true[:, first_ten]).max() > early
    assert np.abs(edge[:, response] - true[:, response]).max() >= late * weak


def test_filters_see_what_time_zero_met_whatever_their_number():
    line = radargram(record(0, 400, late=0.01) + 0.01 * np.random.default_rng(0).standard_normal((40, 400)))
    section = section_of(line)
    zero = signal.pick_time_zero(line.values, section)
    x = signal.dewow(line.values, section)
    x = signal.notch(x, section, frequency_mhz=500.0, width_mhz=100.0)
    x = signal.start_at(signal.band_pass(x, section), section, zero)
    done = run_before(recipe("time_zero", "dewow", "notch", "band_pass"), line)
    assert done.values.tobytes() == x.tobytes()
    assert done["time"].values[0] == 0.0
    # A step that is no filter is handed the record from time zero on, and so is all that follows it.
    after = run_before(recipe("time_zero", "band_pass", "compensate", "dewow"), line)
    x = signal.start_at(signal.band_pass(line.values, section), section, zero)
    assert after.values.tobytes() == signal.dewow(signal.compensate(x, section), section).tobytes()


def test_each_filter_is_shown_from_time_zero_on():
    line = radargram(record(0, 400, late=0.01))
    views = explain_recipe(recipe("time_zero", "dewow", "band_pass"), line)
    done = run_before(recipe("time_zero", "dewow", "band_pass"), line)
    assert views[0].before.sizes["time"] == 400
    for view in views[1:]:
        assert view.before.shape == view.after.shape == done.shape
        assert view.before["time"].values[0] == view.after["time"].values[0] == 0.0
        assert view.removed.values + view.after.values == pytest.approx(view.before.values, abs=1e-6)
    assert views[0].after.values.tobytes() == signal.time_zero(line.values, section_of(line)).tobytes()
    assert views[-1].after.values.tobytes() == done.values.tobytes()
    assert [view.parameters for view in views] == [step["parameters"] for step in provenance_steps(done)]


@pytest.mark.parametrize(
    ("names", "warned"),
    [
        (("time_zero", "dewow", "band_pass", "equal_spacing"), ""),
        (("dewow", "time_zero", "band_pass"), ""),
        (("time_zero", "background_removal", "band_pass"), ""),
        (("dewow", "band_pass"), ""),
        (("time_zero", "equal_spacing", "band_pass"), "put band_pass right after time_zero"),
        (("time_zero", "dewow", "detrend", "notch", "band_pass"), "put notch and band_pass right after time_zero"),
    ],
)
def test_a_filter_that_meets_the_edge_is_warned_of(names, warned):
    found = guard(recipe(*names), radargram(record(0, 400)), grave_length_m=0.4)
    edge = [each for each in found if each.code == "filter-meets-edge"]
    assert len(edge) == bool(warned)
    assert all(warned in each.do for each in edge)


def test_refusals_of_start_at():
    section = section_of(radargram(record(0, 400)))
    with pytest.raises(InputError, match="each trace needs its own time zero .received 2 for 3 traces"):
        signal.start_at(np.zeros((3, 8)), section, [1.0, 2.0])
    with pytest.raises(InputError, match="zero_ns holds values that are not finite"):
        signal.start_at(np.zeros((2, 8)), section, [1.0, np.nan])
