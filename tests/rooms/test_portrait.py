"""What is known of a room at a seat: closed formulas, theory, and what its own response measures."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import butter, sosfiltfilt

from roomplan.plan.model import Seat
from roomplan.rooms.portrait import portrait_of, response_figures
from roomplan.rooms.spec import BAND_CENTRES_HZ, SURFACES, MicrophoneSetup
from roomplan.rooms.synthesis import SyntheticResponse, synthesise


@pytest.fixture(scope="module")
def hall():
    from roomplan.rooms.room_file import load_room_specification

    spec, problems = load_room_specification("larkmere_hall")
    assert spec is not None, problems
    return spec


@pytest.fixture(scope="module")
def portrait(hall):
    return portrait_of(hall, hall.reference_seat, "main")


def test_figures_of_a_room_are_those_of_the_closed_formulas(hall, portrait):
    length, width, height = hall.dimensions_m
    volume, surface = length * width * height, 2 * (length * width + length * height + width * height)
    mid = (hall.reverberation_time_s[500] + hall.reverberation_time_s[1000]) / 2
    assert portrait.mean_free_path_m == pytest.approx(4 * volume / surface)  # 4V/S
    assert portrait.critical_distance_m == pytest.approx(
        0.0566 * math.sqrt(volume / mid), rel=0.005
    )  # textbook
    assert portrait.schroeder_frequency_hz == pytest.approx(2000 * math.sqrt(mid / volume))  # textbook
    assert portrait.mixing_time_s == pytest.approx(
        max(math.sqrt(volume), 20 * volume / surface + 12) / 1000  # Polack; Lindau et al. 2012
    )


def test_theory_and_distance_count_to_the_set_up_that_listens(hall, portrait):
    # Barron and Lee 1988, rounded constants
    mid, distance, volume = hall.mid_reverberation_time_s, portrait.distance_m, hall.volume_m3
    x, y, z = np.mean(hall.microphones["main"].positions_m, axis=0)
    assert y == pytest.approx(0.4)  # off the middle, so that the side walls answer apart
    assert x > 0.0
    assert distance == pytest.approx(math.hypot(hall.reference_seat.distance_m, z - hall.source_height_m))
    direct, reflected = 100 / distance**2, 31200 * mid / volume * math.exp(-0.04 * distance / mid)
    late = reflected * math.exp(-1.11 / mid)
    expected = 10 * math.log10((direct + reflected - late) / late)
    assert portrait.theory.clarity_db == pytest.approx(expected, abs=0.05)
    rear = portrait_of(hall, hall.reference_seat, "rear")
    assert rear.distance_m > distance + 10.0
    assert rear.theory.clarity_db < portrait.theory.clarity_db


def test_the_response_of_a_portrait_decays_as_was_asked(hall, portrait):
    assert portrait.measured.reasons == {}
    for centre in BAND_CENTRES_HZ:
        # the limits of the project's own: 3 % from 125 Hz to 4 kHz, 5 % beyond
        tolerance = 0.03 if 125 <= centre <= 4000 else 0.05
        assert portrait.measured.t30_s[centre] == pytest.approx(
            hall.reverberation_time_s[centre], rel=tolerance
        )
    assert portrait.measured.t30_mid_s == pytest.approx(hall.mid_reverberation_time_s, rel=0.03)


def test_energy_to_come_is_reflected_over_direct_energy_and_falls_by_60_db_in_the_reverberation_time(
    hall, portrait
):
    response = synthesise(hall, seat=hall.reference_seat, microphones="main", sources=1, sample_rate=48_000)
    # an independent band-pass over the 500 and 1000 Hz octaves (IEC 61260-1, exact edges)
    band = butter(6, (354.8, 1412.5), "bandpass", fs=48_000, output="sos")
    energy = {}
    for name in ("direct", "reflected"):
        padded = np.pad(getattr(response, name), ((4800, 0), (0, 0)))
        energy[name] = float(np.sum(sosfiltfilt(band, padded, axis=0) ** 2))
    assert portrait.to_come is not None
    level = portrait.to_come.level_db
    assert level[0] == pytest.approx(10 * math.log10(energy["reflected"] / energy["direct"]), abs=0.3)
    assert (np.diff(level) <= 0.0).all()
    late = portrait.to_come.times_s > 0.06
    slope = np.polyfit(portrait.to_come.times_s[late], level[late], 1)[0]
    assert -60.0 / slope == pytest.approx(hall.mid_reverberation_time_s, rel=0.15)


def test_a_set_up_that_is_deaf_to_the_direct_sound_has_no_level_relative_to_it(hall):
    x = float(np.mean(hall.microphones["main"].positions_m, axis=0)[0])
    across = MicrophoneSetup("main", ((x, 0.0, hall.source_height_m),), "figure_eight", (90.0,), (0.0,))
    deaf = portrait_of(
        replace(hall, microphones={"main": across}), Seat(8.0, 0.0, hall.reference_seat.place), "main"
    )
    assert deaf.to_come is None
    assert deaf.reflections


def test_absorption_is_that_of_the_materials_or_what_the_times_leave_for_it(hall, portrait):
    # Eyring with air: what went in comes out again
    from roomplan.rooms.walls import wall_losses

    for centre in BAND_CENTRES_HZ:
        area = hall.surface_m2 * -math.log1p(-portrait.mean_absorption[centre])
        area += 4.0 * hall.volume_m3 * wall_losses(hall).air_per_m[centre]
        time = 24.0 * math.log(10.0) / hall.sound_speed * hall.volume_m3 / area
        assert time == pytest.approx(hall.reverberation_time_s[centre], rel=1e-6)
    one_soft_wall = {
        name: dict.fromkeys(BAND_CENTRES_HZ, 0.5 if name == "floor" else 0.1) for name in SURFACES
    }
    soft = portrait_of(replace(hall, absorption=one_soft_wall), hall.reference_seat, "main")
    length, width, _height = hall.dimensions_m
    assert soft.mean_absorption[500] == pytest.approx(0.1 + 0.4 * length * width / hall.surface_m2)


def test_reflections_reach_beyond_the_mixing_time_and_the_first_is_reported(portrait):
    assert portrait.window_s > portrait.mixing_time_s
    assert max(r.after_direct_s for r in portrait.reflections) <= portrait.window_s
    assert portrait.first_reflection_s == min(r.after_direct_s for r in portrait.reflections)
    assert replace(portrait, reflections=()).first_reflection_s is None


def test_the_reference_seat_is_known_by_its_place_and_not_by_its_spread(hall, portrait):
    reference = hall.reference_seat
    assert portrait.at_reference_seat
    assert replace(portrait, seat=replace(reference, spread_m=0.0)).at_reference_seat
    assert not replace(portrait, seat=replace(reference, angle_deg=5.0)).at_reference_seat


def test_octaves_above_half_the_rate_are_none_with_a_reason(hall):
    response = synthesise(hall, seat=hall.reference_seat, microphones="main", sources=1, sample_rate=8000)
    figures = response_figures(response)
    assert figures.t30_s[8000] is None
    assert "t30_s.8000" in figures.reasons
    assert figures.t30_mid_s is not None


def test_a_silent_response_has_no_figures_and_says_why():
    silent = SyntheticResponse(np.zeros((48_000, 1)), np.zeros((48_000, 1)), 48_000)
    figures = response_figures(silent)
    assert (figures.t30_mid_s, figures.c80_mid_db) == (None, None)
    assert figures.reasons["t30_mid_s"]
    assert figures.reasons["c80_mid_db"]
