"""What stands in a delivery folder before a render: kept, replaced, refused or put aside."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from roomplan.errors import RoomplanError
from roomplan.plan.load import load_plan
from roomplan.rendering.folder_ownership import examine_folder
from roomplan.session.session import Excerpt, open_session

RATE = 48_000


@pytest.fixture
def content(cue):
    """Two sections, no room to speak of: quick to render."""
    for seed, name in enumerate(("choir", "harp")):
        cue.stem(f"{name}.wav", 0.1 * np.random.default_rng(seed).standard_normal((RATE // 20, 2)))
    cue.response("one.wav", np.ones((1, 1)))
    return {
        "title": "Ice Harbour",
        "tail": "none",
        "rooms": {"nave": {"responses": "one.wav", "normalise": "none", "direct": "absent"}},
        "sections": {"choir": {"stems": ["choir"]}, "harp": {"stems": ["harp"]}},
        "deliveries": {"all": {"folder": "out", "write": ["mix", "prints"]}},
    }


def files_of(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def without_harp(content):
    return content | {"sections": {"choir": content["sections"]["choir"]}}


def other_plan(cue, content, name="other.yaml"):
    """The session of another plan over the same stems and folder."""
    loaded = load_plan(cue.plan(content, name))
    assert loaded.plan is not None
    session, problems = open_session(loaded.plan)
    assert session is not None, problems
    return session


def test_the_same_plan_replaces_its_files_whatever_its_levels(cue, content):
    cue.render(content)
    before = files_of(cue.folder / "out")
    cue.render(content | {"trim": -3})
    after = files_of(cue.folder / "out")
    assert after.keys() == before.keys()
    assert all(after[name] != before[name] for name in before)


def test_another_plans_render_is_refused_in_one_line_that_names_it(cue, content):
    cue.render(content | {"cue": "1m2", "version": "4"})
    before = files_of(cue.folder / "out")
    session = other_plan(cue, content | {"title": "Ember Gate"})
    with pytest.raises(RoomplanError) as error:
        cue.deliver(session, cue.folder / "out")
    line = str(error.value)
    assert "\n" not in line
    assert "another plan: Ice Harbour, cue 1m2, version 4" in line
    assert "plan.yaml" in line
    assert "3 files of 0.1 s" in line
    assert "`--replace`" in line
    assert files_of(cue.folder / "out") == before


def test_another_plans_render_is_replaced_when_asked_for(cue, content):
    cue.render(content)
    rendering = cue.deliver(
        other_plan(cue, without_harp(content) | {"title": "Ember Gate"}), cue.folder / "out", replace=True
    )
    assert cue.report["title"] == "Ember Gate"
    assert (cue.folder / "out/prints/harp.wav").exists()  # not ours: neither moved nor taken over
    assert cue.report["left_over"] == []
    assert rendering.left_over == {"all": ()}


def test_a_plan_that_was_moved_and_renamed_with_its_content_is_the_same(cue, content):
    cue.render(content)
    moved = cue.folder / "moved.yaml"
    shutil.copy(cue.folder / "plan.yaml", moved)
    loaded = load_plan(moved)
    assert loaded.plan is not None
    session, _problems = open_session(loaded.plan)
    assert session is not None
    cue.deliver(session, cue.folder / "out")
    assert cue.report["plan"] == str(moved)


def test_another_cue_written_into_the_same_plan_file_is_another_render(cue, content):
    cue.render(content | {"cue": "1m2"})
    with pytest.raises(RoomplanError, match="an earlier cue of this plan: Ice Harbour, cue 1m2"):
        cue.render(content | {"cue": "1m3"})
    cue.render(content | {"cue": "1m2", "title": "Ice Harbour, late"})  # the cue says which it is


def test_a_file_of_the_users_own_is_not_replaced(cue, content):
    own = cue.folder / "out/mix.wav"
    own.parent.mkdir()
    own.write_bytes(b"mine")
    with pytest.raises(RoomplanError, match=r"mix\.wav would be replaced, but no render of this plan"):
        cue.render(content)
    assert own.read_bytes() == b"mine"
    assert not (cue.folder / "out/report.json").exists()
    cue.render(content, replace=True)
    assert own.read_bytes() != b"mine"


def test_a_file_of_the_users_own_among_those_of_the_plan_is_not_replaced(cue, content):
    cue.render(without_harp(content))
    own = cue.folder / "out/prints/harp.wav"
    own.write_bytes(b"mine")
    with pytest.raises(RoomplanError, match=r"prints/harp\.wav would be replaced"):
        cue.render(content)
    assert own.read_bytes() == b"mine"


def test_files_beside_the_render_are_nobodys_business(cue, content):
    notes = cue.folder / "out/notes.txt"
    notes.parent.mkdir()
    notes.write_text("louder")
    cue.render(content)
    assert notes.read_text() == "louder"


@pytest.mark.parametrize("text", ["not json", "[]", "{}", '{"schema": "roomplan.check/3"}', "\0"])
def test_a_report_that_is_none_of_ours_is_not_replaced(cue, content, text):
    report = cue.folder / "out/report.json"
    report.parent.mkdir()
    report.write_text(text)
    with pytest.raises(RoomplanError, match="is not the report of a render"):
        cue.render(content)
    assert report.read_text() == text


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=5,
)
ENTRY = st.fixed_dictionaries({"file": JSON | st.sampled_from(["../x", "/x", "C:\\x", "mix.wav", "a\0b"])})


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(
    fields=st.dictionaries(
        st.sampled_from(["title", "cue", "version", "duration_s", "plan_sha256", "excerpt", "left_over"]),
        JSON,
    ),
    files=JSON | st.lists(ENTRY, max_size=3),
)
def test_a_report_that_somebody_has_edited_never_ends_in_a_traceback(cue, content, fields, files):
    session = cue.session(content)
    (cue.folder / "out").mkdir(exist_ok=True)
    report = {"schema": "roomplan.render/3", "plan": str(cue.folder / "plan.yaml"), "title": "x"}
    report |= {"rooms": [], "sections": [], "buses": []}
    (cue.folder / "out/report.json").write_text(json.dumps(report | {"files": files} | fields))
    for replacing in (False, True):
        try:
            found = examine_folder(
                session, cue.folder / "out", ["mix.wav"], digest=None, complete=True, replace=replacing
            )
        except RoomplanError:
            assert not replacing
        else:
            assert found == ()  # nothing of what it lists is there


def test_a_name_in_a_report_that_no_file_system_takes_is_a_file_that_is_not_there(cue, content):
    cue.render(content)
    report = cue.folder / "out/report.json"
    document = json.loads(report.read_text())
    document["files"].append(document["files"][0] | {"file": "x" * 4096})
    report.write_text(json.dumps(document))
    cue.render(content)
    assert cue.report["left_over"] == []


# What the plan writes no more -------------------------------------------------------------------------


def test_a_print_of_a_section_that_is_gone_is_moved_out_of_its_family(cue, content):
    cue.render(content)
    harp = (cue.folder / "out/prints/harp.wav").read_bytes()
    rendering = cue.render(without_harp(content))
    files = files_of(cue.folder / "out")
    assert files.keys() == {"mix.wav", "prints/choir.wav", "left_over/prints/harp.wav", "report.json"}
    assert files["left_over/prints/harp.wav"] == harp
    (entry,) = cue.report["left_over"]
    assert (entry["file"], entry["was"]) == ("left_over/prints/harp.wav", "prints/harp.wav")
    assert entry["bus"] == "section:harp"
    assert any("left over from an earlier render: prints/harp.wav" in w.what for w in rendering.warnings)


def test_what_was_put_aside_is_never_replaced(cue, content):
    kept = []
    for trim in (0, -3):
        cue.render(content | {"trim": trim})
        kept.append((cue.folder / "out/prints/harp.wav").read_bytes())
        cue.render(without_harp(content))
    files = files_of(cue.folder / "out")
    assert files["left_over/prints/harp.wav"] == kept[0]
    assert files["left_over/prints/harp_2.wav"] == kept[1]
    assert {e["file"] for e in cue.report["left_over"]} == {
        "left_over/prints/harp.wav",
        "left_over/prints/harp_2.wav",
    }


def test_choosing_buses_moves_nothing_and_a_whole_render_may_follow(cue, content):
    cue.render(content)
    before = files_of(cue.folder / "out")
    cue.render(content, only=["mix"])
    assert files_of(cue.folder / "out").keys() == before.keys()
    assert [e["file"] for e in cue.report["files"]] == ["mix.wav"]
    assert {(e["file"], e["was"]) for e in cue.report["left_over"]} == {
        ("prints/choir.wav", None),
        ("prints/harp.wav", None),
    }
    cue.render(content)
    assert files_of(cue.folder / "out").keys() == before.keys()
    assert cue.report["left_over"] == []


def test_versions_with_names_of_their_own_share_a_folder(cue, content):
    content["deliveries"]["all"]["file_name"] = "{bus}_v{version}"
    cue.render(content | {"version": "1"})
    first = files_of(cue.folder / "out")
    rendering = cue.render(content | {"version": "2", "trim": -3})
    files = files_of(cue.folder / "out")
    assert files["prints/harp_v1.wav"] == first["prints/harp_v1.wav"]
    assert "prints/harp_v2.wav" in files
    assert not any("left over" in w.what for w in rendering.warnings)
    cue.render(content | {"version": "1"})  # its files are still this plan's
    assert {e["file"] for e in cue.report["left_over"]} == {
        "mix_v2.wav",
        "prints/choir_v2.wav",
        "prints/harp_v2.wav",
    }


def test_a_left_over_file_that_was_changed_since_stays_where_it_is(cue, content):
    cue.render(content)
    harp = cue.folder / "out/prints/harp.wav"
    harp.write_bytes(harp.read_bytes() + b"edited")
    cue.render(without_harp(content))
    assert harp.read_bytes().endswith(b"edited")
    (entry,) = cue.report["left_over"]
    assert (entry["file"], entry["was"]) == ("prints/harp.wav", None)


def test_a_failed_render_moves_nothing_aside(cue, content, monkeypatch):
    cue.render(content)
    before = files_of(cue.folder / "out")

    def fail(*_arguments):
        raise RoomplanError("no")

    monkeypatch.setattr("roomplan.loudness.algebra.CrossPowerMeter.finish", fail)
    with pytest.raises(RoomplanError, match="no"):
        cue.render(without_harp(content))
    assert files_of(cue.folder / "out") == before


def test_an_excerpt_does_not_take_the_place_of_the_whole_cue(cue, content):
    cue.render(content)
    session = replace(cue.session(content), excerpt=Excerpt(0, 480))
    with pytest.raises(RoomplanError, match="holds the whole cue"):
        cue.deliver(session, cue.folder / "out")
    cue.deliver(session, cue.folder / "part")
    cue.deliver(session, cue.folder / "part")
    assert cue.report_in("part")["excerpt"]["frames"] == 480


def test_the_folder_of_an_excerpt_that_an_earlier_version_wrote_is_the_plans_own(cue, content):
    session = replace(cue.session(content), excerpt=Excerpt(0, 480))
    cue.deliver(session, cue.folder / "render_stretch")
    report = cue.report_in("render_stretch")
    earlier = report | {"schema": "roomplan.render/1", "stretch": report["excerpt"]}
    del earlier["excerpt"]
    (cue.folder / "render_stretch/report.json").write_text(json.dumps(earlier), encoding="utf-8")
    cue.deliver(session, cue.folder / "render_stretch")
    assert cue.report_in("render_stretch") == report


def test_several_deliveries_in_one_folder_are_examined_each(cue, content):
    content["deliveries"] = {"a": {"write": ["mix", "prints"]}, "b": {"write": ["prints"]}}
    cue.render(content)
    cue.render(without_harp(content))
    files = files_of(cue.folder / "out").keys()
    assert "a/left_over/prints/harp.wav" in files
    assert "b/left_over/prints/harp.wav" in files
    assert "b/prints/harp.wav" not in files
    assert {(e["delivery"], e["file"]) for e in cue.report["left_over"]} == {
        ("a", "a/left_over/prints/harp.wav"),
        ("b", "b/left_over/prints/harp.wav"),
    }
    own = cue.folder / "out/b/prints/harp.wav"
    own.write_bytes(b"mine")
    with pytest.raises(RoomplanError, match=r"prints/harp\.wav would be replaced"):
        cue.render(content)
    session = other_plan(cue, content | {"title": "Ember Gate"})
    with pytest.raises(RoomplanError, match="another plan: Ice Harbour"):
        cue.deliver(session, cue.folder / "out")
