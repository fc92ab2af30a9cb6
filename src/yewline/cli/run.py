"""`yewline run`."""

from __future__ import annotations

import time
from pathlib import Path

from rich import box
from rich.table import Table

from yewline.cli.console import ADVICE, OUT, show_json, show_progress
from yewline.export import write_results
from yewline.report import write_report
from yewline.workspace import Outcome, open_site, run_site

__all__ = ["bring_up_to_date", "carry_out", "show_figures"]


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
    """The figures of each visit, as a table to read."""
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False)
    for column in (
        "visit",
        "moisture\nmean ± sd",
        "velocity\nm/ns ± sd",
        "slice\nm",
        "hotspots",
        "hotspot to burial\nmean m (chance, p)",
        "burial to hotspot\nmean m (chance, p)",
        "recall\n95 %",
        "precision\n95 %",
    ):
        table.add_column(column, overflow="fold")
    for visit in outcome.figures["visits"]:
        table.add_row(
            visit["visit"],
            _plus_minus(visit["moisture"]),
            _plus_minus(visit["velocity_m_per_ns"], digits=4),
            "–".join(f"{edge:.2f}" for edge in visit["slice_m"]),
            str(visit["hotspots"]),
            _distance(visit["centroid_distance_m"]),
            _distance(visit["burial_distance_m"]),
            _proportion(visit["recall"]),
            _proportion(visit["precision"]),
        )
    OUT.print(table)
    for comparison in outcome.figures["comparisons"]:
        OUT.print(f"[bold]{comparison['visit_a']} and {comparison['visit_b']}[/bold]: {comparison['statement']}")


def _plus_minus(figure: dict[str, float | None], digits: int = 3) -> str:
    return "–" if figure["mean"] is None else f"{figure['mean']:.{digits}f} ± {figure['sd']:.{digits}f}"


def _distance(figure: dict[str, float | None]) -> str:
    if figure["mean"] is None:
        return "–"
    chance, p = figure["chance_mean"], figure["p"]
    return f"{figure['mean']:.2f}" + ("" if chance is None or p is None else f" ({chance:.2f}, p = {p:.2g})")


def _proportion(figure: dict[str, float | None]) -> str:
    if figure["value"] is None:
        return "not assessable"
    return f"{figure['value']:.2f} ({figure['low']:.2f}–{figure['high']:.2f})"
