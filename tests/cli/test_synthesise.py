"""What `roomplan synthesise` writes, says and refuses."""

from __future__ import annotations

import math
import re
from typing import get_args

import numpy as np
import pytest
import soundfile

from roomplan.audio.writers import SoundWriter
from roomplan.cautions import RESPONSE, sentence
from roomplan.cli.synthesise import SourceOption
from roomplan.errors import RoomplanError
from roomplan.plan.model import SourceKind
from roomplan.rooms import synthesis
from roomplan.rooms.room_file import bundled_rooms, load_room_specification
from roomplan.rooms.synthesis import synthesise as make_response

ROOM = "tallowyard_stage"
RATE = 12_000  # quick


def words_of(text: str) -> str:
    return " ".join(text.replace("│", " ").split())


def spec_of(name: str = ROOM):
    spec, problems = load_room_specification(name)
    assert spec is not None, problems
    return spec


@pytest.fixture
def synthesise(run, folder):  # noqa: ARG001 — the command runs in the folder
    def command(*arguments, rate: int = RATE):
        outcome = run("synthesise", "--quiet", *arguments, "--sample-rate", rate)
        assert outcome.status in {0, 1, 2}
        assert bool(outcome.errors) == (outcome.status != 0)
        return outcome

    return command


def read(path):
    return soundfile.read(path, always_2d=True)


@pytest.fixture
def one_microphone(folder):
    """A bundled room with one omnidirectional microphone as its main set-up."""
    text = bundled_rooms()[ROOM].read_text(encoding="utf-8")
    own = "microphones:\n  main: {positions: [[17, 0, 1.5]], pattern: omni}\n"
    changed = re.sub(r"microphones:\n(?:[ #].*\n|\n)+", own, text)
    assert changed != text
    path = folder / "mono.yaml"
    path.write_text(changed, encoding="utf-8")
    return path


def test_help_has_the_hearing_caution_the_level_and_an_example(run):
    text = words_of(run("synthesise", "--help").output)
    for words in (
        sentence(RESPONSE),
        "Amplitude 1 is the direct sound at 10 m",
        "Example: roomplan synthesise",
        "--spread",
    ):
        assert words in text


# --- the file


def test_a_pair_gives_a_stereo_file_of_32_bit_floats_that_is_the_room_s_response(synthesise, folder):
    assert synthesise(ROOM, "out.wav").status == 0
    info = soundfile.info(folder / "out.wav")
    assert (info.format, info.subtype, info.channels, info.samplerate) == ("WAV", "FLOAT", 2, RATE)
    spec = spec_of()
    expected = make_response(spec, seat=spec.reference_seat, microphones="main", sources=1, sample_rate=RATE)
    samples, _rate = read(folder / "out.wav")
    assert samples == pytest.approx(expected.direct + expected.reflected, abs=1e-6)
    assert sorted(path.name for path in folder.iterdir()) == ["out.wav"]


@pytest.mark.usefixtures("one_microphone")
def test_one_microphone_gives_a_mono_file_and_two_sources_there_four_channels(synthesise, folder):
    assert synthesise("mono.yaml", "one.wav", "--seat", "10,0").status == 0
    assert soundfile.info(folder / "one.wav").channels == 1
    assert synthesise("mono.yaml", "two.wav", "--seat", "10,0", "--spread", "3").status == 0
    assert soundfile.info(folder / "two.wav").channels == 4


@pytest.mark.usefixtures("one_microphone")
def test_amplitude_1_is_the_direct_sound_at_10_m_and_nothing_is_normalised(synthesise, folder):
    for distance in (5.0, 10.0):
        name = f"{distance:g}.wav"
        assert synthesise("mono.yaml", name, "--seat", f"{distance},0", rate=48_000).status == 0
        samples, rate = read(folder / name)
        # ahead of the floor reflection: at a height of 1.5 m it comes 2.4 ms later from 5 m, 1.3 ms from 10 m
        direct = samples[: round(0.0008 * rate), 0]
        at_1_khz = abs(np.sum(direct * np.exp(-2j * np.pi * 1000.0 / rate * np.arange(len(direct)))))
        # air takes 0.005 dB/m at 1 kHz (ISO 9613-1, 20 °C, 50 %)
        assert at_1_khz == pytest.approx(10.0 / distance, rel=0.02)


def test_spread_gives_true_stereo_of_two_sources_and_none_is_one_source(synthesise, folder):
    document = synthesise(ROOM, "wide.wav", "--spread", "4", "--seat", "6,10", "--json").json
    assert document["channels"] == ["LL", "LR", "RL", "RR"]
    assert document["spread_m"] == 4.0
    samples, _rate = read(folder / "wide.wav")
    assert samples.shape[1] == 4
    assert np.abs(samples[:, :2] - samples[:, 2:]).max() > 0.01  # the sources stand apart
    document = synthesise(ROOM, "one.wav", "--spread", "0", "--json").json
    assert document["channels"] == ["L", "R"]


