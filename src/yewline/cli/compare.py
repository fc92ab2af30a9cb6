"""`yewline compare`."""

from __future__ import annotations

from pathlib import Path

from yewline.cli.console import ADVICE, OUT, show_json
from yewline.cli.run import bring_up_to_date

__all__ = ["carry_out"]


def carry_out(*, site: Path, as_json: bool, quiet: bool) -> None:
    """Bring the site up to date and print how its visits compare."""
    outcome = bring_up_to_date(site, quiet=quiet or as_json)
    comparisons = outcome.figures["comparisons"]
    if as_json:
        show_json({"site": outcome.figures["site"], "comparisons": comparisons})
        return
    if not comparisons:
        OUT.print("There is nothing to compare: a comparison needs two visits and known burials.")
    for each in comparisons:
        OUT.print(f"[bold]{each['visit_a']} and {each['visit_b']}[/bold] ({each['direction']}, {each['n']} burials)")
        if each["paired_difference_m"] is not None:
            OUT.print(
                f"  paired difference {each['paired_difference_m']:+.2f} m "
                f"(95 % {each['low']:+.2f} to {each['high']:+.2f}), p = {each['p']:.3g} "
                f"(smallest that so few blocks can give: {each['smallest_p']:.2g}); "
                f"from the scatter of hotspots alone {each['chance_difference_m']:+.2f} m"
            )
        OUT.print(f"  {each['statement']}")
    ADVICE.print(f"\nNext: the distances and maps behind this are in {outcome.report}")
