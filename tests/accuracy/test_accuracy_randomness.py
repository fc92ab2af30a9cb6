"""Expected nearest distances against published formulas, a worked example and simulation."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from pointpats import PointPattern
from scipy.spatial import cKDTree

from yewline.accuracy import Window, clark_evans, donnelly, poisson_nearest
from yewline.errors import InputError

# The twelve points of the worked example in pointpats' own documentation.
TWELVE = [
    (66.22, 32.54), (22.52, 22.39), (31.01, 81.21), (9.47, 31.02), (30.78, 60.10), (75.21, 58.93),
    (79.26, 7.68), (8.23, 39.93), (98.73, 77.17), (89.78, 42.53), (65.19, 92.08), (54.46, 8.48),
]  # fmt: skip


@pytest.mark.parametrize(("intensity", "mean"), [(0.05, 2.236068), (0.1, 1.581139), (0.2, 1.118034)])
def test_clark_and_evans_expectation(intensity, mean):
    # Clark & Evans 1954, Ecology 35:445–453: 0.5/√λ.
    assert poisson_nearest(intensity) == pytest.approx(mean, abs=5e-7)


def test_higher_orders():
    # Γ(k + ½)/(Γ(k)√(πλ)): 0.75/√λ and 0.9375/√λ (Illian et al. 2008).
    assert poisson_nearest(1.0, order=2) == pytest.approx(0.75)
    assert poisson_nearest(1.0, order=3) == pytest.approx(0.9375)


def test_donnelly_on_the_unit_square():
    # Donnelly 1978 at n = 100: mean .05222 (0.05000 without the edge), standard error .002917.
    mean, error = donnelly(100, 1.0, 4.0)
    assert mean == pytest.approx(0.05222, abs=5e-6)
    assert error == pytest.approx(0.002917, abs=5e-7)


def test_donnelly_agrees_with_points_drawn_in_a_window():
    window = Window.of(shapely.box(0, 0, 40, 25))
    rng = np.random.default_rng(2)
    means = []
    for _ in range(2_000):
        points = window.sample(rng, 50)
        means.append(cKDTree(points).query(points, k=2)[0][:, 1].mean())
    mean, error = donnelly(50, 1000.0, 130.0)
    assert np.mean(means) == pytest.approx(mean, abs=4 * error / np.sqrt(2_000) + 0.002 * mean)
    assert np.std(means) == pytest.approx(error, rel=0.08)


# The library itself builds its window from a class that its own dependency is about to retire.
@pytest.mark.filterwarnings("ignore:Objects based on the `Geometry` class:FutureWarning")
def test_worked_example_of_twelve_points():
    plain = clark_evans(TWELVE, area_m2=7638.2000)
    assert plain.observed_m == pytest.approx(21.612139802089246, rel=1e-12)
    assert plain.observed_m == pytest.approx(PointPattern(TWELVE).mean_nnd, rel=1e-12)
    # Recomputed by the formulas of Clark & Evans 1954 and Donnelly 1978 on the bounding box, 90.50 × 84.40.
    # Expectations and ratios are known to six decimals, scores to four.
    assert (plain.expected_m, plain.ratio) == pytest.approx((12.614641, 1.713258), abs=1e-6)
    assert plain.z == pytest.approx(4.7268, abs=5e-5)
    edge = clark_evans(TWELVE, area_m2=7638.2000, perimeter_m=2 * (90.50 + 84.40))
    assert (edge.expected_m, edge.ratio) == pytest.approx((14.457961, 1.494826), abs=1e-6)
    assert edge.z == pytest.approx(2.9215, abs=5e-5)


def test_hexagonal_pattern_has_the_largest_ratio():
    # Clark & Evans 1954: R = 2.1491 for a hexagonal lattice, whose cell is √3/2.
    i, j = np.meshgrid(np.arange(30), np.arange(30))
    points = np.column_stack([(i + 0.5 * j).ravel(), (np.sqrt(3) / 2 * j).ravel()])
    assert clark_evans(points, area_m2=900 * np.sqrt(3) / 2).ratio == pytest.approx(2.149140, abs=5e-6)


def test_faults():
    with pytest.raises(InputError, match="intensity_per_m2 must be greater than zero"):
        poisson_nearest(0.0)
    with pytest.raises(InputError, match="order must be one or more"):
        poisson_nearest(1.0, order=0)
    with pytest.raises(InputError, match="at least two points"):
        donnelly(1, 1.0, 4.0)
    with pytest.raises(InputError, match="at least two points"):
        clark_evans([[0.0, 1.0]], area_m2=1.0)