def test_without_direct_the_file_is_the_rest_alone(synthesise, folder):
    synthesise(ROOM, "whole.wav")
    outcome = synthesise(ROOM, "rest.wav", "--without-direct")
    assert "direct: absent" in outcome.output
    whole, _rate = read(folder / "whole.wav")
    rest, _rate = read(folder / "rest.wav")
    spec = spec_of()
    expected = make_response(spec, seat=spec.reference_seat, microphones="main", sources=1, sample_rate=RATE)
    assert whole - rest == pytest.approx(expected.direct, abs=1e-6)
    assert np.abs(expected.direct).max() > 0.1


def test_seat_and_microphones_are_those_asked_for(synthesise, folder):
    synthesise(ROOM, "near.wav", "--seat", "4,0")
    document = synthesise(ROOM, "far.wav", "--seat", "10,-20", "--microphones", "rear", "--json").json
    assert document["seat"] == {"distance_m": 10.0, "angle_deg": -20.0}
    assert document["microphones"] == "rear"
    near, _rate = read(folder / "near.wav")
    far, _rate = read(folder / "far.wav")
    assert np.abs(far).max() < np.abs(near).max()


@pytest.mark.parametrize("cached", [True, False])
def test_the_same_question_gives_the_same_bytes_and_its_answer_is_made_once(
    synthesise, folder, monkeypatch, cached
):
    if not cached:
        monkeypatch.setenv("ROOMPLAN_CACHE", "off")
    made = []
    monkeypatch.setattr(
        synthesis, "synthesise", lambda *a, **more: made.append(1) or make_response(*a, **more)
    )
    for name in ("one.wav", "two.wav"):
        synthesise(ROOM, name)
    assert (folder / "one.wav").read_bytes() == (folder / "two.wav").read_bytes()
    assert len(made) == (1 if cached else 2)


# --- what is said


def test_the_summary_says_what_was_written_and_cautions(synthesise):
    outcome = synthesise(ROOM, "out.wav", "--seat", "8,15")
    text = words_of(outcome.output)
    for words in (
        "out.wav: stereo (L, R)",
        f"{RATE} Hz",
        "32-bit float",
        "8 m, 15° to the right",
        "T30 0.8",
        "C80 ",
        "first reflection",
        "dBFS",
        "amplitude 1 is the direct sound at 10 m; never normalised",
        "turn the monitors down",
    ):
        assert words in text, words


def test_the_document_carries_the_documented_keys_and_true_figures(synthesise, folder):
    document = synthesise(ROOM, "out.wav", "--json").json
    assert set(document) == {
        "schema", "roomplan", "file", "room", "seat", "spread_m", "source", "microphones", "direct",
        "sample_rate", "channels", "frames", "duration_s", "peak_dbfs", "direct_path_m", "t30_mid_s",
        "c80_mid_db", "first_reflection_ms", "reasons", "level_note", "hearing_note", "note",
    }  # fmt: skip
    assert document["schema"] == "roomplan.synthesise/1"
    samples, _rate = read(folder / "out.wav")
    assert document["frames"] == len(samples)
    assert document["duration_s"] == pytest.approx(len(samples) / RATE, abs=1e-4)
    assert document["peak_dbfs"] == pytest.approx(20.0 * math.log10(np.abs(samples).max()), abs=0.001)
    spec = spec_of()
    assert document["t30_mid_s"] == pytest.approx(spec.mid_reverberation_time_s, rel=0.03)
    assert document["room"] == ROOM


@pytest.mark.usefixtures("one_microphone")
def test_a_peak_above_full_scale_is_reported(synthesise):
    outcome = synthesise("mono.yaml", "loud.wav", "--seat", "2,0")
    assert "fine in the float file, a converter will clip" in words_of(outcome.output)
    assert "a converter will not" not in synthesise("mono.yaml", "soft.wav", "--seat", "14,0").output


@pytest.mark.usefixtures("folder")
def test_progress_goes_to_standard_error(run):
    loud = run("synthesise", ROOM, "out.wav", "--sample-rate", RATE)
    assert loud.errors.splitlines() == ["synthesising…", "measuring…", "writing…"]
    assert "out.wav" in loud.output


# --- what is refused


def test_a_file_that_is_there_is_kept_unless_it_may_be_replaced(synthesise, folder):
    (folder / "out.wav").write_bytes(b"mine")
    outcome = synthesise(ROOM, "out.wav")
    assert (outcome.status, outcome.output) == (1, "")
    assert outcome.errors == "out.wav: already exists — name another file, or give --replace\n"
    assert (folder / "out.wav").read_bytes() == b"mine"
    assert synthesise(ROOM, "out.wav", "--replace").status == 0
    assert soundfile.info(folder / "out.wav").channels == 2


def test_a_failure_while_writing_leaves_the_earlier_file_whole_and_nothing_beside_it(
    synthesise, folder, monkeypatch
):
    (folder / "out.wav").write_bytes(b"mine")

    def fail(*_arguments):
        raise RoomplanError("the disk is full", remedy="free some space")

    monkeypatch.setattr(SoundWriter, "write", fail)
    outcome = synthesise(ROOM, "out.wav", "--replace")
    assert outcome.status == 1
    assert (folder / "out.wav").read_bytes() == b"mine"
    assert [path.name for path in folder.iterdir()] == ["out.wav"]
    assert not list(folder.parent.glob(f".{folder.name}*"))


