"""Bootstrap intervals against published and reference values."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from yewline.errors import InputError
from yewline.statistics import block_mean_interval, mean_interval

# The sample and intervals with which SciPy tests its bootstrap: R's boot.ci with 10^6 resamples.
SAMPLE = [10, 12, 12.5, 12.5, 13.9, 15, 21, 22, 23, 34, 50, 81, 89, 121, 134, 213]


@pytest.mark.parametrize(("method", "expected"), [("percentile", (28.86, 84.21)), ("bca", (32.31, 91.43))])
def test_reference_values(method, expected):
    found = mean_interval(SAMPLE, seed=7, draws=200_000, method=method)
    assert found == pytest.approx(expected, rel=5e-3)


def test_against_scipy_on_other_data():
    x = np.random.default_rng(2).lognormal(size=25)
    for ours, theirs in (("bca", "BCa"), ("percentile", "percentile")):
        peer = stats.bootstrap((x,), np.mean, n_resamples=60_000, method=theirs, rng=np.random.default_rng(1))
        expected = (peer.confidence_interval.low, peer.confidence_interval.high)
        assert mean_interval(x, seed=3, draws=60_000, method=ours) == pytest.approx(expected, rel=1e-2)


def test_interval_covers_the_mean_as_often_as_it_says():
    rng = np.random.default_rng(4)
    held = 0
    for _ in range(300):
        low, high = mean_interval(rng.normal(1.0, 0.3, 40), seed=rng, draws=400)
        held += low <= 1.0 <= high
    # 95 % less what a bootstrap of 40 values is short of, ± 3 standard errors of 1.3 %.
    assert 0.90 <= held / 300 <= 0.985


def test_follows_shift_scale_and_seed():
    x = np.asarray(SAMPLE)
    base = mean_interval(x, seed=1, draws=2_000)
    assert mean_interval(2 * x + 5, seed=1, draws=2_000) == pytest.approx((2 * base.low + 5, 2 * base.high + 5))
    assert mean_interval(x, seed=1, draws=2_000) == base
    wider = mean_interval(x, seed=1, draws=2_000, level=0.99)
    assert wider.low < base.low < base.high < wider.high


def test_equal_values_have_no_width():
    assert mean_interval([0.4, 0.4, 0.4], seed=1) == (0.4, 0.4)
    assert block_mean_interval([0.4, 0.4, 0.4], [0, 0, 1], seed=1) == (0.4, 0.4)


def test_blocks_of_one_are_the_plain_percentile_interval():
    x = np.asarray(SAMPLE)
    assert block_mean_interval(x, np.arange(16), seed=5, draws=3_000) == pytest.approx(
        mean_interval(x, seed=5, draws=3_000, method="percentile")
    )


def test_dependence_inside_blocks_widens_the_interval():
    rng = np.random.default_rng(8)
    labels = np.repeat(np.arange(12), 6)
    x = rng.normal(size=12)[labels] + 0.1 * rng.normal(size=72)
    blocked = block_mean_interval(x, labels, seed=1)
    plain = mean_interval(x, seed=1, method="percentile")
    # Six copies a block: the standard error grows by about √6.
    assert (blocked.high - blocked.low) / (plain.high - plain.low) == pytest.approx(np.sqrt(6), rel=0.2)


def test_faults():
    with pytest.raises(InputError, match="at least two values"):
        mean_interval([1.0], seed=1)
    with pytest.raises(InputError, match="not finite"):
        mean_interval([1.0, np.nan], seed=1)
    with pytest.raises(InputError, match="at least two blocks"):
        block_mean_interval([1.0, 2.0], [0, 0], seed=1)
    with pytest.raises(InputError, match="one label a value"):
        block_mean_interval([1.0, 2.0], [0], seed=1)
    with pytest.raises(InputError, match="at least one draw"):
        mean_interval([1.0, 2.0], seed=1, draws=0)
    with pytest.raises(InputError, match="method must be one of"):
        mean_interval([1.0, 2.0], seed=1, method="basic")
