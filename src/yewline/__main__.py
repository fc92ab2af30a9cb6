"""`python -m yewline`."""

from __future__ import annotations

from yewline.cli import main

if __name__ == "__main__":
    main()
