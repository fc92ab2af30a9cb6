"""`yewline report`."""

from __future__ import annotations

from pathlib import Path

from yewline.cli.console import ADVICE, OUT, show_json
from yewline.cli.run import bring_up_to_date

__all__ = ["carry_out"]


def carry_out(*, site: Path, as_json: bool, quiet: bool) -> None:
    """Bring the report up to date and print its path."""
    outcome = bring_up_to_date(site, quiet=quiet or as_json)
    if as_json:
        show_json({"site": outcome.figures["site"], "report": str(outcome.report)})
        return
    OUT.print(str(outcome.report))
    ADVICE.print(
        f"{outcome.told()} The report shows places of burials: ask whoever decides on release before passing it on."
    )
