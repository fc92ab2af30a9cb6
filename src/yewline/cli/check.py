"""`yewline check`."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from rich.markup import escape
from rich.table import Table

from yewline.cli.console import ADVICE, OUT, count, show_json, show_progress
from yewline.model import Finding
from yewline.workspace import Rewalk, check_site, open_site

__all__ = ["carry_out"]

_STYLE = {"fault": "bold red", "warning": "yellow", "assumed": "cyan", "found": "green"}
_ORDER = ("fault", "warning", "assumed", "found")
# What was found is told in these few lines; the rest of it, file by file, with --all.
_IN_SHORT = {"burials", "lines", "opened", "readings", "recipe"}


def carry_out(*, site: Path, everything: bool, as_json: bool, quiet: bool) -> None:
    """Check the site, print what there is to say, exit with 1 where there are faults."""
    opened = open_site(site)
    with show_progress(quiet=quiet or as_json) as progress:
        report = check_site(opened, progress=progress)
    faults = sum(finding.grade == "fault" for finding in report.findings)
    if as_json:
        show_json(report.as_dict())
        raise SystemExit(1 if faults else 0)
    shown = [f for f in report.findings if everything or f.grade != "found" or f.code in _IN_SHORT]
    _show(opened.settings.name, [visit.name for visit in opened.visits], shown)
    _show_walk(report.again)
    _show_acceptable(report.to_accept)
    tally = {grade: sum(f.grade == grade for f in report.findings) for grade in _ORDER}
    ADVICE.print(
        f"\n{count(tally['fault'], 'fault')}, {count(tally['warning'], 'warning')}, "
        f"{count(tally['assumed'], 'assumption')}. "
        + _advice(site, report.findings, hidden=len(shown) < len(report.findings))
    )
    raise SystemExit(1 if faults else 0)


def _advice(site: Path, findings: tuple[Finding, ...], *, hidden: bool) -> str:
    more = f" Every file that was read: yewline check {site} --all" if hidden else ""
    if not any(f.code == "lines" for f in findings):
        return "No line can be used yet: mend the faults, then check again." + more
    if any(f.grade == "fault" for f in findings):
        return f"What is at fault is left out of a run: mend it first where you can. Next: yewline run {site}." + more
    return f"Nothing has to be left out. Next: yewline run {site}." + more


def _show(name: str, visits: list[str], findings: list[Finding]) -> None:
    OUT.print(f"[bold]Check of {escape(name)}[/bold]")
    for visit in ["", *visits]:
        mine = [finding for finding in findings if finding.visit == visit]
        if not mine:
            continue
        OUT.print(f"\n[bold]{escape(visit) or 'The site as a whole'}[/bold]")
        for grade in _ORDER:
            for finding, lines in _alike(finding for finding in mine if finding.grade == grade):
                _show_one(finding, lines)


def _show_walk(again: dict[str, tuple[Rewalk, ...]]) -> None:
    """What to do before leaving, in walking order."""
    for visit, walks in again.items():
        if not walks:
            continue
        OUT.print(f"\n[bold]Before you leave, {escape(visit)}: {count(len(walks), 'line')} to walk again[/bold]")
        for number, walk in enumerate(walks, start=1):
            row = Table.grid(padding=(0, 1, 0, 2))
            row.add_column(width=8, justify="right")
            row.add_column()
            row.add_row(f"{number}", escape(f"{walk.text[:1].upper()}{walk.text[1:]}."))
            OUT.print(row)


def _show_acceptable(to_accept: dict[str, str]) -> None:
    """What to write where the surveyor agrees: lines ready to be copied, not wrapped."""
    for visit, text in to_accept.items():
        OUT.print(
            f"\n[bold]If the field notes agree[/bold], write what applies at the end of "
            f"visits/{escape(visit)}/visit.toml, and say why:"
        )
        OUT.print(f"\n{text}", markup=False, highlight=False, soft_wrap=True)


def _show_one(finding: Finding, lines: list[str]) -> None:
    which = lines[0] if len(lines) == 1 else f"{lines[0]} … {lines[-1]} ({len(lines)} lines)"
    text = (f"{which}: " if which else "") + finding.text + (f" ({finding.received})" if finding.received else "")
    where = finding.where if len(lines) == 1 else ""
    advice = finding.do and f"→ {finding.do[:1].upper()}{finding.do[1:]}."
    row = Table.grid(padding=(0, 1, 0, 2))
    row.add_column(width=8)
    row.add_column()
    row.add_row(f"[{_STYLE[finding.grade]}]{finding.grade}[/]", escape(text))
    for told in (where, advice):
        if told:
            row.add_row("", f"[dim]{escape(told)}[/dim]")
    OUT.print(row)


def _alike(findings: Iterable[Finding]) -> list[tuple[Finding, list[str]]]:
    """The same thing said of many lines of a visit counts once, with its lines."""
    groups: dict[tuple[str, ...], tuple[Finding, list[str]]] = {}
    for finding in findings:
        # Without a line each stands for itself.
        place = finding.where if not finding.line else ""
        key = (finding.visit, finding.code, finding.text, finding.received, place)
        groups.setdefault(key, (finding, []))[1].append(finding.line)
    return list(groups.values())
