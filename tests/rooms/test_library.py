"""The bundled rooms against their own files, Barron's theory and independent judges.

Over 18 seats of each bundled room, both set-ups: T30 within 2.5 % (125 Hz to 4 kHz) and 3.2 % (63 Hz, 8 kHz)
on every channel; mean EDT of the reflected part -4.5 to +0.2 %; C80 -0.3 to +0.9 dB and reflected level -0.3
to +0.5 dB from theory, each corrected for the pattern. 63 Hz behind filters of order 14 scatters more, up to
17 % at T 1 s: the filter itself rings for 0.57 s.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pyfar
import pytest
import scipy.signal

from roomplan.acoustics.analysis import measure_response
from roomplan.acoustics.room_formulas import air_attenuation, mixing_time, revised_theory
from roomplan.rooms.geometry import PATTERNS, source_position
from roomplan.rooms.images import early_reflections
from roomplan.rooms.room_file import bundled_rooms, load_room_specification
from roomplan.rooms.spec import BAND_CENTRES_HZ, MicrophoneSetup
from roomplan.rooms.synthesis import synthesise

RATE = 24_000  # holds the 8 kHz octave; a room is the same at every rate (test_synthesis)
OCTAVES = (125, 250, 500, 1000, 2000, 4000)
NAMES = sorted(bundled_rooms())

# CSN 73 0527 (check values, section 10): optimum T0 by use and volume, and the allowed T/T0 for music.
PUBLISHED = {
    "larkmere_hall": lambda volume: 0.523 * np.log10(volume) - 0.100,  # orchestral
    "marram_choir_room": lambda volume: 0.396 * np.log10(volume) - 0.026,  # rehearsal of orchestra, choir
    "orrin_nave": lambda volume: 0.731 * np.log10(volume) - 0.371,  # organ
    "quillmoor_studio": lambda volume: 0.430 * np.log10(volume),  # chamber music
    "sedgewater_chapel": lambda volume: 0.731 * np.log10(volume) - 0.371,  # organ
    "tallowyard_stage": lambda volume: 0.250 * np.log10(volume) - 0.030,  # amplified music: nearest use
    # "Audio Engineering", Room Acoustics, p. 855 (read in one excerpt): talks studio of 60 m³ 0.25 s, drama
    # studio of 400 m³ 0.4 s; a straight line over lg V between them
    "thistlecote_booth": lambda volume: 0.25 + 0.15 * np.log(volume / 60.0) / np.log(400.0 / 60.0),
    "wrenfold_chamber": lambda volume: 0.430 * np.log10(volume),  # chamber music
}
ALLOWED = {
    125: (1.0, 1.45),
    250: (0.8, 1.2),
    500: (0.8, 1.2),
    1000: (0.8, 1.2),
    2000: (0.8, 1.2),
    4000: (0.65, 1.2),
}
# Volumes (m³) for which the formula of that use is stated.
VALID_VOLUME = {
    "larkmere_hall": (800, 20_000),
    "marram_choir_room": (300, 3000),
    "orrin_nave": (800, 30_000),
    "quillmoor_studio": (200, 20_000),
    "sedgewater_chapel": (800, 30_000),
    "tallowyard_stage": (100, 20_000),
    "thistlecote_booth": (60, 400),
    "wrenfold_chamber": (200, 20_000),
}


@cache
def specification(name):
    spec, problems = load_room_specification(name)
    assert problems == []
    assert spec is not None
    return spec


def level_db(energy):
    return 10.0 * np.log10(energy)


def measurable(centre_hz, time_s, order=4):
    """Whether an octave filter rings shorter than the room: B T over 40, of order 14 over 80.

    ISO 3382-2:2008, 7.3, asks for 16. Only the booth has octaves that are not: 63, 125, 250 Hz.
    """
    return 0.7046 * centre_hz * time_s > (80.0 if order > 4 else 40.0)


def t30_within(name, centre_hz, time_s):
    """3 % (5 % at 63 Hz and 8 kHz); in the booth the scatter of one T30 by chance, where that is more.

    0.55 √(1.15/BT), ISO 3382-2:2008, 7.1, its form for one impulse response: 6 % at 500 Hz and 0.3 s.
    Of some 30 seeds of an earlier booth of the same times, 18 kept 2.8 % behind the filter of order 14,
    and 8 of these missed 3 % behind ours: a seed that meets both would be luck and no promise.
    """
    usual = 0.03 if centre_hz in OCTAVES else 0.05
    if name != "thistlecote_booth":
        return usual
    return max(usual, 0.55 * math.sqrt(1.15 / (0.7046 * centre_hz * time_s)))


@pytest.fixture
def seats(make_seat):
    """Nine seats of a room's stage: three distances, three angles."""

    def make(name):
        spec = specification(name)
        assert spec.stage is not None
        depth = spec.microphones["main"].positions_m[0][0] - spec.stage.from_m
        return [make_seat(share * depth, angle) for share in (0.4, 0.65, 0.9) for angle in (-22.0, 2.0, 17.0)]

    return make


