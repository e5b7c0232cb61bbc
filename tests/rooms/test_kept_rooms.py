"""Rooms that were prepared before: the same as prepared anew, without a response being read."""

from __future__ import annotations

import json
import random
import zlib
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from roomplan.errors import Place, RoomplanError
from roomplan.files.cache import Cache
from roomplan.plan.model import ResponseFiles, Room, Seat
from roomplan.rooms.kept_rooms import KeptRooms
from roomplan.rooms.preparation import prepare_room
from roomplan.rooms.prepared import PositionRequest

RATE = 16_000


@pytest.fixture
def cache(tmp_path):
    return Cache(tmp_path / "cache")


@pytest.fixture
def place(tmp_path):
    return Place(tmp_path / "plan.yaml", 3, 1)


@pytest.fixture
def nave(tmp_path, place):
    """A recorded room that is warned of: one of its files is clipped."""
    files = {}
    for number, name in enumerate(("front", "rear")):
        time = np.arange(RATE) / RATE
        noise = (
            np.random.default_rng(number).standard_normal((RATE, 2)) * 10.0 ** (-3.0 * time / 0.8)[:, None]
        )
        noise[100] = 8.0
        if name == "rear":
            noise[200:230] = 9.0
        path = tmp_path / f"{name}.wav"
        soundfile.write(path, 0.1 * noise, RATE, subtype="FLOAT")
        files[name] = ResponseFiles((path,), replace(place, line=number + 5), listed=True)
    return _room("nave", place, responses=files)


def _room(name, place, **values):
    usual = {
        "synthetic": None,
        "responses": None,
        "level_db": 0.0,
        "mute": False,
        "width": 1.0,
        "wiring": None,
        "normalise": "power",
        "gain_position": None,
        "direct": "drop",
        "align": "each",
        "pre_delay_s": 0.0,
        "low_cut_hz": None,
        "high_cut_hz": None,
        "decay_scale": None,
        "reverberation_time_s": None,
        "trim_tail": True,
    }
    return Room(**(usual | values), name=name, place=place)


@pytest.fixture
def stage(place):
    return _room("stage", place, synthetic="tallowyard_stage", align=None)


@pytest.fixture
def narrow(stage):
    """A room that is warned of as a whole: its return has no side."""
    return replace(stage, width=0.0)


def requests_of(room, place):
    if room.synthetic is None:
        return [PositionRequest("front"), PositionRequest("rear")]
    return [PositionRequest("main", Seat(7.0, 10.0, place)), PositionRequest("main", None, 1)]


def prepared(cache, room, requests):
    found, problems = KeptRooms(cache).prepare(room, requests, sample_rate=RATE)
    assert found is not None, problems
    return found


def known_of(room):
    return (
        room.gain,
        room.gain_db,
        room.gain_position,
        room.gain_wiring,
        room.direct_found,
        room.late_correlation,
        room.warnings,
        [
            (p.position, p.wiring, p.onset_s, p.off_stage_m, p.response.frames, p.response.channels)
            for p in room.positions.values()
        ],
    )


@pytest.mark.parametrize("kind", ["nave", "stage", "narrow"])
def test_a_room_that_was_prepared_before_is_known_without_reading_a_response(
    cache, place, request, monkeypatch, kind
):
    room = request.getfixturevalue(kind)
    requests = requests_of(room, place)
    fresh, problems = prepare_room(room, requests, sample_rate=RATE)
    assert fresh is not None, problems
    assert (kind != "stage") == bool(fresh.warnings)
    first = prepared(cache, room, requests)
    with monkeypatch.context() as patch:
        patch.setattr(KeptRooms, "prepare_anew", None)  # nobody may ask
        again = prepared(cache, room, requests)
    assert known_of(fresh) == known_of(first) == known_of(again)
    for one in requests:
        np.testing.assert_array_equal(again.positions[one].samples, fresh.positions[one].samples)
        assert again.positions[one].samples is again.positions[one].samples


def test_a_warning_is_where_the_response_is_now(cache, nave, place):
    prepared(cache, nave, requests_of(nave, place))
    lower = {name: replace(one, place=replace(one.place, line=90)) for name, one in nave.responses.items()}
    again = prepared(cache, replace(nave, responses=lower), requests_of(nave, place))
    assert {warning.place.line for warning in again.warnings if warning.place} == {90}


