"""An excerpt is a part of the whole: the same samples, tails of earlier sound in it, at a cost of its own."""

from __future__ import annotations

import os
import re
from dataclasses import replace
from fractions import Fraction
from math import ceil, floor

import numpy as np
import pytest
import soundfile
from ensemble import RATE, heard
from hypothesis import given, settings
from hypothesis import strategies as st

from roomplan.audio.bext import bext_chunk, reserve_bext, write_bext
from roomplan.audio.info import SoundSource
from roomplan.convolution.engine import Convolver
from roomplan.errors import AudioError, RoomplanError
from roomplan.plan.model import Passage
from roomplan.rendering.component_stream import ComponentStream
from roomplan.rendering.excerpt import excerpt_of, parse_length, parse_moment
from roomplan.session.buses import build_components
from roomplan.session.response_matrices import response_matrices
from roomplan.session.session import Excerpt
from roomplan.timecode import Timecode, frame_rate, parse_timecode

# An excerpt equals the same frames of the whole to −120 dB of the level of the mix.
SAME = 10.0 ** (-120.0 / 20.0)


def rms_of_mix(components):
    return np.sqrt(np.mean(components.sum(axis=0, dtype=np.float64) ** 2))


def to_the_last_sound(session):
    """The session from its first frame to the end of everything, without a fade."""
    return replace(session, excerpt=Excerpt(0, 10**7))


@pytest.fixture(scope="module")
def whole(ensemble):
    return heard(to_the_last_sound(ensemble))


def test_every_stem_begins_at_its_offset_and_the_delay_of_its_section(ensemble, whole):
    # dry components are samples of the files: the first that sounds says where the file was put
    dry = {c.section: i for i, c in enumerate(build_components(ensemble)) if c.send is None}
    first = {name: int(np.flatnonzero(whole[row].any(axis=0))[0]) for name, row in dry.items()}
    assert first == {"choir": 12_345, "solo": 72_000, "strings": 0, "winds": 90_001 + 624}


def test_the_whole_as_an_excerpt_is_the_render_with_a_full_tail_before_its_fade(ensemble, whole):
    rendered = heard(ensemble)
    unfaded = rendered.shape[2] - round(0.06 * RATE)
    assert unfaded > 2 * RATE
    assert np.abs(rendered[:, :, :unfaded] - whole[:, :, :unfaded]).max() <= SAME * rms_of_mix(whole)


@settings(max_examples=40)
@given(start=st.integers(0, 205_000), frames=st.integers(1, 120_000))
def test_an_excerpt_equals_the_same_frames_of_the_whole(ensemble, whole, start, frames):
    expected = whole[:, :, start : start + frames]
    part = heard(replace(ensemble, excerpt=Excerpt(start, frames)))
    assert part.shape == expected.shape
    if part.size:
        assert np.abs(part - expected).max() <= SAME * rms_of_mix(whole)


def test_an_excerpt_after_the_last_stem_holds_its_tails(ensemble, whole):
    start = (
        int(np.flatnonzero(whole[[c.send is None for c in build_components(ensemble)]].any((0, 1)))[-1]) + 1
    )
    part = heard(replace(ensemble, excerpt=Excerpt(start, 4800)))
    assert rms_of_mix(part) > 1e-3 * rms_of_mix(whole)


def test_an_excerpt_has_the_frames_asked_for_and_none_beyond_the_last_tail(ensemble, whole):
    end = whole.shape[2]
    assert heard(replace(ensemble, excerpt=Excerpt(end - 500, 400))).shape[2] == 400
    assert heard(replace(ensemble, excerpt=Excerpt(end - 500, 4000))).shape[2] == 500
    assert heard(replace(ensemble, excerpt=Excerpt(end, 4000))).shape[2] == 0


def test_nothing_fades_at_the_end_of_an_excerpt_whatever_the_tail(ensemble, whole):
    short = replace(ensemble, plan=replace(ensemble.plan, tail="none"), excerpt=Excerpt(20_000, 30_000))
    assert np.abs(heard(short) - whole[:, :, 20_000:50_000]).max() <= SAME * rms_of_mix(whole)


def test_most_frames_is_the_length_of_the_excerpt(ensemble):
    session = replace(ensemble, excerpt=Excerpt(1000, 12_000))
    with ComponentStream(session, build_components(session), response_matrices(session)) as stream:
        assert stream.most_frames == 12_000


