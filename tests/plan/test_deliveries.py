"""Deliveries: several of them, fields in folders and names, and folders that meet."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomplan.plan.load import load_plan
from roomplan.plan.templates import FIELDS, fields_of, filled

KNOWN = "{cue}, {version}, {title}, {bus}, {rate}, {bits}, {delivery}"
OF_FOLDERS = KNOWN.replace("{bus}, ", "")


def planned(path):
    """A plan that has no problems."""
    loaded = load_plan(path)
    assert loaded.problems == ()
    assert loaded.plan is not None
    return loaded.plan


def deliveries(good, least, text, top=""):
    return good(f"{top}\ndeliveries: {text}\n{least}").deliveries


def test_several_deliveries_each_have_a_folder_a_form_and_a_rate_of_their_own(good, least, tmp_path):
    text = (
        "{stage: {folder: out/stage, bit_depth: 24, sample_rate: 96000, write: [mix, prints]}, "
        "review: {folder: out/review, format: flac}, plain: {}}"
    )
    found = deliveries(good, least, text)
    shown = {n: (d.folder, d.container, d.bit_depth, d.sample_rate, d.file_name) for n, d in found.items()}
    assert shown == {
        "stage": (tmp_path / "out/stage", "wav", 24, 96000, None),
        "review": (tmp_path / "out/review", "flac", 24, None, None),
        "plain": (tmp_path / "plain", "wav", "32f", None, None),
    }


def test_fields_of_a_folder_are_filled_in_and_those_of_a_name_are_kept(good, least, tmp_path):
    text = '{dub: {folder: "out/{cue}_v{version}/{delivery}_{rate}_{bits}", file_name: "{cue} {bus} {rate}"}}'
    found = deliveries(good, least, text, "cue: 1m4\nversion: 2\nsample_rate: 48000")["dub"]
    assert found.folder == tmp_path / "out/1m4_v2/dub_48000_32f"
    assert found.file_name == "{cue} {bus} {rate}"


def test_the_rate_of_a_folder_is_the_delivery_s_before_the_plan_s(good, least, tmp_path):
    text = '{dub: {folder: "out/{rate}", sample_rate: 96000}}'
    assert deliveries(good, least, text, "sample_rate: 48000")["dub"].folder == tmp_path / "out/96000"


def test_a_slash_in_a_value_makes_no_folder(good, least, tmp_path):
    found = deliveries(good, least, '{dub: {folder: "out/{title}"}}', 'title: "a/b: c"')
    assert found["dub"].folder.parent == tmp_path / "out"


def test_the_title_of_a_folder_is_the_file_s_name_when_the_plan_has_none(good, least, tmp_path):
    assert deliveries(good, least, '{dub: {folder: "{title}"}}')["dub"].folder == tmp_path / "plan"


def test_a_name_without_a_bus_serves_a_delivery_of_one_file(good, least):
    found = deliveries(good, least, '{dub: {file_name: "{title}_mix", write: [mix]}}')
    assert found["dub"].file_name == "{title}_mix"


def test_alternate_groups_are_a_family_of_their_own(good, least):
    text = "groups: {all: {sections: [choir]}}\nalternates: {up: {choir: {level: 1}}}"
    assert deliveries(good, least, "{dub: {write: [alternate_groups]}}", text)["dub"].write == (
        "alternate_groups",
    )


@pytest.mark.parametrize(
    ("text", "spot", "what", "remedy"),
    [
        (
            '{dub: {folder: "out/{Cue}"}}',
            28,
            "folder: there is no field '{Cue}'",
            f"did you mean {{cue}}? ({OF_FOLDERS})",
        ),
        ('{dub: {file_name: "{bus}{x}"}}', 31, "file_name: there is no field '{x}'", f"one of {KNOWN}"),
        ('{dub: {file_name: "{bus}{}"}}', 31, "file_name: there is no field '{}'", f"one of {KNOWN}"),
        (
            '{dub: {file_name: "{bus}_{cue"}}',
            31,
            "file_name: '{bus}_{cue' has a stray brace",
            f"braces around one of {KNOWN}",
        ),
        (
            '{dub: {folder: "out/{bus}"}}',
            28,
            "folder: {bus} names a file, and a delivery has one folder",
            "`file_name` with {bus}",
        ),
        (
            '{dub: {folder: "out/{cue}"}}',
            28,
            "folder: the plan has no `cue` for {cue}",
            "`cue: 1m4` at the top",
        ),
        (
            '{dub: {file_name: "{bus}_v{version}"}}',
            31,
            "file_name: the plan has no `version` for {version}",
            "`version: 1` at the top",
        ),
        (
            '{dub: {folder: "out/{rate}"}}',
            28,
            "folder: {rate} is not known before the stems are read",
            "`sample_rate` here or at the top",
        ),
        (
            '{dub: {file_name: "dub/{bus}"}}',
            31,
            "file_name: 'dub/{bus}' contains a folder",
            "only a name; folders go into `folder`",
        ),
        (
            '{dub: {file_name: "{bus}.wav"}}',
            31,
            "file_name: '{bus}.wav' has an extension",
            "the name without it: the format sets the extension",
        ),
        (
            '{dub: {file_name: "{title}"}}',
            31,
            "file_name: '{title}' gives every file the same name",
            "{bus} in it, or a single file under `write`",
        ),
        (
            "{dub: {write: [mix, alternate_groups]}}",
            33,
            "dub: alternate_groups, and the plan has no groups and no alternates",
            "`groups` at the top, or the word left out",
        ),
        (
            "{dub: {sample_rate: 4000}}",
            33,
            "sample_rate: 4000 is below 8000 Hz",
            "a whole number from 8000 to 192000 Hz, such as 48000",
        ),
        (
            "{dub: {format: flac, bit_depth: 32f}}",
            34,
            "dub: flac cannot hold 32f samples",
            "16 or 24, or `format: wav`",
        ),
        (
            "{a: {folder: x}, b: {folder: x}}",
            42,
            "b: its folder is that of a",
            "a folder for each, side by side",
        ),
        ("{a: {folder: x}, b: {folder: y/../X}}", 42, "b: its folder is that of a", None),
        ("{a: {folder: b}, b: {}}", 30, "b: its folder is that of a", None),
        ("{a: {folder: x}, b: {folder: x/y}}", 42, "b: the folder of b lies inside that of a", None),
        ("{a: {folder: x/y/z}, b: {folder: x}}", 46, "b: the folder of a lies inside that of b", None),
        (
            '{a: {folder: "{title}"}, b: {folder: plan}}',
            50,
            "b: its folder is that of a",
            None,
        ),
    ],
)
def test_a_fault_in_a_delivery_is_one_line_with_its_place_and_remedy(said, least, text, spot, what, remedy):
    lines = said(f"deliveries: {text}\n{least}")
    assert len(lines) == 1, lines
    assert lines[0].startswith(f"1:{spot} {what} — ")
    assert remedy is None or lines[0] == f"1:{spot} {what} — {remedy}"


@pytest.mark.parametrize("lacking", ["groups", "alternates"])
def test_alternate_groups_need_groups_and_alternates(said, least, lacking):
    given_keys = {
        "groups": "groups: {all: {sections: [choir]}}\n",
        "alternates": "alternates: {up: {choir: {level: 1}}}\n",
    }
    del given_keys[lacking]
    (line,) = said("deliveries: {dub: {write: [alternate_groups]}}\n" + "".join(given_keys.values()) + least)
    remedy = f"`{lacking}` at the top, or the word left out"
    assert line == f"1:28 dub: alternate_groups, and the plan has no {lacking} — {remedy}"


def test_folders_that_a_link_makes_one_are_one(said, least, tmp_path):
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "real")
    (line,) = said(f"deliveries: {{a: {{folder: real}}, b: {{folder: link}}}}\n{least}")
    assert "b: its folder is that of a" in line


def test_folders_that_differ_in_the_form_of_an_accent_are_one(said, least):
    composed, decomposed = (unicodedata.normalize(form, "Große_Fülle") for form in ("NFC", "NFD"))
    (line,) = said(f"deliveries: {{a: {{folder: {composed}}}, b: {{folder: {decomposed}}}}}\n{least}")
    assert "b: its folder is that of a" in line


def test_folders_side_by_side_whose_names_begin_alike_are_two(good, least):
    assert len(deliveries(good, least, "{a: {folder: out}, b: {folder: out2}}")) == 2


def test_a_cue_or_version_that_was_refused_is_not_reported_again_where_it_is_used(said, least):
    (line,) = said(f'version: 1.5\ndeliveries: {{a: {{folder: "v{{version}}"}}}}\n{least}')
    assert "version: 1.5 is a number" in line


BASE = """
rooms: {hall: {synthetic: larkmere_hall}}
sections: {choir: {stems: x, optional: true}, brass: {stems: y, optional: true}}
deliveries:
  stage: {folder: "out/{cue}_v{version}/stage", file_name: "{cue}_v{version}_{bus}", write: [mix, prints]}
  review: {folder: "out/{cue}_v{version}/review", format: flac}
