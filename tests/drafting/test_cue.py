"""What names and time references say of a cue."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from roomplan.drafting.cue import cue_facts
from roomplan.drafting.listening import StemFile, listen
from roomplan.drafting.names import read_names
from roomplan.timecode import FRAME_RATES, Timecode, frame_rate


def facts(*stems: str, rate=None, folder="stems", begins=(), sample_rate=48_000, cue=None):
    starts = [*begins, *[None] * (len(stems) - len(begins))]
    files = [
        StemFile(f"{stem}.wav", 2, sample_rate, 10.0, begins_sample=start)
        for stem, start in zip(stems, starts, strict=True)
    ]
    pairs = tuple(zip(files, read_names(stems), strict=True))
    return cue_facts(folder, pairs, cue=cue, template_rate=None if rate is None else frame_rate(rate))


@pytest.mark.parametrize(
    ("mark", "rate"),
    [
        ("25fps", "25"),
        ("24 fps", "24"),
        ("23.976", "23.976"),
        ("23,98fps", "23.976"),
        ("2398fps", "23.976"),
        ("29.97", "29.97"),
        ("2997 fps DF", "29.97df"),
        ("29.97df", "29.97df"),
        ("2997NDF", "29.97"),
        ("5994_fps_df", "59.94df"),
        ("25df", None),
        ("25", None),
        ("48k", None),
        ("24b", None),
        ("take 30", None),
    ],
)
def test_a_frame_rate_in_the_names_is_known_by_its_form(mark, rate):
    found = facts(f"Choir_{mark}", f"Brass_{mark}").frame_rate
    assert found == (None if rate is None else frame_rate(rate))


def test_names_that_state_several_frame_rates_state_none():
    found = facts("Choir_25fps", "Brass_24fps")
    assert found.frame_rate is None
    assert found.remarks == ("? the names state several frame rates (24, 25): none is taken",)


def test_a_frame_rate_and_a_timecode_are_no_part_of_an_instrument():
    (name,) = read_names(["2m4_Choir_29.97df_TC 10-02-14-02_v3"])
    assert (name.words, name.version, name.timecode) == (("choir",), (3,), ("10", "02", "14", "02"))


def test_a_date_is_no_timecode():
    assert read_names(["Choir 2026-11-29"])[0].timecode is None
    assert read_names(["Choir 29-11-2026"])[0].timecode is None


def test_the_folder_names_the_cue_where_no_stem_does():
    assert facts("Choir", folder="2M4 stems").cue == "2m4"
    assert facts("Choir", folder="2M4 stems", cue="2m5").cue == "2m5"
    assert facts("Choir", folder="night").cue is None


def test_the_version_is_what_most_stems_state_and_never_that_of_one():
    assert facts("Choir_v3", "Brass_v3", "Harp").version == "3"
    assert facts("Choir_v3", "Brass", "Harp").version is None
    assert facts("Choir_v3", "Brass_v2", "Harp_v3").version is None


def test_a_timecode_in_the_names_is_the_start_where_a_frame_rate_is_known():
    assert str(facts("Choir_10.02.14.12", "Brass_10.02.14.12", rate="25").start) == "10:02:14:12"
    assert str(facts("Choir_10.02.14.12_29.97df").start) == "10:02:14;12"
    assert facts("Choir_10.02.14.12").start is None
    assert facts("Choir_10.02.14.12", "Brass_10.02.15.00", rate="25").start is None
    late = facts("Choir_10.02.14.27", rate="25")
    assert late.start is None
    assert "10:02:14:27, which is no start" in late.remarks[0]


@given(
    rate=st.sampled_from(FRAME_RATES),
    sample_rate=st.sampled_from([44_100, 48_000, 88_200, 96_000]),
    frame=st.integers(1, 24 * 3600 * 23),
    down=st.booleans(),
)
def test_a_time_reference_is_the_frame_it_was_rounded_from_to_the_nearest_sample_or_down(
    rate, sample_rate, frame, down
):
    timecode = Timecode(frame, rate)
    begins = int(timecode.seconds * sample_rate) if down else timecode.sample(sample_rate)
    found = facts("Choir", "Brass", rate=rate.name, begins=(begins, begins + 7), sample_rate=sample_rate)
    assert found.start == timecode
    assert found.remarks == ()


def test_a_stem_that_begins_within_a_frame_gives_no_start():
    found = facts("Choir", rate="25", begins=(48_000 * 3600 + 960,))
    assert found.start is None
    assert "Choir.wav begins within the frame 01:00:00:00" in found.remarks[0]


def test_a_time_reference_without_a_frame_rate_is_said_and_not_guessed_at():
    found = facts("Choir", begins=(48_000 * 3605,))
    assert (found.start, found.frame_rate) == (None, None)
    (remark,) = found.remarks
    assert remark.startswith("the stems have time references, from Choir.wav at 1:00:05 on")


def test_the_time_a_file_states_is_read_and_0_counts_as_none(tmp_path, state_time):
    for name, samples in (("a.wav", 123_456), ("b.wav", 0), ("c.flac", None)):
        soundfile.write(tmp_path / name, np.full((4800, 1), 0.1), 48_000)
        if samples is not None:
            state_time(tmp_path / name, samples)
    found = listen(sorted(tmp_path.iterdir()))
    assert [file.begins_sample for file in found] == [123_456, None, None]
