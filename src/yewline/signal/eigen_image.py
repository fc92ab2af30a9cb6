"""Background by eigen-images: the few patterns along the line that hold most of its energy, taken out."""

from __future__ import annotations

from typing import Annotated

import numpy as np
import numpy.typing as npt
from pydantic import Field
from scipy.linalg import eigh

from yewline._check import check_in_range, check_positive
from yewline.errors import InputError
from yewline.signal.background import traces_of
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces

__all__ = ["eigen_background", "eigen_energy"]

F64 = npt.NDArray[np.float64]

MOST_COMPONENTS = 50


def eigen_background(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    components: Annotated[int, Field(ge=1, le=MOST_COMPONENTS)] = 1,
    window_m: Annotated[float | None, Field(gt=0, le=10_000)] = None,
) -> Traces:
    """Take the strongest eigen-images out of the line: background whose strength may change from trace to trace.

    The first eigen-image is the one trace that, scaled for each place, comes nearest to the whole line: a direct wave
    that grows and fades with the coupling of the antenna goes where the mean would leave part of it. What else is level
    and strong goes as well: a line along a grave may lose it, and each further component takes more of what is looked
    for. `eigen_energy` shows what share each one holds.

    Parameters
    ----------
    amplitude : (T, S) samples.
    section : sampling and trace spacing.
    components : how many eigen-images to take out, fewer than the traces of the line or window.
    window_m : length along the line over which they are found, m; left out, the whole line. Windows overlap by half
        and are faded into each other.

    Returns
    -------
    (T, S) float32. A single trace has no background that could be told from it, and comes back as it is.

    Raises
    ------
    InputError : samples that are not finite, a window that is not positive, no trace spacing to measure it by, or as
        many components as traces, which would leave nothing.

    Notes
    -----
    X = Σ σ_i u_i v_iᵀ (singular value decomposition); Y = X − Σ_{i ≤ k} σ_i u_i v_iᵀ = X − X V_k V_kᵀ, with V_k the
    leading eigenvectors of XᵀX, or of XXᵀ where that is smaller, in double precision.

    References
    ----------
    Eckart & Young 1936, Psychometrika 1:211–218 (nearest matrix of lower rank; from memory).

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=400.0)
    >>> eigen_background([[4.0, 2.0], [2.0, 1.0], [6.0, 3.0]], section).round(5).tolist()
    [[0.0, 0.0], [0.0, 0.0], [0.0, 0.0]]
    """
    values = check_traces(amplitude)
    first = int(check_in_range(components, "components", 1, MOST_COMPONENTS))
    n = len(values)
    count = n if window_m is None else min(n, traces_of(check_positive(window_m, "window_m"), section, n))
    if n == 1:
        return values.copy()
    if first >= count:
        raise InputError(
            "as many components as traces would leave nothing",
            received=f"{first} components of {count} traces",
            do="take out fewer components or lengthen window_m",
        )
    peak = float(np.abs(values).max())
    if peak == 0.0:
        return values.copy()
    unit = values.astype(np.float64) / peak
    kept = np.zeros_like(unit)
    weights = np.zeros(n)
    for start in _starts(n, count):
        part = slice(start, start + count)
        hat = np.minimum(np.arange(count) + 0.5, count - np.arange(count) - 0.5)
        kept[part] += hat[:, None] * (unit[part] - _leading(unit[part], first))
        weights[part] += hat
    return (peak * (kept / weights[:, None])).astype(np.float32)


def eigen_energy(amplitude: npt.ArrayLike) -> F64:
    """Share of a line's energy that each eigen-image holds, strongest first.

    Parameters
    ----------
    amplitude : (T, S) samples.

    Returns
    -------
    (min(T, S),) shares that sum to one; zeros for a silent line.

    Raises
    ------
    InputError : samples that are not finite.

    Notes
    -----
    σ_i² / Σ σ²: a steep fall after the first one or two says that they are background.

    Examples
    --------
    >>> eigen_energy([[3.0, 0.0], [0.0, 1.0]]).round(6).tolist()
    [0.9, 0.1]
    """
    values = check_traces(amplitude)
    peak = float(np.abs(values).max())
    if peak == 0.0:
        return np.zeros(min(values.shape))
    squares = np.maximum(eigh(_gram(values.astype(np.float64) / peak), eigvals_only=True)[::-1], 0.0)
    shares: F64 = squares / squares.sum()
    return shares


def _starts(n: int, count: int) -> list[int]:
    step = max(1, count // 2)
    return sorted({*range(0, n - count, step), n - count})


def _gram(x: F64) -> F64:
    product: F64 = x.T @ x if x.shape[1] < x.shape[0] else x @ x.T
    return product


def _leading(x: F64, components: int) -> F64:
    """The part of `x` that its leading eigen-images hold."""
    size = min(x.shape)
    if components >= size:
        return x
    vectors = eigh(_gram(x), subset_by_index=[size - components, size - 1])[1]
    nearest: F64 = (x @ vectors) @ vectors.T if x.shape[1] < x.shape[0] else vectors @ (vectors.T @ x)
    return nearest