"""


def test_cues_that_extend_one_base_are_delivered_to_folders_and_names_of_their_own(tmp_path):
    (tmp_path / "house").mkdir()
    (tmp_path / "house" / "base.yaml").write_text(BASE)
    folders = set()
    for cue, version in (("1m1", "1"), ("1m2", "1"), ("2m3", "4b")):
        path = tmp_path / f"{cue}.yaml"
        path.write_text(f"extends: house/base.yaml\ncue: {cue}\nversion: {version}\n")
        plan = planned(path)
        stage = plan.deliveries["stage"]
        assert stage.file_name is not None
        # A folder belongs to the file it is written in, as every path does.
        assert stage.folder == tmp_path / "house" / "out" / f"{cue}_v{version}" / "stage"
        values = {"cue": cue, "version": version, "bus": "choir"}
        assert filled(stage.file_name, values) == f"{cue}_v{version}_choir"
        assert all(section.optional for section in plan.sections.values())
        folders |= {delivery.folder for delivery in plan.deliveries.values()}
    assert len(folders) == 6


def test_a_cue_may_change_and_remove_what_its_base_says_of_the_session(tmp_path):
    (tmp_path / "base.yaml").write_text("cue: x\nstrict: true\nframe_rate: 25\n" + BASE)
    (tmp_path / "cue.yaml").write_text(
        "extends: base.yaml\nversion: 1\nstrict: null\ncue: 1m1\n"
        "sections: {choir: {optional: null}}\ndeliveries: {review: null}\n"
    )
    plan = planned(tmp_path / "cue.yaml")
    assert plan.frame_rate is not None
    assert (plan.cue, plan.version, plan.strict, plan.frame_rate.name) == ("1m1", "1", False, "25")
    assert (plan.sections["choir"].optional, plan.sections["brass"].optional) == (False, True)
    assert list(plan.deliveries) == ["stage"]
    assert plan.place_of("cue").file.name == "cue.yaml"
    assert plan.place_of("frame_rate").file.name == "base.yaml"


def test_a_base_alone_says_what_its_cues_have_to_say(tmp_path):
    (tmp_path / "base.yaml").write_text(BASE)
    lines = [str(problem) for problem in load_plan(tmp_path / "base.yaml").problems]
    assert len(lines) == 3
    assert all("the plan has no `cue` for {cue} — `cue: 1m4` at the top" in line for line in lines)


@given(st.text(st.characters(exclude_categories=["Cs"]), max_size=40))
def test_whatever_fills_a_field_a_filled_name_is_one_name_without_fields(value):
    name = filled("a_{title}_z", {"title": value})
    assert fields_of(name) == ()
    assert "/" not in name
    assert "\\" not in name
    assert name.startswith("a_")
    assert name.endswith("_z")


def test_the_known_fields_are_those_that_are_listed(said, least):
    (line,) = said(f'deliveries: {{dub: {{file_name: "{{nothing}}"}}}}\n{least}')
    assert all(f"{{{field}}}" in line for field in FIELDS)
