"""A template filled with the stems of a cue."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from roomplan.drafting.filling import fill_template
from roomplan.drafting.listening import StemFile
from roomplan.drafting.writing import filling_text, plan_text, write_plan
from roomplan.errors import PlanError
from roomplan.files.resources import bundled_folder
from roomplan.plan.load import load_plan
from roomplan.rooms.geometry import seat_fault
from roomplan.rooms.room_file import bundled_rooms, load_room_specification
from roomplan.session.stems import claim_stems
from roomplan.timecode import frame_rate, parse_timecode

if TYPE_CHECKING:
    from pathlib import Path

BASE = """\
title: House
stems: nowhere
rooms:
  hall: {synthetic: larkmere_hall}
  stage: {synthetic: tallowyard_stage}
shared_sends: {stage: -20}
groups:
  strings: {sections: [high, low], sends: {hall: -12}}
  voices: {sections: [choir]}
sections:
  high: {stems: ["*vln*", "*violin*"], seat: {distance: 6, angle: -20}}
  low: {stems: ["*vc*", {file: "*cb*", level: -2}], seat: {distance: 7, angle: 25}, sends: {hall: -13}}
  brass: {stems: ["*brass*", "*hn*"], sends: {hall: -14}}
  choir: {stems: ["*choir*"], sends: {hall: -10}}
alternates:
  up: {choir: {level: 1}, high: {level: 1}}
  only_choir: {choir: {level: 2}}
margins:
  - {of: choir, over: strings}
  - {of: brass, over: low}
