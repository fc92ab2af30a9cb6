"""`yewline simulate --section`: one line as pictures."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from yewline.cli.console import ADVICE, OUT, show_json, show_progress
from yewline.errors import InputError
from yewline.report import film_gif, section_png
from yewline.workspace import read_scene, view_line

__all__ = ["carry_out"]


def carry_out(
    *,
    scene: str,
    folder: Path | None,
    pictures: dict[str, Any],
    chosen: dict[str, str | None],
    workers: int | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Simulate one line and draw what lies under it, what was recorded, and the wave on its way."""
    if not scene:
        raise InputError("no scene was named", do="see what there is with `yewline simulate --list`")
    if any(value is not None for value in chosen.values()):
        raise InputError("--section shows a single line", do="choose it with --line and --day")
    held = read_scene(scene)
    root = Path(f"{held.name}-pictures") if folder is None else folder
    if root.exists() and not root.is_dir():
        raise InputError("not a folder", where=str(root), do="choose another name")
    with show_progress(quiet=quiet or as_json) as progress:
        view = view_line(held, **pictures, workers=workers, progress=progress)
    root.mkdir(parents=True, exist_ok=True)
    stem = f"{view.scene}-{view.day}-{view.line}"
    files = {"section": root / f"{stem}.png", "film": root / f"{stem}-wave.gif"}
    files["section"].write_bytes(section_png(view))
    files["film"].write_bytes(film_gif(view))
    if as_json:
        told = {"scene": view.scene, "day": view.day, "line": view.line, "at_m": round(view.shot.at_m, 3)}
        show_json({**told, **{name: str(path) for name, path in files.items()}})
        return
    for path in files.values():
        OUT.print(str(path))
    ADVICE.print(
        f"\nLine {view.line} on the day '{view.day}'; the film's wave starts {view.shot.at_m:.2f} m along it. "
        f"Nothing of this was recorded anywhere.\nNext: the whole site with\n  yewline simulate {scene}"
    )
