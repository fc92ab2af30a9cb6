"""Full-wave field across a vertical section: the line-current (TM) mode on staggered cells.

A `Section` holds the materials on square cells, air above depth 0 included. `fire` sends one or more line currents
through all of it and returns what is heard, with pictures of the wave on the way. A survey line is a course:
`plan_course` refuses what could not be right, and tells the cost; `run_course` yields traces, many side by side, each
computed in a window of the section that moves with the antennas.

Fields are in V/m for currents in A, both across the section and endless: `simulation.to_point_source` turns traces into
those of point antennas. The engines of `ENGINES` differ in speed alone: the three compiled ones give the same bits,
NumPy's agrees to rounding.

>>> import numpy as np
>>> from yewline.simulation import Instrument
>>> depth = 0.05 * np.arange(-6, 40)
>>> soil = np.tile(np.where(depth < 0, 1.0, np.where(depth > 0, 6.0, 3.5)), (80, 1))
>>> section = Section(soil, np.where(soil > 1, 2.0, 0.0), cell_m=0.05, z0_m=-0.3)
>>> antennas = Instrument(centre_mhz=50.0, separation_m=0.5, interval_ns=1.0, samples=64, aperture_m=1.0)
>>> course = plan_course(section, [1.5, 2.0], antennas, cells_a_wavelength=8.0)
>>> traces = dict(run_course(course))
>>> sorted(traces), traces[0].shape, traces[0].dtype.name
([0, 1], (64,), 'float32')
"""

from __future__ import annotations

from yewline.simulation.wave.courses import Course, check_memory, plan_course, processors, record_course, run_course
from yewline.simulation.wave.edges import Edges
from yewline.simulation.wave.grid import Grid, Precision, Window, make_grid, window_of
from yewline.simulation.wave.section import Relaxation, Section, cell_that_would_do, check_cell
from yewline.simulation.wave.shots import ENGINES, Shot, Tiling, fire, half_steps_ns, steps_ns

__all__ = [
    "ENGINES",
    "Course",
    "Edges",
    "Grid",
    "Precision",
    "Relaxation",
    "Section",
    "Shot",
    "Tiling",
    "Window",
    "cell_that_would_do",
    "check_cell",
    "check_memory",
    "fire",
    "half_steps_ns",
    "make_grid",
    "plan_course",
    "processors",
    "record_course",
    "run_course",
    "steps_ns",
    "window_of",
]