"""


@pytest.fixture
def filled(tmp_path):
    """Fill the template from files that are written as empty ones; give back the filling, text and plan."""

    def fill(*names: str, base: str = BASE, rate: int = 48_000, channels: int = 2, begins: int | None = None):
        folder = tmp_path / "cue" / "stems"
        folder.mkdir(parents=True, exist_ok=True)
        (tmp_path / "house.yaml").write_text(base, encoding="utf-8")
        for name in names:
            (folder / name).touch()
        files = [
            StemFile(name, channels, rate, 10.0, -23.0, -6.0, (0.0, 10.0), begins_sample=begins)
            for name in names
        ]
        filling = fill_template(tmp_path / "house.yaml", folder, files)
        plan = tmp_path / "cue" / "cue.yaml"
        text = filling_text(filling, plan)
        write_plan(text, plan, replace=True)
        loaded = load_plan(plan)
        assert loaded.problems == ()
        assert loaded.plan is not None
        return filling, text, loaded.plan

    return fill


def claimed(plan) -> tuple[dict[str, list[str]], list[str]]:
    """Files by section, and what stands in the way besides the empty files."""
    names = {
        section.name: sorted(
            path.name
            for entry in section.stems
            for path in _folder(plan.stems_folder).matching(entry.pattern)
        )
        for section in plan.sections.values()
    }
    _stems, problems, _warnings = claim_stems(plan)
    return names, [p.what for p in problems if "belongs to" in p.what or "no stem in" in p.what]


def _folder(folder: Path):
    from roomplan.errors import Place
    from roomplan.session.stems import StemsFolder

    return StemsFolder.listed(folder, Place(folder))[0]


def test_sections_with_stems_stay_as_the_template_has_them(filled):
    filling, text, plan = filled(
        "3m1_Vln.wav",
        "3m1_Violin2.wav",
        "3m1_Vc.wav",
        "3m1_Cb.wav",
        "3m1_Brass.wav",
        "3m1_Hn.wav",
        "3m1_Choir.wav",
    )
    assert not filling.sections_change
    assert not filling.missing
    assert "sections:" not in text
    assert claimed(plan) == (
        {
            "high": ["3m1_Violin2.wav", "3m1_Vln.wav"],
            "low": ["3m1_Cb.wav", "3m1_Vc.wav"],
            "brass": ["3m1_Brass.wav", "3m1_Hn.wav"],
            "choir": ["3m1_Choir.wav"],
        },
        [],
    )


def test_a_section_without_stems_goes_with_all_that_names_it(filled):
    filling, text, plan = filled("Vln.wav", "Violin2.wav", "Vc.wav", "Cb.wav", "Brass.wav", "Hn.wav")
    assert dict(filling.missing) == {"choir": ("*choir*",)}
    assert set(plan.sections) == {"high", "low", "brass"}
    assert set(plan.groups) == {"strings"}
    assert {name: set(one.changes) for name, one in plan.alternates.items()} == {"up": {"high"}}
    assert [(margin.of, margin.over) for margin in plan.margins] == [("section:brass", "section:low")]
    assert "no stem fits *choir*" in text


def test_a_pattern_that_fits_nothing_is_dropped_and_levels_stay(filled):
    _filling, _text, plan = filled("Vln.wav", "Cb.wav", "Brass.wav", "Hn.wav", "Choir.wav")
    assert [entry.pattern for entry in plan.sections["high"].stems] == ["*vln*"]
    assert [(entry.pattern, entry.level_db) for entry in plan.sections["low"].stems] == [("*cb*", -2.0)]
    assert claimed(plan)[1] == []


def test_a_file_two_sections_claim_goes_to_the_one_whose_pattern_says_more(filled):
    filling, _text, plan = filled(
        "Vln.wav", "Violin2.wav", "Brass Choir.wav", "Hn.wav", "Choir.wav", "Vc.wav", "Cb.wav"
    )
    # `*brass*` and `*choir*` say equally much: the first of the template has it
    assert [file.name for file in filling.filled["choir"]] == ["Choir.wav"]
    assert claimed(plan)[0]["brass"] == ["Brass Choir.wav", "Hn.wav"]
    assert claimed(plan)[1] == []


def test_a_file_no_section_claims_becomes_one_with_the_sends_of_the_nearest(filled):
    filling, text, plan = filled(
        "Vln.wav",
        "Violin2.wav",
        "Vc.wav",
        "Cb.wav",
        "Brass.wav",
        "Hn.wav",
        "Choir.wav",
        "Tuba.wav",
        "Kazoo.wav",
    )
    assert {section.name for section in filling.added} == {"low_brass", "kazoo"}
    assert {send.room: send.level_db for send in plan.sections["low_brass"].sends} == {
        "hall": -14.0,
        "stage": -20.0,
    }
    assert {send.room: send.level_db for send in plan.sections["kazoo"].sends} == {"stage": -20.0}
    assert "sends as in brass" in text


def test_a_section_whose_patterns_fit_nothing_takes_the_files_that_are_called_like_it(filled):
    filling, text, plan = filled(
        "Vln.wav", "Violin2.wav", "Vc.wav", "Cb.wav", "Brass.wav", "Hn.wav", "Coro.wav"
    )
    assert not filling.missing
    assert filling.by_name == {"choir"}
    assert claimed(plan)[0]["choir"] == ["Coro.wav"]
    assert "? by its name" in text
    assert {send.room: send.level_db for send in plan.sections["choir"].sends} == {
        "hall": -10.0,
        "stage": -20.0,
    }


def test_an_earlier_take_and_a_click_are_left_out_of_a_template_too(filled):
    filling, _text, plan = filled(
        "Vln_v1.wav",
        "Vln_v2.wav",
        "Violin2.wav",
        "Vc.wav",
        "Cb.wav",
        "Brass.wav",
        "Hn.wav",
        "Choir.wav",
        "click.wav",
    )
    assert {left.file.name for left in filling.left_out} == {"Vln_v1.wav", "click.wav"}
    assert claimed(plan)[0]["high"] == ["Violin2.wav", "Vln_v2.wav"]


def test_a_template_with_problems_is_refused_with_all_of_them(filled):
    with pytest.raises(PlanError) as refused:
        filled(
            "Vln.wav",
            base=BASE.replace("angle: -20", "angle: -500").replace(
                "synthetic: larkmere", "synthtic: larkmere"
            ),
        )
    lines = str(refused.value)
    assert "synthtic" in lines
    assert "-500" in lines


def test_an_added_section_never_takes_a_name_of_the_template(filled):
    base = BASE.replace('  choir: {stems: ["*choir*"]', '  harp: {stems: ["*choir*"]').replace(
        "choir", "harp"
    )
    base = base.replace('"*harp*"', '"*chx*"')
    _filling, _text, plan = filled(
        "Vln.wav", "Violin2.wav", "Vc.wav", "Cb.wav", "Brass.wav", "Hn.wav", "chx.wav", "Harp.wav", base=base
    )
    assert {"harp", "harp_2"} <= set(plan.sections)


def test_a_plan_of_its_own_can_be_the_template_of_the_next_cue(filled, imagined, tmp_path):
    first = plan_text(
        imagined("3m1_Vln1_v1.wav", "3m1_Cello_v1.wav", "3m1_Choir_v1.wav"), tmp_path / "house.yaml"
    )
    filling, _text, plan = filled("3m2_Vln1_v4.wav", "3m2_Cello_v4.wav", "3m2_Choir_v4.wav", base=first)
    assert not filling.sections_change
    assert {name: len(files) for name, files in claimed(plan)[0].items()} == {
        "choir": 1,
        "violins_1": 1,
        "cellos": 1,
    }


SHIPPED = (bundled_folder("configs") / "house_base.yaml").read_text(encoding="utf-8")
ALL_OF_IT = [f"{{}}{name}.wav" for name in ("Choir", "Woodwinds", "Brass", "Perc", "LowStr", "HighStr")]


def test_an_added_section_has_the_sends_and_the_group_of_the_one_it_sits_nearest(filled):
    filling, _text, plan = filled("2m4_Vln I_v3.wav", "2m4_Celli.wav", "2m4_Choir.wav", base=SHIPPED)
    assert {section.name: section.remarks[-1] for section in filling.added} == {
        "violins_1": "not in the template: sends as in melody_strings",
        "cellos": "not in the template: sends as in low_strings",
    }
    assert plan.groups["strings"].sections == ("low_strings", "melody_strings", "violins_1", "cellos")


def test_the_shipped_template_takes_the_cue_of_the_names_and_a_first_version(filled):
    filling, text, plan = filled(*(name.format("2m4_") for name in ALL_OF_IT), base=SHIPPED)
    assert (plan.cue, plan.version) == ("2m4", "1")
    assert str(plan.deliveries["stage"].folder).endswith("out/2m4_v1/stage")
    assert not filling.sections_change
    assert "sections:" not in text


def test_a_template_that_needs_a_cue_gets_the_folders_name_and_says_so_where_no_name_states_one(filled):
    filling, text, plan = filled(*(name.format("") for name in ALL_OF_IT), base=SHIPPED)
    assert plan.cue == "cue"
    assert filling.facts.remarks == ("? no name states a cue: `cue` is the name of the folder",)
    assert "# ? no name states a cue" in text


def test_a_version_that_all_stems_state_is_that_of_the_cue(filled):
    _filling, _text, plan = filled(*(name.format("2m4_v3_") for name in ALL_OF_IT), base=SHIPPED)
    assert plan.version == "3"


@pytest.mark.parametrize(
    ("rate", "named", "start"),
    [("25", "25", "10:02:14:00"), ("25", "29.97df", "10:02:14;02"), ("29.97", "29.97", "01:00:00:02")],
)
def test_a_time_reference_is_written_as_the_timecode_of_its_frame(filled, rate, named, start):
    base = SHIPPED.replace("frame_rate: 25", f"frame_rate: {rate}")
    begins = parse_timecode(start, frame_rate(named)).sample(48_000)
    prefix = "2m4_" if named == rate else f"2m4_{named}_"
    filling, text, plan = filled(*(name.format(prefix) for name in ALL_OF_IT), base=base, begins=begins)
    assert str(plan.start) == start
    assert plan.frame_rate == frame_rate(named)
    assert ("frame_rate:" in text) is (named != rate)
    assert any("the names state" in remark for remark in filling.facts.remarks) is (named != rate)


def test_a_start_of_the_templates_own_cue_is_not_that_of_the_next(filled):
    base = SHIPPED.replace("title: Ice Harbour", 'title: x\ncue: 2m3\nversion: 2\nstart: "10:00:00:00"')
    _filling, _text, plan = filled(*(name.format("2m4_") for name in ALL_OF_IT), base=base)
    assert (plan.cue, plan.version, plan.start) == ("2m4", "2", None)
    _filling, _text, plan = filled(*(name.format("2m3_") for name in ALL_OF_IT), base=base)
    assert str(plan.start) == "10:00:00:00"


SMALL = """\
title: Small
stems: nowhere
rooms:
  chamber: {synthetic: ROOM}
