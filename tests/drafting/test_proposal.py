"""From the names and facts of a folder to sections, groups, seats, sends and what is left out."""

from __future__ import annotations

from pathlib import Path

import pytest

from roomplan.drafting.arranging import fitting_seat, propose
from roomplan.drafting.instruments import instrument_table
from roomplan.drafting.listening import StemFile
from roomplan.errors import Place
from roomplan.plan.model import Seat
from roomplan.rooms.geometry import seat_fault
from roomplan.rooms.room_file import bundled_rooms, load_room_specification


def left_out(proposal) -> dict[str, str]:
    return {left.file.name: left.kind for left in proposal.left_out}


def by_name(proposal):
    return {section.name: section for section in proposal.sections}


def test_strings_keep_their_sections_and_become_a_group(imagined):
    proposal = imagined("Vln1.wav", "Vln2.wav", "Vla.wav", "Vc.wav", "Cb.wav", "Flute.wav", "Oboe.wav")
    (group,) = proposal.groups
    assert group.name == "strings"
    assert group.sections == ("violins_1", "violins_2", "violas", "cellos", "basses")
    assert len(by_name(proposal)["woodwinds"].files) == 2


def test_a_group_is_never_called_like_a_section(imagined):
    proposal = imagined("Brass.wav", "Horns.wav", "Tutti Strings.wav", "Low Str.wav")
    assert [group.name for group in proposal.groups] == ["all_brass", "strings"]
    assert {"brass", "horns", "tutti_strings", "low_strings"} == set(by_name(proposal))


def test_numbered_files_are_a_section_each_and_unsure(imagined):
    proposal = imagined(*(f"Audio {number:02d}.wav" for number in range(1, 6)))
    assert [section.name for section in proposal.sections] == [f"audio_0{number}" for number in range(1, 6)]
    assert not any(section.sure for section in proposal.sections)


def test_more_unknown_files_than_any_cue_has_become_one_section(imagined):
    proposal = imagined(*(f"Audio {number:03d}.wav" for number in range(200)))
    (section,) = proposal.sections
    assert (section.name, len(section.files), section.sure) == ("unsorted", 200, False)


@pytest.mark.parametrize(
    "name",
    [
        "IH_MIX v4", "Ice Harbour master", "click", "IH ref", "guide vox", "temp strings", "IH bounce",
        "Metronome", "Choir Reverb",
    ],
)  # fmt: skip
def test_mixes_clicks_guides_and_returns_are_left_out(imagined, name):
    proposal = imagined("Strings.wav", "Choir.wav", "Brass.wav", f"{name}.wav")
    assert left_out(proposal) == {f"{name}.wav": "mix"}


def test_a_submix_that_names_its_instrument_is_a_stem(section_of):
    assert section_of("Strings Mix.wav", "Choir bounce.wav") == {
        "Strings Mix.wav": "strings",
        "Choir bounce.wav": "choir",
    }


def test_a_folder_of_mixes_alone_is_taken_as_it_is(imagined):
    proposal = imagined("Ice Harbour MIX v4.wav")
    assert (len(proposal.sections), proposal.left_out) == (1, ())


def test_only_the_latest_take_and_version_is_heard(imagined):
    proposal = imagined("Vln_v3.wav", "Vln_v4 tk1.wav", "Vln_v4 tk2.wav", "Vc_v3.wav")
    assert left_out(proposal) == {"Vln_v3.wav": "older", "Vln_v4 tk1.wav": "older"}


def test_files_that_are_nothing_but_takes_stay(imagined):
    assert not imagined("take 1.wav", "take 2.wav").left_out


def test_of_two_cues_in_one_folder_the_larger_is_taken(imagined):
    proposal = imagined("3m12_Vln.wav", "3m12_Vc.wav", "3m13_Vln.wav")
    assert left_out(proposal) == {"3m13_Vln.wav": "cue"}
    assert any("3m13" in remark for remark in proposal.remarks)


