"""`yewline run --line`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from rich import box
from rich.markup import escape
from rich.table import Table

from yewline.cli.console import ADVICE, OUT, show_json
from yewline.errors import SiteError
from yewline.export import file_names
from yewline.report import tried_png
from yewline.workspace import Trial, open_site, try_line

__all__ = ["carry_out"]


def carry_out(*, site: Path, line: str | None, visit: str | None, as_json: bool) -> None:
    """Try the recipe on one line, print what each step did, and draw it."""
    if line is None:
        raise SiteError("a visit alone cannot be tried", received=f"--visit {visit}", do="name a line with --line")
    opened = open_site(site)
    trial = try_line(opened, line, visit=visit)
    picture = opened.results / "tried" / f"{'-'.join(file_names([trial.visit, trial.line]))}.png"
    picture.parent.mkdir(parents=True, exist_ok=True)
    picture.write_bytes(tried_png(trial))
    if as_json:
        show_json({**trial.as_dict(), "picture": str(picture)})
        return
    _show(trial)
    for note in trial.notes:
        ADVICE.print(f"[yellow]Not as in a run:[/yellow] {escape(note)}.")
    ADVICE.print(
        f"\n{trial.seconds:.2f} s. Look at {picture}: what shows under “removed” was taken out, graves among it.\n"
        f"Next: change recipe.toml and try again, or yewline run {site}."
    )


def _show(trial: Trial) -> None:
    OUT.print(f"[bold]Recipe '{escape(trial.recipe)}' on line {escape(trial.line)}, {escape(trial.visit)}[/bold]")
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False)
    for head, justify in (("step", "left"), ("level after", "right"), ("removed", "right"), ("parameters", "left")):
        table.add_column(head, justify=justify, overflow="fold")  # type: ignore[arg-type]
    for each in trial.steps:
        level = "–" if each.rms_before == 0 else f"{each.rms_after / each.rms_before:.3g} ×"
        removed = "" if each.removed_share is None else f"{100 * each.removed_share:.2g} %"
        table.add_row(escape(each.view.step), level, removed, escape(_parameters(each.view.parameters)))
    OUT.print(table)


def _parameters(values: dict[str, Any]) -> str:
    return ", ".join(f"{name} {_said(value)}" for name, value in values.items() if value is not None)


def _said(value: Any) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value)
