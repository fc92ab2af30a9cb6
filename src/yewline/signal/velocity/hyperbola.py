"""One fitted hyperbola, found by search or drawn by a person: where, how deep in time, how fast, and how sure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt
from scipy.stats import t as student

from yewline._check import check_choice, check_finite, check_in_range, check_positive
from yewline.errors import InputError
from yewline.signal.velocity.diffraction import diffraction_times
from yewline.units import C_M_PER_NS

__all__ = ["AIR_FROM_M_PER_NS", "SLOWEST_M_PER_NS", "HyperbolaFit", "VelocityKind", "velocity_kind"]

F64 = npt.NDArray[np.float64]
VelocityKind = Literal["ground", "air", "impossible"]

SLOWEST_M_PER_NS: Final = 0.033
"""Velocity in fresh water (permittivity near 81), the slowest that ground can have; common practice, no source."""
AIR_FROM_M_PER_NS: Final = 0.24
"""From here on a hyperbola is taken for a wave through the air (permittivity below 1.6, which no soil has)."""


def velocity_kind(v_m_per_ns: float, sigma_m_per_ns: float = 0.0) -> VelocityKind:
    """What a velocity can belong to: "ground", "air" (the air-wave trap), or "impossible".

    A fit of an air wave scatters about the velocity of light, so up to 3 standard deviations above it are "air".

    Examples
    --------
    >>> velocity_kind(0.1), velocity_kind(0.295), velocity_kind(0.31, 0.01), velocity_kind(0.02)
    ('ground', 'air', 'air', 'impossible')
    """
    v = check_positive(v_m_per_ns, "v_m_per_ns")
    if v < SLOWEST_M_PER_NS or v > C_M_PER_NS + 3.0 * max(sigma_m_per_ns, 0.0):
        return "impossible"
    return "air" if v >= AIR_FROM_M_PER_NS else "ground"


@dataclass(frozen=True, slots=True)
class HyperbolaFit:
    """A hyperbola on a line; plain numbers and tuples, so that it goes into a journal and comes back the same.

    Attributes
    ----------
    x_m : place of the apex along the line, m.
    t0_ns : two-way time straight down to the object's top, 2·depth/v, ns; the apex is seen at `apex_ns`.
    v_m_per_ns : wave velocity, m/ns, with separation, radius and crossing taken into account.
    covariance : of x, t0, v and, where it was fitted, radius; row by row. Empty where nothing is known of it.
    dof : degrees of freedom behind the covariance; infinite (as None) where a person stated it.
    separation_m, radius_m, crossing_deg : as in `diffraction_times`.
    radius_fitted : whether the radius was fitted too.
    picks_x_m, picks_ns, picks_weight : (n,) what it was fitted to, and how much each pick counted (0 to 1).
    rms_ns : root mean square of the residuals.
    correlation : of neighbouring picks' errors.
    n_effective : independent picks that the picks are worth.
    semblance : coherence along the curve, 0 to 1; None where not measured.
    expected_false : hyperbolas as good as this that noise would give on its line; None where not measured.
    by : "search" or "person".
    line : name of the line, given by the caller.
    cautions : what to mind, as short codes: see `fit_hyperbola`.

    Raises
    ------
    InputError : values that are not finite or out of range, or a covariance of the wrong shape.

    Examples
    --------
    >>> fit = HyperbolaFit(x_m=4.0, t0_ns=20.0, v_m_per_ns=0.1, by="person")
    >>> fit.depth_m, HyperbolaFit.from_dict(fit.to_dict()) == fit
    (1.0, True)
    """

    x_m: float
    t0_ns: float
    v_m_per_ns: float
    covariance: tuple[tuple[float, ...], ...] = ()
    dof: float | None = None
    separation_m: float = 0.0
    radius_m: float = 0.0
    crossing_deg: float = 90.0
    radius_fitted: bool = False
    picks_x_m: tuple[float, ...] = ()
    picks_ns: tuple[float, ...] = ()
    picks_weight: tuple[float, ...] = ()
    rms_ns: float | None = None
    correlation: float | None = None
    n_effective: float | None = None
    semblance: float | None = None
    expected_false: float | None = None
    by: Literal["search", "person"] = "search"
    line: str = ""
    cautions: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        check_finite(self.x_m, "x_m")
        check_positive(self.t0_ns, "t0_ns")
        # Fits of air waves scatter above the velocity of light; they are named by `kind`, not hidden.
        check_in_range(self.v_m_per_ns, "v_m_per_ns", 1e-3, 10.0)
        check_in_range(self.separation_m, "separation_m", 0.0, 100.0)
        check_in_range(self.radius_m, "radius_m", 0.0, 100.0)
        check_in_range(self.crossing_deg, "crossing_deg", 1e-3, 90.0)
        check_choice(self.by, "by", ("search", "person"))
        for name in ("covariance", "picks_x_m", "picks_ns", "picks_weight", "cautions"):
            object.__setattr__(self, name, _tuples(getattr(self, name)))
        if len({len(self.picks_x_m), len(self.picks_ns), len(self.picks_weight)}) > 1:
            raise InputError(
                "each pick has a place, a time and a weight",
                received=f"{len(self.picks_x_m)}, {len(self.picks_ns)} and {len(self.picks_weight)}",
            )
        if self.covariance:
            self._check_covariance()

    def _check_covariance(self) -> None:
        size = 4 if self.radius_fitted else 3
        if len(self.covariance) != size or any(len(row) != size for row in self.covariance):
            raise InputError(
                f"covariance must have {size} rows of {size}", received=[len(row) for row in self.covariance]
            )
        matrix = np.array(self.covariance)
        if not np.isfinite(matrix).all() or (np.diag(matrix) < 0).any():
            raise InputError("covariance holds values that cannot be", received=self.covariance)

    @property
    def depth_m(self) -> float:
        """Depth of the object's top, m."""
        return 0.5 * self.v_m_per_ns * self.t0_ns

    @property
    def sigma_x_m(self) -> float:
        """Standard deviation of the apex's place, m; NaN where unknown."""
        return self._sigma(0)

    @property
    def sigma_t0_ns(self) -> float:
        """Standard deviation of the time straight down, ns; NaN where unknown."""
        return self._sigma(1)

    @property
    def sigma_v_m_per_ns(self) -> float:
        """Standard deviation of the velocity, m/ns; NaN where unknown."""
        return self._sigma(2)

    @property
    def sigma_depth_m(self) -> float:
        """Standard deviation of the depth, m, its time and velocity taken together; NaN where unknown."""
        if not self.covariance:
            return math.nan
        slope = np.array([0.5 * self.v_m_per_ns, 0.5 * self.t0_ns])
        part = np.array(self.covariance)[1:3, 1:3]
        return math.sqrt(max(float(slope @ part @ slope), 0.0))

    @property
    def apex_ns(self) -> float:
        """Time at which the apex is seen: later than `t0_ns`, for the antennas are apart."""
        return float(self.times([self.x_m])[0])

    @property
    def kind(self) -> VelocityKind:
        """What the velocity can belong to: see `velocity_kind`."""
        sigma = self.sigma_v_m_per_ns
        return velocity_kind(self.v_m_per_ns, 0.0 if math.isnan(sigma) else sigma)

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Two-sided interval of the velocity, m/ns, by Student's t at the fit's degrees of freedom.

        Raises
        ------
        InputError : nothing is known of the covariance.
        """
        share = check_in_range(level, "level", 0.5, 0.999_999)
        if not self.covariance:
            raise InputError("this hyperbola has no covariance", do="fit it, or draw it with the error of reading")
        wide = float(student.ppf(0.5 + 0.5 * share, math.inf if self.dof is None else self.dof))
        return self.v_m_per_ns - wide * self.sigma_v_m_per_ns, self.v_m_per_ns + wide * self.sigma_v_m_per_ns

    def times(self, x_m: npt.ArrayLike) -> F64:
        """Arrival times of this hyperbola at places along the line (n,), ns."""
        # Velocities above that of light (fits of air waves) are drawn by scaling lengths, which changes no time.
        scale = min(1.0, C_M_PER_NS / self.v_m_per_ns)
        return diffraction_times(
            (np.asarray(x_m, float) - self.x_m) * scale,
            x0_m=0.0,
            depth_m=self.depth_m * scale,
            v_m_per_ns=self.v_m_per_ns * scale,
            separation_m=self.separation_m * scale,
            radius_m=self.radius_m * scale,
            crossing_deg=self.crossing_deg,
        )

    def with_caution(self, *codes: str) -> HyperbolaFit:
        """The same with more cautions; none twice."""
        return replace(self, cautions=tuple(dict.fromkeys((*self.cautions, *codes))))

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON values."""
        values = asdict(self)
        return {name: _lists(value) for name, value in values.items()}

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> HyperbolaFit:
        """The hyperbola that `to_dict` wrote.

        Raises
        ------
        InputError : a key that is not known or is missing, or values that cannot be.
        """
        known = {field.name for field in fields(cls)}
        if wrong := sorted(set(values) - known):
            raise InputError(
                "unknown key of a hyperbola", received=", ".join(wrong), do=f"use {', '.join(sorted(known))}"
            )
        if missing := sorted({"x_m", "t0_ns", "v_m_per_ns"} - set(values)):
            raise InputError("a hyperbola lacks a key", received=f"no {', '.join(missing)}")
        return cls(**values)

    def _sigma(self, which: int) -> float:
        return math.sqrt(self.covariance[which][which]) if self.covariance else math.nan


def _tuples(values: Any) -> Any:
    return tuple(_tuples(v) for v in values) if isinstance(values, list | tuple) else values


def _lists(values: Any) -> Any:
    return [_lists(v) for v in values] if isinstance(values, list | tuple) else values
