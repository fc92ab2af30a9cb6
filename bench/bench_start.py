"""How long `yewline --help` takes, beside Python importing NumPy."""

from __future__ import annotations

import subprocess
import sys
import time


def seconds(command: list[str]) -> float:
    start = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def run() -> list[dict]:
    ours = [sys.executable, "-c", "from yewline.cli import main; main()", "--help"]
    peer = [sys.executable, "-c", "import numpy"]
    for command in (ours, peer):
        seconds(command)
    pairs = [(seconds(ours), seconds(peer)) for _ in range(9)]
    ours_s, peer_s = (min(times) for times in zip(*pairs, strict=True))
    return [
        {
            "name": "yewline --help",
            "ours_s": ours_s,
            "unit": "s",
            "peer": "python -c 'import numpy'",
            "peer_s": peer_s,
            "ratio": peer_s / ours_s,
            "target": "ratio >= 0.4 (at most 2.5 x NumPy's import)",
        }
    ]
