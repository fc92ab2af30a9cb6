"""The site's frame: local metres, how they are turned from north, and their tie to a projected system."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
from pydantic import Field, model_validator

from yewline.errors import FrameError
from yewline.model.settings import Settings

__all__ = ["ControlPoint", "Frame", "Grid", "Similarity"]

Array = npt.NDArray[np.float64]


class ControlPoint(Settings):
    """One point known in both frames: site metres (x, y) and projected metres (easting, northing)."""

    x: float
    y: float
    easting: float
    northing: float


class Similarity(Settings):
    """Shift, turn and scale from site metres to projected metres.

    ``easting = east + a·x − b·y``, ``northing = north + b·x + a·y``; the scale is √(a² + b²).
    """

    east: float
    north: float
    a: float
    b: float
    residual_m: float = 0.0

    def forward(self, xy: npt.ArrayLike) -> Array:
        """Site metres (n, 2) to projected metres (n, 2)."""
        p = np.asarray(xy, dtype=np.float64)
        return np.column_stack(
            [self.east + self.a * p[:, 0] - self.b * p[:, 1], self.north + self.b * p[:, 0] + self.a * p[:, 1]]
        )

    def inverse(self, en: npt.ArrayLike) -> Array:
        """Projected metres (n, 2) to site metres (n, 2)."""
        p = np.asarray(en, dtype=np.float64) - (self.east, self.north)
        s = self.a**2 + self.b**2
        return np.column_stack([(self.a * p[:, 0] + self.b * p[:, 1]) / s, (-self.b * p[:, 0] + self.a * p[:, 1]) / s])


class Grid(Settings):
    """A survey grid inside the site: its origin in site metres and its turn, anticlockwise, in degrees."""

    name: str
    origin: tuple[float, float] = (0.0, 0.0)
    rotation_deg: float = 0.0

    def to_site(self, xy: npt.ArrayLike) -> Array:
        """Grid metres (n, 2) to site metres (n, 2).

        Examples
        --------
        >>> Grid(name="B", origin=(10.0, 5.0), rotation_deg=90.0).to_site([[1.0, 0.0]]).round(6).tolist()
        [[10.0, 6.0]]
        """
        p = np.asarray(xy, dtype=np.float64)
        c, s = math.cos(math.radians(self.rotation_deg)), math.sin(math.radians(self.rotation_deg))
        return np.column_stack([self.origin[0] + c * p[:, 0] - s * p[:, 1], self.origin[1] + s * p[:, 0] + c * p[:, 1]])


class Frame(Settings):
    """How site metres lie on the earth.

    Without `epsg` the frame is local and only `north_deg` is known: the bearing of the site's +y axis,
    clockwise from north. With `epsg` and no control points, site metres are that system's own
    eastings and northings; with two or more control points they are tied to it by least squares.
    """

    north_deg: float = 0.0
    epsg: int | None = None
    control: tuple[ControlPoint, ...] = ()
    tolerance_m: float = Field(default=0.10, gt=0, description="largest control-point residual accepted")

    @model_validator(mode="after")
    def _control_needs_epsg(self) -> Frame:
        if self.control and self.epsg is None:
            raise ValueError("control points need an epsg code")
        if len(self.control) == 1:
            raise ValueError("one control point cannot fix a turn: give at least two")
        return self

    def to_projected(self) -> Similarity:
        """The tie from site metres to the projected system `epsg`.

        Raises
        ------
        FrameError : the frame is local, or the control points disagree by more than `tolerance_m`.

        Examples
        --------
        >>> frame = Frame(epsg=32633, control=[
        ...     {"x": 0, "y": 0, "easting": 500000, "northing": 100},
        ...     {"x": 0, "y": 10, "easting": 500010, "northing": 100}])
        >>> frame.to_projected().forward([[1.0, 2.0]]).round(6).tolist()
        [[500002.0, 99.0]]
        """
        if self.epsg is None:
            raise FrameError("the site's frame is local", do="give [frame] an epsg code and control points")
        if not self.control:
            return Similarity(east=0.0, north=0.0, a=1.0, b=0.0)
        rows: list[list[float]] = []
        target: list[float] = []
        for p in self.control:
            rows += [[1, 0, p.x, -p.y], [0, 1, p.y, p.x]]
            target += [p.easting, p.northing]
        solution: Any = np.linalg.lstsq(np.asarray(rows, float), np.asarray(target, float), rcond=None)[0]
        tie = Similarity(east=solution[0], north=solution[1], a=solution[2], b=solution[3])
        site = np.array([[p.x, p.y] for p in self.control])
        there = np.array([[p.easting, p.northing] for p in self.control])
        residual = float(np.hypot(*(tie.forward(site) - there).T).max())
        scale = math.hypot(tie.a, tie.b)
        if residual > self.tolerance_m or abs(scale - 1) > 0.02:
            raise FrameError(
                "the control points do not fit together",
                received=f"residual {residual:.3f} m, scale {scale:.4f}",
                do="check their order, axes and units (a scale of 0.3048 means feet)",
            )
        return tie.model_copy(update={"residual_m": residual})

    def bearing_of_y_deg(self) -> float:
        """Bearing of the site's +y axis, clockwise from (grid) north, in degrees [0, 360)."""
        if self.epsg is None or not self.control:
            return self.north_deg % 360.0
        tie = self.to_projected()
        return math.degrees(math.atan2(-tie.b, tie.a)) % 360.0
