"""Permutation tests against published examples, exact lists against drawn ones."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yewline.errors import InputError
from yewline.statistics import monte_carlo_p, sign_flip, two_sample

# Survival times of mice, Efron & Tibshirani 1993, An Introduction to the Bootstrap, table 2.1.
TREATED = [94, 197, 16, 38, 99, 141, 23]
CONTROL = [52, 104, 146, 10, 51, 30, 40, 27, 46]


def test_mouse_data_exactly():
    test = two_sample(TREATED, CONTROL, seed=0, alternative="greater")
    assert test.exact
    assert test.arrangements == 11_440
    assert test.statistic == pytest.approx(30.63492, abs=5e-6)
    # 1613 of 11440 by listing all arrangements (the book draws 1000 and prints .132; its t-test gives .141).
    assert test.p == pytest.approx(1613 / 11_440, rel=1e-12)
    assert test.smallest_p == pytest.approx(1 / 11_440)
    assert two_sample(CONTROL, TREATED, seed=0, alternative="less").p == pytest.approx(test.p)


def test_lady_tasting_tea():
    # Fisher 1935, The Design of Experiments, ch. II: one of 70.
    assert two_sample([1] * 4, [0] * 4, seed=0, alternative="greater").p == pytest.approx(1 / 70)
    both = two_sample([1] * 4, [0] * 4, seed=0)
    assert both.p == pytest.approx(2 / 70)
    assert both.smallest_p == pytest.approx(2 / 70)


def test_monte_carlo_p_is_never_zero():
    # Phipson & Smyth 2010: the smallest is 1/(m + 1).
    assert monte_carlo_p(0, 999) == 0.001
    assert monte_carlo_p(999, 999) == 1.0
    with pytest.raises(InputError, match="between 0 and the draws"):
        monte_carlo_p(5, 4)


def test_drawn_p_tends_to_the_exact_one(monkeypatch):
    exact = two_sample(TREATED, CONTROL, seed=0).p
    monkeypatch.setattr("yewline.statistics.permutation.EXACT_LIMIT", 10)
    drawn = two_sample(TREATED, CONTROL, seed=3, draws=40_000)
    assert not drawn.exact
    # Four standard errors of a proportion from 40,000 draws.
    assert drawn.p == pytest.approx(exact, abs=4 * np.sqrt(exact * (1 - exact) / 40_000))
    assert drawn == two_sample(TREATED, CONTROL, seed=3, draws=40_000)
    assert drawn.smallest_p == pytest.approx(1 / 11_440)


def test_sign_flip_by_hand():
    # All four of one sign: only that arrangement and its mirror are as extreme.
    assert sign_flip([0.2, 0.1, 0.3, 0.4], seed=0).p == 2 / 16
    assert sign_flip([0.2, 0.1, 0.3, 0.4], seed=0, alternative="greater").p == 1 / 16
    assert sign_flip([0.2, 0.1, 0.3, 0.4], seed=0, alternative="less").p == 1.0


def test_darwins_maize():
    # Fisher 1935, §21: Darwin's 15 pairs, in eighths of an inch; 863 of 32,768 arrangements have a sum at least as
    # great as the observed 314, so two-sided p = 2 × 863 / 32,768 = 5.267 % (from memory, and listed here anew).
    pairs = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]
    signs = np.array(list(itertools.product([1, -1], repeat=15)))
    greater = int((signs @ np.abs(pairs) >= sum(pairs)).sum())
    assert greater == 863
    drawn = sign_flip(pairs, seed=5, draws=40_000)
    assert not drawn.exact
    assert drawn.p == pytest.approx(2 * 863 / 2**15, abs=4 * np.sqrt(0.0527 * 0.9473 / 40_000))
    assert drawn.smallest_p == pytest.approx(2 / 2**15)


def test_zero_blocks_do_not_count():
    test = sign_flip([0.3, -0.3, 0.2, 0.1, 0.4], blocks=["a", "a", "b", "c", "c"], seed=0)
    assert test.smallest_p == 2 / 4
    nothing = sign_flip(np.zeros(6), seed=0)
    assert (nothing.p, nothing.smallest_p, nothing.statistic) == (1.0, 1.0, 0.0)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(-5, 5, allow_nan=False, width=32), min_size=2, max_size=7), st.floats(0.1, 10))
def test_sign_flip_does_not_know_units_order_or_sign(values, scale):
    values = np.asarray(values, dtype=np.float64)
    p = sign_flip(values, seed=0).p
    assert sign_flip(values[::-1] * scale, seed=1).p == pytest.approx(p)
    assert sign_flip(-values, seed=2).p == pytest.approx(p)
    assert sign_flip(values, seed=0).smallest_p <= p + 1e-12


def test_rejects_at_its_level_when_nothing_is_there():
    rng = np.random.default_rng(11)
    p = np.array([sign_flip(rng.normal(size=9), seed=0).p for _ in range(800)])
    # Binomial(800, 0.05): 0.05 ± 4 standard errors of 0.0077.
    assert 0.02 < (p <= 0.05).mean() < 0.081


def test_faults():
    with pytest.raises(InputError, match="one label a difference"):
        sign_flip([1.0, 2.0], blocks=[1], seed=0)
    with pytest.raises(InputError, match="difference is empty"):
        sign_flip([], seed=0)
    with pytest.raises(InputError, match="alternative must be one of"):
        two_sample([1.0], [2.0], seed=0, alternative="both")
    with pytest.raises(InputError, match="at least one draw"):
        sign_flip(np.arange(1.0, 20.0), seed=0, draws=0)
