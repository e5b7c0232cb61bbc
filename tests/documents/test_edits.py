"""Edits of single values: what a text looks like afterwards, form by form."""

from __future__ import annotations

from pathlib import Path

import pytest

from roomplan.documents.edits import edited_text
from roomplan.documents.parsing import parse_text
from roomplan.errors import PlanError, RoomplanError


def set_value(text, path, value, *, file=Path("document")):
    return edited_text(text, {path: value}, file=file)


@pytest.mark.parametrize(
    ("before", "value", "after"),
    [
        ("-6", -7.5, "-7.5"),
        ("-6", -7.0, "-7"),
        ("-6", 0.1 + 0.2, "0.30000000000000004"),  # nothing is rounded here
        ("-6", -0.0, "0"),
        ("-6.0", -7, "-7.0"),
        ("-6.50", -7.5, "-7.50"),
        ("-6.5", -7.25, "-7.25"),
        ("+1.5", 2.5, "+2.5"),
        ("+1.5", -2.5, "-2.5"),
        ("+1.5", 0, "0.0"),
        ("1.5", 2.5, "2.5"),
        ("\N{MINUS SIGN}6", -7.5, "\N{MINUS SIGN}7.5"),
        ("\N{MINUS SIGN}6", 7.5, "7.5"),
        ('"-6"', -7.5, "-7.5"),
        ("1e3", 2000.0, "2000"),
        ("1", 1e-7, "0.0000001"),
        ("1", 1e300, "1e+300"),
        ("1", 123456789012345678, "123456789012345678"),
        ("true", False, "false"),
        ("off", "main", "main"),
        ("off", "true", '"true"'),
        ("off", "-6", '"-6"'),
        ("off", "2024-01-01", '"2024-01-01"'),
        ("off", "a: b # c", '"a: b # c"'),
        ("off", "", '""'),
        ("'off'", "it's", "'it''s'"),
        ('"off"', 'say "ü"', r'"say \"ü\""'),
        ("'off'", "two\nlines", r'"two\nlines"'),
        ("off", None, "null"),
        ("-9", {"level": -9, "position": "rear"}, "{level: -9, position: rear}"),
        ("-9", [-9, {"level": 1.5}], "[-9, {level: 1.5}]"),
        ("{level: -9}", -9, "-9"),
        ("-9", {}, "{}"),
    ],
)
def test_a_new_value_takes_over_the_style_of_the_old_one_and_needs_no_more_digits_than_it_has(
    before, value, after
):
    assert set_value(f"a: {before}   # why\nb: 1\n", ("a",), value) == f"a: {after}   # why\nb: 1\n"


SENDS = """\
# The plan
sections:
  choir:   # up front

    level: -6.5 # measured
    sends:
      hall: {level: -9, position: rear}   # far
      'the nave':   -12
      stage:
      - -3        # first
      -   {level: -10, position: main}
      - level: -13
        position: rear
# end
"""
CHOIR = ("sections", "choir")


def test_a_send_in_braces_gets_only_its_level_changed():
    after = edited_text(SENDS, {(*CHOIR, "sends", "hall"): {"level": -10.2, "position": "rear"}})
    assert after == SENDS.replace("level: -9", "level: -10.2")


def test_several_edits_at_once_each_change_their_own_characters():
    after = edited_text(
        SENDS,
        {
            (*CHOIR, "sends", "stage", 0): -4.5,
            (*CHOIR, "sends", "stage", 1, "level"): -11,
            (*CHOIR, "sends", "stage", 2, "level"): -14,
            (*CHOIR, "sends", "the nave"): -12.5,
            (*CHOIR, "level"): 1.5,
        },
    )
    expected = SENDS
    for old, new in (("-3 ", "-4.5 "), ("-10", "-11"), ("-13", "-14"), ("-12\n", "-12.5\n"), ("-6.5", "1.5")):
        expected = expected.replace(old, new)
    assert after == expected


def test_new_keys_stand_behind_the_last_of_their_mapping_in_its_column():
    after = edited_text(
        SENDS,
        {
            (*CHOIR, "sends", "stage", 2, "low_cut"): 90,
            (*CHOIR, "sends", "crypt"): {"level": -20, "position": "rear"},
            (*CHOIR, "dry"): -1,
            ("sections", "brass", "sends", "hall"): -3,
            ("trim",): -2,
        },
    )
    added = """\
        low_cut: 90
      crypt: {level: -20, position: rear}
    dry: -1
  brass:
    sends:
      hall: -3
trim: -2
"""
    assert after == SENDS.replace("# end\n", added + "# end\n")