def test_there_are_eight_rooms_and_each_has_two_set_ups_a_stage_and_a_character():
    assert set(NAMES) == set(PUBLISHED)
    for name in NAMES:
        spec = specification(name)
        assert spec.name == name
        assert set(spec.microphones) >= {"main", "rear"}
        assert next(iter(spec.microphones)) == "main"
        assert spec.stage is not None
        assert spec.character


def test_the_set_ups_of_the_library_show_every_kind():
    setups = [setup for name in NAMES for setup in specification(name).microphones.values()]
    apart = [math.dist(m.positions_m[0], m.positions_m[1]) for m in setups]
    assert min(apart) == 0.0  # coincident
    assert any(0.1 <= way <= 0.3 for way in apart)  # near-coincident
    mains = [specification(name).microphones["main"].positions_m for name in NAMES]
    assert any(math.dist(*at) >= 0.5 for at in mains)  # spaced
    assert any(len(m.positions_m) == 3 for m in setups)  # wide pair and centre
    assert len({specification(name).seed for name in NAMES}) == len(NAMES)


def of_plane_waves(spec, frequencies):
    """Correlation of the channels of `main` over 4000 plane waves from evenly spread directions."""
    setup, count = spec.microphones["main"], 4000
    turn = np.arange(count) * math.pi * (3.0 - math.sqrt(5.0))  # golden angle
    up = 1.0 - (2.0 * np.arange(count) + 1.0) / count
    towards = np.stack([np.sqrt(1.0 - up**2) * np.cos(turn), np.sqrt(1.0 - up**2) * np.sin(turn), up], axis=1)
    aims, tilts = np.radians(setup.aims_deg), np.radians(setup.tilts_deg)
    looks = [-np.cos(aims) * np.cos(tilts), np.sin(aims) * np.cos(tilts), np.sin(tilts)]
    omni = PATTERNS[setup.pattern]
    gains = omni + (1.0 - omni) * towards @ np.array(looks)
    apart = towards @ (np.array(setup.positions_m[1]) - np.array(setup.positions_m[0]))
    waves = np.cos(2.0 * math.pi / spec.sound_speed * np.multiply.outer(frequencies, apart))
    both = np.mean(waves * (gains[:, 0] * gains[:, 1]), axis=1)
    return both / math.sqrt(float(np.mean(gains[:, 0] ** 2) * np.mean(gains[:, 1] ** 2)))


@pytest.mark.parametrize("name", NAMES)
def test_the_late_sound_of_a_main_set_up_has_in_common_what_a_diffuse_field_has_and_that_is_little(
    name, seats
):
    # Third octaves from 500 Hz up, nine seats, from 150 ms on. Chance moves the lowest by 1/√(2B T/6.9 · 9),
    # 0.03 to 0.06, in the booth, whose decay is so short, 0.1; the others by less.
    spec = specification(name)
    mids = 500.0 * 2.0 ** (np.arange(14) / 3.0)
    shared = np.zeros((3, len(mids)))
    for seat in seats(name):
        late = synthesise(spec, seat=seat, microphones="main", sources=1, sample_rate=RATE).reflected
        left, right = np.fft.rfft(late[round(0.15 * RATE) :], axis=0).T
        lines = np.arange(len(left)) * (RATE / (2 * len(left) - 2))
        inside = np.abs(np.log2(np.maximum(lines, 1.0) / mids[:, None])) < 1.0 / 6.0
        parts = (np.real(left * np.conj(right)), np.abs(left) ** 2, np.abs(right) ** 2)
        shared += np.array([inside @ part for part in parts])
    found = shared[0] / np.sqrt(shared[1] * shared[2])
    assert np.max(np.abs(found)) <= 0.5
    within = mids[:, None] * 2.0 ** np.linspace(-1.0 / 6.0, 1.0 / 6.0, 9)
    expected = np.mean(of_plane_waves(spec, within.ravel()).reshape(within.shape), axis=1)
    chance = 0.1 if name == "thistlecote_booth" else 0.05
    assert np.sqrt(np.mean((found - expected) ** 2)) < chance


