"""Estimated against excavated depths."""

from __future__ import annotations

import numpy as np
import pytest

from yewline.accuracy import depth_errors
from yewline.errors import InputError
from yewline.statistics import wilson
from yewline.units import Z90


def test_differences_are_estimate_less_top_and_their_square_has_mean_and_spread() -> None:
    rng = np.random.default_rng(3)
    top = rng.uniform(0.5, 1.2, 40)
    found = depth_errors(top + rng.normal(0.1, 0.2, 40), np.full(40, 0.1), top)
    assert found.mean_m == pytest.approx(float(found.difference_m.mean()))
    assert found.rms_m**2 == pytest.approx(found.mean_m**2 + float(found.difference_m.var()))
    assert (found.top_share.low, found.top_share.high) == wilson(found.top_share.k, 40)


def test_intervals_of_right_errors_hold_nine_tenths() -> None:
    """Errors of estimate and excavation drawn as they are stated: 90 % of the intervals hold the top."""
    rng = np.random.default_rng(4)
    n, half = 20_000, 0.14
    true = rng.uniform(0.5, 1.2, n)
    found = depth_errors(
        true + rng.normal(0, half / Z90, n), np.full(n, half), true + rng.normal(0, 0.05, n), truth_sigma_m=0.05
    )
    # Four standard errors of a share of 0.9 in 20,000.
    assert found.top_share.value == pytest.approx(0.9, abs=0.0085)


def test_a_body_is_met_from_its_top_to_its_base() -> None:
    half, top, base = np.full(5, 0.1), np.full(5, 0.8), [1.1, 1.1, 1.1, 1.1, np.nan]
    found = depth_errors([0.69, 0.95, 1.19, 1.21, 0.95], half, top, base_m=base, truth_sigma_m=0.0)
    assert found.meets_body.tolist() == [False, True, True, False, False]
    assert found.holds_top.tolist() == [False, False, False, False, False]
    assert found.body_share.k == 2


def test_burials_without_an_estimate_do_not_count() -> None:
    found = depth_errors([np.nan, 0.9], [np.nan, 0.1], [0.7, 0.8])
    assert (found.n, found.top_share.n) == (1, 1)
    assert np.isnan(found.difference_m[0])
    assert not found.holds_top[0]
    none = depth_errors([np.nan], [np.nan], [0.7])
    assert (none.n, none.mean_m, none.rms_m, none.top_share.value) == (0, None, None, None)
    assert none.top_share.why == "no burial has an estimated depth"


def test_what_does_not_fit_is_refused() -> None:
    with pytest.raises(InputError, match=r"must be as many \(received 2, 1, 2 and 2\)"):
        depth_errors([0.9, 1.0], [0.1], [0.8, 0.9])
    with pytest.raises(InputError, match="must have an excavated top"):
        depth_errors([0.9], [0.1], [np.nan])
    with pytest.raises(InputError, match="half_width_m must not be negative"):
        depth_errors([0.9], [-0.1], [0.8])
