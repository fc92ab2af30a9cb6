"""Random fields with a stated variance and range, on regular grids of one to three axes."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import fft

from yewline._check import check_choice, check_finite, check_positive
from yewline.errors import InputError
from yewline.geostat.covariance import FAMILIES, correlation

__all__ = ["embed", "gaussian_field"]

Array = npt.NDArray[np.float64]

_MOST_CELLS: Final = 128_000_000
_NEGATIVE_SHARE: Final = 1e-3


def gaussian_field(
    shape: Sequence[int],
    spacing: float | Sequence[float],
    *,
    ranges_m: float | Sequence[float],
    sd: float,
    family: str = "exponential",
    seed: int | np.random.Generator,
) -> Array:
    """One draw of a stationary Gaussian random field on a regular grid.

    Parameters
    ----------
    shape : number of cells along each of one to three axes.
    spacing : distance between cells, m; one number, or one an axis.
    ranges_m : practical range (correlation 0.05), m; one number, or one an axis.
    sd : standard deviation of the field.
    family : "exponential" (rough), "spherical", or "gaussian" (smooth).
    seed : integer or generator; the same integer gives the same bytes.

    Returns
    -------
    Array of `shape`, float64, mean zero *over draws*: a single field shorter than its range has a mean and a standard
    deviation of its own.

    Raises
    ------
    InputError : lengths do not match, or the padded grid would be too large.

    Notes
    -----
    Circulant embedding: the covariance is wrapped on a torus at least two practical ranges longer than the grid, its
    spectrum is the field's variance by wavenumber, and white noise is coloured by its root. A wrapped covariance may
    have negative parts in its spectrum, most of all where the range is long against the grid. Then the torus is
    doubled up to twice; what is left negative is set to zero and the rest scaled so that the variance stays exact.

    References
    ----------
    Dietrich & Newsam 1997, SIAM J. Sci. Comput. 18(4):1088-1107.
    Wood & Chan 1994, J. Comput. Graph. Stat. 3(4):409-432.

    Examples
    --------
    >>> field = gaussian_field((40, 60), 0.05, ranges_m=(0.3, 1.0), sd=0.02, seed=7)
    >>> field.shape, bool(0.012 < field.std() < 0.028)
    ((40, 60), True)
    """
    check_choice(family, "family", FAMILIES)
    if not 1 <= len(shape) <= 3 or any(int(n) < 1 for n in shape):
        raise InputError("shape must hold one to three counts of at least 1", received=tuple(shape))
    counts = [int(n) for n in shape]
    steps = _per_axis(spacing, len(counts), "spacing")
    ranges = _per_axis(ranges_m, len(counts), "ranges_m")
    if check_finite(sd, "sd") < 0:
        raise InputError("sd must not be negative", received=sd)
    padded, spectrum = _spectrum(counts, steps, ranges, family)
    noise = np.random.default_rng(seed).standard_normal(padded)
    coloured = fft.irfftn(fft.rfftn(noise) * np.sqrt(spectrum), s=padded)
    return np.ascontiguousarray(sd * coloured[tuple(slice(n) for n in counts)])


def _per_axis(value: float | Sequence[float], n: int, name: str) -> list[float]:
    values = [float(v) for v in np.atleast_1d(np.asarray(value, dtype=np.float64))]
    if np.ndim(value) == 0:
        values = values * n
    if len(values) != n:
        raise InputError(f"{name} must be one number, or one for each of the {n} axes", received=len(values))
    return [check_positive(v, name) for v in values]


def _spectrum(counts: list[int], steps: list[float], ranges: list[float], family: str) -> tuple[tuple[int, ...], Array]:
    """Shape of the torus, and the half spectrum of the correlation on it, scaled to a variance of one."""
    shortest = [n + math.ceil(2.0 * r / d) if n > 1 else 1 for n, d, r in zip(counts, steps, ranges, strict=True)]
    padded, spectrum = embed(
        shortest, lambda padded: _wrapped_spectrum(padded, steps, ranges, family), most_cells=_MOST_CELLS
    )
    return padded, spectrum * (math.prod(padded) / _full_sum(spectrum, padded[-1]))


def embed(
    shortest: Sequence[int],
    spectrum_of: Callable[[tuple[int, ...]], Array],
    *,
    most_cells: int,
    negative_share: float = _NEGATIVE_SHARE,
) -> tuple[tuple[int, ...], Array]:
    """Shape of the smallest torus whose spectrum is as good as free of negative parts, and that spectrum, clipped.

    Parameters
    ----------
    shortest : cells that the torus must have at least along each axis.
    spectrum_of : gives the spectrum of the covariance wrapped on a torus of that shape.
    most_cells : a torus may not have more cells; where one that is only *better* would, the one before is taken.
    negative_share : so much of the spectrum may be negative before the torus is doubled, up to twice.

    Returns
    -------
    padded : cells along each axis, of lengths that transform fast.
    spectrum : as of `spectrum_of`, negative parts set to zero. The caller scales it to the variance.

    Raises
    ------
    InputError : already the smallest torus would have too many cells.

    Examples
    --------
    >>> embed([7], lambda padded: np.ones(padded[0]), most_cells=100)[0]
    (8,)
    """
    for grow in (1, 2, 4):
        padded = tuple(fft.next_fast_len(grow * n, real=True) if n > 1 else 1 for n in shortest)
        if math.prod(padded) > most_cells:
            if grow > 1:
                break
            raise InputError(
                "the random field would be too large",
                received=f"{' × '.join(map(str, padded))} cells with padding",
                do="use larger cells or a shorter range",
            )
        spectrum = spectrum_of(padded)
        negative = np.minimum(spectrum, 0.0)
        if -negative.sum() <= negative_share * (spectrum - negative).sum():
            break
    return tuple(padded), np.maximum(spectrum, 0.0)


def _wrapped_spectrum(padded: tuple[int, ...], steps: list[float], ranges: list[float], family: str) -> Array:
    squared = np.zeros((1,) * len(padded))
    for axis, (n, d, r) in enumerate(zip(padded, steps, ranges, strict=True)):
        k = np.arange(n, dtype=np.float64)
        h = np.minimum(k, n - k) * (d / r)
        squared = squared + (h * h).reshape([-1 if a == axis else 1 for a in range(len(padded))])
    return np.asarray(fft.rfftn(correlation(np.sqrt(squared), family)).real)


def _full_sum(half: Array, last: int) -> float:
    # The half spectrum of a real field leaves out the mirrored columns: all but the first, and the last if even.
    inner = half[..., 1 : half.shape[-1] - 1] if last % 2 == 0 else half[..., 1:]
    return float(half.sum() + inner.sum()) if last > 1 else float(half.sum())
