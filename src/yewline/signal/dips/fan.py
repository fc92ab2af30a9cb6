"""Dip filter: a fan of dips taken out of a section, or all but that."""

from __future__ import annotations

import math
from typing import Annotated, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field

from yewline._check import check_choice, check_finite, check_in_range, check_positive
from yewline.errors import InputError
from yewline.signal.dips.spectrum import need_spacing, weigh_plane_waves
from yewline.signal.scale import near_one
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces

__all__ = ["aliased_above_mhz", "default_steepest_ns_per_m", "dip_filter", "fan_weights"]

SLOWEST_GROUND_M_PER_NS = 0.05
"""Velocity in sodden clay, permittivity 36: hardly any ground is slower (common practice, no source)."""


def default_steepest_ns_per_m(section: Section) -> float:
    """Steepest dip in two-way time of any wave from the ground, 2/v, ns/m; at 0.05 m/ns where v is not known."""
    return 2.0 / (section.velocity_m_per_ns or SLOWEST_GROUND_M_PER_NS)


def aliased_above_mhz(dip_ns_per_m: float, section: Section) -> float:
    """Frequency above which an event of a dip is sampled too coarsely along the line to be told from others, MHz.

    Examples
    --------
    >>> aliased_above_mhz(20.0, Section(interval_ns=0.2, spacing_m=0.05, centre_mhz=400.0))
    500.0
    """
    dip = abs(check_finite(dip_ns_per_m, "dip_ns_per_m"))
    return math.inf if dip * section.spacing_m == 0 else 500.0 / (dip * section.spacing_m)


def dip_filter(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    action: Literal["remove", "keep"] = "remove",
    low_ns_per_m: Annotated[float | None, Field(ge=0, le=10_000)] = None,
    high_ns_per_m: Annotated[float | None, Field(gt=0, le=10_000)] = None,
    slowest_m_per_ns: Annotated[float | None, Field(gt=0, le=100)] = None,
    fastest_m_per_ns: Annotated[float | None, Field(gt=0, le=100)] = None,
    direction: Literal["both", "later", "earlier"] = "both",
    edge_share: Annotated[float, Field(gt=0, le=1)] = 0.2,
) -> Traces:
    """Take out the events whose dip lies in a fan, or all that do not.

    The fan is stated by dips, or by velocities: a wave at v has limbs of dip 2/v in two-way time, so 0.2998 m/ns is
    6.7 ns/m and 0.1 m/ns is 20 ns/m. Outside the fan and its edges amplitudes stay as they are. Diffractions hold all
    dips up to 2/v: a fan within that takes parts of them, the same parts on every line. Above the frequency at which
    its dip is aliased (see `aliased_above_mhz`) an event lies at another dip, and escapes.

    Parameters
    ----------
    amplitude : (T, S) samples at even spacing.
    section : sampling, trace spacing and, if known, velocity.
    action : take the fan out, or keep it and take out the rest.
    low_ns_per_m : lowest dip of the fan, ns/m; 0 is level. Left out, 0, or, where nothing is stated and the fan is
        removed, the steepest dip of any wave from the ground, 2/v (40 ns/m where v is not known).
    high_ns_per_m : highest dip of the fan, ns/m; left out, the fan has no upper limit, or, where nothing is stated and
        the fan is kept, it ends at the steepest dip of any wave from the ground.
    slowest_m_per_ns : in place of `high_ns_per_m`: the slowest velocity, m/ns, of which 2/v is the dip.
    fastest_m_per_ns : in place of `low_ns_per_m`: the fastest velocity, m/ns.
    direction : "later" for events that come later along the line, "earlier" for the others, or both.
    edge_share : width of the smooth edges outside the fan, as a share of the dip where it ends.

    Returns
    -------
    (T, S) float32. A single trace holds no dip, and comes back as it is.

    Raises
    ------
    InputError : no trace spacing, samples that are not finite, a limit stated twice, or a fan that is empty.

    Notes
    -----
    Y(k, f) = W(k/f)·U(k, f), with W one inside the fan, zero outside, and half a cosine between. Removal is the section
    less what would be kept, so that the two add up. Beyond its ends the section is continued by its mirror image. Near
    the ends of the line a fan of one direction works by half only.

    References
    ----------
    Yilmaz 2001, Seismic Data Analysis, section 6.2 (dip filtering; from memory).

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=200.0)
    >>> x, t = np.arange(80)[:, None] * 0.1, np.arange(160) * 0.5
    >>> level, dipping = (np.exp(-(((t - 40 - p * (x - 4)) / 2) ** 2)) for p in (0, 8))
    >>> kept = dip_filter(level + dipping, section, low_ns_per_m=4.0, high_ns_per_m=12.0)
    >>> bool(abs(kept[20] - level[0]).max() < 0.1)
    True
    """
    values = check_traces(amplitude)
    check_choice(action, "action", ("remove", "keep"))
    check_choice(direction, "direction", ("both", "later", "earlier"))
    edge = check_in_range(edge_share, "edge_share", 1e-6, 1.0)
    low = _limit(low_ns_per_m, fastest_m_per_ns, "low_ns_per_m", "fastest_m_per_ns")
    high = _limit(high_ns_per_m, slowest_m_per_ns, "high_ns_per_m", "slowest_m_per_ns")
    if low is None and high is None:
        low, high = (
            (default_steepest_ns_per_m(section), None)
            if action == "remove"
            else (None, default_steepest_ns_per_m(section))
        )
    low, high = low or 0.0, math.inf if high is None else high
    if not low < high:
        raise InputError(
            "the fan of dips is empty",
            received=f"{low:g} to {high:g} ns/m",
            do="the lowest dip must be below the highest; a fast wave has a low dip",
        )
    if len(values) == 1 or values.shape[1] == 1:
        return values.copy()
    need_spacing(section, "dips")
    unit, factor = near_one(values)
    fan = weigh_plane_waves(unit, section, lambda k, f: fan_weights(k, f, low, high, direction=direction, edge=edge))
    return (unit - fan if action == "remove" else fan) * factor


