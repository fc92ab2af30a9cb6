"""What is level along the line, told by its wavenumber."""

from __future__ import annotations

from typing import Annotated

import numpy as np
import numpy.typing as npt
from pydantic import Field
from scipy import fft

from yewline._check import check_in_range, check_positive
from yewline.signal.dips.spectrum import need_spacing
from yewline.signal.scale import near_one
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces

__all__ = ["background_fk"]


def background_fk(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    window_m: Annotated[float | None, Field(gt=0, le=10_000)] = None,
    edge_share: Annotated[float, Field(ge=0, le=1)] = 0.5,
) -> Traces:
    """Take out what is level over more than a window: all wavenumbers along the line below one over its length.

    Waves along the line that are longer than the window go and shorter ones stay, where a sliding mean turns some of
    them over. A response of length l, short beside the window, loses about 2·l/window of its size, twice as much as to
    a sliding mean of the same length; one along the line of a grave, longer than the window, is lost.

    Parameters
    ----------
    amplitude : (T, S) samples at even spacing.
    section : sampling and trace spacing.
    window_m : longest wave along the line that is kept, m; left out, only the mean of the whole line goes.
    edge_share : half-width of the smooth edge, as a share of the limiting wavenumber; 0 is a sharp cut, which rings.

    Returns
    -------
    (T, S) float32. A single trace has no background that could be told from it, and comes back as it is.

    Raises
    ------
    InputError : samples that are not finite, a value out of range, or no trace spacing to measure a window by.

    Notes
    -----
    y = x − C⁻¹[W·C[x]], with C the cosine transform along the line (the line goes on as its own mirror image) and W one
    below (1 − e)/window, zero above (1 + e)/window, half a cosine between. With a window of three lines or more
    W takes the mean alone: `background_removal` over the whole line.

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=400.0)
    >>> background_fk([[5.0, 1.0], [5.0, 3.0]], section).tolist()
    [[0.0, -1.0], [0.0, 1.0]]
    """
    values = check_traces(amplitude)
    edge = check_in_range(edge_share, "edge_share", 0.0, 1.0)
    window = None if window_m is None else check_positive(window_m, "window_m")
    n = len(values)
    if n == 1:
        return values.copy()
    if window is None:
        weight = np.zeros(n)
    else:
        need_spacing(section, "wavenumbers")
        place = np.arange(n) / (2.0 * n * section.spacing_m) * window
        weight = _fall(place, 1.0 - edge, 1.0 + edge)
    weight[0] = 1.0
    last = int(np.flatnonzero(weight)[-1])
    unit, factor = near_one(values)
    # Few wavenumbers are level: they are worked out by themselves, in double precision, as sums over traces.
    if last < 16:
        waves = np.cos(np.pi * np.arange(last + 1)[:, None] * (np.arange(n) + 0.5) / n)
        waves *= np.where(np.arange(last + 1) == 0, 1.0, 2.0)[:, None] ** 0.5
        level = (waves.T * (weight[: last + 1] / n)) @ (waves @ unit.astype(np.float64))
    else:
        spectrum = fft.dct(unit, axis=0, norm="ortho")
        spectrum *= weight.astype(np.float32)[:, None]
        level = fft.idct(spectrum, axis=0, norm="ortho")
    return (unit - level.astype(np.float32)) * factor


def _fall(place: npt.NDArray[np.float64], start: float, stop: float) -> npt.NDArray[np.float64]:
    """One up to `start`, zero from `stop`, half a cosine between."""
    if stop <= start:
        return (place < start).astype(np.float64)
    return 0.5 + 0.5 * np.cos(np.pi * np.clip((place - start) / (stop - start), 0.0, 1.0))
