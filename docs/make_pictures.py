"""Make the pictures of docs/processing.md from the demo: ``python docs/make_pictures.py [name ...]``.

The same code and demo give the same pixels.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from picture_lines import Demo
from picture_panels import save, styled
from picture_steps import STEP_PICTURES
from picture_survey import SURVEY_PICTURES

PICTURES = {**STEP_PICTURES, **SURVEY_PICTURES}
FOLDER = Path(__file__).parent / "pictures"


def make_pictures(names: list[str], folder: Path = FOLDER) -> dict[str, int]:
    """Draw the named pictures, or all of them; sizes in bytes by name."""
    folder.mkdir(exist_ok=True)
    sizes = {}
    with tempfile.TemporaryDirectory() as place, styled():
        demo = Demo(Path(place) / "site")
        for name, draw in PICTURES.items():
            if not names or name in names:
                sizes[name] = save(draw(demo), folder / f"{name}.png")
    return sizes


if __name__ == "__main__":
    made = make_pictures(sys.argv[1:])
    for name, size in made.items():
        sys.stdout.write(f"{name}.png {size / 1000:.0f} kB\n")
    sys.stdout.write(f"{sum(made.values()) / 1e6:.2f} MB\n")
