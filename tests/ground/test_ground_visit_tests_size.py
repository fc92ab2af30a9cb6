"""Size of the tests between two visits, and coverage of a visit's intervals, on simulated grounds."""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
import scipy.stats

from yewline.geostat import VariogramModel
from yewline.ground import (
    ComparisonChoices,
    compare_moisture,
    declustering_weights,
    moisture_level,
    moisture_variability,
)
from yewline.model import make_readings

Array = npt.NDArray[np.float64]

MEAN, SD, OWN_ERROR, SIDE = 0.25, 0.03, 0.01, 30.0
SIGMA = OWN_ERROR * np.sqrt(2.0)  # half of a stated error's variance is the reading's own


@dataclass(frozen=True)
class Ground:
    """Readings of Gaussian grounds of side 30 m: nugget a tenth of the variance, and each reading's own error."""

    xy: Array
    range_m: float
    skewed: bool = False

    @property
    def model(self) -> VariogramModel:
        return VariogramModel("exponential", 0.9 * SD**2, self.range_m, nugget=0.1 * SD**2)

    @property
    def covariance(self) -> Array:
        return self.model.covariance(self.xy, self.xy) + self.model.nugget * np.eye(len(self.xy))

    def patterns(self, rng: np.random.Generator, count: int) -> Array:
        """(count, R) true moisture about the mean."""
        drawn = rng.standard_normal((count, len(self.xy))) @ np.linalg.cholesky(self.covariance).T
        if self.skewed:  # log-normal of log-deviation 0.6 (skewness 2.3), brought back to mean 0 and the same deviation
            raised = np.exp(0.6 * drawn / SD)
            drawn = SD * (raised - np.exp(0.18)) / np.sqrt(np.exp(0.36) * (np.exp(0.36) - 1.0))
        return drawn

    def table(self, pattern: Array, rng: np.random.Generator) -> pd.DataFrame:
        vwc = MEAN + pattern + OWN_ERROR * rng.standard_normal(len(pattern))
        return make_readings(x=self.xy[:, 0], y=self.xy[:, 1], vwc=np.clip(vwc, 0.0, 0.6))


def grid(step_m: float = 5.0) -> Array:
    axis = np.arange(step_m / 2.0, SIDE, step_m)
    return np.column_stack([a.ravel() for a in np.meshgrid(axis, axis)])


def scattered(n: int, seed: int) -> Array:
    return np.random.default_rng(seed).uniform(0.0, SIDE, (n, 2))


def bunched() -> Array:
    """A grid of 6 m and two micro transects of 2 m at 0.1 m: 25 readings and 42."""
    along = np.arange(0.0, 2.05, 0.1)
    one = np.column_stack([7.0 + along, np.full_like(along, 11.0)])
    two = np.column_stack([np.full_like(along, 20.0), 17.0 + along])
    return np.concatenate([grid(6.0), one, two])


def sizes(ground: Ground, *, paired: bool, count: int, seed: int, level: float = 0.05) -> tuple[float, ...]:
    """Shares of equal visits that are called different: level and variability, here and by tests that ignore places.

    Paired visits share half of their pattern; unpaired ones nothing, and each reads places of its own.
    """
    rng = np.random.default_rng(seed)
    other = ground if paired else Ground(scattered(len(ground.xy), seed + 1), ground.range_m, ground.skewed)
    shared, first = (ground.patterns(rng, count) for _ in range(2))
    second = other.patterns(rng, count)
    if paired:
        first, second = (np.sqrt(0.5) * (shared + part) for part in (first, second))
    choices = ComparisonChoices(design="paired" if paired else "unpaired")
    called = []
    for a, b in zip(first, second, strict=True):
        one, two = ground.table(a, rng), other.table(b, rng)
        found = compare_moisture(one, two, sigma_vwc=SIGMA, choices=choices)
        u, v = one["vwc"].to_numpy(), two["vwc"].to_numpy()
        if paired:
            naive = (scipy.stats.ttest_rel(u, v).pvalue, scipy.stats.pearsonr(u + v, u - v).pvalue)
        else:
            share = scipy.stats.f.cdf(u.var(ddof=1) / v.var(ddof=1), len(u) - 1, len(v) - 1)
            naive = (scipy.stats.ttest_ind(u, v).pvalue, 2.0 * min(share, 1.0 - share))
        called.append([p < level for p in (found.difference_p, naive[0], found.ratio_p, naive[1])])
    return tuple(float(share) for share in np.mean(called, axis=0))


