"""Decay and energy figures of room impulse responses after ISO 3382, with their doubt (numpy only).

`response` measures a response as the command line does, `analysis` composites as a mix does; the other
modules are their parts and are of use alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

# at once: its module has the name of its function
from roomplan.acoustics.differences import describe, differences, same_room
from roomplan.late_names import late_names

if TYPE_CHECKING:
    from roomplan.acoustics.analysis import (
        BandFigures,
        DecayFigures,
        measure_composite,
        measure_response,
        time_to_level,
    )
    from roomplan.acoustics.bands import (
        ALL_OCTAVE_CENTRES_HZ,
        ALL_THIRD_CENTRES_HZ,
        OCTAVE_CENTRES_HZ,
        band_filter,
        exact_mid_band,
        split_bands,
    )
    from roomplan.acoustics.correlation import inter_channel_correlation
    from roomplan.acoustics.decay import DecayTimes, decay_times, fit_decay, schroeder_curve
    from roomplan.acoustics.direct_sound import DirectSound, find_direct_sound, find_onset
    from roomplan.acoustics.double_slope import DoubleSlope, find_double_slope
    from roomplan.acoustics.doubt import Doubt
    from roomplan.acoustics.energy import EnergyFigures
    from roomplan.acoustics.filters import A_WEIGHTED, BROADBAND, BandPass, octaves, thirds
    from roomplan.acoustics.noise import Truncation, find_truncation
    from roomplan.acoustics.response import (
        ChannelFigures,
        ResponseFigures,
        analyse_response,
        response_curves,
    )
    from roomplan.acoustics.speech import SpeechSpectrum, speech_transmission_index

__all__ = [
    "ALL_OCTAVE_CENTRES_HZ",
    "ALL_THIRD_CENTRES_HZ",
    "A_WEIGHTED",
    "BROADBAND",
    "OCTAVE_CENTRES_HZ",
    "BandFigures",
    "BandPass",
    "ChannelFigures",
    "DecayFigures",
    "DecayTimes",
    "DirectSound",
    "DoubleSlope",
    "Doubt",
    "EnergyFigures",
    "ResponseFigures",
    "SpeechSpectrum",
    "Truncation",
    "analyse_response",
    "band_filter",
    "decay_times",
    "describe",
    "differences",
    "exact_mid_band",
    "find_direct_sound",
    "find_double_slope",
    "find_onset",
    "find_truncation",
    "fit_decay",
    "inter_channel_correlation",
    "measure_composite",
    "measure_response",
    "octaves",
    "response_curves",
    "same_room",
    "schroeder_curve",
    "speech_transmission_index",
    "split_bands",
    "thirds",
    "time_to_level",
]

# module → the names it gives to the package
_NAMES = {
    "analysis": ("BandFigures", "DecayFigures", "measure_composite", "measure_response", "time_to_level"),
    "bands": (
        "ALL_OCTAVE_CENTRES_HZ",
        "ALL_THIRD_CENTRES_HZ",
        "OCTAVE_CENTRES_HZ",
        "band_filter",
        "exact_mid_band",
        "split_bands",
    ),
    "correlation": ("inter_channel_correlation",),
    "decay": ("DecayTimes", "decay_times", "fit_decay", "schroeder_curve"),
    "direct_sound": ("DirectSound", "find_direct_sound", "find_onset"),
    "double_slope": ("DoubleSlope", "find_double_slope"),
    "doubt": ("Doubt",),
    "energy": ("EnergyFigures",),
    "filters": ("A_WEIGHTED", "BROADBAND", "BandPass", "octaves", "thirds"),
    "noise": ("Truncation", "find_truncation"),
    "response": ("ChannelFigures", "ResponseFigures", "analyse_response", "response_curves"),
    "speech": ("SpeechSpectrum", "speech_transmission_index"),
}
__getattr__ = late_names(__name__, _NAMES)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
