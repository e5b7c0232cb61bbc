"""Loudness as tables and as a document: promised keys and digits, no gap without its reason."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from roomplan.audio.info import SoundInfo
from roomplan.loudness import parse_roles, programme_loudness
from roomplan.measuring.attempts import Unmeasured
from roomplan.measuring.loudness import MeteredFile
from roomplan.report.documents import to_text
from roomplan.report.loudness import loudness_differences, loudness_document
from roomplan.show.loudness_tables import difference_table, loudness_table, notes

RATE = 8_000
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
DIFFERENCES = (
    "integrated_lu",
    "momentary_max_lu",
    "short_term_max_lu",
    "loudness_range_lu",
    "true_peak_db",
    "sample_peak_db",
    "peak_to_loudness_db",
)


def noise(seconds: float = 8.0, channels: int = 2, gain: float = 0.1, seed: int = 1):
    samples = gain * np.random.default_rng(seed).standard_normal((round(seconds * RATE), channels))
    return samples * np.linspace(0.2, 1.0, len(samples))[:, None]


def metered(name: str, samples, roles=None) -> MeteredFile:
    info = SoundInfo(Path(name), len(samples), samples.shape[1], RATE, "WAV", "DOUBLE")
    return MeteredFile(info, programme_loudness(samples, sample_rate=RATE, roles=roles))


def printed(*items, width: int = 200) -> str:
    stream = io.StringIO()
    console = Console(file=stream, width=width, highlight=False, markup=False)
    for item in items:
        console.print(item)
    return stream.getvalue()


def test_the_document_has_the_promised_keys_in_every_file():
    quiet, silent = metered("choir.wav", noise()), metered("s.wav", np.zeros((RATE, 1)))
    document = loudness_document(
        [quiet, silent], [Unmeasured(Path("x.wav"), "x.wav: is empty")], reference=None
    )
    assert list(document) == ["schema", "roomplan", "files", "failed", "note", "hearing_note"]
    assert document["schema"] == "roomplan.loudness/2"
    assert document["failed"] == [{"file": "x.wav", "what": "x.wav: is empty"}]
    for entry in document["files"]:
        assert list(entry) == [
            "file", "sample_rate", "channels", "roles", "duration_s", "loudness", "reasons",
        ]  # fmt: skip
        assert tuple(entry["loudness"]) == FIGURES
        assert {key for key in FIGURES if entry["loudness"][key] is None} == set(entry["reasons"])
    assert document["files"][0]["roles"] == ["L", "R"]
    assert document["files"][1]["roles"] == ["mono"]
    assert (document["files"][1]["duration_s"], document["files"][1]["channels"]) == (1.0, 1)
    assert json.loads(to_text(document)) == document


def test_figures_are_those_of_the_meter_to_three_digits():
    file = metered("choir.wav", noise())
    (entry,) = loudness_document([file], [], reference=None)["files"]
    for key in FIGURES:
        value = entry["loudness"][key]
        assert value == pytest.approx(getattr(file.loudness, key), abs=0.0005)
        assert value == round(value, 3)


def test_a_sound_twice_as_large_differs_by_6_db_in_level_and_by_nothing_in_range():
    plain, loud = metered("a.wav", noise()), metered("b.wav", 2.0 * noise())
    step = 20.0 * np.log10(2.0)
    expected = dict.fromkeys(DIFFERENCES, step) | {"loudness_range_lu": 0.0, "peak_to_loudness_db": 0.0}
    assert loudness_differences(loud.loudness, plain.loudness) == pytest.approx(expected, abs=1e-9)
    document = loudness_document([loud], [], reference=plain)
    (difference,) = document["differences"]
    assert (difference["file"], difference["reference"]) == ("b.wav", "a.wav")
    assert [difference[key] for key in DIFFERENCES] == [6.021, 6.021, 6.021, 0.0, 6.021, 6.021, 0.0]
    assert difference["reasons"] == {}
    assert document["reference"]["file"] == "a.wav"
    table = printed(difference_table([loud], reference=plain))
    assert table.count("+6.0") == 5
    assert table.count("+0.0") == 2


def test_a_difference_that_rounds_to_nothing_has_no_sign():
    plain, softer = metered("a.wav", noise()), metered("b.wav", (1.0 - 1e-5) * noise())
    assert loudness_differences(softer.loudness, plain.loudness)["integrated_lu"] == pytest.approx(
        20.0 * np.log10(1.0 - 1e-5), abs=1e-9
    )
    assert "-0.0" not in to_text(loudness_document([softer], [], reference=plain))
    table = printed(difference_table([softer], reference=plain))
    assert table.count("+0.0") == len(DIFFERENCES)


@pytest.mark.parametrize("swapped", [False, True])
def test_a_difference_that_cannot_be_said_names_the_file_that_lacks_the_figure(swapped):
    whole, short = metered("whole.wav", noise()), metered("short.wav", noise(1.0))
    file, reference = (short, whole) if swapped else (whole, short)
    (difference,) = loudness_document([file], [], reference=reference)["differences"]
    missing = {key for key in DIFFERENCES if difference[key] is None}
    assert missing == set(difference["reasons"]) == {"short_term_max_lu", "loudness_range_lu"}
    for reason in difference["reasons"].values():
        assert reason.startswith("short.wav: ")


def test_the_table_has_a_row_per_file_and_one_for_the_reference():
    files = [metered("a.wav", noise()), metered("b.wav", noise(1.0))]
    text = printed(loudness_table(files, reference=files[0]))
    rows = [line.split() for line in text.splitlines() if ".wav" in line]
    assert [row[0] for row in rows] == ["a.wav", "b.wav", "a.wav"]
    assert rows[2][1] == "(reference)"
    assert rows[1].count("–") == 2
    assert f"{files[0].loudness.integrated_lufs:.1f}".replace("-", "−") in rows[0]


def test_files_of_one_name_are_told_apart_by_their_folders():
    files = [metered("before/choir.wav", noise()), metered("after/choir.wav", np.zeros((RATE, 1)))]
    text = printed(loudness_table(files, reference=None), *notes(files))
    assert "before/choir.wav" in text
    assert "after/choir.wav: digital silence" in text


def test_roles_are_shown_as_soon_as_they_are_not_obvious():
    stereo = metered("a.wav", noise())
    surround = metered("b.wav", noise(channels=6), parse_roles("L,R,C,LFE,Ls,Rs"))
    assert "channels" not in printed(loudness_table([stereo], reference=None))
    text = printed(loudness_table([stereo, surround], reference=None))
    assert "L R C LFE Ls Rs" in text
    assert "L R " in next(line for line in text.splitlines() if "a.wav" in line)
    assert "L R C LFE Ls Rs" in printed(loudness_table([stereo], reference=surround))


def test_notes_say_each_cause_once_and_nothing_of_whole_files():
    broken = noise()
    broken[100, 1] = np.nan
    files = [
        metered("whole.wav", noise()),
        metered("click.wav", noise(0.1)),
        metered("short.wav", noise(1.0)),
        metered("hiss.wav", 1e-6 * noise()),
        metered("silence.wav", np.zeros((4 * RATE, 1))),
        metered("broken.wav", broken),
    ]
    lines = [line.plain for line in notes([*files, files[1]])]
    assert len(lines) == 5
    click, short, hiss, silence, nan = lines
    assert click.startswith("click.wav: integrated loudness needs 400 ms of sound")
    assert ";" not in click
    assert short.startswith("short.wav: short-term loudness needs 3 s of sound")
    assert ";" not in short
    assert hiss.startswith("hiss.wav: no 400 ms block is above the gate at -70 LUFS")
    assert "; no 3 s window is above the gate" in hiss
    assert silence == "silence.wav: digital silence"
    assert nan == "broken.wav: not a finite number at frame 100 (0.013 s) of channel 2 (R)"


def test_a_missing_figure_never_goes_without_a_note():
    for seconds in (0.1, 1.0, 8.0):
        for gain in (0.0, 1e-6, 0.1):
            file = metered("a.wav", noise(seconds, gain=gain))
            missing = any(getattr(file.loudness, key) is None for key in FIGURES)
            assert bool(notes([file])) == missing


def test_brackets_and_bytes_in_names_are_shown_and_not_obeyed():
    files = [metered("[bold]nave\udcff.wav", noise())]
    text = printed(loudness_table(files, reference=None), difference_table(files, reference=files[0]))
    assert text.count("[bold]nave") == 3
    text.encode("utf-8")
    to_text(loudness_document(files, [], reference=files[0])).encode("utf-8")
