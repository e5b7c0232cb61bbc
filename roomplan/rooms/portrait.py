"""Everything known of a synthetic room at one seat: what follows from its size, what its response measures.

Conventions
-----------
Metres, seconds, hertz, decibels. *Mid* is the mean of the 500 and 1000 Hz octaves. Figures of a response are
means over its channels, direct sound included; a figure the response cannot support is None, its reason
is in `reasons`. Theory and reflections are those of an omnidirectional microphone in the middle of the
set-up.

Sources
-------
Mid frequencies: ISO 3382-1:2009, clause 9.1. Mean free path 4V/S: Kosten 1960, from memory. All others: see
`roomplan.acoustics.room_formulas`.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Protocol

import numpy as np

from roomplan.acoustics.bands import band_edges
from roomplan.acoustics.room_formulas import (
    REFERENCE_DISTANCE_M,
    critical_distance,
    mixing_time,
    revised_theory,
    schroeder_frequency,
)
from roomplan.acoustics.transforms import fast_length, inverse_real, spectrum
from roomplan.frozen_classes import frozen_class
from roomplan.rooms.coherence import diffuse_correlation, microphone_aims
from roomplan.rooms.geometry import PATTERNS, setup_middle, source_position
from roomplan.rooms.images import early_reflections
from roomplan.rooms.spec import BAND_CENTRES_HZ, SURFACES
from roomplan.rooms.spectrogram import spectrogram_of
from roomplan.rooms.walls import wall_losses

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from roomplan.acoustics.room_formulas import FieldEnergies
    from roomplan.plan.model import Seat
    from roomplan.rooms.images import Reflection
    from roomplan.rooms.spec import RoomSpecification
    from roomplan.rooms.spectrogram import Spectrogram
    from roomplan.rooms.synthesis import SyntheticResponse

    Array = NDArray[np.float64]

__all__ = [
    "SAMPLE_RATE_HZ",
    "EnergyToCome",
    "HeardOfResponse",
    "PortraitFigures",
    "PortraitStore",
    "RoomPortrait",
    "portrait_of",
    "response_figures",
]

SAMPLE_RATE_HZ = 48_000  # of the response a portrait measures
LINES = 200  # of an octave, for a correlation
POINTS = 400  # of the energy to come
MIXED_TIMES, FREE_PATHS = 1.3, 3.0  # how far a portrait looks; both common practice, no source
FAINTEST_DIRECT = 1e-3  # share of its energy that a set-up must hear for levels relative to it


@frozen_class
class EnergyToCome:
    """Reflected energy of a response that is still to come, mid bands, in dB relative to its direct sound.

    Attributes
    ----------
    times_s, level_db : ndarray, shape (points,)
        After the direct sound. The level at the time 0 is that of all reflected sound.
    """

    times_s: Array
    level_db: Array


@frozen_class
class PortraitFigures:
    """What a response measures, direct sound included, mean over its channels.

    Attributes
    ----------
    t30_s : mapping of int to (float or None)
        Octave centre → s.
    reasons : mapping of str to str
        Why a figure is None: "t30_mid_s", "c80_mid_db", "t30_s.63" and so on.
    """

    t30_s: Mapping[int, float | None]
    t30_mid_s: float | None
    c80_mid_db: float | None
    reasons: Mapping[str, str]


@frozen_class
class HeardOfResponse:
    """What of a portrait comes from the synthesised response; `to_come` as in `RoomPortrait`."""

    measured: PortraitFigures
    to_come: EnergyToCome | None
    spectrogram: Spectrogram


class PortraitStore(Protocol):
    """Keeps what portraits measure, by all that it depends on.

    It only saves time and raises nothing: what it cannot give back as it was put in it does not have.
    """

    def get(self, spec: RoomSpecification, seat: Seat, microphones: str) -> HeardOfResponse | None:
        """What was measured of this room from this seat; None when that is not known."""
        ...

    def put(self, spec: RoomSpecification, seat: Seat, microphones: str, heard: HeardOfResponse) -> None:
        """Keep what was measured."""
        ...


@frozen_class
class RoomPortrait:
    """A room, heard from one seat by one set-up.

    Attributes
    ----------
    distance_m : float
        Way of the direct sound to the middle of the set-up.
    mixing_time_s : float
        After the direct sound.
    mean_absorption : mapping of int to float
        Octave centre → coefficient, mean over the surfaces: of the materials, or as the times imply it.
    theory : FieldEnergies
        Revised theory at `distance_m`, mid bands.
    measured : PortraitFigures
        Of the synthesised response.
    reflections : tuple of Reflection
        By time, up to `window_s` after the direct sound.
    late_correlation : mapping of int to float, or None
        Octave centre → of the two channels in a diffuse field, −1 to 1; None where one is heard.
    to_come : EnergyToCome or None
        None where the set-up hears next to nothing of the direct sound.
    spectrogram : Spectrogram
        Of the synthesised response.
    """

    spec: RoomSpecification
    seat: Seat
    microphones: str
    distance_m: float
    mean_free_path_m: float
    mixing_time_s: float
    critical_distance_m: float
    schroeder_frequency_hz: float
    mean_absorption: Mapping[int, float]
    theory: FieldEnergies
    measured: PortraitFigures
    reflections: tuple[Reflection, ...]
    window_s: float
    late_correlation: Mapping[int, float] | None
    to_come: EnergyToCome | None
    spectrogram: Spectrogram

    @property
    def first_reflection_s(self) -> float | None:
        """First reflection after the direct sound; None when the window holds none."""
        return self.reflections[0].after_direct_s if self.reflections else None

    @property
    def at_reference_seat(self) -> bool:
        """Whether the seat is the room's reference seat."""
        ours, reference = self.seat, self.spec.reference_seat
        return (ours.distance_m, ours.angle_deg) == (reference.distance_m, reference.angle_deg)