def test_new_mappings_are_indented_as_the_text_does_it():
    text = "a:\n    b:\n        c: 1\n"
    assert set_value(text, ("a", "x", "y"), 2) == text + "    x:\n        y: 2\n"


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("a: {}", "a: {k: 1, z: 2}"),
        ("a: { }", "a: {k: 1, z: 2 }"),
        ("a: {b: 0}", "a: {b: 0, k: 1, z: 2}"),
        ("a: { b: 0 } # c", "a: { b: 0, k: 1, z: 2 } # c"),
        ("a: {b: 0,}", "a: {b: 0, k: 1, z: 2,}"),
        ("a: {b: }", "a: {b: , k: 1, z: 2 }"),
        ("a: {b: [1, 2]}", "a: {b: [1, 2], k: 1, z: 2}"),
        ("a: {\n  b: 0   # c, d\n  }", "a: {\n  b: 0,   # c, d\n  k: 1,\n  z: 2\n  }"),
        ("a: {\n  b: 0,\t# c\n  }", "a: {\n  b: 0,\t# c\n  k: 1,\n  z: 2,\n  }"),
        ("a: {b: 0, # c\n  d: 1}", "a: {b: 0, # c\n  d: 1, k: 1, z: 2}"),
        ("a:   # c", "a:   # c\n  k: 1\n  z: 2"),
        ("a:", "a:\n  k: 1\n  z: 2"),
        ("a: null", "a: {k: 1, z: 2}"),
        ("{a: {b: 0}}", "{a: {b: 0, k: 1, z: 2}}"),
        ("{a: }", "{a: {k: 1, z: 2} }"),
    ],
)
def test_new_keys_in_braces_stand_before_the_brace_and_in_lines_where_the_others_do(before, after):
    assert edited_text(before, {("a", "k"): 1, ("a", "z"): 2}) == after


@pytest.mark.parametrize(
    ("before", "after"),
    [
        # One alias is left: it becomes the value. Two are left: the first takes over the name.
        ("a: &x -6.0 # one\nb: *x # two\n", "a: -7.0 # one\nb: -6.0 # two\n"),
        ("a: &x -6\nb: *x\nc: *x\n", "a: -7\nb: &x -6\nc: *x\n"),
        ("a: &x -6\nb: 1\n", "a: &x -7\nb: 1\n"),
        ("z: &x -6\na: *x # two\nc: *x\n", "z: &x -6\na: -7 # two\nc: *x\n"),
        ("a: &x -6\nb: &x 1\nc: *x\n", "a: &x -7\nb: &x 1\nc: *x\n"),
        ("a: &x\nb: *x\n", "a: -7\nb: null\n"),
    ],
)
def test_a_shared_value_changes_in_one_place_alone(before, after):
    assert set_value(before, ("a",), -7) == after


def test_the_way_through_an_anchor_leaves_its_mapping_to_the_aliases():
    text = "a: &far # shared\n  hall: +1.0 # c\n  'the nave': \"off\"\nb: *far\nc: {d: *far }\n"
    after = set_value(text, ("a", "hall"), 2)
    assert after == (
        "a: # shared\n  hall: +2.0 # c\n  'the nave': \"off\"\n"
        'b: &far {hall: +1.0, the nave: "off"}\nc: {d: *far }\n'
    )


def test_the_way_through_an_alias_writes_its_mapping_out_with_the_change_in_it():
    text = "a: &far {hall: -9, nave: [1, {level: -12}]}\nb: *far   # like a\n"
    after = edited_text(text, {("b", "nave", 1, "level"): -10, ("b", "stage"): -3})
    assert after == (
        "a: &far {hall: -9, nave: [1, {level: -12}]}\n"
        "b: {hall: -9, nave: [1, {level: -10}], stage: -3}   # like a\n"
    )


def test_a_mapping_that_is_too_long_for_a_line_is_written_out_in_lines():
    rooms = ", ".join(f"room_number_{n}: -{n}" for n in range(1, 7))
    text = f"a: &far {{{rooms}}}\nb: *far   # like a\nc: 1\n"
    lines = "".join(f"  room_number_{n}: -{n}\n" for n in range(1, 7)).replace(": -2", ": -2.5")
    assert (
        set_value(text, ("b", "room_number_2"), -2.5) == f"a: &far {{{rooms}}}\nb:   # like a\n{lines}c: 1\n"
    )


def test_all_users_of_an_anchor_changed_leave_its_name_and_no_alias():
    assert edited_text("a: &x -6\nb: *x\n", {("a",): -7, ("b",): -8}) == "a: &x -7\nb: -8\n"


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("a:  # c\n  p: 1 # d\n  q: 2\nb: 1\n", "a: 5  # c\nb: 1\n"),
        ("a:\n- 1\n- 2\nb: 1\n", "a: 5\nb: 1\n"),
        ("a: | # c\n  text\n\n# d\nb: 1\n", "a: 5 # c\n\n# d\nb: 1\n"),
        ("a: >-\n  text\n\n  more\nb: 1\n", "a: 5\nb: 1\n"),
        ("a: two\n  lines\nb: 1\n", "a: 5\nb: 1\n"),
        ("a: [1, # c\n  2] # d\nb: 1\n", "a: 5 # d\nb: 1\n"),
        ("a: &x\n  # c\n  p: 1\nb: 1\n", "a: &x 5\nb: 1\n"),
        ("? a\n: 1\n", "? a\n: 5\n"),
        ("a: # c\n", "a: 5 # c\n"),
        ('"a" : 1\n', '"a" : 5\n'),
    ],
)
def test_a_single_value_replaces_what_ever_form_stood_there(before, after):
    assert set_value(before, ("a",), 5) == after


