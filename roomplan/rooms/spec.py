"""What a synthetic room is: its walls, its decay, its air, its microphones.

Conventions
-----------
Metres, seconds, hertz, degrees; °C and % relative humidity. Coordinates and seats are those of
`roomplan.rooms.geometry`. Surfaces go by the names in `SURFACES`; left and right are those of somebody who
faces the stage.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from roomplan.acoustics.room_formulas import speed_of_sound
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from roomplan.plan.model import Seat

__all__ = [
    "BAND_CENTRES_HZ",
    "SURFACES",
    "MicrophoneSetup",
    "Panel",
    "RoomSpecification",
    "Scatterers",
    "Stage",
    "scale_reverberation",
]

BAND_CENTRES_HZ = (63, 125, 250, 500, 1000, 2000, 4000, 8000)

# x = 0, x = length; y = −width/2, y = width/2; z = 0, z = height: the order of image sources.
SURFACES = ("stage_wall", "far_wall", "left_wall", "right_wall", "floor", "ceiling")

DEFAULT_SOURCE_HEIGHT_M = 1.5


@frozen_class
class MicrophoneSetup:
    """One microphone (mono), a left and a right one, or left, right and a centre that goes to both at −3 dB.

    Points in metres, one pattern, directions in degrees: `aims_deg` right of the stage, `tilts_deg` above the
    horizontal.
    """

    name: str
    positions_m: tuple[tuple[float, float, float], ...]
    pattern: str
    aims_deg: tuple[float, ...]
    tilts_deg: tuple[float, ...]

    @property
    def outputs(self) -> int:
        """Channels that are heard: 1 or 2."""
        return min(2, len(self.positions_m))


@frozen_class
class Stage:
    """The part of the floor where players sit: from and to along the hall, and its width about the middle."""

    from_m: float
    to_m: float
    width_m: float


@frozen_class
class Panel:
    """A thin rectangle: a wall of the stage, a canopy. See `roomplan.rooms.panels`.

    Metres; `size_m` across and along; where it looks, in degrees, as microphones do; absorption by octave
    centre; the share of the reflected energy that is scattered.
    """

    name: str
    centre_m: tuple[float, float, float]
    size_m: tuple[float, float]
    aim_deg: float
    tilt_deg: float
    absorption: Mapping[int, float]
    scattering: float


@frozen_class
class Scatterers:
    """Bodies whose places are not known one by one, such as risers, balconies or columns.

    `area_m2` is the surface of all of them. They are spread from and to along the hall, over a width about
    the middle of which `clear_m` is free, between two heights.
    """

    name: str
    area_m2: float
    from_m: float
    to_m: float
    width_m: float
    clear_m: float
    heights_m: tuple[float, float]


@frozen_class
class RoomSpecification:
    """A synthetic room as its file describes it.

    Attributes
    ----------
    reverberation_time_s : mapping of int to float
        Nominal octave centre in Hz → s: as asked for, or as the materials give it (T30 of their decay).
    absorption : mapping of str to mapping of int to float, or None
        Surface → octave centre → coefficient, where the file gives materials; None where it gives times.
    scattering : mapping of str to float
        Surface → share of the reflected energy that is not mirrored, 0 to 1.
    decay_scale : float
        What the decay of materials is stretched by; `reverberation_time_s` has it in already.
    """

    name: str
    title: str
    dimensions_m: tuple[float, float, float]  # length, width, height
    reverberation_time_s: Mapping[int, float]
    seed: int
    microphones: Mapping[str, MicrophoneSetup]  # `main` first
    reference_seat: Seat
    source: Path
    absorption: Mapping[str, Mapping[int, float]] | None
    scattering: Mapping[str, float]
    character: str = ""
    stage: Stage | None = None
    temperature_c: float = 20.0
    humidity_percent: float = 50.0
    source_height_m: float = DEFAULT_SOURCE_HEIGHT_M
    decay_scale: float = 1.0
    panels: tuple[Panel, ...] = ()
    scatterers: tuple[Scatterers, ...] = ()

    @property
    def volume_m3(self) -> float:
        """Volume of the shoebox."""
        length, width, height = self.dimensions_m
        return length * width * height

    @property
    def surface_m2(self) -> float:
        """Surface of the shoebox."""
        length, width, height = self.dimensions_m
        return 2.0 * (length * width + length * height + width * height)

    @property
    def areas_m2(self) -> tuple[float, ...]:
        """Areas of the surfaces, in the order of `SURFACES`."""
        length, width, height = self.dimensions_m
        return (width * height,) * 2 + (length * height,) * 2 + (length * width,) * 2

    @property
    def sound_speed(self) -> float:
        """Speed of sound in m/s at the room's temperature."""
        return speed_of_sound(self.temperature_c)

    @property
    def mid_reverberation_time_s(self) -> float:
        """Mean of the 500 and 1000 Hz octaves (ISO 3382-1:2009, clause 9.1)."""
        return (self.reverberation_time_s[500] + self.reverberation_time_s[1000]) / 2.0


def scale_reverberation(spec: RoomSpecification, scale: float) -> RoomSpecification:
    """Give the same room with every reverberation time multiplied by `scale`."""
    times = {centre: scale * time for centre, time in spec.reverberation_time_s.items()}
    return replace(spec, reverberation_time_s=times, decay_scale=scale * spec.decay_scale)