@pytest.mark.parametrize("name", ["out.flac", "out", "wav", "out.wav.aiff"])
def test_a_name_that_is_no_wav_is_one_line(synthesise, folder, name):
    outcome = synthesise(ROOM, name)
    assert (outcome.status, outcome.output) == (1, "")
    assert outcome.errors == f"{name}: a response is written as WAV — name a .wav\n"
    assert not list(folder.iterdir())


def test_a_folder_is_no_file(synthesise, folder):
    (folder / "out.wav").mkdir()
    outcome = synthesise(ROOM, "out.wav", "--replace")
    assert outcome.status == 1
    assert outcome.errors == "out.wav: is a folder — name a file\n"


def test_a_seat_that_is_none_is_a_usage_error_and_one_outside_the_walls_says_what_would_be_right(
    synthesise, folder
):
    outcome = synthesise(ROOM, "out.wav", "--seat", "12")
    assert (outcome.status, outcome.output) == (2, "")
    assert "'12' is not a seat" in words_of(outcome.errors)
    outcome = synthesise(ROOM, "out.wav", "--seat", "60,0")
    assert outcome.status == 1
    assert "the room ends" in outcome.errors
    assert not list(folder.iterdir())


def test_a_source_that_the_spread_puts_outside_the_walls_names_the_option(synthesise, folder):
    outcome = synthesise(ROOM, "out.wav", "--spread", "19")
    assert outcome.status == 1
    assert "give a smaller --spread or another seat" in outcome.errors
    assert outcome.errors.count("\n") == 1
    assert not list(folder.iterdir())


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("tallowyard_stag", "out.wav"), f"did you mean {ROOM}?"),
        (("nowhere.yaml", "out.wav"), "nowhere.yaml"),
        ((ROOM, "out.wav", "--microphones", "mian"), "did you mean main?"),
    ],
)
def test_an_unknown_room_and_unknown_microphones_are_one_line(synthesise, folder, arguments, words):
    outcome = synthesise(*arguments)
    assert (outcome.status, outcome.output) == (1, "")
    assert outcome.errors.count("\n") == 1
    assert words in outcome.errors
    assert not list(folder.iterdir())


def test_a_folder_that_is_not_there_is_not_made(synthesise, folder):
    outcome = synthesise(ROOM, "nowhere/out.wav")
    assert (outcome.status, outcome.output) == (1, "")
    assert "there is no folder nowhere" in outcome.errors
    assert outcome.errors.count("\n") == 1
    assert not list(folder.iterdir())


@pytest.mark.parametrize(
    "option", [("--spread", "-1"), ("--spread", "nan"), ("--spread", "wide"), ("--spread", "20.5")]
)
def test_a_spread_that_is_none_is_a_usage_error(synthesise, option):
    outcome = synthesise(ROOM, "out.wav", *option)
    assert (outcome.status, outcome.output) == (2, "")
    assert "--spread" in outcome.errors


@pytest.mark.parametrize("rate", [7999, 192_001, "44.1"])
def test_rates_no_plan_could_have_are_a_usage_error(synthesise, rate):
    outcome = synthesise(ROOM, "out.wav", rate=rate)
    assert outcome.status == 2
    assert "--sample-rate" in outcome.errors


@pytest.mark.parametrize("rate", [8000, 192_000])
def test_the_lowest_and_the_highest_rate_work(synthesise, folder, rate):
    outcome = synthesise(ROOM, "out.wav", "--json", rate=rate)
    assert outcome.status == 0
    assert soundfile.info(folder / "out.wav").samplerate == rate
    assert outcome.json["t30_mid_s"] == pytest.approx(spec_of().mid_reverberation_time_s, rel=0.03)


def test_no_room_and_no_file_are_usage_errors(synthesise):
    assert synthesise().status == 2
    assert synthesise(ROOM).status == 2


def test_a_directed_source_is_darker_behind_its_direct_sound_and_is_named(synthesise):
    documents = [
        synthesise(ROOM, f"{source}.wav", "--source", source, "--json").json for source in ("even", "brass")
    ]
    assert [document["source"] for document in documents] == ["even", "brass"]
    even, brass = (soundfile.read(document["file"])[0] for document in documents)
    late = slice(2_000, None)
    levels = [
        np.abs(np.fft.rfft(samples[late, 0], 1 << 15))[8_000:] for samples in (even, brass)
    ]  # from 2 kHz up
    assert np.sum(levels[1] ** 2) < 0.2 * np.sum(levels[0] ** 2)
    assert "(brass)" in synthesise(ROOM, "shown.wav", "--source", "brass").output


def test_the_sources_of_the_option_are_those_of_a_plan():
    assert tuple(SourceOption) == get_args(SourceKind)
