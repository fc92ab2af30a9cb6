"""`yewline new`."""

from __future__ import annotations

from pathlib import Path

from yewline.cli.console import ADVICE, OUT
from yewline.workspace import write_new_site

__all__ = ["carry_out"]


def carry_out(*, folder: Path) -> None:
    """Write the commented folder and say what to fill in."""
    for path in write_new_site(folder):
        OUT.print(str(path))
    ADVICE.print(
        f"\nNext: describe the site in {folder / 'site.toml'}, put recorded files into a visit's lines/ folder, list "
        f"them in its lines.csv, then run\n  yewline check {folder}"
    )