def test_statistics_are_those_of_the_part_that_is_heard(cue):
    samples = np.zeros((RATE, 2))
    samples[:24_000, 0] = 0.5  # left, then right at half the level: −6.02 dB
    samples[24_000:, 1] = 0.25
    cue.stem("choir.wav", samples)
    cue.response("hall.wav", np.array([[1.0, 1.0], [0.5, 0.25]]))
    content = {
        "title": "Ice Harbour",
        "rooms": {"hall": {"responses": "hall.wav", "direct": "absent"}},
        "sections": {"choir": {"stems": ["choir"], "sends": {"hall": -3}}},
    }
    session = replace(cue.session(content), excerpt=Excerpt(12_000, 24_000))
    with ComponentStream(session, build_components(session), response_matrices(session)) as stream:
        for _block in stream.blocks():
            pass
        found = stream.statistics["choir"]
    assert found.left == pytest.approx(12_000 * 0.25)
    assert found.right == pytest.approx(12_000 * 0.0625)


@pytest.mark.parametrize("frames", [25_000, 33_333, 40_001])
def test_nothing_after_the_excerpt_is_read(ensemble, frames):
    # the winds are dry only: their component is what was read, at its level
    session = replace(ensemble, excerpt=Excerpt(85_000, frames))
    components = build_components(session)
    (row,) = [i for i, c in enumerate(components) if c.section == "winds"]
    with ComponentStream(session, components, response_matrices(session)) as stream:
        energy = sum(float(np.sum(np.square(block[row, 0], dtype=float))) for block in stream.blocks())
        found = stream.statistics["winds"]
        assert frames % stream.hop  # the last block is longer than what is left
    assert found.left == pytest.approx(energy, rel=1e-4)


def test_the_cost_of_an_excerpt_is_that_of_its_length_and_one_response_wherever_it_lies(cue, monkeypatch):
    cue.stem("choir.wav", np.random.default_rng(1).uniform(-0.5, 0.5, (40 * RATE, 1)))
    cue.response("hall.wav", np.random.default_rng(2).uniform(-0.5, 0.5, (RATE, 2)))
    content = {
        "title": "Ice Harbour",
        "rooms": {"hall": {"responses": {"front": "hall.wav"}, "direct": "absent", "trim_tail": False}},
        "sections": {"choir": {"stems": ["choir"], "sends": {"hall": -3}}},
    }
    session = cue.session(content)
    decoded, convolved = [], []
    decode, process = SoundSource._decode, Convolver.process_planar
    monkeypatch.setattr(
        SoundSource, "_decode", lambda self, out: decoded.append(len(out)) or decode(self, out)
    )
    monkeypatch.setattr(
        Convolver,
        "process_planar",
        lambda self, block, out=None: convolved.append(self.hop) or process(self, block, out),
    )
    for start_s in (5, 20, 37):
        decoded.clear()
        convolved.clear()
        heard(excerpt_of(session, start_s, 2))
        assert sum(decoded) <= 3 * RATE + 65_536  # length, one response, and what a block reads too far
        assert sum(convolved) <= 2 * RATE + 64  # the past is not convolved


def test_a_stem_that_changes_while_an_excerpt_of_it_is_heard_is_refused(ensemble):
    session = replace(ensemble, excerpt=Excerpt(30_000, 5000))
    file = session.section("choir").stems[0].stem.files[0]
    data, before = file.read_bytes(), file.stat()
    with ComponentStream(session, build_components(session), response_matrices(session)) as stream:
        blocks = stream.blocks()
        next(blocks)
        file.write_bytes(data)
        with pytest.raises(AudioError, match=r"choir\.wav: was changed while it was read"):
            list(blocks)
    os.utime(file, ns=(before.st_atime_ns, before.st_mtime_ns))  # others play it


def test_an_excerpt_is_counted_in_seconds_of_the_cue(ensemble):
    session = excerpt_of(ensemble, Fraction(1, 3), 0.5)
    assert session.excerpt == Excerpt(16_000, 24_000)
    assert ensemble.excerpt is None


def test_an_excerpt_without_a_length_goes_to_the_end_of_the_last_tail(ensemble, whole):
    assert heard(excerpt_of(ensemble, 1.0)).shape[2] == whole.shape[2] - RATE


@pytest.mark.parametrize(
    ("start", "length", "line"),
    [
        (-1, 5, r"-1 s is before the cue"),
        (
            75,
            5,
            r"1:15 is beyond the end of the cue, which with its last tail is 3\.\d+ s long — start at 3\.",
        ),
        (3725.5, 5, r"1:02:05\.5 is beyond the end of the cue"),
        (1, 0, r"0 s is nothing to hear"),
        (1, 1e-6, r"nothing to hear"),
    ],
)
def test_an_excerpt_that_is_not_in_the_cue_is_refused_with_the_length_of_the_cue(
    ensemble, start, length, line
):
    with pytest.raises(RoomplanError, match=line):
        excerpt_of(ensemble, start, length)