def fan_weights(
    wavenumber: npt.NDArray[np.float64],
    frequency: npt.NDArray[np.float64],
    low: float,
    high: float,
    *,
    direction: str = "both",
    edge: float = 0.2,
) -> npt.NDArray[np.float32]:
    """Weights of plane waves: one for dips from `low` to `high`, zero outside, half a cosine between.

    Parameters
    ----------
    wavenumber : (K, 1) cycles/m. frequency : (1, F) cycles/ns, not negative.
    low, high : dips, ns/m; `high` may be infinite.
    direction, edge : as for `dip_filter`.

    Examples
    --------
    >>> fan_weights(np.array([[0.0], [1.0], [2.0]]), np.array([[0.2]]), 0.0, 5.0).round(2)[:, 0].tolist()
    [1.0, 1.0, 0.0]
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        dip = (wavenumber / frequency).astype(np.float32)
    # What does not change at all, neither in time nor along the line, is level.
    dip[np.isnan(dip)] = 0.0
    size = np.abs(dip)
    weight = np.ones_like(size)
    if low > 0:
        weight *= _rise(size, low * (1.0 - edge), low)
    if high < math.inf:
        weight *= 1.0 - _rise(size, high, high * (1.0 + edge))
    if direction != "both":
        weight[dip < 0 if direction == "later" else dip > 0] = 0.0
    return weight


def _rise(size: npt.NDArray[np.float32], start: float, stop: float) -> npt.NDArray[np.float32]:
    weight = (size >= stop).astype(np.float32)
    between = (size > start) & (size < stop)
    weight[between] = 0.5 - 0.5 * np.cos(np.pi * (size[between] - start) / (stop - start))
    return weight


def _limit(dip: float | None, velocity: float | None, dip_name: str, velocity_name: str) -> float | None:
    if dip is not None and velocity is not None:
        raise InputError(
            f"{dip_name} and {velocity_name} state the same limit",
            received=f"{dip:g} ns/m and {velocity:g} m/ns",
            do="leave one of them out",
        )
    if velocity is not None:
        return 2.0 / check_positive(velocity, velocity_name)
    return None if dip is None else check_in_range(dip, dip_name, 0.0, 10_000.0)
