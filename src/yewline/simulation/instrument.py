"""A pair of antennas and how it samples: the same for the first-order and the full-wave model."""

from __future__ import annotations

from dataclasses import dataclass

from yewline._check import check_in_range, check_positive
from yewline.errors import InputError

__all__ = ["Instrument"]


@dataclass(frozen=True, slots=True)
class Instrument:
    """A pair of antennas on the ground and how it samples.

    Attributes
    ----------
    centre_mhz : peak of the spectrum radiated into the ground, MHz.
    separation_m : between transmitter and receiver, along the line, m.
    interval_ns, samples : of a trace.
    zero_ns : time on the record at which the wave leaves the transmitter.
    height_m : of both antennas above the ground, m.
    aperture_m : scatterers farther off than this, seen from above, are not heard.
    pattern_power : each leg's amplitude is weighted with the cosine from the vertical to this power.
    air, ground : strength of the two direct waves; 1 is that of an isotropic source.
    """

    centre_mhz: float = 400.0
    separation_m: float = 0.16
    interval_ns: float = 0.25
    samples: int = 256
    zero_ns: float = 5.0
    height_m: float = 0.0
    aperture_m: float = 1.5
    pattern_power: int = 1
    air: float = 1.0
    ground: float = 0.6

    def __post_init__(self) -> None:
        for name in ("centre_mhz", "interval_ns", "aperture_m"):
            check_positive(getattr(self, name), name)
        check_in_range(self.separation_m, "separation_m", 0.0, 10.0)
        check_in_range(self.zero_ns, "zero_ns", 0.0, 1e4)
        check_in_range(self.pattern_power, "pattern_power", 0, 8)
        if self.height_m < 0:
            raise InputError(
                "the antenna is underground",
                received=f"height {self.height_m:g} m",
                do="give a height of 0 or more above the ground",
            )
        if self.samples < 8:
            raise InputError("a trace needs 8 samples or more", received=self.samples)
        if self.centre_mhz * self.interval_ns > 250.0:
            raise InputError(
                "the sample interval is too coarse for the centre frequency",
                received=f"{self.interval_ns:g} ns at {self.centre_mhz:g} MHz",
                do=f"use {250.0 / self.centre_mhz:.3g} ns or less (four samples a period)",
            )
