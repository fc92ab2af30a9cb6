"""`[readings]` of `visit.toml`: how moisture was read, and what may be made of it."""

from __future__ import annotations

from typing import Any, Final, Literal

from pydantic import Field, field_validator, model_validator

from yewline.model.settings import Settings

__all__ = ["SENSOR_SIGMA_VWC", "ReadingSettings"]

SENSOR_SIGMA_VWC: Final[dict[str, float]] = {"": 0.03, "tdr": 0.015, "impedance": 0.03, "capacitance": 0.03}
"""1 sd of one reading by class of sensor as it comes from its maker, m³/m³ (values from memory: ± 0.01 to 0.02 by time
of travel along rods with Topp's relation, ± 0.03 by capacitance or impedance; less where calibrated on site)."""


class ReadingSettings(Settings):
    """How the moisture readings were taken, how their file is laid out, and which corrections are asked for."""

    sensor: str = ""
    sensor_class: Literal["", "tdr", "impedance", "capacitance"] = Field(
        default="", description="sets sigma_vwc where that is not stated, and what is warned of"
    )
    sensor_mhz: float | None = Field(default=None, gt=0.01, lt=10_000, description="frequency that the sensor works at")
    sigma_vwc: float = Field(
        default_factory=lambda given: SENSOR_SIGMA_VWC[given.get("sensor_class", "")],
        gt=0,
        lt=0.2,
        description="1 sd of one reading, m³/m³",
    )
    support_depth_m: float = Field(default=0.12, gt=0, le=3, description="the reading stands for 0 to this depth")
    depth_m: float | None = Field(default=None, ge=0, le=5, description="which of several depths is mapped")
    sheet: tuple[str, ...] = Field(default=(), description="sheets of a workbook that are read: a name, or several")
    unit: Literal["", "vwc", "vwc_percent", "g_per_g", "g_per_g_percent", "permittivity", "reading"] = Field(
        default="", description="of a matrix whose corner cell does not say it"
    )
    matrix_rows: Literal["y", "x"] = Field(default="y", description="what the first column of a matrix holds")
    exclude_rows: tuple[int, ...] = Field(default=(), description="rows of the file that are not used")
    relation: Literal["topp", "topp-exact", "ledieu", "soil"] = Field(
        default="topp", description="water content from a column permittivity; soil: by the relation of [soil]"
    )
    drift: tuple[Literal["elevation", "x", "y"], ...] = Field(
        default=(), description="what the mean of the map follows: levelled heights, or the site's axes"
    )
    gain: float | None = Field(default=None, description="vwc = gain × reading + offset_vwc, m³/m³ per unit as written")
    offset_vwc: float = Field(default=0.0, ge=-2, le=2)
    calibrate_root: bool = Field(default=False, description="calibration.csv is fitted in the root: for permittivity")
    bulk_g_per_cm3: float | None = Field(default=None, gt=0.1, lt=2.6, description="dry bulk density of the soil")
    porosity: float | None = Field(default=None, gt=0, lt=1, description="no reading can hold more water than that")
    correct_temperature: bool = Field(default=False, description="to calibrated_at_c, by the permittivity of water")
    calibrated_at_c: float = Field(default=20.0, ge=0, le=40)
    vwc_per_ms_per_m: float | None = Field(
        default=None, ge=-0.01, le=0.01, description="slope of a salinity correction"
    )
    calibrated_at_ms_per_m: float = Field(default=0.0, ge=0, le=1000, description="conductivity without a correction")
    most_hours_apart: float = Field(
        default=3.0, gt=0, le=48, description="between readings and radar, before a warning"
    )

    @field_validator("sheet", mode="before")
    @classmethod
    def _one_or_several(cls, value: Any) -> Any:
        return (value,) if isinstance(value, str) and value else value or ()

    @model_validator(mode="after")
    def _gain_before_offset(self) -> ReadingSettings:
        if self.gain is None and self.offset_vwc:
            raise ValueError("offset_vwc needs the gain that it belongs to; gain = 1.0 where readings are in m³/m³")
        if self.gain == 0:
            raise ValueError("a gain of zero makes all readings alike")
        return self

    @property
    def sigma_stated(self) -> bool:
        """Whether `sigma_vwc` was written down, or follows from the class of the sensor."""
        return "sigma_vwc" in self.model_fields_set
