"""Velocity of one visit by several ways: what each source says, whether they agree, and the hyperbolas behind it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

from scipy.stats import t as student

from yewline.ground import SourceCheck
from yewline.model import Finding
from yewline.signal.velocity import HyperbolaFit, VelocityComparison, VelocityEstimate

__all__ = [
    "LEVEL",
    "Fate",
    "RecordedVelocities",
    "SeenHyperbola",
    "SourceVelocity",
    "VelocityJoin",
    "VisitVelocities",
    "velocities_summary",
]

LEVEL: Final = 0.95
"""Of the intervals."""

Fate = Literal["used", "outlier", "air", "unusable"]


@dataclass(frozen=True, slots=True)
class SourceVelocity:
    """What one source says of a visit's velocity.

    Attributes
    ----------
    kind : "joined", "moisture", "moisture at depth", "declared",
        "hyperbolas", "focus", "gather", "ground wave", "known depths" or "people".
    estimate : value, standard deviation, depths, cautions.
    shared_sigma_m_per_ns : the part of that standard deviation which the sources that rest on hyperbolas have in common
        (the size of the objects, time zero); it does not shrink by taking their mean.
    compared : whether it stands for the same ground as the others, so that it counts in their comparison.
    note : in a clause, what it rests on.
    """

    kind: str
    estimate: VelocityEstimate
    shared_sigma_m_per_ns: float = 0.0
    compared: bool = True
    note: str = ""

    @property
    def interval(self) -> tuple[float, float]:
        """Interval at `LEVEL`, m/ns, by Student's t at the estimate's degrees of freedom."""
        dof = math.inf if self.estimate.dof is None else max(self.estimate.dof, 1.0)
        half = float(student.ppf(0.5 + 0.5 * LEVEL, dof)) * self.estimate.sigma_m_per_ns
        return self.estimate.v_m_per_ns - half, self.estimate.v_m_per_ns + half

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON values."""
        about = self.estimate.to_dict()
        if about["dof"] is not None and not math.isfinite(about["dof"]):
            about["dof"] = None
        return {
            "kind": self.kind,
            "estimate": about,
            "shared_sigma_m_per_ns": self.shared_sigma_m_per_ns,
            "compared": self.compared,
            "note": self.note,
        }

    @classmethod
    def from_dict(cls, held: Mapping[str, Any]) -> SourceVelocity:
        """What `to_dict` wrote."""
        about = dict(held["estimate"])
        about["depth_to_m"] = math.inf if about["depth_to_m"] is None else about["depth_to_m"]
        return cls(**{**held, "estimate": VelocityEstimate(**{**about, "cautions": tuple(about["cautions"])})})


@dataclass(frozen=True, slots=True)
class SeenHyperbola:
    """A hyperbola that was found, and what became of it: "used", "outlier", "air" or "unusable"."""

    fit: HyperbolaFit
    fate: Fate


