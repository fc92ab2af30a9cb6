"""The one-pass step of a row against the several passes that it stands for, in NumPy."""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
import numpy.typing as npt
import pytest

from yewline.simulation.wave import row_step
from yewline.simulation.wave.rows import BLOCK

Row = npt.NDArray[np.floating[Any]]

N = 3 * BLOCK
HERE = slice(BLOCK, BLOCK + N)
NEXT, LAST = slice(BLOCK + 1, BLOCK + N + 1), slice(BLOCK - 1, BLOCK + N - 1)


def stretched(psi: Row, change: Row, b: Row, c: Row, stretch: Row) -> Row:
    psi[HERE] = b * psi[HERE] + c * change
    return np.asarray(stretch * change + psi[HERE])


def step(rows: list[Row], *, edge: bool, end: bool) -> None:
    """Magnetic field, its edges, electric field, its edges: one whole pass after another."""
    e, hx, hz, beyond, before, keep, gain, *more = rows
    down, across = e[NEXT] - e[HERE], beyond[HERE] - e[HERE]
    hx[HERE] += down
    hz[HERE] += across
    if edge:
        hx[HERE] += stretched(more[0], down, *(row[HERE] for row in more[2:5]))
    if end:
        hz[HERE] += stretched(more[-8], across, *(row[BLOCK] for row in more[-6:-3]))
    down, across = hx[HERE] - hx[LAST], hz[HERE] - before[HERE]
    e[HERE] = keep[HERE] * e[HERE] + gain[HERE] * (down + across)
    if edge:
        e[HERE] += gain[HERE] * stretched(more[1], down, *(row[HERE] for row in more[5:8]))
    if end:
        e[HERE] += gain[HERE] * stretched(more[-7], across, *(row[BLOCK] for row in more[-3:]))


def compiled(operation: Any, count: int) -> Any:
    listed = ", ".join(f"a[{n}]" for n in range(count))
    spread: dict[str, Any] = {"operation": operation}
    exec(f"def call(a, one, n):\n    operation(({listed},), (one,), n)\n", spread)
    return numba.njit(spread["call"])


CASES = [
    (row_step.step, False, False),
    (row_step.step_edge, True, False),
    (row_step.step_end, False, True),
    (row_step.step_corner, True, True),
]


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize(("operation", "edge", "end"), CASES, ids=["step", "edge", "end", "corner"])
def test_one_pass_is_several(operation: Any, edge: bool, end: bool, dtype: npt.DTypeLike) -> None:
    count = 7 + 8 * edge + 8 * end
    drawn = np.random.default_rng(count).normal(size=(count, N + 2 * BLOCK)).astype(dtype)
    ours, theirs = [row.copy() for row in drawn], [row.copy() for row in drawn]
    addresses = np.array([row[BLOCK:].ctypes.data for row in ours], np.intp)
    compiled(operation, count)(addresses, np.dtype(dtype).type(1), N)
    step(theirs, edge=edge, end=end)
    moved = {n for n in range(count) if (ours[n] != drawn[n]).any()}
    assert moved == {0, 1, 2} | ({7, 8} if edge else set()) | ({count - 8, count - 7} if end else set())
    for found, expected in zip(ours, theirs, strict=True):
        # A dozen roundings; nothing outside the row is touched.
        np.testing.assert_allclose(found, expected, rtol=0, atol=16 * np.finfo(dtype).eps * np.abs(expected).max())
        np.testing.assert_array_equal(found[:BLOCK], expected[:BLOCK])
        np.testing.assert_array_equal(found[BLOCK + N :], expected[BLOCK + N :])


def test_no_cells_is_nothing() -> None:
    rows = list(np.random.default_rng(1).normal(size=(7, 3 * BLOCK)).astype(np.float32))
    before = [row.copy() for row in rows]
    addresses = np.array([row[BLOCK:].ctypes.data for row in rows], np.intp)
    compiled(row_step.step, 7)(addresses, np.float32(1), 0)
    for row, old in zip(rows, before, strict=True):
        np.testing.assert_array_equal(row, old)
