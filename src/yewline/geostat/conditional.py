"""Fields as the ground may be: each agrees with the readings, and together they show what the readings leave open."""

from __future__ import annotations

import math
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt
from scipy.linalg.blas import dgemm, sgemm

from yewline._check import check_array, check_choice
from yewline.errors import InputError
from yewline.geostat.between import BEFORE, BEHIND, Between, between_nodes
from yewline.geostat.covariance import VariogramModel
from yewline.geostat.kriging import krige_weights
from yewline.geostat.torus import Torus, torus_for

__all__ = ["FieldDraws", "conditional_fields", "surrogate_maps", "unconditional_fields"]

Array = npt.NDArray[np.float64]
Fields = npt.NDArray[Any]

_FEWEST_READINGS: Final = 3
_MOST_FIELDS: Final = 64
_BLOCK_VALUES: Final = 4_000_000
_MOST_WEIGHTS: Final = 250_000_000
_STRIP_VALUES: Final = 4_000_000
_UNEVEN_SHARE: Final = 1e-3

# Weights that nearly cancel bring out rounding: from this sum of their sizes on, products are in double precision.
_LARGE_WEIGHTS: Final = 30.0


@dataclass(frozen=True, slots=True)
class FieldDraws:
    """How many fields are drawn, and how.

    Attributes
    ----------
    count : fields.
    seed : integer, ≥ 0; the same gives the same fields, whatever `count` and `threads`.
    dtype : "float32" or "float64"; the two draw different fields for a seed.
    with_nugget : whether the nugget is added as white noise, or the field without it is wanted.
    threads : how many draw at a time.

    Raises
    ------
    InputError : a count is below one, the seed is negative, or the type is another.
    """

    count: int
    seed: int
    dtype: Literal["float32", "float64"] = "float32"
    with_nugget: bool = False
    threads: int = 2

    def __post_init__(self) -> None:
        for name, value, least in (("count", self.count, 1), ("threads", self.threads, 1), ("seed", self.seed, 0)):
            if int(value) != value or value < least:
                raise InputError(f"{name} must be a whole number of at least {least}", received=value)
        check_choice(self.dtype, "dtype", ("float32", "float64"))


def conditional_fields(
    xy: npt.ArrayLike,
    values: npt.ArrayLike,
    grid_x: npt.ArrayLike,
    grid_y: npt.ArrayLike,
    *,
    model: VariogramModel,
    error_sd: float | npt.ArrayLike = 0.0,
    draws: FieldDraws,
) -> Iterator[Fields]:
    """Draw fields that agree with scattered readings as far as their errors say, and vary as the variogram says.

    Parameters
    ----------
    xy : (R, 2) places of at least three readings, m; those outside the grid count as well.
    values : (R,) readings.
    grid_x, grid_y : (X,) and (Y,) coordinates of the nodes, m, each evenly spaced, rising or falling.
    model : variogram of the true field.
    error_sd : standard deviation of the readings' own independent errors; one number, or (R,).
    draws : how many, from which seed.

    Returns
    -------
    Iterator over blocks (b, Y, X), at most 64 fields each and about 16 MB in single precision; what is held at a time
    is one block, the weights (R × Y·X numbers) and a torus a thread.

    Raises
    ------
    InputError : fewer than three readings, a grid that is not regular, readings that the variogram cannot tell apart,
        or a grid, or a distance to readings outside it, that asks for too many cells.

    Notes
    -----
    With s a field without readings and W the weights of ordinary kriging, a draw is s + Wᵀ(z − s(xᵣ) − e): the error
    that kriging makes on s, whose truth is known, is put on its estimate from the readings z. Mean and covariance over
    draws are those of the true field given the readings, its mean unknown: mean and variance are `krige`'s, less the
    nugget unless it is asked for. e is drawn from the errors and the nugget. s(xᵣ) is drawn jointly with s at the
    nodes and not moved to one: see `between_nodes`, whose covariances are right to some 1e-4 of the sill. s itself is
    drawn on a torus; see `torus_for`. The product with W is one matrix product a block.

    Single precision costs a rounding of some 1e-6 of the field's standard deviation, and 6e-8 of its level. Where
    weights nearly cancel (a smooth model with near-duplicate readings and no nugget) they are held in double precision
    whatever `dtype` is.

    References
    ----------
    Journel & Huijbregts 1978, Mining Geostatistics, §VII.A (conditioning by kriging). Dietrich & Newsam 1996, Water
    Resour. Res. 32(8):2643–2652 (conditioning with readings between the nodes).

    Examples
    --------
    >>> model = VariogramModel("exponential", partial_sill=1.0, range_m=10.0)
    >>> xy, values = [[1, 1], [8, 3], [4, 6]], [1.0, 3.0, 2.0]
    >>> draws = FieldDraws(count=100, seed=1)
    >>> fields = np.concatenate(list(conditional_fields(xy, values, range(10), range(8), model=model, draws=draws)))
    >>> fields.shape, fields[:, 3, 8].round(4).max()
    ((100, 8, 10), np.float32(3.0))
    """
    grid = _grid(grid_x, grid_y)
    z = check_array(values, "values", ndim=1)
    places = check_array(xy, "xy", ndim=2)
    if len(z) < _FEWEST_READINGS:
        raise InputError(f"there must be at least {_FEWEST_READINGS} readings", received=len(z))
    if len(places) != len(z):
        raise InputError("there must be one value for each place", received=f"{len(z)} values for {len(places)} places")
    weights = _weights(places, grid, model, error_sd, draws.dtype)
    positions = grid.positions(places)
    before = np.maximum(0, BEFORE - np.floor(positions.min(axis=0)).astype(int))
    behind = np.maximum(0, np.floor(positions.max(axis=0)).astype(int) + BEHIND + 2 - grid.shape)
    rows, columns = (int(n) for n in before + grid.shape + behind)
    try:
        torus = torus_for(model, (rows, columns), grid.step_m, draws.dtype)
    except InputError as error:
        outside = int(((positions < -0.5) | (positions > np.array(grid.shape) - 0.5)).any(axis=1).sum())
        received = f"{error.received}, {outside} readings outside the grid among what they must hold"
        raise InputError(error.problem, received=received, do=f"{error.do}, or leave out far readings") from error
    noise = model.nugget + np.broadcast_to(np.asarray(error_sd, dtype=np.float64), z.shape) ** 2
    between = between_nodes(positions + before, grid.step_m, model=model, noise_variance=noise)
    level = float(z.mean())
    readings = _Readings(z - level, level, weights, between)
    corner = int(before[0]), int(before[1])
    return _blocks(torus, grid.shape, corner, nugget=model.nugget, draws=draws, readings=readings)