@pytest.mark.parametrize("name", NAMES)
def test_a_main_set_up_turns_30_degrees_into_3_db_or_three_tenths_of_a_millisecond(name, make_seat):
    # Of the direct sound; by the geometry of the file, and in the samples.
    spec = specification(name)
    main, distance = spec.microphones["main"], spec.reference_seat.distance_m
    differences = []
    for angle in (-30.0, 30.0):
        seat = make_seat(distance, angle)
        source = source_position(spec, seat)
        ways_s = np.linalg.norm(np.array(main.positions_m)[:2] - source, axis=1) / spec.sound_speed
        direct = synthesise(spec, seat=seat, microphones="main", sources=1, sample_rate=RATE).direct
        levels = level_db(np.sum(direct[: round(0.03 * RATE)] ** 2, axis=0))
        differences.append((levels[1] - levels[0], 1000.0 * (ways_s[0] - ways_s[1])))
    (left_db, left_ms), (right_db, right_ms) = differences
    assert left_db == pytest.approx(-right_db, abs=0.3)
    assert left_ms == pytest.approx(-right_ms, abs=1e-6)
    assert right_db >= 3.0 or right_ms >= 0.3


@pytest.mark.parametrize("name", NAMES)
def test_reverberation_times_stand_in_the_published_range_of_their_use(name):
    spec = specification(name)
    low, high = VALID_VOLUME[name]
    assert low <= spec.volume_m3 <= high
    optimum = PUBLISHED[name](spec.volume_m3)
    for centre, (least, most) in ALLOWED.items():
        assert least <= spec.reverberation_time_s[centre] / optimum <= most, (centre, optimum)


@pytest.mark.parametrize("name", NAMES)
def test_no_room_rings_longer_than_its_air_lets_it(name):
    spec = specification(name)
    mid_bands = np.array([3981.07, 7943.28])  # IEC 61260-1, exact
    air = air_attenuation(mid_bands, temperature_c=spec.temperature_c, humidity_percent=spec.humidity_percent)
    limits = 60.0 / (air * spec.sound_speed)
    assert spec.reverberation_time_s[4000] < limits[0]
    assert spec.reverberation_time_s[8000] < limits[1]


@pytest.mark.parametrize(
    ("name", "microphones"), [(name, setup) for name in NAMES for setup in specification(name).microphones]
)
def test_t30_of_every_octave_is_the_one_asked_for_and_the_decay_is_straight(name, microphones, seats):
    # 3 % from 125 Hz to 4 kHz, 5 % at 63 Hz and 8 kHz, on every channel of three seats; curvature
    # (ISO 3382-2, Annex B) under 5 % where B·T > 1500.
    spec = specification(name)
    for seat in (seats(name)[1], seats(name)[3], seats(name)[8]):
        response = synthesise(spec, seat=seat, microphones=microphones, sources=1, sample_rate=RATE)
        centres = (63, *OCTAVES, 8000)
        for figures in measure_response(response.reflected, sample_rate=RATE, centres_hz=centres):
            for band in figures.bands:
                asked = spec.reverberation_time_s[int(band.centre_hz or 0)]
                if not measurable(band.centre_hz, asked):
                    continue
                tolerance = t30_within(name, band.centre_hz, asked)
                assert band.t30_s == pytest.approx(asked, rel=tolerance), (seat, band.centre_hz)
                if 0.71 * (band.centre_hz or 0.0) * asked > 1500.0:
                    assert band.t30_s is not None
                    assert band.t20_s is not None
                    assert abs(100.0 * (band.t30_s / band.t20_s - 1.0)) < 5.0, (seat, band.centre_hz)


