"""A constant phase: all frequencies turned by one angle, and the angle that makes a line most spiky."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft

from yewline._check import check_finite
from yewline.errors import InputError
from yewline.signal.engines import COMPILED
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces
from yewline.signal.wavelets.window import time_window

__all__ = ["ConstantPhase", "constant_phase", "rotate_phase"]

F64 = npt.NDArray[np.float64]
Line = tuple[npt.ArrayLike, Section]

PIECES = 10
"""Parts that the traces are taken apart into for the angle's uncertainty."""
LEVEL_PERIODS = 4.0
"""Strength is evened out over this many periods first, so that the strongest event does not speak alone."""


@dataclass(frozen=True, slots=True)
class ConstantPhase:
    """Phase of a line's wavelet, if it is the same at all frequencies.

    Attributes
    ----------
    phase_deg : above −90 to 90: the wavelet is a zero-phase one turned by this angle. Whether it is that or its
        negative (180 degrees further) cannot be told.
    sigma_deg : one standard deviation, from parts of the line left out in turn; NaN for fewer than four traces.
    varimax_as_recorded, varimax_at_zero_phase : how spiky the traces are before and after the turn; 3 is Gaussian
        noise.
    """

    phase_deg: float
    sigma_deg: float
    varimax_as_recorded: float
    varimax_at_zero_phase: float


def constant_phase(lines: Sequence[Line], *, start_ns: float = 0.0, stop_ns: float | None = None) -> ConstantPhase:
    """Find the constant phase of a wavelet: the turn back after which the traces are most spiky.

    Parameters
    ----------
    lines : for each line its samples (T, S) and its section.
    start_ns, stop_ns : times between which the traces are looked at, ns; left out, all of the record.

    Returns
    -------
    The angle with its uncertainty.

    Raises
    ------
    InputError : no lines, or silent ones.

    Notes
    -----
    Largest varimax V(φ) = N Σ y⁴ / (Σ y²)², y = x cos φ + H[x] sin φ, with H the Hilbert transform and strength evened
    out by the line's running root mean square. V follows from eight sums of products of x and H[x], so that every angle
    is tried. It needs reflectors that stand apart: the flatter V is, the larger is the sigma.

    References
    ----------
    Wiggins 1978, Geoexploration 16:21–35 (varimax); Levy & Oldenburg 1987, Geophysics 52:51–59 (constant phase); both
    from memory.

    Examples
    --------
    >>> section = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
    >>> t = 0.25 * np.arange(200) - 25.0
    >>> ricker = np.tile((1 - 2 * (0.4 * np.pi * t) ** 2) * np.exp(-((0.4 * np.pi * t) ** 2)), (8, 1))
    >>> round(constant_phase([(rotate_phase(ricker, 40.0), section)]).phase_deg)
    40
    """
    if not lines:
        raise InputError("no lines to find a phase in", do="give at least one line")
    sums = np.concatenate(
        [_sums(time_window(check_traces(x), own, start_ns, stop_ns, samples=4), own) for x, own in lines]
    )
    total = sums.sum(axis=0)
    if total[5] + total[7] == 0:
        raise InputError("no phase can be told from silent lines", received=f"{len(lines)} lines")
    angle = _best(total)
    return ConstantPhase(
        phase_deg=float(np.degrees(angle)),
        sigma_deg=_sigma_deg(sums, angle),
        varimax_as_recorded=float(_varimax(total, np.zeros(1))[0]),
        varimax_at_zero_phase=float(_varimax(total, np.array([angle]))[0]),
    )


