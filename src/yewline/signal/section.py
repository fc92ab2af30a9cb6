"""What a processing step may know of the radargram it works on, besides its samples."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_finite, check_in_range, check_positive, check_velocity
from yewline.errors import InputError

__all__ = ["Below", "Beside", "Section"]

Along = npt.NDArray[np.float64]
"""(T,) one value for each trace."""
Below = Callable[[Along, Along], tuple[Along, Along]]
"""Of places x, y (n,): depths (Z,) and the velocity at each of them below each place (Z, n), m/ns."""


@dataclass(frozen=True, eq=False, slots=True)
class Beside:
    """A line that runs beside another: its samples at the same stage of processing, and where its traces lie.

    Attributes
    ----------
    amplitude : (T', S') samples, time zero first, sampled as the line beside it is.
    x_m, y_m : (T',) site metres.
    """

    amplitude: npt.NDArray[np.float32]
    x_m: Along
    y_m: Along


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
    q_star : the site's fitted quality factor of the part of its absorption that grows with frequency, a plain number.
    distance_m : (T,) of each trace along the line, m, where a step needs it.
    elevation_m : (T,) height of the ground at each trace, m, where it is known.
    x_m, y_m : (T,) site metres of each trace, where they are known.
    below : gives the velocity at depth below any place, where it varies.
    beside : gives the parallel lines on both sides, read when they are asked for.
    line_spacing_m : usual distance between neighbouring lines, m.

    Raises
    ------
    InputError : a value is out of range; a velocity above that of light; an array that is not finite, or of another
        length than the others.

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
    q_star: float | None = None
    distance_m: Along | None = field(default=None, compare=False)
    elevation_m: Along | None = field(default=None, compare=False)
    x_m: Along | None = field(default=None, compare=False)
    y_m: Along | None = field(default=None, compare=False)
    below: Below | None = field(default=None, compare=False, repr=False)
    beside: Callable[[], Sequence[Beside]] | None = field(default=None, compare=False, repr=False)
    line_spacing_m: float | None = None

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
        for name in ("q_star", "line_spacing_m"):
            if getattr(self, name) is not None:
                check_positive(getattr(self, name), name)
        self._keep_arrays()

    def _keep_arrays(self) -> None:
        lengths = {}
        for name in ("distance_m", "elevation_m", "x_m", "y_m"):
            given = getattr(self, name)
            if given is None:
                continue
            values = check_array(given, name, ndim=1).copy()
            values.setflags(write=False)
            object.__setattr__(self, name, values)
            lengths[name] = len(values)
        if len(set(lengths.values())) > 1:
            raise InputError("what is known of each trace must be of one length", received=lengths)

    @property
    def period_ns(self) -> float:
        """One period of the centre frequency, ns."""
        return 1_000.0 / self.centre_mhz

    @property
    def nyquist_mhz(self) -> float:
        """Highest frequency that the sample interval can hold, MHz."""
        return 500.0 / self.interval_ns
