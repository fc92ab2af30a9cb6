"""Volume: lines to a block of strength at estimated depth, and the slices cut from it."""

from __future__ import annotations

from yewline.volume.attributes import volume_energy, volume_quietness, volume_similarity, volume_truncation
from yewline.volume.balance import BalanceOptions, LineGains, apply_gains, direction_gains, line_gains
from yewline.volume.build import (
    RADIUS_IN_SPACINGS,
    RESPONSE_SIGMA_PERIODS,
    TIME_ZERO_SIGMA_NS,
    arrival_sigma_ns,
    build_volume,
    line_nodes,
    volume_of_nodes,
)
from yewline.volume.comparison import compare_volumes
from yewline.volume.crests import ColumnCrests, column_crests
from yewline.volume.depths import cell_depth_error_m, depth_table_m, sample_depths_m
from yewline.volume.distance import distance_to_data_m, distance_to_data_m_plain
from yewline.volume.equal_time import slab_between, window_depths_m
from yewline.volume.image_rays import image_ray_shift_m
from yewline.volume.interpolate import Nodes, interpolate_nodes, interpolate_nodes_plain
from yewline.volume.interpolators import GAUSSIAN, INTERPOLATORS, Interpolation, interpolate_by
from yewline.volume.levels import cut_levels, level_volume
from yewline.volume.natural import natural_weights, natural_weights_plain
from yewline.volume.pieces import Pieces, cut_pieces
from yewline.volume.pyramid import pyramid
from yewline.volume.registration import register_volumes
from yewline.volume.regularise import check_aliasing, fill_rows
from yewline.volume.resample import depth_bins, depth_bins_plain
from yewline.volume.slices import (
    choose_slice,
    cut_slices,
    slice_depth_error_m,
    slice_exactly,
    slice_label,
    slice_thickness_m,
)
from yewline.volume.trusted_depth import GAINS, TRUST_REASONS, LineNoise, line_noise, trusted_depth

__all__ = [
    "GAINS",
    "GAUSSIAN",
    "INTERPOLATORS",
    "RADIUS_IN_SPACINGS",
    "RESPONSE_SIGMA_PERIODS",
    "TIME_ZERO_SIGMA_NS",
    "TRUST_REASONS",
    "BalanceOptions",
    "ColumnCrests",
    "Interpolation",
    "LineGains",
    "LineNoise",
    "Nodes",
    "Pieces",
    "apply_gains",
    "arrival_sigma_ns",
    "build_volume",
    "cell_depth_error_m",
    "check_aliasing",
    "choose_slice",
    "column_crests",
    "compare_volumes",
    "cut_levels",
    "cut_pieces",
    "cut_slices",
    "depth_bins",
    "depth_bins_plain",
    "depth_table_m",
    "direction_gains",
    "distance_to_data_m",
    "distance_to_data_m_plain",
    "fill_rows",
    "image_ray_shift_m",
    "interpolate_by",
    "interpolate_nodes",
    "interpolate_nodes_plain",
    "level_volume",
    "line_gains",
    "line_nodes",
    "line_noise",
    "natural_weights",
    "natural_weights_plain",
    "pyramid",
    "register_volumes",
    "sample_depths_m",
    "slab_between",
    "slice_depth_error_m",
    "slice_exactly",
    "slice_label",
    "slice_thickness_m",
    "trusted_depth",
    "volume_energy",
    "volume_of_nodes",
    "volume_quietness",
    "volume_similarity",
    "volume_truncation",
    "window_depths_m",
]
