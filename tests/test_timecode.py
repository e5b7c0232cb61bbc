"""Timecode: exact rates, both ways of counting, and the way back."""

from __future__ import annotations

import re
from fractions import Fraction
from itertools import islice, product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomplan.errors import RoomplanError
from roomplan.timecode import FRAME_RATES, Timecode, frame_rate, parse_timecode

DF = frame_rate("29.97df")
DF60 = frame_rate("59.94df")
RATES = st.sampled_from(FRAME_RATES)
SAMPLE_RATES = st.sampled_from([8_000, 22_050, 44_100, 47_952, 48_000, 88_200, 96_000, 176_400, 192_000])
MESSAGE = re.compile(r"[^\n]+ — [^\n]+")


@st.composite
def timecodes(draw):
    rate = draw(RATES)
    return Timecode(draw(st.integers(0, rate.frames_per_day - 1)), rate)


def counted(rate, hour, minute):
    """Every timecode from a minute on, by the rule of ST 12-1: numbers are left out while counting."""
    left_out = {"29.97df": {0, 1}, "59.94df": {0, 1, 2, 3}}.get(rate.name, set())
    for h, m, s, f in product(range(hour, 24), range(60), range(60), range(rate.nominal)):
        if (h > hour or m >= minute) and not (s == 0 and m % 10 and f in left_out):
            yield f"{h:02}:{m:02}:{s:02}{';' if left_out else ':'}{f:02}"


@pytest.mark.parametrize(
    ("value", "frames_per_second", "nominal", "drop"),
    [
        # SMPTE ST 12-1 and common practice, from memory: n × 1000/1001 for the slowed ones.
        (23.976, Fraction(24_000, 1_001), 24, False),
        (24, Fraction(24), 24, False),
        (25, Fraction(25), 25, False),
        (29.97, Fraction(30_000, 1_001), 30, False),
        ("29.97df", Fraction(30_000, 1_001), 30, True),
        (30, Fraction(30), 30, False),
        (47.952, Fraction(48_000, 1_001), 48, False),
        (48, Fraction(48), 48, False),
        (50, Fraction(50), 50, False),
        (59.94, Fraction(60_000, 1_001), 60, False),
        ("59.94df", Fraction(60_000, 1_001), 60, True),
        (60, Fraction(60), 60, False),
    ],
)
def test_a_rate_is_exact_whatever_its_short_name(value, frames_per_second, nominal, drop):
    rate = frame_rate(value)
    assert (rate.frames_per_second, rate.nominal, rate.drop) == (frames_per_second, nominal, drop)
    assert rate.name == str(rate) == str(value)
    assert frame_rate(str(value)) is rate
    assert rate in FRAME_RATES


def test_a_whole_number_may_come_as_a_float():
    assert frame_rate(25.0) is frame_rate(25)


@pytest.mark.parametrize(
    ("value", "meant"),
    [
        (23.98, "23.976"),
        ("23,976", "23.976"),
        ("24000/1001", "23.976"),
        (30_000 / 1_001, "29.97"),
        ("29.970", "29.97"),
        ("29.97 DF", "29.97df"),
        ("29.97 drop", "29.97df"),
        ("30df", "29.97df"),
        ("60 df", "59.94df"),
        ("29.97ndf", "29.97"),
        ("29.97 non-drop", "29.97"),
        ("25p", "25"),
        (" 25", "25"),
        ("60 fps", "60"),
    ],
)
def test_a_near_miss_is_refused_with_the_one_way_to_write_it(value, meant):
    with pytest.raises(RoomplanError, match=rf"did you mean {re.escape(meant)}\?$"):
        frame_rate(value)


@pytest.mark.parametrize(
    "value",
    [
        0,
        -25,
        26,
        24.02,
        120,
        "120",
        1e400,
        float("nan"),
        10**400,
        True,
        None,
        [25],
        {},
        "",
        "x" * 10_000,
        "٢٥",
        "25df",
    ],
)
def test_what_is_no_rate_is_refused_with_all_that_are(value):
    with pytest.raises(RoomplanError) as refused:
        frame_rate(value)
    assert MESSAGE.fullmatch(str(refused.value))
    assert str(refused.value).endswith(
        "23.976, 24, 25, 29.97, 29.97df, 30, 47.952, 48, 50, 59.94, 59.94df or 60"
    )
    assert len(str(refused.value)) < 200


