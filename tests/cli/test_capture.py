"""`roomplan capture` with sweeps: a room of known responses is played and recorded, and comes back."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile
import soxr

import roomplan
from roomplan.cautions import MUSIC_ONLY, RESPONSE
from roomplan.report.capture_words import NO_STANDARD

RATE = 24_000


def convolved(sound, response):
    """Linear convolution, through numpy alone."""
    length = 1 << (len(sound) + len(response)).bit_length()
    return np.fft.irfft(np.fft.rfft(sound, length) * np.fft.rfft(response, length), length)[
        : len(sound) + len(response)
    ]


def room(seed=1, *, microphones=2, seconds=0.8, rate=RATE):
    """Responses [side][microphone] of a room of 0.4 s, the direct sound 0.5 after 10 ms."""
    rng = np.random.default_rng(seed)
    time = np.arange(round(seconds * rate)) / rate
    found = 0.02 * rng.standard_normal((2, microphones, time.size)) * 10.0 ** (-3.0 * time / 0.4)
    found[..., : round(0.012 * rate)] = 0.0
    for side in range(2):
        for microphone in range(microphones):
            # the left loudspeaker is nearer to the left microphone
            found[side, microphone, round(0.01 * rate) + 6 * (side != microphone % 2)] = 0.5
    return found


def recorded(played, responses, *, ahead_s=0.7, noise=1e-6):
    """What microphones hear of what is played."""
    sound = played.samples()
    heard = np.stack(
        [
            sum(convolved(sound[:, side], responses[side, microphone]) for side in range(2))
            for microphone in range(responses.shape[1])
        ],
        axis=1,
    )
    heard = np.concatenate([np.zeros((round(ahead_s * played.sweep.rate), heard.shape[1])), heard])
    return heard + noise * np.random.default_rng(2).standard_normal(heard.shape)


@pytest.fixture
def played(run, folder):  # noqa: ARG001 — the command runs in the folder
    assert run("sweep", "sweep.wav", "--seconds", 2, "--rate", RATE, "--decay", 0.5, "--quiet").status == 0
    return roomplan.sweep(seconds=2.0, sample_rate=RATE, decay_s=0.5)


@pytest.fixture
def capture(run):
    def command(*arguments, status=0):
        outcome = run("capture", "--quiet", "--sweep", "sweep.wav", "--output", "nave", *arguments)
        assert outcome.status == status, outcome.errors
        assert bool(outcome.errors) == (status != 0)
        return outcome

    return command


def in_band(samples):
    """Magnitudes from 100 Hz to 8 kHz, where the sweep has its full level; its edges move phases alone."""
    frequencies = np.fft.rfftfreq(1 << 16, 1.0 / RATE)
    return np.abs(np.fft.rfft(samples, 1 << 16, axis=0)[(frequencies > 100.0) & (frequencies < 8000.0)])


def difference_db(found, truth):
    """Level of what differs in the band, against the truth."""
    wanted = in_band(truth)
    return 10.0 * np.log10(np.sum((in_band(found) - wanted) ** 2) / np.sum(wanted**2))


LEAD = round(0.01 * RATE) - round(0.005 * RATE)  # of the room's 10 ms a response keeps 5


def test_two_loudspeakers_and_two_microphones_give_true_stereo_with_its_levels(played, write, capture):
    responses = room()
    write("front.wav", recorded(played, responses), RATE)
    capture("front.wav")
    found, rate = soundfile.read("nave/front.wav")
    assert (rate, found.shape[1], soundfile.info("nave/front.wav").subtype) == (RATE, 4, "FLOAT")
    truth = responses.reshape(4, -1).T[LEAD:]  # LL, LR, RL, RR
    for path in range(4):
        assert difference_db(found[:, path], truth[:, path]) < -50.0


def test_harmonics_are_listed_where_they_are_over_the_noise_and_else_said_to_be_under_it(
    played, write, capture
):
    heard = recorded(played, room())
    write("front.wav", heard, RATE)
    assert "harmonics: none over the noise" in capture("front.wav").output
    write("bent.wav", heard + 0.2 * heard**3, RATE)
    (line,) = [line for line in capture("bent.wav").output.splitlines() if line.startswith("harmonics")]
    assert ": 3. −" in line  # a cube makes the third alone, and the first


@pytest.mark.parametrize(
    ("sides", "microphones", "files"),
    [
        ("left", 1, {"front.wav": 1}),
        ("left", 2, {"front.wav": 2}),
        ("left,right", 1, {"front_left.wav": 1, "front_right.wav": 1}),
        ("left,right", 3, {f"front_{m}_{side}.wav": 1 for m in (1, 2, 3) for side in ("left", "right")}),
        ("left,right", 4, {"front_1_2.wav": 4, "front_3_4.wav": 4}),
    ],
)
def test_files_hold_what_was_played_and_recorded(run, folder, write, capture, sides, microphones, files):
    settings = ("--seconds", 2, "--rate", RATE, "--decay", 0.5, "--sides", sides)
    assert run("sweep", "sweep.wav", *settings, "--quiet").status == 0
    played = roomplan.sweep(seconds=2.0, sample_rate=RATE, decay_s=0.5, sides=sides.split(","))
    responses = room(microphones=microphones)
    write("front.wav", recorded(played, responses), RATE)
    capture("front.wav")
    assert {path.name: soundfile.info(path).channels for path in (folder / "nave").iterdir()} == files
    last = max(files)
    found, _rate = soundfile.read(folder / "nave" / last, always_2d=True)
    side = 1 if "right" in sides else 0
    truth = responses[side, microphones - 1, LEAD:]
    assert difference_db(found[:, -1], truth) < -50.0


def test_another_rate_and_another_clock_give_the_same_response(played, write, capture):
    heard = recorded(played, room())
    rate = 44_100
    moved = soxr.resample(heard, RATE, rate * (1.0 + 60e-6), quality="VHQ")
    write("front.wav", 0.5 * moved, rate, "PCM_24")
    document = capture("front.wav", "--json").json
    (one,) = document["sweeps"]
    assert one["verdict"] == "good"
    assert one["drift_ppm"] == pytest.approx(60.0, abs=1.0)
    assert [take["side"] for take in one["takes"]] == ["left", "right", "left"]
    starts = np.array(played.start_frames) / RATE + 0.7 + 0.01
    assert [take["start_s"] for take in one["takes"]] == pytest.approx(list(starts), abs=0.002)
    measured = roomplan.measure("nave/front.wav").channels[0].decay.mid
    assert measured.t30_s == pytest.approx(0.4, rel=0.05)


def test_tables_say_what_was_found_and_written_and_end_with_the_cautions(played, write, capture, folder):
    write("front.wav", recorded(played, room()), RATE)
    shown = capture("front.wav", "--room", "parish_nave", "--plot", "p.png").output
    assert "front.wav · good" in shown
    assert "true stereo (LL, LR, RL, RR: in, out) from channels 1, 2" in shown
    assert "wiring: true_stereo" in shown
    assert shown.rstrip().splitlines()[-3:] == [RESPONSE, NO_STANDARD, MUSIC_ONLY]
    assert (folder / "p.png").stat().st_size > 10_000


def test_a_picture_of_several_recordings_is_a_pdf(played, write, capture, folder):
    for name in ("front.wav", "rear.wav"):
        write(name, recorded(played, room()), RATE)
    outcome = capture("front.wav", "rear.wav", "--plot", "p.png", status=1)
    assert "p.png: a picture shows one recording, not 2 — name a .pdf" in outcome.errors
    assert "a picture cannot be of the kind .gif" in capture("front.wav", "--plot", "p.gif", status=1).errors
    assert not (folder / "nave").exists()
    capture("front.wav", "rear.wav", "--plot", "p.pdf", "--replace")
    assert (folder / "p.pdf").read_bytes().count(b"/Type /Page\n") + (folder / "p.pdf").read_bytes().count(
        b"/Type /Page "
    ) == 2


def tune():
    notes = np.repeat([220.0, 330.0, 277.0, 440.0] * 4, RATE // 2)
    return 0.1 * np.sin(2.0 * np.pi * notes * np.arange(notes.size) / RATE)[:, None]


WRONG = {
    "silence": lambda _played: np.zeros((8 * RATE, 2)),
    "noise": lambda _played: 0.1 * np.random.default_rng(1).standard_normal((8 * RATE, 2)),
    "music": lambda _played: tune(),
    "the sweep itself": lambda played: played.samples(),
    "cut off": lambda played: recorded(played, room())[: played.start_frames[2] + RATE],
    "stereo exchanged": lambda played: recorded(played, room())[:, ::-1],
    "another sweep": lambda _played: recorded(
        roomplan.sweep(seconds=3.0, sample_rate=RATE, decay_s=0.5), room()
    ),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_a_wrong_recording_gets_one_clear_line_and_writes_nothing(played, write, capture, folder, wrong):
    write("wrong.wav", WRONG[wrong](played), RATE)
    outcome = capture("wrong.wav", status=1)
    (line,) = outcome.errors.splitlines()
    assert line.startswith("wrong.wav: ")
    assert " — " in line
    assert not (folder / "nave").exists()
    assert "nave" not in outcome.output


def test_a_recording_that_says_nothing_is_named_beside_those_that_do(played, write, capture, folder):
    write("front.wav", recorded(played, room()), RATE)
    write("rear.wav", np.zeros((8 * RATE, 2)), RATE)
    outcome = capture("front.wav", "rear.wav", status=1)
    assert "rear.wav: it is silent" in outcome.errors
    assert [path.name for path in (folder / "nave").iterdir()] == ["front.wav"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("frnt.wav",), "frnt.wav: does not exist — did you mean front.wav?"),
        (("front.wav", "--loopback", "3"), "has no channel 3 — its channels are 1 to 2"),
    ],
)
def test_a_mistake_in_the_command_is_named_with_what_would_be_right(played, write, capture, arguments, words):
    write("front.wav", recorded(played, room()), RATE)
    assert words in capture(*arguments, status=1).errors


def test_a_picture_in_a_folder_that_is_not_there_is_refused_before_any_work(played, folder, write, capture):
    write("front.wav", recorded(played, room()), RATE)
    errors = capture("front.wav", "--plot", "nowhere/nave.png", status=1).errors
    assert "there is no folder" in errors
    assert not (folder / "nave").exists()


def test_a_file_that_is_no_sweep_is_refused(played, write, run):
    write("front.wav", recorded(played, room()), RATE)
    outcome = run("capture", "front.wav", "--sweep", "front.wav", "-o", "nave", "--quiet")
    assert (outcome.status, "does not say how it was made as a sweep" in outcome.errors) == (1, True)


def test_the_library_gives_the_responses_that_the_command_writes(played, write, capture):
    heard = recorded(played, room())
    write("front.wav", heard, RATE)
    capture("front.wav")
    found, _rate = soundfile.read("nave/front.wav", dtype="float32")
    captured = roomplan.capture_responses(heard.astype(np.float32), played, sample_rate=RATE)
    assert np.array_equal(np.concatenate(captured.responses, axis=1), found)
    with pytest.raises(roomplan.RoomplanError, match="the recording: it is silent"):
        roomplan.capture_responses(np.zeros((8 * RATE, 2)), played, sample_rate=RATE)


def test_a_rate_too_low_for_the_sweep_is_named_with_its_recording(run, folder, write, capture):
    settings = ("--seconds", 1, "--rate", RATE, "--decay", 0.5, "--from", 3000)
    assert run("sweep", "sweep.wav", *settings, "--quiet").status == 0
    write("front.wav", 0.1 * np.random.default_rng(1).standard_normal((40_000, 2)), 8_000)
    (line,) = capture("front.wav", status=1).errors.splitlines()
    assert line.startswith("front.wav: ")
    assert not (folder / "nave").exists()


def test_with_a_loopback_the_converters_are_out_of_the_responses(played, write, capture):
    responses = room()
    heard = recorded(played, responses, noise=1e-7)
    electrical = np.zeros((len(heard), 1))
    sound = played.samples().sum(axis=1)
    ahead = round(0.7 * RATE)
    electrical[ahead : ahead + len(sound), 0] = sound
    # every input has the same converter: a first difference, 20 dB down at 370 Hz, and 3 ms of latency
    taken = np.concatenate([heard, electrical], axis=1)
    taken = 0.5 * (taken - 0.9 * np.concatenate([np.zeros((1, 3)), taken[:-1]]))
    write("front.wav", np.concatenate([np.zeros((72, 3)), taken]), RATE)
    capture("front.wav", "--loopback", "3")
    found, _rate = soundfile.read("nave/front.wav")
    assert found.shape[1] == 4
    truth = responses.reshape(4, -1).T[LEAD:]
    for path in range(4):
        assert difference_db(found[:, path], truth[:, path]) < -40.0