def coverage(ground: Ground, *, count: int, seed: int) -> tuple[float, ...]:
    """Shares of 90 % intervals that hold the truth: mean, median, P10, P90, sd, robust sd, CV; mean by the naive one.

    The truth of a deviation is the root of the expected variance over the readings' ground.
    """
    rng = np.random.default_rng(seed)
    weights = declustering_weights(ground.xy)
    form = (np.diag(weights) - np.outer(weights, weights)) / (1.0 - weights @ weights)
    sd = float(np.sqrt(np.sum(form * ground.covariance)))
    reach = scipy.stats.norm.ppf(0.9) * SD
    truths = (MEAN, MEAN, MEAN - reach, MEAN + reach, sd, sd, sd / MEAN)
    held = []
    for pattern in ground.patterns(rng, count):
        table = ground.table(pattern, rng)
        level = moisture_level(table, sigma_vwc=SIGMA)
        spread = moisture_variability(table, sigma_vwc=SIGMA)
        found = (level.mean, level.median, level.p10, level.p90, spread.sd, spread.robust_sd, spread.cv)
        vwc = table["vwc"].to_numpy()
        naive = scipy.stats.t.interval(0.9, len(vwc) - 1, vwc.mean(), scipy.stats.sem(vwc))
        held.append([e.low <= t <= e.high for e, t in zip(found, truths, strict=True)] + [naive[0] <= MEAN <= naive[1]])
    return tuple(float(share) for share in np.mean(held, axis=0))


def test_bunched_equal_visits_are_seldom_called_different() -> None:
    # 40 pairs at a nominal 5 %: seven or more of them have a probability of 0.3 % if the size is 5 %.
    level, naive_level, spread, naive_spread = sizes(Ground(bunched(), 8.0), paired=True, count=40, seed=3)
    assert level <= 6 / 40
    assert spread <= 6 / 40
    assert naive_level > 0.3
    assert naive_spread > 0.1


def test_unpaired_equal_visits_are_seldom_called_different() -> None:
    level, naive_level, spread, _ = sizes(Ground(scattered(40, 1), 15.0), paired=False, count=30, seed=4)
    assert level <= 5 / 30
    assert spread <= 5 / 30
    assert naive_level > 0.15


def test_intervals_of_level_and_variability_hold_the_truth() -> None:
    held = coverage(Ground(grid(), 8.0), count=40, seed=5)
    mean, _, _, _, sd, robust, cv, naive = held
    assert min(mean, sd, robust, cv) >= 0.75  # 29 of 40 or fewer have a probability of 0.5 % at 90 %
    assert naive < mean


@pytest.mark.study
def test_size_and_coverage(capsys: pytest.CaptureFixture[str]) -> None:
    """Two tables of docs/studies.md: `make study` prints them, a row when it is ready."""

    def say(first: str, range_m: float, cells: list[str]) -> None:
        with capsys.disabled():
            sys.stdout.write(f"| {first} | {range_m:g} | {' | '.join(cells)} |\n")
            sys.stdout.flush()

    designs = {
        "grid of 5 m, 36 places, paired": (grid(), True, False),
        "scattered, 40 and 40 places, unpaired": (scattered(40, 1), False, False),
        "grid and two micro transects, 67 places, paired": (bunched(), True, False),
        "grid of 5 m, paired, log-normal": (grid(), True, True),
    }
    for name, (xy, paired, skewed) in designs.items():
        for range_m in (3.0, 8.0, 15.0, 30.0):
            found = sizes(Ground(xy, range_m, skewed), paired=paired, count=500, seed=10)
            say(name, range_m, [f"{100 * share:.1f} %" for share in found])
    for name, xy in (("grid of 5 m, 36 places", grid()), ("grid and two micro transects", bunched())):
        for range_m in (3.0, 8.0, 15.0, 30.0):
            held = coverage(Ground(xy, range_m), count=500, seed=20)
            say(name, range_m, [f"{100 * share:.0f} %" for share in held])
