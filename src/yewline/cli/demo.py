"""`yewline demo`."""

from __future__ import annotations

import time
from pathlib import Path

from yewline.cli.console import ADVICE, show_json, show_progress
from yewline.cli.run import bring_up_to_date, show_figures
from yewline.workspace import DEMO_SEED, prepare_demo

__all__ = ["carry_out"]


def carry_out(*, folder: Path, seed: int | None, as_json: bool, quiet: bool) -> None:
    """Write the demo site unless it is there already, run the main job on it, and show the figures."""
    started = time.perf_counter()
    with show_progress(quiet=quiet or as_json) as progress:
        written = prepare_demo(folder, seed=DEMO_SEED if seed is None else seed, progress=progress)
    if not as_json:
        ADVICE.print(
            f"{'Wrote an invented burial ground to' if written else 'The demo site is there already:'} {folder}\n"
            "Its truth, which no survey would know, is apart in truth/ and is never read by a run.\n"
        )
    outcome = bring_up_to_date(folder, quiet=quiet or as_json)
    seconds = time.perf_counter() - started
    if as_json:
        show_json({**outcome.figures, "report": str(outcome.report), "seconds": round(seconds, 3)})
        return
    show_figures(outcome)
    ADVICE.print(
        f"\n{outcome.told()} {seconds:.1f} s in all.\nNext: open {outcome.report} in any browser; "
        f"see the planted field faults with\n  yewline check {folder}\n"
        "and start your own site with\n  yewline new my-site"
    )
