"""`site.toml`: the site, its target model, its primary choices and who decides on release."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, field_validator, model_validator

from yewline.model.frame import Frame, Grid
from yewline.model.settings import Settings

__all__ = ["PrimaryChoice", "Release", "SiteSettings", "TargetModel", "TargetSize", "VolumeSettings"]


class TargetSize(Settings):
    """Length and width of one kind of grave cut, in metres."""

    length_m: float = Field(gt=0, le=6)
    width_m: float = Field(gt=0, le=4)


class TargetModel(Settings):
    """What is expected: sizes, depth and direction of grave cuts. Defaults: planning ranges, from memory."""

    adult: TargetSize = TargetSize(length_m=2.1, width_m=0.75)
    child: TargetSize = TargetSize(length_m=1.2, width_m=0.5)
    depth_m: tuple[float, float] = (0.5, 1.5)
    azimuth_deg: float | None = None
    azimuth_spread_deg: float = Field(default=20.0, ge=0, le=90)

    @field_validator("depth_m")
    @classmethod
    def _depths_in_order(cls, depth_m: tuple[float, float]) -> tuple[float, float]:
        if not 0 <= depth_m[0] < depth_m[1] <= 10:
            raise ValueError("depth_m must be [top, base] in metres, the top first and the base at most 10")
        return depth_m


class PrimaryChoice(Settings):
    """The choices fixed before looking: slice, outlining rule, threshold, tolerance."""

    slice_m: tuple[float, float] | None = Field(default=None, description="top and base of the slice, m")
    rule: Literal["noise", "equal-area"] = "noise"
    threshold: float = Field(default=3.0, gt=0, description="strength above the median, in units of the noise")
    area_share: float = Field(default=0.08, gt=0, lt=0.5, description="share of the area outlined (equal-area)")
    minimum_area_m2: float | None = Field(default=None, gt=0)
    tolerance_m: float | None = Field(default=None, gt=0, description="else from the error budget")
    draws: int = Field(default=9_999, ge=99, le=1_000_000)
    seed: int = Field(default=20_250, ge=0)

    @field_validator("slice_m")
    @classmethod
    def _slice_in_order(cls, slice_m: tuple[float, float] | None) -> tuple[float, float] | None:
        if slice_m is not None and not 0 <= slice_m[0] < slice_m[1]:
            raise ValueError("slice_m must be [top, base] in metres, the top first")
        return slice_m


class Release(Settings):
    """Who decides what leaves the machine."""

    decided_by: str = ""
    contact: str = ""
    note: str = ""


class VolumeSettings(Settings):
    """`[volume]`: how lines become one block of ground."""

    balance: tuple[Literal["lines", "directions"], ...] = Field(
        default=(), description="what is brought to one level: lines beside one another (stripes), crossed directions"
    )
    interpolation: Literal["gaussian", "linear", "inverse_distance", "natural_neighbour", "fk"] = "gaussian"
    attributes: tuple[Literal["energy", "quietness", "similarity", "truncation"], ...] = Field(
        default=(), description="further volumes, stored beside that of strength and mapped at the primary slice"
    )


class SiteSettings(Settings):
    """All of `site.toml`."""

    name: str = Field(min_length=1)
    about: str = ""
    frame: Frame = Frame()
    grids: tuple[Grid, ...] = ()
    target: TargetModel = TargetModel()
    primary: PrimaryChoice = PrimaryChoice()
    release: Release = Release()
    cautions: tuple[str, ...] = ()
    recipe: str | None = Field(default=None, min_length=1, description="built-in recipe; a recipe.toml goes before it")
    position_sigma_m: float = Field(default=0.10, ge=0, le=5, description="of a radar trace, 1 sd, per axis")
    cell_m: float | None = Field(default=None, gt=0.01, le=2, description="cell of the volume; else half the spacing")
    depth_step_m: float = Field(default=0.025, gt=0.002, le=0.5)
    depth_max_m: float | None = Field(default=None, gt=0.1, le=20)
    volume: VolumeSettings = VolumeSettings()

    @model_validator(mode="after")
    def _grid_names_differ(self) -> SiteSettings:
        names = [grid.name for grid in self.grids]
        if len(set(names)) != len(names):
            raise ValueError("two grids have the same name")
        return self

    def grid(self, name: str) -> Grid | None:
        """The grid called `name`; the empty name is the site's own frame; None if there is no such grid."""
        if not name:
            return Grid(name="")
        return next((grid for grid in self.grids if grid.name == name), None)
