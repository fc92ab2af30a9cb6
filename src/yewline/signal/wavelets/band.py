"""Where a spectrum has its strength: peak, centroids and half-amplitude edges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_in_range
from yewline.errors import InputError

__all__ = ["Band", "band_edges_mhz", "band_of"]

F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Band:
    """Bandwidth numbers of an amplitude spectrum.

    Attributes
    ----------
    peak_mhz : frequency of its largest value.
    centroid_mhz : mean frequency, weighted with amplitude.
    power_centroid_mhz : mean frequency, weighted with power.
    rms_mhz : root mean square frequency, weighted with power.
    low_mhz, high_mhz : outermost frequencies at which the amplitude is half its largest value.
    """

    peak_mhz: float
    centroid_mhz: float
    power_centroid_mhz: float
    rms_mhz: float
    low_mhz: float
    high_mhz: float

    @property
    def width_mhz(self) -> float:
        """Between the half-amplitude edges, MHz."""
        return self.high_mhz - self.low_mhz


def band_of(frequency_mhz: npt.ArrayLike, amplitude: npt.ArrayLike) -> Band:
    """Bandwidth numbers of an amplitude spectrum.

    Parameters
    ----------
    frequency_mhz : (F,) evenly spaced from 0 upward, MHz.
    amplitude : (F,) amplitude spectrum, nowhere negative.

    Returns
    -------
    The numbers; edges that the spectrum does not reach are its first and last frequency.

    Raises
    ------
    InputError : a spectrum that is empty, negative or all zeros, or frequencies that are not evenly spaced from 0.

    Notes
    -----
    Centroid Σ f A / Σ A, by power Σ f A² / Σ A², rms √(Σ f² A² / Σ A²), with the first and last term halved. The peak
    is that of the parabola through the largest value and its neighbours; edges lie on straight lines between values.

    Examples
    --------
    >>> f = np.linspace(0.0, 2_000.0, 4_001)
    >>> ricker = (f / 400.0) ** 2 * np.exp(-((f / 400.0) ** 2))
    >>> numbers = band_of(f, ricker)
    >>> round(numbers.peak_mhz, 2), round(numbers.centroid_mhz, 2), round(numbers.width_mhz, 2)
    (400.0, 451.35, 461.98)
    """
    f, size = _checked(frequency_mhz, amplitude)
    weight = size.copy()
    weight[[0, -1]] *= 0.5
    power = size * weight
    low, high = band_edges_mhz(f, size, level=0.5)
    return Band(
        peak_mhz=_peak(f, size),
        centroid_mhz=float(f @ weight / weight.sum()),
        power_centroid_mhz=float(f @ power / power.sum()),
        rms_mhz=float(np.sqrt(f**2 @ power / power.sum())),
        low_mhz=low,
        high_mhz=high,
    )


def band_edges_mhz(
    frequency_mhz: npt.ArrayLike, amplitude: npt.ArrayLike, *, level: float = 0.5
) -> tuple[float, float]:
    """Lowest and highest frequency at which an amplitude spectrum stands at `level` of its largest value.

    Parameters
    ----------
    frequency_mhz : (F,) evenly spaced from 0 upward, MHz.
    amplitude : (F,) amplitude spectrum, nowhere negative.
    level : share of the largest value, above 0 to 1 (0.01 is −40 dB).

    Returns
    -------
    Lower and upper edge, MHz; the first or last frequency where the spectrum is still above the level there.

    Raises
    ------
    InputError : as for `band_of`, or a level out of range.

    Examples
    --------
    >>> band_edges_mhz([0.0, 100.0, 200.0, 300.0], [0.0, 2.0, 1.0, 0.0], level=0.25)
    (25.0, 250.0)
    """
    f, size = _checked(frequency_mhz, amplitude)
    wanted = check_in_range(level, "level", 1e-9, 1.0) * size.max()
    above = np.flatnonzero(size >= wanted)
    first, last = int(above[0]), int(above[-1])
    low = f[0] if first == 0 else _crossing(f, size, first - 1, wanted)
    high = f[-1] if last == len(f) - 1 else _crossing(f, size, last, wanted)
    return float(low), float(high)


def _checked(frequency_mhz: npt.ArrayLike, amplitude: npt.ArrayLike) -> tuple[F64, F64]:
    f = check_array(frequency_mhz, "frequency_mhz", ndim=1)
    size = check_array(amplitude, "amplitude", ndim=1)
    if len(f) != len(size) or len(f) < 3:
        raise InputError(
            "a spectrum needs three or more values, one for each frequency", received=f"{len(f)} and {len(size)}"
        )
    step = np.diff(f)
    if f[0] != 0.0 or step.min() <= 0 or np.ptp(step) > 1e-6 * step.max():
        raise InputError("frequencies must rise evenly from 0", received=f"{f[0]:g} to {f[-1]:g} MHz")
    if size.min() < 0 or size.max() == 0:
        raise InputError("an amplitude spectrum must not be negative, nor zero throughout", received=f"{size.min():g}")
    return f, size / size.max()


def _peak(f: F64, size: F64) -> float:
    k = int(size.argmax())
    if k in (0, len(f) - 1):
        return float(f[k])
    left, top, right = size[k - 1 : k + 2]
    return float(f[k] + 0.5 * (f[1] - f[0]) * (left - right) / (left - 2.0 * top + right))


def _crossing(f: F64, size: F64, k: int, level: float) -> float:
    """Where the straight line from value k to the next passes `level`."""
    return float(f[k] + (level - size[k]) / (size[k + 1] - size[k]) * (f[k + 1] - f[k]))
