"""Attenuation that grows with frequency: the exact filter, undone and fitted; and the sigma of absorption."""

from __future__ import annotations

import math

import numpy as np
import pytest

from yewline.errors import InputError
from yewline.signal import Section
from yewline.signal.absorption import absorption_with_sigma, fit_absorption
from yewline.signal.wavelets import QStarFit, fit_q_star, pooled_spectra, q_compensation

DT, PEAK = 0.25, 0.4
SECTION = Section(interval_ns=DT, spacing_m=0.05, centre_mhz=1e3 * PEAK)


def ricker(time: np.ndarray) -> np.ndarray:
    squared = (np.pi * PEAK * time) ** 2
    return (1 - 2 * squared) * np.exp(-squared)


def constant_q(times_ns: np.ndarray, frequency: np.ndarray, q: float) -> np.ndarray:
    """Exact filter of travel time t: loss πft/Q and the dispersion that goes with it (Aki & Richards 2002, §5.5)."""
    logs = np.log(np.maximum(frequency, frequency[1]) / PEAK)
    return np.exp(np.outer(times_ns, frequency) * (-np.pi / q + 2j * logs / q))


def reflected(weights: np.ndarray, q: float, *, dt: float = DT) -> np.ndarray:
    """(T, S) Ricker wavelets from reflectors at every sample, each through the filter of its own time."""
    samples = weights.shape[1]
    f = np.fft.rfftfreq(4 * samples, dt)
    wavelet = 2 / math.sqrt(math.pi) / PEAK * (f / PEAK) ** 2 * np.exp(-((f / PEAK) ** 2)) / dt
    times = dt * np.arange(samples)
    events = constant_q(times, f, q) * np.exp(-2j * np.pi * np.outer(times, f)) * wavelet
    return np.fft.irfft(weights @ events, 4 * samples, axis=1)[:, :samples]


def site(q: float, *, seed: int, lines: int = 6, noise: float = 0.0) -> list[tuple[np.ndarray, Section]]:
    """Lines of random reflectors under spreading and an absorption that is the same at all frequencies."""
    rng = np.random.default_rng(seed)
    t = DT * np.arange(320)
    decay = np.exp(-0.02 * t) * 2.5 / np.maximum(t, 2.5)
    return [
        (reflected(rng.standard_normal((40, 320)) * decay, q) + noise * rng.standard_normal((40, 320)), SECTION)
        for _ in range(lines)
    ]


# --- compensation -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("q", [20.0, 40.0])
@pytest.mark.parametrize("time_ns", [20.0, 40.0, 60.0])
def test_a_ricker_wavelet_through_the_exact_filter_is_restored(q: float, time_ns: float) -> None:
    weights = np.zeros((1, 400))
    weights[0, round(time_ns / DT)] = 1.0
    wanted = ricker(DT * np.arange(400) - time_ns)
    damped = reflected(weights, q)
    restored = q_compensation(damped, SECTION, q_star=q, dispersion="undone", highest_gain_db=80.0)[0]
    assert np.abs(damped).max() < 0.6
    assert int(restored.argmax()) == round(time_ns / DT)
    assert restored.max() == pytest.approx(1.0, abs=0.01)
    # The filter changes over the width of the wavelet, by π/Q of its half width in periods: not more is left.
    assert restored == pytest.approx(wanted, abs=1.1 / q)
    assert np.corrcoef(restored, wanted)[0, 1] > 0.99


def test_the_lag_of_low_frequencies_is_kept_unless_it_is_to_be_undone() -> None:
    weights = np.zeros((1, 400))
    weights[0, 200] = 1.0
    damped = reflected(weights, 25.0)
    wanted = ricker(DT * np.arange(400) - 50.0)
    kept, undone = (
        q_compensation(damped, SECTION, q_star=25.0, dispersion=way, highest_gain_db=80.0)[0]
        for way in ("kept", "undone")
    )
    assert np.abs(undone - wanted).max() < 0.2 * np.abs(kept - wanted).max()


def test_the_gain_is_that_of_the_formula_and_never_above_its_limit() -> None:
    # Long tones: their strength after the step is Λ at their frequency and time.
    t = DT * np.arange(2_000)
    steady = 1.0 / ((2.0 * 10 ** (20 / 20) - 1.0) ** 2 - 1.0)
    gains = []
    for f in (0.1, 0.4, 0.8):
        tones = [np.cos(2 * np.pi * f * t), np.sin(2 * np.pi * f * t)]
        # A quarter of a period apart, so that their root sum of squares is the strength at each sample.
        loud = np.hypot(*q_compensation(tones, SECTION, q_star=60.0, highest_gain_db=20.0))
        for at in (400, 1_000, 1_500):
            loss = math.exp(-math.pi * f * t[at] / 60.0)
            expected = (loss + steady) / (loss**2 + steady)
            gains.append(float(loud[at]))
            assert gains[-1] == pytest.approx(expected, rel=2e-3)
    assert max(gains) <= 10.0 * 1.002


def test_without_a_quality_factor_nothing_is_done_and_the_sites_own_is_taken() -> None:
    x = np.random.default_rng(0).standard_normal((3, 200)).astype(np.float32)
    assert (q_compensation(x, SECTION) == x).all()
    site_own = Section(interval_ns=DT, spacing_m=0.05, centre_mhz=400.0, q_star=30.0)
    assert (q_compensation(x, site_own) == q_compensation(x, SECTION, q_star=30.0)).all()
    assert (q_compensation(x, site_own, highest_gain_db=0.0) == x).all()