def portrait_of(
    spec: RoomSpecification, seat: Seat, microphones: str, *, store: PortraitStore | None = None
) -> RoomPortrait:
    """Look at a room from a seat.

    Parameters
    ----------
    seat : Seat
        One that `roomplan.rooms.geometry.seat_fault` accepts.
    microphones : str
        Name of a set-up of the room.
    store : PortraitStore, optional
        Spares synthesising the response of one source at 48 kHz, which takes most of the time.
    """
    distance = float(np.linalg.norm(source_position(spec, seat) - setup_middle(spec, microphones)))
    volume, surface, mid = spec.volume_m3, spec.surface_m2, spec.mid_reverberation_time_s
    free_path, mixed = 4.0 * volume / surface, mixing_time(volume, surface)
    window = max(MIXED_TIMES * mixed, FREE_PATHS * free_path / spec.sound_speed)
    heard = None if store is None else store.get(spec, seat, microphones)
    if heard is None:
        heard = _heard_of_response(spec, seat, microphones, distance, window)
        if store is not None:
            store.put(spec, seat, microphones, heard)
    return RoomPortrait(
        spec=spec,
        seat=seat,
        microphones=microphones,
        distance_m=distance,
        mean_free_path_m=free_path,
        mixing_time_s=mixed,
        critical_distance_m=critical_distance(volume, mid, sound_speed=spec.sound_speed),
        schroeder_frequency_hz=schroeder_frequency(volume, mid),
        mean_absorption=_mean_absorption(spec),
        theory=revised_theory(volume, mid, distance, sound_speed=spec.sound_speed),
        measured=heard.measured,
        reflections=early_reflections(spec, seat, microphones, within_s=window),
        window_s=window,
        late_correlation=_late_correlation(spec, microphones),
        to_come=heard.to_come,
        spectrogram=heard.spectrogram,
    )


def _heard_of_response(
    spec: RoomSpecification, seat: Seat, microphones: str, distance_m: float, window_s: float
) -> HeardOfResponse:
    from roomplan.rooms.synthesis import synthesise

    response = synthesise(spec, seat=seat, microphones=microphones, sources=1, sample_rate=SAMPLE_RATE_HZ)
    return HeardOfResponse(
        response_figures(response),
        _energy_to_come(response, distance_m, window_s),
        spectrogram_of(response.direct + response.reflected, sample_rate=SAMPLE_RATE_HZ),
    )


