"""What `roomplan measure` makes of files that are no responses, or odd ones: a verdict or one clear line."""

from __future__ import annotations

import os
import time
from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile
from measured_documents import RATE, all_bands, decay, require_honest

if TYPE_CHECKING:
    from pathlib import Path


NOT_MEASURED = {
    "empty": "is empty",
    "truncated": "cut off",
    "text": "not a sound file",
    "nan": "not a number (NaN) in channel 1 at 0.010 s",
    "infinite": "infinite value in channel 1",
    "silent": "is silent",
    "zero": "holds no sound",
    "constant": "contains only a constant",
    "twenty_minutes": "20.0 min long",
    "stem": "does not decay",
    "missing": "does not exist",
    "header": "not a sound file",
}


def damaged(kind: str, folder: Path) -> Path:
    """Write a file that is no response."""
    path = folder / f"{kind}.wav"
    samples = decay()
    match kind:
        case "empty":
            path.touch()
        case "text":
            path.write_text("a list of seats\n" * 50, encoding="utf-8")
        case "truncated" | "header":
            soundfile.write(path, samples, RATE, subtype="FLOAT")
            whole = path.read_bytes()
            path.write_bytes(whole[: len(whole) // 2 if kind == "truncated" else 30])
        case "nan" | "infinite":
            samples[240] = np.nan if kind == "nan" else np.inf
            soundfile.write(path, samples, RATE, subtype="FLOAT")
        case "silent":
            soundfile.write(path, np.zeros((RATE, 2)), RATE)
        case "zero":
            soundfile.write(path, np.zeros((0, 1)), RATE)
        case "constant":
            soundfile.write(path, np.full((RATE, 1), 0.3), RATE)
        case "stem":
            soundfile.write(path, *odd("stem")[:2], subtype="PCM_16")
        case "twenty_minutes":
            noise = np.random.default_rng(2).integers(-9000, 9000, (8000 * 1200, 1), dtype=np.int16)
            soundfile.write(path, noise, 8000, subtype="PCM_16")
    return path


@pytest.mark.parametrize("kind", NOT_MEASURED)
def test_what_is_no_response_is_one_clear_line_at_once(run, folder, kind):
    path = damaged(kind, folder)
    start = time.perf_counter()
    outcome = run("measure", path, "--quiet")
    assert time.perf_counter() - start < 2.0
    assert (outcome.status, outcome.output) == (1, "")
    (line,) = outcome.errors.splitlines()
    assert line.startswith(str(path))
    assert NOT_MEASURED[kind] in line
    assert " — " in line  # what would help


def test_all_bad_files_are_listed_after_the_good_ones(document, folder, write):
    kinds = [kind for kind in NOT_MEASURED if kind != "twenty_minutes"]
    names = [damaged(kind, folder) for kind in kinds]
    found = document(names[0], write("nave.wav", decay()), *names[1:], status=1)
    assert [response["file"] for response in found["responses"]] == ["nave.wav"]
    assert [failed["file"] for failed in found["failed"]] == [str(name) for name in names]


def odd(kind: str):
    """Samples, rate and subtype of a file that is odd but can be looked at."""
    samples = decay(channels=2)
    impulse = np.zeros((RATE, 1))
    impulse[0] = 1.0
    generator = np.random.default_rng(3)
    return {
        "one sample": (np.array([[0.5]]), RATE, "FLOAT"),
        "impulse": (impulse, RATE, "PCM_16"),
        "late impulse": (-0.5 * np.roll(impulse, 9000, axis=0), RATE, "FLOAT"),
        "two impulses": (np.tile(impulse, (1, 2)), RATE, "FLOAT"),
        "5 ms": (samples[:120], RATE, "FLOAT"),
        "offset": (samples + 0.25, RATE, "FLOAT"),
        "clipped": (np.clip(20.0 * samples, -1.0, 1.0), RATE, "FLOAT"),
        "above full scale": (1e4 * samples, RATE, "FLOAT"),
        "far above full scale": (1e35 * samples, RATE, "FLOAT"),
        "whisper": (1e-7 * samples, RATE, "FLOAT"),
        "8 bits": (samples, RATE, "PCM_U8"),
        "8 kHz": (decay(rate=8000), 8000, "FLOAT"),
        "384 kHz": (decay(rate=384_000, length_s=0.4), 384_000, "FLOAT"),
        "six channels": (decay(channels=6), RATE, "FLOAT"),
        "backwards": (samples[::-1], RATE, "FLOAT"),
        "steady noise": (0.1 * generator.standard_normal((RATE, 1)), RATE, "FLOAT"),
        "steady tone": (0.3 * np.sin(0.1 * np.arange(RATE))[:, None], RATE, "FLOAT"),
        "one channel silent": (samples * [1.0, 0.0], RATE, "FLOAT"),
        "stem": (0.1 * generator.standard_normal((59 * 8000, 1)), 8000, "PCM_16"),
    }[kind]


ODD = (
    "one sample", "impulse", "late impulse", "two impulses", "5 ms", "offset", "clipped", "above full scale",
    "far above full scale", "whisper", "8 bits", "8 kHz", "384 kHz", "six channels", "backwards",
    "steady noise", "steady tone", "one channel silent",
)  # fmt: skip


@pytest.mark.parametrize("kind", ODD)
def test_what_is_odd_has_figures_with_verdicts_or_reasons(document, write, kind):
    samples, rate, subtype = odd(kind)
    write("odd.wav", samples, rate, subtype)
    start = time.perf_counter()
    found = document("odd.wav")
    assert time.perf_counter() - start < 5.0
    require_honest(found)
    assert len(found["responses"][0]["channels"]) == samples.shape[1]


def test_a_stem_is_measured_by_force_with_a_warning_and_honest_figures(document, write):
    write("stem.wav", *odd("stem"))
    found = document("stem.wav", "--force")
    require_honest(found)
    assert any("does not decay" in warning for warning in found["responses"][0]["warnings"])


def only(document):
    return document["responses"][0]["channels"][0]


@pytest.mark.parametrize(
    "kind", ["one sample", "impulse", "late impulse", "5 ms", "steady noise", "steady tone"]
)
def test_where_nothing_decays_there_is_no_decay_time(document, write, kind):
    channel = only(document(write("odd.wav", *odd(kind))))
    for band in channel["bands"]:
        if band["centre_hz"] < 8000:  # at this rate the band of 8 kHz ends sharply, at half of it
            assert (band["t20_s"], band["t30_s"]) == (None, None)
        assert band["verdict"] != "good"
    assert channel["verdict"] == "unusable"


def test_an_impulse_decays_in_no_range_however_wide(document, write):
    channel = only(document(write("odd.wav", *odd("impulse"))))
    for name in ("broadband", "a_weighted"):
        assert (channel[name]["t20_s"], channel[name]["t30_s"]) == (None, None)


def test_a_perfect_impulse_is_all_early_and_all_clear(document, write):
    channel = only(document(write("odd.wav", *odd("impulse"))))
    band = next(band for band in channel["bands"] if band["centre_hz"] == 1000)
    assert band["d50"] == pytest.approx(1.0, abs=1e-3)
    assert channel["sti"] == pytest.approx(1.0, abs=0.005)


def test_clipping_is_doubtful_in_every_band_and_named(document, write):
    found = document(write("odd.wav", *odd("clipped")))
    assert any("looks clipped" in warning for warning in found["responses"][0]["warnings"])
    for channel, band in all_bands(found):
        assert band["verdict"] != "good"
        assert channel["doubt"]["sti"]["verdict"] == "doubtful"


def test_gain_and_polarity_and_an_offset_change_no_decay_time(document, write):
    samples = decay()
    plain = only(document(write("plain.wav", samples)))
    for other in (1e4 * samples, -samples, 1e-5 * samples):
        assert only(document(write("other.wav", other, RATE, "DOUBLE")))["bands"] == plain["bands"]
    shifted = only(document(write("other.wav", samples + 0.25, RATE, "DOUBLE")))["mid"]
    assert shifted["t30_s"] == pytest.approx(plain["mid"]["t30_s"], rel=0.01)


def test_a_low_sample_rate_has_no_high_bands_and_no_speech_index(document, write):
    channel = only(document(write("odd.wav", *odd("8 kHz"))))
    by_centre = {band["centre_hz"]: band for band in channel["bands"]}
    assert by_centre[1000]["t30_s"] == pytest.approx(0.4, rel=0.12)
    for centre in (4000, 8000, 16000):
        assert by_centre[centre]["edt_s"] is None
        assert "sample rate" in by_centre[centre]["reasons"]["edt_s"]
    assert channel["sti"] is None
    assert "sample rate" in channel["reasons"]["sti"]


def test_a_high_sample_rate_reads_the_same_decay(document, write):
    channel = only(document(write("odd.wav", *odd("384 kHz"))))
    assert next(b for b in channel["bands"] if b["centre_hz"] == 8000)["t30_s"] == pytest.approx(
        0.4, rel=0.05
    )


def test_each_of_many_channels_is_as_if_alone(document, write):
    response = decay(channels=2)
    write("three.wav", np.concatenate([response, response[:, :1]], axis=1))
    first, _second, third = document("three.wav")["responses"][0]["channels"]
    assert {**third, "channel": 1} == first


@pytest.mark.skipif(os.name == "nt", reason="names are text there")
@pytest.mark.parametrize("option", ["--json", "--csv", "--quiet"])
def test_a_name_that_is_no_text_ends_nothing(measure, write, folder, option):
    write("nave.wav", decay())
    (folder / write("odd.wav", decay())).rename(os.fsdecode(os.fsencode(folder) + b"/odd\xff.wav"))
    outcome = measure(folder, "--band", "1000", option)
    assert "nave.wav" in outcome.output
    outcome.output.encode("utf-8")  # what was printed is text


def test_a_folder_without_sound_is_one_line(measure, folder):
    (folder / "empty").mkdir()
    outcome = measure("empty")
    assert (outcome.status, outcome.output) == (1, "")
    assert "empty: no sound file in this folder" in outcome.errors
