"""Keys that tie a plan to a session: cue, version, strict, frame rate, start, and passages in timecode."""

from __future__ import annotations

from fractions import Fraction

import pytest

FORM = "hours, minutes, seconds, frames, two digits each, such as 01:02:03:04"


def one(lines):
    assert len(lines) == 1, lines
    return lines[0]


def test_a_plan_that_says_nothing_of_its_session_has_none_of_it(good, least):
    plan = good(least)
    assert (plan.cue, plan.version, plan.strict, plan.frame_rate, plan.start) == (
        None,
        None,
        False,
        None,
        None,
    )
    assert plan.sections["choir"].optional is False


def test_cue_and_version_are_text_and_whole_numbers_stand_for_their_digits(good, least):
    plan = good(f"cue: 1m4\nversion: 3\n{least}")
    assert (plan.cue, plan.version) == ("1m4", "3")
    assert good(f'cue: 12\nversion: "1.10"\n{least}').version == "1.10"
    assert good(f"cue: 12\n{least}").cue == "12"


@pytest.mark.parametrize(
    ("rate", "name", "drop"),
    [("25", "25", False), ("23.976", "23.976", False), ('"25"', "25", False), ("29.97df", "29.97df", True)],
)
def test_frame_rates_are_numbers_or_names(good, least, rate, name, drop):
    found = good(f"frame_rate: {rate}\n{least}").frame_rate
    assert (found.name, found.drop) == (name, drop)


def test_start_is_a_frame_at_the_frame_rate(good, least):
    plan = good(f'frame_rate: 29.97df\nstart: "10:00:00;00"\n{least}')
    assert str(plan.start) == "10:00:00;00"
    # 10 hours of drop-frame are 1 078 920 frames (17 982 in ten minutes: SMPTE ST 12-1, from memory).
    assert plan.start.seconds == Fraction(1_078_920 * 1001, 30_000)


def test_timecode_needs_no_quotes(good, least):
    assert str(good(f"frame_rate: 25\nstart: 10:02:03:04\n{least}").start) == "10:02:03:04"


@pytest.mark.parametrize(
    ("lines", "spot", "what", "remedy"),
    [
        ("version: 1.10", "1:10", "version: 1.1 is a number", 'a version in quotes, such as 3 or "2b"'),
        ("version: -1", "1:10", "version: -1 is a number", 'a version; in quotes ("-1") if that is meant'),
        (
            "cue: [1m4]",
            "1:6",
            "cue: is a list",
            'the name or number of a cue, such as "1m4"',
        ),
        ("strict: yes", "1:9", "strict: 'yes' is text", "true or false"),
        ("frame_rate: 29.9", "1:13", "frame_rate: 29.9 is not a known frame rate", None),
        (
            "frame_rate: 23.98",
            "1:13",
            "frame_rate: 23.98 is not a known frame rate",
            "did you mean 23.976?",
        ),
        (
            'start: "01:00:00:00"',
            "1:8",
            "start: '01:00:00:00' is timecode, but the plan has no frame rate",
            "`frame_rate: 25` or another at the top",
        ),
        ("start: 3600", "1:8", "start: 3600 is a number", 'timecode such as "01:02:03:04"'),
        ("frame_rate: 25\nstart: soon", "2:8", "start: 'soon' is not a timecode", FORM),
        (
            "frame_rate: 25\nstart: 1:02:03:04",
            "2:8",
            "start: '1:02:03:04' is not a timecode",
            "write 01:02:03:04",
        ),
        (
            "frame_rate: 25\nstart: 01:02:03:25",
            "2:8",
            "start: 01:02:03:25 has frame 25",
            "00 to 24 at 25",
        ),
        (
            "frame_rate: 29.97df\nstart: 01:01:00;00",
            "2:8",
            "start: 01:01:00;00 is a number that drop-frame skips",
            "the frames there are 01:00:59;29 and 01:01:00;02",
        ),
        (
            "frame_rate: 26.5\nstart: 01:02:03:04",
            "1:13",
            "frame_rate: 26.5 is not a known frame rate",
            None,
        ),
        (
            'passages: {verse: {from: "01:00:10:00", to: "01:00:20:00"}}',
            "1:26",
            "from: '01:00:10:00' is timecode, but the plan has no frame rate",
            "`frame_rate: 25` or another at the top",
        ),
        (
            'frame_rate: 25\npassages: {verse: {from: 1, to: "01:00:20:00"}}',
            "2:33",
            "to: '01:00:20:00' is timecode, but the plan does not say where it starts",
            '`start: "01:00:00:00"` at the top, or seconds',
        ),
        (
            'start: "01:00:00:00"\npassages: {verse: {from: 1, to: "01:00:20:00"}}',
            "1:8",
            "start: '01:00:00:00' is timecode, but the plan has no frame rate",
            "`frame_rate: 25` or another at the top",
        ),
        (
            'frame_rate: 25\nstart: "1:00:00:00"\npassages: {verse: {from: 1, to: "01:00:20:00"}}',
            "2:8",
            "start: '1:00:00:00' is not a timecode",
            "write 01:00:00:00",
        ),
        (
            'frame_rate: 25\nstart: "01:00:00:00"\npassages: {verse: {from: "01:00:10:25", to: 20}}',
            "3:26",
            "from: 01:00:10:25 has frame 25",
            "00 to 24 at 25",
        ),
        (
            'frame_rate: 25\nstart: "01:00:00:00"\npassages: {verse: {from: "00:59:59:24", to: 20}}',
            "3:26",
            "from: 00:59:59:24 is before the start of the cue, 01:00:00:00",
            "01:00:00:00 or later",
        ),
        (
            'frame_rate: 25\nstart: "01:00:00:00"\npassages: {verse: {from: "01:00:10:00", to: 8.5}}',
            "3:45",
            "verse: `to`, 8.5 s, is not after `from`, 01:00:10:00",
            "`to` after `from`",
        ),
    ],
)
def test_a_fault_in_what_ties_a_plan_to_a_session_is_one_line_with_its_place_and_remedy(
    said, least, lines, spot, what, remedy
):
    line = one(said(f"{lines}\n{least}"))
    assert line.startswith(f"{spot} {what} — ")
    assert remedy is None or line == f"{spot} {what} — {remedy}"


def test_passages_in_timecode_count_from_the_start_exactly(good, least):
    plan = good(
        'frame_rate: 23.976\nstart: "00:59:58:00"\n'
        'passages: {verse: {from: "01:00:00:00", to: "01:00:10:12"}, '
        'coda: {from: 0:12.5, to: "01:00:30:00"}}\n' + least
    )
    assert plan.passages["verse"].start_s == float(Fraction(2 * 24 * 1001, 24_000))
    assert plan.passages["verse"].end_s == float(Fraction((12 * 24 + 12) * 1001, 24_000))
    assert plan.passages["coda"].start_s == 12.5


def test_passages_in_timecode_may_cross_midnight(good, least):
    text = 'frame_rate: 25\nstart: "23:59:50:00"\npassages: {v: {from: "23:59:55:00", to: "00:00:05:00"}}\n'
    passage = good(text + least).passages["v"]
    assert (passage.start_s, passage.end_s) == (5.0, 15.0)
