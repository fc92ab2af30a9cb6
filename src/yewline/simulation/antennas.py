"""Generic antenna pairs from 100 to 900 MHz: how far apart, how finely sampled, how much they ring.

The figures are common practice, no source: round values between which ground-coupled pairs of each class lie. They
belong to no maker and no model; replace them by those of the pair in use wherever these are known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from yewline._check import check_in_range, check_positive
from yewline.errors import InputError
from yewline.simulation.electronics import Ringing
from yewline.simulation.instrument import Instrument
from yewline.simulation.pulse import Pulse, PulseKind

__all__ = ["ANTENNAS", "LOADING", "AntennaPair", "Pulse", "antenna", "antenna_pair", "antenna_pulse", "antenna_ringing"]

LOADING: Final = 0.8
"""Centre in the ground over the nominal one: soil close under the antennas lowers it by about a fifth."""
_QUIET_PERIODS: Final = 2.0
"""Periods of the nominal centre before the wave leaves: the whole rise of the pulse lies in the record."""


@dataclass(frozen=True, slots=True)
class AntennaPair:
    """One generic pair (common practice, no source).

    Attributes
    ----------
    nominal_mhz : centre of what it radiates in air, the figure it goes by.
    separation_m : between the middles of transmitter and receiver.
    interval_ns : usual sample interval.
    window_ns : usual time window, in soil that lets it see as deep as it can be of use.
    height_m : of the antennas above the ground, for the skid or wheels under them.
    spacing_m : usual distance between traces.
    aperture_m : how far to the side a point scatterer is heard.
    ringing : strength of its ringing, as a share of the direct wave's largest swing.
    """

    nominal_mhz: float
    separation_m: float
    interval_ns: float
    window_ns: float
    height_m: float
    spacing_m: float
    aperture_m: float
    ringing: float

    @property
    def ringing_ns(self) -> float:
        """Period of its ringing: longer than that of its nominal centre by a quarter, for the ground's load."""
        return 1.25e3 / self.nominal_mhz

    @property
    def ringing_decay_ns(self) -> float:
        """Time in which its ringing falls to 1/e: some three periods."""
        return 3.6e3 / self.nominal_mhz


ANTENNAS: Final[tuple[AntennaPair, ...]] = (
    AntennaPair(100.0, 1.00, 1.00, 200.0, 0.05, 0.200, 4.0, 0.010),
    AntennaPair(200.0, 0.50, 0.50, 120.0, 0.04, 0.100, 3.0, 0.008),
    AntennaPair(270.0, 0.30, 0.40, 90.0, 0.03, 0.050, 2.2, 0.006),
    AntennaPair(400.0, 0.16, 0.25, 60.0, 0.02, 0.050, 1.5, 0.004),
    AntennaPair(500.0, 0.15, 0.20, 50.0, 0.02, 0.040, 1.3, 0.004),
    AntennaPair(700.0, 0.12, 0.15, 40.0, 0.015, 0.025, 1.0, 0.004),
    AntennaPair(900.0, 0.08, 0.10, 25.0, 0.010, 0.020, 0.8, 0.004),
)


def antenna_pair(nominal_mhz: float) -> AntennaPair:
    """The generic pair of a nominal centre frequency.

    Raises
    ------
    InputError : there is none of that frequency.

    Examples
    --------
    >>> antenna_pair(400).separation_m
    0.16
    """
    wanted = check_positive(nominal_mhz, "nominal_mhz")
    for pair in ANTENNAS:
        if math.isclose(pair.nominal_mhz, wanted):
            return pair
    known = ", ".join(f"{pair.nominal_mhz:g}" for pair in ANTENNAS)
    raise InputError(
        "there is no generic antenna pair of this frequency",
        received=f"{wanted:g} MHz",
        do=f"choose one of {known} MHz, or describe your own as an Instrument",
    )


def antenna(
    centre_mhz: float,
    *,
    window_ns: float | None = None,
    interval_ns: float | None = None,
    separation_m: float | None = None,
    height_m: float | None = None,
    loading: float = LOADING,
) -> Instrument:
    """A generic antenna pair as an instrument, ready to record.

    Parameters
    ----------
    centre_mhz : nominal centre frequency, one of those in `ANTENNAS`.
    window_ns, interval_ns, separation_m, height_m : in place of the usual ones.
    loading : centre in the ground over the nominal one, 0.3 to 1; lower in wet soil. 1 for antennas held in air.

    Returns
    -------
    Instrument, its `centre_mhz` that radiated into the ground.

    Raises
    ------
    InputError : no such pair, or a value that cannot be.

    Examples
    --------
    >>> pair = antenna(400, window_ns=50.0)
    >>> pair.centre_mhz, pair.samples, pair.zero_ns
    (320.0, 200, 5.0)
    """
    pair = antenna_pair(centre_mhz)
    share = check_in_range(loading, "loading", 0.3, 1.0)
    window = pair.window_ns if window_ns is None else check_positive(window_ns, "window_ns")
    step = pair.interval_ns if interval_ns is None else check_positive(interval_ns, "interval_ns")
    zero = _QUIET_PERIODS * 1e3 / pair.nominal_mhz / share * LOADING
    if window <= zero:
        raise InputError(
            "the window ends before the wave leaves",
            received=f"{window:g} ns, and {zero:g} ns before time zero",
            do=f"record {2 * zero:.3g} ns or more",
        )
    return Instrument(
        centre_mhz=share * pair.nominal_mhz,
        separation_m=pair.separation_m if separation_m is None else separation_m,
        interval_ns=step,
        samples=max(1, round(window / step)),
        zero_ns=zero,
        height_m=pair.height_m if height_m is None else height_m,
        aperture_m=pair.aperture_m,
    )


def antenna_ringing(centre_mhz: float) -> Ringing:
    """The typical ringing of a generic pair, as a layer to lay over a clean line.

    Examples
    --------
    >>> antenna_ringing(400).period_ns
    3.125
    """
    pair = antenna_pair(centre_mhz)
    return Ringing(strength=pair.ringing, period_ns=pair.ringing_ns, decay_ns=pair.ringing_decay_ns)


def antenna_pulse(instrument: Instrument, *, kind: PulseKind = "ricker") -> Pulse:
    """The pulse that an instrument radiates into the ground, its band inside what the samples can hold.

    Raises
    ------
    InputError : at −40 dB the band reaches beyond the Nyquist frequency of the record; or `kind` is "recorded", which
        needs samples: make such a `Pulse` yourself.

    Examples
    --------
    >>> antenna_pulse(antenna(400)).peak_mhz
    320.0
    """
    pulse = Pulse(kind, instrument.centre_mhz)
    top, nyquist = pulse.band_mhz()[1], 500.0 / instrument.interval_ns
    if top > nyquist:
        raise InputError(
            "the samples cannot hold the pulse's band",
            received=f"{top:.0f} MHz at −40 dB, and samples for {nyquist:.0f} MHz",
            do=f"sample every {500.0 / top:.2g} ns or more finely",
        )
    return pulse
