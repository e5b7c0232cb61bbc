from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomplan.acoustics.bands import exact_mid_band
from roomplan.rooms.directivity import DIRECTIVITY_CENTRES_HZ, Directivity
from roomplan.rooms.early import early_field
from roomplan.rooms.geometry import source_positions
from roomplan.rooms.images import emission_cosines, image_sources
from roomplan.rooms.source_kinds import SOURCE_KINDS, directivity_of
from roomplan.rooms.spec import MicrophoneSetup
from roomplan.rooms.synthesis import synthesise

RATE = 48_000
KINDS = sorted(SOURCE_KINDS)
OCTAVES = np.array(DIRECTIVITY_CENTRES_HZ)
MIDS_HZ = np.array([exact_mid_band(centre) for centre in DIRECTIVITY_CENTRES_HZ])

# Monson, Hunter and Story, J. Acoust. Soc. Am. 132 (2012) 433: speech at a normal level, dB re forwards,
# every 15° from 0° to 180° (rows), octaves from 125 Hz to 16 kHz (columns). Read in one transcription.
SPEECH_DB = np.array(
    [
        [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0],
        [0.8, 0.7, 0.6, -0.2, -1.0, -1.7, -1.0, -0.1],
        [-0.1, -0.2, 0.1, -0.7, -0.1, -0.7, -1.7, -0.5],
        [-0.4, -0.5, 0.0, -1.4, -0.8, -1.6, -3.1, -2.3],
        [-0.6, -0.8, -0.1, -1.5, -2.5, -3.9, -5.8, -4.4],
        [-1.1, -1.6, -0.7, -1.4, -4.7, -5.3, -7.0, -5.1],
        [-1.6, -2.3, -1.6, -1.6, -7.0, -6.3, -8.7, -7.2],
        [-2.1, -3.1, -2.8, -2.5, -7.6, -9.0, -11.5, -10.1],
        [-2.7, -3.9, -4.4, -4.6, -7.9, -12.7, -15.0, -14.2],
        [-3.1, -4.5, -5.5, -7.0, -9.3, -14.5, -17.8, -17.8],
        [-3.5, -4.9, -6.0, -7.9, -13.0, -16.7, -21.5, -21.7],
        [-3.6, -5.0, -6.0, -6.9, -15.0, -21.0, -25.0, -23.5],
        [-3.6, -5.1, -5.9, -6.3, -13.1, -18.9, -26.3, -26.7],
    ]
)
SPEECH_ANGLES = np.radians(np.arange(0.0, 181.0, 15.0))


def index_of(kind):
    return np.array(SOURCE_KINDS[kind].directivity.index_db)


def level_db(energy):
    return 10.0 * np.log10(energy)


# --- The table ------------------------------------------------------------------------------------------


def test_the_index_of_a_voice_is_that_of_measured_speech_taken_as_alike_around_its_axis():
    angles = np.linspace(0.0, math.pi, 4001)
    for column, expected in enumerate(index_of("voice")[1:]):
        power = 10.0 ** (np.interp(angles, SPEECH_ANGLES, SPEECH_DB[:, column]) / 10.0)
        assert expected == pytest.approx(
            -level_db(np.trapezoid(power * np.sin(angles), angles) / 2.0), abs=0.06
        )


def test_a_voice_is_within_2_db_of_measured_speech_at_every_angle_up_to_120_degrees_and_8_khz():
    voice = SOURCE_KINDS["voice"].directivity
    share = voice.off_axis(np.cos(SPEECH_ANGLES[:9]))
    model_db = -np.outer(share, voice.fall_to_the_back_at(MIDS_HZ[1:8]))
    assert np.max(np.abs(model_db - SPEECH_DB[:9, :7])) < 2.0


def open_pipe_gain(wave):
    """Gain of an unflanged pipe on its axis, Levine and Schwinger (1948), of its wave number times radius.

    By their reciprocity a plane wave from the front is absorbed over the area of the mouth, hence
    (ka)²/(1 − R²); their approximations of R from memory.
    """
    if wave < 1.0:
        euler = 1.7811
        reflected = math.exp(-(wave**2) / 2.0) * (
            1.0 + wave**4 / 6.0 * (math.log(1.0 / (euler * wave)) + 19.0 / 12.0)
        )
    else:
        reflected = math.sqrt(math.pi * wave) * math.exp(-wave) * (1.0 + 3.0 / (32.0 * wave**2))
    return wave**2 / (1.0 - reflected**2)