def test_a_timecode_that_lost_its_frames_is_refused_with_how_it_is_written(ensemble):
    with pytest.raises(RoomplanError, match="timecode has frames too, and quotes around a semicolon"):
        excerpt_of(replace(ensemble, start_s=Fraction(36_000)), 36_004)
    with pytest.raises(RoomplanError, match=r"or earlier$"):
        excerpt_of(ensemble, 36_004)


def test_the_latest_start_that_a_refusal_names_is_accepted(ensemble):
    with pytest.raises(RoomplanError) as refused:
        excerpt_of(ensemble, 75)
    (latest,) = re.findall(r"start at ([\d.]+) s or earlier", str(refused.value))
    assert excerpt_of(ensemble, Fraction(latest)).excerpt is not None
    with pytest.raises(RoomplanError):
        excerpt_of(ensemble, Fraction(latest) + Fraction(1, 100))


def test_every_start_that_is_accepted_has_something_to_hear(ensemble, whole):
    end = whole.shape[2]
    known = max(f for f in range(end - 2 * RATE, end, 97) if _accepted(ensemble, f))
    assert known < end
    assert heard(excerpt_of(ensemble, Fraction(known, RATE), 1)).shape[2] > 0


def _accepted(session, frame):
    try:
        excerpt_of(session, Fraction(frame, RATE), 1)
    except RoomplanError:
        return False
    return True


def test_passages_are_left_out_of_an_excerpt_because_they_count_from_the_start_of_the_cue(ensemble):
    verse = Passage("verse", 0.0, 0.5, ensemble.plan.place)
    session = replace(ensemble, plan=replace(ensemble.plan, passages={"verse": verse}))
    assert excerpt_of(session, 0.5, 0.25).plan.passages == {}
    assert session.plan.passages == {"verse": verse}


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("70", 70),
        (" 12.5 ", Fraction(25, 2)),
        (".25", Fraction(1, 4)),
        ("0.1", Fraction(1, 10)),
        ("1:10", 70),
        ("75:30", 4530),
        ("1:02:03.5", Fraction(7447, 2)),
    ],
)
def test_a_moment_is_seconds_or_minutes_and_seconds_exactly(ensemble, text, seconds):
    assert parse_moment(text, ensemble) == seconds


@pytest.mark.parametrize("text", ["", "-3", "1:5", "1:70", "1h", "nan", "1e3", "²", "1:2:3:4:5"])
def test_a_text_that_is_no_moment_is_refused_with_what_would_be_one(ensemble, text):
    with pytest.raises(RoomplanError, match=r"is no moment of a cue — seconds such as 70"):
        parse_moment(text, ensemble)


def test_a_moment_with_a_decimal_comma_is_refused_with_the_point_that_it_needs(ensemble):
    with pytest.raises(RoomplanError, match=r"'1,5' is no moment of a cue — write 1\.5, with a point"):
        parse_moment("1,5", ensemble)


@pytest.mark.parametrize("text", ["", "-3", "01:00:00:00", "long"])
def test_a_text_that_is_no_length_is_refused(text):
    with pytest.raises(RoomplanError, match=r"is no length — seconds such as 20"):
        parse_length(text)


def test_a_length_of_nothing_is_refused():
    assert parse_length("1:30") == 90
    with pytest.raises(RoomplanError, match="nothing to hear"):
        parse_length("0")


def _on_picture(session, rate, start):
    named = frame_rate(rate)
    begins = parse_timecode(start, named)
    return replace(
        session, plan=replace(session.plan, frame_rate=named, start=begins), start_s=begins.seconds
    )


@pytest.mark.parametrize(
    ("rate", "start", "moment", "seconds"),
    [
        ("25", "01:00:00:00", "01:01:10:05", Fraction(70) + Fraction(5, 25)),
        ("24", "01:00:00:12", "01:00:01:00", Fraction(1, 2)),
        ("23.976", "00:59:59:00", "01:00:00:00", Fraction(1001, 1000)),
        # drop-frame: 00:00:59;29 is followed by 00:01:00;02, one frame of 1001/30000 s later
        ("29.97df", "00:00:59;29", "00:01:00;02", Fraction(1001, 30_000)),
        ("25", "23:59:58:00", "00:00:03:00", 5),  # over midnight
    ],
)
def test_timecode_counts_from_the_start_of_the_cue(ensemble, rate, start, moment, seconds):
    assert parse_moment(moment, _on_picture(ensemble, rate, start)) == seconds


def test_a_timecode_before_the_cue_is_refused_with_its_start(ensemble):
    session = _on_picture(ensemble, "25", "01:00:00:00")
    with pytest.raises(RoomplanError, match="00:59:59:24 is before the start of the cue, 01:00:00:00"):
        parse_moment("00:59:59:24", session)


