"""A plan as large as a file may be takes no more work than its size explains."""

from __future__ import annotations

from pathlib import PurePosixPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomplan.documents import suggest
from roomplan.plan.resolve import MOST_SENDS
from roomplan.plan.resolve_alternates import MOST_CHANGES
from roomplan.plan.resolve_deliveries import _Folder

HALL = "rooms: {hall: {synthetic: larkmere_hall}}\n"
LONG = "abcdefghij" * 3


@pytest.fixture
def comparisons(monkeypatch):
    """Pairs of words that were compared letter by letter."""
    compared = []

    class Counted(suggest.SequenceMatcher):
        def quick_ratio(self):
            compared.append(self)
            return super().quick_ratio()

    monkeypatch.setattr(suggest, "SequenceMatcher", Counted)
    return compared


def lines(form, count):
    return "".join(form.format(number) for number in range(count))


@pytest.mark.parametrize(
    "form",
    [
        "groups: {{g: {{sections: [{}]}}}}",
        "alternates: {{up: {{{}}}}}",
        "reference_section: s0\npassages: {{{}}}",
    ],
)
def test_thousands_of_unknown_names_among_hundreds_are_compared_a_bounded_number_of_times(
    load, comparisons, form
):
    sections = "sections:\n" + lines(f"  s{{}}_{LONG}: {{{{stems: x}}}}\n", 300)
    names = ", ".join(f"s{number}x{LONG}" for number in range(4000))
    found = load(HALL + sections + form.format(names)).problems
    assert len(found) >= 4000
    assert len(comparisons) < 10_000


def test_the_first_slips_of_many_get_a_guess_and_the_later_ones_what_there_is(load):
    sections = "sections:\n" + lines(f"  s{{}}_{LONG}: {{{{stems: x}}}}\n", 300)
    names = ", ".join(f"s{number}x{LONG}" for number in range(4000))
    text = f"{HALL}{sections}groups: {{g: {{sections: [{names}]}}}}"
    first, *_between, last = load(text).problems
    assert first.remedy == f"did you mean 's0_{LONG}'?"
    assert last.remedy.startswith(f"one of s0_{LONG}, s1_{LONG}")
    assert last.remedy.endswith(", …")
    assert load(text).problems == load(text).problems


def test_a_list_of_what_there_is_names_a_dozen_and_shortens_each(load):
    sections = "sections:\n" + lines("  " + "s" * 500 + "{}: {{stems: x}}\n", 40)
    remedy = load(f"{HALL}{sections}groups: {{g: {{sections: [zzz]}}}}").problems[-1].remedy
    assert remedy.count("s…,") == 12
    assert len(remedy) < 700


def test_shared_sends_of_all_sections_are_refused_once_when_they_multiply_beyond_any_plan(load):
    count = 240
    text = (
        f"rooms:\n{lines('  r{}: {{responses: a.wav}}' + chr(10), count)}"
        f"sections:\n{lines('  s{}: {{stems: x}}' + chr(10), count)}"
        f"shared_sends:\n{lines('  r{}: 0' + chr(10), count)}"
    )
    loaded = load(text)
    assert [problem.what for problem in loaded.problems] == [
        f"there are more than {MOST_SENDS} sends, shared ones and those of groups counted per section"
    ]
    kept = sum(len(section.sends) for section in loaded.plan.sections.values())
    assert MOST_SENDS <= kept < MOST_SENDS + count


def test_alternates_of_a_large_group_are_refused_once_when_they_multiply_beyond_any_plan(load):
    count = 600
    text = (
        f"{HALL}sections:\n{lines('  s{}: {{stems: x}}' + chr(10), count)}"
        f"groups: {{g: {{sections: [{', '.join(f's{n}' for n in range(count))}]}}}}\n"
        f"alternates:\n{lines('  u{}: {{g: {{level: 1}}}}' + chr(10), count)}"
    )
    loaded = load(text)
    assert len(loaded.problems) == 1
    assert f"more than {MOST_CHANGES}" in loaded.problems[0].what
    assert len(loaded.plan.alternates) == MOST_CHANGES // count


def test_sends_that_no_section_has_are_refused_with_a_dozen_of_those_there_are(load):
    count = 60
    text = (
        f"rooms:\n{lines('  r{:02}: {{responses: a.wav}}' + chr(10), count)}"
        f"sections:\n{lines('  s{0:02}: {{stems: x, sends: {{r{0:02}: 0}}}}' + chr(10), count // 2)}"
        f"groups: {{g: {{sections: [{', '.join(f's{n:02}' for n in range(count // 2))}]}}}}\n"
        f"alternates: {{up: {{g: {{sends: {{{', '.join(f'r{n:02}: 1' for n in range(count))}}}}}}}}}\n"
    )
    found = load(text).problems
    assert [problem.what for problem in found] == [
        f"up: g sends nothing to r{n}" for n in range(count // 2, count)
    ]
    assert found[0].remedy == f"it sends to {', '.join(f'r{n:02}' for n in range(12))}, …"


def test_alternates_name_their_sections_in_the_order_of_the_plan(good):
    text = (
        f"{HALL}sections: {{a: {{stems: a}}, b: {{stems: b}}, c: {{stems: c}}}}\n"
        "groups: {g: {sections: [c]}}\nalternates: {up: {g: {level: 1}, b: {level: 2}, a: {level: 3}}}\n"
    )
    assert list(good(text).alternates["up"].changes) == ["a", "b", "c"]


PATHS = st.lists(st.sampled_from("ab"), max_size=3).map(tuple)


@given(st.lists(PATHS, max_size=12))
def test_of_many_folders_the_first_that_is_one_around_or_inside_another_is_found(paths):
    top = _Folder()
    for number, mine in enumerate(paths):
        before = [PurePosixPath("/", *path) for path in paths[:number]]
        own = PurePosixPath("/", *mine)
        wanted = next(
            (at for at, one in enumerate(before) if own.is_relative_to(one) or one.is_relative_to(own)), None
        )
        found = top.take(number, mine)
        assert (None if found is None else found[0]) == wanted
        assert found is None or found[1] == len(paths[found[0]])