def unconditional_fields(
    grid_x: npt.ArrayLike, grid_y: npt.ArrayLike, *, model: VariogramModel, draws: FieldDraws
) -> Iterator[Fields]:
    """Draw fields of mean zero that vary as the variogram says and know of no readings.

    Parameters
    ----------
    grid_x, grid_y, model, draws : as in `conditional_fields`.

    Returns
    -------
    Iterator over blocks (b, Y, X).

    Examples
    --------
    >>> model = VariogramModel("exponential", partial_sill=4.0, range_m=2.0)
    >>> block = next(unconditional_fields(range(40), range(30), model=model, draws=FieldDraws(count=2, seed=1)))
    >>> block.shape, bool(1.8 < block.std() < 2.2)
    ((2, 30, 40), True)
    """
    grid = _grid(grid_x, grid_y)
    torus = torus_for(model, grid.shape, grid.step_m, draws.dtype)
    return _blocks(torus, grid.shape, (0, 0), nugget=model.nugget, draws=draws)


def surrogate_maps(
    xy: npt.ArrayLike,
    grid_x: npt.ArrayLike,
    grid_y: npt.ArrayLike,
    *,
    model: VariogramModel,
    error_sd: float | npt.ArrayLike = 0.0,
    draws: FieldDraws,
) -> Iterator[Fields]:
    """Kriged maps of invented readings: what a map would look like that had nothing but its variogram to show.

    A map is smoother than the ground, and the more so the fewer readings it has. What is to be compared with it has to
    be smoothed in the same way: a field of the variogram is read at the same places with the same errors, and kriged.

    Parameters
    ----------
    xy, grid_x, grid_y, model, error_sd, draws : as in `conditional_fields`; `with_nugget` says nothing here.

    Returns
    -------
    Iterator over blocks (b, Y, X) of maps, about a mean of zero.

    Examples
    --------
    >>> model = VariogramModel("exponential", partial_sill=1.0, range_m=10.0)
    >>> draws = FieldDraws(count=5, seed=1)
    >>> next(surrogate_maps([[1, 1], [8, 3], [4, 6]], range(10), range(8), model=model, draws=draws)).shape
    (5, 8, 10)
    """
    grid = _grid(grid_x, grid_y)
    places = check_array(xy, "xy", ndim=2)
    weights = _weights(places, grid, model, error_sd, draws.dtype)
    covariance = model.covariance(places, places)
    covariance[np.diag_indices_from(covariance)] += model.nugget + np.asarray(error_sd, dtype=np.float64) ** 2
    factor = np.linalg.cholesky(covariance)
    noise = np.random.default_rng(draws.seed).standard_normal((draws.count, len(places)))
    readings = (noise @ factor.T).astype(weights.dtype)
    size = _block_size(grid.shape)

    def blocks() -> Iterator[Fields]:
        for start in range(0, draws.count, size):
            maps = readings[start : start + size] @ weights
            yield maps.reshape(-1, *grid.shape).astype(draws.dtype, copy=False)

    return blocks()


@dataclass(frozen=True, eq=False, slots=True)
class _Grid:
    x: Array
    y: Array

    @property
    def shape(self) -> tuple[int, int]:
        return len(self.y), len(self.x)

    @property
    def step_m(self) -> tuple[float, float]:
        return _step(self.y), _step(self.x)

    def positions(self, xy: Array) -> Array:
        """Row and column (R, 2) of places, in cells, with fractions."""
        return np.asarray((xy[:, ::-1] - [self.y[0], self.x[0]]) / self.step_m)