def test_the_index_of_brass_is_that_of_open_pipes_as_wide_as_the_bells_up_to_2_khz():
    # Bells of a trumpet, 11.5 to 12.5 cm, and of a trombone, 16 to 27 cm, as makers and dealers state them.
    for expected, mid in zip(index_of("brass")[:6], MIDS_HZ[:6], strict=True):
        waves = [2.0 * math.pi * mid / 343.2 * radius for radius in (0.0615, 0.105)]
        power = np.mean([1.0 / open_pipe_gain(wave) for wave in waves])
        assert expected == pytest.approx(-level_db(power), abs=0.15)


def test_directivity_factors_are_those_that_meyer_prints():
    # ASA 131st Meeting (1996), 3pAA1: even below 500 Hz; high up Γ of 2 to 3 for strings, a little lower for
    # woodwinds, over 4 for brass. Γ is a ratio of pressures.
    for kind in ("strings", "woodwinds", "percussion"):
        assert np.all(index_of(kind)[OCTAVES <= 500] == 0.0)
    high = OCTAVES >= 4000
    factors = {kind: 10.0 ** (index_of(kind)[high] / 20.0) for kind in KINDS}
    assert np.all((factors["strings"] > 1.99) & (factors["strings"] <= 3.0))
    assert np.all((factors["woodwinds"] < factors["strings"]) & (factors["woodwinds"] > 1.7))
    assert np.all(factors["brass"] > 3.95)


def test_every_row_has_its_source_and_an_even_source_has_no_row():
    assert all(row.source and row.confidence for row in SOURCE_KINDS.values())
    assert directivity_of("even") is None


# --- The law --------------------------------------------------------------------------------------------

indices = st.lists(st.floats(0.0, 13.0), min_size=9, max_size=9)


@given(index_db=indices, beam=st.booleans())
def test_the_mean_power_over_the_sphere_is_the_directivity_index_below_forwards(index_db, beam):
    # 20 000 directions spread evenly over the sphere: a lattice of golden angles.
    source = Directivity(tuple(index_db), beam=beam)
    cosines = 1.0 - (2.0 * np.arange(20_000) + 1.0) / 20_000
    shares, falls = source.off_axis(cosines), source.fall_to_the_back_at(MIDS_HZ)
    mean = np.mean(10.0 ** (np.outer(falls, shares) / -10.0), axis=1)
    np.testing.assert_allclose(level_db(mean), -np.array(index_db), atol=0.02)
    np.testing.assert_allclose(level_db(source.power_gain_at(MIDS_HZ) ** 2), -np.array(index_db), atol=1e-9)


@given(index_db=indices, beam=st.booleans(), frequency=st.floats(1.0, 96_000.0))
def test_between_octaves_the_index_stays_between_its_neighbours(index_db, beam, frequency):
    source = Directivity(tuple(index_db), beam=beam)
    nearest = np.searchsorted(MIDS_HZ, frequency)
    around = index_db[max(0, nearest - 1) : nearest + 1]
    found = float(source.index_at(np.array([frequency]))[0])
    assert min(around) - 1e-9 <= found <= max(around) + 1e-9


@pytest.mark.parametrize(
    ("wall", "axis", "at"),
    [("stage", 0, 0.0), ("far", 0, 20.0), ("left", 1, -7.0), ("floor", 2, 0.0), ("ceiling", 2, 9.0)],
)
def test_a_reflection_has_left_its_source_towards_the_point_of_the_wall_where_it_is_mirrored(wall, axis, at):
    assert wall
    source, receiver = np.array([5.0, 2.0, 1.5]), np.array([11.0, -1.0, 2.5])
    images = image_sources((20.0, 14.0, 9.0), source, receiver, 60.0)
    facing = receiver - source
    cosines = emission_cosines(images, receiver, facing)
    # Angle in is angle out: the point divides the way along the wall as the distances from it.
    ahead, behind = abs(source[axis] - at), abs(receiver[axis] - at)
    point = source + (receiver - source) * ahead / (ahead + behind)
    point[axis] = at
    mirrored = source.copy()
    mirrored[axis] = 2.0 * at - source[axis]
    index = int(np.argmin(np.linalg.norm(images.positions_m - mirrored, axis=1)))
    way = point - source
    expected = way @ facing / np.linalg.norm(way) / np.linalg.norm(facing)
    assert cosines[index] == pytest.approx(expected, abs=1e-9)
    assert cosines[0] == pytest.approx(1.0)


