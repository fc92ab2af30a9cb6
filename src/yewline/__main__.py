"""`python -m yewline`."""

from __future__ import annotations

from yewline.cli import main

main()