@pytest.mark.parametrize(
    ("text", "rate", "frame"),
    [
        # Known counts of drop-frame (ST 12-1, from memory): 17,982 in ten minutes, 107,892 in an hour,
        # 2,589,408 in a day; twice as many at 59.94.
        ("00:00:59;29", DF, 1_799),
        ("00:01:00;02", DF, 1_800),
        ("00:09:59;29", DF, 17_981),
        ("00:10:00;00", DF, 17_982),
        ("01:00:00;00", DF, 107_892),
        ("23:59:59;29", DF, 2_589_407),
        ("00:00:59;59", DF60, 3_599),
        ("00:01:00;04", DF60, 3_600),
        ("00:10:00;00", DF60, 35_964),
        ("01:00:00;00", DF60, 215_784),
        ("01:00:00:00", frame_rate(29.97), 108_000),
        ("01:00:00:00", frame_rate(23.976), 86_400),
        ("01:00:00:00", frame_rate(25), 90_000),
        ("23:59:59:24", frame_rate(25), 2_159_999),
        ("00:00:00:00", frame_rate(60), 0),
    ],
)
def test_known_timecodes_have_their_known_frames(text, rate, frame):
    assert parse_timecode(text, rate) == Timecode(frame, rate)
    assert str(Timecode(frame, rate)) == text


@pytest.mark.parametrize("rate", FRAME_RATES, ids=str)
def test_counting_through_eleven_minutes_meets_every_frame_once_and_in_order(rate):
    # From 13:09 on: two tenth minutes and all that is between them.
    first = parse_timecode(next(counted(rate, 13, 9)), rate).frame
    for number, text in enumerate(islice(counted(rate, 13, 9), 11 * 60 * rate.nominal)):
        assert str(Timecode(first + number, rate)) == text
        assert parse_timecode(text, rate).frame == first + number


@pytest.mark.parametrize("rate", FRAME_RATES, ids=str)
def test_counting_through_the_last_two_minutes_ends_with_the_day(rate):
    last = list(counted(rate, 23, 58))
    first = parse_timecode(last[0], rate).frame
    assert first + len(last) == rate.frames_per_day
    assert str(Timecode(rate.frames_per_day - 1, rate)) == last[-1] == str(parse_timecode(last[-1], rate))


@given(timecodes())
def test_every_frame_of_the_day_comes_back_from_its_text(timecode):
    assert parse_timecode(str(timecode), timecode.rate) == timecode


@given(timecodes())
def test_every_frame_of_the_day_comes_back_from_its_exact_second(timecode):
    assert Timecode.at_seconds(timecode.seconds, timecode.rate) == timecode
    end = timecode.seconds + 1 / timecode.rate.frames_per_second
    assert Timecode.at_seconds(end - Fraction(1, 10**9), timecode.rate) == timecode
    assert Timecode.at_seconds(end, timecode.rate) != timecode


@given(timecodes(), st.fractions(Fraction(-1, 2), Fraction(1, 2)))
def test_the_nearest_frame_is_found_from_up_to_half_a_frame_on_either_side(timecode, off):
    moment = timecode.seconds + off / timecode.rate.frames_per_second
    later = (timecode.frame + 1) % timecode.rate.frames_per_day
    expected = Timecode(later, timecode.rate) if off == Fraction(1, 2) else timecode
    assert Timecode.nearest(moment, timecode.rate) == expected


@given(timecodes(), SAMPLE_RATES)
def test_every_frame_of_the_day_comes_back_from_its_sample(timecode, sample_rate):
    sample = timecode.sample(sample_rate)
    assert abs(sample - timecode.seconds * sample_rate) <= Fraction(1, 2)
    assert Timecode.at_sample(sample, sample_rate, timecode.rate) == timecode
    before = Timecode.at_sample(sample - 1, sample_rate, timecode.rate)
    assert before.frame == (timecode.frame - 1) % timecode.rate.frames_per_day


