"""Gaussian random fields as a sum of plane waves ("modes"): one field in three dimensions, sampled anywhere.

`gaussian_field` fills a regular grid and knows the field there only. A field of modes needs no grid: the same seed
gives the same ground under every line and on every visit, at the cost of a sum over the modes at each place.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

from yewline._check import check_array, check_choice, check_finite, check_positive
from yewline.errors import InputError
from yewline.geostat.covariance import length_scale
from yewline.geostat.matern import matern_length

__all__ = ["MODE_FAMILIES", "FieldModes", "draw_modes", "field_at", "field_on_section"]

Array = npt.NDArray[np.float64]

MODE_FAMILIES: Final = ("exponential", "gaussian", "matern")
"""Families of correlation that a field of modes can have."""

_MOST_MODES: Final = 20_000

# Wavenumbers are held below this many inverse lengths. For the roughest fields a wave in a thousand would otherwise be
# so short that its phase at a place is lost to round-off. Only lags below a millionth of the length feel it.
_HIGHEST: Final = 1e6

# The plastic number p is the real root of p³ = p + 1; multiples of 1/p and 1/p² fill the unit square evenly.
_PLASTIC: Final = 1.324717957244746

# Angles at scattered points are worked off in blocks of this many: 8 MB, what a processor's cache holds.
_BLOCK_VALUES: Final = 1_000_000

# Matrix products always have one of these counts of columns of the section. A BLAS library takes other code paths where
# a thread's share ends in an odd number of rows, and the last bit would depend on the number of threads; multiples of
# 384 = 2⁷·3 leave none. Few, large products are faster; short sections and very many modes take the small one.
_FEW_COLUMNS: Final = 384
_MANY_COLUMNS: Final = 1536
_MANY_MODES: Final = 2_000


@dataclass(frozen=True, eq=False)
class FieldModes:
    """The plane waves of one Gaussian field with mean zero and variance one.

    Attributes
    ----------
    wavevectors : (M, 3) rad/m, along x, y and depth.
    phases : (M,) rad, at the origin.

    Raises
    ------
    InputError : the arrays do not fit each other, are empty or hold values that are not finite.

    Notes
    -----
    The field is √(2/M) Σ cos(k·r + φ). Both arrays are copied and locked against writing.

    Examples
    --------
    >>> FieldModes(wavevectors=[[0.0, 0.0, 3.0]], phases=[0.5]).count
    1
    """

    wavevectors: Array
    phases: Array

    def __post_init__(self) -> None:
        waves = check_array(self.wavevectors, "wavevectors", ndim=2).copy()
        phases = check_array(self.phases, "phases", ndim=1).copy()
        if waves.shape != (phases.size, 3):
            raise InputError(
                "wavevectors must be (M, 3) and phases (M,)", received=f"shapes {waves.shape} and {phases.shape}"
            )
        for name, values in (("wavevectors", waves), ("phases", phases)):
            values.flags.writeable = False
            object.__setattr__(self, name, values)

    @property
    def count(self) -> int:
        """Number of modes, M."""
        return int(self.phases.size)


def draw_modes(
    *,
    ranges_m: float | Sequence[float],
    family: str,
    seed: int | np.random.Generator,
    modes: int = 1000,
    azimuth_deg: float = 0.0,
    smoothness: float | None = None,
) -> FieldModes:
    """Draw a Gaussian field of mean zero and variance one in three dimensions, without a grid.

    Parameters
    ----------
    ranges_m : practical range (correlation 0.05), m; one number, or three: along the horizontal axis whose bearing is
        `azimuth_deg`, across it, and in depth.
    family : one of `MODE_FAMILIES`: "exponential" (rough), "gaussian" (smooth), or "matern", which goes from one to the
        other by its `smoothness` and is the same function as von Kármán's.
    seed : integer or generator; the same integer gives the same bytes.
    modes : number M of plane waves.
    azimuth_deg : bearing of the first range's axis, clockwise from +y: at 0 the first range is along y, at 90 along x.
    smoothness : ν of the Matérn family (0.5 is the exponential; von Kármán's Hurst number is the same ν), and for that
        family only.

    Returns
    -------
    The modes, for `field_at` and `field_on_section`. Multiply the field by a standard deviation to scale it.

    Raises
    ------
    InputError : a range is not positive, the family is not known, or a smoothness is missing or out of place.

    Notes
    -----
    Wave vectors are distributed as the normalised spectral density of the correlation in three dimensions: for Matérn
    that is a multivariate Student t with 2ν degrees of freedom, for the Gaussian family a normal. Wavenumbers
    come from the exact inverse of their distribution, one from each of M equal shares of probability; directions from a
    Kronecker sequence with a random shift. Over seeds each direction is uniform and independent of its wavenumber, the
    M shares make up the whole distribution, and all phases are independent: so mean, variance and covariance over
    seeds are exact for any M (but for the cap at a millionth of the length). The even spread only lessens
    how far the covariance of one field strays from its model. Measured with 1,000 modes at lags from a fiftieth of the
    range to three ranges, the rms error of the correlation was 0.002 to 0.015 (exponential) and 0.00001 to 0.008
    (Gaussian); with independent wave vectors it was 0.007 to 0.022 and 0.00006 to 0.023.

    All waves have the same amplitude and a random phase, rather than random normal weights: the variance of a field
    over a wide area is then exactly one for each seed, not only on average (with weights it would vary by 1/√M). The
    price is small: at a place the excess kurtosis over seeds is −1.5/M instead of zero. A piece of a field
    smaller than its range has, as it should, a mean and a variance of its own.

    References
    ----------
    Shinozuka & Jan 1972, J. Sound Vib. 25(1):111-128 (equal amplitudes, random phases). Heße et al. 2014, Environ.
    Model. Softw. 55:32-48 (random wave vectors). Rasmussen & Williams 2006, Gaussian Processes for Machine Learning,
    eq. 4.15 (the Matérn density). Cranley & Patterson 1976, SIAM J. Numer. Anal. 13(6):904-914 (random shift).

    Examples
    --------
    >>> ground = draw_modes(ranges_m=(8.0, 8.0, 2.0), family="matern", smoothness=0.3, seed=4)
    >>> ground.count, ground.wavevectors.shape
    (1000, (1000, 3))
    """
    lengths = np.array([_length(r, family, smoothness) for r in _three_ranges(ranges_m)])
    if isinstance(modes, bool) or not isinstance(modes, int | np.integer) or not 1 <= modes <= _MOST_MODES:
        raise InputError(f"modes must be a whole number from 1 to {_MOST_MODES:,}", received=repr(modes))
    turn = math.radians(check_finite(azimuth_deg, "azimuth_deg"))
    generator = _generator(seed)
    count = int(modes)
    radii = _radii(count, family, smoothness, generator)
    along, across, down = radii * _directions(count, generator) / lengths[:, None]
    sine, cosine = math.sin(turn), math.cos(turn)
    waves = np.column_stack([sine * along + cosine * across, cosine * along - sine * across, down])
    return FieldModes(wavevectors=waves, phases=generator.uniform(0.0, 2.0 * math.pi, count))


def field_at(modes: FieldModes, points: npt.ArrayLike) -> Array:
    """The field at any points.

    Parameters
    ----------
    modes : from `draw_modes`.
    points : (N, 3) x, y and depth, m. For a field over the surface alone (a rough face of a layer, say) give one depth
        to all: such a cut has the same correlation.

    Returns
    -------
    (N,) float64, mean zero and variance one over seeds.

    Raises
    ------
    InputError : the points are not (N, 3) or not finite.

    Examples
    --------
    >>> modes = FieldModes(wavevectors=[[0.0, 0.0, 1.0]], phases=[0.0])
    >>> field_at(modes, [[5.0, 2.0, 0.0], [7.0, 1.0, math.pi]]).round(6).tolist()
    [1.414214, -1.414214]
    """
    places = check_array(points, "points", ndim=2)
    if places.shape[1] != 3:
        raise InputError("points must be (N, 3) in the order x, y, depth", received=f"shape {places.shape}")
    values = np.empty(len(places))
    step = max(1, _BLOCK_VALUES // modes.count)
    for first in range(0, len(places), step):
        x, y, depth = places[first : first + step].T
        angles = _angles(modes, x, y)
        angles += np.multiply.outer(depth, modes.wavevectors[:, 2])
        values[first : first + step] = np.cos(angles, out=angles).sum(axis=1)
    values *= math.sqrt(2.0 / modes.count)
    return values


def field_on_section(
    modes: FieldModes, x: npt.ArrayLike, y: npt.ArrayLike, depth: npt.ArrayLike, *, dtype: npt.DTypeLike = np.float64
) -> npt.NDArray[np.floating]:
    """The field on a vertical section along any curve over the ground.

    Parameters
    ----------
    modes : from `draw_modes`.
    x, y : (X,) places of the section's columns, m.
    depth : (Z,) depths of its rows, m, positive downward; one depth gives a field along a horizontal curve.
    dtype : number type of the result, float64 or float32; computed in float64 either way.

    Returns
    -------
    (X, Z), C order, mean zero and variance one over seeds.

    Raises
    ------
    InputError : x and y differ in length, an array is empty or not finite, or the number type is another.

    Notes
    -----
    With a = k_x x + k_y y + φ and b = k_z z, cos(a + b) = cos a cos b − sin a sin b: X + Z sines and cosines a mode
    instead of X·Z, and one product of (X, 2M) with (2M, Z), done in blocks of columns so that a long line needs no
    more memory than its result and some blocks. For the same depths a column's values do not depend, to the last bit,
    on the columns around it.

    Examples
    --------
    >>> modes = draw_modes(ranges_m=1.0, family="exponential", seed=1, modes=50)
    >>> section = field_on_section(modes, [0.0, 0.5], [2.0, 2.0], [0.0, 0.1, 0.2])
    >>> bool(abs(section[1, 2] - field_at(modes, [[0.5, 2.0, 0.2]])[0]) < 1e-12)
    True
    """
    kind = np.dtype(dtype)
    if kind not in (np.dtype(np.float64), np.dtype(np.float32)):
        raise InputError("dtype must be float64 or float32", received=str(kind))
    east, north = check_array(x, "x", ndim=1), check_array(y, "y", ndim=1)
    if east.shape != north.shape:
        raise InputError("x and y must have the same length", received=f"{east.size} and {north.size}")
    rows = check_array(depth, "depth", ndim=1)
    step = _FEW_COLUMNS if east.size <= _FEW_COLUMNS or modes.count > _MANY_MODES else _MANY_COLUMNS
    wide = np.zeros((step, 2 * modes.count))
    down = np.multiply.outer(modes.wavevectors[:, 2], rows)
    down = np.concatenate([np.cos(down), -np.sin(down)])
    down *= math.sqrt(2.0 / modes.count)
    section = np.empty((east.size, rows.size), dtype=kind)
    for first in range(0, east.size, step):
        angles = _angles(modes, east[first : first + step], north[first : first + step])
        # A last, shorter block leaves columns of the one before behind it: they are multiplied, and not taken.
        np.cos(angles, out=wide[: len(angles), : modes.count])
        np.sin(angles, out=wide[: len(angles), modes.count :])
        section[first : first + len(angles)] = (wide @ down)[: len(angles)]
    return section


def _angles(modes: FieldModes, x: Array, y: Array) -> Array:
    """Angles (N, M) of the waves at the surface."""
    angles = np.multiply.outer(x, modes.wavevectors[:, 0])
    angles += np.multiply.outer(y, modes.wavevectors[:, 1])
    angles += modes.phases
    return angles


def _three_ranges(ranges_m: float | Sequence[float]) -> list[float]:
    try:
        values = np.atleast_1d(np.asarray(ranges_m, dtype=np.float64))
    except (TypeError, ValueError) as error:
        raise InputError("ranges_m must be numbers", received=repr(ranges_m)) from error
    if values.shape not in ((1,), (3,)):
        raise InputError(
            "ranges_m must be one number, or three (along azimuth_deg, across it, in depth)",
            received=f"shape {values.shape}",
        )
    return [check_positive(float(value), "ranges_m") for value in np.broadcast_to(values, 3)]


def _length(range_m: float, family: str, smoothness: float | None) -> float:
    """The length ℓ in h/ℓ (exponential), h²/2ℓ² (Gaussian) or √(2ν) h/ℓ (Matérn)."""
    check_choice(family, "family", MODE_FAMILIES)
    if family == "matern":
        if smoothness is None:
            raise InputError("the matern family needs a smoothness", do="give smoothness, such as 0.5 or 1.5")
        return matern_length(range_m, smoothness, "plain")
    if smoothness is not None:
        raise InputError(f"the {family} family has no smoothness", received=smoothness, do='use family "matern"')
    plain = length_scale(range_m, family, "plain")
    return plain / math.sqrt(2.0) if family == "gaussian" else plain


def _generator(seed: int | np.random.Generator) -> np.random.Generator:
    if isinstance(seed, np.random.Generator):
        return seed
    # A missing seed would draw from the machine's entropy, and the ground would differ from run to run.
    if isinstance(seed, bool) or not isinstance(seed, int | np.integer) or seed < 0:
        raise InputError("seed must be a whole number of at least 0, or a generator", received=repr(seed))
    return np.random.default_rng(int(seed))


def _radii(count: int, family: str, smoothness: float | None, generator: np.random.Generator) -> Array:
    """Wavenumbers times length (M,), from the inverse of their distribution: one from each of M equal shares."""
    beyond = (np.arange(count) + generator.random(count)) / count
    if family == "gaussian":
        # |k|²ℓ² is chi-squared with three degrees of freedom.
        return np.minimum(np.sqrt(2.0 * special.gammainccinv(1.5, beyond)), _HIGHEST)
    nu = 0.5 if smoothness is None else float(smoothness)
    # |k|²ℓ²/3 is F with 3 and 2ν degrees of freedom, so 2ν/(2ν + |k|²ℓ²) is beta with ν and 3/2.
    part = np.maximum(special.betaincinv(nu, 1.5, beyond), 2.0 * nu / (2.0 * nu + _HIGHEST**2))
    return np.asarray(np.sqrt(2.0 * nu * (1.0 - part) / part))


def _directions(count: int, generator: np.random.Generator) -> Array:
    """Unit vectors (3, M), each uniform over the sphere, together evenly spread in every run of wavenumbers."""
    shift = generator.random(2)
    order = np.arange(count)
    cosine = 2.0 * ((shift[0] + order / _PLASTIC) % 1.0) - 1.0
    around = 2.0 * math.pi * ((shift[1] + order / _PLASTIC**2) % 1.0)
    sine = np.sqrt(1.0 - cosine * cosine)
    return np.stack([sine * np.cos(around), sine * np.sin(around), cosine])
