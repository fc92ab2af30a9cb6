"""Commands in plain English; each says what to do next.

The commands' signatures stand here, so that help needs nothing but Typer; what each does is in the module that
`_COMMANDS` names, loaded when it is called.
"""

from __future__ import annotations

import importlib
import json
import sys
from pathlib import Path
from typing import Annotated, Any, Final

import typer

from yewline.errors import Cancelled, YewlineError

__all__ = ["app", "main"]

# Command -> module that carries it out, by its function `carry_out`.
_COMMANDS: Final = {
    "demo": "yewline.cli.demo",
    "new": "yewline.cli.new",
    "check": "yewline.cli.check",
    "run": "yewline.cli.run",
    "compare": "yewline.cli.compare",
    "report": "yewline.cli.report",
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
def run(site: SiteArgument, as_json: JsonOption = False, quiet: QuietOption = False) -> None:
    """Do whatever is stale, from raw lines to the report. Stop with Ctrl-C; the same command goes on."""
    _carry_out("run", site=site, as_json=as_json, quiet=quiet)


@app.command()
def compare(site: SiteArgument, as_json: JsonOption = False, quiet: QuietOption = False) -> None:
    """Compare the visits, burial by burial."""
    _carry_out("compare", site=site, as_json=as_json, quiet=quiet)


@app.command()
def report(site: SiteArgument, as_json: JsonOption = False, quiet: QuietOption = False) -> None:
    """Bring the report up to date and say where it is."""
    _carry_out("report", site=site, as_json=as_json, quiet=quiet)


def main() -> None:
    """The `yewline` command: errors in one sentence, exit codes 0 (done), 1 (error or faults), 130 (stopped)."""
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