def test_values_in_lists_are_replaced_at_their_dash():
    text = "a:\n- x: 1\n  y: 2\n-\n  - 1\n-   # nothing\n- z\n"
    after = edited_text(text, {("a", 0): 5, ("a", 1): 6, ("a", 2): 7, ("a", 3): 8})
    assert after == "a:\n- 5\n-\n  6\n- 7   # nothing\n- 8\n"


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends_and_the_byte_order_mark_stay_and_new_lines_have_the_same_ends(end):
    text = "\ufeff" + "# ü 😀\na:\n  b: 1\n# c".replace("\n", end)
    after = edited_text(text, {("a", "b"): 2, ("a", "c"): 3, ("d",): 4})
    assert after == "\ufeff" + "# ü 😀\na:\n  b: 2\n  c: 3\nd: 4\n# c".replace("\n", end)


def test_of_mixed_line_ends_a_new_line_has_that_of_the_line_before():
    assert edited_text("a: 1\r\nb:\n  c: 2\nd: 3\r\n", {("b", "e"): 1, ("f",): 2}) == (
        "a: 1\r\nb:\n  c: 2\n  e: 1\nd: 3\r\nf: 2\r\n"
    )


def test_a_last_line_without_an_end_stays_the_one_without():
    assert edited_text("a: 1\nb: 2", {("c",): 3}) == "a: 1\nb: 2\nc: 3"


def test_characters_beyond_the_basic_plane_count_as_one():
    text = "😀: {ü: 1, 𝄞: '😀', level: -6} # 😀\n"
    assert set_value(text, ("😀", "level"), -7) == text.replace("-6", "-7")


def test_document_marks_stay_around_what_is_added():
    assert set_value("--- # one\na: 1\n...\n# two\n", ("b",), 2) == "--- # one\na: 1\nb: 2\n...\n# two\n"


def test_a_text_that_keeps_its_blank_lines_keeps_them_before_a_new_key():
    assert set_value("a: |+\n  text\n\n\n# c\n", ("b",), 1) == "a: |+\n  text\n\n\nb: 1\n# c\n"


def said(error):
    problem = error.value.problems[0]
    return f"{problem.place}: {problem.what}"


@pytest.mark.parametrize(
    ("text", "path", "what"),
    [
        ("a: 1\n---\nb: 2\n", ("a",), "plan.yaml:2:1: a second document begins here"),
        ("a: 1\na: 2\n", ("a",), "plan.yaml:2:1: the key 'a' appears twice in one mapping"),
        ("- 1\n", ("a",), "plan.yaml:1:1: there is no mapping of keys and values to change"),
        ("b: 1\na: -6\n", ("a", "level"), "plan.yaml:2:4: a: -6 is a number and has no 'level'"),
        ("a:\n- 1\n", ("a", 1), "plan.yaml:2:1: a: is a list and has no '1'"),
        ("a:\n- 1\n", ("a", "b"), "plan.yaml:2:1: a: is a list and has no 'b'"),
        (
            "a: [b: 1]\n",
            ("a", 0, "c"),
            "plan.yaml:1:5: a pair in brackets without braces gets no further keys here",
        ),
        ("b: 1\n? a\n", ("a",), "plan.yaml:2:4: a key with `?` and without a value is not changed here"),
        ("a: |\n  x", ("b",), "plan.yaml:1:1: b cannot be changed here without changing something else"),
    ],
)
def test_what_cannot_be_edited_is_refused_with_its_line(text, path, what):
    with pytest.raises(RoomplanError) as error:
        set_value(text, path, 1, file=Path("plan.yaml"))
    assert said(error) == what


@pytest.mark.parametrize("value", [float("nan"), float("inf"), "a\0b", {"a": [float("-inf")]}])
def test_values_that_no_document_holds_are_refused(value):
    with pytest.raises(RoomplanError):
        set_value("a: 1\n", ("a",), value)


def test_edits_that_meet_are_refused():
    for edits in ({("a",): 1, ("a", "b"): 2}, {("a", "b"): 2, ("a",): 1}, {(): 1}):
        with pytest.raises(ValueError, match=r"path|meet"):
            edited_text("a: {b: 1}\n", edits)


def test_faults_are_all_reported():
    with pytest.raises(PlanError) as error:
        set_value("a: 1\na: 2\n<<: {b: 1}\nc: *x\n", ("a",), 2)
    assert [problem.place and problem.place.line for problem in error.value.problems] == [2, 3, 4]


def test_a_new_text_that_would_mean_something_else_is_never_returned(monkeypatch):
    from roomplan.documents import edits

    monkeypatch.setattr(edits, "scalar_text", lambda _value, _like="": "8")
    with pytest.raises(RoomplanError, match="cannot be changed here"):
        set_value("a: 1\n", ("a",), 2)


def test_numbers_read_back_as_the_very_same():
    for value in (1 / 3, -7.2, 1e-12, 123456.789, 1e22, 5e-324):
        text = set_value("a: -6\n", ("a",), value)
        parsed, _ = parse_text(text, Path("plan.yaml"))
        assert parsed is not None
        assert parsed.data == {"a": value}
