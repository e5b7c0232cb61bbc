"""What `roomplan loudness` prints, writes and ends with, for good files, bad files and tired hands."""

from __future__ import annotations

import json
import os
from pathlib import Path

import numpy as np
import pyebur128
import pytest
import soundfile
from scipy.signal import resample_poly

from roomplan.cautions import LEVELS, sentence

RATE = 48_000
ROLES = "L,R,C,LFE,Ls,Rs"
# the documented keys
FIGURES = (
    "integrated_lufs",
    "momentary_max_lufs",
    "short_term_max_lufs",
    "loudness_range_lu",
    "true_peak_dbtp",
    "sample_peak_dbfs",
    "peak_to_loudness_db",
)


def swell(seconds: float = 4.0, channels: int = 2, rate: int = RATE, seed: int = 1):
    """Noise that grows by 20 dB, (frames, channels)."""
    rng = np.random.default_rng(seed)
    frames = round(seconds * rate)
    return 0.1 * rng.standard_normal((frames, channels)) * np.geomspace(0.1, 1.0, frames)[:, None]


@pytest.fixture
def write(write):
    """Write sounds at the rate of these tests."""

    def sound(name: str, samples, rate: int = RATE, **options) -> str:
        return write(name, samples, rate, **options)

    return sound


@pytest.fixture
def loudness(run):
    """Run the command and check what holds for every run of it."""

    def command(*arguments):
        outcome = run("loudness", "--quiet", *arguments)
        assert outcome.status in {0, 1, 2}
        assert bool(outcome.errors) == (outcome.status != 0)
        return outcome

    return command


@pytest.fixture
def document(loudness):
    """Run the command with --json and check that each figure is a number or null with a reason."""

    def of(*arguments, status: int = 0):
        outcome = loudness(*arguments, "--json")
        assert outcome.status == status, outcome.errors
        found = outcome.json
        for entry in found["files"]:
            assert tuple(entry["loudness"]) == FIGURES
            missing = {key for key, value in entry["loudness"].items() if value is None}
            assert missing == set(entry["reasons"])
        return found

    return of


def only(document):
    (entry,) = document["files"]
    return entry


# --- help and streams


def test_help_has_examples_and_the_word_on_monitoring(run):
    outcome = run("loudness", "--help")
    text = " ".join(outcome.output.split())
    assert outcome.status == 0
    for words in (
        "Example: roomplan loudness",
        sentence(LEVELS),
        "--roles",
        "--against",
    ):
        assert words in text


def test_no_file_is_a_usage_error(run):
    assert run("loudness").status == 2


def test_progress_goes_to_standard_error_and_figures_to_standard_output(run, write):
    loud = run("loudness", write("mix.wav", swell()), "--json", "--plot", "mix.png")
    assert json.loads(loud.output)["schema"] == "roomplan.loudness/2"
    assert loud.errors.splitlines() == ["metering…", "drawing…"]
    assert run("loudness", "mix.wav", "--json", "--quiet").errors == ""


# --- figures


