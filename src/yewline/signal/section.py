"""What a processing step may know of the radargram it works on, besides its samples."""

from __future__ import annotations

from dataclasses import dataclass

from yewline._check import check_finite, check_in_range, check_positive, check_velocity
from yewline.errors import InputError

__all__ = ["Section"]


@dataclass(frozen=True, slots=True)
class Section:
    """Sampling, antenna and ground of one radargram.

    Attributes
    ----------
    interval_ns : sample interval, ns.
    spacing_m : distance between neighbouring traces, m; 0 where there is one trace only.
    centre_mhz : centre frequency of the antenna, MHz.
    separation_m : distance between transmitter and receiver, m.
    velocity_m_per_ns : wave velocity in the ground, m/ns, where a step needs it.
    absorption_db_per_ns : loss of amplitude with two-way time that is left after geometrical spreading, dB/ns.

    Raises
    ------
    InputError : a value is out of range; a velocity above that of light.

    Examples
    --------
    >>> Section(interval_ns=0.2, spacing_m=0.05, centre_mhz=400.0).period_ns
    2.5
    """

    interval_ns: float
    spacing_m: float
    centre_mhz: float
    separation_m: float = 0.0
    velocity_m_per_ns: float | None = None
    absorption_db_per_ns: float | None = None

    def __post_init__(self) -> None:
        check_positive(self.interval_ns, "interval_ns")
        check_positive(self.centre_mhz, "centre_mhz")
        check_in_range(self.spacing_m, "spacing_m", 0.0, 1_000.0)
        check_in_range(self.separation_m, "separation_m", 0.0, 100.0)
        if self.velocity_m_per_ns is not None:
            check_velocity(self.velocity_m_per_ns, "velocity_m_per_ns")
        if (
            self.absorption_db_per_ns is not None
            and check_finite(self.absorption_db_per_ns, "absorption_db_per_ns") < 0
        ):
            raise InputError("absorption_db_per_ns must not be negative", received=self.absorption_db_per_ns)

    @property
    def period_ns(self) -> float:
        """One period of the centre frequency, ns."""
        return 1_000.0 / self.centre_mhz

    @property
    def nyquist_mhz(self) -> float:
        """Highest frequency that the sample interval can hold, MHz."""
        return 500.0 / self.interval_ns
