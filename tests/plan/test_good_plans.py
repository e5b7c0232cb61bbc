"""What a plan means when nothing is wrong with it."""

from __future__ import annotations

import pytest

from roomplan.errors import Place
from roomplan.files.resources import bundled_folder
from roomplan.plan.bus_name import BusName
from roomplan.plan.load import load_plan
from roomplan.plan.model import Margin, Passage, Seat, Send, StemEntry

CUE = """\
title: Ice Harbour, reel 2
sample_rate: 48000            # optional: the stems' own rate otherwise
tempo: 84
stems: stems
rooms:
  larkmere_hall:
    synthetic: larkmere_hall
    pre_delay: 8
    low_cut: 90
  parish_nave:
    responses:
      front: irs/nave_front.wav
      rear: {left: irs/nave_rear_l.wav, right: irs/nave_rear_r.wav}
    high_cut: 8000
    level: -1
  tallowyard_stage:
    synthetic: tallowyard_stage
shared_sends:
  tallowyard_stage: -19
groups:
  strings: {sections: [low_strings, melody_strings], sends: {larkmere_hall: -5}}
sections:
  choir:
    stems: ["*choir*"]
    seat: {distance: 13, angle: 0}
    sends:
      larkmere_hall: {level: -4, low_cut: 180}
      parish_nave: [{level: -9, position: front}, {level: -14, position: rear}]
  low_strings: {stems: [low]}
  melody_strings: {stems: melody, sends: {tallowyard_stage: off}}
alternates:
  choir_up: {choir: {level: +1.5}}
passages:
  verse: {from: "0:12.5", to: "0:48"}
margins:
  - {of: choir, over: strings, band: speech}
deliveries:
  session: {folder: out/ice_harbour, format: wav, bit_depth: 32f, write: [mix, prints, rooms]}
"""


def test_the_design_example_loads_into_seconds_hertz_decibels_and_absolute_paths(good, tmp_path):
    plan = good(CUE)
    assert (plan.title, plan.sample_rate, plan.tail, plan.trim_db) == (
        "Ice Harbour, reel 2",
        48000,
        "full",
        0.0,
    )
    assert plan.source == tmp_path / "plan.yaml"
    assert plan.documents == (tmp_path / "plan.yaml",)
    assert plan.stems_folder == tmp_path / "stems"
    hall, nave = plan.rooms["larkmere_hall"], plan.rooms["parish_nave"]
    assert (hall.synthetic, hall.responses, hall.pre_delay_s, hall.low_cut_hz) == (
        "larkmere_hall",
        None,
        0.008,
        90.0,
    )
    assert nave.responses["front"].files == (tmp_path / "irs/nave_front.wav",)
    assert nave.responses["rear"].files == (
        tmp_path / "irs/nave_rear_l.wav",
        tmp_path / "irs/nave_rear_r.wav",
    )
    assert all(files.listed for files in nave.responses.values())
    assert (nave.synthetic, nave.high_cut_hz, nave.level_db) == (None, 8000.0, -1.0)
    assert plan.groups["strings"].sections == ("low_strings", "melody_strings")
    assert plan.alternates["choir_up"].changes["choir"].level_db == 1.5
    assert plan.alternates["choir_up"].changes["choir"].mute is None
    assert plan.passages == {"verse": Passage("verse", 12.5, 48.0, Place(tmp_path / "plan.yaml", 34, 3))}
    choir, strings = BusName("section:choir"), BusName("group:strings")
    assert plan.margins == (Margin(choir, strings, "speech", Place(tmp_path / "plan.yaml", 36, 5)),)
    session = plan.deliveries["session"]
    assert (session.folder, session.container, session.bit_depth) == (
        tmp_path / "out/ice_harbour",
        "wav",
        "32f",
    )
    assert session.write == ("mix", "prints", "rooms")


