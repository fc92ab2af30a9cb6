"""Commands in plain English; each says what to do next.

The commands' signatures stand here, so that help needs nothing but Typer; what each does is in the module that
`_COMMANDS` names, loaded when it is called.
"""

from __future__ import annotations

import importlib
import json
import sys
import warnings
from pathlib import Path
from typing import Annotated, Any, Final

import typer

from yewline.errors import Cancelled, YewlineError, YewlineWarning

__all__ = ["app", "main"]

# Command, or a face of it, -> module that carries it out, by its function `carry_out`.
_COMMANDS: Final = {
    "demo": "yewline.cli.demo",
    "new": "yewline.cli.new",
    "check": "yewline.cli.check",
    "run": "yewline.cli.run",
    "run --line": "yewline.cli.trial",
    "compare": "yewline.cli.compare",
    "report": "yewline.cli.report",
    "simulate": "yewline.cli.simulate",
    "simulate --section": "yewline.cli.section",
}

app = typer.Typer(
    name="yewline",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode="rich",
    pretty_exceptions_enable=False,
    help="Ground-penetrating radar over old burial ground: from recorded lines and soil-moisture readings to a map of "
    "grave-like responses, scored against known burials and against chance. Nothing leaves this machine.",
    epilog="New here? [bold]yewline demo[/bold] writes an invented site and works through it. Then "
    "[bold]yewline new my-site[/bold].",
)

SiteArgument = Annotated[Path, typer.Argument(help="The site folder.", show_default=False)]
JsonOption = Annotated[bool, typer.Option("--json", help="Print figures as one JSON object.")]
QuietOption = Annotated[bool, typer.Option("--quiet", "-q", help="No progress.")]


def _carry_out(command: str, **arguments: Any) -> None:
    try:
        importlib.import_module(_COMMANDS[command]).carry_out(**arguments)
    except (Cancelled, KeyboardInterrupt):
        typer.echo("yewline: stopped. What was done is kept; the same command goes on from there.", err=True)
        raise SystemExit(130) from None


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(help="Where to write the invented site.")] = Path("yewline-demo"),
    seed: Annotated[int | None, typer.Option(help="Another seed makes another site.", show_default=False)] = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Write an invented site with known truth and run the main job on it."""
    _carry_out("demo", folder=folder, seed=seed, as_json=as_json, quiet=quiet)


@app.command()
def new(folder: Annotated[Path, typer.Argument(help="The folder to make.", show_default=False)]) -> None:
    """Write a commented site folder to fill with your own data."""
    _carry_out("new", folder=folder)


@app.command()
def check(
    site: SiteArgument,
    everything: Annotated[bool, typer.Option("--all", help="Also name every file that was read.")] = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Read everything; say what was found, what was assumed and what is wrong. Exit code 1 where there are faults."""
    _carry_out("check", site=site, everything=everything, as_json=as_json, quiet=quiet)


@app.command()
def run(
    site: SiteArgument,
    line: Annotated[str | None, typer.Option(help="Only try the recipe on this line: what does each step do?")] = None,
    visit: Annotated[str | None, typer.Option(help="With --line: of which visit.")] = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Do whatever is stale, from raw lines to the report. Stop with Ctrl-C; the same command goes on."""
    if line is None and visit is None:
        _carry_out("run", site=site, as_json=as_json, quiet=quiet)
    else:
        _carry_out("run --line", site=site, line=line, visit=visit, as_json=as_json)


@app.command()
def compare(site: SiteArgument, as_json: JsonOption = False, quiet: QuietOption = False) -> None:
    """Compare the visits, burial by burial."""
    _carry_out("compare", site=site, as_json=as_json, quiet=quiet)


@app.command()
def report(site: SiteArgument, as_json: JsonOption = False, quiet: QuietOption = False) -> None:
    """Bring the report up to date and say where it is."""
    _carry_out("report", site=site, as_json=as_json, quiet=quiet)


@app.command()
def simulate(
    scene: Annotated[
        str, typer.Argument(help="A scene of the package (see --list), or a TOML file.", show_default=False)
    ] = "",
    folder: Annotated[
        Path | None, typer.Argument(help="The folder to write; by default named like the scene.", show_default=False)
    ] = None,
    listed: Annotated[bool, typer.Option("--list", help="Name the scenes that come with the package.")] = False,
    section: Annotated[
        bool, typer.Option("--section", help="One line only, as pictures: ground, radargram, and a film of the wave.")
    ] = False,
    line: Annotated[str | None, typer.Option(help="Line of the pictures.", show_default=False)] = None,
    day: Annotated[str | None, typer.Option(help="Day of the pictures.", show_default=False)] = None,
    at_m: Annotated[
        float | None, typer.Option("--at", help="Where along the line the film's wave starts, m.", show_default=False)
    ] = None,
    lines: Annotated[str | None, typer.Option(help="Only these lines, such as L1,L2.", show_default=False)] = None,
    days: Annotated[str | None, typer.Option(help="Only these days.", show_default=False)] = None,
    workers: Annotated[
        int | None, typer.Option(min=1, help="Traces side by side; by default one a processor.", show_default=False)
    ] = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Simulate a scene with the full wave, as a site folder with known truth. Stop with Ctrl-C; the same goes on."""
    options: dict[str, Any] = {"scene": scene, "folder": folder, "workers": workers, "as_json": as_json, "quiet": quiet}
    options |= {"pictures": {"line": line, "day": day, "at_m": at_m}, "chosen": {"lines": lines, "days": days}}
    if section and not listed:
        _carry_out("simulate --section", **options)
    else:
        _carry_out("simulate", listed=listed, **options)


def main() -> None:
    """The `yewline` command: errors in one sentence, exit codes 0 (done), 1 (error or faults), 130 (stopped)."""
    others = warnings.showwarning

    def say(message: Warning | str, category: type[Warning], *more: Any, **named: Any) -> None:
        if issubclass(category, YewlineWarning):
            typer.echo(f"yewline: {message}.", err=True)
        else:
            others(message, category, *more, **named)

    warnings.showwarning = say
    try:
        app()
    except YewlineError as error:
        _fail(error, as_json="--json" in sys.argv)


def _fail(error: YewlineError, *, as_json: bool) -> None:
    if as_json:
        told = {"problem": error.problem, "where": error.where, "received": error.received, "do": error.do}
        typer.echo(json.dumps({"error": told}, ensure_ascii=False, indent=2))
    typer.echo(f"yewline: {error}", err=True)
    raise SystemExit(1)