@pytest.mark.parametrize(
    "change",
    [
        {"direct": "keep"},
        {"decay_scale": 0.8},
        {"gain_position": "rear"},
        {"normalise": "none"},
        {"align": "room"},
        {"trim_tail": False},
    ],
)
def test_what_the_preparation_goes_by_makes_another_room(cache, nave, place, change):
    requests = requests_of(nave, place)
    prepared(cache, nave, requests)
    other = replace(nave, **change)
    fresh, _problems = prepare_room(other, requests, sample_rate=RATE)
    assert fresh is not None
    assert known_of(prepared(cache, other, requests)) == known_of(fresh)


def test_levels_cuts_and_pre_delay_are_no_part_of_a_prepared_room(cache, nave, place, monkeypatch):
    prepared(cache, nave, requests_of(nave, place))
    monkeypatch.setattr(KeptRooms, "prepare_anew", None)  # nobody may ask
    prepared(
        cache, replace(nave, level_db=-6.0, low_cut_hz=200.0, pre_delay_s=0.02), requests_of(nave, place)
    )


def test_a_file_that_has_changed_is_read_again(cache, nave, place):
    requests = requests_of(nave, place)
    before = prepared(cache, nave, requests)
    path = nave.responses["front"].files[0]
    samples, _rate = soundfile.read(path, always_2d=True)
    soundfile.write(path, 0.5 * samples[: RATE // 2], RATE, subtype="FLOAT")
    after = prepared(cache, nave, requests)
    assert after.positions[requests[0]].response.frames < before.positions[requests[0]].response.frames


def test_a_file_that_is_replaced_between_its_digest_and_its_reading_leaves_nothing_under_what_it_was(
    cache, nave, place, monkeypatch
):
    requests = requests_of(nave, place)
    path = nave.responses["front"].files[0]
    before, prepare_anew = path.read_bytes(), KeptRooms.prepare_anew
    samples, _rate = soundfile.read(path, always_2d=True)

    def later(*arguments, **settings):
        soundfile.write(path, 0.5 * samples, RATE, subtype="FLOAT")
        return prepare_anew(*arguments, **settings)

    with monkeypatch.context() as patch:
        patch.setattr(KeptRooms, "prepare_anew", later)
        prepared(cache, nave, requests)
    path.write_bytes(before)
    fresh, _problems = prepare_room(nave, requests, sample_rate=RATE)
    assert fresh is not None
    assert known_of(prepared(cache, nave, requests)) == known_of(fresh)


def test_a_file_that_changes_after_the_room_was_opened_is_an_error_that_says_so(cache, nave, place):
    requests = requests_of(nave, place)
    prepared(cache, nave, requests)
    opened = prepared(cache, nave, requests)
    path = nave.responses["front"].files[0]
    samples, _rate = soundfile.read(path, always_2d=True)
    soundfile.write(path, 0.5 * samples, RATE, subtype="FLOAT")
    with pytest.raises(RoomplanError, match="not those that it was opened with"):
        opened.positions[requests[0]].samples  # noqa: B018
    path.unlink()
    opened = KeptRooms(cache).prepare(nave, requests, sample_rate=RATE)
    assert opened[0] is None
    assert "front.wav" in str(opened[1][0])


def test_no_damage_to_what_is_kept_is_trusted_or_ends_in_an_error(cache, nave, place):
    requests = requests_of(nave, place)
    expected = known_of(prepared(cache, nave, requests))
    (entry,) = [entry for entry in cache.entries() if entry.document("room")]
    whole = json.loads((entry.folder / "room.json").read_text(encoding="utf-8"))
    odd = [None, True, -1, 0, 1e400, float("nan"), "", "main", [], {}, [[]], 3, "0" * 64]
    misses = 0
    for seed in range(150):
        dice = random.Random(seed)
        document = json.loads(json.dumps(whole))
        holder = document
        key = dice.choice(list(document))
        while isinstance(holder[key], list) and holder[key] and dice.random() < 0.8:
            holder, key = holder[key], dice.randrange(len(holder[key]))
        holder[key] = dice.choice(odd)
        raw = json.dumps(document).encode()
        (entry.folder / "room.json").write_bytes(raw)
        meta = json.loads((entry.folder / "meta.json").read_text(encoding="utf-8"))
        meta["files"]["room.json"] = [len(raw), zlib.crc32(raw)]
        (entry.folder / "meta.json").write_text(json.dumps(meta), encoding="utf-8")
        found = prepared(cache, nave, requests)
        misses += known_of(found) == expected
        assert found.gain > 0.0
        assert all(one.response.frames > 0 for one in found.positions.values())
    assert misses > 75
