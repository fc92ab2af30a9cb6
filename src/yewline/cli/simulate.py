"""`yewline simulate`."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

from rich import box
from rich.markup import escape
from rich.table import Table

from yewline.cli.console import ADVICE, OUT, count, show_json, show_progress
from yewline.errors import InputError
from yewline.workspace import (
    SimulatedSite,
    SimulationPlan,
    list_scenes,
    plan_simulation,
    read_scene,
    run_simulation,
)

__all__ = ["carry_out"]

_MOST_ROWS = 24


def carry_out(
    *,
    scene: str,
    folder: Path | None,
    listed: bool,
    pictures: dict[str, Any],
    chosen: dict[str, str | None],
    workers: int | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """List the scenes, or simulate a whole site."""
    if listed:
        _list(as_json=as_json)
        return
    if not scene:
        raise InputError("no scene was named", do="see what there is with `yewline simulate --list`")
    if any(value is not None for value in pictures.values()):
        problem = "--line, --day and --at go with --section"
        raise InputError(problem, do="choose with --lines and --days, or add --section")
    _simulate(scene, folder, chosen, workers=workers, as_json=as_json, quiet=quiet)


def _list(*, as_json: bool) -> None:
    scenes = list_scenes()
    if as_json:
        show_json({"scenes": [{"name": name, "about": about} for name, about in scenes]})
        return
    table = Table(box=None, show_header=False, pad_edge=False)
    table.add_column(no_wrap=True, style="bold")
    table.add_column()
    for name, about in scenes:
        table.add_row(name, escape(about))
    OUT.print(table)
    ADVICE.print(f"\nNext: yewline simulate {scenes[0][0]} --section, or write a scene of your own: docs/scenes.md")


def _simulate(
    scene: str, folder: Path | None, chosen: dict[str, str | None], *, workers: int | None, as_json: bool, quiet: bool
) -> None:
    started = time.perf_counter()
    held = read_scene(scene)
    root = Path(held.name) if folder is None else folder
    asked = {name: _names(value) for name, value in chosen.items()}
    with show_progress(quiet=quiet or as_json) as progress:
        plan = plan_simulation(held, root, days=asked["days"], lines=asked["lines"], workers=workers, progress=progress)
        if plan.costs and not as_json:
            _show_plan(plan)
        site = run_simulation(plan, progress=progress)
    seconds = time.perf_counter() - started
    if as_json:
        visits = [{"visit": visit, "lines": list(lines)} for visit, lines in site.visits]
        told = {"written": site.written, "visits": visits, "computed": site.computed, "kept": site.kept}
        show_json({"plan": plan.as_dict(), **told, "seconds": round(seconds, 3)})
        return
    ADVICE.print(_told(site, seconds))


def _names(text: str | None) -> list[str] | None:
    return None if text is None else [name.strip() for name in text.split(",") if name.strip()]


def _show_plan(plan: SimulationPlan) -> None:
    """What the simulation costs, before it starts."""
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False)
    for name in ("day", "line"):
        table.add_column(name)
    for name in ("traces", "to compute", "cell, mm", "million updates a trace", "time, s"):
        table.add_column(name, justify="right")
    for cost in plan.costs[:_MOST_ROWS]:
        table.add_row(
            cost.day,
            cost.line,
            f"{cost.traces}",
            f"{cost.computed}",
            f"{1e3 * cost.cell_m:.1f}",
            f"{1e-6 * cost.updates_a_trace:.0f}",
            f"{cost.cell_updates / plan.updates_per_s + cost.prepare_s:.0f}",
        )
    OUT.print(table)
    if len(plan.costs) > _MOST_ROWS:
        OUT.print(f"and {len(plan.costs) - _MOST_ROWS} lines more")
    kept = f" ({plan.kept} of them are there already)" if plan.kept else ""
    OUT.print(
        f"In all {count(plan.computed, 'trace')}{kept}, {1e-9 * plan.cell_updates:.1f} billion cell updates, "
        f"{_bytes(plan.bytes_needed)} of memory: about {_duration(plan.seconds)} on this machine, with "
        f"{count(plan.workers, 'trace')} side by side. Stop with Ctrl-C; the same command goes on."
    )


def _told(site: SimulatedSite, seconds: float) -> str:
    done = (
        f"Wrote {count(len(site.visits), 'visit')} of {count(len(site.visits[0][1]), 'line')} to {site.folder} in "
        f"{_duration(seconds)}."
        if site.written
        else f"The simulated site is there already: {site.folder}. Nothing was done."
    )
    return (
        f"{done}\nIts truth, which no survey would know, is apart in {site.folder / 'truth'}; no run reads it.\n"
        "The ground is invented: for learning and testing only.\n"
        f"Next: see what a check finds, then work through it with\n  yewline check {site.folder}\n"
        f"  yewline run {site.folder}"
    )


def _duration(seconds: float) -> str:
    if seconds < 90:
        return f"{max(1, round(seconds))} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60} min"


def _bytes(size: int) -> str:
    return f"{size / 1e9:.1f} GB" if size >= 1e9 else f"{max(1, round(size / 1e6))} MB"
