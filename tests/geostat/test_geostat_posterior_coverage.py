"""How often intervals under the variogram's posterior hold, beside those of a variogram that is fitted and believed."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from yewline.geostat import (
    FAMILIES,
    VariogramModel,
    empirical_variogram,
    fit_variogram,
    krige,
    krige_posterior,
    variogram_posterior,
)

SITE = 1.0


def layout(kind: str, count: int, rng: np.random.Generator) -> np.ndarray:
    if kind == "random":
        return rng.uniform(0, SITE, (count, 2))
    # Five lines a quarter of the site apart, evenly read.
    x, y = np.meshgrid(np.linspace(0.05, 0.95, 5), (np.arange(count // 5) + 0.5) / (count // 5))
    return SITE * np.column_stack([x.ravel(), y.ravel()])


def cases(
    fields: int, families: tuple[str, ...] = FAMILIES
) -> Iterator[tuple[VariogramModel, str, np.random.Generator]]:
    for family in families:
        for range_m in (0.15, 0.3, 0.6, 1.0):
            for share in (0.0, 0.25, 0.5):
                for kind in ("random", "transects"):
                    for field in range(fields):
                        rng = np.random.default_rng(
                            [FAMILIES.index(family), int(100 * range_m), int(100 * share), len(kind), field]
                        )
                        # Smooth fields without any nugget cannot be drawn in double precision.
                        nugget = max(share, 1e-6)
                        yield VariogramModel(family, 1.0 - nugget, range_m, nugget), kind, rng


def trial(
    truth: VariogramModel, kind: str, rng: np.random.Generator, *, readings: int, error: float, family: str
) -> dict[str, float]:
    """Shares of 40 unread points that 90 % intervals hold, and where the true range lies."""
    xy = layout(kind, readings, rng)
    at = rng.uniform(0, SITE, (40, 2))
    both = np.vstack([xy, at])
    covariance = truth.covariance(both, both) + truth.nugget * np.eye(len(both))
    field = np.linalg.cholesky(covariance) @ rng.standard_normal(len(both))
    z, unseen = field[:readings] + error * rng.standard_normal(readings), field[readings:]

    posterior = variogram_posterior(xy, z, family=family, error_sd=error)
    found = krige_posterior(xy, z, at, posterior=posterior, error_sd=error, level=0.9)
    total = fit_variogram(empirical_variogram(xy, z), family=family)
    # Ignored: the fitted model taken for the truth, its nugget less the errors'. A little is left for smooth models.
    fitted = replace(total, nugget=max(total.nugget - error**2, 1e-6 * total.sill))
    estimate, variance = krige(xy, z, at, model=fitted, error_sd=error)
    exact, least = krige(xy, z, at, model=truth, error_sd=error)
    range_m = posterior.range_m.interval(0.9)

    def share(middle: np.ndarray, square: np.ndarray) -> float:
        return float(np.mean(np.abs(unseen - middle) <= norm.ppf(0.95) * np.sqrt(square)))

    return {
        "posterior": float(np.mean((found.low <= unseen) & (unseen <= found.high))),
        "normal": share(found.estimate, found.variance),
        "fitted": share(estimate, variance),
        "true model": share(exact, least),
        "width": float(np.mean(found.high - found.low) / np.mean(2 * norm.ppf(0.95) * np.sqrt(least))),
        "plain range inside": bool(np.searchsorted(posterior.range_m.quantile([0.05, 0.95]), truth.range_m) == 1),
        "range inside": range_m.low <= truth.range_m <= range_m.high,
        "range below": truth.range_m < range_m.low,
        "range above": truth.range_m > range_m.high,
        "neither": not (range_m.bounded_below or range_m.bounded_above),
        "fixed": range_m.bounded_below and range_m.bounded_above,
        "lower bound only": range_m.bounded_below and not range_m.bounded_above,
        "upper bound only": range_m.bounded_above and not range_m.bounded_below,
        "range inside, fixed": range_m.low <= truth.range_m <= range_m.high
        if range_m.bounded_below and range_m.bounded_above
        else math.nan,
        "share inside": posterior.nugget_share.interval().low <= truth.nugget / truth.sill
        and truth.nugget / truth.sill <= posterior.nugget_share.interval().high,
    }


def means(rows: list[dict[str, float]]) -> dict[str, float]:
    return {name: float(np.nanmean([row[name] for row in rows])) for name in rows[0]}


def test_intervals_hold_as_often_as_they_say() -> None:
    # 29 fields of every kind; the study below takes 720.
    rows = [trial(*case, readings=40, error=0.0, family=case[0].family) for case in list(cases(2))[::5]]
    found = means(rows)
    assert 0.86 <= found["posterior"] <= 0.94
    # The same readings with the variogram fitted by least squares and taken for known: less often.
    assert found["fitted"] < found["posterior"] - 0.01
    assert found["range inside"] >= 0.86


@pytest.mark.study
def test_coverage_of_intervals_over_many_fields() -> None:
    def told(name: str, rows: list[dict[str, float]]) -> dict[str, float]:
        m = means(rows)
        print(  # noqa: T201  (a study prints its table)
            f"| {name} | {len(rows)} | "
            + " | ".join(f"{100 * m[key]:.1f}" for key in ("posterior", "normal", "fitted", "true model"))
            + f" | {m['width']:.2f} | "
            + " | ".join(
                f"{100 * m[key]:.0f}"
                for key in (
                    "plain range inside",
                    "range inside",
                    "range below",
                    "range above",
                    "fixed",
                    "range inside, fixed",
                    "lower bound only",
                    "upper bound only",
                    "neither",
                    "share inside",
                )
            )
            + " |"
        )
        return m

    print()  # noqa: T201
    first: list[tuple[VariogramModel, str, dict[str, float]]] = []
    for readings, error, fields in ((40, 0.0, 10), (40, 0.5, 4), (80, 0.0, 4)):
        for family in FAMILIES:
            parts = [
                (model, kind, trial(model, kind, rng, readings=readings, error=error, family=family))
                for model, kind, rng in cases(fields, (family,))
            ]
            found = told(f"{family}, {readings} readings, error {error:g}", [row for _, _, row in parts])
            assert 0.86 <= found["posterior"] <= 0.94, (family, readings, error)
            assert found["fitted"] < found["posterior"]
            first += parts if (readings, error) == (40, 0.0) else []
    told("all of 40 readings, error 0", [row for _, _, row in first])
    for range_m in (0.15, 0.3, 0.6, 1.0):
        told(f"· range {range_m:g}", [row for model, _, row in first if model.range_m == range_m])
    for nugget in (0.0, 0.25, 0.5):
        told(f"· nugget share {nugget:g}", [row for model, _, row in first if abs(model.nugget - nugget) < 1e-3])
    for layout_ in ("random", "transects"):
        told(f"· {layout_}", [row for _, kind, row in first if kind == layout_])
    for truth in ("spherical", "gaussian"):
        rows = [trial(*case, readings=40, error=0.0, family="exponential") for case in cases(4, (truth,))]
        told(f"{truth}, taken for exponential", rows)
