"""The tables that choose a kernel for diffraction sums, and what each kernel is given."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_velocity
from yewline.errors import InputError
from yewline.signal.migration import kirchhoff_kernels, ray_kernels, table_kernels
from yewline.signal.migration.eikonal import eikonal_times
from yewline.signal.migration.geometry import Antennas
from yewline.signal.migration.kirchhoff_kernels import CLEAR_M
from yewline.signal.migration.kirchhoff_options import ImagePlaces, KirchhoffOptions, Recording
from yewline.signal.migration.layers import Array, Layers, VelocitySection
from yewline.signal.migration.rays import leg_times
from yewline.signal.migration.shaping import UPPER_EDGE, Shaping, finer_samples, make_shaping

__all__ = ["EVEN", "KINDS", "STRAIGHT", "Plan", "Sums", "choose_sums", "make_plan"]

Real = npt.NDArray[Any]
KINDS: Final = {"none": 0, "2d": 1, "2.5d": 2, "3d": 3}

STRAIGHT: Final = {
    "one": (kirchhoff_kernels.gather, kirchhoff_kernels.scatter),
    "all": (kirchhoff_kernels.gather_parallel, kirchhoff_kernels.scatter_parallel),
}
EVEN: Final = {
    "one": (table_kernels.gather_even, table_kernels.scatter_even),
    "all": (table_kernels.gather_even_parallel, table_kernels.scatter_even_parallel),
}
_FRONTS_HELD = 32
"""Swept fronts held at a time: memory is this many images, whatever the number of traces."""
_MOST_OFFSETS = 4096


@dataclass(frozen=True, eq=False)
class Plan:
    """All that a sum needs besides samples."""

    antennas: Antennas
    places: ImagePlaces
    ground: float | Layers | VelocitySection
    options: KirchhoffOptions
    shaping: Shaping
    fine_ns: float
    steepest_ns: float

    @property
    def kind(self) -> int:
        """Number of the weights, as the kernels know them."""
        return KINDS[self.options.weights]

    @property
    def ends(self) -> Array:
        """(T, 7) both antennas' places and the share."""
        pair = self.antennas
        return np.column_stack([pair.transmitter_m, pair.receiver_m, pair.share])

    def rule(self, velocity: float, scale: float) -> Array:
        """What `kirchhoff_kernels` calls the rule; `scale` turns its times into fine samples."""
        copies = self.shaping.copies - 1
        a_ns = copies / self.steepest_ns if copies else 0.0
        step = self.antennas.step_m
        # Both legs together are twice as long as the way from their middle, or longer.
        heard = 0.5 * self.fastest * self.fine_ns * (self.shaping.length - self.shaping.room)
        return np.array([scale, 1 / velocity, self.options.tangent, self.options.reach_m, *step, a_ns, heard])

    @property
    def fastest(self) -> float:
        """Highest velocity anywhere, m/ns."""
        return self.ground if isinstance(self.ground, float) else float(self.ground.velocity_m_per_ns.max())


@dataclass(frozen=True, eq=False)
class Sums:
    """A sum and its transpose: `gather(copies, image)` adds to the image, `scatter(copies, image)` to the copies."""

    name: str
    gather: Callable[[Real, Real], None]
    scatter: Callable[[Real, Real], None]


def make_plan(
    antennas: Antennas,
    places: ImagePlaces,
    ground: float | Layers | VelocitySection,
    recording: Recording,
    options: KirchhoffOptions,
) -> Plan:
    """Check what fits together, and how finely traces have to be sampled."""
    if isinstance(ground, Layers | VelocitySection):
        slowest = float(ground.velocity_m_per_ns.min())
    else:
        slowest = check_velocity(ground, "velocity_m_per_ns")
        ground = slowest
    finer = finer_samples(recording.interval_ns, recording.centre_mhz) if options.finer is None else options.finer
    # No operator is steeper than a wave along the surface at the lowest velocity, there and back.
    steepest = 2.0 * max(antennas.step_m) / slowest if options.antialias else 0.0
    shaping = make_shaping(
        recording.samples,
        recording.interval_ns,
        options.weights,
        finer,
        steepest_ns=steepest,
        highest_mhz=min(UPPER_EDGE * recording.centre_mhz, 500.0 / recording.interval_ns),
    )
    return Plan(antennas, places, ground, options, shaping, recording.interval_ns / finer, steepest)


def choose_sums(plan: Plan, *, table: bool = True) -> Sums:
    """The fastest kernel that can do what is asked; `table` False keeps from the table of offsets.

    Raises
    ------
    InputError : heights over layers, or a velocity section below anything but a line along x.
    """
    ground = plan.ground
    if isinstance(ground, VelocitySection):
        return _front_sums(plan, ground)
    columns = _column_of_trace(plan) if table else None
    if columns is not None:
        return _even_sums(plan, Layers(np.zeros(1), np.array([ground])) if isinstance(ground, float) else ground)
    if isinstance(ground, float):
        return _straight_sums(plan, ground)
    if len(ground.top_m) == 1:
        return _straight_sums(plan, float(ground.velocity_m_per_ns[0]))
    return _layer_sums(plan, ground)