# At 63 Hz a filter of order 14 rings for 0.57 s by itself and hears the noise unevenly, steep as it is: T30
# scatters by 1 to 7 % there, the more the shorter it is.
@pytest.mark.parametrize(("order", "octaves", "within"), [(14, OCTAVES, 0.03), (4, (63, 8000), 0.05)])
@pytest.mark.parametrize("name", NAMES)
def test_t30_behind_an_independent_octave_filter_is_the_one_asked_for(name, seats, order, octaves, within):
    # pyfar's octave filters (forward) and a least-squares fit written here.
    spec = specification(name)
    response = synthesise(spec, seat=seats(name)[4], microphones="main", sources=1, sample_rate=RATE)
    for channel in (0, 1):
        sound = pyfar.Signal(response.reflected[:, channel], RATE)
        bands: Any = pyfar.dsp.filter.fractional_octave_bands(
            sound, 1, frequency_range=(63, 8000), order=order
        )
        for filtered, centre in zip(bands.time.reshape(8, -1), BAND_CENTRES_HZ, strict=True):
            if centre not in octaves or not measurable(centre, spec.reverberation_time_s[centre], order):
                continue
            energy = np.cumsum(filtered[::-1] ** 2)[::-1]
            curve = level_db(energy / energy[0] + 1e-30)
            inside = (curve <= -5.0) & (curve >= -35.0)
            slope = np.polyfit(np.flatnonzero(inside) / RATE, curve[inside], 1)[0]
            asked = spec.reverberation_time_s[centre]
            tolerance = (
                max(within, t30_within(name, centre, asked)) if name == "thistlecote_booth" else within
            )
            assert -60.0 / slope == pytest.approx(asked, rel=tolerance), centre


@pytest.mark.parametrize("name", NAMES)
def test_edt_of_the_reflected_part_is_within_one_just_noticeable_step_of_the_time_asked_for(name, seats):
    # One step of EDT is 5 % (ISO 3382-1:2009, Table A.1), the mean over nine seats; 500 and 1000 Hz.
    spec = specification(name)
    for microphones in ("main", "rear"):
        early = [
            [band.edt_s for band in figures.bands]
            for seat in seats(name)
            for figures in measure_response(
                synthesise(spec, seat=seat, microphones=microphones, sources=1, sample_rate=8000).reflected,
                sample_rate=8000,
                centres_hz=(500, 1000),
            )
        ]
        means = np.mean(np.array(early, dtype=float), axis=0)
        asked = np.array([spec.reverberation_time_s[500], spec.reverberation_time_s[1000]])
        np.testing.assert_allclose(means, asked, rtol=0.05)


@pytest.mark.parametrize("name", NAMES)
def test_clarity_and_strength_follow_the_revised_theory(name, seats):
    # Barron and Lee (1988), direct sound included, omnidirectional; the mean over nine seats, within 1 dB,
    # and falling with distance as it says: direct-to-reverberant ratio within 1 dB at both ends.
    spec = specification(name)
    middle = tuple(np.mean(spec.microphones["main"].positions_m, axis=0).tolist())
    omni = MicrophoneSetup("omni", (middle,), "omni", (0.0,), (0.0,))
    spec = replace(spec, microphones={**spec.microphones, "omni": omni})
    clarity, strength, ratio = [], [], []
    for seat in seats(name):
        response = synthesise(spec, seat=seat, microphones="omni", sources=1, sample_rate=8000)
        (figures,) = measure_response(
            response.direct + response.reflected, sample_rate=8000, centres_hz=(500, 1000)
        )
        way = math.dist(source_position(spec, seat).tolist(), middle)
        theory = [revised_theory(spec.volume_m3, spec.reverberation_time_s[c], way) for c in (500, 1000)]
        clarity.append(
            np.mean([band.c80_db or math.nan for band in figures.bands])
            - np.mean([t.clarity_db for t in theory])
        )
        # Energy of an octave: from the spectrum, as the mean of Σh² per hertz.
        lines = np.fft.rfftfreq(len(response.direct), 1.0 / 8000)
        mid = (lines > 355.0) & (lines < 1413.0)
        direct, reflected = (
            float(np.mean(np.abs(np.fft.rfft(part[:, 0]))[mid] ** 2))
            for part in (response.direct, response.reflected)
        )
        strength.append(level_db(direct + reflected) - np.mean([t.strength_db for t in theory]))
        ratio.append(level_db(direct / reflected) - np.mean([t.direct_to_reverberant_db for t in theory]))
    assert abs(np.mean(clarity)) < 1.0
    assert abs(np.mean(strength)) < 1.0
    assert abs(np.mean(ratio[:3])) < 1.0
    assert abs(np.mean(ratio[-3:])) < 1.0


HALLS = [name for name in NAMES if specification(name).dimensions_m[2] > 4.0]