def test_a_section_has_its_sends_in_the_order_of_the_rooms_each_with_its_own_place(good, tmp_path):
    sends = good(CUE).sections["choir"].sends
    file = tmp_path / "plan.yaml"
    assert sends == (
        Send("larkmere_hall", -4.0, None, None, 180.0, None, Place(file, 27, 7)),
        Send("parish_nave", -9.0, "front", None, None, None, Place(file, 28, 21)),
        Send("parish_nave", -14.0, "rear", None, None, None, Place(file, 28, 51)),
        Send("tallowyard_stage", -19.0, None, None, None, None, Place(file, 19, 3)),
    )


def test_sends_merge_room_by_room_section_over_group_over_shared_and_off_removes(good):
    sections = good(CUE).sections
    levels = {name: {send.room: send.level_db for send in sections[name].sends} for name in sections}
    assert levels["low_strings"] == {"larkmere_hall": -5.0, "tallowyard_stage": -19.0}
    assert levels["melody_strings"] == {"larkmere_hall": -5.0}
    assert [sections[name].group for name in sections] == [None, "strings", "strings"]


def test_a_section_entry_replaces_the_whole_entry_of_its_group_for_that_room(good):
    plan = good(
        "rooms: {hall: {synthetic: a}}\n"
        "groups: {g: {sections: [choir], sends: {hall: {level: -5, low_cut: 100, position: far}}}}\n"
        "sections: {choir: {stems: x, sends: {hall: {level: -7}}}}\n"
    )
    (send,) = plan.sections["choir"].sends
    assert (send.level_db, send.low_cut_hz, send.position) == (-7.0, None, None)


def test_without_deliveries_a_float_wav_render_goes_beside_the_plan(good, least, tmp_path):
    plan = good(least)
    (delivery,) = plan.deliveries.values()
    assert (delivery.name, delivery.folder) == ("render", tmp_path / "render")
    assert (delivery.container, delivery.bit_depth, delivery.write) == (
        "wav",
        "32f",
        ("mix", "prints", "rooms"),
    )


@pytest.mark.parametrize(
    ("keys", "container", "depth"),
    [
        ("format: wav", "wav", "32f"),
        ("format: flac", "flac", 24),
        ("bit_depth: 16", "wav", 16),
        ("format: flac, bit_depth: 16", "flac", 16),
        ("bit_depth: 24", "wav", 24),
    ],
)
def test_the_bit_depth_follows_the_format_unless_it_is_given(good, least, tmp_path, keys, container, depth):
    delivery = good(f"{least}deliveries: {{session: {{{keys}}}}}\n").deliveries["session"]
    assert (delivery.container, delivery.bit_depth) == (container, depth)
    assert delivery.folder == tmp_path / "session"


def test_the_least_plan_has_the_documented_defaults(good, least, tmp_path):
    plan = good(least)
    assert (plan.title, plan.sample_rate, plan.stems_folder, plan.tail) == ("plan", None, tmp_path, "full")
    assert (plan.passages, plan.margins) == ({}, ())
    room = plan.rooms["hall"]
    assert (room.level_db, room.mute, room.width, room.wiring, room.normalise) == (
        0.0,
        False,
        1.0,
        None,
        "loudness",
    )
    assert (room.direct, room.align, room.pre_delay_s, room.trim_tail) == ("drop", None, 0.0, True)
    assert (room.low_cut_hz, room.high_cut_hz, room.decay_scale, room.reverberation_time_s) == (None,) * 4
    section = plan.sections["choir"]
    assert section.stems == (StemEntry("x", 0.0, None, Place(tmp_path / "plan.yaml", 2, 27)),)
    assert (section.level_db, section.mute, section.dry_db, section.delay_s) == (0.0, False, 0.0, 0.0)
    assert (section.pan, section.width, section.seat, section.sends, section.group) == (
        None,
        1.0,
        None,
        (),
        None,
    )