def test_the_figures_of_a_written_file_are_those_of_libebur128(document, write, folder):
    # nothing above 3 kHz: libebur128 oversamples four times, and reads peaks of higher sounds low
    samples = resample_poly(swell(20.0, rate=RATE // 8), 8, 1)
    write("mix.wav", samples, subtype="PCM_24")
    samples, _rate = soundfile.read(folder / "mix.wav")
    modes = pyebur128.MeasurementMode
    state = pyebur128.R128State(
        2, RATE, modes.MODE_I | modes.MODE_S | modes.MODE_LRA | modes.MODE_TRUE_PEAK | modes.MODE_SAMPLE_PEAK
    )
    state.add_frames(np.ascontiguousarray(samples).ravel(), len(samples))
    found = only(document("mix.wav"))["loudness"]
    # tolerances: the limits of the project's own; three digits are printed
    assert found["integrated_lufs"] == pytest.approx(pyebur128.get_loudness_global(state), abs=0.001)
    assert found["loudness_range_lu"] == pytest.approx(pyebur128.get_loudness_range(state), abs=0.1)
    # it ends at its loudest
    assert found["short_term_max_lufs"] == pytest.approx(pyebur128.get_loudness_shortterm(state), abs=0.01)
    peak = max(pyebur128.get_true_peak(state, channel) for channel in range(2))
    assert found["true_peak_dbtp"] == pytest.approx(20 * np.log10(peak), abs=0.1)
    assert found["sample_peak_dbfs"] == pytest.approx(20 * np.log10(np.abs(samples).max()), abs=0.0005)
    assert found["peak_to_loudness_db"] == pytest.approx(
        found["true_peak_dbtp"] - found["integrated_lufs"], abs=0.0011
    )


def test_the_document_says_what_each_file_is(document, write):
    found = document(write("mix.wav", swell()), write("solo.flac", swell(5.0, 1, 44_100), 44_100))
    assert found["failed"] == []
    assert "differences" not in found
    mix, solo = found["files"]
    assert (mix["file"], mix["sample_rate"], mix["channels"], mix["roles"], mix["duration_s"]) == (
        "mix.wav", 48_000, 2, ["L", "R"], 4.0,
    )  # fmt: skip
    assert (solo["file"], solo["sample_rate"], solo["channels"], solo["roles"], solo["duration_s"]) == (
        "solo.flac", 44_100, 1, ["mono"], 5.0,
    )  # fmt: skip


def test_the_table_shows_what_the_document_holds(loudness, document, write):
    write("mix.wav", swell())
    text = loudness("mix.wav").output
    for key, value in only(document("mix.wav"))["loudness"].items():
        shown = f"{value:.1f}" if key in {"loudness_range_lu", "peak_to_loudness_db"} else f"{value:+.1f}"
        assert f" {shown.replace('-', '−')} " in text, key


def test_a_folder_is_all_its_sounds_in_natural_order(document, write, folder):
    for name in ("takes/take10.wav", "takes/take2.wav", "takes/solo/take1.flac"):
        write(name, swell(0.5))
    (folder / "takes" / "notes.txt").write_text("loud", encoding="utf-8")
    names = [entry["file"] for entry in document("takes", "takes/take2.wav")["files"]]
    assert names == [str(Path("takes", name)) for name in ("take2.wav", "take10.wav", "solo/take1.flac")]


# --- against


def test_against_says_by_how_much_each_figure_differs(document, loudness, write):
    samples = swell()
    found = document(write("new.wav", 2.0 * samples), "--against", write("old.wav", samples))
    (difference,) = found["differences"]
    for key in ("integrated_lu", "momentary_max_lu", "short_term_max_lu", "true_peak_db", "sample_peak_db"):
        assert difference[key] == pytest.approx(20 * np.log10(2.0), abs=0.001)
    assert (difference["loudness_range_lu"], difference["peak_to_loudness_db"]) == (0.0, 0.0)
    assert (difference["file"], difference["reference"]) == ("new.wav", "old.wav")
    assert found["reference"]["file"] == "old.wav"
    text = loudness("new.wav", "--against", "old.wav").output
    assert "Difference to old.wav, LU and dB" in text
    assert text.count("+6.0") == 5


def test_a_reference_without_a_figure_leaves_a_dash_and_a_reason(document, loudness, write):
    write("mix.wav", swell())
    write("gone.wav", np.zeros((RATE, 2)))
    (difference,) = document("mix.wav", "--against", "gone.wav")["differences"]
    assert difference["integrated_lu"] is None
    assert difference["reasons"]["integrated_lu"] == "gone.wav: digital silence"
    assert "gone.wav: digital silence" in loudness("mix.wav", "--against", "gone.wav").output


def test_a_reference_that_cannot_be_read_ends_it_at_once(loudness, write):
    outcome = loudness(write("mix.wav", swell(0.5)), "--against", "missing.wav")
    assert (outcome.status, outcome.output) == (1, "")
    assert outcome.errors.startswith("missing.wav: does not exist")
    assert outcome.errors.count("\n") == 1


# --- roles


def test_six_channels_without_roles_are_one_line_that_names_the_file_and_the_option(loudness, write):
    outcome = loudness(write("surround.wav", swell(channels=6)))
    assert (outcome.status, outcome.output) == (1, "")
    assert outcome.errors == (
        "surround.wav: the roles of 6 channels are unknown — with --roles, name them in the order of the "
        f"channels, such as {ROLES}\n"
    )


def test_named_roles_weigh_the_channels_as_libebur128_does_and_are_shown(document, loudness, write):
    samples = swell(5.0, channels=6)
    write("surround.wav", samples, subtype="DOUBLE")
    kinds = pyebur128.ChannelType
    state = pyebur128.R128State(6, RATE, pyebur128.MeasurementMode.MODE_I)
    for channel, kind in enumerate(
        (kinds.LEFT, kinds.RIGHT, kinds.CENTER, kinds.UNUSED, kinds.LEFT_SURROUND, kinds.RIGHT_SURROUND)
    ):
        state.set_channel(channel, kind)
    state.add_frames(np.ascontiguousarray(samples).ravel(), len(samples))
    entry = only(document("surround.wav", "--roles", ROLES))
    assert entry["roles"] == ROLES.split(",")
    expected = pyebur128.get_loudness_global(state)
    assert entry["loudness"]["integrated_lufs"] == pytest.approx(expected, abs=0.001)
    assert "L R C LFE Ls Rs" in loudness("surround.wav", "--roles", "l, r, c, lfe, ls, rs").output


def test_stereo_and_mono_files_keep_their_own_roles_beside_a_surround_file(document, write):
    names = [write(f"{count}.wav", swell(channels=count)) for count in (1, 2, 6)]
    found = document(*names, "--roles", ROLES)
    assert [entry["roles"] for entry in found["files"]] == [["mono"], ["L", "R"], ROLES.split(",")]


def test_a_downmix_is_compared_with_its_surround_mix(document, write):
    found = document(
        write("down.wav", swell()), "--against", write("all.wav", swell(channels=6)), "--roles", ROLES
    )
    assert found["reference"]["roles"] == ROLES.split(",")
    assert only(found)["roles"] == ["L", "R"]


@pytest.mark.parametrize(
    ("roles", "words"),
    [
        ("L,R,X,LFE,Ls,Rs", "no channel role 'X'"),
        ("L,R,C,LFE,SL,Rs", "did you mean Ls?"),
        ("L,R,L,LFE,Ls,Rs", "appears twice"),
        ("L,,R", "is empty"),
        ("", "is empty"),
        ("mono,L", "a channel alone"),
    ],
)
def test_roles_that_are_none_are_a_usage_error_before_any_file_is_read(loudness, roles, words):
    outcome = loudness("missing.wav", "--roles", roles)
    assert (outcome.status, outcome.output) == (2, "")
    text = " ".join(outcome.errors.replace("│", " ").split())
    assert words in text
    assert "--roles" in text
    assert "missing.wav" not in text


def test_too_few_roles_name_the_file_and_both_counts(loudness, write):
    outcome = loudness(write("surround.wav", swell(channels=6)), "--roles", "L,R,C")
    assert outcome.status == 1
    assert "surround.wav: 3 roles (L,R,C) for 6 channels — with --roles" in outcome.errors


def test_roles_that_fit_no_file_are_not_passed_over_in_silence(loudness, write):
    outcome = loudness(write("mix.wav", swell()), "--roles", "L,R,C")
    assert outcome.status == 1
    assert "mix.wav" in outcome.output
    assert outcome.errors == "no file has the 3 channels of --roles L,R,C — check the roles\n"


# --- files that have no loudness, and files that are none


def not_finite(at: int):
    samples = swell()
    samples[at, 1] = np.nan
    return samples


PEAKS = {"true_peak_dbtp", "sample_peak_dbfs"}
WITHOUT_LOUDNESS = {
    "silence": (np.zeros((4 * RATE, 2)), {*FIGURES}, "digital silence"),
    "390 ms": (swell(0.39), {*FIGURES} - PEAKS, "needs 400 ms of sound, there are 0.38 s"),
    "one sample": (np.array([[0.5]]), {*FIGURES} - PEAKS, "needs 400 ms of sound, there are 0.00 s"),
    "2.9 s": (
        swell(2.9),
        {"short_term_max_lufs", "loudness_range_lu"},
        "needs 3 s of sound, there are 2.90 s",
    ),
    "under the gate": (
        1e-4 * swell(),
        {"integrated_lufs", "loudness_range_lu", "peak_to_loudness_db"},
        "no 400 ms block is above the gate at -70 LUFS",
    ),
    "NaN": (
        not_finite(100_000),
        {*FIGURES},
        "not a finite number at frame 100000 (2.083 s) of channel 2 (R)",
    ),
}


@pytest.mark.parametrize("kind", WITHOUT_LOUDNESS)
def test_what_cannot_be_said_is_null_with_a_reason_and_no_error(document, loudness, write, kind):
    samples, missing, reason = WITHOUT_LOUDNESS[kind]
    entry = only(document(write("odd.wav", samples)))
    assert set(entry["reasons"]) == missing
    assert any(reason in text for text in entry["reasons"].values())
    text = loudness("odd.wav").output
    assert "–" in text
    assert "odd.wav: " in text
    assert reason in text


@pytest.mark.parametrize("rate", [8_000, 192_000])
def test_rates_from_8_to_192_khz_have_all_figures(document, write, rate):
    entry = only(document(write("mix.wav", swell(rate=rate), rate)))
    assert (entry["sample_rate"], entry["reasons"]) == (rate, {})


NO_SOUND = {
    "missing": "does not exist",
    "text": "not a sound file",
    "empty": "is empty",
    "cut": "cut off",
    "384 kHz": "has a sample rate of 384000 Hz, and loudness is measured up to 192000 Hz",
    "six channels": "the roles of 6 channels are unknown",
}


def bad(kind: str, folder: Path) -> str:
    """Write a file whose loudness cannot be measured."""
    path = folder / f"{kind}.wav"
    match kind:
        case "text":
            path.write_text("a list of takes\n" * 50, encoding="utf-8")
        case "empty":
            path.touch()
        case "cut":
            soundfile.write(path, swell(), RATE)
            path.write_bytes(path.read_bytes()[:50_000])
        case "384 kHz":
            soundfile.write(path, swell(rate=384_000), 384_000)
        case "six channels":
            soundfile.write(path, swell(channels=6), RATE)
    return path.name


@pytest.mark.parametrize("kind", NO_SOUND)
def test_one_bad_file_is_one_line_and_never_stops_the_rest(loudness, document, write, folder, kind):
    names = [write("first.wav", swell()), bad(kind, folder), write("last.wav", swell())]
    outcome = loudness(*names)
    assert outcome.status == 1
    assert "first.wav" in outcome.output
    assert "last.wav" in outcome.output
    (line,) = outcome.errors.splitlines()
    assert line.startswith(f"{names[1]}: ")
    assert NO_SOUND[kind] in line
    assert " — " in line  # what would help
    found = document(*names, status=1)
    assert [entry["file"] for entry in found["files"]] == [names[0], names[2]]
    assert found["failed"] == [{"file": names[1], "what": line}]


def test_a_folder_without_sound_is_one_line(loudness, folder):
    (folder / "takes").mkdir()
    outcome = loudness("takes")
    assert (outcome.status, outcome.output) == (1, "")
    assert outcome.errors == "takes: no sound file in this folder — name files, or their folder\n"


@pytest.mark.skipif(os.name == "nt", reason="names are text there")
@pytest.mark.parametrize("option", ["--json", "--plot=all.svg"])
def test_a_name_that_is_no_text_ends_nothing(loudness, write, folder, option):
    write("mix.wav", swell(0.5))
    (folder / write("odd.wav", swell(0.5))).rename(os.fsdecode(os.fsencode(folder) + b"/odd\xff.wav"))
    outcome = loudness(folder, option)
    assert "mix.wav" in outcome.output
    outcome.output.encode("utf-8")  # what was printed is text


# --- pictures


@pytest.mark.parametrize(("suffix", "start"), [("png", b"\x89PNG"), ("svg", b"<?xml"), ("PDF", b"%PDF")])
def test_a_picture_is_written_beside_the_table(loudness, write, folder, suffix, start):
    outcome = loudness(write("mix.wav", swell()), "--plot", f"mix.{suffix}")
    assert outcome.status == 0
    assert "mix.wav" in outcome.output
    assert (folder / f"mix.{suffix}").read_bytes().startswith(start)


def test_several_files_and_the_reference_are_panels_of_one_picture(loudness, write, folder):
    names = [write(name, swell()) for name in ("a/mix.wav", "b/mix.wav", "old.wav")]
    assert loudness(*names[:2], "--against", names[2], "--plot", "all.svg").status == 0
    text = (folder / "all.svg").read_text(encoding="utf-8")
    for name in (Path("a/mix.wav"), Path("b/mix.wav"), "old.wav (reference)"):
        assert f">{name}</text>" in text


@pytest.mark.parametrize(
    ("count", "plot", "words"),
    [
        (1, "mix.jpg", ".png, .svg or .pdf"),
        (1, "mix", ".png, .svg or .pdf"),
        (1, "nowhere/mix.png", "no folder"),
        (9, "all.png", "at most 8 sounds, not 9 — choose fewer, or name a .pdf"),
    ],
)
def test_a_picture_that_cannot_be_drawn_costs_no_figure(loudness, write, folder, count, plot, words):
    names = [write(f"{number}.wav", swell(0.5)) for number in range(count)]
    before = sorted(folder.iterdir())
    outcome = loudness(*names, "--plot", plot, "--json")
    assert outcome.status == 1
    assert [entry["file"] for entry in outcome.json["files"]] == names
    assert outcome.errors.count("\n") == 1
    assert words in outcome.errors
    assert sorted(folder.iterdir()) == before


def test_a_file_without_loudness_has_a_picture_too(loudness, write, folder):
    assert loudness(write("s.wav", np.zeros((RATE, 1))), "--plot", "s.svg").status == 0
    assert "nothing to draw: digital silence" in (folder / "s.svg").read_text(encoding="utf-8")


def test_nothing_to_draw_writes_no_picture(loudness, folder):
    assert loudness("missing.wav", "--plot", "mix.png").status == 1
    assert not list(folder.iterdir())
