"""yewline: ground-penetrating radar over old burial ground, from recorded lines to a scored grave map.

The names for those who script are `read_line`, `open_site` and `simulate_scene`; they load what they need on first
use, so that ``import yewline`` stays light. Everything else lives in the rooms (``yewline.signal``,
``yewline.accuracy`` and so on; see ``rooms.toml``).
"""

from __future__ import annotations

import importlib
from typing import Any

__version__ = "0.1.0"

__all__ = ["__version__", "open_site", "read_line", "simulate_scene"]

# Public name -> module that holds it.
_ON_USE = {
    "open_site": "yewline.workspace",
    "read_line": "yewline.workspace",
    "simulate_scene": "yewline.workspace",
}


def __getattr__(name: str) -> Any:
    if name in _ON_USE:
        return getattr(importlib.import_module(_ON_USE[name]), name)
    raise AttributeError(f"module 'yewline' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
