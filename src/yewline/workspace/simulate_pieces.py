"""A recorded line and its truth as plain values and arrays, ready to be kept."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import numpy.typing as npt

from yewline.simulation.layers import truth_arrays
from yewline.simulation.scenes import LineJob, RecordedLine, section_truth
from yewline.workspace.simulate_work import Piece

__all__ = ["LAYER_ARRAYS", "piece_of"]

LAYER_ARRAYS = "layer:"
"""What the layers did, trace by trace, goes by the names of `truth_arrays` behind this."""


def piece_of(job: LineJob, recorded: RecordedLine) -> Piece:
    """A finished line as it is kept until the site is written."""
    radargram = recorded.radargram
    section = job.runs[-1].course.grid.section
    about = {
        "day": job.day.name,
        "line": job.line.name,
        "interval_ns": job.instrument.interval_ns,
        "zero_ns": job.instrument.zero_ns,
        "radiated_mhz": job.instrument.centre_mhz,
        "cell_m": section.cell_m,
        "depth_m": float(section.depth_m[-1]),
        "computed": job.traces,
        "cell_updates": job.cell_updates,
        "runs": [{"adds": list(run.adds), "traces": len(run.which), "bare": run.bare} for run in job.runs],
        "v_m_per_ns": float(np.median(job.v_m_per_ns)),
        "layers": [truth.as_dict(arrays=False) for truth in recorded.truth],
        "faults": [dataclasses.asdict(fault) for truth in recorded.truth for fault in truth.faults],
        "section": section_truth(job.cuts),
    }
    arrays: dict[str, npt.NDArray[Any]] = {
        "stored": radargram.values,
        "clean": recorded.clean,
        "said_xy": np.column_stack([radargram["x"].values, radargram["y"].values]),
        "true_xy": recorded.true_xy,
    }
    arrays |= {LAYER_ARRAYS + name: data for name, data in truth_arrays(recorded.truth).items()}
    return Piece(about, arrays)
