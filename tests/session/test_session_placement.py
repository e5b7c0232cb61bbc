"""Where stems stand in time: time references, the plan's start, and what contradicts them."""

from __future__ import annotations

import struct
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from roomplan.errors import Place
from roomplan.session.placement import place_stems
from roomplan.session.stems import StemSource
from roomplan.timecode import Timecode, frame_rate

MONO = np.full((4800, 1), 0.1)
HOUR = 3600
PLACE = Place(Path("plan.yaml"))


@pytest.fixture
def folder(cue):
    cue.response("ir.wav", np.random.default_rng(1).standard_normal((500, 1)))
    return cue


@pytest.fixture
def stem(folder, state_time):
    """Write a stem whose file states the sample it begins on."""

    def _stem(name, reference=None, samples=MONO, rate=48_000):
        folder.stem(name, samples, rate=rate)
        if reference is not None:
            state_time(folder.folder / "stems" / name, reference)

    return _stem


def plan_for(top=None, **sections):
    return {
        **(top or {}),
        "rooms": {"orrin_nave": {"responses": "ir.wav"}},
        "sections": {name: {"stems": stems} for name, stems in sections.items()},
    }


def offsets(session):
    return {path.stem.name: path.offset_frames for s in session.sections for path in s.stems}


def placed_warnings(session):
    return [str(w) for w in session.warnings if "time reference" in w.what]


def test_stems_stand_where_their_references_say_and_the_earliest_is_frame_0(folder, stem):
    stem("choir.wav", 48_000 * HOUR)
    stem("brass.wav", 48_000 * HOUR + 72_001)
    session = folder.session(plan_for(choir=["choir"], brass=["brass"]))
    assert offsets(session) == {"choir": 0, "brass": 72_001}
    assert session.start_s == HOUR
    assert session.end_frame == 72_001 + 4800
    assert placed_warnings(session) == []


def test_stems_of_one_section_are_placed_each_by_its_own_reference(folder, stem):
    stem("choir_a.wav", 48_000)
    stem("choir_b.wav", 96_000)
    assert offsets(folder.session(plan_for(choir=["choir*"]))) == {"choir_a": 0, "choir_b": 48_000}


def test_identical_references_leave_every_stem_at_frame_0(folder, stem):
    for name in ("choir.wav", "brass.wav"):
        stem(name, 123_456_789)
    session = folder.session(plan_for(choir=["choir"], brass=["brass"]))
    assert offsets(session) == {"choir": 0, "brass": 0}
    assert session.start_s == Fraction(123_456_789, 48_000)


def test_stems_without_references_all_begin_on_frame_0_of_no_known_time(folder, stem):
    stem("choir.wav")
    stem("brass.wav", 0)
    session = folder.session(plan_for(choir=["choir"], brass=["brass"]))
    assert offsets(session) == {"choir": 0, "brass": 0}
    assert session.start_s is None
    assert session.end_frame == 4800
    assert placed_warnings(session) == []


def test_a_reference_of_0_is_none_and_said_so_beside_stems_that_have_one(folder, stem):
    stem("choir.wav", 48_000 * HOUR)
    stem("brass.wav", 0)
    stem("harp.wav")
    session = folder.session(plan_for(choir=["choir"], brass=["brass"], harp=["harp"]))
    assert offsets(session) == {"choir": 0, "brass": 0, "harp": 0}
    (line,) = placed_warnings(session)
    assert line.startswith("plan.yaml:1:") or "plan.yaml:" in line
    assert "brass, harp have no time reference, but other stems do" in line
    assert "placed at the start of the cue, 1:00:00;" in line


def test_a_strict_plan_refuses_stems_without_a_time_beside_others_that_have_one(folder, stem):
    stem("choir.wav", 48_000 * HOUR)
    stem("brass.wav")
    (problem,) = folder.problems(plan_for({"strict": True}, choir=["choir"], brass=["brass"]))
    assert "brass has no time reference" in problem


def test_a_start_in_the_plan_is_frame_0_and_stems_follow_at_their_distance(folder, stem):
    stem("choir.wav", 48_000 * (HOUR + 2))
    stem("brass.wav")
    top = {"frame_rate": 25, "start": "01:00:00:00"}
    session = folder.session(plan_for(top, choir=["choir"], brass=["brass"]))
    assert offsets(session) == {"choir": 96_000, "brass": 0}
    assert session.start_s == HOUR
    assert "placed at the start of the cue, 01:00:00:00" in placed_warnings(session)[0]


