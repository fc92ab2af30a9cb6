"""Row operations, each compiled here and now, against the same line of arithmetic in NumPy."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numba
import numpy as np
import numpy.typing as npt
import pytest

from yewline.simulation.wave import rows

Row = npt.NDArray[np.floating[Any]]

N = 3 * rows.BLOCK
MORE = 5
"""Cells before and beyond a row, so that its neighbours can be read and strays be seen."""


def magnetic(e: Row, beyond: Row, hx: Row, hz: Row) -> None:
    here = slice(MORE, MORE + N)
    hz[here] += beyond[here] - e[here]
    hx[here] += e[MORE + 1 : MORE + N + 1] - e[here]


def _across(hx: Row) -> Row:
    return hx[MORE : MORE + N] - hx[MORE - 1 : MORE + N - 1]


def electric(e: Row, keep: Row, gain: Row, hx: Row, hz: Row, before: Row) -> None:
    here = slice(MORE, MORE + N)
    e[here] = keep[here] * e[here] + gain[here] * (_across(hx) + (hz[here] - before[here]))


def water_electric(
    e: Row, keep: Row, gain: Row, hx: Row, hz: Row, before: Row, bound: Row, relax: Row, hold: float, pull: float
) -> None:
    here = slice(MORE, MORE + N)
    was = e[here].copy()
    e[here] = keep[here] * was + gain[here] * (_across(hx) + (hz[here] - before[here]) + pull * bound[here])
    bound[here] = hold * bound[here] + relax[here] * was


def settle(bound: Row, relax: Row, e: Row) -> None:
    here = slice(MORE, MORE + N)
    bound[here] += relax[here] * e[here]


def edge_magnetic(hx: Row, e: Row, psi: Row, b: Row, c: Row, stretch: Row) -> None:
    here = slice(MORE, MORE + N)
    change = e[MORE + 1 : MORE + N + 1] - e[here]
    psi[here] = b[here] * psi[here] + c[here] * change
    hx[here] += stretch[here] * change + psi[here]


def edge_electric(e: Row, gain: Row, hx: Row, psi: Row, b: Row, c: Row, stretch: Row) -> None:
    here = slice(MORE, MORE + N)
    psi[here] = b[here] * psi[here] + c[here] * _across(hx)
    e[here] += gain[here] * (stretch[here] * _across(hx) + psi[here])


def end_magnetic(hz: Row, e: Row, beyond: Row, psi: Row, b: Row, c: Row, stretch: Row) -> None:
    here = slice(MORE, MORE + N)
    change = beyond[here] - e[here]
    psi[here] = b[MORE] * psi[here] + c[MORE] * change
    hz[here] += stretch[MORE] * change + psi[here]


def end_electric(e: Row, gain: Row, hz: Row, before: Row, psi: Row, b: Row, c: Row, stretch: Row) -> None:
    here = slice(MORE, MORE + N)
    change = hz[here] - before[here]
    psi[here] = b[MORE] * psi[here] + c[MORE] * change
    e[here] += gain[here] * (stretch[MORE] * change + psi[here])


# Each operation, its rows and its twin; all but the relaxing one take a number that only tells the precision.
OPERATIONS: list[tuple[Any, int, Callable[..., None]]] = [
    (rows.magnetic, 4, magnetic),
    (rows.electric, 6, electric),
    (rows.settle, 3, settle),
    (rows.edge_magnetic, 6, edge_magnetic),
    (rows.edge_electric, 7, edge_electric),
    (rows.end_magnetic, 7, end_magnetic),
    (rows.end_electric, 8, end_electric),
]


def compiled(operation: Any, count: int) -> Any:
    """A caller for an operation on `count` rows, compiled in this process whatever lies in a cache."""
    listed = ", ".join(f"a[{n}]" for n in range(count))
    spread: dict[str, Any] = {"operation": operation}
    exec(f"def call(a, one, n):\n    operation(({listed},), (one,), n)\n", spread)
    return numba.njit(spread["call"])


def random_rows(count: int, dtype: npt.DTypeLike) -> list[Row]:
    values = np.random.default_rng(count).normal(size=(count, N + 2 * MORE))
    return [np.ascontiguousarray(row, dtype) for row in values]


def addresses(arrays: list[Row]) -> npt.NDArray[np.intp]:
    return np.array([row[MORE:].ctypes.data for row in arrays], np.intp)


def assert_close(found: list[Row], expected: list[Row], dtype: npt.DTypeLike) -> None:
    for ours, theirs in zip(found, expected, strict=True):
        # Half a dozen roundings, and one fewer wherever the machine multiplies and adds at once.
        np.testing.assert_allclose(ours, theirs, rtol=0, atol=8 * np.finfo(dtype).eps * np.abs(theirs).max())
        # Nothing outside the row is touched.
        np.testing.assert_array_equal(ours[:MORE], theirs[:MORE])
        np.testing.assert_array_equal(ours[MORE + N :], theirs[MORE + N :])


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize(("operation", "count", "twin"), OPERATIONS, ids=[twin.__name__ for *_, twin in OPERATIONS])
def test_operation(operation: Any, count: int, twin: Callable[..., None], dtype: npt.DTypeLike) -> None:
    ours, theirs = random_rows(count, dtype), random_rows(count, dtype)
    before = [row.copy() for row in ours]
    compiled(operation, count)(addresses(ours), np.dtype(dtype).type(1), N)
    twin(*theirs)
    assert any((row != old).any() for row, old in zip(ours, before, strict=True))
    assert_close(ours, theirs, dtype)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_water(dtype: npt.DTypeLike) -> None:
    ours, theirs = random_rows(8, dtype), random_rows(8, dtype)
    hold, pull = np.dtype(dtype).type(0.71), np.dtype(dtype).type(1.37)

    @numba.njit  # type: ignore[misc]
    def call(a: Any, hold: Any, pull: Any, n: Any) -> None:
        rows.water_electric((a[0], a[1], a[2], a[3], a[4], a[5], a[6], a[7]), (hold, pull), n)

    call(addresses(ours), hold, pull, N)
    water_electric(*theirs, hold, pull)  # type: ignore[arg-type]
    assert_close(ours, theirs, dtype)


def test_no_cells_is_nothing() -> None:
    ours = random_rows(4, np.float32)
    before = [row.copy() for row in ours]
    compiled(rows.magnetic, 4)(addresses(ours), np.float32(1), 0)
    for row, old in zip(ours, before, strict=True):
        np.testing.assert_array_equal(row, old)