def rotate_phase(amplitude: npt.ArrayLike, phase_deg: float) -> Traces:
    """Turn the phase of every frequency by one angle; the envelope stays as it is.

    Parameters
    ----------
    amplitude : (T, S) samples.
    phase_deg : angle, degrees; −phase_deg turns back.

    Returns
    -------
    (T, S) float32.

    Raises
    ------
    InputError : samples that are not finite, or an angle that is not.

    Notes
    -----
    Every coefficient of the transform over the record, taken as periodic, times e^{jφ}; zero frequency and Nyquist
    frequency, which have no phase, are left.

    Examples
    --------
    >>> t = np.arange(8)
    >>> turned = rotate_phase([np.cos(2 * np.pi * t / 8)], 90.0)
    >>> bool(np.allclose(turned, -np.sin(2 * np.pi * t / 8), atol=1e-6))
    True
    """
    values = check_traces(amplitude)
    angle = np.radians(check_finite(phase_deg, "phase_deg"))
    peak = float(np.abs(values).max())
    if peak == 0.0:
        return values.copy()
    n = values.shape[1]
    spectrum = fft.rfft(values / np.float32(peak), axis=1)
    spectrum[:, 1 : (n + 1) // 2] *= np.complex64(np.exp(1j * angle))
    turned: Traces = fft.irfft(spectrum, n, axis=1, overwrite_x=True) * np.float32(peak)
    return turned


def _sums(values: Traces, section: Section) -> F64:
    """(T, 9) sums over each trace: x⁴, x³h, x²h², xh³, h⁴, x², xh, h², N, of traces of even strength."""
    peak = float(np.abs(values).max())
    if peak == 0.0:
        return np.zeros((len(values), 9))
    x = values / np.float32(peak)
    h = -rotate_phase(x, 90.0)
    strength = np.mean(x.astype(np.float64) ** 2 + h.astype(np.float64) ** 2, axis=0, keepdims=True)
    half = max(1, round(0.5 * LEVEL_PERIODS * section.period_ns / section.interval_ns))
    level = np.sqrt(COMPILED.running_mean(strength.astype(np.float32), half).astype(np.float64))
    level = np.maximum(level, 1e-3 * float(level.max()))
    a, b = x / level, h / level
    aa, ab, bb = a * a, a * b, b * b
    parts = (aa * aa, aa * ab, aa * bb, ab * bb, bb * bb, aa, ab, bb)
    return np.stack([*(p.sum(axis=1) for p in parts), np.full(len(x), float(x.shape[1]))], axis=1)


def _varimax(sums: F64, angle: F64) -> F64:
    c, s = np.cos(angle), np.sin(angle)
    fourth = (
        sums[0] * c**4 + 4 * sums[1] * c**3 * s + 6 * sums[2] * c**2 * s**2 + 4 * sums[3] * c * s**3 + sums[4] * s**4
    )
    second = sums[5] * c**2 + 2 * sums[6] * c * s + sums[7] * s**2
    # An offset alone has no strength at all once it is turned by a right angle.
    least = max(1e-9 * (sums[5] + sums[7]), 1e-300)
    return sums[8] * fourth / np.maximum(second, least) ** 2


def _best(sums: F64) -> float:
    """Angle of the largest varimax, above −90° to 90°, refined by a parabola."""
    step = np.pi / 720
    angle = step * np.arange(-359, 361, dtype=np.float64)
    value = _varimax(sums, angle)
    k = int(value.argmax())
    left, top, right = _varimax(sums, angle[k] + step * np.array([-1.0, 0.0, 1.0]))
    bend = left - 2.0 * top + right
    best = angle[k] + (0.5 * step * (left - right) / bend if bend < 0 else 0.0)
    return float(np.pi / 2 - (np.pi / 2 - best) % np.pi)


def _sigma_deg(sums: F64, angle: float) -> float:
    """Jackknife over up to ten parts of neighbouring traces; angles half a turn apart are one."""
    if len(sums) < 4:
        return float("nan")
    parts = [part.sum(axis=0) for part in np.array_split(sums, min(PIECES, len(sums)))]
    total = np.sum(parts, axis=0)
    left = np.array([_best(total - part) for part in parts if (total - part)[5] > 0])
    if len(left) < 2:
        return float("nan")
    off = (left - angle + np.pi / 2) % np.pi - np.pi / 2
    spread = (len(off) - 1) * np.mean((off - off.mean()) ** 2)
    return float(np.degrees(np.sqrt(spread)))
