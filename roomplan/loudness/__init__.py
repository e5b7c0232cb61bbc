"""Loudness after ITU-R BS.1770-5, EBU Tech 3341 and 3342: meters for streams, and the algebra of buses.

`SoundMeter` reads all figures of one stream, `Meter` those that need no oversampling and `TruePeakMeter` the
one that does; `BusPowers` gives the loudness of any sum of components without forming it; `pink_power` says
how loud a room response returns pink noise. Figures are for music production.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.late_names import late_names

if TYPE_CHECKING:
    from roomplan.loudness.algebra import BusPowers
    from roomplan.loudness.gating import (
        Loudness,
        LoudnessOverTime,
        loudness_level,
        loudness_of_hops,
        loudness_over_time,
        passing_blocks,
        power_over_blocks,
    )
    from roomplan.loudness.hops import HOPS_PER_SECOND, HopSums, hop_start
    from roomplan.loudness.meter import BadSample, Meter, MeterReading
    from roomplan.loudness.pink import pink_power
    from roomplan.loudness.programme import ProgrammeLoudness, SoundMeter, programme_loudness
    from roomplan.loudness.roles import ChannelRole, channel_roles, parse_roles, role_weights
    from roomplan.loudness.true_peak import TruePeakMeter
    from roomplan.loudness.weighting import KFilter, k_weighting, k_weighting_power

__all__ = [
    "HOPS_PER_SECOND",
    "BadSample",
    "BusPowers",
    "ChannelRole",
    "HopSums",
    "KFilter",
    "Loudness",
    "LoudnessOverTime",
    "Meter",
    "MeterReading",
    "ProgrammeLoudness",
    "SoundMeter",
    "TruePeakMeter",
    "channel_roles",
    "hop_start",
    "k_weighting",
    "k_weighting_power",
    "loudness_level",
    "loudness_of_hops",
    "loudness_over_time",
    "parse_roles",
    "passing_blocks",
    "pink_power",
    "power_over_blocks",
    "programme_loudness",
    "role_weights",
]

# module → the names it gives to the package
_NAMES = {
    "algebra": ("BusPowers",),
    "gating": (
        "Loudness",
        "LoudnessOverTime",
        "loudness_level",
        "loudness_of_hops",
        "loudness_over_time",
        "passing_blocks",
        "power_over_blocks",
    ),
    "hops": ("HOPS_PER_SECOND", "HopSums", "hop_start"),
    "meter": ("BadSample", "Meter", "MeterReading"),
    "pink": ("pink_power",),
    "programme": ("ProgrammeLoudness", "SoundMeter", "programme_loudness"),
    "roles": ("ChannelRole", "channel_roles", "parse_roles", "role_weights"),
    "true_peak": ("TruePeakMeter",),
    "weighting": ("KFilter", "k_weighting", "k_weighting_power"),
}
__getattr__ = late_names(__name__, _NAMES)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
