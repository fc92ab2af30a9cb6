"""Intervals of a proportion against published tables and a reference library."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from yewline.errors import InputError
from yewline.statistics import clopper_pearson, wilson

# k, n, Wilson, Wilson with correction, exact. 81/263, 15/148, 0/20 and 1/29 are the four examples of Newcombe 1998,
# Stat. Med. 17, 857–872, table I (printed there to four decimals, recomputed to six); the rest are those with which
# the reference implementation in SciPy (binomtest.proportion_ci) is itself tested.
TABLE = [
    (3, 10, (0.1077913, 0.6032219), (0.0809478, 0.6463293), None),
    (0, 10, (0.0, 0.2775328), (0.0, 0.3445372), (0.0, 0.3084971)),
    (10, 10, (0.7224672, 1.0), (0.6554628, 1.0), (0.6915029, 1.0)),
    (81, 263, (0.255289, 0.366210), (0.253509, 0.368176), (0.252737, 0.367622)),
    (15, 148, (0.062386, 0.160487), (0.059778, 0.164450), (0.057844, 0.161650)),
    (0, 20, (0.0, 0.161125), (0.0, 0.200453), (0.0, 0.168433)),
    (1, 29, (0.006113, 0.171755), (0.001803, 0.196282), (0.000873, 0.177644)),
    (18, 24, (0.551006, 0.880006), None, None),
    (18, 20, (0.698966, 0.972134), (0.668722, 0.982487), (0.683017, 0.987651)),
    (20, 100, None, None, (0.1266556, 0.2918427)),
]


@pytest.mark.parametrize(("k", "n", "plain", "corrected", "exact"), TABLE)
def test_published_intervals(k, n, plain, corrected, exact):
    for found, expected in (
        (wilson(k, n), plain),
        (wilson(k, n, continuity=True), corrected),
        (clopper_pearson(k, n), exact),
    ):
        if expected is not None:
            assert found == pytest.approx(expected, abs=6e-7)


def test_newcombe_prints_four_decimals():
    assert [round(v, 4) for v in wilson(81, 263)] == [0.2553, 0.3662]


def test_wilson_at_99_percent():
    # SciPy's own test values for binomtest(3, 10).proportion_ci(0.99, ...).
    assert wilson(3, 10, level=0.99) == pytest.approx((0.0795663, 0.6799753), abs=6e-8)
    assert wilson(3, 10, level=0.99, continuity=True) == pytest.approx((0.0586329, 0.7169416), abs=6e-8)


def test_no_miss_in_twenty_has_the_closed_one_sided_bound():
    assert clopper_pearson(0, 20, level=0.90).high == pytest.approx(1 - 0.05 ** (1 / 20), rel=1e-12)


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_reference_library_and_symmetry(counts):
    k, n = counts
    assert wilson(k, n) == pytest.approx(proportion_confint(k, n, method="wilson"), abs=1e-9)
    assert clopper_pearson(k, n) == pytest.approx(proportion_confint(k, n, method="beta"), abs=1e-9)
    for interval in (wilson, clopper_pearson):
        there, back = interval(k, n), interval(n - k, n)
        assert there.low == pytest.approx(1 - back.high, abs=1e-9)
        assert there.low <= k / n <= there.high
    wide = wilson(k, n, continuity=True)
    assert wide.low <= wilson(k, n).low + 1e-12
    assert wide.high >= wilson(k, n).high - 1e-12


@pytest.mark.parametrize("interval", [wilson, clopper_pearson])
def test_faults(interval):
    with pytest.raises(InputError, match="whole numbers"):
        interval(1.5, 4)
    with pytest.raises(InputError, match="at least one trial"):
        interval(0, 0)
    with pytest.raises(InputError, match=r"between 0 and the number of trials \(received 5 of 4\)"):
        interval(5, 4)
    with pytest.raises(InputError, match="level must lie between"):
        interval(1, 4, level=1.0)
