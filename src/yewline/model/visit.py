"""`visit.toml` and `lines.csv`: one day's survey."""

from __future__ import annotations

import datetime as dt
from typing import Literal

from pydantic import Field, field_validator

from yewline.model.settings import Settings
from yewline.units import C_M_PER_NS

__all__ = ["Antenna", "LineSegment", "ReadingSettings", "RecordingSettings", "Soil", "VisitSettings"]


class Antenna(Settings):
    """Centre frequency in air-launched specification, and distance between transmitter and receiver."""

    centre_mhz: float
    separation_m: float = Field(default=0.0, ge=0, le=10)

    @field_validator("centre_mhz")
    @classmethod
    def _in_megahertz(cls, centre_mhz: float) -> float:
        if not 5 < centre_mhz < 10_000:
            raise ValueError("centre_mhz must lie between 5 and 10 000: a 400 MHz antenna is 400, not 0.4")
        return centre_mhz


class RecordingSettings(Settings):
    """What the recorded files do not say of themselves."""

    interval_ns: float | None = Field(default=None, gt=0.0005, lt=50, description="sample interval, if files lack it")
    interval_unit: Literal["us", "ps"] | None = Field(
        default=None, description="what the integer interval field of SEG-Y files counts: us (standard) or ps"
    )
    coordinates: Literal["lines", "headers"] = Field(
        default="lines", description="positions from lines.csv, or from the files' trace headers"
    )


class Soil(Settings):
    """The soil as far as it is known; all optional."""

    texture: str = ""
    velocity_m_per_ns: float | None = Field(default=None, gt=0, description="used where a visit has no readings")
    velocity_sigma_m_per_ns: float | None = Field(default=None, gt=0, lt=0.15)

    @field_validator("velocity_m_per_ns")
    @classmethod
    def _below_light(cls, value: float | None) -> float | None:
        if value is not None and value > C_M_PER_NS:
            raise ValueError(f"a velocity above that of light in vacuum, {C_M_PER_NS:.4f} m/ns")
        return value


class ReadingSettings(Settings):
    """How the moisture readings were taken."""

    sensor: str = ""
    sigma_vwc: float = Field(default=0.03, gt=0, lt=0.2, description="1 sd of one reading, m³/m³")
    support_depth_m: float = Field(default=0.12, gt=0, le=3, description="the reading stands for 0 to this depth")


class VisitSettings(Settings):
    """All of `visit.toml`."""

    date: dt.date
    antenna: Antenna
    recording: RecordingSettings = RecordingSettings()
    soil: Soil = Soil()
    readings: ReadingSettings = ReadingSettings()
    weather: str = ""
    operator: str = ""
    notes: str = ""

    @field_validator("date", mode="before")
    @classmethod
    def _date_not_time(cls, value: object) -> object:
        return value.date() if isinstance(value, dt.datetime) else value


class LineSegment(Settings):
    """One row of `lines.csv`: a straight segment of a line, from (x0, y0) to (x1, y1) in its grid's metres.

    `first_trace` and `last_trace` count from 1 and include both ends; None means from the first, to the last.
    Segments of one line have the same `line` and follow one another.
    """

    line: str = Field(min_length=1)
    grid: str = ""
    file: str = Field(min_length=1)
    first_trace: int | None = Field(default=None, ge=1)
    last_trace: int | None = Field(default=None, ge=1)
    x0: float | None = None
    y0: float | None = None
    x1: float | None = None
    y1: float | None = None
    note: str = ""
    row: int = Field(default=0, description="row in lines.csv, for messages")
