"""What goes wrong with where a line is walked, as layers: the odometer, the start, the zigzag, the line itself."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
import numpy.typing as npt

from yewline._check import check_in_range, check_positive
from yewline.errors import InputError
from yewline.simulation.layers import LayerTruth, LineSetting, PlaceLayer, check_count
from yewline.simulation.places import Places

__all__ = ["LineShift", "Odometer", "Slip", "StartOffset", "Zigzag"]

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Slip:
    """A stretch where the wheel turns less than it should.

    Attributes
    ----------
    at_m : where it begins, true distance from where the walk began.
    lost_m : distance that the wheel misses.
    over_m : distance over which it does; equal to `lost_m` the wheel stands still.
    """

    at_m: float
    lost_m: float
    over_m: float

    def __post_init__(self) -> None:
        check_in_range(self.at_m, "at_m", 0.0, 1e6)
        check_positive(self.lost_m, "lost_m")
        check_in_range(self.over_m, "over_m", self.lost_m, 1e6)


@dataclass(frozen=True, slots=True, kw_only=True)
class Odometer(PlaceLayer):
    """A measuring wheel that is wrong: the instrument records a trace whenever the wheel has turned far enough.

    Attributes
    ----------
    scale : distance that the wheel tells over the true one; 1.01 tells a hundredth too much.
    slips : where it slips or stands still, known places.
    random_slips, slip_m, slip_over_m : more slips at places drawn at random, each half to one and a half times
        `slip_m`.
    stops, stop_m : times that the wheel stands still, at random, and how far the antennas then go on.
    """

    kind: ClassVar[str] = "odometer"
    scale: float = 1.0
    slips: tuple[Slip, ...] = ()
    random_slips: int = 0
    slip_m: float = 0.1
    slip_over_m: float = 1.0
    stops: int = 0
    stop_m: float = 0.2

    def __post_init__(self) -> None:
        check_in_range(self.scale, "scale", 0.5, 2.0)
        check_count(self.random_slips, "random_slips")
        check_count(self.stops, "stops")
        check_positive(self.slip_m, "slip_m")
        check_in_range(self.slip_over_m, "slip_over_m", 1.5 * self.slip_m, 1e4)
        check_positive(self.stop_m, "stop_m")

    @property
    def rank(self) -> int:
        """First: it says how many traces there are."""
        return 1

    def apply(self, places: Places, setting: LineSetting, rng: np.random.Generator) -> tuple[Places, LayerTruth]:
        """The walk over the same ground with the traces that such a wheel sets off."""
        if len(places) < 2:
            raise InputError("an odometer needs a line of two traces or more", received=f"{len(places)} traces")
        step = float(places.said_m[1] - places.said_m[0])
        length = float(places.said_m[-1])
        slips = self._all_slips(length, rng)
        # A slip takes its share of the wheel's turning over its stretch; slips that overlap add up to a stand at most.
        knots = np.unique(np.concatenate([[0.0, length], *([s.at_m, s.at_m + s.over_m] for s in slips)]))
        knots = knots[knots <= length]
        middle = 0.5 * (knots[1:] + knots[:-1])
        missed = sum((_inside(middle, s) * s.lost_m / s.over_m for s in slips), np.zeros(len(middle)))
        told = np.concatenate([[0.0], np.cumsum(np.diff(knots) * np.maximum(1.0 - missed, 0.0))]) * self.scale
        said: Array = np.asarray(step * np.arange(int(np.floor(told[-1] / step + 1e-9)) + 1), np.float64)
        true = _first_reached(said, told, knots)
        moved = Places(
            said,
            np.interp(true, places.said_m, places.along_m),
            np.interp(true, places.said_m, places.across_m),
            places.back,
        )
        arrays = {
            "said_m": said,
            "true_m": true,
            "slip_at_m": np.array([s.at_m for s in slips]),
            "slip_lost_m": np.array([s.lost_m for s in slips]),
            "slip_over_m": np.array([s.over_m for s in slips]),
        }
        return moved, self.told(setting, values={"told_m": float(told[-1]), "walked_m": length}, arrays=arrays)

    def _all_slips(self, length: float, rng: np.random.Generator) -> list[Slip]:
        for slip in self.slips:
            if slip.at_m + slip.over_m > length:
                raise InputError(
                    "a slip lies beyond the line",
                    received=f"{slip.at_m:g} to {slip.at_m + slip.over_m:g} m on a line of {length:g} m",
                    do="place it within the line",
                )
        longest = max(self.slip_over_m if self.random_slips else 0.0, self.stop_m if self.stops else 0.0)
        if longest > length:
            raise InputError(
                "the line is shorter than a slip", received=f"{length:g} m, and slips of {longest:g} m", do="shorten it"
            )
        at = rng.uniform(0.0, 1.0, self.random_slips) * (length - self.slip_over_m)
        lost = self.slip_m * rng.uniform(0.5, 1.5, self.random_slips)
        stood = rng.uniform(0.0, 1.0, self.stops) * (length - self.stop_m)
        drawn = [Slip(float(a), float(m), self.slip_over_m) for a, m in zip(at, lost, strict=True)]
        still = [Slip(float(a), self.stop_m, self.stop_m) for a in stood]
        return sorted([*self.slips, *drawn, *still], key=lambda slip: slip.at_m)


@dataclass(frozen=True, slots=True, kw_only=True)
class StartOffset(PlaceLayer):
    """A line that begins elsewhere than noted, as a tape laid wrong: all of it is moved along itself.

    Attributes
    ----------
    offset_m : towards the planned line's end, whichever way it is walked.
    sd_m : standard deviation of what is added to it, drawn for each line.
    """

    kind: ClassVar[str] = "start-offset"
    offset_m: float = 0.0
    sd_m: float = 0.0

    def __post_init__(self) -> None:
        check_in_range(self.offset_m, "offset_m", -100.0, 100.0)
        check_in_range(self.sd_m, "sd_m", 0.0, 10.0)

    @property
    def rank(self) -> int:
        """After the odometer, whose reading it does not change."""
        return 2

    def apply(self, places: Places, setting: LineSetting, rng: np.random.Generator) -> tuple[Places, LayerTruth]:
        """The walk, moved along the line."""
        offset = self.offset_m + self.sd_m * float(rng.standard_normal())
        moved = replace(places, along_m=places.along_m + offset)
        return moved, self.told(setting, values={"offset_m": offset})


@dataclass(frozen=True, slots=True, kw_only=True)
class Zigzag(PlaceLayer):
    """Antennas that are ahead of what is noted, as seen when walking: lines there and back shift opposite ways.

    Attributes
    ----------
    lag_m : by which they are ahead, from latency or from a wheel that does not stand under them; negative is behind.
    """

    kind: ClassVar[str] = "zigzag"
    lag_m: float

    def __post_init__(self) -> None:
        check_in_range(self.lag_m, "lag_m", -10.0, 10.0)

    @property
    def rank(self) -> int:
        """After the start."""
        return 3

    def apply(self, places: Places, setting: LineSetting, rng: np.random.Generator) -> tuple[Places, LayerTruth]:
        """The walk, moved on in its own direction."""
        shift = places.heading * self.lag_m
        moved = replace(places, along_m=places.along_m + shift)
        return moved, self.told(setting, values={"shift_m": shift})


@dataclass(frozen=True, slots=True, kw_only=True)
class LineShift(PlaceLayer):
    """A line that lies beside where it is noted, and swings about it.

    Attributes
    ----------
    across_m : to the left of the planned line's direction.
    sd_m : standard deviation of what is added to it, drawn for each line.
    swing_m, swing_over_m : amplitude of a slow swing along the line, and its wavelength.
    """

    kind: ClassVar[str] = "line-shift"
    across_m: float = 0.0
    sd_m: float = 0.0
    swing_m: float = 0.0
    swing_over_m: float = 14.0

    def __post_init__(self) -> None:
        check_in_range(self.across_m, "across_m", -100.0, 100.0)
        check_in_range(self.sd_m, "sd_m", 0.0, 10.0)
        check_in_range(self.swing_m, "swing_m", 0.0, 10.0)
        check_positive(self.swing_over_m, "swing_over_m")

    @property
    def rank(self) -> int:
        """Last of the walk; nothing else moves across the line."""
        return 4

    def apply(self, places: Places, setting: LineSetting, rng: np.random.Generator) -> tuple[Places, LayerTruth]:
        """The walk, moved across the line."""
        shift = self.across_m + self.sd_m * float(rng.standard_normal())
        phase = float(rng.uniform(0.0, 2.0 * np.pi))
        across = shift + self.swing_m * np.sin(2.0 * np.pi * places.along_m / self.swing_over_m + phase)
        moved = replace(places, across_m=places.across_m + across)
        return moved, self.told(setting, values={"across_m": shift}, arrays={"across_m": across})


def _inside(at: Array, slip: Slip) -> Array:
    return ((at > slip.at_m) & (at < slip.at_m + slip.over_m)).astype(np.float64)


def _first_reached(wanted: Array, told: Array, knots: Array) -> Array:
    """True distance at which the wheel first tells each wanted one: where it stands still, before it does."""
    k = np.clip(np.searchsorted(told, wanted, side="left"), 1, len(told) - 1)
    rise = told[k] - told[k - 1]
    share = np.where(rise > 0, (wanted - told[k - 1]) / np.where(rise > 0, rise, 1.0), 0.0)
    return np.asarray(knots[k - 1] + np.clip(share, 0.0, 1.0) * (knots[k] - knots[k - 1]))
