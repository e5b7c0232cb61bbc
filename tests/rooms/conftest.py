"""What the tests of rooms share: rooms of a plan, response files, noises of known decay."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from response_files import decaying_noise, write_sound

from roomplan.errors import Place
from roomplan.plan.model import ResponseFiles, Room, Seat
from roomplan.rooms.field import decay_times_of_materials
from roomplan.rooms.spec import BAND_CENTRES_HZ, SURFACES, MicrophoneSetup, RoomSpecification

__all__ = ["decaying_noise", "write_sound"]

PLACE = Place(Path("ice_harbour.yaml"), 12, 3)

# A stage whose numbers tests may count on.
STAGE = """\
title: Sedgewater Stage
dimensions: {length: 28, width: 19, height: 9}
reverberation_time: {"63": 1.1, "125": 1.0, "250": 0.9, "500": 0.85, "1000": 0.83,
  "2000": 0.8, "4000": 0.72, "8000": 0.6}
seed: 1204
microphones:
  main: {positions: [[17, -0.6, 3], [17, 0.6, 3]], pattern: omni}
  rear: {positions: [[24, -4, 4], [24, 4, 4]], pattern: omni}
reference_seat: {distance: 6, angle: 0}
"""


@pytest.fixture
def place() -> Place:
    return PLACE


@pytest.fixture
def make_seat():
    def make(distance_m: float, angle_deg: float, spread_m: float = 3.0) -> Seat:
        return Seat(distance_m, angle_deg, PLACE, spread_m)

    return make


@pytest.fixture
def box():
    """Specification of a room in code: a box without scattering, 1 s in every octave, an omni pair."""

    def make(
        *,
        dimensions_m: tuple[float, float, float] = (20.0, 14.0, 9.0),
        time_s: float = 1.0,
        materials: dict[str, float] | None = None,
        scattering: float = 0.0,
        positions_m: tuple[tuple[float, float, float], ...] = ((11.0, -0.5, 2.5), (11.0, 0.5, 2.5)),
        pattern: str = "omni",
        aims_deg: tuple[float, ...] | None = None,
        **changes: Any,
    ) -> RoomSpecification:
        count = len(positions_m)
        main = MicrophoneSetup("main", positions_m, pattern, aims_deg or (0.0,) * count, (0.0,) * count)
        absorption = None
        if materials is not None:
            absorption = {name: dict.fromkeys(BAND_CENTRES_HZ, materials[name]) for name in SURFACES}
        values: dict[str, Any] = {
            "name": "box",
            "title": "Box",
            "dimensions_m": dimensions_m,
            "reverberation_time_s": dict.fromkeys(BAND_CENTRES_HZ, time_s),
            "seed": 11,
            "microphones": {"main": main},
            "reference_seat": Seat(6.0, 0.0, PLACE),
            "source": Path("box.yaml"),
            "absorption": absorption,
            "scattering": dict.fromkeys(SURFACES, scattering),
        }
        spec = RoomSpecification(**(values | changes))
        if absorption is not None:
            spec = replace(spec, reverberation_time_s=decay_times_of_materials(spec))
        return spec

    return make


@pytest.fixture
def make_room():
    """Room of a plan, all keys at their defaults; `files` lists positions, `single` is the only response."""

    def make(
        *,
        files: dict[str, Any] | None = None,
        single: Any = None,
        **changes: Any,
    ) -> Room:
        def paths(given: Any) -> tuple[Path, ...]:
            return tuple(given) if isinstance(given, tuple) else (given,)

        responses = None
        if files is not None:
            responses = {name: ResponseFiles(paths(given), PLACE, True) for name, given in files.items()}
        elif single is not None:
            responses = {"default": ResponseFiles(paths(single), PLACE, False)}
        values: dict[str, Any] = {
            "name": "parish_nave",
            "synthetic": None,
            "responses": responses,
            "level_db": 0.0,
            "mute": False,
            "width": 1.0,
            "wiring": None,
            "normalise": "loudness",
            "gain_position": None,
            "direct": "drop",
            "align": None,
            "pre_delay_s": 0.0,
            "low_cut_hz": None,
            "high_cut_hz": None,
            "decay_scale": None,
            "reverberation_time_s": None,
            "trim_tail": True,
            "place": PLACE,
        }
        return Room(**(values | changes))

    return make


@pytest.fixture
def stage_file(tmp_path: Path):
    """Write `STAGE`, with one change, as a room file of its own."""

    def write(old: str = "", new: str = "", *, name: str = "my_stage.yaml") -> Path:
        assert not old or STAGE.count(old) == 1
        path = tmp_path / name
        path.write_text(STAGE.replace(old, new) if old else STAGE, encoding="utf-8")
        return path

    return write


@pytest.fixture
def hall_response(decaying_noise):
    """Response with a direct sound, a gap of 20 ms and a diffuse decay: (frames, channels)."""

    def make(
        *,
        channels: int = 2,
        sample_rate: int = 48_000,
        lead_s: float = 0.005,
        gap_s: float = 0.02,
        time_s: float = 1.0,
        length_s: float = 1.5,
        direct: float = 0.9,
        seed: int = 1,
    ) -> np.ndarray:
        samples = np.zeros((round(length_s * sample_rate), channels))
        lead, gap = round(lead_s * sample_rate), round(gap_s * sample_rate)
        samples[lead] = direct
        start = lead + gap
        noise = decaying_noise(
            time_s, length_s=length_s, channels=channels, sample_rate=sample_rate, seed=seed
        )
        samples[start:] = noise[: len(samples) - start]
        return samples

    return make
