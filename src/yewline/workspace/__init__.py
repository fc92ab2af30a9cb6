"""The site folder, its checks and its cached runs; the one place where all parts meet."""

from __future__ import annotations

from yewline.positions import Rewalk
from yewline.simulation.scenes import list_scenes, read_scene
from yewline.workspace.check import CheckReport, check_site
from yewline.workspace.demo import DEMO_SEED, prepare_demo
from yewline.workspace.line import read_line
from yewline.workspace.new import write_new_site
from yewline.workspace.open import OpenSite, open_site
from yewline.workspace.outcome import Outcome
from yewline.workspace.results import SiteResult, VisitResult
from yewline.workspace.run import run_site
from yewline.workspace.simulate import (
    SimulatedSite,
    SimulationPlan,
    plan_simulation,
    run_simulation,
    simulate_scene,
)
from yewline.workspace.simulate_section import LineView, ShotView, ThingView, view_line
from yewline.workspace.site import Site, Visit
from yewline.workspace.trial import Trial, TriedStep, try_line

__all__ = [
    "DEMO_SEED",
    "CheckReport",
    "LineView",
    "OpenSite",
    "Outcome",
    "Rewalk",
    "ShotView",
    "SimulatedSite",
    "SimulationPlan",
    "Site",
    "SiteResult",
    "ThingView",
    "Trial",
    "TriedStep",
    "Visit",
    "VisitResult",
    "check_site",
    "list_scenes",
    "open_site",
    "plan_simulation",
    "prepare_demo",
    "read_line",
    "read_scene",
    "run_simulation",
    "run_site",
    "simulate_scene",
    "try_line",
    "view_line",
    "write_new_site",
]
