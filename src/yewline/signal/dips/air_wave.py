"""An echo through the air: when it arrives, and what is known of one that was found."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline.units import C_M_PER_NS

__all__ = ["AirWave", "air_wave_time_ns"]

F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class AirWave:
    """The echo of one thing above the ground.

    Attributes
    ----------
    place_m, place_sigma_m : where along the line the antennas pass it most closely, and its standard deviation, m.
    apart_m, apart_sigma_m : how far off it then is, through the air, to whichever side or above, m.
    time_ns : two-way time of the straight way there and back, ns.
    late_ns : how much later the crest of the echo comes than by the straight way: what the pulse, time zero and the
        thing itself add, ns.
    amplitude : largest swing of the echo where it is nearest, in the units of the section.
    semblance : share of the energy along the hyperbola that the traces agree on, 0 to 1.
    support : the same kind of agreement in that quarter of the hyperbola which agrees least, −1 to 1.
    contrast : how much better the traces agree there than along any hyperbola of another velocity, or a skewed one, at
        the same place; below 1 where something from the ground is stronger there.
    expected_false : skewed hyperbolas, which are nothing, that the same line shows with as much support and
        semblance.
    traces : how many traces the search added up.
    """

    place_m: float
    place_sigma_m: float
    apart_m: float
    apart_sigma_m: float
    time_ns: float
    late_ns: float
    amplitude: float
    semblance: float
    support: float
    contrast: float
    expected_false: float
    traces: int


def air_wave_time_ns(along_m: npt.ArrayLike, apart_m: float | F64, separation_m: float = 0.0) -> F64:
    """Two-way time of an echo through the air, ns.

    Parameters
    ----------
    along_m : distance along the line from where the antennas pass the thing most closely to their middle, m.
    apart_m : distance of the thing from there, m.
    separation_m : between the antennas, one behind the other, m. Side by side makes a difference of less than
        separation²/(2·c·apart): 0.04 ns for 0.16 m at 1 m.

    Returns
    -------
    Of the shape to which the arguments broadcast, ns.

    Notes
    -----
    c·t = √((x − s/2)² + r²) + √((x + s/2)² + r²). Far out its dip is 2/c, 6.67 ns/m.

    Examples
    --------
    >>> air_wave_time_ns([0.0, 2.0], 1.5).round(2).tolist()
    [10.01, 16.68]
    """
    along, half = np.asarray(along_m, np.float64), 0.5 * separation_m
    time: F64 = (np.hypot(along - half, apart_m) + np.hypot(along + half, apart_m)) / C_M_PER_NS
    return time