def test_a_start_in_the_plan_is_the_time_of_stems_that_state_none(folder, stem):
    stem("choir.wav")
    session = folder.session(plan_for({"frame_rate": 25, "start": "10:00:00:00"}, choir=["choir"]))
    assert (session.start_s, offsets(session)) == (10 * HOUR, {"choir": 0})


def test_a_stem_before_the_start_is_a_problem_at_the_start_with_both_timecodes(folder, stem):
    stem("choir.wav", 48_000 * (HOUR - 1))
    stem("brass.wav", 48_000 * HOUR - 960)
    stem("harp.wav", 48_000 * HOUR)
    top = {"frame_rate": 25, "start": "01:00:00:00"}
    (problem,) = folder.problems(plan_for(top, choir=["choir"], brass=["brass"], harp=["harp"]))
    assert problem.endswith(
        "plan.yaml:3:8: stem choir begins at 00:59:59:00, before the start of the cue, 01:00:00:00 "
        "(and 1 more) — a `start` of 00:59:59:00 or earlier"
    )


def test_times_of_a_slowed_frame_rate_are_those_of_its_own_count(folder, stem):
    # 01:00:00:00 at 23.976 is 3603.6 s of clock: 86 400 frames of 1001 / 24 000 s.
    top = {"frame_rate": "23.976", "start": "01:00:00:00"}
    stem("choir.wav", round(48_000 * 3603.6) + 480)
    session = folder.session(plan_for(top, choir=["choir"]))
    assert (session.start_s, offsets(session)) == (Fraction("3603.6"), {"choir": 480})
    stem("choir.wav", round(48_000 * 3603.6) - 3)
    (problem,) = folder.problems(plan_for(top, choir=["choir"]))
    assert "stem choir begins at 00:59:59:23, before the start of the cue, 01:00:00:00" in problem


@pytest.mark.parametrize("frame", [1, 2, 3, 4, 5])
def test_the_start_that_is_advised_is_the_frame_whose_sample_the_stem_states(folder, stem, frame):
    # at 29.97 and 48 kHz a frame is 1601.6 samples: two references of five lie before their frame
    rate = frame_rate("29.97")
    stated = Timecode(frame, rate)
    stem("choir.wav", stated.sample(48_000))
    late = {"frame_rate": "29.97", "start": "01:00:00:00"}
    (problem,) = folder.problems(plan_for(late, choir=["choir"]))
    assert problem.endswith(f"a `start` of {stated} or earlier")
    session = folder.session(plan_for({**late, "start": str(stated)}, choir=["choir"]))
    assert offsets(session) == {"choir": 0}


def test_times_whose_timecodes_are_alike_are_reported_in_hours(folder, stem):
    stem("choir.wav", 48_000 * HOUR)
    stem("brass.wav", 48_000 * 25 * HOUR)
    (problem,) = folder.problems(plan_for({"frame_rate": 25}, choir=["choir"], brass=["brass"]))
    assert "stems choir and brass have times more than 12 h apart, 1:00:00 and 25:00:00" in problem


@pytest.mark.parametrize(("early", "fits"), [(1, True), (2, False)])
def test_one_sample_before_the_start_is_rounding_and_two_are_not(folder, stem, early, fits):
    stem("choir.wav", 48_000 * HOUR - early)
    content = plan_for({"frame_rate": 25, "start": "01:00:00:00"}, choir=["choir"])
    assert (folder.problems(content) == []) is fits
    if fits:
        assert offsets(folder.session(content)) == {"choir": 0}


def test_stems_half_a_day_apart_are_a_problem_that_names_both(folder, stem):
    stem("choir.wav", 48_000 * HOUR)
    stem("brass.wav", 48_000 * 13 * HOUR + 1)
    (problem,) = folder.problems(plan_for(choir=["choir"], brass=["brass"]))
    assert "stems choir and brass have times more than 12 h apart, 1:00:00 and 13:00:00.000021" in problem
    stem("brass.wav", 48_000 * 13 * HOUR)
    assert folder.problems(plan_for(choir=["choir"], brass=["brass"])) == []


def test_a_stem_half_a_day_after_the_start_is_a_problem_at_the_start(folder, stem):
    stem("choir.wav", 48_000 * 23 * HOUR)
    (problem,) = folder.problems(plan_for({"frame_rate": 25, "start": "01:00:00:00"}, choir=["choir"]))
    assert "plan.yaml:3:8: stem choir begins at 23:00:00:00, more than 12 h after the start" in problem