shared_sends: {chamber: -12}
sections:
  high: {stems: ["*vln*"], seat: {distance: 2, angle: 0, spread: 0}}
"""
BOOTH = """\
title: Booth
character: Small and dry, for one player.
dimensions: {length: 4, width: 3.8, height: 2.6}
reverberation_time: {"63": 0.4, "125": 0.4, "250": 0.4, "500": 0.4,
                     "1000": 0.4, "2000": 0.4, "4000": 0.35, "8000": 0.3}
seed: 1
microphones:
  main: {positions: [[2.8, -0.2, 1.5], [2.8, 0.2, 1.5]], pattern: omni}
reference_seat: {distance: 1.5, angle: 0}
"""


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("room", ["booth.yaml", *bundled_rooms()])
def test_an_added_section_sits_inside_the_rooms_of_its_template(filled, tmp_path, room, channels):
    (tmp_path / "booth.yaml").write_text(BOOTH, encoding="utf-8")
    _filling, _text, plan = filled(
        "Vln.wav",
        "Timpani.wav",
        "Tuba.wav",
        "Choir.wav",
        "Harp.wav",
        base=SMALL.replace("ROOM", room),
        channels=channels,
    )
    spec, problems = load_room_specification(plan.rooms["chamber"].synthetic)
    assert not problems
    assert spec is not None
    assert len(plan.sections) == 5
    for section in plan.sections.values():
        assert section.seat is None or seat_fault(spec, section.seat, channels) is None, section.name
    assert plan.sections["harp"].seat is not None


def test_a_stereo_stem_is_narrowed_where_its_pair_would_be_outside_the_room(filled, tmp_path):
    (tmp_path / "booth.yaml").write_text(BOOTH, encoding="utf-8")
    base = SMALL.replace("ROOM", "booth.yaml").replace("angle: 0, spread: 0", "angle: 12")
    _filling, text, plan = filled("Vln.wav", base=base)
    assert plan.sections["high"].seat.spread_m == 1.5
    assert "outside its rooms" in text
    _filling, _text, plan = filled("Vln.wav", base=base, channels=1)
    assert plan.sections["high"].seat.spread_m == 3.0


@pytest.mark.parametrize(("of_template", "added"), [("", "even"), (", source: brass", "brass")])
def test_a_section_that_is_added_has_the_source_that_the_template_gives_to_its_kind(
    filled, of_template, added
):
    base = BASE.replace("sends: {hall: -14}}", f"sends: {{hall: -14}}{of_template}}}")
    _filling, _text, plan = filled("Vln.wav", "Vc.wav", "Brass.wav", "Choir.wav", "Tuba.wav", base=base)
    assert plan.sections["low_brass"].source == added


def test_a_section_of_a_kind_that_the_template_lacks_has_the_source_of_its_kind(filled):
    _filling, _text, plan = filled("Vln.wav", "Vc.wav", "Brass.wav", "Choir.wav", "Oboe.wav")
    assert plan.sections["woodwinds"].source == "woodwinds"