def test_a_file_that_cannot_be_rendered_is_left_out_with_its_reason():
    files = [
        StemFile("Vln.wav", 2, 48_000, 1.0),
        StemFile("Vc.wav", fault="is empty"),
        StemFile("a\tb.wav", 2, 48_000, 1.0),
    ]
    proposal = propose(Path("stems"), files)
    assert {left.file.name: left.why for left in proposal.left_out}["Vc.wav"] == "is empty"
    assert left_out(proposal) == {"Vc.wav": "fault", "a\tb.wav": "fault"}


def test_the_rate_is_said_where_the_stems_differ_and_is_that_of_most():
    files = [
        StemFile(f"{name}.wav", 2, rate, 1.0)
        for name, rate in (("Vln", 48_000), ("Vc", 44_100), ("Cb", 48_000))
    ]
    proposal = propose(Path("stems"), files)
    assert proposal.sample_rate == 48_000
    assert any("44100" in remark for remark in by_name(proposal)["cellos"].remarks)
    assert propose(Path("stems"), files[::2]).sample_rate is None


def test_a_rate_that_no_plan_may_have_becomes_the_highest_one():
    assert propose(Path("stems"), [StemFile("Vln.wav", 2, 384_000, 1.0)]).sample_rate == 192_000


def test_what_is_silent_short_or_half_a_pair_is_remarked():
    files = [
        StemFile("Vln.wav", 2, 48_000, 60.0, -23.0, -3.0, (0.0, 60.0)),
        StemFile("Vc.wav", 2, 48_000, 60.0, silent=True),
        StemFile("Harp_L.wav", 1, 48_000, 5.0, -23.0, -3.0, (0.0, 5.0)),
    ]
    proposal = propose(Path("stems"), files)
    assert by_name(proposal)["cellos"].remarks == ("Vc.wav is silent",)
    assert "right half is missing" in by_name(proposal)["harp"].remarks[0]
    assert any("Harp_L.wav" in remark for remark in proposal.remarks)


@pytest.mark.parametrize(
    ("begins", "said"),
    [
        (None, "every stem starts at the same moment here"),
        (480, "every stem is placed by its time reference"),
    ],
)
def test_a_short_stem_is_remarked_with_how_the_stems_are_placed(begins, said):
    files = [
        StemFile(f"{name}.wav", 2, 48_000, seconds, -23.0, -3.0, (0.0, seconds), begins_sample=begins)
        for name, seconds in (("Vln", 60.0), ("Vc", 60.0), ("Choir", 12.0))
    ]
    (remark,) = propose(Path("stems"), files).remarks
    assert remark == f"much shorter than the longest stem: Choir.wav; {said}"


def test_an_orchestra_sits_in_the_hall_and_its_choir_also_in_the_nave(imagined):
    proposal = imagined("Strings.wav", "Choir.wav")
    assert [room.name for room in proposal.rooms] == ["larkmere_hall", "orrin_nave", "tallowyard_stage"]
    assert set(by_name(proposal)["choir"].sends) == {"larkmere_hall", "orrin_nave"}
    assert set(by_name(proposal)["strings"].sends) == {"larkmere_hall"}
    assert list(proposal.shared_sends) == ["tallowyard_stage"]


def test_a_choir_alone_sings_nearer_and_in_the_chapel(imagined):
    alone, together = imagined("Choir.wav"), imagined("Choir.wav", "Strings.wav")
    assert [room.name for room in alone.rooms] == ["sedgewater_chapel", "tallowyard_stage"]
    assert by_name(alone)["choir"].seat.distance_m < by_name(together)["choir"].seat.distance_m


def test_no_proposed_send_is_louder_than_the_demo_ever_is(imagined):
    names = [f"{instrument.names[0]}.wav" for instrument in instrument_table().instruments]
    proposal = imagined(*names)
    sends = [send.level_db for section in proposal.sections for send in section.sends.values()]
    assert max(level for level in sends if level is not None) <= -11.0  # the demo's melody strings