def _step(axis: Array) -> float:
    return float((axis[-1] - axis[0]) / (len(axis) - 1))


def _grid(grid_x: npt.ArrayLike, grid_y: npt.ArrayLike) -> _Grid:
    axes = []
    for name, values in (("grid_x", grid_x), ("grid_y", grid_y)):
        axis = check_array(values, name, ndim=1)
        if len(axis) < 2:
            raise InputError(f"{name} must hold at least two coordinates", received=len(axis))
        even = np.linspace(axis[0], axis[-1], len(axis))
        step = abs(_step(axis))
        worst = int(np.abs(axis - even).argmax())
        if step == 0 or abs(axis[worst] - even[worst]) > _UNEVEN_SHARE * step:
            raise InputError(
                f"{name} must be evenly spaced",
                received=f"{axis[worst]:g} where {even[worst]:g} was due",
                do="give the coordinates of a regular grid",
            )
        axes.append(axis)
    return _Grid(*axes)


def _block_size(shape: tuple[int, int]) -> int:
    """Fields in a block: even, and known from the grid alone, so that no result depends on it."""
    return 2 * int(np.clip(_BLOCK_VALUES // (2 * shape[0] * shape[1]), 1, _MOST_FIELDS // 2))


def _weights(
    places: Array, grid: _Grid, model: VariogramModel, error_sd: float | npt.ArrayLike, dtype: str
) -> npt.NDArray[Any]:
    """Kriging weights (R, Y·X), single precision where that is asked for and they do not nearly cancel."""
    cells = grid.shape[0] * grid.shape[1]
    if len(places) * cells > _MOST_WEIGHTS:
        raise InputError(
            "there would be too many weights to hold",
            received=f"{len(places)} readings for {cells} cells",
            do="use larger cells, or a part of the grid at a time",
        )
    at = np.stack(np.meshgrid(grid.x, grid.y), axis=-1).reshape(-1, 2)
    weights = np.empty((len(places), cells), dtype=dtype)
    step = max(1, _STRIP_VALUES // len(places))
    for start in range(0, cells, step):
        strip, _ = krige_weights(places, at[start : start + step], model=model, error_sd=error_sd)
        if weights.dtype == np.float32 and np.abs(strip).sum(axis=0).max() > _LARGE_WEIGHTS:
            return _weights(places, grid, model, error_sd, "float64")
        weights[:, start : start + step] = strip
    return weights


@dataclass(frozen=True, eq=False, slots=True)
class _Readings:
    anomalies: Array
    level: float
    weights: npt.NDArray[Any]
    between: Between


def _blocks(
    torus: Torus,
    shape: tuple[int, int],
    corner: tuple[int, int],
    *,
    nugget: float,
    draws: FieldDraws,
    readings: _Readings | None = None,
) -> Iterator[Fields]:
    rows, columns = (slice(start, start + n) for start, n in zip(corner, shape, strict=True))
    size = _block_size(shape)
    fine_sd = math.sqrt(nugget) if draws.with_nugget else 0.0

    spare = [torus.buffers() for _ in range(draws.threads)]

    def draw(pair: int, into: Fields, differences: Array) -> None:
        # Each pair has a seed of its own: no field depends on how many are drawn, or in which order.
        source = np.random.Generator(np.random.SFC64(np.random.SeedSequence(draws.seed, spawn_key=(pair,))))
        buffers = spare.pop()
        both = torus.pair(source, buffers)
        into[0], into[1] = both[rows, columns].real, both[rows, columns].imag
        if readings is not None:
            there = readings.between.draw(both, source)
            differences[0], differences[1] = readings.anomalies - there.real, readings.anomalies - there.imag
            into += readings.level
        spare.append(buffers)
        if fine_sd > 0:
            into += fine_sd * source.standard_normal(into.shape, dtype=into.dtype.type)

    with ThreadPoolExecutor(draws.threads) as pool:
        for start in range(0, draws.count, size):
            block = np.zeros((size, *shape), dtype=draws.dtype)
            differences = np.zeros((size, 0 if readings is None else len(readings.anomalies)))
            firsts = range(0, min(size, draws.count - start), 2)
            parts = [(block[k : k + 2], differences[k : k + 2]) for k in firsts]
            list(pool.map(draw, range(start // 2, start // 2 + len(parts)), *zip(*parts, strict=True)))
            if readings is not None:
                # Always of one width, the last block too: a library of matrix products rounds otherwise by width.
                _add_product(block.reshape(size, -1), differences, readings.weights)
            yield block[: draws.count - start]


def _add_product(block: Fields, differences: Array, weights: npt.NDArray[Any]) -> None:
    if block.dtype != weights.dtype:
        block += differences @ weights
        return
    multiply = sgemm if block.dtype == np.float32 else dgemm
    # Columns of Fortran's order are rows of C's: nothing is copied, and the sum is written in place.
    multiply(1.0, weights.T, differences.astype(block.dtype).T, beta=1.0, c=block.T, overwrite_c=True)