@given(st.integers(-(10**12), 10**12), SAMPLE_RATES, RATES)
def test_a_sample_belongs_to_the_last_frame_that_begins_at_or_before_it(sample, sample_rate, rate):
    found = Timecode.at_sample(sample, sample_rate, rate)
    samples_per_frame = sample_rate / rate.frames_per_second
    # Tried out: the frames around the plain quotient, their starts rounded with halves upwards.
    about = int(sample // samples_per_frame)
    begun = [
        frame for frame in range(about - 2, about + 3) if (2 * frame * samples_per_frame + 1) // 2 <= sample
    ]
    assert found.frame == max(begun) % rate.frames_per_day


def test_a_frame_between_two_samples_begins_at_the_later():
    # 44,100 / 24 = 1837.5 samples per frame: 1837.5 and 5512.5.
    rate = frame_rate(24)
    assert [Timecode(frame, rate).sample(44_100) for frame in (1, 3)] == [1_838, 5_513]
    assert [Timecode.at_sample(sample, 44_100, rate).frame for sample in (1_837, 5_512)] == [0, 2]


@pytest.mark.parametrize(
    ("text", "rate", "sample_rate", "sample"),
    [
        # An hour of 29.97 without drops is 3603.6 s, with drops 3599.9964 s; of 25 it is an hour.
        ("01:00:00:00", frame_rate(25), 48_000, 172_800_000),
        ("01:00:00:00", frame_rate(29.97), 48_000, 172_972_800),
        ("01:00:00:00", frame_rate(23.976), 48_000, 172_972_800),
        ("01:00:00;00", DF, 48_000, 172_799_827),  # 172,799,827.2
        ("00:00:00:01", frame_rate(23.976), 48_000, 2_002),
        ("00:00:00;01", DF, 44_100, 1_471),  # 1471.47
    ],
)
def test_known_timecodes_begin_at_their_known_samples(text, rate, sample_rate, sample):
    assert parse_timecode(text, rate).sample(sample_rate) == sample


def test_drop_frame_follows_a_clock_within_a_tenth_of_a_second_a_day():
    # ST 12-1, from memory: 86.4 ms.
    for rate in (DF, DF60):
        assert 86_400 - rate.frames_per_day / rate.frames_per_second == Fraction(864, 10_000)


def test_the_count_begins_again_after_24_hours():
    rate = frame_rate(25)
    assert str(Timecode.at_seconds(86_400, rate)) == "00:00:00:00"
    assert str(Timecode.at_seconds(-1, rate)) == "23:59:59:00"
    assert str(Timecode.at_sample(86_400 * 48_000 + 1_920, 48_000, rate)) == "00:00:00:01"
    assert str(Timecode.at_sample(-1, 48_000, rate)) == "23:59:59:24"
    for frame in (-1, rate.frames_per_day):
        with pytest.raises(ValueError, match=f"frame {frame} is outside a day of 2160000"):
            Timecode(frame, rate)


@pytest.mark.parametrize(
    ("text", "rate", "before", "after"),
    [
        ("00:01:00;00", DF, "00:00:59;29", "00:01:00;02"),
        ("12:59:00;01", DF, "12:58:59;29", "12:59:00;02"),
        ("00:01:00;03", DF60, "00:00:59;59", "00:01:00;04"),
    ],
)
def test_a_number_that_is_left_out_is_reported_with_the_frames_around_it(text, rate, before, after):
    with pytest.raises(RoomplanError) as refused:
        parse_timecode(text, rate)
    assert (
        str(refused.value)
        == f"{text} is a number that drop-frame skips — the frames there are {before} and {after}"
    )
    assert parse_timecode(after, rate).frame == parse_timecode(before, rate).frame + 1


@pytest.mark.parametrize(
    ("text", "rate", "message"),
    [
        ("24:00:00:00", 25, "24:00:00:00 has hour 24 — 00 to 23"),
        ("01:60:00:00", 25, "01:60:00:00 has minute 60 — 00 to 59"),
        ("01:02:75:00", 25, "01:02:75:00 has second 75 — 00 to 59"),
        ("01:02:03:25", 25, "01:02:03:25 has frame 25 — 00 to 24 at 25"),
        ("01:02:03:24", 23.976, "01:02:03:24 has frame 24 — 00 to 23 at 23.976"),
        ("01:02:03;30", "29.97df", "01:02:03;30 has frame 30 — 00 to 29 at 29.97df"),
        ("1:2:3:4", 25, "'1:2:3:4' is not a timecode — write 01:02:03:04"),
        ("01:02:03.04", 25, "'01:02:03.04' is not a timecode — write 01:02:03:04"),
        ("01;02;03;04", "29.97df", "'01;02;03;04' is not a timecode — write 01:02:03;04"),
        (" 01:02:03:04\n", 25, "' 01:02:03:04\\n' is not a timecode — write 01:02:03:04"),
        (
            "01:02:03;04",
            29.97,
            (
                "01:02:03;04 has a semicolon before its frames, but a rate of 29.97 skips no frame numbers"
                " — write 01:02:03:04, or give 29.97df as the frame rate"
            ),
        ),
        (
            "01:02:03;04",
            25,
            (
                "01:02:03;04 has a semicolon before its frames, but a rate of 25 skips no frame numbers"
                " — write 01:02:03:04"
            ),
        ),
        (
            "01:02:03:04",
            "59.94df",
            (
                "01:02:03:04 has a colon before its frames, but a rate of 59.94df is drop-frame"
                " — write 01:02:03;04, or give 59.94 as the frame rate"
            ),
        ),
        (
            "01:01:00:00",  # a number that drop-frame leaves out is not proposed
            "29.97df",
            (
                "01:01:00:00 has a colon before its frames, but a rate of 29.97df is drop-frame"
                " — give 29.97 as the frame rate"
            ),
        ),
    ],
)
def test_a_wrong_timecode_is_reported_with_what_would_be_right(text, rate, message):
    with pytest.raises(RoomplanError) as refused:
        parse_timecode(text, frame_rate(rate))
    assert str(refused.value) == message


@pytest.mark.parametrize(
    "value",
    [
        "",
        "12.5",
        "01:02:03",
        "01:02:03:04:05",
        "-1:02:03:04",
        "٠١:٠٢:٠٣:٠٤",
        "1:99:3:4",
        3_723,
        12.5,
        None,
        True,
        [],
    ],
)
def test_what_is_no_timecode_is_refused_with_its_form(value):
    with pytest.raises(RoomplanError) as refused:
        parse_timecode(value, frame_rate(25))
    assert str(refused.value).endswith(
        "hours, minutes, seconds, frames, two digits each, such as 01:02:03:04"
    )


@given(
    st.one_of(st.text(max_size=12), st.from_regex(r"[0-9]{1,3}([:;., ][0-9]{1,3}){3}", fullmatch=True)), RATES
)
def test_a_text_is_the_name_of_a_frame_or_refused_in_one_line(text, rate):
    try:
        timecode = parse_timecode(text, rate)
    except RoomplanError as error:
        line = str(error)
    else:
        assert str(timecode) == text  # one way of writing
        return
    assert MESSAGE.fullmatch(line)
    proposed = re.search(r"write ([0-9:;]+)", line)
    if proposed is not None:
        parse_timecode(proposed[1], rate)


@given(
    st.sampled_from(FRAME_RATES),
    st.integers(0, 10**7),
    st.integers(0, 10**6),
)
def test_timecode_after_a_start_is_the_number_of_frames_between_them(rate, start, frames):
    first = Timecode(start % rate.frames_per_day, rate)
    later = Timecode((first.frame + frames) % rate.frames_per_day, rate)
    assert later.seconds_after(first.seconds) == frames / rate.frames_per_second


def test_a_start_read_from_samples_up_to_half_a_frame_behind_its_timecode_counts_as_it():
    rate = FRAME_RATES[2]  # 25: a frame lasts 0.04 s
    assert parse_timecode("01:00:00:00", rate).seconds_after(3600 + Fraction(1, 50)) == 0
    with pytest.raises(RoomplanError):
        parse_timecode("01:00:00:00", rate).seconds_after(3600 + Fraction(21, 1000))
