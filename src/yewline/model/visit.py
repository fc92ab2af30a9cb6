"""`visit.toml` and `lines.csv`: one day's survey."""

from __future__ import annotations

import datetime as dt
from typing import Literal

from pydantic import Field, field_validator, model_validator

from yewline.model.conditions import Conditions
from yewline.model.reading_settings import ReadingSettings
from yewline.model.settings import Settings
from yewline.units import C_M_PER_NS

__all__ = [
    "Antenna",
    "LineCorrection",
    "LineSegment",
    "RecordingSettings",
    "Soil",
    "VelocitySettings",
    "VelocitySource",
    "VisitSettings",
]


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
    coordinates: Literal["lines", "headers", "tracks"] = Field(
        default="lines", description="positions from lines.csv, the files' trace headers, or the tables in tracks/"
    )
    latency_s: float = Field(default=0.0, ge=-10, le=10, description="positions logged now were true so long ago")
    clock_sigma_s: float = Field(default=0.0, ge=0, le=60, description="1 sd of the agreement of the two clocks")


class Soil(Settings):
    """The soil as far as it is known; all optional.

    `sand`, `clay` and `organic` are shares of the dry mass. `site_fit` is the intercept, slope and standard deviation
    (m³/m³) of a line θ = a + b√ε that was fitted to samples of this site.
    """

    texture: str = Field(default="", description="texture class, such as sandy loam, or any text")
    model: (
        Literal[
            "topp",
            "topp-reynolds",
            "ledieu",
            "malicki",
            "malicki-porosity",
            "roth",
            "roth-organic",
            "schaap",
            "mixing",
            "texture",
            "site-fit",
        ]
        | None
    ) = Field(default=None, description="relation of water and permittivity, if not chosen from the soil")
    sand: float | None = Field(default=None, description="share of the dry mass, 0 to 1")
    clay: float | None = Field(default=None, description="share of the dry mass, 0 to 1")
    organic: float | None = Field(default=None, description="organic matter, share of the dry mass, 0 to 1")
    bulk_g_per_cm3: float | None = Field(default=None, description="dry bulk density")
    porosity: float | None = Field(default=None, description="share of pores, m³/m³")
    water_ms_per_m: float | None = Field(default=None, gt=0, le=10_000, description="of the pore water at 25 °C")
    temperature_c: float | None = Field(default=None, ge=0, le=40, description="of the ground; frost: see conditions")
    site_fit: tuple[float, float, float] | None = None
    velocity_m_per_ns: float | None = Field(default=None, gt=0, description="used where a visit has no readings")
    velocity_sigma_m_per_ns: float | None = Field(default=None, gt=0, lt=0.15)

    @field_validator("sand", "clay", "organic", "porosity")
    @classmethod
    def _is_a_share(cls, value: float | None) -> float | None:
        if value is not None and not 0 <= value <= 1:
            raise ValueError("a share from 0 to 1: 40 % is 0.40")
        return value

    @field_validator("bulk_g_per_cm3")
    @classmethod
    def _is_a_density(cls, value: float | None) -> float | None:
        if value is not None and not 0.1 <= value <= 2.4:
            raise ValueError("the dry bulk density of soil lies between 0.1 and 2.4 g/cm³: 1400 kg/m³ is 1.4")
        return value

    @model_validator(mode="after")
    def _fits_together(self) -> Soil:
        if (self.sand is None) != (self.clay is None):
            raise ValueError("sand and clay belong together: give both or neither")
        if self.sand is not None and self.clay is not None and self.sand + self.clay > 1 + 1e-9:
            raise ValueError("sand and clay must not exceed 1 together")
        if self.site_fit is not None and (self.site_fit[1] <= 0 or not 0 < self.site_fit[2] < 0.2):
            raise ValueError(
                "site_fit is intercept, slope and standard deviation, these two above 0, the last below 0.2 m³/m³"
            )
        if self.model == "site-fit" and self.site_fit is None:
            raise ValueError("model 'site-fit' needs site_fit, three numbers")
        return self

    @field_validator("velocity_m_per_ns")
    @classmethod
    def _below_light(cls, value: float | None) -> float | None:
        if value is not None and value > C_M_PER_NS:
            raise ValueError(f"a velocity above that of light in vacuum, {C_M_PER_NS:.4f} m/ns")
        return value


class LineCorrection(Settings):
    """One `[[corrections]]` of `visit.toml`: what a person accepts of what the lines say of one another.

    "swapped": the recordings of two lines were exchanged; "reversed": lines were walked the other way round;
    "left-out": lines are not used; "zigzag": traces were put `offset_m` too far ahead along the direction of walking,
    growing by `slope_m_per_m` along `axis` from `middle_m` on, known to `sigma_m` (1 sd). Names may hold * and ?.
    """

    kind: Literal["swapped", "reversed", "left-out", "zigzag"]
    lines: tuple[str, ...] = Field(min_length=1)
    offset_m: float | None = Field(default=None, ge=-5, le=5)
    slope_m_per_m: float = Field(default=0.0, ge=-0.1, le=0.1)
    middle_m: float = 0.0
    axis: tuple[float, float] | None = Field(default=None, description="unit vector along the lines, site frame")
    sigma_m: float = Field(default=0.0, ge=0, le=5)
    reason: str = ""

    @model_validator(mode="after")
    def _fits_its_kind(self) -> LineCorrection:
        if self.kind == "swapped" and (len(self.lines) != 2 or self.lines[0] == self.lines[1]):
            raise ValueError("'swapped' needs the names of two lines")
        if self.kind == "zigzag" and self.offset_m is None:
            raise ValueError("'zigzag' needs offset_m, as `yewline check` prints it")
        if self.kind != "zigzag" and (self.offset_m is not None or self.slope_m_per_m or self.axis is not None):
            raise ValueError(f"'{self.kind}' has no offset, slope or axis")
        if self.slope_m_per_m and self.axis is None:
            raise ValueError("a slope needs the axis that it grows along, and middle_m")
        if self.axis is not None and abs(self.axis[0] ** 2 + self.axis[1] ** 2 - 1) > 0.01:
            raise ValueError("axis must be a unit vector, such as [0.0, 1.0]")
        return self


VelocitySource = Literal["moisture", "hyperbolas", "focus", "gathers", "people", "known depths"]


class VelocitySettings(Settings):
    """`[velocity]`: which sources depths rest on; each can be switched off by leaving it out.

    Known depths of burials are left out unless asked for: they are the truth that hotspots are scored with, and a visit
    that is to be scored must not have seen it.
    """

    use: tuple[VelocitySource, ...] = ("moisture", "hyperbolas", "focus", "gathers", "people")

    @field_validator("use")
    @classmethod
    def _one_at_least(cls, use: tuple[VelocitySource, ...]) -> tuple[VelocitySource, ...]:
        if not use:
            raise ValueError("name one source at least, such as moisture or hyperbolas")
        return tuple(dict.fromkeys(use))


class VisitSettings(Settings):
    """All of `visit.toml`."""

    date: dt.date
    antenna: Antenna
    recording: RecordingSettings = RecordingSettings()
    soil: Soil = Soil()
    readings: ReadingSettings = ReadingSettings()
    velocity: VelocitySettings = VelocitySettings()
    conditions: Conditions = Conditions()
    corrections: tuple[LineCorrection, ...] = Field(default=(), description="accepted by a person")
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