def _flat(plan: Plan) -> bool:
    return bool((plan.antennas.transmitter_m[:, 2] == 0).all() and (plan.antennas.receiver_m[:, 2] == 0).all())


def _column_of_trace(plan: Plan) -> bool | None:
    """True where traces are even along x, over flat ground, and the image has a column at each; else None."""
    middle, column = plan.antennas.middle_m, plan.places.column_m
    n = len(middle)
    if n < 2 or column.shape[0] != n or not plan.places.even_depths or not _flat(plan):
        return None
    step = (middle[-1, 0] - middle[0, 0]) / (n - 1)
    even = middle[0, 0] + step * np.arange(n)
    near = 1e-3 * abs(step)
    apart = plan.antennas.receiver_m - plan.antennas.transmitter_m
    fits = (
        step > 0
        and np.abs(middle[:, 0] - even).max() <= near
        and np.abs(column[:, 0] - middle[:, 0]).max() <= near
        and np.abs(column[:, 1] - middle[:, 1]).max() <= near
        and np.ptp(middle[:, 1]) <= near
        and np.ptp(apart[:, 0]) <= near
        and np.abs(apart[:, 1]).max() <= near
    )
    return True if fits else None


def _straight_sums(plan: Plan, velocity: float) -> Sums:
    ends, rule = plan.ends, plan.rule(velocity, 1.0 / (velocity * plan.fine_ns))
    column = plan.places.column_m
    # Heights may be above the sea: single precision holds differences between them, not themselves.
    datum = ends[:, [2, 5]].mean()
    ends[:, [2, 5]] -= datum
    below = plan.places.depth_m - datum
    gather, scatter = STRAIGHT[plan.options.threads]

    def run(kernel: Callable[..., None]) -> Callable[[Real, Real], None]:
        def work(copies: Real, image: Real) -> None:
            kernel(plan.kind, copies, ends, column, below.astype(image.dtype), rule, image)

        return work

    return Sums("straight", run(gather), run(scatter))


def _layer_sums(plan: Plan, ground: Layers) -> Sums:
    if not _flat(plan) or not plan.places.even_depths:
        raise InputError(
            "flat layers need antennas at depth 0",
            received="heights that differ",
            do="give the velocity as a section, which holds heights too",
        )
    depth = plan.places.depth_m[0]
    ends = plan.ends
    middle, column = plan.antennas.middle_m[:, :2], plan.places.column_m
    low = np.minimum(middle.min(axis=0), column.min(axis=0))
    high = np.maximum(middle.max(axis=0), column.max(axis=0))
    apart = np.hypot(*(plan.antennas.receiver_m - plan.antennas.transmitter_m)[:, :2].T).max()
    widest = plan.options.tangent * max(float(depth.max()), 1e-9)
    farthest = min(float(np.hypot(*(high - low))), widest, plan.options.reach_m) + 0.5 * apart
    step = max(0.125 * max(plan.antennas.step_m), farthest / _MOST_OFFSETS, 1e-4)
    offset = step * np.arange(int(farthest / step) + 3)
    # Points at the antennas' own depth are left out by the kernel.
    legs = leg_times(offset, np.maximum(depth, 1e-6), ground)
    table = np.stack([legs.time_ns, legs.bend_along, legs.bend_across, legs.slope])
    rule = plan.rule(float(ground.velocity_m_per_ns[0]), 1.0 / plan.fine_ns)

    def gather(copies: Real, image: Real) -> None:
        ray_kernels.gather_layers(plan.kind, copies, ends, column, depth, rule, table, step, image)

    def scatter(copies: Real, image: Real) -> None:
        ray_kernels.scatter_layers(plan.kind, copies, ends, column, depth, rule, table, step, image)

    return Sums("layers", gather, scatter)


