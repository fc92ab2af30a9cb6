"""Compute the demo's clean fields with the full wave: ``make demo-data``. It goes on where it was stopped."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import numpy.typing as npt

from yewline.progress import SILENT, Progress
from yewline.simulation import SceneFile, planned_lines, simulate_line
from yewline.workspace.demo import DEMO_SEED
from yewline.workspace.demo_fields import DemoFields, scene_digest, write_fields
from yewline.workspace.demo_scene import demo_days, demo_lines, demo_scene, demo_scene_file

__all__ = ["main", "record_demo"]

Float32 = npt.NDArray[np.float32]


def record_demo(scene: SceneFile, work: Path, *, progress: Progress = SILENT) -> DemoFields:
    """Clean fields of all lines of a scene on all its days.

    Parameters
    ----------
    scene : the demo as a scene.
    work : folder in which finished lines are kept until all are done.
    progress : told of every trace.
    """
    digest = scene_digest(scene)
    held = work / digest[:16]
    held.mkdir(parents=True, exist_ok=True)
    fields: dict[tuple[str, str], Float32] = {}
    for day in scene.days:
        for line in planned_lines(scene.lines):
            path = held / f"{day.name}-{line.name}.npy"
            if not path.exists():
                clean = simulate_line(scene, day.name, line.name, progress=progress).clean
                draft = path.with_suffix(".part")
                with draft.open("wb") as file:
                    np.save(file, clean)
                draft.replace(path)
            fields[day.name, line.name] = np.load(path)
    return DemoFields(scene.seed, digest, fields)


def main(arguments: list[str]) -> None:
    """``python -m yewline.workspace.demo_record WORK_FOLDER``: write `demo_data/` beside this file."""
    ground, days, lines = demo_scene(DEMO_SEED), demo_days(), demo_lines()
    scene = demo_scene_file(ground, days, lines, DEMO_SEED)
    started = time.perf_counter()

    def tell(label: str, done: int, total: int) -> None:
        if done == total:
            sys.stderr.write(f"{label}: {total} traces, {time.perf_counter() - started:.0f} s\n")

    fields = record_demo(scene, Path(arguments[0]), progress=Progress(tell))
    size = write_fields(Path(__file__).parent / "demo_data", fields)
    sys.stderr.write(f"{len(fields.fields)} lines, {size / 1e6:.2f} MB\n")


if __name__ == "__main__":
    main(sys.argv[1:])
