"""Equal trace distance and another sample interval: waves come back at their new places, gaps stay gaps."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import InputError
from yewline.signal import Section
from yewline.signal.equal_places import default_spacing_m, equal_places, equally_spaced
from yewline.signal.equal_spacing import equal_spacing
from yewline.signal.resample_time import default_interval_ns, resample_time, resampled


def section(distance_m: np.ndarray | list[float] | None = None, **more: object) -> Section:
    return Section(interval_ns=0.25, spacing_m=0.1, centre_mhz=400.0, distance_m=distance_m, **more)  # type: ignore[arg-type]


def uneven(jitter: float, n: int = 300, seed: int = 1) -> np.ndarray:
    return 3.0 + np.cumsum(np.random.default_rng(seed).uniform(0.1 * (1 - jitter), 0.1 * (1 + jitter), n))


def wave(share: float, at: np.ndarray) -> np.ndarray:
    """A wave along the line of `share` of the highest wavenumber that 0.1 m can hold, in three samples."""
    return np.sin(share * np.pi / 0.1 * at[:, None] + np.array([0.0, 1.0, 2.0]))


# Equal spacing: what is known stays known


@pytest.mark.parametrize("method", ["band_limited", "linear"])
def test_an_even_line_at_its_own_spacing_is_itself(method):
    x = np.random.default_rng(0).standard_normal((80, 12)).astype(np.float32)
    y = equal_spacing(x, section(0.1 * np.arange(80)), method=method)
    assert np.abs(y - x).max() < 1e-6


def test_addresses_of_traces():
    # Each sample tells its own distance and time; linear weights must give those of the new place exactly.
    at = uneven(0.5, 60)
    x = at[:, None] + 1_000.0 * np.arange(5)
    new = equal_places(section(at), spacing_m=0.07)
    y = equal_spacing(x, section(at), spacing_m=0.07, method="linear")
    assert np.abs(y - (new[:, None] + 1_000.0 * np.arange(5))).max() < 1e-3


@pytest.mark.parametrize(
    ("jitter", "share", "most"),
    [(0.1, 0.1, 2e-3), (0.1, 0.6, 4e-3), (0.3, 0.1, 4e-3), (0.3, 0.38, 8e-3), (0.3, 0.6, 2e-2)],
)
def test_waves_on_uneven_places(jitter, share, most):
    at = uneven(jitter)
    new = equal_places(section(at), spacing_m=0.1)
    y = equal_spacing(wave(share, at), section(at), spacing_m=0.1)
    error = np.abs(y - wave(share, new))[8:-8]
    assert error.max() < most
    if share > 0.3:
        straight = equal_spacing(wave(share, at), section(at), spacing_m=0.1, method="linear")
        assert error.max() < 0.2 * np.abs(straight - wave(share, new))[8:-8].max()


@pytest.mark.parametrize(("spacing", "share"), [(0.2, 0.75), (0.3, 0.6), (0.3, 0.9)])
def test_a_coarser_line_holds_nothing_that_folds_back(spacing, share):
    at = uneven(0.1)
    y = equal_spacing(wave(share, at), section(at), spacing_m=spacing)
    assert np.abs(y)[4:-4].max() < 0.06


@pytest.mark.parametrize("method", ["band_limited", "linear"])
def test_a_constant_line_stays_constant(method):
    y = equal_spacing(np.full((300, 2), 7.0), section(uneven(0.6)), spacing_m=0.05, method=method)
    assert y == pytest.approx(np.full(y.shape, 7.0), rel=1e-5)


def test_noise_is_not_blown_up():
    x = np.random.default_rng(0).standard_normal((300, 40))
    for jitter in (0.1, 0.3, 0.6):
        assert equal_spacing(x, section(uneven(jitter)), spacing_m=0.1).std() < 1.6


def test_traces_at_one_place_are_averaged():
    at = np.array([0.0, 0.1, 0.1, 0.1, 0.2, 0.3])
    x = np.array([[0.0], [1.0], [4.0], [1.0], [5.0], [6.0]])
    assert equal_spacing(x, section(at), method="linear")[:, 0] == pytest.approx([0.0, 2.0, 5.0, 6.0])
    assert default_spacing_m(section(at)) == pytest.approx(0.1)


def test_a_gap_is_left_out_and_told():
    at = np.concatenate([0.1 * np.arange(20), 5.03 + 0.1 * np.arange(30)])
    new = equal_places(section(at))
    assert ((new <= 1.9 + 1e-9) | (new >= 5.03)).all()
    assert new / 0.1 == pytest.approx(np.round(new / 0.1), abs=1e-6)
    x = wave(0.3, at)
    y = equal_spacing(x, section(at))
    assert len(y) == len(new)
    # Each stretch is interpolated from its own traces.
    assert (y[:20] == equal_spacing(x[:20], section(at[:20]))).all()
    with pytest.raises(InputError, match=r"the line has a gap .received no trace between 1.90 and 5.03 m"):
        equal_spacing(x, section(at), at_gap="refuse")
    assert len(equal_places(section(at), largest_gap_m=4.0)) == 80


def test_a_lone_trace_between_gaps():
    at = np.array([0.0, 0.1, 0.2, 0.3, 2.0, 4.0, 4.1, 4.2])
    new = equal_places(section(at), spacing_m=0.1)
    assert new == pytest.approx([0.0, 0.1, 0.2, 0.3, 2.0, 4.0, 4.1, 4.2])
    for method in ("band_limited", "linear"):
        y = equal_spacing(at[:, None], section(at), spacing_m=0.1, method=method)
        assert y[:, 0] == pytest.approx(new, abs=1e-5)


def test_the_section_goes_along():
    at = uneven(0.4, 50)
    old = section(at, x_m=2.0 * at, y_m=-at, elevation_m=0.1 * at, velocity_m_per_ns=0.1)
    new = equally_spaced(old, spacing_m=0.08)
    assert new.spacing_m == 0.08
    assert new.distance_m == pytest.approx(equal_places(old, spacing_m=0.08))
    assert new.x_m == pytest.approx(2.0 * new.distance_m)
    assert new.y_m == pytest.approx(-new.distance_m)
    assert new.elevation_m == pytest.approx(0.1 * new.distance_m)
    assert new.velocity_m_per_ns == 0.1
    assert equally_spaced(section(at)).x_m is None


def test_long_lines_are_worked_on_in_parts():
    at = uneven(0.2, 5_000)
    y = equal_spacing(wave(0.3, at), section(at), spacing_m=0.1)
    assert np.abs(y - wave(0.3, equal_places(section(at), spacing_m=0.1)))[8:-8].max() < 1e-2


def test_inside_an_even_line_against_scipy():
    # SciPy's resampling by transform holds for a line that repeats itself: a whole number of waves.
    at = 0.1 * np.arange(200)
    x = wave(2 * 31 / 200, at)
    expected = scipy.signal.resample(x, 400, axis=0)[:-1]
    y = equal_spacing(x, section(at), spacing_m=0.05)
    assert np.abs(y - expected)[16:-16].max() < 2e-3


@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_any_rising_line_gives_finite_traces_at_the_places_promised(data):
    steps = data.draw(st.lists(st.sampled_from([0.0, 0.03, 0.1, 0.11, 0.5, 3.0]), min_size=1, max_size=40))
    at = np.cumsum([0.0, *steps])
    x = np.random.default_rng(len(steps)).standard_normal((len(at), 3)).astype(np.float32)
    held = x.copy()
    spacing = data.draw(st.sampled_from([None, 0.05, 0.1, 0.37]))
    method = data.draw(st.sampled_from(["band_limited", "linear"]))
    if at[-1] == 0:
        with pytest.raises(InputError, match="all traces stand at one place"):
            equal_spacing(x, section(at), spacing_m=spacing, method=method)
        return
    y = equal_spacing(x, section(at), spacing_m=spacing, method=method)
    assert len(y) == len(equal_places(section(at), spacing_m=spacing))
    assert y.dtype == np.float32
    assert y.flags.c_contiguous
    assert np.isfinite(y).all()
    assert (x == held).all()


def test_a_short_stretch_off_the_new_places_goes_with_its_gaps():
    at = np.array([0.0, 0.1, 0.2, 1.53, 1.55, 3.0, 3.1])
    assert equal_places(section(at), spacing_m=0.1) == pytest.approx([0.0, 0.1, 0.2, 3.0, 3.1])
    with pytest.raises(InputError, match=r"no trace between 0.20 and 1.53 m"):
        equal_spacing(at[:, None], section(at), spacing_m=0.1, at_gap="refuse")


@pytest.mark.parametrize(
    ("at", "more", "message"),
    [
        (None, {}, "equal spacing needs the distance of each trace along the line"),
        ([0.0, 0.1, 0.05, 0.2], {}, "distance along the line falls .received 0.100 m at trace 2, 0.050 m at the next"),
        ([0.0, 0.1, 0.2], {}, "each trace needs its distance along the line .received 3 distances for 4 traces"),
        ([1.0] * 4, {}, "the line has no length: all traces stand at one place .received 4 traces"),
        ([0.0, 1.0, 2.0, 3.0], {"spacing_m": 1e-6}, "spacing_m is too small for this line"),
        (
            [0.0, 1.0, 2.0, 3.0],
            {"spacing_m": 1e-3},
            r"spacing_m is far finer than the line was recorded \(received 0.001 m makes 3001 traces of 4, which lie "
            r"1 m apart\). Leave spacing_m out, or give at least 0.05 m",
        ),
        ([0.0, 1.0, 2.0, 3.0], {"spacing_m": -1.0}, "spacing_m must be greater than zero"),
        ([0.0, 1.0, 2.0, 3.0], {"largest_gap_m": 0.0}, "largest_gap_m must be greater than zero"),
        ([0.0, 1.0, 2.0, 3.0], {"method": "spline"}, "method must be one of band_limited, linear"),
        ([0.0, 1.0, 2.0, 3.0], {"at_gap": "fill"}, "at_gap must be one of leave, refuse"),
    ],
)
def test_refusals_of_equal_spacing(at, more, message):
    with pytest.raises(InputError, match=message):
        equal_spacing(np.ones((4, 2)), section(at), **more)


@given(usual=st.floats(0.005, 2.0), share=st.floats(1.0, 3.0))
def test_the_finest_spacing_that_is_advised_is_taken(usual, share):
    at = section(usual * np.arange(40))
    with pytest.raises(InputError, match="at least") as refused:
        equal_places(at, spacing_m=usual / 20 / (1.1 * share))
    advised = float(str(refused.value.do).partition("at least ")[2].split(" ")[0])
    assert usual / 20 <= advised * (1 + 1e-12) <= usual / 20 * 1.1 + 1e-12
    assert len(equal_places(at, spacing_m=advised)) <= 20 * 40


# Another sample interval


@pytest.mark.parametrize("interval", [0.1, 0.2, 0.3, 0.5, 0.6180339887])
def test_a_pulse_comes_back_at_its_new_samples(interval):
    def pulse(t: np.ndarray) -> np.ndarray:
        u = (np.pi * 0.4 * (t - 30.0)) ** 2
        return (1 - 2 * u) * np.exp(-u)

    y = resample_time(pulse(0.25 * np.arange(260))[None], section(), interval_ns=interval)[0]
    expected = pulse(interval * np.arange(len(y)))
    # At the longer intervals the pulse itself reaches the new Nyquist frequency, and loses what lies above.
    frequency = np.fft.rfftfreq(1 << 14, 0.25e-3)
    power = np.abs(np.fft.rfft(pulse(0.25 * np.arange(260)), 1 << 14))
    lost = power[frequency > 0.8 * 500.0 / interval].sum() / power.sum()
    assert np.abs(y - expected).max() < 2e-3 + 2 * lost
    assert interval * (len(y) - 1) <= 0.25 * 259 + 1e-9 < interval * len(y)


def test_what_the_new_interval_cannot_hold_is_taken_out():
    t = 0.25 * np.arange(800)
    y = resample_time(np.cos(2 * np.pi * 1.1 * t)[None], section(), interval_ns=0.75)
    assert np.abs(y[0, 30:-30]).max() < 0.01


def test_the_same_interval_copies():
    x = np.random.default_rng(0).standard_normal((3, 50)).astype(np.float32)
    assert np.abs(resample_time(x, section(), interval_ns=0.25) - x).max() < 1e-6
    assert (resample_time(x, section(), interval_ns=0.125)[:, ::2] == resample_time(x, section())).all()


def test_a_constant_stays():
    for interval in (0.1, 0.33, 1.0):
        y = resample_time(np.full((2, 77), 3.0), section(), interval_ns=interval)
        assert y == pytest.approx(np.full(y.shape, 3.0), rel=1e-6)


@pytest.mark.parametrize(("up", "down"), [(2, 1), (1, 2), (5, 4), (2, 3), (5, 7), (1, 4)])
def test_resampling_against_scipy(up, down):
    window = np.zeros(480)
    window[120:360] = np.hanning(240)
    x = (np.random.default_rng(up).standard_normal((4, 480)) * window).astype(np.float32)
    coarse = Section(interval_ns=0.25, spacing_m=0.1, centre_mhz=200.0)
    y = resample_time(x, coarse, interval_ns=0.25 * down / up)
    expected = scipy.signal.resample_poly(x.astype(np.float64), up, down, axis=1)[:, : y.shape[1]]
    # SciPy scales its filter as a whole, we the weights of each sample: equal to the ripple of the filter.
    scaled = resample_time(np.ones((1, 480)), coarse, interval_ns=0.25 * down / up)
    unit = scipy.signal.resample_poly(np.ones(480), up, down)[: y.shape[1]]
    middle = slice(y.shape[1] // 4, 3 * y.shape[1] // 4)
    ripple = (unit / scaled[0])[middle]
    assert np.abs(ripple - 1).max() < 2e-3
    assert np.abs((y * unit)[:, middle] - expected[:, middle]).max() < 1e-5 * np.abs(expected).max()


def test_the_section_of_the_new_interval():
    assert default_interval_ns(section()) == 0.25
    assert resampled(section(), interval_ns=0.4).interval_ns == 0.4
    assert resampled(section(np.arange(3.0))).distance_m is not None


@settings(max_examples=25, deadline=None)
@given(samples=st.integers(1, 90), interval=st.floats(0.01, 1.2), traces=st.integers(1, 4))
def test_any_interval_gives_finite_samples_within_the_record(samples, interval, traces):
    x = np.random.default_rng(samples).standard_normal((traces, samples)).astype(np.float32)
    held = x.copy()
    y = resample_time(x, section(), interval_ns=interval)
    assert y.shape == (traces, int(np.floor((samples - 1) * 0.25 / interval + 1e-9)) + 1)
    assert y.dtype == np.float32
    assert y.flags.c_contiguous
    assert np.isfinite(y).all()
    assert np.abs(y).max() < 3 * np.abs(x).max()
    assert (x == held).all()


@pytest.mark.parametrize(
    ("interval", "message"),
    [
        (1.25, "the new sample interval cannot hold the antenna's centre frequency .received 1.25 ns for 400 MHz"),
        (0.003, "the new sample interval is far shorter than the recorded one .received 0.003 ns from 0.25 ns"),
        (-1.0, "interval_ns must be greater than zero"),
        (np.nan, "interval_ns must be finite"),
    ],
)
def test_refusals_of_an_interval(interval, message):
    with pytest.raises(InputError, match=message):
        resample_time(np.ones((2, 30)), section(), interval_ns=interval)
