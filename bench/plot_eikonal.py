"""Draw docs/eikonal_error.png from bench/eikonal.json: `python -m bench.plot_eikonal`."""

from __future__ import annotations

import json
from pathlib import Path

import matplotlib as mpl
from matplotlib.figure import Figure

HERE = Path(__file__).parent
# Okabe & Ito's colours, told apart by all kinds of colour vision; line styles say the same once more.
SOLVERS = (
    ("second", "ours, second order", "#0072B2", "o", "-"),
    ("first", "ours, first order", "#56B4E9", "s", "--"),
    ("scikit-fmm second, exact front", "scikit-fmm, second order, from an exact front", "#009E73", "v", ":"),
    ("scikit-fmm second", "scikit-fmm, second order", "#D55E00", "D", "-."),
    ("scikit-fmm first", "scikit-fmm, first order", "#6B6B6B", "^", ":"),
)


def main() -> None:
    table = json.loads((HERE / "eikonal.json").read_text())
    with mpl.rc_context({"font.size": 10, "axes.spines.top": False, "axes.spines.right": False}):
        figure = Figure(figsize=(7.2, 4.4), layout="constrained")
        axes = figure.add_subplot()
        for key, label, colour, marker, style in SOLVERS:
            held = [line[key] for line in table if key in line]
            milliseconds, error = [1e3 * seconds for seconds, _ in held], [off for _, off in held]
            axes.plot(milliseconds, error, style, marker=marker, color=colour, label=label, markersize=5, linewidth=1.6)
        axes.set_xscale("log")
        axes.set_yscale("log")
        axes.grid(color="0.9", linewidth=0.8)
        axes.set_axisbelow(True)
        axes.set_xlabel("time for one source, ms; along each curve grids of 8, 4, 2, 1 and 0.5 cm")
        axes.set_ylabel("largest error, ns")
        axes.legend(frameon=False, fontsize=9, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2)
        figure.savefig(HERE.parent / "docs" / "eikonal_error.png", dpi=150)


if __name__ == "__main__":
    main()
