from __future__ import annotations

import numpy as np
import pytest

from roomplan.acoustics.direct_sound import find_onset
from roomplan.loudness.pink import pink_power
from roomplan.rooms.preparation import prepare_room
from roomplan.rooms.prepared import PositionRequest
from roomplan.rooms.source_colour import coloured_by_power
from roomplan.rooms.source_kinds import SOURCE_KINDS

RATE = 48_000
KINDS = sorted(SOURCE_KINDS)


def prepared(room, requests, *, sample_rate=RATE):
    found, problems = prepare_room(room, requests, sample_rate=sample_rate)
    assert problems == []
    assert found is not None
    return found


def level_db(energy):
    return 10.0 * np.log10(energy)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_the_colour_of_a_source_has_ended_before_its_response_does_and_begins_with_it(kind, rate):
    impulse = np.zeros((rate // 10, 1))
    impulse[100] = 1.0
    coloured = coloured_by_power(impulse, SOURCE_KINDS[kind].directivity, sample_rate=rate)
    peak = np.max(np.abs(coloured))
    assert np.argmax(np.abs(coloured)) == 100
    assert np.max(np.abs(coloured[:100])) < 1e-9 * peak
    assert np.max(np.abs(coloured[100 + rate // 20 :])) < 1e-6 * peak


@pytest.mark.parametrize("kind", KINDS)
def test_all_of_a_measured_response_takes_the_colour_of_the_power_and_keeps_its_loudness_and_its_onset(
    make_room, write_sound, hall_response, kind
):
    room = make_room(files={"hall": write_sound("hall.wav", hall_response(), sample_rate=RATE)})
    requests = [PositionRequest("hall"), PositionRequest("hall", source=kind)]
    found = prepared(room, requests)
    even, coloured = (found.positions[request].samples for request in requests)
    assert find_onset(coloured) == find_onset(even)
    assert level_db(
        np.sum(pink_power(coloured, sample_rate=RATE)) / np.sum(pink_power(even, sample_rate=RATE))
    ) == pytest.approx(0.0, abs=0.01)
    size = 1 << 18
    at = np.round(np.array([63.0, 200.0, 1000.0, 3000.0, 7000.0, 12_000.0]) * size / RATE).astype(int)
    ratio = np.abs(np.fft.rfft(coloured[:, 0], size)[at] / np.fft.rfft(even[:, 0], size)[at]) ** 2
    index_db = SOURCE_KINDS[kind].directivity.index_at(at * RATE / size)
    np.testing.assert_allclose(level_db(ratio) - level_db(ratio[0]), -(index_db - index_db[0]), atol=0.05)


@pytest.mark.parametrize("kind", KINDS)
def test_pink_noise_returns_from_the_reference_seat_of_a_synthetic_room_as_loud_as_from_an_even_source(
    make_room, kind
):
    # The gain is found with late and early sound alike; what is left over is the early sound of one seat.
    requests = [PositionRequest("main"), PositionRequest("main", source=kind)]
    found = prepared(make_room(synthetic="larkmere_hall"), requests)
    even, directed = (
        np.sum(pink_power(found.positions[request].samples, sample_rate=RATE)) for request in requests
    )
    assert level_db(directed / even) == pytest.approx(0.0, abs=0.35)


def test_without_normalising_a_source_is_as_much_quieter_as_its_power_says(
    make_room, write_sound, hall_response
):
    room = make_room(
        files={"hall": write_sound("hall.wav", hall_response(), sample_rate=RATE)}, normalise="none"
    )
    requests = [PositionRequest("hall"), PositionRequest("hall", source="brass")]
    even, brass = (prepared(room, requests).positions[request].samples for request in requests)
    size = 1 << 18
    at = round(4000.0 * size / RATE)
    ratio = np.abs(np.fft.rfft(brass[:, 0], size)[at] / np.fft.rfft(even[:, 0], size)[at])
    assert 20.0 * np.log10(ratio) == pytest.approx(-12.0, abs=0.05)


def test_who_has_which_source_moves_neither_the_gain_of_a_room_nor_an_even_section(make_room, stage_file):
    room = make_room(synthetic=stage_file())
    even = PositionRequest("main")
    alone = prepared(room, [even], sample_rate=24_000)
    both = prepared(room, [PositionRequest("main", source="brass"), even], sample_rate=24_000)
    assert both.gain == alone.gain
    np.testing.assert_array_equal(both.positions[even].samples, alone.positions[even].samples)


def test_two_kinds_of_source_on_one_seat_are_two_responses_and_sections_of_one_kind_share_theirs(
    make_room, stage_file, make_seat
):
    seat = make_seat(6.0, 10.0)
    requests = [PositionRequest("main", seat, 2, kind) for kind in ("voice", "brass")]
    found = prepared(make_room(synthetic=stage_file()), requests, sample_rate=24_000)
    voice, brass = (found.positions[request].response for request in requests)
    assert voice.digest != brass.digest
    again = PositionRequest("main", make_seat(6.0, 10.0), 1, "voice")
    shared = prepared(make_room(synthetic=stage_file(), wiring="one_source"), [requests[0], again])
    assert shared.positions[requests[0]].response is shared.positions[again].response
