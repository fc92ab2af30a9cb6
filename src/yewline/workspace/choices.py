"""The choices that the figures rest on, in plain words: what, value, why."""

from __future__ import annotations

from yewline.model import SiteSettings, VolumeGrid

__all__ = ["list_choices"]

Choice = tuple[str, str, str]


def list_choices(
    settings: SiteSettings, grid: VolumeGrid, *, tolerance_m: float, thickness_m: float
) -> tuple[Choice, ...]:
    """Every choice, whether the surveyor fixed it in `site.toml` or the tool filled it in."""
    primary, target = settings.primary, settings.target
    fixed = "fixed in site.toml"
    return (
        (
            "primary slice",
            "–".join(f"{edge:.2f}" for edge in primary.slice_m) + " m"
            if primary.slice_m
            else "the one nearest the middle of the target depths",
            fixed if primary.slice_m else f"targets are expected from {target.depth_m[0]:g} to {target.depth_m[1]:g} m",
        ),
        (
            "slice thickness",
            f"{thickness_m:.2f} m",
            "half the largest wavelength among the visits, so that all share it",
        ),
        ("cell", f"{grid.cell_m:g} m", fixed if settings.cell_m else "half the spacing of the lines"),
        (
            "outlining rule",
            f"strength above the median by {primary.threshold:g} × noise"
            if primary.rule == "noise"
            else f"the strongest {primary.area_share:.0%} of the covered ground",
            "the same for every visit; the other rule stands beside it on the maps",
        ),
        (
            "smallest hotspot",
            f"{primary.minimum_area_m2:g} m²"
            if primary.minimum_area_m2
            else f"{0.5 * target.child.length_m * target.child.width_m:.2f} m²",
            fixed if primary.minimum_area_m2 else "half the cut of a child's grave",
        ),
        (
            "match tolerance",
            f"{tolerance_m:.2f} m, hotspot centroid to burial outline",
            fixed if primary.tolerance_m else "twice the error budget of outline, track and truth; never below 0.25 m",
        ),
        (
            "smallest shift",
            f"{target.adult.length_m:g} m",
            "one grave length: a shorter shift would leave hotspots on their own graves",
        ),
        ("chance draws", f"{primary.draws:,}, seed {primary.seed}", "the same seed gives the same figures"),
    )