# The geometry of an earlier Larkmere Hall, with bare surfaces: after the floor nothing for 37 ms, then the
# stage wall and both side walls, the two at once.
BARE_HALL = """
title: Bare Larkmere
dimensions: {length: 44, width: 23, height: 17}
reverberation_time: {"63": 2.5, "125": 2.4, "250": 2.2, "500": 2.1,
                     "1000": 2.05, "2000": 1.85, "4000": 1.5, "8000": 1.15}
scattering: {walls: 0.05, ceiling: 0.05, floor: 0.1}
microphones:
  main: {positions: [[16, -0.35, 3.4], [16, 0.35, 3.4]], pattern: omni}
reference_seat: {distance: 9, angle: 0}
seed: 1201
"""


@pytest.fixture(scope="module")
def bare_hall(tmp_path_factory):
    path = tmp_path_factory.mktemp("rooms") / "bare_larkmere.yaml"
    path.write_text(BARE_HALL, encoding="utf-8")
    spec, problems = load_room_specification(path)
    assert problems == []
    return spec


def made_at_reference_seat(spec):
    return synthesise(spec, seat=spec.reference_seat, microphones="main", sources=1, sample_rate=48_000)


def first_frame(made):
    return int(np.argmax(np.max(np.abs(made.direct), axis=1)))


def least_early_levels_db(spec):
    """Least level of 5 ms cells from 5 to 60 ms, and of any 10 ms in them, re the direct sound."""
    made = made_at_reference_seat(spec)
    energy = np.sum(made.reflected[first_frame(made) :] ** 2, axis=1) / np.sum(made.direct**2)
    running = np.concatenate([[0.0], np.cumsum(energy)])
    cells = [level_db(running[(t + 5) * 48] - running[t * 48]) for t in range(5, 60, 5)]
    windows = [level_db(running[t + 480] - running[t]) for t in range(5 * 48, 50 * 48, 12)]
    return min(cells), min(windows)


def nearest_first_reflections_s(spec):
    """Least time between the first-order reflections of two surfaces; what panels hide is none."""
    found = early_reflections(spec, spec.reference_seat, "main", within_s=0.1)
    return np.min(np.diff([r.after_direct_s for r in found if r.order == 1 and r.level_db > -40.0]))


def echo_criteria(spec):
    """Echo criteria for speech and for music, the largest of the channels.

    Dietsch and Kraak (1986), read in one excerpt of a handbook (Ahnert and Tennhardt, "Acoustics for
    Auditoriums and Concert Halls", in Handbook for Sound Engineers, 7.2.2.5): the growth of the centre time
    of |p|ⁿ over the last 9 ms (speech, n = 2/3, the octave of 1 kHz) or 14 ms (music, n = 1, those of 1 and
    2 kHz). Dense sound without an echo grows by about a half.
    """
    made = made_at_reference_seat(spec)
    whole = (made.direct + made.reflected)[max(first_frame(made) - 48, 0) :]
    found = []
    for exponent, step_s, low_hz, high_hz in ((2.0 / 3.0, 0.009, 707.0, 1414.0), (1.0, 0.014, 707.0, 2828.0)):
        band = scipy.signal.butter(3, [low_hz, high_hz], "bandpass", fs=48_000, output="sos")
        sound = np.abs(scipy.signal.sosfilt(band, whole, axis=0)) ** exponent
        clock = np.arange(len(sound))[:, None] / 48_000
        centres = np.cumsum(clock * sound, axis=0) / np.maximum(np.cumsum(sound, axis=0), 1e-300)
        step = round(step_s * 48_000)
        found.append(float(np.max(centres[step:] - centres[:-step])) / step_s)
    return tuple(found)


# An echo that one listener in ten perceives: the source beside `echo_criteria`.
ECHO_FOR_SPEECH, ECHO_FOR_MUSIC = 0.9, 1.5


@pytest.mark.parametrize("name", HALLS)
def test_a_hall_answers_throughout_the_first_60_milliseconds(name):
    # A measured hall has -12 to -16 dB re the direct sound in every 5 ms from 5 to 35 ms; none here is under
    # -20 dB, and no 10 ms anywhere under -22 dB.
    cell, window = least_early_levels_db(specification(name))
    assert cell > -20.0
    assert window > -22.0


@pytest.mark.parametrize("name", NAMES)
def test_no_two_surfaces_answer_within_a_millisecond_and_none_sounds_of_an_echo(name):
    spec = specification(name)
    assert nearest_first_reflections_s(spec) > 0.001
    speech, music = echo_criteria(spec)
    assert speech < ECHO_FOR_SPEECH
    assert music < ECHO_FOR_MUSIC


