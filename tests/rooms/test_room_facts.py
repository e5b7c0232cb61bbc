"""What is known of a synthetic room is what its file says, whether that was read now or before."""

from __future__ import annotations

import json
import random
import re
import zlib
from pathlib import Path

import pytest

from roomplan.errors import Place
from roomplan.files.cache import Cache
from roomplan.plan.model import Room
from roomplan.rooms import room_facts
from roomplan.rooms.bundled import bundled_rooms
from roomplan.rooms.room_facts import facts_of_room


@pytest.fixture
def cache(tmp_path):
    return Cache(tmp_path / "cache")


def room_of(source):
    return Room(
        name="stage",
        place=Place(Path("plan.yaml"), 3, 1),
        synthetic=source,
        responses=None,
        level_db=0.0,
        mute=False,
        width=1.0,
        wiring=None,
        normalise="loudness",
        gain_position=None,
        direct="drop",
        align=None,
        pre_delay_s=0.0,
        low_cut_hz=None,
        high_cut_hz=None,
        decay_scale=None,
        reverberation_time_s=None,
        trim_tail=True,
    )


@pytest.fixture
def own(tmp_path):
    """A copy of a bundled room, as a file of the user's own."""
    path = tmp_path / "own.yaml"
    path.write_bytes(bundled_rooms()["tallowyard_stage"].read_bytes())
    return path


def reseed(path):
    """Change one number of a room file."""
    path.write_text(re.sub(r"seed: \d+", "seed: 99", path.read_text("utf-8")), encoding="utf-8")


@pytest.mark.parametrize("name", ["tallowyard_stage", "larkmere_hall"])
def test_what_is_kept_of_a_room_is_what_its_file_says(cache, monkeypatch, name):
    read = facts_of_room(room_of(name), None)
    assert facts_of_room(room_of(name), cache) == read
    monkeypatch.setattr(room_facts, "_read", None)  # nobody may ask
    assert facts_of_room(room_of(name), cache) == read
    assert read[0] is not None
    assert read[0].microphones[0] == "main"


def test_a_room_file_that_has_changed_is_read_again(cache, own):
    before, _problems = facts_of_room(room_of(own), cache)
    reseed(own)
    after, _problems = facts_of_room(room_of(own), cache)
    assert before is not None
    assert after is not None
    assert before.sound["room"]["seed"] != after.sound["room"]["seed"]


def test_the_faults_of_a_room_file_are_reported_each_time(cache, own):
    own.write_text(own.read_text("utf-8") + "\nceiling_height: 3\n", encoding="utf-8")
    first = facts_of_room(room_of(own), cache)
    assert first == facts_of_room(room_of(own), cache)
    assert first[0] is None
    assert "ceiling_height" in first[1][0].what


@pytest.mark.parametrize("name", ["no_such_hall", "../irs_synthetic/larkmere_hall", ""])
def test_a_name_that_is_no_bundled_room_is_refused_even_where_a_kept_room_has_that_content(cache, name):
    assert facts_of_room(room_of("larkmere_hall"), cache)[0] is not None
    facts, problems = facts_of_room(room_of(name), cache)
    assert facts is None
    assert "no bundled room" in problems[0].what


def test_a_room_file_that_is_replaced_while_it_is_read_leaves_nothing_under_what_it_was(
    cache, own, monkeypatch
):
    read = room_facts._read

    def replaced_first(room):
        reseed(own)
        return read(room)

    monkeypatch.setattr(room_facts, "_read", replaced_first)
    assert facts_of_room(room_of(own), cache)[0] is not None
    assert cache.entries() == []


def test_no_damage_to_what_is_kept_ends_in_an_error(cache, own):
    expected = facts_of_room(room_of(own), cache)
    (entry,) = cache.entries()
    whole = json.loads((entry.folder / "facts.json").read_text(encoding="utf-8"))
    seen = 0
    for seed in range(60):
        dice = random.Random(seed)
        document = json.loads(json.dumps(whole))
        document[dice.choice(list(document))] = dice.choice([None, True, 3, "", "main", [], {}, [[]], [None]])
        raw = json.dumps(document if dice.random() < 0.9 else [document]).encode()
        (entry.folder / "facts.json").write_bytes(raw)
        meta = json.loads((entry.folder / "meta.json").read_text(encoding="utf-8"))
        meta["files"]["facts.json"] = [len(raw), zlib.crc32(raw)]
        (entry.folder / "meta.json").write_text(json.dumps(meta), encoding="utf-8")
        found = facts_of_room(room_of(own), cache)
        seen += found == expected  # and so read anew
        assert found[0] is not None
        assert all(isinstance(name, str) for name in found[0].microphones)
    assert seen > 30
