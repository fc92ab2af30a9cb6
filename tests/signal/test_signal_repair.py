"""Faults are found sample by sample and repaired: planted ones come back near the truth, the rest stays untouched."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicHermiteSpline

from yewline.errors import InputError
from yewline.signal import Section, clipped_traces, dead_traces, spiky_traces
from yewline.signal.faults import default_longest_cut_ns, default_longest_spike_ns, find_faults, runs_of
from yewline.signal.repair import repair_traces

DT = 0.25
SECTION = Section(interval_ns=DT, spacing_m=0.05, centre_mhz=400.0, separation_m=0.16)


def ricker(t: np.ndarray) -> np.ndarray:
    """Ricker 1953, Geophysics 18:10–40, at 400 MHz."""
    u = (np.pi * 0.4 * t) ** 2
    return (1 - 2 * u) * np.exp(-u)


def clean(seed: int, *, n: int = 160, noise: float = 0.01) -> np.ndarray:
    """Direct wave of uneven strength with ringing, layers and hyperbolas, noise and wow."""
    rng = np.random.default_rng(seed)
    t = DT * np.arange(300)
    x = 0.05 * np.arange(n)
    zero = 8.0 + np.linspace(0, 0.5, n) + 0.02 * rng.standard_normal(n)
    coupling = 3.0 * (1 + 0.15 * np.convolve(rng.standard_normal(n + 20), np.ones(21) / 4.6, mode="valid"))
    field = ricker(t - zero[:, None]) * coupling[:, None]
    for ring in range(1, 4):
        field += 3.0 * (-0.35) ** ring * ricker(t - zero[:, None] - 3.1 * ring)
    for _ in range(8):
        arrival = 2 * np.hypot(x - rng.uniform(0, x[-1]), rng.uniform(0.4, 2.0)) / 0.1
        field += rng.uniform(-2, 2) * ricker(t - zero[:, None] - arrival[:, None]) * (8 / arrival[:, None]) ** 2
    field += noise * rng.standard_normal(field.shape) + 0.2 * np.exp(-t / 30)
    return (4_000 * field).astype(np.float32)


@pytest.mark.parametrize("seed", range(3))
def test_a_clean_line_is_left_alone(seed):
    x = clean(seed)
    faults = find_faults(x, SECTION)
    assert not faults
    assert not faults.changed.any()
    repaired = repair_traces(x, SECTION)
    assert (repaired == x).all()
    assert not np.shares_memory(repaired, x)


@pytest.mark.parametrize("seed", range(4))
def test_planted_wild_samples_are_found_one_by_one_and_mended(seed):
    x = clean(seed)
    rng = np.random.default_rng(seed)
    traces = rng.choice(len(x), 8, replace=False)
    y = x.copy()
    planted = np.zeros(x.shape, bool)
    for trace in traces:
        # After the direct wave, and far enough apart to be wild each by itself.
        planted[trace, rng.choice(np.arange(70, 280, 12), 3, replace=False)] = True
    y[planted] += 15 * x.std() * rng.choice([-1.0, 1.0], planted.sum())
    faults = find_faults(y, SECTION)
    assert (faults.wild == planted).all()
    assert not faults.replaced.any()
    repaired = repair_traces(y, SECTION)
    assert (repaired[~planted] == x[~planted]).all()
    assert np.sqrt(np.mean((repaired - x)[planted] ** 2)) < 0.12 * x.std()
    assert not spiky_traces(repaired)


def test_two_wild_samples_of_opposite_sign_side_by_side():
    x = clean(1)
    y = x.copy()
    y[50, 150] += 20 * x.std()
    y[50, 151] -= 20 * x.std()
    faults = find_faults(y, SECTION)
    assert faults.wild[50, 150:152].all()
    assert faults.wild.sum() <= 4
    assert np.abs(repair_traces(y, SECTION) - x)[50].max() < 0.3 * x.std()


def test_dead_and_noisy_traces_are_replaced_by_their_neighbours():
    x = clean(2)
    rng = np.random.default_rng(2)
    y = x.copy()
    y[[30, 31]] = 512.0
    y[90] += 2.0 * x.std() * rng.standard_normal(300).astype(np.float32)
    y[120, rng.choice(300, 60, replace=False)] += 20 * x.std()
    faults = find_faults(y, SECTION)
    assert np.flatnonzero(faults.dead).tolist() == [30, 31]
    assert np.flatnonzero(faults.noisy).tolist() == [90, 120]
    assert faults.changed[[30, 31, 90, 120]].all()
    repaired = repair_traces(y, SECTION)
    assert repaired[90] == pytest.approx(0.5 * (x[89] + x[91]))
    assert repaired[31] == pytest.approx((x[29] + 2 * x[32]) / 3, rel=1e-4, abs=1e-2)
    assert (np.delete(repaired, [30, 31, 90, 120], 0) == np.delete(x, [30, 31, 90, 120], 0)).all()


def by_hermite(x: np.ndarray, mask: np.ndarray) -> np.ndarray:
    """The cut restored by a cubic with the values and slopes of its flanks: what one would do at first."""
    y = x.astype(float)
    for trace, a, b in runs_of(mask):
        ends = [x[trace, a - 1], x[trace, b]]
        slopes = [x[trace, a - 1] - x[trace, a - 2], x[trace, b + 1] - x[trace, b]]
        y[trace, a:b] = CubicHermiteSpline([a - 1, b], ends, slopes)(np.arange(a, b))
    return y


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("share", [0.4, 0.6])
def test_cut_crests_come_back_as_stated(seed, share):
    x = clean(seed)
    level = np.float32(share * np.abs(x).max())
    cut = np.clip(x, -level, level)
    faults = find_faults(cut, SECTION)
    truly = np.abs(x) > level
    assert set(np.flatnonzero(faults.cut.any(axis=1))) >= set(clipped_traces(cut).traces)
    assert (faults.cut <= (np.abs(cut) >= level)).all()
    assert (faults.restored & truly).sum() > 0.95 * truly.sum()
    repaired = repair_traces(cut, SECTION)
    assert (repaired[~faults.restored] == cut[~faults.restored]).all()
    assert (np.abs(repaired[faults.restored]) >= level * (1 - 1e-6)).all()

    def error(y: np.ndarray) -> float:
        return float(np.sqrt(np.mean((y - x)[faults.restored] ** 2)) / np.abs(x).max())

    assert error(cut) > 0.15
    assert error(repaired) < 0.04
    assert error(repaired) < 0.3 * error(by_hermite(cut, faults.restored))


def test_a_crest_is_never_restored_below_the_level_of_the_cut():
    # A flat-topped wave: the prediction alone would dip between its shoulders.
    rng = np.random.default_rng(0)
    x = np.clip(4.0 * rng.standard_normal((20, 300)).cumsum(axis=1), -30.0, 30.0).astype(np.float32)
    faults = find_faults(x, SECTION, full_scale=30.0)
    assert faults.restored.any()
    repaired = repair_traces(x, SECTION, full_scale=30.0)
    assert (np.abs(repaired[faults.restored]) >= 30.0 * (1 - 1e-6)).all()


def test_long_cuts_stay_as_they_were_recorded():
    x = clean(0)
    x[40, 100:110] = 1.2 * np.abs(x).max()
    faults = find_faults(x, SECTION)
    assert faults.cut[40, 100:110].all()
    assert not faults.restored.any()
    assert (repair_traces(x, SECTION) == x).all()
    assert find_faults(x, SECTION, longest_cut_ns=2.5).restored[40, 100:110].all()


def test_one_side_alone_may_be_cut():
    x = clean(3)
    top = np.float32(0.6 * x.max())
    faults = find_faults(np.minimum(x, top), SECTION)
    assert faults.cut.any()
    assert (np.minimum(x, top)[faults.cut] == top).all()


def test_a_cut_at_the_end_of_the_record_is_not_restored():
    x = clean(0)
    limit = 2.0 * np.abs(x).max()
    x[4:6, :4] = limit
    x[6:8, -4:] = -limit
    faults = find_faults(x, SECTION)
    assert faults.cut[5, :4].all()
    assert not faults.restored.any()


def test_what_is_in_force_follows_from_the_antenna():
    assert default_longest_spike_ns(SECTION) == pytest.approx(1.0)
    assert default_longest_cut_ns(SECTION) == pytest.approx(1.25)


def test_masks_agree_with_the_checks():
    x = clean(4)
    x[3] = 0.0
    x[60, 200] += 30 * x.std()
    faults = find_faults(x, SECTION)
    assert tuple(np.flatnonzero(faults.dead)) == dead_traces(x).traces
    bad = set(np.flatnonzero(faults.wild.any(axis=1) | faults.noisy)) | set(dead_traces(x).traces)
    assert bad == {3, 60} == set(spiky_traces(x).traces) | {3}


@pytest.mark.parametrize(
    ("x", "more", "message"),
    [
        (np.full((4, 50), 7.0), {}, "every trace is dead or noisy: nothing is left to repair from .received 4 traces"),
        (np.eye(4, 50), {"full_scale": -1.0}, "full_scale must be greater than zero"),
        (np.eye(4, 50), {"longest_spike_ns": 0.0}, "longest_spike_ns must be greater than zero"),
        (np.eye(4, 50), {"longest_cut_ns": -1.0}, "longest_cut_ns must be greater than zero"),
    ],
)
def test_refusals(x, more, message):
    with pytest.raises(InputError, match=message):
        repair_traces(x, SECTION, **more)
