"""The site folder, its checks and its cached runs; the one place where all parts meet."""

from __future__ import annotations

from yewline.workspace.check import CheckReport, check_site
from yewline.workspace.demo import DEMO_SEED, prepare_demo
from yewline.workspace.line import read_line
from yewline.workspace.new import write_new_site
from yewline.workspace.open import OpenSite, open_site
from yewline.workspace.outcome import Outcome
from yewline.workspace.results import SiteResult, VisitResult
from yewline.workspace.run import run_site
from yewline.workspace.site import Site, Visit

__all__ = [
    "DEMO_SEED",
    "CheckReport",
    "OpenSite",
    "Outcome",
    "Site",
    "SiteResult",
    "Visit",
    "VisitResult",
    "check_site",
    "open_site",
    "prepare_demo",
    "read_line",
    "run_site",
    "write_new_site",
]
