"""A new site folder, commented for someone who has never seen one."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from yewline.errors import SiteError

__all__ = ["write_new_site"]

# Path in the site folder -> template beside this module.
_FILES = {
    "site.toml": "site.toml",
    "README.txt": "README.txt",
    "visits/first-visit/visit.toml": "visit.toml",
    "visits/first-visit/lines.csv": "lines.csv",
    "visits/first-visit/readings.csv": "readings.csv",
    "burials.csv": "burials.csv",
}
_FOLDERS = ("visits/first-visit/lines", "marks")


def write_new_site(folder: str | Path) -> list[Path]:
    """Write a commented site folder and return the files written.

    Raises
    ------
    SiteError : the folder exists and is not empty; nothing is overwritten.
    """
    root = Path(folder)
    if root.exists() and (not root.is_dir() or any(root.iterdir())):
        raise SiteError("the folder exists and is not empty", where=str(root), do="choose another name")
    for name in _FOLDERS:
        (root / name).mkdir(parents=True)
    written = []
    templates = resources.files(__package__) / "new_site"
    for name, template in _FILES.items():
        path = root / name
        path.write_text((templates / template).read_text(encoding="utf-8"), encoding="utf-8")
        written.append(path)
    return written