@dataclass(frozen=True, slots=True)
class RecordedVelocities:
    """What a visit's recordings alone say of its velocity: the product of a stage.

    Attributes
    ----------
    sources : from hyperbolas, focus and gathers.
    hyperbolas : all that were found, waves through the air and outliers among them.
    refused : how many candidates were not taken, by reason.
    lines : how many lines were searched.
    findings : what was noticed.
    """

    sources: tuple[SourceVelocity, ...] = ()
    hyperbolas: tuple[SeenHyperbola, ...] = ()
    refused: Mapping[str, int] | None = None
    lines: int = 0
    findings: tuple[Finding, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON values."""
        return {
            "sources": [source.to_dict() for source in self.sources],
            "hyperbolas": [{"fate": seen.fate, "fit": seen.fit.to_dict()} for seen in self.hyperbolas],
            "refused": dict(sorted((self.refused or {}).items())),
            "lines": self.lines,
            "findings": [finding.as_dict() for finding in self.findings],
        }

    @classmethod
    def from_dict(cls, held: Mapping[str, Any]) -> RecordedVelocities:
        """What `to_dict` wrote."""
        return cls(
            tuple(SourceVelocity.from_dict(source) for source in held["sources"]),
            tuple(SeenHyperbola(HyperbolaFit.from_dict(seen["fit"]), seen["fate"]) for seen in held["hyperbolas"]),
            dict(held["refused"]),
            int(held["lines"]),
            tuple(Finding(**finding) for finding in held["findings"]),
        )


@dataclass(frozen=True, slots=True)
class VelocityJoin:
    """How the sources that depths rest on were joined.

    Attributes
    ----------
    checks : of each source, what it says alone and how far it lies off what the others say.
    widened : factor of the errors that sources share, more than 1 where they contradict.
    left_out_rms : root mean square by which hyperbolas lie off what all other values say, relative; NaN without.
    left_out_inside : share of them within the 90 % interval that was expected of them; NaN without.
    radar_vwc : moisture and its standard deviation taken back from the recordings' velocity alone, m³/m³; None where
        they do not tell it. It is no check of the depths, which rest on the same recordings.
    relation : of moisture and velocity, by name.
    """

    checks: tuple[SourceCheck, ...]
    widened: float
    left_out_rms: float = math.nan
    left_out_inside: float = math.nan
    radar_vwc: tuple[float, float] | None = None
    relation: str = ""

    def check(self, source: SourceVelocity) -> SourceCheck | None:
        """How a source was checked against the others; None where depths do not rest on it."""
        name = f"{source.kind} {source.estimate.label}".rstrip()
        return next((check for check in self.checks if check.source == name), None)


@dataclass(frozen=True, slots=True)
class VisitVelocities:
    """A visit's velocity by several ways.

    Attributes
    ----------
    used : place in `sources` of the one that depths rest on; None where its error is not known.
    sources : all, the used one first.
    comparison : of those that stand for the same ground; None where there is but one.
    hyperbolas : all that were found on the visit's lines.
    people : hyperbolas laid by people, that could be used.
    lines : how many lines were searched.
    join : how those in use were joined.
    """

    used: int | None
    sources: tuple[SourceVelocity, ...]
    comparison: VelocityComparison | None
    hyperbolas: tuple[SeenHyperbola, ...] = ()
    people: tuple[HyperbolaFit, ...] = ()
    lines: int = 0
    join: VelocityJoin | None = None

    @property
    def disagree(self) -> bool:
        """Whether the sources differ by more than their errors explain."""
        return self.comparison is not None and "disagreement" in self.comparison.mean.cautions

    def count(self, fate: Fate) -> int:
        """How many hyperbolas came to this."""
        return sum(seen.fate == fate for seen in self.hyperbolas)


def velocities_summary(held: VisitVelocities | None) -> dict[str, Any]:
    """The figures as ``yewline run --json`` prints them."""
    comparison = None if held is None else held.comparison
    figures: dict[str, Any] = {
        "mean": None if comparison is None else comparison.mean.v_m_per_ns,
        "sd": None if comparison is None else comparison.mean.sigma_m_per_ns,
        "chi2": None if comparison is None else comparison.chi2,
        "dof": None if comparison is None else comparison.dof,
        "p": None if comparison is None else comparison.p,
        "pairs": []
        if comparison is None
        else [
            {"first": pair.first, "second": pair.second, "difference": pair.difference_m_per_ns, "p": pair.p}
            for pair in comparison.pairs
        ],
        "sources": [] if held is None else [_source_summary(held, i) for i in range(len(held.sources))],
        "hyperbolas": {
            fate: 0 if held is None else held.count(fate)
            for fate in ("used", "outlier", "air", "unusable")  # every fate, in the order of the page
        },
        "joined": _join_summary(VelocityJoin((), 1.0) if held is None or held.join is None else held.join),
    }
    return figures if comparison is not None else {**figures, "why": "there is but one source of velocity"}


def _join_summary(join: VelocityJoin) -> dict[str, Any]:
    known = join.radar_vwc or (math.nan, math.nan)
    return {
        "widened": join.widened,
        "sources": [
            {
                "source": check.source,
                "n": check.n,
                "mean": check.v_m_per_ns,
                "sd": check.sigma_m_per_ns,
                "shift": _known(check.shift),
                "shift_sd": _known(check.shift_sigma),
                "p": _known(check.p),
            }
            for check in join.checks
        ],
        "left_out_rms": _known(join.left_out_rms),
        "left_out_inside": _known(join.left_out_inside),
        "radar_vwc": _known(known[0]),
        "radar_vwc_sd": _known(known[1]),
    }


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _source_summary(held: VisitVelocities, i: int) -> dict[str, Any]:
    source = held.sources[i]
    about = source.estimate
    low, high = source.interval
    return {
        "source": source.kind,
        "label": about.label,
        "mean": about.v_m_per_ns,
        "sd": about.sigma_m_per_ns,
        "low": low,
        "high": high,
        "n": about.n,
        "depth_from_m": about.depth_from_m,
        "depth_to_m": about.depth_to_m if math.isfinite(about.depth_to_m) else None,
        "used": held.used == i,
        "compared": source.compared,
        "cautions": list(about.cautions),
    }