@pytest.mark.parametrize(
    ("keys", "attribute", "value"),
    [
        ("level: −3", "level_db", -3.0),
        ("mute: true", "mute", True),
        ("width: 150", "width", 1.5),
        ("wiring: true_stereo", "wiring", "true_stereo"),
        ("normalise: none", "normalise", "none"),
        ("gain_position: far", "gain_position", "far"),
        ("direct: absent", "direct", "absent"),
        ("align: room", "align", "room"),
        ("low_cut: off", "low_cut_hz", None),
        ("high_cut: 20000", "high_cut_hz", 20000.0),
        ("decay_scale: 0.8", "decay_scale", 0.8),
        ("reverberation_time: 2.2", "reverberation_time_s", 2.2),
        ("trim_tail: false", "trim_tail", False),
        ("pre_delay: 4000", "pre_delay_s", 4.0),
    ],
)
def test_a_key_of_a_room_reaches_the_model(room, keys, attribute, value):
    assert getattr(room(keys), attribute) == value


@pytest.mark.parametrize(
    ("note", "milliseconds"),
    [
        # At 120 a quarter lasts 500 ms: arithmetic, no source needed.
        ("1/4", 500.0),
        ("1/8", 250.0),
        ("1/128", 15.625),
        ("1/1", 2000.0),
        ('"triplet 1/4"', 1000.0 / 3.0),
        ("dotted 1/8", 375.0),
        ('"dotted 1/64"', 46.875),
        ("triplet 1/8", 500.0 / 3.0),
    ],
)
def test_a_note_value_lasts_its_share_of_a_beat_and_a_beat_is_a_quarter(room, note, milliseconds):
    assert room(f"pre_delay: {note}", top="tempo: 120").pre_delay_s * 1000 == pytest.approx(
        milliseconds, rel=1e-12
    )


@pytest.mark.parametrize(
    ("keys", "attribute", "value"),
    [
        ("level: 2", "level_db", 2.0),
        ("mute: true", "mute", True),
        ("dry: off", "dry_db", None),
        ("dry: -4.5", "dry_db", -4.5),
        ("delay: 15", "delay_s", 0.015),
        ("pan: -100", "pan", -100.0),
        ("width: 0", "width", 0.0),
    ],
)
def test_a_key_of_a_section_reaches_the_model(section, keys, attribute, value):
    assert getattr(section(keys), attribute) == value


def test_a_seat_has_metres_and_degrees_right_of_centre(section, tmp_path):
    seat = section("seat: {distance: 13, angle: -20}").seat
    assert seat == Seat(13.0, -20.0, Place(tmp_path / "plan.yaml", 2, 30))


@pytest.mark.parametrize(("keys", "spread"), [("", 3.0), (", spread: 0", 0.0), (", spread: 20", 20.0)])
def test_the_sources_of_a_seat_are_3_m_apart_unless_it_says_otherwise(section, keys, spread):
    assert section(f"seat: {{distance: 13, angle: -20{keys}}}").seat.spread_m == spread


def test_a_cut_of_off_in_a_send_is_zero_and_an_absent_one_is_the_rooms(section):
    (send,) = section("sends: {hall: {level: -3, low_cut: off}}").sends
    assert (send.low_cut_hz, send.high_cut_hz, send.pre_delay_s) == (0.0, None, None)


def test_stems_may_be_a_text_or_a_list_of_texts_and_mappings(good):
    plan = good(
        "rooms: {hall: {synthetic: a}}\n"
        'sections:\n  one: {stems: "*a*"}\n  two: {stems: [b, {file: c, level: -2, pan: 30}]}\n'
    )
    assert [(entry.pattern, entry.level_db, entry.pan) for entry in plan.sections["one"].stems] == [
        ("*a*", 0.0, None)
    ]
    assert [(entry.pattern, entry.level_db, entry.pan) for entry in plan.sections["two"].stems] == [
        ("b", 0.0, None),
        ("c", -2.0, 30.0),
    ]


@pytest.mark.parametrize(
    ("written", "files"),
    [("nave.wav", ("nave.wav",)), ("{left: l.wav, right: r.wav}", ("l.wav", "r.wav"))],
)
def test_a_single_file_or_pair_is_the_unlisted_default_position(good, tmp_path, written, files):
    plan = good(
        f"rooms: {{nave: {{responses: {written}, gain_position: default}}}}\nsections: {{c: {{stems: x}}}}\n"
    )
    (position,) = plan.rooms["nave"].responses
    found = plan.rooms["nave"].responses[position]
    assert (position, found.files, found.listed) == (
        "default",
        tuple(tmp_path / name for name in files),
        False,
    )


