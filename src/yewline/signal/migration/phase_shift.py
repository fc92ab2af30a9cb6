"""Phase-shift migration (Gazdag): the wave carried down step by step, through layers if there are any."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, Final, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field
from scipy import fft

from yewline._check import check_choice, check_in_range
from yewline.errors import InputError
from yewline.signal.migration import phase_kernels
from yewline.signal.migration.below import layers_below
from yewline.signal.migration.layers import Array, Layers, as_layers, vertical_times_ns
from yewline.signal.migration.operators import MigrationOperator
from yewline.signal.migration.stolt import default_pad_m, end_taper, line_velocity
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces

__all__ = ["migrate_phase_shift", "phase_shift_image", "phase_shift_operator"]

Real = npt.NDArray[Any]

_KERNELS: Final[dict[str, tuple[Callable[..., None], Callable[..., None]]]] = {
    "one": (phase_kernels.carry_down, phase_kernels.carry_up),
    "all": (phase_kernels.carry_down_parallel, phase_kernels.carry_up_parallel),
}


@dataclass(frozen=True, eq=False)
class _Grid:
    """Sizes and axes of the transform."""

    traces: int
    samples: int
    n_x: int
    length: int
    k: Array
    omega: Array
    squares: Array
    interval_ns: float

    @property
    def share(self) -> Array:
        """(W,) how often each frequency of a real record counts, over the length."""
        count = np.full(len(self.omega), 2.0)
        count[0] = 1.0
        if self.length % 2 == 0:
            count[-1] = 1.0
        return count / self.length


def phase_shift_operator(
    section: Section,
    shape: tuple[int, int],
    ground: float | Layers,
    *,
    pad_m: float | None = None,
    precision: Literal["single", "double"] = "single",
    threads: Literal["one", "all"] = "all",
) -> MigrationOperator:
    """Phase-shift modelling and migration, an exact pair.

    Parameters
    ----------
    section : sample interval and trace spacing.
    shape : (T, S) of the traces, and of the image.
    ground : one velocity, m/ns, or layers.
    pad_m : silent ground beyond the line's end, m; left out, the farthest that an event can move.
    precision : of what goes in and out; the field itself is carried in double precision.
    threads : "one" where lines run side by side.

    Returns
    -------
    MigrationOperator: `adjoint` migrates (T, S) to (T, S) in vertical two-way time, `apply` models.

    Raises
    ------
    InputError : no trace spacing, or values out of range.

    Notes
    -----
    M(k, τ) = Σ_ω P(k, ω)·exp{jΣ Δτ√(ω² − (vk/2)²)}; a frequency is left out from the first step on in which it is
    below v|k|/2. A boundary inside a step is taken in by the step's mean of v².

    References
    ----------
    Gazdag 1978, Geophysics 43:1342–1351.

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=200.0)
    >>> phase_shift_operator(section, (20, 32), Layers([0.0, 0.5], [0.1, 0.08])).shape
    (640, 640)
    """
    layers = as_layers(ground)
    check_choice(threads, "threads", ("one", "all"))
    grid = _grid(section, shape, layers, pad_m)
    down, up = _KERNELS[threads]
    dtype = np.dtype(np.float32 if precision == "single" else np.float64)
    share = grid.share

    def migrate(data: Real) -> Real:
        spectrum = fft.fft(fft.rfft(data.astype(np.float64), grid.length, axis=1), grid.n_x, axis=0) * share
        image = np.empty((grid.n_x, grid.samples), np.complex128)
        down(spectrum, grid.k, grid.squares, grid.omega, grid.interval_ns, image)
        return np.ascontiguousarray(fft.ifft(image, axis=0).real[: grid.traces], dtype=dtype)

    def model(image: Real) -> Real:
        columns = fft.fft(image.astype(np.float64), grid.n_x, axis=0) / grid.n_x
        spectrum = np.empty((grid.n_x, len(grid.omega)), np.complex128)
        up(columns, grid.k, grid.squares, grid.omega, grid.interval_ns, spectrum)
        lines = fft.ifft(spectrum * share, axis=0)[: grid.traces] * grid.n_x
        # Only frequencies of zero and above are there: the real part of their sum is what the transpose asks for.
        record = fft.ifft(lines, grid.length, axis=1).real[:, : grid.samples] * grid.length
        return np.ascontiguousarray(record, dtype=dtype)

    return MigrationOperator(shape, shape, dtype, model, migrate)


def _grid(section: Section, shape: tuple[int, int], layers: Layers, pad_m: float | None) -> _Grid:
    traces, samples = shape
    if section.spacing_m <= 0:
        raise InputError(
            "migration needs the trace spacing",
            received=f"{section.spacing_m:g} m",
            do="check the positions of the line's traces",
        )
    fastest = float(layers.velocity_m_per_ns.max())
    pad = default_pad_m(section, samples, fastest) if pad_m is None else check_in_range(pad_m, "pad_m", 0.0, 1_000.0)
    n_x = fft.next_fast_len(traces + math.ceil(pad / section.spacing_m))
    length = 2 * fft.next_fast_len(samples, real=True)
    return _Grid(
        traces,
        samples,
        n_x,
        length,
        2 * np.pi * fft.fftfreq(n_x, section.spacing_m),
        2 * np.pi * fft.rfftfreq(length, section.interval_ns),
        _squares(layers, np.asarray(section.interval_ns * np.arange(samples + 1), np.float64)),
        section.interval_ns,
    )


def _squares(layers: Layers, time_ns: Array) -> Array:
    """(S,) mean of v² from each vertical time to the next, m²/ns²."""
    if len(layers.top_m) == 1:
        return np.full(len(time_ns) - 1, layers.velocity_m_per_ns[0] ** 2)
    border = np.append(vertical_times_ns(layers.top_m, layers), np.inf)
    inside = np.clip(time_ns[:, None], border[:-1], border[1:]) - border[:-1]
    return np.asarray(np.diff(inside @ layers.velocity_m_per_ns**2) / np.diff(time_ns), np.float64)


def phase_shift_image(
    amplitude: npt.ArrayLike, section: Section, ground: float | Layers, *, pad_m: float | None = None
) -> Traces:
    """Migrate a line through layers; see `phase_shift_operator`.

    Parameters
    ----------
    amplitude : (T, S) samples, the first one at time zero.
    section, ground, pad_m : as in `phase_shift_operator`.

    Returns
    -------
    (T, S) float32, in vertical two-way time.

    Raises
    ------
    InputError : as `phase_shift_operator`, or samples that are not finite.

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=200.0)
    >>> flat = np.tile(np.exp(-(0.5 * (np.arange(64) - 30)) ** 2), (60, 1))
    >>> int(phase_shift_image(flat, section, Layers([0.0, 0.5], [0.1, 0.08]))[30].argmax())
    30
    """
    values = check_traces(amplitude)
    operator = phase_shift_operator(section, (len(values), values.shape[1]), ground, pad_m=pad_m)
    return np.asarray(operator.adjoint(values), np.float32)


def migrate_phase_shift(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    velocity_m_per_ns: Annotated[float | None, Field(gt=0, le=0.2998)] = None,
    ground: Literal["mean", "below the line"] = "mean",
    pad_m: Annotated[float | None, Field(ge=0, le=1_000)] = None,
    taper_m: Annotated[float, Field(ge=0, le=100)] = 0.0,
) -> Traces:
    """Collapse diffractions and move dipping reflections to where they come from, the wave carried down step by step.

    The antennas are taken to lie on one another (zero offset) and the line to be straight with even spacing. With one
    velocity it gives what Stolt's migration gives, more slowly and in double precision inside; its worth is in layers.
    Time stays time: the result is a section in vertical two-way time.

    Parameters
    ----------
    amplitude : (T, S) samples, the first one at time zero.
    section : sampling, trace spacing and velocity.
    velocity_m_per_ns : wave velocity, m/ns; left out, that of the ground as estimated for the visit.
    ground : "mean" takes one velocity for the visit; "below the line" takes the layers below it, averaged along it.
    pad_m : silent ground put beyond the line's end, so that events that leave on one side do not come back on the
        other, m; left out, the farthest that an event can move.
    taper_m : length over which both ends of the line are faded in, m; 0 keeps every amplitude.

    Returns
    -------
    (T, S) float32. A single trace holds no dip, and comes back as it is.

    Raises
    ------
    InputError : no velocity, one above that of light, a ground that is not known below the line, no trace spacing, or
        samples that are not finite.

    References
    ----------
    Gazdag 1978, Geophysics 43:1342–1351.

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=200.0, velocity_m_per_ns=0.1)
    >>> flat = np.tile(np.sin(0.4 * np.arange(64)) ** 3, (40, 1))
    >>> bool(abs(migrate_phase_shift(flat, section)[20, :8] - flat[20, :8]).max() < 0.05)
    True
    """
    values = check_traces(amplitude)
    speed = line_velocity(section, velocity_m_per_ns)
    n_trace, n_time = values.shape
    if n_trace == 1 or n_time == 1:
        return values.copy()
    taper = check_in_range(taper_m, "taper_m", 0.0, 100.0)
    layers = layers_below(section) if ground == "below the line" else speed
    operator = phase_shift_operator(section, (n_trace, n_time), layers, pad_m=pad_m, threads="one")
    if taper > 0:
        values = values * end_taper(n_trace, taper / section.spacing_m)[:, None]
    return np.asarray(operator.adjoint(values), np.float32)
