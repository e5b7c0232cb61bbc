"""Decay and energy figures of room impulse responses after ISO 3382, with their doubt (numpy and scipy only).

`analysis` is what the rest of the program calls; the other modules are its parts and are of use alone.
"""

from __future__ import annotations

from roomplan.acoustics.analysis import (
    BandFigures,
    DecayFigures,
    measure_composite,
    measure_response,
    time_to_level,
)
from roomplan.acoustics.bands import (
    ALL_OCTAVE_CENTRES_HZ,
    OCTAVE_CENTRES_HZ,
    band_filter,
    exact_mid_band,
    split_bands,
)
from roomplan.acoustics.decay import DecayTimes, decay_times, fit_decay, schroeder_curve
from roomplan.acoustics.direct_sound import DirectSound, find_direct_sound, find_onset
from roomplan.acoustics.energy import EnergyFigures
from roomplan.acoustics.noise import Truncation, find_truncation

__all__ = [
    "ALL_OCTAVE_CENTRES_HZ",
    "OCTAVE_CENTRES_HZ",
    "BandFigures",
    "DecayFigures",
    "DecayTimes",
    "DirectSound",
    "EnergyFigures",
    "Truncation",
    "band_filter",
    "decay_times",
    "exact_mid_band",
    "find_direct_sound",
    "find_onset",
    "find_truncation",
    "fit_decay",
    "measure_composite",
    "measure_response",
    "schroeder_curve",
    "split_bands",
    "time_to_level",
]
