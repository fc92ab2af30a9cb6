from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

from yewline.workspace.results import SiteResult


@pytest.fixture(scope="session")
def synthetic() -> ModuleType:
    name = "synthetic_site"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).parents[1] / "report" / "synthetic_site.py")
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(scope="session")
def site(synthetic: ModuleType) -> SiteResult:
    return synthetic.make_site(2, 4)
