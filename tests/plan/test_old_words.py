"""Words of a plan that have new names: read with a note, and rewritten."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from roomplan.documents.parsing import parse_text
from roomplan.documents.renames import RenamedKey, Renames, renamed_text
from roomplan.errors import PlanError, RoomplanError
from roomplan.plan.load import load_plan
from roomplan.plan.old_words import OLD_WORDS
from roomplan.plan.overrides import _differences
from roomplan.plan.schema import plan_schema

OLD = """\
tempo: 84          # quarter notes
rooms:
  nave: {responses: {front: f.wav, rear: r.wav}, reference: rear, pre_delay: 1/64d}  # the back
shared_sends: {nave: {level: -9, pre_delay: '1/32t'}}
groups: {strings: {sections: [low, high], sends: {nave: [{level: -9, pre_delay: 1/16t}]}}}
sections:
  low: {stems: low, sends: {nave: {level: -6, pre_delay: "1/8d"}}}
  high: {stems: high}
  choir: {stems: choir}
balance:
  common: [[low, high]]   # together
anchor: choir
margins: [{of: choir, over: strings, band: words}]
targets: [{of: choir, over: strings, margin: 3, band: words}]
"""
NEW = """\
tempo: 84          # quarter notes
rooms:
  nave: {responses: {front: f.wav, rear: r.wav}, gain_position: rear, pre_delay: "dotted 1/64"}  # the back
shared_sends: {nave: {level: -9, pre_delay: "triplet 1/32"}}
groups: {strings: {sections: [low, high], sends: {nave: [{level: -9, pre_delay: "triplet 1/16"}]}}}
sections:
  low: {stems: low, sends: {nave: {level: -6, pre_delay: "dotted 1/8"}}}
  high: {stems: high}
  choir: {stems: choir}
balance:
  linked: [[low, high]]   # together
