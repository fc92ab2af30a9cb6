"""A line walked again: how well its repeat agrees, and at what lag."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr

from yewline._check import check_in_range, check_positive
from yewline.errors import InputError
from yewline.model import Finding
from yewline.positions.images import ImageOptions, LineImages, line_images
from yewline.positions.lag_kernels import lag_products
from yewline.positions.likeness import neighbours

__all__ = ["RepeatScore", "find_repeats", "repeat_findings", "repeat_score"]

ACCEPTED = 0.9
SLIPPED_M = 0.10


@dataclass(frozen=True, slots=True)
class RepeatScore:
    """How a line's repeat agrees with it.

    Attributes
    ----------
    first, second : names of the two walks.
    correlation : of their envelopes at the best lag.
    at_zero : the same at no lag.
    lag_m, lag_sigma_m : what is at s in the first lies at s + lag in the second, along the axis of the first; its
        standard deviation, from the spread over stretches of the line.
    wave_correlation : of the waves themselves at the same lag.
    accepted : whether `correlation` reaches what was asked for.
    """

    first: str
    second: str
    correlation: float
    at_zero: float
    lag_m: float
    lag_sigma_m: float
    wave_correlation: float
    accepted: bool


def repeat_score(
    first: xr.DataArray, second: xr.DataArray, *, accept: float = ACCEPTED, most_m: float = 1.0
) -> RepeatScore:
    """Compare two walks of one line, in either direction.

    Parameters
    ----------
    first, second : radargrams (T, S) in place.
    accept : correlation of envelopes from which the repeat is accepted (0.9 on fixed reflectors: from memory).
    most_m : largest lag tried, m.

    Returns
    -------
    RepeatScore.

    Raises
    ------
    InputError : lines too short, not parallel, or that do not run beside one another.

    Examples
    --------
    >>> from yewline.model import make_radargram
    >>> rng = np.random.default_rng(0)
    >>> x = 0.1 * np.arange(120)
    >>> line = make_radargram(rng.normal(size=(120, 80)), interval_ns=0.5, x=x, y=0 * x, attrs={"centre_mhz": 300.0})
    >>> again = line.assign_coords(x=line.x + 0.2)
    >>> score = repeat_score(line, again)
    >>> round(score.correlation, 2), round(score.lag_m, 2), score.accepted
    (1.0, 0.2, True)
    """
    limit = check_in_range(accept, "accept", 0.0, 1.0)
    reach = check_positive(most_m, "most_m")
    sets = line_images({"first": first, "second": second}, options=ImageOptions(smooth_m=0.1))
    if not sets or len(sets[0].names) != 2:
        raise InputError(
            "the two walks cannot be compared",
            received="lines not parallel or too short",
            do="give two walks of one line",
        )
    images = sets[0]
    a, b = images.names.index("first"), images.names.index("second")
    most = max(2, round(reach / images.step_m))
    product = _products(images, a, b, most)
    curve = _correlation(product)
    best = int(curve.argmax())
    lag = (best - most + _vertex(curve, best)) * images.step_m
    wave = _correlation(_products(images.waves(), a, b, most))
    span = max(0, best - 1), min(len(curve), best + 2)
    names = tuple(str(line.attrs.get("line", word)) for line, word in ((first, "first"), (second, "second")))
    return RepeatScore(
        first=names[0],
        second=names[1],
        correlation=float(curve[best]),
        at_zero=float(curve[most]),
        lag_m=float(lag),
        lag_sigma_m=_lag_sigma(product, best, most, images.step_m),
        wave_correlation=float(wave[span[0] : span[1]].max()),
        accepted=bool(curve[best] >= limit),
    )


def find_repeats(sets: Sequence[LineImages], order: Sequence[str]) -> list[tuple[str, str]]:
    """Pairs of lines said to lie on one track: walks of a reference line.

    Parameters
    ----------
    sets : from `line_images`.
    order : names in the order recorded: the earlier of a pair comes first.
    """
    place = {name: k for k, name in enumerate(order)}
    found = []
    for images in sets:
        for i, j, _ in neighbours(images, apart=(0,)):
            pair = sorted((images.names[i], images.names[j]), key=lambda name: place.get(name, len(place)))
            found.append((pair[0], pair[1]))
    return found


def repeat_findings(score: RepeatScore, *, slipped_m: float = SLIPPED_M) -> list[Finding]:
    """What a repeat says of a visit: a fact where it agrees, a warning where it does not, or lies elsewhere.

    Parameters
    ----------
    score : from `repeat_score`.
    slipped_m : lag above which the two walks are said to lie apart, m.

    Examples
    --------
    >>> repeat_findings(RepeatScore("R1", "R2", 0.95, 0.94, 0.01, 0.01, 0.9, True))[0].grade
    'found'
    """
    received = f"correlation of envelopes {score.correlation:.2f} at a lag of {score.lag_m:+.2f} m"
    if not score.accepted:
        findings = [
            Finding(
                "warning",
                "repeat-poor",
                f"lines {score.first} and {score.second} lie on one track and do not agree",
                received=received,
                do="check the coordinates of both; where they are right, walk the line once more, and look for rain in "
                "between, contact and settings",
                line=score.second,
            )
        ]
    else:
        text = f"lines {score.first} and {score.second} lie on one track and agree"
        findings = [Finding("found", "repeat", text, received=received, line=score.second)]
    if abs(score.lag_m) > max(slipped_m, 3 * score.lag_sigma_m) and score.correlation > score.at_zero + 0.02:
        findings.append(
            Finding(
                "warning",
                "repeat-shift",
                f"line {score.second} lies shifted along line {score.first}",
                received=f"{score.lag_m:+.2f} ± {1.645 * score.lag_sigma_m:.2f} m (90 %)",
                do="check where both began, and the odometer",
                line=score.second,
            )
        )
    return findings


def _products(images: LineImages, a: int, b: int, most: int) -> np.ndarray[tuple[int, int, int], np.dtype[np.float64]]:
    pictures, known = images.stack()
    return lag_products(pictures[a], pictures[b], known[a], known[b], min(most, max(2, len(images.station_m) // 2)))


def _correlation(
    product: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    whole, size_a, size_b = product.sum(axis=2)
    norm = np.sqrt(size_a * size_b)
    return np.where(norm > 0, whole / np.where(norm > 0, norm, 1.0), 0.0)


def _vertex(curve: np.ndarray[tuple[int], np.dtype[np.float64]], best: int) -> float:
    if not 0 < best < len(curve) - 1:
        return 0.0
    left, top, right = curve[best - 1 : best + 2]
    bend = left - 2 * top + right
    return float(0.5 * (left - right) / bend) if bend < 0 else 0.0


def _lag_sigma(
    product: np.ndarray[tuple[int, int, int], np.dtype[np.float64]], best: int, most: int, step: float
) -> float:
    """Standard deviation of the lag by leaving out each eighth of the line in turn."""
    parts = np.array_split(np.arange(product.shape[2]), 8)
    near = slice(max(0, best - 3), best + 4)
    lags = []
    for part in parts:
        rest = np.setdiff1d(np.arange(product.shape[2]), part)
        curve = _correlation(product[:, near, :][:, :, rest])
        top = int(curve.argmax())
        lags.append((near.start + top - most + _vertex(curve, top)) * step)
    held = np.array(lags)
    return float(np.sqrt((len(parts) - 1) / len(parts) * ((held - held.mean()) ** 2).sum()))
