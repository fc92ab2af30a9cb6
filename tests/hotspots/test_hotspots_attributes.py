"""Figures of outlines over a map."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from yewline.errors import InputError
from yewline.hotspots import rms_inside
from yewline.model import VolumeGrid


def test_the_root_mean_square_inside_outlines():
    grid = VolumeGrid(x0=0, y0=0, cell_m=1, nx=3, ny=2, depth_step_m=0.1, nz=1)
    values = np.array([[3.0, 4.0, np.nan], [0.0, 0.0, np.nan]])
    both, none = shapely.box(-0.5, -0.5, 1.5, 0.5), shapely.box(1.6, -0.5, 2.5, 1.5)
    found = rms_inside([both, none], values, grid)
    assert found[0] == pytest.approx(np.sqrt(12.5))
    assert np.isnan(found[1])
    with pytest.raises(InputError, match="do not fit the grid"):
        rms_inside([both], values[:1], grid)
