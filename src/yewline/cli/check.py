"""`yewline check`."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from rich import box
from rich.markup import escape
from rich.table import Table

from yewline.cli.console import ADVICE, OUT, show_json, show_progress
from yewline.model import Finding
from yewline.workspace import check_site, open_site

__all__ = ["carry_out"]

_STYLE = {"fault": "bold red", "warning": "yellow", "assumed": "cyan", "found": "dim"}
_ORDER = ("fault", "warning", "assumed", "found")


def carry_out(*, site: Path, as_json: bool, quiet: bool) -> None:
    """Check the site, print what there is to say, exit with 1 where there are faults."""
    opened = open_site(site)
    with show_progress(quiet=quiet or as_json) as progress:
        report = check_site(opened, progress=progress)
    faults = sum(finding.grade == "fault" for finding in report.findings)
    if as_json:
        show_json(report.as_dict())
    else:
        _show(opened.settings.name, report.findings)
        count = {grade: sum(f.grade == grade for f in report.findings) for grade in _ORDER}
        ADVICE.print(
            f"{count['fault']} faults, {count['warning']} warnings, {count['assumed']} assumptions. "
            + (
                "Faults are left out of a run; mend them first where you can. "
                if faults
                else "Nothing has to be left out. "
            )
            + f"Next: yewline run {site}"
        )
    raise SystemExit(1 if faults else 0)


def _show(name: str, findings: tuple[Finding, ...]) -> None:
    table = Table(title=f"Check of {name}", box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, title_justify="left")
    for column, share in (("", 1), ("visit", 2), ("line", 1), ("what", 6), ("where", 3), ("what to do", 5)):
        table.add_column(column, ratio=share, overflow="fold")
    for grade in _ORDER:
        for finding, lines in _alike(finding for finding in findings if finding.grade == grade):
            what = finding.text + (f" ({finding.received})" if finding.received else "")
            which = lines[0] if len(lines) == 1 else f"{lines[0]} … {lines[-1]} ({len(lines)})"
            where = finding.where if len(lines) == 1 else ""
            cells = (finding.visit, which, what, where, finding.do)
            table.add_row(f"[{_STYLE[grade]}]{grade}[/]", *(escape(cell) for cell in cells))
    OUT.print(table)


def _alike(findings: Iterable[Finding]) -> list[tuple[Finding, list[str]]]:
    """The same thing said of many lines of a visit counts once, with its lines."""
    groups: dict[tuple[str, ...], tuple[Finding, list[str]]] = {}
    for finding in findings:
        # Without a line each stands for itself.
        place = finding.where if not finding.line else ""
        key = (finding.visit, finding.code, finding.text, finding.received, place)
        groups.setdefault(key, (finding, []))[1].append(finding.line)
    return list(groups.values())
