from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np
import pytest

from roomplan.rooms.geometry import find_arrivals, random_efficiency, seat_fault
from roomplan.rooms.spec import bundled_rooms, load_room_specification, scale_reverberation

if TYPE_CHECKING:
    from pathlib import Path

ROOM = """\
title: Larkmere Annexe
dimensions: {length: 30, width: 20, height: 10}
reverberation_time: {"63": 1.6, "125": 1.6, "250": 1.5, "500": 1.5,
                     "1000": 1.4, "2000": 1.3, "4000": 1.1, "8000": 0.9}
seed: 7
microphones:
  main:
    positions: [[15, -0.5, 3], [15, 0.5, 3]]
    pattern: omni
reference_seat: {distance: 8, angle: 0}
"""

# CSN 73 0527 (check values, section 10): optimum T0 by use and volume, and the allowed T/T0 for music.
PUBLISHED = {
    "larkmere_hall": lambda volume: 0.523 * np.log10(volume) - 0.100,  # orchestral
    "sedgewater_chapel": lambda volume: 0.731 * np.log10(volume) - 0.371,  # organ
    "orrin_nave": lambda volume: 0.731 * np.log10(volume) - 0.371,  # organ
    "tallowyard_stage": lambda volume: 0.250 * np.log10(volume) - 0.030,  # amplified music: nearest use
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
    "sedgewater_chapel": (800, 30_000),
    "orrin_nave": (800, 30_000),
    "tallowyard_stage": (100, 20_000),
}


@pytest.fixture
def load(tmp_path: Path):
    def load_text(text: str):
        path = tmp_path / "annexe.yaml"
        path.write_text(text, encoding="utf-8")
        return load_room_specification(path)

    return load_text


def problem_of(result):
    spec, problems = result
    assert spec is None
    assert problems
    return "\n".join(map(str, problems))


def test_the_four_bundled_rooms_load_without_problems():
    assert set(bundled_rooms()) == set(PUBLISHED)
    for name in bundled_rooms():
        spec, problems = load_room_specification(name)
        assert problems == []
        assert spec is not None
        assert spec.name == name
        assert set(spec.microphones) >= {"main", "rear"}
        assert next(iter(spec.microphones)) == "main"


@pytest.mark.parametrize("name", PUBLISHED)
def test_bundled_reverberation_times_stand_in_the_published_range_of_their_use(name):
    spec, _ = load_room_specification(name)
    assert spec is not None
    low, high = VALID_VOLUME[name]
    assert low <= spec.volume_m3 <= high
    optimum = PUBLISHED[name](spec.volume_m3)
    for centre, (least, most) in ALLOWED.items():
        assert least <= spec.reverberation_time_s[centre] / optimum <= most, (centre, optimum)


@pytest.mark.parametrize("name", PUBLISHED)
def test_bundled_rooms_do_not_ring_longer_than_air_lets_them(name):
    # Limit 0.161/4m, ISO 9613-1 at 20 °C, 50 % (check values, section 6): 4 kHz 5.89 s, 8 kHz 1.66 s.
    spec, _ = load_room_specification(name)
    assert spec is not None
    assert spec.reverberation_time_s[4000] < 5.89
    assert spec.reverberation_time_s[8000] < 1.66


def test_the_mid_time_is_the_mean_of_500_and_1000_hz(load):
    spec, _ = load(ROOM)
    assert spec.mid_reverberation_time_s == pytest.approx(1.45)
    assert scale_reverberation(spec, 0.5).mid_reverberation_time_s == pytest.approx(0.725)


