"""The grid on which echoes through the air are looked for: places along the line, and distances apart."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline.signal.dips.air_wave import air_wave_time_ns
from yewline.signal.dips.kernels import stack_along
from yewline.signal.engines import COMPILED
from yewline.signal.section import Section
from yewline.signal.traces import Traces
from yewline.units import C_M_PER_NS

__all__ = ["SILENT_POWER", "AirGrid"]

F64 = npt.NDArray[np.float64]
F32 = npt.NDArray[np.float32]

STEPS_A_PERIOD: Final = 8
"""Of apex time; and, for the way through the air, of the apex along the line."""
BARRED_PERIODS: Final = 1.0
SILENT_POWER: Final = 0.05
"""Power, beside the one that samples are brought to, that is granted to silence."""


@dataclass(frozen=True, slots=True, eq=False)
class AirGrid:
    """Places along the line and distances apart at which a thing may stand.

    Attributes
    ----------
    section : sampling, spacing and antennas.
    samples : of a trace.
    apex : (A,) places, counted in traces.
    apart_m : (J,) distances apart, rising.
    reach : length of the limbs, in traces.
    fewest : traces that have to be met.
    """

    section: Section
    samples: int
    apex: npt.NDArray[np.int64]
    apart_m: F64
    reach: int
    fewest: int

    @classmethod
    def over(
        cls,
        section: Section,
        shape: tuple[int, int],
        limits_m: tuple[float, float | None],
        *,
        reach_m: float,
        beyond_m: float,
        fewest: int,
    ) -> AirGrid | None:
        """The grid for a section, or None where its record is too short for any echo."""
        n_trace, samples = shape
        step_m = 0.5 * C_M_PER_NS * max(section.interval_ns, section.period_ns / STEPS_A_PERIOD)
        longest = 0.5 * C_M_PER_NS * section.interval_ns * (samples - 2) - 0.5 * section.separation_m
        farthest = longest if limits_m[1] is None else min(limits_m[1], longest)
        if farthest <= limits_m[0]:
            return None
        apart = np.arange(limits_m[0], farthest, step_m)
        beyond = round(beyond_m / section.spacing_m)
        stride = max(1, int(C_M_PER_NS * section.period_ns / (1.5 * STEPS_A_PERIOD * section.spacing_m)))
        apex = np.arange(-beyond, n_trace + beyond, stride)
        return cls(section, samples, apex, apart, max(2, round(reach_m / section.spacing_m)), fewest)

    def score(
        self,
        level: Traces,
        *,
        velocity: float = 1.0,
        skew: float = 0.0,
        places: slice = slice(None),
        distances: slice = slice(None),
    ) -> tuple[F32, F32]:
        """Power of the sum along each hyperbola over the sum of powers, both over one period; and traces met.

        Parameters
        ----------
        level : (T, S) samples brought to one level.
        velocity : of the hyperbola, as a share of that of light. skew : dip added, as a share of 2/c.
        places, distances : part of the grid.

        Returns
        -------
        (A, J) twice.
        """
        whole, part, stop = self.tables(self.apart_m[distances], velocity, skew)
        total, square, count = stack_along(level, self.apex[places], -self.reach, whole, part, stop)
        half = max(1, round(0.5 * STEPS_A_PERIOD * min(1.0, self._step_share())))
        power: F32 = COMPILED.running_mean(total * total, half)
        powers: F32 = COMPILED.running_mean(square, half)
        # Samples brought to one level have a power near one: what has far less is silence.
        silence = np.float32(SILENT_POWER) * np.maximum(count, np.float32(1.0))
        score = (power / (powers + silence)).astype(np.float32, copy=False)
        score[count < self.fewest] = 0.0
        return score, count

    def best_other(
        self, level: Traces, a: int, j: int, velocities: tuple[float, ...], skews: tuple[float, ...]
    ) -> float:
        """Best score near an apex of hyperbolas of other velocities, and of skewed ones."""
        near = slice(max(0, a - 2), a + 3)
        # A period to either side, for the running mean over one to be whole in the middle.
        around = slice(max(0, j - STEPS_A_PERIOD), j + STEPS_A_PERIOD + 1)
        others = [{"velocity": v} for v in velocities] + [{"skew": s} for s in skews]
        return max(
            float(self.score(level, places=near, distances=around, **other)[0].max(initial=0.0)) for other in others
        )

    def place(self, a: int, j: int) -> tuple[float, float]:
        """Distance along the line and apart, m."""
        return float(self.apex[a]) * self.section.spacing_m, float(self.apart_m[j])

    def near(self, place: tuple[float, float]) -> npt.NDArray[np.bool_]:
        """(A, J) what lies so near to a place that it is the same echo."""
        along = (self.apex[:, None] * self.section.spacing_m - place[0]) / C_M_PER_NS
        apart = 2.0 * (self.apart_m - place[1]) / C_M_PER_NS
        mask: npt.NDArray[np.bool_] = np.hypot(along, apart) < BARRED_PERIODS * self.section.period_ns
        return mask

    def _step_share(self) -> float:
        """Step of apex time as it should be, over what it is: one, or less where samples are coarse."""
        return (
            self.section.period_ns
            / STEPS_A_PERIOD
            / max(self.section.interval_ns, self.section.period_ns / STEPS_A_PERIOD)
        )

    def tables(
        self, apart_m: F64, velocity: float, skew: float
    ) -> tuple[npt.NDArray[np.int32], F32, npt.NDArray[np.int32]]:
        """Sample and share of the next one at which each curve meets each trace; how many are inside the record."""
        along = self.section.spacing_m * np.arange(-self.reach, self.reach + 1)
        # The apex stays where it is in time: a slower wave from nearer by.
        time = air_wave_time_ns(along[:, None] / velocity, apart_m, self.section.separation_m)
        sample = (time + skew * 2.0 / C_M_PER_NS * along[:, None]) / self.section.interval_ns
        # A skewed curve may leave the record at its start as well: it is then taken as ended.
        inside = (sample >= 0) & (sample < self.samples - 1.000001)
        stop = np.where(inside.all(axis=1), len(apart_m), inside.argmin(axis=1)).astype(np.int32)
        whole = np.clip(np.floor(sample), 0, self.samples - 2)
        return whole.astype(np.int32), np.ascontiguousarray(sample - whole, np.float32), stop
