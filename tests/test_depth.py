"""Depth: theory at seats against the source's own numbers, and wet-to-dry ratios worked by hand.

Barron and Lee's theory was read in papers that quote it; its table is computed with their rounded constants,
which differ from the exact ones by less than 0.1 dB.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomplan.depth.model import PlannedSend, SeatFigures, SectionInRoom
from roomplan.depth.seats import measured_figures, theoretical_figures
from roomplan.depth.wanted import absolute_depth, relative_depth
from roomplan.errors import Place, RoomplanError
from roomplan.plan.model import Seat
from roomplan.rooms.directivity import DIRECTIVITY_CENTRES_HZ
from roomplan.rooms.source_kinds import SOURCE_KINDS
from roomplan.rooms.spec import SURFACES, MicrophoneSetup, RoomSpecification
from roomplan.rooms.synthesis import synthesise
from roomplan.show.depth_tables import depth_lines

PLACE = Place(Path("plan.yaml"), 3, 1)
RATE = 24_000


def hall(volume: float, time: float, *, height: float = 15.0, microphone_z: float = 1.5) -> RoomSpecification:
    """A room 90 m long of a volume and a flat reverberation time, its microphone 75 m from the stage wall."""
    width = volume / (90.0 * height)
    bands = (63, 125, 250, 500, 1000, 2000, 4000, 8000)
    at = ((75.0, 0.0, microphone_z),)
    return RoomSpecification(
        name="hall",
        title="Hall",
        dimensions_m=(90.0, width, height),
        reverberation_time_s=dict.fromkeys(bands, time),
        seed=1,
        microphones={"main": MicrophoneSetup("main", at, "omni", (0.0,), (0.0,))},
        reference_seat=Seat(10.0, 0.0, PLACE),
        source=Path("hall.yaml"),
        absorption=None,
        scattering=dict.fromkeys(SURFACES, 0.3),
        source_height_m=1.5,
    )


def seat(distance: float, angle: float = 0.0) -> Seat:
    return Seat(distance, angle, PLACE)


def theory(ratio: float, distance: float | None = None) -> SeatFigures:
    arrival = None if distance is None else distance / 343.2
    return SeatFigures("theory", 2.0, ratio, 0.0, distance_m=distance, arrival_s=arrival)


def place(
    name: str,
    ratio: float,
    wet_to_dry: float,
    *levels: float,
    distance: float | None = None,
    obstacle: str | None = None,
    room: str = "hall",
    **more: Any,
) -> SectionInRoom:
    sends = tuple(PlannedSend(i, None, "main", level) for i, level in enumerate(levels or (-10.0,)))
    figures = theory(ratio, distance)
    return SectionInRoom(name, seat(distance or 5.0), room, figures, sends, wet_to_dry, obstacle, **more)


# --- Theory at a seat


@pytest.mark.parametrize(
    ("volume", "time", "distance", "clarity", "ratio"),
    [  # V m³, T s, r m, C80 dB, D/R dB: Barron's revised theory, quoted in Barron 2015, JASA 137(6)
        (20000, 2.0, 10, 1.53, -4.07),
        (20000, 2.0, 20, -0.22, -9.22),
        (20000, 2.0, 40, -0.86, -13.51),
        (15000, 1.9, 20, -0.15, -10.16),
        (5000, 1.4, 10, 1.89, -8.17),
        (1000, 1.0, 10, 3.38, -13.20),
    ],
)
def test_a_seat_has_the_clarity_and_the_ratio_of_the_revised_theory(volume, time, distance, clarity, ratio):
    found = theoretical_figures(hall(volume, time, height=5.0), seat(distance))
    assert found.clarity_db == pytest.approx(clarity, abs=0.1)
    assert found.direct_to_reverberant_db == pytest.approx(ratio, abs=0.1)
    assert (found.volume_m3, found.reverberation_time_s) == (pytest.approx(volume), time)


@pytest.mark.parametrize(
    ("volume", "time", "metres"),  # 0.057 √(V/T), computed; the exact constant is 0.0566
    [(20000, 2.0, 5.700), (15000, 1.9, 5.065), (1000, 1.0, 1.802)],
)
def test_a_seat_has_the_critical_distance_of_its_room(volume, time, metres):
    found = theoretical_figures(hall(volume, time, height=5.0), seat(10.0))
    assert found.critical_distance_m == pytest.approx(metres, rel=0.01)


@pytest.mark.parametrize("kind", ["brass", "voice", "strings"])
def test_a_source_that_radiates_forwards_sends_less_into_the_room_by_its_directivity_index(kind):
    # mean of its index at 500 and 1000 Hz, worked from the table; critical distance: √Q, by its definition
    directivity = SOURCE_KINDS[kind].directivity
    index = sum(directivity.index_db[DIRECTIVITY_CENTRES_HZ.index(hertz)] for hertz in (500, 1000)) / 2.0
    even = theoretical_figures(hall(20000, 2.0, height=5.0), seat(10.0))
    found = theoretical_figures(hall(20000, 2.0, height=5.0), seat(10.0), directivity)
    assert found.directivity_index_db == pytest.approx(index)
    assert found.direct_to_reverberant_db == pytest.approx(number(even.direct_to_reverberant_db) + index)
    ratio = number(found.critical_distance_m) / number(even.critical_distance_m)
    assert ratio == pytest.approx(10.0 ** (index / 20.0))
    # 20 000 m³, 2 s, 10 m: d 1.0000, e 1.0880, l 1.4664 (Barron's table)
    clarity = 10.0 * math.log10((10.0 ** (index / 10.0) + 1.0880) / 1.4664)
    assert found.clarity_db == pytest.approx(clarity, abs=0.1)


@pytest.mark.parametrize("kind", ["brass", "voice"])
def test_the_responses_of_a_room_lose_as_much_by_a_source_as_its_seat_is_said_to(kind):
    # direct over reflected energy, octaves of 500 and 1000 Hz; early sound has directions of its own: 0.7 dB
    spec = replace(
        hall(6000.0, 1.2, height=9.0),
        microphones={"main": MicrophoneSetup("main", ((40.0, 0.4, 3.0),), "omni", (0.0,), (0.0,))},
    )
    directivity = SOURCE_KINDS[kind].directivity
    ratios = []
    for source in (None, directivity):
        made = synthesise(
            spec, seat=seat(12.0), microphones="main", sources=1, sample_rate=8000, directivity=source
        )
        lines = np.fft.rfftfreq(len(made.direct), 1.0 / 8000)
        octaves = [(lines > hertz / 1.4142) & (lines < hertz * 1.4142) for hertz in (500.0, 1000.0)]
        direct, reflected = (np.abs(np.fft.rfft(part[:, 0])) ** 2 for part in (made.direct, made.reflected))
        ratios.append(
            np.mean([10.0 * np.log10(direct[octave].sum() / reflected[octave].sum()) for octave in octaves])
        )
    said = theoretical_figures(spec, seat(12.0), directivity).directivity_index_db
    assert ratios[1] - ratios[0] == pytest.approx(said, abs=0.7)


def number(value: float | None) -> float:
    assert value is not None
    return value


def test_air_takes_the_difference_of_the_standards_table_off_the_highs():
    # ISO 9613-1 at 20 °C and 50 %, exact mid-bands: 103.912 dB/km at 8 kHz, 4.665 at 1 kHz
    found = theoretical_figures(hall(20000, 2.0), seat(20.0))
    assert found.air_loss_db == pytest.approx((103.912 - 4.665) * 20.0 / 1000.0, abs=0.001)
    damp = replace(hall(20000, 2.0), humidity_percent=70.0)  # 76.621 and 4.978
    drier = theoretical_figures(damp, seat(20.0)).air_loss_db
    assert drier == pytest.approx((76.621 - 4.978) * 20.0 / 1000.0, abs=0.001)


def test_the_way_to_microphones_above_the_players_is_the_slant_one():
    # 8 m along the floor and 6 m up: 10 m
    found = theoretical_figures(hall(20000, 2.0, microphone_z=7.5), seat(8.0))
    assert found.distance_m == pytest.approx(10.0)
    assert found.arrival_s == pytest.approx(10.0 / 343.2)


def test_the_gap_ends_with_the_ceiling_and_not_with_the_floor():
    # 20 m apart, 1.5 m up, under a ceiling of 5 m: it reflects over √(20² + 7²), the floor over √(20² + 3²)
    found = theoretical_figures(hall(20000, 2.0, height=5.0), seat(20.0))
    assert found.pre_delay_s == pytest.approx((math.hypot(20.0, 7.0) - 20.0) / 343.2)


@pytest.mark.parametrize("height", [3.2, 30.0])
@pytest.mark.parametrize("distance", [1.0, 60.0])
def test_every_seat_has_a_gap(height, distance):
    found = theoretical_figures(hall(100_000.0, 2.0, height=height), seat(distance))
    assert found.pre_delay_s is not None
    assert found.pre_delay_s > 0.0


# --- Relative, absolute, amount: worked by hand


def test_sections_follow_the_reference_section_by_the_difference_of_their_ratios():
    near = place("strings", -2.0, -12.0, -9.0, distance=6.0)
    far = place("brass", -8.0, -11.0, -10.0, distance=14.0)
    found = relative_depth([far, near])
    brass, strings = found.sections
    assert found.reference_sections == {"hall": "strings"}
    # 6 dB less direct sound: −12 + 6 = −6, 5 dB over the −11 it has: a send of −5
    assert (brass.wanted_db, brass.proposed_db) == (-6.0, (-5.0,))
    assert (strings.wanted_db, strings.proposed_db) == (-12.0, (-9.0,))
    assert brass.arrival_delay_s == pytest.approx(8.0 / 343.2)
    assert strings.arrival_delay_s == 0.0
    (change,) = found.changes
    assert (change.section, change.room, change.after_db) == ("brass", "hall", -5.0)


def test_the_amount_scales_differences_down_to_the_reference_sections_own_ratio():
    places = [place("strings", -2.0, -12.0, distance=6.0), place("brass", -8.0, -11.0, distance=14.0)]
    wanted = {a: relative_depth(places, amount=a).sections[1].wanted_db for a in (0.0, 0.5, 1.0)}
    assert wanted == {0.0: -12.0, 0.5: -9.0, 1.0: -6.0}


@pytest.mark.parametrize(("nearness", "large"), [(6.0, False), (6.1, True), (-6.1, True)])
def test_a_change_of_more_than_6_db_is_a_large_one_and_a_line_says_so(nearness, large):
    depth = relative_depth([place("a", 0.0, -8.0), place("b", -nearness, -8.0)], reference_section="a")
    assert [one.section for one in depth.large_changes] == (["b"] if large else [])
    lines = [line.plain for line in depth_lines(depth) if "large change" in line.plain]
    assert [line.startswith("b: ") and "--amount" in line for line in lines] == ([True] if large else [])


def test_a_named_reference_section_keeps_its_sends_and_the_nearer_ones_become_drier():
    near = place("strings", -2.0, -12.0, -9.0, distance=6.0)
    far = place("brass", -8.0, -11.0, -10.25, distance=14.0)
    found = relative_depth([near, far], reference_section="brass")
    assert found.sections[0].wanted_db == -17.0  # −11 − 6
    assert found.sections[0].proposed_db == (-14.0,)
    assert found.sections[1].proposed_db == (-10.25,)  # as written, finer than the step


def test_absolute_depth_is_the_ratio_with_its_sign_turned():
    found = absolute_depth([place("choir", -8.7, -15.0, -10.0), place("solo", 3.0, -4.0, -6.0)])
    assert [section.wanted_db for section in found.sections] == [8.7, -3.0]
    assert [section.proposed_db for section in found.sections] == [(13.7,), (-5.0,)]
    assert (found.reference_sections, found.amount) == ({}, None)


def test_several_sends_into_the_main_room_keep_their_difference():
    places = [place("strings", -2.0, -12.0, distance=6.0), place("choir", -7.0, -13.0, -10.0, -13.0)]
    # wanted −12 + 5 = −7, 6 dB more than there is
    assert relative_depth(places).sections[1].proposed_db == (-4.0, -7.0)


def test_a_section_with_an_obstacle_is_left_alone_and_is_no_default_reference():
    places = [
        place("solo", -1.0, -9.0, distance=2.0, obstacle="it is muted"),
        place("strings", -2.0, -12.0, distance=6.0),
    ]
    found = relative_depth(places)
    assert found.reference_sections == {"hall": "strings"}
    assert (found.sections[0].wanted_db, found.sections[0].proposed_db) == (None, None)


def test_a_reference_section_with_an_obstacle_is_refused_where_it_is_written():
    places = [place("solo", -1.0, -9.0, obstacle="it is muted"), place("strings", -2.0, -12.0)]
    with pytest.raises(RoomplanError, match=r"plan.yaml:3:1: the reference section solo .* it is muted"):
        relative_depth(places, reference_section="solo", reference_place=PLACE)


def test_a_reference_section_that_the_cue_lacks_is_stood_in_for_by_the_nearest():
    places = [place("brass", -8.0, -11.0, distance=14.0), place("strings", -2.0, -12.0, distance=6.0)]
    found = relative_depth(places, reference_section="solo")
    assert found.reference_sections == {"hall": "strings"}
    (note,) = found.notes
    assert "solo is not in this cue" in note
    assert "the nearest section of each room replaces it" in note


def test_without_distances_the_reference_section_is_the_section_with_most_direct_sound():
    found = relative_depth([place("far", -8.0, -11.0), place("near", -2.0, -12.0)])
    assert found.reference_sections == {"hall": "near"}


def test_nothing_is_proposed_where_nothing_can_be():
    found = relative_depth([place("solo", -1.0, -9.0, obstacle="it is muted")])
    assert (found.reference_sections, found.changes, found.sections[0].wanted_db) == ({}, (), None)
    assert relative_depth([]).sections == ()


def test_every_main_room_has_a_reference_section_and_its_sections_follow_no_other():
    places = [
        place("strings", -2.0, -12.0, distance=6.0),
        place("brass", -8.0, -11.0, distance=14.0),
        place("horns", -5.0, -3.0, distance=9.0, room="nave"),
        place("choir", -9.0, -6.0, -7.0, distance=20.0, room="nave"),
    ]
    found = relative_depth(places)
    assert found.reference_sections == {"hall": "strings", "nave": "horns"}
    # −3 + 4 in the nave, whatever the hall has
    assert [section.wanted_db for section in found.sections] == [-12.0, -6.0, -3.0, 1.0]
    assert relative_depth(places, reference_section="brass").reference_sections == {
        "hall": "brass",
        "nave": "horns",
    }


def test_a_section_that_is_alone_in_its_room_gets_no_proposal():
    places = [
        place("strings", -2.0, -12.0, distance=6.0),
        place("organ", -9.0, -1.0, distance=20.0, room="nave"),
    ]
    assert relative_depth(places).changes == ()


def test_a_locked_section_keeps_its_sends_and_others_follow_as_before():
    places = [
        place("strings", -2.0, -12.0, distance=6.0),
        place("brass", -8.0, -11.0, distance=14.0, locked=True),
        place("horns", -8.5, -11.0, distance=15.0),
    ]
    for found in (relative_depth(places), absolute_depth(places)):
        assert found.sections[1].proposed_db == (-10.0,)
        assert "brass" not in {change.section for change in found.changes}
        assert "horns" in {change.section for change in found.changes}


def test_of_two_on_the_nearest_seat_the_locked_one_is_the_reference_section_and_the_other_gets_its_send():
    one, other = (
        place(name, -2.0, wet, send, distance=6.0) for name, wet, send in [("a", -12, -9), ("b", -15, -11)]
    )
    assert relative_depth([one, other]).reference_sections == {"hall": "a"}
    found = relative_depth([one, replace(other, locked=True)])
    assert found.reference_sections == {"hall": "b"}
    assert [section.proposed_db for section in found.sections] == [(-11.0,), (-11.0,)]


@pytest.mark.parametrize("order", [(0, 1, 2), (0, 2, 1)])
def test_two_sections_on_one_seat_get_one_send_against_their_dry_sounds(order):
    places = [
        place("strings", -2.0, -12.0, -9.0, distance=6.0),
        place("horns", -8.0, -13.0, -10.0, distance=14.0),
        place("tubas", -8.0, -8.0, -8.0, distance=14.0, dry_db=-3.0),
    ]
    found = {s.place.section: s for s in relative_depth([places[i] for i in order]).sections}
    # wanted −6. Of a send as loud as the dry sound return −3 (horns) and −3 (tubas, −8 is 5 under their dry)
    assert (found["horns"].wanted_db, found["tubas"].wanted_db) == (-6.0, -6.0)
    assert (found["horns"].proposed_db, found["tubas"].proposed_db) == ((-3.0,), (-6.0,))
    # what they play makes one return 2 dB more: both get the mean
    places[2] = replace(places[2], wet_to_dry_db=-6.0)
    found = {s.place.section: s for s in relative_depth([places[i] for i in order]).sections}
    assert (found["horns"].proposed_db, found["tubas"].proposed_db) == ((-4.0,), (-7.0,))


ratios = st.floats(-30.0, 10.0)


@given(
    st.lists(st.tuples(ratios, ratios, st.floats(-60.0, 0.0)), min_size=1, max_size=6), st.floats(0.0, 1.0)
)
def test_proposed_sends_reach_what_is_wanted_to_half_a_step_and_small_moves_are_not_proposed(values, amount):
    places = [place(f"s{i}", r, wet, send, distance=5.0 + i) for i, (r, wet, send) in enumerate(values)]
    for found in (relative_depth(places, amount=amount), absolute_depth(places)):
        for section in found.sections:
            assert section.proposed_db is not None
            assert section.place.wet_to_dry_db is not None
            moved = section.proposed_db[0] - section.place.sends[0].level_db
            assert moved == 0.0 or abs(moved) >= 0.25
            # what stays as written is less than 0.3 dB off
            allowed = 0.05 if moved else 0.3
            assert section.place.wet_to_dry_db + moved == pytest.approx(section.wanted_db, abs=allowed + 1e-9)


# --- Measured responses


def response(*pulses: tuple[float, float], seconds: float = 1.0) -> np.ndarray:
    """One channel with pulses: time in s, height."""
    samples = np.zeros((round(seconds * RATE), 1))
    for time, height in pulses:
        samples[round(time * RATE), 0] += height
    return samples


def test_a_measured_ratio_is_the_energy_of_the_direct_sound_over_all_behind_it():
    # two reflections of half the height: 2 × ¼ of the energy
    found = measured_figures(response((0.01, 1.0), (0.04, 0.5), (0.13, 0.5)), sample_rate=RATE)
    assert found.direct_to_reverberant_db == pytest.approx(10.0 * math.log10(1.0 / 0.5), abs=0.1)
    assert (found.source, found.distance_m, found.volume_m3) == ("measured", None, None)
    assert "no volume" in found.reasons["volume_m3"]


def decaying(time: float, level: float, direct: float) -> np.ndarray:
    """A pulse of height `direct`, and 10 ms later the decay of noise."""
    frames = RATE * 2
    seconds = np.arange(frames) / RATE
    noise = np.random.default_rng(3).standard_normal((frames, 2))
    samples = level * noise * 10.0 ** (-3.0 * seconds / time)[:, None]
    samples[: RATE // 100] = 0.0
    samples[0] = direct
    return samples


def test_a_measured_decay_gives_its_time_and_its_ratio():
    samples = decaying(1.2, 0.05, 1.0)
    found = measured_figures(samples, sample_rate=RATE)
    assert found.reverberation_time_s == pytest.approx(1.2, rel=0.06)  # scatter of T30, ISO 3382-2, annex B
    # white noise: the mid octaves hold the same share of its energy as of the pulse's; scatter about
    # 4.34 · √(13.8 / (1060 Hz × 1.2 s × 2 channels)) = 0.3 dB
    expected = 10.0 * math.log10(2.0 / float(np.sum(samples[1:] ** 2)))
    assert found.direct_to_reverberant_db == pytest.approx(expected, abs=0.9)
    early, late = np.split(samples**2, [round(0.08 * RATE)])
    clarity = np.mean(10.0 * np.log10(early.sum(axis=0) / late.sum(axis=0)))
    assert found.clarity_db == pytest.approx(clarity, abs=0.9)


def test_a_response_without_a_direct_sound_has_no_ratio_and_no_clarity_but_its_time():
    samples = decaying(1.2, 0.05, 0.0)
    found = measured_figures(samples, sample_rate=RATE)
    assert (found.direct_to_reverberant_db, found.clarity_db) == (None, None)
    assert "no direct sound stands out" in found.reasons["direct_to_reverberant_db"]
    assert found.reverberation_time_s == pytest.approx(1.2, rel=0.06)


def test_a_pulse_alone_has_no_ratio():
    found = measured_figures(response((0.01, 1.0)), sample_rate=RATE)
    assert found.direct_to_reverberant_db is None
    assert found.reasons["direct_to_reverberant_db"] == "nothing follows its direct sound"