@pytest.mark.parametrize(("apart", "fits"), [(0, True), (1, True), (2, False), (-1, True), (-2, False)])
def test_halves_of_a_pair_may_differ_by_a_sample_and_no_more(folder, stem, apart, fits):
    stem("brass_L.wav", 480_000)
    stem("brass_R.wav", 480_000 + apart)
    content = plan_for(brass=["brass"])
    if fits:
        assert offsets(folder.session(content)) == {"brass": 0}
        return
    (problem,) = folder.problems(content)
    assert "brass_L.wav and brass_R.wav are halves of a pair and have times 2 samples apart" in problem
    assert "plan.yaml:" in problem


def test_a_half_without_a_reference_follows_the_other(folder, stem):
    stem("brass_L.wav")
    stem("brass_R.wav", 480_000)
    stem("choir.wav", 240_000)
    assert offsets(folder.session(plan_for(brass=["brass"], choir=["choir"])))["brass"] == 240_000


def test_references_count_at_the_rate_of_their_own_file(folder, stem):
    stem("choir.wav", 48_000 * 10)
    stem("brass.wav", 44_100 * 10 + 1, rate=44_100)
    session = folder.session(plan_for({"sample_rate": 48_000}, choir=["choir"], brass=["brass"]))
    assert offsets(session) == {"choir": 0, "brass": 1}  # 48 000 / 44 100 = 1.088 frames
    assert session.start_s == 10
    assert session.end_frame == 1 + 5224  # 4800 · 48 000 / 44 100 = 5224.49


def test_the_end_counts_the_delay_of_a_section(folder, stem):
    stem("choir.wav", 48_000)
    stem("brass.wav", 48_010)
    content = plan_for(choir=["choir"], brass=["brass"])
    content["sections"]["choir"]["delay"] = 10
    assert folder.session(content).end_frame == 4800 + 480


def test_rf64_is_placed_and_flac_states_no_time(folder, stem, state_time):
    path = folder.folder / "stems" / "choir.wav"
    soundfile.write(path, MONO, 48_000, format="RF64", subtype="PCM_24")
    state_time(path, 96_000)
    stem("brass.wav", 48_000)
    soundfile.write(folder.folder / "stems" / "harp.flac", MONO, 48_000)
    session = folder.session(plan_for(choir=["choir"], brass=["brass"], harp=["harp"]))
    assert offsets(session) == {"choir": 48_000, "brass": 0, "harp": 0}
    assert "harp has no time reference" in placed_warnings(session)[0]


def test_a_damaged_reference_is_a_problem_of_its_stem_and_never_taken_for_none(folder, stem):
    stem("choir.wav", 48_000)
    path = folder.folder / "stems" / "choir.wav"
    whole = path.read_bytes()
    at = whole.index(b"bext")
    path.write_bytes(whole[: at + 4] + struct.pack("<I", 20) + whole[at + 8 : at + 28])
    lines = folder.problems(plan_for(choir=["choir"]))
    assert len(lines) == 1
    assert "choir.wav" in lines[0]
    assert "plan.yaml:" in lines[0]


rates = st.sampled_from([8_000, 44_056, 44_100, 47_952, 48_000, 88_200, 96_000, 192_000])


@given(
    st.lists(st.tuples(rates, st.floats(1.0, 40_000.0)), min_size=1, max_size=8),
    rates,
    st.none() | st.integers(0, 40_000 * 25),
)
def test_offsets_are_those_of_exact_arithmetic_whatever_the_references_and_rates(given_stems, rate, frame):
    stems = [
        StemSource(str(i), (), 1, own, own, 0.0, None, PLACE, Fraction(round(seconds * own), own))
        for i, (own, seconds) in enumerate(given_stems)
    ]
    starts = [(round(seconds * own), own) for own, seconds in given_stems]
    zero, start = min(starts, key=lambda pair: Fraction(*pair)), None
    if frame is not None:
        zero, start = (frame, 25), Timecode(frame, frame_rate(25))
    plan: Any = SimpleNamespace(
        start=start, frame_rate=frame_rate(25), strict=False, place_of=lambda _key: PLACE
    )
    placement, problems, warnings = place_stems(plan, {"all": stems})
    assert warnings == []
    # How many samples of its own each stem begins after frame 0, in whole numbers: never a float.
    after = [samples * zero[1] - zero[0] * own for samples, own in starts]
    parts = [own * zero[1] for _samples, own in starts]
    early = any(-num > zero[1] for num in after)  # more than a sample: num / (own · zero[1]) · own < −1
    assert bool(problems) is early
    if early:
        return
    for stem, num, den in zip(stems, after, parts, strict=True):
        nearest = (2 * num * rate + den) // (2 * den)
        assert placement.offset_frames(stem, rate) == max(0, nearest)
