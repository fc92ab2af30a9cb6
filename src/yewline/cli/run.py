"""`yewline run`."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from rich import box
from rich.markup import escape
from rich.table import Table

from yewline.cli.console import ADVICE, OUT, show_json, show_progress
from yewline.export import write_results
from yewline.report import write_report
from yewline.workspace import Outcome, open_site, run_site

__all__ = ["bring_up_to_date", "carry_out", "show_figures"]

Figure = dict[str, Any]


def carry_out(*, site: Path, as_json: bool, quiet: bool) -> None:
    """Run whatever is stale, then print the figures."""
    started = time.perf_counter()
    outcome = bring_up_to_date(site, quiet=quiet or as_json)
    seconds = time.perf_counter() - started
    if as_json:
        show_json({**outcome.figures, "report": str(outcome.report), "seconds": round(seconds, 3)})
        return
    show_figures(outcome)
    ADVICE.print(f"\n{outcome.told()} {seconds:.1f} s in all.\nNext: open {outcome.report} in any browser.")


def bring_up_to_date(site: Path, *, quiet: bool) -> Outcome:
    """Run the site's stages, with export and report as the last two."""
    opened = open_site(site)
    with show_progress(quiet=quiet) as progress:
        return run_site(opened, export=write_results, report=write_report, progress=progress)


def show_figures(outcome: Outcome) -> None:
    """The figures, a row each, with the visits side by side as far as the screen is wide."""
    visits = outcome.figures["visits"]
    beside = max(1, (OUT.width - _LABEL) // _COLUMN)
    for first in range(0, len(visits), beside):
        shown = visits[first : first + beside]
        table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False)
        table.add_column("", width=_LABEL - 2)
        for visit in shown:
            table.add_column(visit["visit"], min_width=_COLUMN - 2, overflow="fold")
        for label, told in _ROWS:
            table.add_row(label, *(told(visit) for visit in shown))
        OUT.print(table)
    for comparison in outcome.figures["comparisons"]:
        OUT.print(f"\n[bold]{comparison['visit_a']} and {comparison['visit_b']}[/bold]: {comparison['statement']}")
    for left_out in outcome.left_out:
        ADVICE.print(f"[yellow]Left out:[/yellow] {escape(left_out)}")


def _with_sd(figure: Figure, digits: int) -> str:
    return "–" if figure["mean"] is None else f"{figure['mean']:.{digits}f} (sd {figure['sd']:.{digits}f})"


def _distance(figure: Figure) -> str:
    if figure["mean"] is None:
        return "–"
    chance, p = figure["chance_mean"], figure["p"]
    return f"{figure['mean']:.2f}" + ("" if chance is None or p is None else f" (chance {chance:.2f}, p {p:.2g})")


def _proportion(figure: Figure) -> str:
    if figure["value"] is None:
        return "not assessable"
    return f"{figure['value']:.2f} ({figure['low']:.2f} to {figure['high']:.2f})"


# Two visits side by side fit a screen of 80 columns.
_LABEL, _COLUMN = 22, 29
_ROWS: tuple[tuple[str, Callable[[Any], str]], ...] = (
    ("moisture, m³/m³", lambda v: _with_sd(v["moisture"], 3)),
    ("velocity, m/ns", lambda v: _with_sd(v["velocity_m_per_ns"], 4)),
    ("slice, m", lambda v: "{:.2f} to {:.2f}".format(*v["slice_m"])),
    ("hotspots", lambda v: str(v["hotspots"])),
    ("hotspot to burial, m", lambda v: _distance(v["centroid_distance_m"])),
    ("burial to hotspot, m", lambda v: _distance(v["burial_distance_m"])),
    ("match tolerance, m", lambda v: "–" if v["tolerance_m"] is None else f"{v['tolerance_m']:.2f}"),
    ("recall (95 %)", lambda v: _proportion(v["recall"])),
    ("precision (95 %)", lambda v: _proportion(v["precision"])),
)
