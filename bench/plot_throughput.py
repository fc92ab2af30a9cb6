"""Draw docs/solver_throughput.png from bench/throughput.json: `python -m bench.plot_throughput`."""

from __future__ import annotations

import json
from pathlib import Path

import matplotlib as mpl
from matplotlib.figure import Figure

HERE = Path(__file__).parent
# Okabe & Ito's colours, told apart by all kinds of colour vision; line styles say the same once more.
ENGINES = (
    ("parallel", "tiles over two threads", "#0072B2", "o", "-"),
    ("C", "the same in C", "#009E73", "D", "-."),
    ("tiled", "tiles in time, one thread", "#D55E00", "s", "--"),
    ("swept", "a sweep a step, one thread", "#6B6B6B", "^", ":"),
)
TICKS = (64, 128, 256, 512, 1024, 2048)


def main() -> None:
    table = json.loads((HERE / "throughput.json").read_text())
    cells = [line["cells"] for line in table]
    with mpl.rc_context({"font.size": 10, "axes.spines.top": False, "axes.spines.right": False}):
        figure = Figure(figsize=(7.2, 4.0), layout="constrained")
        axes = figure.add_subplot()
        drawn = [engine for engine in ENGINES if engine[0] in table[0]]
        for key, _, colour, marker, style in drawn:
            speed = [line[key] for line in table]
            axes.plot(cells, speed, style, marker=marker, color=colour, markersize=5, linewidth=1.6)
        ends = _apart([table[-1][key] for key, *_ in drawn], 0.055 * max(max(line.values()) for line in _speeds(table)))
        for (_, label, colour, *_), height in zip(drawn, ends, strict=True):
            axes.text(cells[-1] * 1.09, height, label, va="center", color=colour)
        axes.set_xscale("log", base=2)
        axes.set_xticks(TICKS, [f"{tick}²" for tick in TICKS])
        axes.minorticks_off()
        axes.set_ylim(bottom=0)
        axes.grid(axis="y", color="0.9", linewidth=0.8)
        axes.set_axisbelow(True)
        axes.set_xlabel("cells of the section; its absorbing edges, 16 cells each, are counted too")
        axes.set_ylabel("cell updates, 10⁹ a second")
        figure.savefig(HERE.parent / "docs" / "solver_throughput.png", dpi=150)


def _speeds(table: list[dict[str, float]]) -> list[dict[str, float]]:
    return [{key: value for key, value in line.items() if key != "cells"} for line in table]


def _apart(heights: list[float], least: float) -> list[float]:
    """The heights of labels, the lowest left where it is and the others raised until none overlaps another."""
    placed = list(heights)
    below = -least
    for n in sorted(range(len(heights)), key=heights.__getitem__):
        placed[n] = below = max(heights[n], below + least)
    return placed


if __name__ == "__main__":
    main()
