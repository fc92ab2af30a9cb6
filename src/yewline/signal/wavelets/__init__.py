"""Wavelets of lines and what is done with them: deconvolution, zero-phasing, whitening, attenuation by frequency."""

from __future__ import annotations

from yewline.signal.wavelets.autocorrelation import autocorrelations, mean_autocorrelation
from yewline.signal.wavelets.band import Band, band_edges_mhz, band_of
from yewline.signal.wavelets.constant_phase import ConstantPhase, constant_phase, rotate_phase
from yewline.signal.wavelets.deconvolution import (
    default_deconvolution_ns,
    default_gap_ns,
    default_prediction_ns,
    predictive_deconvolution,
    predictive_deconvolution_by_trace,
    shaping_deconvolution,
    spiking_deconvolution,
)
from yewline.signal.wavelets.deterministic import direct_wavelet, reflector_wavelet
from yewline.signal.wavelets.levinson import solve_levinson
from yewline.signal.wavelets.minimum_phase import minimum_phase
from yewline.signal.wavelets.operators import filter_traces, prediction_operators, shaping_operator, spiking_operators
from yewline.signal.wavelets.q_compensation import q_compensation
from yewline.signal.wavelets.q_spectra import PooledSpectra, pooled_spectra
from yewline.signal.wavelets.q_star import QStarFit, fit_q_star
from yewline.signal.wavelets.ricker import ricker_wavelet
from yewline.signal.wavelets.statistical import default_wavelet_ns, statistical_wavelet
from yewline.signal.wavelets.wavelet import Lobes, Wavelet, lobes, make_wavelet
from yewline.signal.wavelets.whitening import default_smoothing_mhz, spectral_whitening
from yewline.signal.wavelets.zero_phase import zero_phase, zero_phase_operator, zero_phase_wavelet

__all__ = [
    "Band",
    "ConstantPhase",
    "Lobes",
    "PooledSpectra",
    "QStarFit",
    "Wavelet",
    "autocorrelations",
    "band_edges_mhz",
    "band_of",
    "constant_phase",
    "default_deconvolution_ns",
    "default_gap_ns",
    "default_prediction_ns",
    "default_smoothing_mhz",
    "default_wavelet_ns",
    "direct_wavelet",
    "filter_traces",
    "fit_q_star",
    "lobes",
    "make_wavelet",
    "mean_autocorrelation",
    "minimum_phase",
    "pooled_spectra",
    "prediction_operators",
    "predictive_deconvolution",
    "predictive_deconvolution_by_trace",
    "q_compensation",
    "reflector_wavelet",
    "ricker_wavelet",
    "rotate_phase",
    "shaping_deconvolution",
    "shaping_operator",
    "solve_levinson",
    "spectral_whitening",
    "spiking_deconvolution",
    "spiking_operators",
    "statistical_wavelet",
    "zero_phase",
    "zero_phase_operator",
    "zero_phase_wavelet",
]
