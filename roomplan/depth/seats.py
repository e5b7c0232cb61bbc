"""What rooms say of seats: by theory where they are synthetic, by measurement where they are recorded."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.analysis import measure_response
from roomplan.acoustics.bands import band_edges, exact_mid_band
from roomplan.acoustics.direct_sound import find_direct_sound
from roomplan.acoustics.room_formulas import (
    FieldEnergies,
    air_attenuation,
    critical_distance,
    revised_theory,
)
from roomplan.acoustics.transforms import fast_length, inner, spectrum
from roomplan.depth.model import SeatFigures
from roomplan.rooms.conditioning import remove_direct
from roomplan.rooms.geometry import setup_middle, source_position
from roomplan.rooms.images import early_reflections

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from roomplan.plan.model import Seat
    from roomplan.rooms.directivity import Directivity
    from roomplan.rooms.spec import RoomSpecification

    Array = NDArray[np.float64]

__all__ = ["measured_figures", "theoretical_figures"]

_MAIN = "main"
_HIGH_HZ, _MIDDLE_HZ = 8000.0, 1000.0  # between which the loss by air is reported
_MID_BANDS_HZ = (500.0, 1000.0)


def theoretical_figures(
    spec: RoomSpecification, seat: Seat, directivity: Directivity | None = None
) -> SeatFigures:
    """What theory says of a seat in a synthetic room, at its `main` microphones.

    Parameters
    ----------
    spec : RoomSpecification
        With its decay as the plan wants it.
    seat : Seat
        One that `roomplan.rooms.geometry.seat_fault` accepts.
    directivity : Directivity, optional
        Of the source, which faces the microphones; an even one without it.

    Notes
    -----
    Microphones count as omnidirectional; the spread of a section does not count. Early sound is taken to be
    lower by the directivity index as late sound is, where each reflection has its own direction: right on
    the average over directions.
    Barron's theory is for diffuse fields: measured C80 scatter by 1.4 dB about it (19 halls, Barron 2015,
    J. Acoust. Soc. Am. 137, read second-hand).
    """
    distance = float(np.linalg.norm(source_position(spec, seat) - setup_middle(spec, _MAIN)))
    mid, speed = spec.mid_reverberation_time_s, spec.sound_speed
    field_at = revised_theory(spec.volume_m3, mid, distance, sound_speed=speed)
    index_db = 0.0
    if directivity is not None:
        mids = np.array([exact_mid_band(centre) for centre in _MID_BANDS_HZ])
        index_db = float(np.mean(directivity.index_at(mids)))
    factor = 10.0 ** (index_db / 10.0)
    field_at = FieldEnergies(factor * field_at.direct, field_at.early, field_at.late)  # but for the level
    high, middle = air_attenuation(
        np.array([exact_mid_band(_HIGH_HZ), exact_mid_band(_MIDDLE_HZ)]),
        temperature_c=spec.temperature_c,
        humidity_percent=spec.humidity_percent,
    )
    # By the triangle, the way over the ceiling is longer than the direct one by less than twice the height:
    # there is always one.
    reflections = early_reflections(spec, seat, _MAIN, within_s=2.0 * spec.dimensions_m[2] / speed)
    gap = min(found.after_direct_s for found in reflections if "floor" not in found.surfaces)
    return SeatFigures(
        source="theory",
        reverberation_time_s=mid,
        direct_to_reverberant_db=field_at.direct_to_reverberant_db,
        clarity_db=field_at.clarity_db,
        distance_m=distance,
        volume_m3=spec.volume_m3,
        critical_distance_m=math.sqrt(factor) * critical_distance(spec.volume_m3, mid, sound_speed=speed),
        air_loss_db=distance * float(high - middle),
        arrival_s=distance / speed,
        pre_delay_s=gap,
        directivity_index_db=index_db,
    )


def measured_figures(response: Array, *, sample_rate: int) -> SeatFigures:
    """What a recorded response says by itself, its direct sound included.

    Parameters
    ----------
    response : ndarray, shape (frames, channels)
    sample_rate : int
        Hz.

    Returns
    -------
    SeatFigures
        Without a direct sound that stands out, or with nothing behind it, D/R and C80 are None. What needs
        the volume or the place of the microphones is None always.

    Notes
    -----
    The direct sound ends where `roomplan.acoustics.direct_sound.find_direct_sound` says, at most 5 ms after
    it begins; energies are summed over channels, C80 and the decay time are means over them.
    """
    why = "a measured room has no volume and no geometry"
    unknown = ("distance_m", "volume_m3", "critical_distance_m", "air_loss_db", "arrival_s", "pre_delay_s")
    reasons: dict[str, str] = dict.fromkeys(unknown, why)
    channels = [
        channel.mid
        for channel in measure_response(response, sample_rate=sample_rate, centres_hz=_MID_BANDS_HZ)
    ]

    times = [band.t30_s or band.t20_s for band in channels]
    known = [time for time in times if time]
    time = sum(known) / len(known) if len(known) == len(times) else None
    if time is None:
        missing = next(band for band, found in zip(channels, times, strict=True) if not found)
        reasons["reverberation_time_s"] = missing.reasons.get("t20_s", "it cannot be measured")

    ratio = clarity = None
    direct = find_direct_sound(response, sample_rate=sample_rate)
    if not direct.stands_out:
        said = f"no direct sound stands out in it ({direct.prominence_db:.0f} dB over what follows)"
        reasons |= {"direct_to_reverberant_db": said, "clarity_db": said}
        return SeatFigures("measured", time, None, None, reasons=reasons)
    reflected = remove_direct(response, direct, sample_rate=sample_rate)
    behind = _mid_energy(reflected, sample_rate)
    if behind > 0.0:
        ratio = 10.0 * math.log10(_mid_energy(response - reflected, sample_rate) / behind)
    else:
        reasons["direct_to_reverberant_db"] = "nothing follows its direct sound"
    values = [band.c80_db for band in channels if band.c80_db is not None]
    if len(values) == len(channels):
        clarity = sum(values) / len(values)
    else:
        missing = next(band for band in channels if band.c80_db is None)
        reasons["clarity_db"] = missing.reasons.get("c80_db", "it cannot be measured")
    return SeatFigures("measured", time, ratio, clarity, reasons=reasons)


def _mid_energy(samples: Array, sample_rate: int) -> float:
    """Energy in the 500 and 1000 Hz octaves, summed over channels, to a common factor."""
    low, high = band_edges(_MID_BANDS_HZ[0])[0], band_edges(_MID_BANDS_HZ[1])[1]
    length = fast_length(len(samples))
    frequencies = np.fft.rfftfreq(length, 1.0 / sample_rate)
    keep = (frequencies >= low) & (frequencies < high)
    found = [np.abs(spectrum(channel, length)[keep]) for channel in samples.T]
    return sum(inner(amplitudes, amplitudes) for amplitudes in found)
