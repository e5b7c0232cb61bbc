"""Loudness after ITU-R BS.1770-5 and EBU Tech 3341: a meter for streams, and the algebra of buses.

`Meter` reads one stream; `BusPowers` gives the loudness of any sum of components without forming it;
`pink_power` says how loud a room response returns pink noise. Figures are for music production.
"""

from __future__ import annotations

from roomplan.loudness.algebra import BusPowers
from roomplan.loudness.gating import (
    Loudness,
    loudness_level,
    loudness_of_hops,
    passing_blocks,
    power_over_blocks,
)
from roomplan.loudness.hops import HOPS_PER_SECOND, HopSums, hop_start
from roomplan.loudness.meter import Meter, MeterReading
from roomplan.loudness.pink import pink_power
from roomplan.loudness.weighting import KFilter, k_weighting, k_weighting_power

__all__ = [
    "HOPS_PER_SECOND",
    "BusPowers",
    "HopSums",
    "KFilter",
    "Loudness",
    "Meter",
    "MeterReading",
    "hop_start",
    "k_weighting",
    "k_weighting_power",
    "loudness_level",
    "loudness_of_hops",
    "passing_blocks",
    "pink_power",
    "power_over_blocks",
]