def test_an_unknown_bundled_room_suggests_the_nearest_and_lists_all(place):
    spec, problems = load_room_specification("larkmere_hal", place=place)
    assert spec is None
    text = str(problems[0])
    assert text.startswith("ice_harbour.yaml:12:3: there is no bundled room 'larkmere_hal'")
    assert "did you mean larkmere_hall?" in text
    assert "tallowyard_stage" in text


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ("title: Larkmere Annexe", "titel: Larkmere Annexe", 1, "unknown key 'titel'.*did you mean title"),
        ("title: Larkmere Annexe", "title: 12", 1, "title is 12, not a text"),
        ("length: 30", "length: 0.5", 2, "dimensions.length is 0.5 m.*give 1.5 to 200 m"),
        ("length: 30", "length: wide", 2, "dimensions.length is 'wide', not a number"),
        ("width: 20, ", "", 2, "dimensions has no width"),
        ("seed: 7", "seed: 1.5", 5, "seed is 1.5, not a whole number"),
        ("seed: 7", "seed: -1", 5, "seed is -1.*give 0 to"),
        ("seed: 7\n", "", 1, "the room file has no seed"),
        ('"500": 1.5', '"500": 0.05', 3, "reverberation_time.500 is 0.05 s.*give 0.1 to 20 s"),
        ('"500": 1.5', '"500": 0.3', 3, "reverberation_time at 500 Hz is 0.3 s.*open walls give 0.44 s"),
        ('"500": 1.5', '"510": 1.5', 3, "unknown key '510'.*"),
        ('"500": 1.5', "500: 1.5", 3, "key 500 is not text"),
        ("main:", "mian:", 6, "microphones has no set-up named main"),
        ("pattern: omni", "pattern: cardoid", 9, "no pattern 'cardoid'.*did you mean cardioid"),
        ("[15, 0.5, 3]]", "[35, 0.5, 3]]", 8, r"the microphone at \[35, 0.5, 3\] is outside the walls"),
        ("[15, 0.5, 3]]", "[15, 0.5]]", 8, "a position is a list, not three numbers"),
        ("[15, 0.5, 3]]", "[15, 0.5, 3], [15, 2, 3]]", 8, "positions is 3 points.*one or two"),
        ("pattern: omni", "pattern: omni\n    aims: [0]", 10, "aims is 1 angles for 2 positions"),
        ("distance: 8, angle: 0", "distance: 8, angle: 0, spread: 3", 10, "unknown key 'spread'"),
        ("distance: 8, angle: 0", "distance: 18, angle: 0", 10, "outside the walls.*ends 14.7 m"),
        ("distance: 8, angle: 0", "distance: 8, angle: 270", 10, "reference_seat.angle is 270"),
        ("seed: 7", "seed: 7\nsource_height: 12", 6, "source_height is 12 m, above the ceiling"),
    ],
)
def test_a_bad_room_file_is_named_with_its_line_and_a_cure(load, old, new, line, words):
    assert ROOM.count(old) == 1
    text = problem_of(load(ROOM.replace(old, new)))
    assert re.search(words, text), text
    assert re.search(rf"annexe\.yaml:{line}:\d+: ", text), text
    assert " — " in text


def test_all_problems_of_a_room_file_are_found_at_once(load):
    text = problem_of(
        load(ROOM.replace("length: 30", "length: 999").replace("pattern: omni", "pattern: oval"))
    )
    assert "length is 999" in text
    assert "no pattern 'oval'" in text


def test_a_missing_room_file_is_a_problem_not_an_exception(tmp_path):
    assert "no such file" in problem_of(load_room_specification(tmp_path / "nowhere.yaml"))


def test_a_seat_is_counted_along_the_floor_from_the_middle_of_main_to_the_right(load, make_seat):
    spec, _ = load(ROOM)
    # Source at (15 − 8 cos 30°, 8 sin 30°, 1.5): by the definition, worked by hand.
    arrivals = find_arrivals(spec, make_seat(8.0, 30.0), spec.microphones["main"])
    source = np.array([15.0 - 8.0 * np.cos(np.pi / 6.0), 4.0, 1.5])
    left = np.linalg.norm(np.array([15.0, -0.5, 3.0]) - source)
    right = np.linalg.norm(np.array([15.0, 0.5, 3.0]) - source)
    assert arrivals.distance_m == pytest.approx([left, right])
    assert arrivals.direct_s == pytest.approx([(left - right) / 343.2, 0.0])


def test_the_first_reflection_is_the_shortest_image_source_of_walls_and_ceiling(load, make_seat):
    spec, _ = load(ROOM)
    arrivals = find_arrivals(spec, make_seat(8.0, 0.0), spec.microphones["main"])
    # Worked by hand: source (7, 0, 1.5). Ceiling image at z = 18.5: √(8² + 0.5² + 15.5²) = 17.450 m; side
    # wall image at y = ±20: √(8² + 19.5² + 1.5²) = 21.130 m. The ceiling is first.
    gap = (np.sqrt(64 + 0.25 + 15.5**2) - np.sqrt(64 + 0.25 + 2.25)) / 343.2
    assert arrivals.reflected_s - arrivals.direct_s == pytest.approx([gap, gap])
    assert gap == pytest.approx(0.0271, abs=1e-4)


def test_seats_in_a_wall_or_in_a_microphone_are_refused(load, make_seat):
    spec, _ = load(ROOM)
    assert seat_fault(spec, make_seat(8.0, 45.0)) is None
    what, remedy = seat_fault(spec, make_seat(12.0, 90.0)) or ("", "")
    assert "outside the walls" in what
    assert "ends 9.7 m" in remedy
    low = ROOM.replace("[15, -0.5, 3], [15, 0.5, 3]", "[15, -0.5, 1.5], [15, 0.5, 1.5]")
    spec, _ = load(low)
    what, _remedy = seat_fault(spec, make_seat(0.5, 90.0)) or ("", "")
    assert "0.00 m from a microphone of main" in what


def test_patterns_take_their_share_of_a_diffuse_field():
    # Random energy efficiency, closed form: omni 1, cardioid 1/3, figure of eight 1/3.
    assert random_efficiency("omni") == 1.0
    assert random_efficiency("cardioid") == pytest.approx(1.0 / 3.0)
    assert random_efficiency("figure_eight") == pytest.approx(1.0 / 3.0)
