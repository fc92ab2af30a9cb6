"""`[conditions]` of `visit.toml`: what else may differ between visits beside the moisture."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from yewline.model.settings import Settings

__all__ = ["Conditions", "YesNo"]


def _yes_or_no(value: object) -> object:
    """TOML's true and false, and any case of the words."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value.strip().lower() if isinstance(value, str) else value


YesNo = Annotated[Literal["yes", "no", "unknown"], BeforeValidator(_yes_or_no)]
"""Yes, no or unknown; true and false are taken, too."""


class Conditions(Settings):
    """What may differ between visits and be taken for an effect of moisture; unknown until stated."""

    frost: YesNo = Field(default="unknown", description="frost in the ground")
    irrigation: YesNo = Field(default="unknown", description="irrigated or watered in the days before")
    surface_water: YesNo = Field(default="unknown", description="water standing on the ground")
    ground_contact: YesNo = Field(default="unknown", description="antenna on the ground all along the lines")
    settings_same: YesNo = Field(default="unknown", description="instrument settings as on the other visits")
    grass_height_m: float | None = Field(default=None, ge=0, le=3, description="height of the vegetation walked over")
    vegetation: str = Field(default="unknown", description="kind of ground cover, such as mown grass")
    leaf_cover: str = Field(default="unknown", description="leaves on trees and ground, such as none or full")
    crew: str = Field(default="unknown", description="who walked, as initials or a team's name")