reference_section: choir
margins: [{of: choir, over: strings, band: "speech"}]
targets: [{of: choir, over: strings, margin: 3, band: "speech"}]
"""


@pytest.fixture
def loaded(tmp_path):
    """Return what a text means as a plan; each call writes the same file."""

    def _loaded(text, name="plan.yaml"):
        path = tmp_path / name
        path.write_bytes(text.encode("utf-8"))
        return load_plan(path)

    return _loaded


def test_old_words_mean_what_the_new_ones_mean(loaded):
    old, new = loaded(OLD), loaded(NEW)
    assert (old.problems, new.problems) == ((), ())
    assert list(_differences(old.plan, new.plan, ())) == []
    assert old.plan.reference_section == "choir"
    assert old.plan.rooms["nave"].gain_position == "rear"
    assert old.plan.balance.linked == (("low", "high"),)


def test_every_old_word_is_noted_at_its_line_with_the_new_one(loaded):
    notes = [str(note).rpartition("plan.yaml:")[2] for note in loaded(OLD).notes]
    assert [note.split(" — ")[0] for note in notes] == [
        "3:50: `reference` is now `gain_position`",
        "3:78: 1/64d is now written 'dotted 1/64'",
        "4:45: 1/32t is now written 'triplet 1/32'",
        "5:81: 1/16t is now written 'triplet 1/16'",
        "7:58: 1/8d is now written 'dotted 1/8'",
        "11:3: `common` is now `linked`",
        "12:1: `anchor` is now `reference_section`",
        "13:44: words is now written 'speech'",
        "14:55: words is now written 'speech'",
    ]
    assert all("`roomplan check --update` rewrites it" in note for note in notes)
    assert loaded(NEW).notes == ()


def test_a_base_and_a_plan_may_each_use_the_old_or_the_new_word(loaded):
    loaded(OLD, "base.yaml")
    found = loaded("extends: base.yaml\nreference_section: low\nrooms: {nave: {reference: front}}\n")
    assert found.problems == ()
    assert (found.plan.reference_section, found.plan.rooms["nave"].gain_position) == ("low", "front")
    assert {note.place.file.name for note in found.notes} == {"base.yaml", "plan.yaml"}
    taken_away = loaded("extends: base.yaml\nanchor: null\n")
    assert (taken_away.problems, taken_away.plan.reference_section) == ((), None)


def test_a_key_under_both_names_is_a_problem_at_the_old_one(loaded):
    (problem,) = loaded(NEW + "anchor: low\n").problems
    assert problem.place.line == 15
    assert problem.what == "`anchor` is the old word for `reference_section`, which is here too"


def test_a_refused_value_under_an_old_word_is_one_problem(loaded):
    (problem,) = loaded(OLD.replace("anchor: choir", "anchor: !x choir")).problems
    assert "the tag '!x' is not accepted" in problem.what
    (problem,) = loaded(OLD.replace("anchor: choir", "anchor: chior")).problems
    assert (problem.what, problem.remedy) == ("there is no section 'chior'", "did you mean 'choir'?")


def test_the_schema_for_editors_has_new_words_alone():
    text = json.dumps(plan_schema())
    for key in OLD_WORDS.keys:
        assert f'"{key.new}": {{' in text
    shape = plan_schema()
    assert "anchor" not in shape["properties"]
    assert "reference" not in shape["$defs"]["RoomShape"]["properties"]
    assert "common" not in shape["$defs"]["BalanceShape"]["properties"]
    assert '"words"' not in text


# --- Rewritten -----------------------------------------------------------------------------------------


def test_a_rewritten_text_differs_in_its_old_words_alone():
    text, found = renamed_text(OLD, OLD_WORDS)
    assert text == NEW
    assert len(found) == 9
    assert renamed_text(NEW, OLD_WORDS) == (NEW, [])


@pytest.mark.parametrize("end", ["\r\n", "\r"])
def test_line_ends_and_the_byte_order_mark_stay(end):
    old, new = ("\ufeff" + text.replace("\n", end) for text in (OLD, NEW))
    assert renamed_text(old, OLD_WORDS)[0] == new


def test_words_behind_an_alias_are_renamed_once_where_they_are_written():
    text = "rooms:\n  a: &room {synthetic: x, reference: rear, pre_delay: &late 1/8d}\n  b: *room\n"
    text += "shared_sends: {a: {level: -9, pre_delay: *late}}\n"
    renamed, found = renamed_text(text, OLD_WORDS)
    assert renamed == text.replace("reference", "gain_position").replace("1/8d", '"dotted 1/8"')
    assert len(found) == 3  # the key, the value, and the alias for the value


def test_a_value_that_an_alias_uses_for_something_else_is_renamed_where_it_is_old():
    text = "title: &one 1/8d\nrooms: {a: {synthetic: x, pre_delay: *one}}\n"
    renamed, _ = renamed_text(text, OLD_WORDS)
    parsed, _ = parse_text(renamed, Path("x"))
    assert parsed is not None
    assert parsed.data == {"title": "1/8d", "rooms": {"a": {"synthetic": "x", "pre_delay": "dotted 1/8"}}}


def test_a_key_that_is_not_old_everywhere_it_is_used_is_left_to_the_user():
    renames = Renames(keys=(RenamedKey(("rooms", "*", "from"), "start"),))
    text = "rooms: {a: &one {from: 1}}\npassages: {p: *one}\n"
    with pytest.raises(RoomplanError, match="document:1:18: 'from' cannot be renamed here without changing"):
        renamed_text(text, renames)


def test_a_text_with_faults_is_not_rewritten():
    with pytest.raises(PlanError, match="there is no anchor"):
        renamed_text("anchor: *choir\n", OLD_WORDS)
    with pytest.raises(PlanError, match="which is here too"):
        renamed_text("anchor: low\nreference_section: low\n", OLD_WORDS)


@settings(
    derandomize=True,
    deadline=None,
    max_examples=60,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(data=st.data())
def test_any_plan_that_is_rewritten_opens_without_notes_as_the_same_plan(loaded, data):
    text = _written(data.draw)
    before = loaded(text)
    assert before.problems == ()
    renamed, found = renamed_text(text, OLD_WORDS)
    after = loaded(renamed)
    assert (after.problems, after.notes) == ((), ())
    assert len(before.notes) == len(found)
    assert list(_differences(before.plan, after.plan, ())) == []


def _written(draw):
    """Write a plan in old and new words, in blocks or in braces, with comments and any line ends."""
    notes = st.sampled_from(["1/8", "1/8d", "1/16t", '"1/4d"', "'1/32t'", '"dotted 1/8"', "12.5"])

    def pick(*words):
        return draw(st.sampled_from(words))

    def mapping(entries, indent):
        entries = draw(st.permutations(entries))
        if pick(True, False):
            return " {" + ", ".join(f"{key}: {value}" for key, value in entries) + "}\n"
        comment = pick("", "  # reference: anchor 1/8d")
        return "\n" + "".join(f"{' ' * indent}{key}: {value}{comment}\n" for key, value in entries)

    room = [("responses", "{front: f.wav, rear: r.wav}"), ("pre_delay", draw(notes))]
    room.append((pick("reference", "gain_position", '"reference"'), pick("front", "rear")))
    send = [("level", "-6"), ("position", "rear"), ("pre_delay", draw(notes))]
    moved = [(pick("common", "linked"), "[[low, high]]"), ("locked", "[choir]")]
    low = f"  low:\n    stems: anchor\n    sends:\n      reference:{mapping(send, 8)}"
    parts = [
        f"rooms:\n  reference:{mapping(room, 4)}",
        "sections:\n  high: {stems: common}\n  choir: {stems: 1/8d}\n" + low,
        f"balance:{mapping(moved, 2)}",
        f"{pick('anchor', 'reference_section')}: {pick('low', 'choir')}\n",
        f"shared_sends: {{reference: {{level: -9, position: front, pre_delay: {draw(notes)}}}}}\n",
    ]
    text = "tempo: 84\n" + "".join(draw(st.permutations(parts)))
    return pick("", "\ufeff") + text.replace("\n", pick("\n", "\r\n"))