def test_a_hall_of_bare_walls_has_a_gap_two_walls_at_once_and_an_echo(bare_hall):
    cell, window = least_early_levels_db(bare_hall)
    assert cell < -20.0
    assert window < -22.0
    assert nearest_first_reflections_s(bare_hall) < 0.001
    assert echo_criteria(bare_hall)[0] > ECHO_FOR_SPEECH


@pytest.mark.parametrize("name", NAMES)
def test_echoes_are_as_dense_as_gaussian_noise_from_the_mixing_time_on(name):
    # Share of samples outside one standard deviation against that of a normal distribution, 0.317 (normalised
    # echo density, Abel and Huang 2006; from memory), in windows of 20 ms; the model's own limit is 1.
    spec = specification(name)
    made = made_at_reference_seat(spec)
    mixed = mixing_time(spec.volume_m3, spec.surface_m2)
    for channel in made.reflected.T:
        lines = np.fft.rfft(channel)
        hertz = np.arange(len(lines)) * 48_000 / len(channel)
        sound = np.fft.irfft(np.where((hertz > 200.0) & (hertz < 16_000.0), lines, 0.0), len(channel))
        for start_s in mixed + np.arange(0.0, 0.06, 0.02):
            part = sound[round(start_s * 48_000) :][:960]
            outside = np.mean(np.abs(part) > np.sqrt(np.mean(part**2)))
            assert outside / math.erfc(math.sqrt(0.5)) > 0.8


@pytest.mark.parametrize("name", NAMES)
def test_bass_ratios_are_those_that_are_recommended(name):
    # 1.1 to 1.45, 1.1 to 1.25 where the middle is longer than 1.8 s; under 1.0 not recommended (Everest and
    # Pohlmann, Master Handbook of Acoustics, bass rise of reverberation time; read in one excerpt, the same
    # numbers on a page of concerthalls.org). Stated for halls.
    spec = specification(name)
    times = spec.reverberation_time_s
    ratio = (times[125] + times[250]) / (times[500] + times[1000])
    assert 1.1 <= round(ratio, 3) <= (1.25 if spec.mid_reverberation_time_s > 1.8 else 1.45)


def test_the_bass_of_the_booth_rises_no_more_than_voice_studios_bear():
    # Spring and Randall, BBC Research Department Report 1970/10: 20 % at 125 Hz and 80 % at 63 Hz over the
    # value at 1 kHz; read in Everest and Pohlmann, Master Handbook of Acoustics, one excerpt of two editions.
    times = specification("thistlecote_booth").reverberation_time_s
    assert 1.0 <= times[125] / times[1000] <= 1.2
    assert 1.0 <= times[63] / times[1000] <= 1.8


@pytest.mark.parametrize("name", NAMES)
def test_the_low_octaves_are_as_loud_as_revised_theory_says_for_their_times(name, seats):
    # 125 and 250 Hz over 500 and 1000 Hz, reflected sound, mean of nine seats, within 1 dB of it.
    spec = specification(name)
    energy, theory = np.zeros(2), np.zeros(2)
    groups = ((125, 250), (500, 1000))
    for seat in seats(name):
        reflected = synthesise(spec, seat=seat, microphones="rear", sources=1, sample_rate=8000).reflected
        lines = np.fft.rfftfreq(len(reflected), 1.0 / 8000)
        power = np.sum(np.abs(np.fft.rfft(reflected, axis=0)) ** 2, axis=1)
        middle = np.mean(spec.microphones["rear"].positions_m, axis=0)
        way = math.dist(source_position(spec, seat).tolist(), middle.tolist())
        for which, group in enumerate(groups):
            for centre in group:
                band = (lines > centre / math.sqrt(2.0)) & (lines < centre * math.sqrt(2.0))
                energy[which] += np.mean(power[band])
                figures = revised_theory(spec.volume_m3, spec.reverberation_time_s[centre], way)
                theory[which] += figures.early + figures.late
    assert level_db(energy[0] / energy[1]) == pytest.approx(level_db(theory[0] / theory[1]), abs=1.0)
    assert level_db(theory[0] / theory[1]) > 0.0


@pytest.mark.parametrize("name", NAMES)
def test_the_patterns_of_the_library_are_known(name):
    assert all(setup.pattern in PATTERNS for setup in specification(name).microphones.values())