@pytest.mark.parametrize("channels", [1, 2])
def test_every_seat_is_inside_every_room_it_is_sent_to(imagined, channels):
    names = [f"{instrument.names[0]}.wav" for instrument in instrument_table().instruments]
    specs = {name: load_room_specification(name)[0] for name in bundled_rooms()}
    for proposal in (
        imagined(*names, channels=channels),
        *(imagined(name, channels=channels) for name in names),
    ):
        for section in proposal.sections:
            seat = Seat(section.seat.distance_m, section.seat.angle_deg, Place(Path()), section.seat.spread_m)
            for room in {*section.sends, *proposal.shared_sends}:
                spec = specs[room]
                assert spec is not None
                assert seat_fault(spec, seat, channels) is None, (section.name, room)


def test_a_seat_outside_a_narrow_room_comes_nearer():
    spec, _problems = load_room_specification("sedgewater_chapel")
    assert spec is not None
    seat = fitting_seat([spec], 12.0, 45.0, sources=2)
    assert seat is not None
    assert seat.angle_deg == 45.0
    outside = Seat(seat.distance_m + 0.5, 45.0, Place(Path()), spread_m=seat.spread_m)
    assert seat_fault(spec, Seat(seat.distance_m, 45.0, Place(Path()), spread_m=seat.spread_m), 2) is None
    assert seat_fault(spec, outside, 2) is not None
    assert seat.distance_m < 12.0
    assert seat.spread_m == 3.0


def test_an_answer_moves_a_file_and_a_refusal_leaves_it_out(imagined):
    answers = {"Audio 01.wav": "Bratschen", "Audio 02.wav": None, "Audio 03.wav": "My Zoo: 2"}
    proposal = imagined("Audio 01.wav", "Audio 02.wav", "Audio 03.wav", answers=answers)
    assert list(by_name(proposal)) == ["violas", "my_zoo_2"]
    assert all(section.sure for section in proposal.sections)
    assert left_out(proposal) == {"Audio 02.wav": "answer"}


def test_the_work_of_a_proposal_grows_with_the_number_of_files_and_not_its_square(imagined, tenfold_cost):
    words = ("Vln", "Vla", "Vc", "Hn", "Foo")
    names = [f"3m12_IH_{words[number % 5]}{number}_v4.wav" for number in range(5_000)]
    assert tenfold_cost(lambda: imagined(*names[:500]), lambda: imagined(*names)) < 15.0


def test_one_stem_in_two_types_of_file_is_taken_once(section_of):
    assert section_of("Harp.flac", "Harp.wav", "Vla.wav") == {
        "Harp.flac": None,
        "Harp.wav": "harp",
        "Vla.wav": "violas",
    }


def test_a_later_date_is_a_later_version(section_of):
    found = section_of("Harp_20260203.wav", "Harp_20260310.wav", "Vla_20260310.wav")
    assert found["Harp_20260203.wav"] is None
    assert found["Harp_20260310.wav"] == "harp"


@pytest.mark.parametrize(
    ("file", "source"),
    [
        ("Choir.wav", "voice"),
        ("Solo Soprano.wav", "voice"),
        ("Vln1.wav", "strings"),
        ("Cb.wav", "strings"),
        ("Oboe.wav", "woodwinds"),
        ("Trumpets.wav", "brass"),
        ("Horns.wav", "even"),  # their bells point backwards
        ("Timpani.wav", "percussion"),
        ("Harp.wav", "even"),
        ("Synth Pad.wav", "even"),
        ("Audio 01.wav", "even"),
    ],
)
def test_a_section_has_the_source_of_its_kind_and_what_is_not_known_is_even(imagined, file, source):
    (section,) = imagined(file).sections
    assert section.source == source
