"""`python -m bench [NAME ...]`: run all benchmarks, or those named, and write bench/results.json."""

from __future__ import annotations

import importlib
import json
import sys
from pathlib import Path

HERE = Path(__file__).parent


def main() -> None:
    wanted = sys.argv[1:]
    names = [path.stem for path in sorted(HERE.glob("bench_*.py"))]
    rows = []
    for name in names:
        if wanted and name.removeprefix("bench_") not in wanted:
            continue
        for row in importlib.import_module(f"bench.{name}").run():
            rows.append(row)
            peer = "" if row["peer"] is None else f"{row['peer']} {row['peer_s']:.4g} s: {row['ratio']:.2f} x"
            print(
                f"{row['name']:<58} {row['ours_s']:>10.4g} {row['unit']:<8} {peer:<56} {row['target'] or ''}",
                flush=True,
            )
    if not wanted:
        (HERE / "results.json").write_text(json.dumps(rows, indent=1) + "\n")


if __name__ == "__main__":
    main()