def test_the_timecode_of_a_start_that_was_read_from_samples_is_the_start(ensemble):
    # A file counts whole samples: its start is the one behind the exact moment of the frame.
    session = _on_picture(ensemble, "29.97", "01:00:00:01")
    exact = session.start_s * 44_100
    assert exact.denominator != 1
    started = replace(session, start_s=Fraction(ceil(exact), 44_100))
    assert parse_moment("01:00:00:01", started) == 0


PICTURE_RATES = ("23.976", "24", "25", "29.97", "29.97df", "30")
SAMPLE_RATES = (44_100, 48_000, 88_200, 96_000)
COUNT = 2.0**20  # full scale of a ramp: a power of two, so that a float holds every step


@pytest.mark.parametrize("sample_rate", SAMPLE_RATES)
@pytest.mark.parametrize("named", PICTURE_RATES)
@settings(max_examples=60)
@given(
    first=st.integers(0, 24 * 3600 * 23),
    later=st.one_of(st.just(0), st.integers(0, 23 * 3600 * 11)),  # half a day and more is before the start
    rounding=st.sampled_from([floor, round, ceil, None]),
)
def test_every_frame_of_a_cue_is_accepted_however_its_start_was_rounded_to_a_sample(
    ensemble, named, sample_rate, first, later, rounding
):
    rate = frame_rate(named)
    start = Timecode(first, rate)
    exact = start.seconds * sample_rate
    zero = (exact if rounding is None else rounding(exact)) / Fraction(sample_rate)
    plan = replace(ensemble.plan, frame_rate=rate)
    session = replace(ensemble, plan=plan, sample_rate=sample_rate, start_s=zero)
    assert str(Timecode.nearest(zero, rate)) == str(start)  # what reports call the start is accepted too
    moment = parse_moment(str(Timecode((first + later) % rate.frames_per_day, rate)), session)
    if later == 0:
        assert moment * sample_rate < 1
    else:
        assert abs(moment - later / rate.frames_per_second) * sample_rate < 1


@pytest.fixture(scope="module")
def counted(shared_cue):
    """Give a session of one dry stem whose samples count from 0 and whose file states its time."""

    shared_cue.response("hall.wav", np.random.default_rng(1).standard_normal((500, 1)))

    def session(named, sample_rate, first, *, stated):
        start = Timecode(first, frame_rate(named))
        stem = shared_cue.folder / "stems" / "choir.wav"
        stem.parent.mkdir(exist_ok=True)
        with soundfile.SoundFile(stem, "w", sample_rate, 1, "FLOAT") as sound:
            reserve_bext(sound)
            sound.write(np.arange(sample_rate // 2) / COUNT)
        write_bext(stem, bext_chunk(samples=start.sample(sample_rate)))
        plan = {
            "title": "Ice Harbour",
            "frame_rate": named,
            "rooms": {"hall": {"responses": "hall.wav"}},
            "sections": {"choir": {"stems": ["choir"], "pan": -100}},
        }
        return shared_cue.session({**plan, "start": str(start)} if stated else plan)

    return session


@pytest.mark.parametrize("sample_rate", SAMPLE_RATES)
@pytest.mark.parametrize("named", PICTURE_RATES)
@settings(max_examples=8)
@given(
    stated=st.booleans(),
    first=st.integers(1, 24 * 3600 * 23),
    later=st.one_of(st.just(0), st.integers(0, 10)),
)
def test_an_excerpt_from_a_frame_begins_with_the_sample_of_the_stem_that_is_nearest_to_that_frame(
    counted, named, sample_rate, stated, first, later
):
    rate = frame_rate(named)
    session = counted(named, sample_rate, first, stated=stated)
    moment = str(Timecode((first + later) % rate.frames_per_day, rate))
    part = heard(excerpt_of(session, parse_moment(moment, session), Fraction(10, sample_rate)))
    # whole samples of the day, as editors count them: the file begins on that of its own frame
    expected = Timecode(first + later, rate).sample(sample_rate) - Timecode(first, rate).sample(sample_rate)
    assert list(part[0, 0] * COUNT) == list(range(expected, expected + 10))


def test_a_timecode_that_names_no_frame_is_refused_as_in_a_plan(ensemble):
    with pytest.raises(RoomplanError, match="drop-frame skips"):
        parse_moment("00:01:00;00", _on_picture(ensemble, "29.97df", "00:00:00;00"))


def test_timecode_needs_a_frame_rate_and_a_start(ensemble):
    with pytest.raises(RoomplanError, match="add `frame_rate:` to the plan"):
        parse_moment("01:00:00:00", ensemble)
    unplaced = replace(_on_picture(ensemble, "25", "01:00:00:00"), start_s=None)
    with pytest.raises(RoomplanError, match="add `start:` to the plan"):
        parse_moment("01:00:00:00", unplaced)