def response_figures(response: SyntheticResponse) -> PortraitFigures:
    """Measure a synthesised response.

    Parameters
    ----------
    response : SyntheticResponse
        At any rate; octaves that it cannot hold are None.
    """
    from roomplan.acoustics.analysis import measure_response

    channels = measure_response(
        response.direct + response.reflected, sample_rate=response.sample_rate, centres_hz=BAND_CENTRES_HZ
    )
    reasons: dict[str, str] = {}

    def mean(key: str, name: str, found: list) -> float | None:
        values = [getattr(band, key) for band in found]
        if None not in values:
            return float(np.mean(values))
        reasons[name] = next(band.reasons[key] for band in found if getattr(band, key) is None)
        return None

    times = {
        centre: mean("t30_s", f"t30_s.{centre}", [channel.bands[i] for channel in channels])
        for i, centre in enumerate(BAND_CENTRES_HZ)
    }
    mids = [channel.mid for channel in channels]
    return PortraitFigures(
        times, mean("t30_s", "t30_mid_s", mids), mean("c80_db", "c80_mid_db", mids), reasons
    )


def _mean_absorption(spec: RoomSpecification) -> dict[int, float]:
    """Mean coefficient by band, surfaces weighed by their areas."""
    if spec.absorption is None:
        losses = wall_losses(spec).by_surface
        return {centre: float(-np.expm1(-losses[centre][0])) for centre in BAND_CENTRES_HZ}
    by_surface = [spec.absorption[name] for name in SURFACES]
    return {
        centre: float(np.average([given[centre] for given in by_surface], weights=spec.areas_m2))
        for centre in BAND_CENTRES_HZ
    }


def _late_correlation(spec: RoomSpecification, microphones: str) -> dict[int, float] | None:
    """Closed form for the set-up: a draw of noise scatters about it."""
    setup = spec.microphones[microphones]
    if setup.outputs < 2:
        return None
    at, aims = np.array(setup.positions_m), microphone_aims(setup.aims_deg, setup.tilts_deg)
    omni, speed = PATTERNS[setup.pattern], spec.sound_speed
    return {
        centre: diffuse_correlation(
            np.linspace(*band_edges(centre), LINES), at, aims, omni, sound_speed=speed
        )
        for centre in BAND_CENTRES_HZ
    }


def _energy_to_come(response: SyntheticResponse, distance_m: float, window_s: float) -> EnergyToCome | None:
    """Backward-integrated reflected energy, from the direct sound of the set-up on."""
    whole = float(np.sum(np.square(response.direct)))
    # Share of what an omnidirectional microphone in the middle would hear.
    heard = whole / response.direct.shape[1] * (distance_m / REFERENCE_DISTANCE_M) ** 2
    direct = float(np.sum(_mid_band(response.direct, response.sample_rate)))
    if heard < FAINTEST_DIRECT or direct <= 0.0:
        return None
    start = int(np.argmax(np.max(np.abs(response.direct), axis=1)))
    frames = len(response.reflected)
    reflected = np.sum(_mid_band(response.reflected, response.sample_rate), axis=1)[start:frames]
    remaining = np.cumsum(reflected[::-1])[::-1] / direct
    last = min(math.ceil(window_s * response.sample_rate), len(remaining) - 1)
    index = np.unique(np.linspace(0, last, POINTS).astype(int))
    level = 10.0 * np.log10(np.maximum(remaining[index], 1e-30))
    return EnergyToCome(index / response.sample_rate, level)


def _mid_band(samples: Array, sample_rate: int) -> Array:
    """Energy of each sample in the 500 and 1000 Hz octaves; no phase is turned.

    Longer than the samples: what rings ahead of the first one is at the end.
    """
    low, high = band_edges(500.0)[0], band_edges(1000.0)[1]
    length = fast_length(len(samples) + sample_rate // 10)
    frequencies = np.fft.rfftfreq(length, 1.0 / sample_rate)
    keep = (frequencies >= low) & (frequencies < high)
    found = [inverse_real(spectrum(channel, length) * keep, length) for channel in samples.T]
    return np.square(np.stack(found, axis=1))
