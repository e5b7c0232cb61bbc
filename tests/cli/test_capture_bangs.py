"""`roomplan capture --impulse`: what it finds, writes, says and refuses."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from roomplan.cautions import MUSIC_ONLY, RESPONSE
from roomplan.report.capture_words import BANG_LIMITS, NO_STANDARD

RATE = 24_000
PLAN = """\
# Ice Harbour, my notes
title: Ice Harbour
stems: stems
rooms:
  stage: {synthetic: tallowyard_stage}  # dry
shared_sends: {stage: -12}
sections:
  choir: {stems: [choir]}  # all of them
"""


def claps(channels=2, *, times=(1.0, 4.0), gains=(0.5, 1.0), length_s=7.0, rate=RATE, seed=1):
    """A recording of claps in a room whose reverberation time is 0.6 s."""
    rng = np.random.default_rng(seed)
    recording = 1e-5 * rng.standard_normal((round(length_s * rate), channels))
    time = np.arange(2 * rate)[:, None] / rate
    for at_s, gain in zip(times, gains, strict=True):
        sound = 0.05 * rng.standard_normal((2 * rate, channels)) * 10.0 ** (-3.0 * time / 0.6)
        sound[0] = 0.5
        first = round(at_s * rate)
        recording[first : first + len(sound)] += gain * sound[: len(recording) - first]
    return recording


@pytest.fixture
def capture(run, folder):  # noqa: ARG001 — the command runs in the folder
    def command(*arguments, status=0):
        outcome = run("capture", "--quiet", "--impulse", "--output", "nave", *arguments)
        assert outcome.status == status, outcome.errors
        assert bool(outcome.errors) == (status != 0)
        return outcome

    return command


@pytest.fixture
def recording(write):
    def make(name="claps.wav", **settings):
        return write(name, claps(**settings), RATE, "PCM_24")

    return make


def test_the_best_bang_becomes_a_response_at_the_level_of_the_recording(capture, recording):
    capture(recording())
    response, rate = soundfile.read("nave/claps.wav")
    assert (rate, response.shape[1]) == (RATE, 2)
    assert soundfile.info("nave/claps.wav").subtype == "FLOAT"
    assert int(np.argmax(np.abs(response[:, 0]))) == round(0.005 * RATE)
    assert np.abs(response).max() == pytest.approx(0.5, abs=1e-3)


def test_the_bangs_come_with_times_ranks_and_faults_and_the_figures_of_all_good_ones(capture, recording):
    document = capture(
        recording(times=(1.0, 4.0, 7.0, 7.2), gains=(0.5, 1.0, 1.0, 1.0), length_s=10.0), "--json"
    ).json
    (one,) = document["bangs"]
    assert [round(bang["time_s"], 2) for bang in one["bangs"]] == [1.0, 4.0, 7.0]
    assert [bang["rank"] for bang in one["bangs"]] == [2, 1, None]
    assert [bang["faults"] for bang in one["bangs"]] == [[], [], ["double"]]
    assert [channel["mid"]["t30_s"] for channel in one["averaged"]] == pytest.approx([0.6, 0.6], rel=0.05)
    assert (document["sweeps"], document["failed"], document["room"]) == ([], [], None)


def test_the_tables_say_what_a_bang_cannot_give_and_end_with_the_cautions(capture, recording):
    lines = capture(recording()).output.rstrip().splitlines()
    assert BANG_LIMITS in lines
    assert lines[-3:] == [RESPONSE, NO_STANDARD, MUSIC_ONLY]


def test_a_captured_folder_is_measured_without_further_words(capture, recording, run):
    capture(recording())
    document = run("measure", "nave", "--quiet", "--json").json
    assert [one["file"] for one in document["responses"]] == ["nave/claps.wav"]
    assert document["responses"][0]["channels"][0]["mid"]["t30_s"] == pytest.approx(0.6, rel=0.05)
    assert document["responses"][0]["warnings"] == []


@pytest.mark.parametrize(
    ("channels", "files"),
    [
        (1, {"claps.wav": 1}),
        (2, {"claps.wav": 2}),
        (3, {"claps_1.wav": 1, "claps_2.wav": 1, "claps_3.wav": 1}),
        (4, {"claps_1_2.wav": 2, "claps_3_4.wav": 2}),
    ],
)
def test_microphones_are_pairs_where_their_number_is_even(capture, recording, folder, channels, files):
    capture(recording(channels=channels))
    written = {path.name: soundfile.info(path).channels for path in (folder / "nave").iterdir()}
    assert written == files


def test_every_recording_is_a_position_of_the_room_that_is_printed(capture, recording):
    shown = capture(recording("front.wav"), recording("rear.wav", seed=2), "--room", "parish_nave").output
    assert "  parish_nave:\n" in shown
    assert "responses: {front: nave/front.wav, rear: nave/rear.wav}" in shown
    assert "wiring: one_source" in shown
    assert "direct: drop" in shown


def test_the_room_goes_into_a_plan_whose_comments_stay_and_check_takes_it(capture, recording, folder, run):
    (folder / "cues").mkdir()
    plan = folder / "cues" / "cue.yaml"
    plan.write_text(PLAN, encoding="utf-8")
    capture(recording("front.wav"), "--room", "parish_nave", "--write", "cues/cue.yaml")
    text = plan.read_text(encoding="utf-8")
    assert 'front: "../nave/front.wav"' in text
    assert [line for line in PLAN.splitlines() if line not in text.splitlines()] == []
    assert (folder / "cues" / "cue.yaml.before-1").read_text(encoding="utf-8") == PLAN
    (folder / "cues" / "stems").mkdir()
    soundfile.write(folder / "cues" / "stems" / "choir.wav", claps(channels=1)[:RATE], RATE)
    sent = text.replace("choir: {stems: [choir]}", "choir: {stems: [choir], sends: {parish_nave: -6}}")
    plan.write_text(sent, encoding="utf-8")
    outcome = run("check", "cues/cue.yaml", "--quiet")
    assert outcome.status == 0, outcome.errors
    assert "parish_nave" in outcome.output


def test_a_room_that_the_plan_has_is_not_replaced_and_nothing_is_written(capture, recording, folder):
    (folder / "cue.yaml").write_text(PLAN, encoding="utf-8")
    outcome = capture(recording(), "--room", "stage", "--write", "cue.yaml", status=1)
    assert "cue.yaml:5:3: there is a room stage already — choose another name, or remove it" in outcome.errors
    assert not (folder / "nave").exists()
    assert (folder / "cue.yaml").read_text(encoding="utf-8") == PLAN


def test_a_room_of_a_plan_that_is_extended_is_not_changed_from_its_leaf(capture, recording, folder):
    (folder / "base.yaml").write_text(PLAN, encoding="utf-8")
    (folder / "leaf.yaml").write_text("extends: base.yaml\n", encoding="utf-8")
    outcome = capture(recording(), "--room", "stage", "--write", "leaf.yaml", status=1)
    assert "base.yaml:5:3: there is a room stage already" in outcome.errors
    assert not (folder / "nave").exists()
    capture("claps.wav", "--room", "parish_nave", "--write", "leaf.yaml")
    leaf = (folder / "leaf.yaml").read_text(encoding="utf-8")
    assert leaf.startswith("extends: base.yaml\nrooms:\n")
    assert "parish_nave" in leaf


def test_a_report_is_no_plan_that_a_room_could_go_into(capture, recording, folder, session, run):
    assert run("render", session / "plan.yaml", "--output", "out", "--quiet").status == 0
    before = (folder / "out" / "report.json").read_bytes()
    outcome = capture(recording(), "--room", "nave", "--write", "out/report.json", status=1)
    assert "report.json: is a report; only a plan itself can be changed" in outcome.errors
    assert (folder / "out" / "report.json").read_bytes() == before


def test_what_is_there_is_kept_unless_it_may_be_replaced(capture, recording, folder):
    capture(recording())
    before = (folder / "nave" / "claps.wav").read_bytes()
    outcome = capture(recording(seed=2), status=1)
    assert "nave/claps.wav: already exists — name another folder, or give --replace" in outcome.errors
    assert (folder / "nave" / "claps.wav").read_bytes() == before
    capture("claps.wav", "--replace")
    assert (folder / "nave" / "claps.wav").read_bytes() != before


@pytest.mark.parametrize(
    ("name", "sound", "words"),
    [
        ("silence.wav", np.zeros((RATE, 2)), "holds no bang"),
        ("hum.wav", 0.1 * np.sin(np.arange(5 * RATE))[:, None], "holds no bang"),
        ("noise.wav", 0.1 * np.random.default_rng(1).standard_normal((5 * RATE, 1)), "holds no bang"),
        (
            "double.wav",
            claps(times=(1.0, 1.2), gains=(1.0, 1.0)),
            "has 1 bang and none of use: double",
        ),
    ],
)
def test_a_recording_without_a_bang_of_use_gets_one_line_and_writes_nothing(
    capture, write, folder, name, sound, words
):
    outcome = capture(write(name, sound, RATE), status=1)
    assert len(outcome.errors.splitlines()) == 1
    assert words in outcome.errors
    assert not (folder / "nave").exists()


def test_a_bad_recording_among_good_ones_is_named_and_the_others_are_written(
    capture, recording, write, folder
):
    outcome = capture(recording(), write("silence.wav", np.zeros((RATE, 1)), RATE), status=1)
    assert "silence.wav: holds no bang" in outcome.errors
    assert [path.name for path in (folder / "nave").iterdir()] == ["claps.wav"]


def test_recordings_of_one_name_are_refused_and_so_is_the_folder_of_one(capture, recording, folder):
    outcome = capture(recording("a/nave.wav"), recording("b/nave.wav"), status=1)
    assert "several recordings have the name nave: a/nave.wav, b/nave.wav" in outcome.errors
    outcome = capture(recording("nave/claps.wav"), "--replace", status=1)
    assert "lies in the folder that the responses go to" in outcome.errors
    assert list((folder / "nave").iterdir()) == [folder / "nave" / "claps.wav"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--sweep", "sweep.wav"), "give one of --sweep FILE and --impulse"),
        (("--loopback", "1"), "a bang has no electrical signal"),
        (("--plot", "p.png"), "roomplan measure draws any response"),
        (("--write", "cue.yaml"), "needs --room NAME"),
    ],
)
def test_options_that_do_not_go_together_are_wrong_usage(capture, recording, arguments, words):
    errors = capture(recording(), *arguments, status=2).errors
    assert words in " ".join(errors.replace("│", " ").split())


def test_a_name_that_no_room_can_have_is_refused_before_any_work(capture, recording, folder):
    outcome = capture(recording(), "--room", "a:b", status=1)
    assert "the room name 'a:b' holds" in outcome.errors
    assert not (folder / "nave").exists()


def test_one_name_mistyped_is_said_before_anything_is_written(capture, recording, folder):
    outcome = capture(recording("front.wav"), "reer.wav", "--json", status=1)
    assert "reer.wav: does not exist" in outcome.errors
    assert not (folder / "nave").exists()