# --- fit ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("q", "noise"), [(20.0, 0.0), (40.0, 0.0), (40.0, 0.005)])
def test_quality_factors_that_were_put_in(q: float, noise: float) -> None:
    fit = fit_q_star(site(q, seed=1, noise=noise))
    assert fit.q_star == pytest.approx(q, rel=0.1)
    assert abs(fit.inverse - 1 / q) < 4 * fit.inverse_sigma
    assert abs(fit.shift_inverse - 1 / q) < 4 * fit.shift_inverse_sigma
    assert fit.q_star_sigma == pytest.approx(fit.inverse_sigma * fit.q_star**2, rel=1e-9)
    assert (fit.lines, fit.pieces) == (6, 6)


def test_absorption_that_is_the_same_at_all_frequencies_is_none_of_it() -> None:
    fit = fit_q_star(site(1e9, seed=300))
    assert abs(fit.inverse) < 4 * fit.inverse_sigma
    assert 1 / fit.inverse_sigma > 500


def test_compensation_by_the_fitted_factor_leaves_nothing_to_fit() -> None:
    lines = site(30.0, seed=5)
    fit = fit_q_star(lines)
    level = [(q_compensation(x, own, q_star=fit.q_star, highest_gain_db=80.0), own) for x, own in lines]
    assert abs(fit_q_star(level).inverse) < 0.1 * fit.inverse


def test_a_fit_without_fading_is_infinite() -> None:
    fit = QStarFit(-0.001, 0.002, math.nan, math.nan, 1, 6, 8, 160.0, 720.0)
    assert (fit.q_star, fit.q_star_sigma) == (math.inf, math.inf)


def test_sample_intervals_may_differ_and_the_size_of_a_line_does_not_matter() -> None:
    rng = np.random.default_rng(7)
    lines = []
    for k, dt in enumerate((0.25, 0.3, 0.4, 0.25, 0.3, 0.4)):
        n = round(80.0 / dt)
        section = Section(interval_ns=dt, spacing_m=0.05, centre_mhz=400.0)
        lines.append((10.0**k * reflected(rng.standard_normal((40, n)), 30.0, dt=dt), section))
    assert fit_q_star(lines).q_star == pytest.approx(30.0, rel=0.1)


def test_few_windows_above_the_noise_leave_the_shift_open() -> None:
    t = DT * np.arange(320)
    rng = np.random.default_rng(2)
    x = rng.standard_normal((40, 320)) * np.where(t < 20.0, 1e3, 1.0)
    assert math.isnan(fit_q_star([(x, SECTION)] * 2, start_ns=10.0).shift_inverse)


def test_what_no_quality_factor_can_be_told_from_is_refused() -> None:
    line = np.random.default_rng(0).standard_normal((8, 400))
    with pytest.raises(InputError, match="no lines to fit a quality factor to"):
        fit_q_star([])
    with pytest.raises(InputError, match="no quality factor can be told from silent lines"):
        fit_q_star([(np.zeros((8, 400)), SECTION)])
    with pytest.raises(InputError, match="needs 5 windows or more that every line holds"):
        fit_q_star([(line[:, :120], SECTION), (line, SECTION)])
    with pytest.raises(InputError, match="under the Nyquist frequency of every line"):
        pooled_spectra([(line, SECTION)], high_mhz=2_500.0)
    fit = fit_q_star([(line[:2], SECTION)])
    assert math.isnan(fit.inverse_sigma)
    with pytest.raises(InputError, match="q_star must lie between"):
        q_compensation(line, SECTION, q_star=0.0)
    with pytest.raises(InputError, match="dispersion must be one of kept, undone"):
        q_compensation(line, SECTION, q_star=30.0, dispersion="other")
    with pytest.raises(InputError, match="highest_gain_db must lie between"):
        q_compensation(line, SECTION, q_star=30.0, highest_gain_db=90.0)
    with pytest.raises(InputError, match="q_star must be greater than zero"):
        Section(interval_ns=DT, spacing_m=0.05, centre_mhz=400.0, q_star=-1.0)


# --- absorption's sigma -------------------------------------------------------------------------------------------


def decaying(rate: float, seed: int) -> tuple[np.ndarray, Section]:
    t = DT * np.arange(400)
    decay = 2.5 / np.maximum(t, 2.5) * 10 ** (-rate * t / 20)
    return np.random.default_rng(seed).standard_normal((60, 400)) * decay, SECTION


def test_the_sigma_of_absorption_covers_the_truth() -> None:
    off = []
    for seed in range(8):
        lines = [decaying(0.4, 10 * seed + k) for k in range(3)]
        fit = absorption_with_sigma(lines, draws=40, seed=1)
        assert fit.rate_db_per_ns == fit_absorption(lines)
        assert (fit.lines, fit.pieces) == (3, 9)
        off.append((fit.rate_db_per_ns - 0.4) / fit.sigma_db_per_ns)
    assert np.sqrt(np.mean(np.square(off))) < 2.5
    assert absorption_with_sigma(lines, draws=40, seed=1) == fit


def test_lines_that_differ_make_the_rate_less_sure() -> None:
    alike = absorption_with_sigma([decaying(0.4, k) for k in range(8)], draws=40)
    apart = absorption_with_sigma([decaying(0.2 + 0.05 * k, k) for k in range(8)], draws=40)
    assert apart.sigma_db_per_ns > 5 * alike.sigma_db_per_ns


def test_a_sigma_of_absorption_that_cannot_be_is_nan_or_refused() -> None:
    x, section = decaying(0.4, 1)
    assert math.isnan(absorption_with_sigma([(x[:1], section)]).sigma_db_per_ns)
    with pytest.raises(InputError, match="draws must lie between"):
        absorption_with_sigma([(x, section)], draws=2)
    with pytest.raises(InputError, match="no lines to fit the absorption to"):
        absorption_with_sigma([])