def test_left_right_and_a_third_key_are_three_positions(good):
    plan = good("rooms: {nave: {responses: {left: a, right: b, rear: c}}}\nsections: {c: {stems: x}}\n")
    assert list(plan.rooms["nave"].responses) == ["left", "right", "rear"]


@pytest.mark.parametrize(
    ("written", "is_path"),
    [
        ("larkmere_hall", False),
        ("rooms/own.yaml", True),
        ("own.yaml", True),
        ("own.YML", True),
        ("./own", True),
    ],
)
def test_a_synthetic_room_is_a_bare_word_or_a_path(good, tmp_path, written, is_path):
    plan = good(f"rooms: {{hall: {{synthetic: {written}}}}}\nsections: {{c: {{stems: x}}}}\n")
    assert plan.rooms["hall"].synthetic == (tmp_path / written if is_path else written)


def test_the_home_folder_is_expanded(good, tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    plan = good("stems: ~/stems\nrooms: {n: {responses: ~/irs/a.wav}}\nsections: {c: {stems: x}}\n")
    assert plan.stems_folder == tmp_path / "home/stems"
    assert plan.rooms["n"].responses["default"].files == (tmp_path / "home/irs/a.wav",)


def test_a_relative_plan_path_gives_absolute_paths_and_places_as_typed(tmp_path, monkeypatch, least):
    (tmp_path / "cue.yaml").write_text(least)
    monkeypatch.chdir(tmp_path)
    plan = load_plan("cue.yaml").plan
    assert plan is not None
    assert plan.source == tmp_path / "cue.yaml"
    assert str(plan.place) == "cue.yaml:1:1"


def test_extended_plans_keep_relative_paths_with_the_file_they_stand_in(good, tmp_path):
    house = tmp_path / "house"
    house.mkdir()
    (house / "base.yaml").write_text(
        "stems: takes\n"
        "rooms: {nave: {responses: {front: irs/f.wav, rear: irs/r.wav}}, hall: {synthetic: own/hall.yaml}}\n"
        "shared_sends: {nave: {level: -12, position: front}}\n"
        "sections: {choir: {stems: choir, sends: {hall: -6}}, brass: {stems: brass}}\n"
    )
    plan = good(
        "extends: house/base.yaml\n"
        "rooms: {nave: {responses: {rear: mine.wav}}}\n"
        "shared_sends: {nave: {level: -10}}\n"
        "sections: {choir: {sends: {hall: null}}, brass: null}\n"
    )
    responses = plan.rooms["nave"].responses
    assert responses["front"].files == (house / "irs/f.wav",)
    assert responses["rear"].files == (tmp_path / "mine.wav",)
    assert plan.rooms["hall"].synthetic == house / "own/hall.yaml"
    assert plan.stems_folder == house / "takes"
    assert list(plan.sections) == ["choir"]
    assert [(send.room, send.level_db, send.position) for send in plan.sections["choir"].sends] == [
        ("nave", -10.0, "front")
    ]
    assert plan.deliveries["render"].folder == tmp_path / "render"
    assert plan.documents == (tmp_path / "plan.yaml", house / "base.yaml")


def test_an_inherited_source_of_a_room_can_be_exchanged(good, tmp_path, least):
    (tmp_path / "base.yaml").write_text(least)
    plan = good("extends: base.yaml\nrooms: {hall: {synthetic: null, responses: own.wav}}\n")
    assert plan.rooms["hall"].synthetic is None
    assert plan.rooms["hall"].responses["default"].files == (tmp_path / "own.wav",)


@pytest.mark.parametrize(("written", "tail"), [("full", "full"), ("none", "none"), ("4", 4.0), ("0.5", 0.5)])
def test_the_tail_is_full_none_or_seconds(good, least, written, tail):
    assert good(f"tail: {written}\n{least}").tail == tail


@pytest.mark.parametrize(
    ("written", "seconds"),
    [
        ("0", 0.0),
        ("12.5", 12.5),
        ("0:00", 0.0),
        ("0:12.5", 12.5),
        ('"0:12.5"', 12.5),
        ("75:30", 4530.0),
        ("1:15:30", 4530.0),
        ("01:02:03.25", 3723.25),
        ("24:00:00", 86400.0),
    ],
)
def test_a_moment_is_seconds_or_minutes_and_seconds_quoted_or_not(good, least, written, seconds):
    if seconds:
        passage = good(f"passages: {{v: {{from: 0, to: {written}}}}}\n{least}").passages["v"]
        assert passage.end_s == seconds
    else:
        assert good(f"passages: {{v: {{from: {written}, to: 1}}}}\n{least}").passages["v"].start_s == 0.0


def test_passages_may_overlap_and_keep_the_order_of_the_file(good, least):
    text = f"passages: {{late: {{from: 20, to: 30}}, all: {{from: 0, to: 40}}}}\n{least}"
    assert list(good(text).passages) == ["late", "all"]


def test_a_margin_says_section_or_group_only_where_both_have_the_name(good):
    plan = good(
        "rooms: {hall: {synthetic: a}}\n"
        "groups: {brass: {sections: [horns]}}\n"
        "sections: {horns: {stems: x}, brass: {stems: y}, choir: {stems: z}}\n"
        "margins:\n"
        "  - {of: choir, over: group:brass}\n"
        "  - {of: choir, over: group:brass, band: speech}\n"
        "  - {of: group:brass, over: section:brass}\n"
        "  - {of: horns, over: choir, band: full}\n"
    )
    assert [(margin.of, margin.over, margin.band) for margin in plan.margins] == [
        ("section:choir", "group:brass", "full"),
        ("section:choir", "group:brass", "speech"),
        ("group:brass", "section:brass", "full"),
        ("section:horns", "section:choir", "full"),
    ]


def test_extended_plans_merge_passages_key_by_key_and_replace_margins(good, tmp_path):
    (tmp_path / "base.yaml").write_text(
        "rooms: {hall: {synthetic: a}}\n"
        "sections: {choir: {stems: x}, horns: {stems: y}}\n"
        'passages: {verse: {from: "0:12", to: "0:48"}, bridge: {from: 50, to: 60}, end: {from: 60, to: 70}}\n'
        "margins: [{of: choir, over: horns}, {of: choir, over: horns, band: speech}]\n"
    )
    plan = good(
        "extends: base.yaml\n"
        "passages: {verse: {to: 0:50}, bridge: null, coda: {from: 70, to: 75}}\n"
        "margins: [{of: horns, over: choir}]\n"
    )
    assert {name: (passage.start_s, passage.end_s) for name, passage in plan.passages.items()} == {
        "verse": (12.0, 50.0),
        "end": (60.0, 70.0),
        "coda": (70.0, 75.0),
    }
    assert plan.passages["end"].place.file == tmp_path / "base.yaml"
    assert [(margin.of, margin.over) for margin in plan.margins] == [("section:horns", "section:choir")]
    assert good("extends: base.yaml\nmargins: null\n").margins == ()
    assert len(good("extends: base.yaml\n").margins) == 2


def test_every_bundled_plan_loads_without_a_problem_and_a_base_lacks_only_what_its_cues_say():
    plans = sorted(
        set(bundled_folder("configs").glob("*.yaml")) - {bundled_folder("configs") / "instruments.yaml"}
    )
    loaded = {path: load_plan(path) for path in plans}
    assert plans
    bases = {file.resolve() for one in loaded.values() if one.plan for file in one.plan.documents[1:]}
    for path, one in loaded.items():
        problems = [problem.what for problem in one.problems]
        if path.resolve() in bases:
            problems = [
                what for what in problems if "has no `cue`" not in what and "has no `version`" not in what
            ]
        assert problems == []
        assert one.plan is not None
        assert one.plan.sections
