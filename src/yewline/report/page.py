"""The report as one HTML file that carries everything in itself and is the same, byte for byte, on every run."""

from __future__ import annotations

from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

import jinja2
from markupsafe import Markup

from yewline.report.context import report_context
from yewline.workspace.results import SiteResult

__all__ = ["render_report", "write_report"]


@cache
def _environment() -> jinja2.Environment:
    # Everything is escaped unless a template marks it: names and notes come from people.
    return jinja2.Environment(
        loader=jinja2.PackageLoader("yewline.report", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        keep_trailing_newline=True,
    )


def render_report(result: SiteResult) -> str:
    """The report as HTML text.

    Parameters
    ----------
    result : of a run; see `yewline.workspace.results`.

    Returns
    -------
    One HTML document without any address outside itself, readable without JavaScript.
    """
    css = resources.files("yewline.report").joinpath("templates/report.css").read_text("utf-8")
    context: dict[str, Any] = report_context(result)
    return _environment().get_template("report.html.j2").render(**context, css=Markup(css))


def write_report(result: SiteResult, path: Path) -> None:
    """Write the report of a run to one self-contained file.

    The file is written beside its place and then moved there, so that a reader never meets half of it. The same
    result gives the same bytes.

    Parameters
    ----------
    result : of a run; see `yewline.workspace.results`.
    path : of the HTML file; its folder is made where it is missing.
    """
    text = render_report(result)
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(path.name + ".part")
    try:
        part.write_text(text, encoding="utf-8", newline="\n")
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