# --- In a room ------------------------------------------------------------------------------------------


@pytest.fixture
def hall(box):
    """A scattering box, one omnidirectional microphone in front of the seats and one behind them."""
    behind = MicrophoneSetup("behind", ((2.0, 0.0, 1.5),), "omni", (0.0,), (0.0,))
    spec = box(scattering=0.5, positions_m=((11.0, 0.0, 1.5),))
    spec.microphones["behind"] = behind
    return spec


def octave_energies(samples):
    """Energy of octaves from 125 Hz to 16 kHz, cut hard between them."""
    spectrum = np.abs(np.fft.rfft(samples, axis=0)) ** 2
    frequencies = np.fft.rfftfreq(len(samples), 1.0 / RATE)
    edge = math.sqrt(2.0)
    return np.array(
        [
            np.sum(spectrum[(frequencies >= mid / edge) & (frequencies < mid * edge)])
            for mid in np.minimum(MIDS_HZ[1:], 15_000.0)
        ]
    )


def response(spec, seat, kind, *, microphones="main"):
    return synthesise(
        spec,
        seat=seat,
        microphones=microphones,
        sources=1,
        sample_rate=RATE,
        directivity=directivity_of(kind),
    )


@pytest.mark.parametrize("kind", KINDS)
def test_late_sound_is_the_directivity_index_under_that_of_an_even_source_in_every_octave(
    hall, make_seat, kind
):
    seat = make_seat(6.0, 0.0)
    late = slice(round(0.25 * RATE), None)  # the images end before 0.1 s here
    even, directed = (
        octave_energies(response(hall, seat, which).reflected[late]) for which in ("even", kind)
    )
    np.testing.assert_allclose(level_db(directed / even), -index_of(kind)[1:], atol=0.5)


@pytest.mark.parametrize("kind", KINDS)
def test_the_direct_sound_is_as_it_was_on_the_axis_and_as_much_less_behind_as_the_source_says(
    hall, make_seat, kind
):
    seat = make_seat(6.0, 0.0)
    even, directed = (response(hall, seat, which).direct for which in ("even", kind))
    np.testing.assert_allclose(directed, even, atol=1e-6 * np.max(np.abs(even)))
    even, directed = (
        np.fft.rfft(response(hall, seat, which, microphones="behind").direct[:, 0])
        for which in ("even", kind)
    )
    at = np.round(MIDS_HZ * 2.0 * (len(even) - 1) / RATE).astype(int)
    fall_db = SOURCE_KINDS[kind].directivity.fall_to_the_back_at(MIDS_HZ)
    np.testing.assert_allclose(level_db(np.abs(directed[at] / even[at]) ** 2), -fall_db, atol=0.1)


@pytest.mark.parametrize("kind", KINDS)
def test_images_of_many_seats_bring_the_power_that_the_diffuse_field_has(hall, make_seat, kind):
    # Omnidirectional microphones; what is left over is the chance of twelve seats.
    spans = slice(round(0.02 * RATE), round(0.07 * RATE))
    totals = np.zeros((2, 8))
    for angle in range(0, 360, 30):
        seat = make_seat(3.0 + angle / 120.0, float(angle - 180))
        points = source_positions(hall, seat, 1)
        origin_s = (
            float(np.linalg.norm(points[0] - hall.microphones["main"].positions_m[0])) / hall.sound_speed
        )
        for row, which in enumerate(("even", kind)):
            early = early_field(
                hall,
                hall.microphones["main"],
                points,
                origin_s=origin_s,
                sample_rate=RATE,
                directivity=directivity_of(which),
            )
            totals[row] += octave_energies(early.reflected[spans])
    np.testing.assert_allclose(level_db(totals[1] / totals[0]), -index_of(kind)[1:], atol=1.0)


def test_the_same_source_gives_the_same_samples_and_an_even_one_those_without_any(hall, make_seat):
    seat = make_seat(6.0, 20.0)
    first, second = (response(hall, seat, "brass") for _turn in range(2))
    np.testing.assert_array_equal(first.reflected, second.reflected)
    plain = synthesise(hall, seat=seat, microphones="main", sources=1, sample_rate=RATE)
    np.testing.assert_array_equal(response(hall, seat, "even").reflected, plain.reflected)