def _front_sums(plan: Plan, ground: VelocitySection) -> Sums:
    if len(plan.places.shape) != 2 or np.abs(plan.antennas.middle_m[:, 1]).max() > 0 or plan.options.weights == "3d":
        raise InputError(
            "a velocity section is for one line along x, with weights for a line",
            received=f"an image of shape {plan.places.shape}, weights {plan.options.weights}",
            do="give layers for parallel lines",
        )
    # The fronts hold times, so that slowness is in them already.
    rule, ends = plan.rule(1.0, 1.0 / plan.fine_ns), plan.ends
    column, depth = plan.places.column_m, plan.places.depth_m
    ground = ground.reaching(float(ends[:, [0, 3]].min()), float(ends[:, [0, 3]].max()))

    def batches() -> Iterator[tuple[slice, Array, npt.NDArray[np.int64]]]:
        size = max(1, _FRONTS_HELD // 2)
        for start in range(0, len(ends), size):
            part = slice(start, min(start + size, len(ends)))
            sources = np.concatenate([ends[part, 0:3:2], ends[part, 3:6:2]])
            distinct, which = np.unique(sources.round(9), axis=0, return_inverse=True)
            fronts = eikonal_times(distinct, ground)
            at_points = np.empty((len(distinct), *depth.shape))
            ray_kernels.sample_fronts(fronts, column, depth, ground.x0_m, ground.z0_m, ground.spacing_m, at_points)
            yield part, at_points, which.reshape(2, -1).T.copy()

    def run(kernel: Callable[..., None]) -> Callable[[Real, Real], None]:
        def work(copies: Real, image: Real) -> None:
            for part, fronts, which in batches():
                kernel(plan.kind, copies[:, part], ends[part], column, depth, rule, fronts, which, image)

        return work

    return Sums("fronts", run(ray_kernels.gather_fronts), run(ray_kernels.scatter_fronts))


def _even_sums(plan: Plan, ground: Layers) -> Sums:
    sample, copy, low, high, reach = _even_table(plan, ground)
    gather, scatter = EVEN[plan.options.threads]

    def forward(copies: Real, image: Real) -> None:
        rows = np.ascontiguousarray(copies.transpose(0, 2, 1))
        upright = np.zeros(image.shape[::-1], image.dtype)
        weights = low.astype(image.dtype), high.astype(image.dtype)
        gather(rows, sample, copy, *weights, reach, upright)
        image += upright.T

    def back(copies: Real, image: Real) -> None:
        rows = np.zeros((copies.shape[0], copies.shape[2], copies.shape[1]), copies.dtype)
        weights = low.astype(image.dtype), high.astype(image.dtype)
        scatter(rows, sample, copy, *weights, reach, np.ascontiguousarray(image.T))
        copies += rows.transpose(0, 2, 1)

    return Sums("even", forward, back)


def _even_table(plan: Plan, ground: Layers) -> tuple[Any, Any, Array, Array, npt.NDArray[np.int64]]:
    """(Z, K) first of two samples, copy, weights of both, and (Z,) how many offsets count."""
    antennas, depth, options = plan.antennas, plan.places.depth_m[0], plan.options
    n, step = len(antennas.share), antennas.step_m[0]
    half = 0.5 * float(np.abs(antennas.receiver_m - antennas.transmitter_m)[0, 0])
    last_ns = (plan.shaping.length - plan.shaping.room) * plan.fine_ns
    by_time = 0.5 * last_ns * float(ground.velocity_m_per_ns.max()) + half
    widest = min(options.tangent * max(float(depth.max()), 0.0), options.reach_m, by_time)
    away: Array = step * np.arange(min(n, int(widest / step) + 2), dtype=np.float64)
    used = depth > CLEAR_M
    size = np.zeros((len(away), len(depth)))
    time, move = np.full_like(size, 2.0 * last_ns), np.zeros_like(size)
    if used.any():
        one = leg_times(away - half, depth[used], ground)
        other = leg_times(away + half, depth[used], ground) if half > 0 else one
        sign = np.sign(away - half)[:, None]
        time[:, used] = one.time_ns + other.time_ns
        move[:, used] = step * np.abs(sign * one.slope + other.slope)
        bend = one.bend_along + other.bend_along
        across = one.bend_across + other.bend_across
        v0 = float(ground.velocity_m_per_ns[0])
        size[:, used] = {
            "none": lambda: np.ones_like(bend),
            "2d": lambda: step * np.sqrt(bend / (2 * np.pi)),
            "2.5d": lambda: step * np.sqrt(bend / (2 * np.pi)) * (1 / one.bend_across + 1 / other.bend_across) / v0,
            "3d": lambda: step / (2 * np.pi) * np.sqrt(bend * across),
        }[options.weights]()
    with np.errstate(divide="ignore"):
        ratio = np.where(used, away[:, None] / np.where(used, depth, 1.0) / options.tangent, np.inf)
    size *= _fade(ratio) * _fade(away / options.reach_m)[:, None]
    end = plan.shaping.length - plan.shaping.room
    fine = np.minimum(time / plan.fine_ns, end)
    sample = fine.astype(np.int64)
    size[sample >= end] = 0.0
    part = fine - sample
    copies = plan.shaping.copies - 1
    copy = np.minimum((move * copies / plan.steepest_ns + 0.5).astype(np.int64), copies) if copies else 0 * sample
    live = size > 0
    reach = np.where(live.any(axis=0), len(away) - np.argmax(live[::-1], axis=0), 0)
    tables = (sample.T, copy.T, (size * (1 - part)).T, (size * part).T)
    return *(np.ascontiguousarray(t) for t in tables), reach.astype(np.int64)  # type: ignore[return-value]


def _fade(ratio: Array) -> Array:
    """One up to four fifths of the aperture, nothing at its end."""
    part = np.clip(5.0 * (ratio - 0.8), 0.0, 1.0)
    return np.asarray(np.where(ratio < 1.0, 1.0 - part * part * (3.0 - 2.0 * part), 0.0), np.float64)
