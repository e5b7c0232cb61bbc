"""Written files: exact values, digests, sizes, limits and failures."""

from __future__ import annotations

import errno
import hashlib
import itertools
import shutil
import struct
import subprocess
import sys
import textwrap
import time

import numpy as np
import pytest
import soundfile

from roomplan.audio import writers
from roomplan.audio.info import inspect_sound
from roomplan.audio.quantise import Quantiser
from roomplan.audio.writers import OutputFormat, SoundWriter, check_output_format
from roomplan.errors import AudioError, RoomplanError

FORMATS = [
    OutputFormat("wav", "32f"),
    OutputFormat("wav", 24),
    OutputFormat("wav", 16),
    OutputFormat("flac", 24),
    OutputFormat("flac", 16),
]


def write(path, samples, output, *, rate=48000, block=1000, seed="mix"):
    """Write samples in blocks; returns the closed writer."""
    with SoundWriter(
        path,
        sample_rate=rate,
        channels=samples.shape[1],
        frames_expected=len(samples),
        format=output,
        dither_seed=seed,
    ) as writer:
        for first in range(0, len(samples), block):
            writer.write(samples[first : first + block])
    return writer


def values_in(path, output):
    """Plain values of a written file, read by soundfile alone."""
    if output.bit_depth == "32f":
        return soundfile.read(path, dtype="float32", always_2d=True)[0].astype("<f4")
    values = soundfile.read(path, dtype="int32", always_2d=True)[0]
    return (values >> (32 - output.bit_depth)).astype("<i4")


@pytest.mark.parametrize("output", FORMATS, ids=str)
@pytest.mark.parametrize("channels", [1, 2, 6])
def test_the_file_holds_exactly_the_values_we_made_and_their_digest(tmp_path, noise, output, channels):
    samples = noise(10_007, channels).astype(np.float32)
    path = tmp_path / "mix"
    writer = write(path, samples, output)
    expected = samples
    if output.bit_depth != "32f":
        expected = Quantiser(bit_depth=output.bit_depth, seed="mix")(samples)
    found = values_in(path, output)
    assert np.array_equal(found, expected)
    assert writer.digest == hashlib.sha256(found.tobytes()).hexdigest()
    assert writer.peak == np.abs(samples).max()
    assert (writer.over_range, writer.frames_written) == (0, 10_007)
    info = inspect_sound(path)
    assert info.container == output.container.upper()
    assert info.subtype == {16: "PCM_16", 24: "PCM_24", "32f": "FLOAT"}[output.bit_depth]
    assert (info.frames, info.channels, info.sample_rate) == (10_007, channels, 48000)


@pytest.mark.parametrize("output", FORMATS, ids=str)
def test_the_block_split_never_matters(tmp_path, noise, output):
    samples = noise(50_000).astype(np.float32)
    written = [write(tmp_path / str(block), samples, output, block=block) for block in (777, 50_000)]
    assert written[0].digest == written[1].digest
    assert (tmp_path / "777").read_bytes() == (tmp_path / "50000").read_bytes()


def test_the_same_samples_give_the_same_bytes_at_another_time(tmp_path, noise, monkeypatch):
    samples = noise(1000).astype(np.float32)

    def write_all(folder):
        folder.mkdir()
        for limit in (2**32 - 2**20, 0):  # as WAV, then as RF64
            monkeypatch.setattr(writers, "RF64_FROM_BYTES", limit)
            for output in FORMATS:
                write(folder / f"{output} {limit}", samples, output)
        return {path.name: path.read_bytes() for path in folder.iterdir()}

    first = write_all(tmp_path / "first")
    begun = int(time.time())
    while int(time.time()) == begun:  # a time stamp in a file would have whole seconds
        time.sleep(0.02)
    assert write_all(tmp_path / "second") == first
    assert len(first) == 2 * len(FORMATS)


def test_a_soundfile_that_hides_its_handle_only_costs_speed(tmp_path, noise, monkeypatch):
    monkeypatch.setattr(writers, "_leave_out_peak_chunk", lambda _sound: None)
    samples = noise(1000).astype(np.float32)
    write(tmp_path / "mix.wav", samples, FORMATS[0])
    data = (tmp_path / "mix.wav").read_bytes()
    at = data.index(b"PEAK")
    assert struct.unpack("<III", data[at + 4 : at + 16]) == (24, 1, 0)  # size, version, time
    assert np.array_equal(values_in(tmp_path / "mix.wav", FORMATS[0]), samples)


@pytest.mark.parametrize("limit", [2**32 - 2**20, 0])
def test_a_float_wav_has_no_peak_chunk(tmp_path, noise, limit, monkeypatch):
    monkeypatch.setattr(writers, "RF64_FROM_BYTES", limit)
    write(tmp_path / "mix.wav", noise(100).astype(np.float32), FORMATS[0])
    assert b"PEAK" not in (tmp_path / "mix.wav").read_bytes()[:200]


@pytest.mark.parametrize("output", FORMATS[:3], ids=str)
def test_a_wav_that_would_pass_the_limit_is_opened_as_rf64_and_reads_back(
    tmp_path, noise, output, monkeypatch
):
    size = 5000 * 2 * output.bytes_per_value
    samples = noise(5000).astype(np.float32)
    monkeypatch.setattr(writers, "RF64_FROM_BYTES", size)
    large = write(tmp_path / "large.wav", samples, output)
    monkeypatch.setattr(writers, "RF64_FROM_BYTES", size + 1)
    small = write(tmp_path / "small.wav", samples, output)
    assert (tmp_path / "small.wav").read_bytes()[:4] == b"RIFF"
    data = (tmp_path / "large.wav").read_bytes()
    # EBU Tech 3306, 3: "RF64", size −1, "WAVE", then ds64 with the sizes of the whole and of the data.
    assert data[:4] == b"RF64"
    assert data[4:8] == b"\xff\xff\xff\xff"
    assert data[8:16] == b"WAVEds64"
    riff_size, data_size = struct.unpack("<QQ", data[20:36])
    assert riff_size == len(data) - 8
    assert data_size == size
    assert inspect_sound(tmp_path / "large.wav").container == "RF64"
    assert np.array_equal(
        values_in(tmp_path / "large.wav", output), values_in(tmp_path / "small.wav", output)
    )
    assert large.digest == small.digest


def test_the_limit_leaves_a_mebibyte_under_4_gib():
    assert writers.RF64_FROM_BYTES == 2**32 - 2**20


@pytest.mark.parametrize("output", FORMATS[1:], ids=str)
def test_values_over_the_range_are_limited_counted_and_not_raised(tmp_path, output):
    samples = np.array([[0.5, 1.5], [-2.0, 0.25], [3.0, -3.0]], np.float32)
    writer = write(tmp_path / "mix", samples, output)
    top = 2 ** (output.bit_depth - 1)
    found = values_in(tmp_path / "mix", output)
    assert (writer.over_range, writer.peak) == (4, 3.0)
    assert [found[0, 1], found[1, 0], found[2, 0], found[2, 1]] == [top - 1, -top, top - 1, -top]


def test_float_keeps_values_over_the_range(tmp_path):
    samples = np.array([[0.5, 1.5], [-200.0, 0.25]], np.float32)
    writer = write(tmp_path / "mix", samples, FORMATS[0])
    assert (writer.over_range, writer.peak) == (0, 200.0)
    assert np.array_equal(values_in(tmp_path / "mix", FORMATS[0]), samples)


@pytest.mark.parametrize("output", FORMATS, ids=str)
@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_a_value_that_is_not_finite_is_refused(tmp_path, noise, output, value):
    samples = noise(100).astype(np.float32)
    samples[50, 1] = value
    with pytest.raises(AudioError, match="not finite"):
        write(tmp_path / "mix", samples, output)


@pytest.mark.parametrize("layout", ["sliced", "float64", "fortran"])
def test_blocks_of_any_memory_layout_are_written_alike(tmp_path, noise, layout):
    samples = noise(1000, 4)[:, ::2].astype(np.float32)
    block = {
        "sliced": np.repeat(samples, 2, axis=1)[:, ::2],
        "float64": samples.astype(np.float64),
        "fortran": np.asfortranarray(samples),
    }[layout]
    expected = write(tmp_path / "a", np.ascontiguousarray(samples), FORMATS[1]).digest
    assert write(tmp_path / "b", block, FORMATS[1]).digest == expected


def test_silent_files_of_different_seeds_have_different_dither(tmp_path):
    silence = np.zeros((1000, 2), np.float32)
    digests = {
        write(tmp_path / seed, silence, FORMATS[2], seed=seed).digest for seed in ("mix", "dry", "wet")
    }
    assert len(digests) == 3


def test_prints_that_add_up_in_float_add_up_in_integers_within_their_dither(tmp_path, noise):
    # Error power 1/4 LSB² each (see quantise), independent: three files differ from their sum by 3/4.
    parts = [noise(100_000, seed=seed).astype(np.float32) * np.float32(0.3) for seed in (1, 2)]
    total = parts[0] + parts[1]
    found = {}
    for name, samples in {"one": parts[0], "two": parts[1], "mix": total}.items():
        write(tmp_path / name, samples, FORMATS[2], seed=name)
        found[name] = values_in(tmp_path / name, FORMATS[2]).astype(float)
    error = found["one"] + found["two"] - found["mix"]
    assert np.mean(error**2) == pytest.approx(0.75, rel=0.02)


@pytest.mark.parametrize("output", FORMATS, ids=str)
def test_more_frames_than_expected_are_refused_and_fewer_are_fine(tmp_path, noise, output):
    samples = noise(100).astype(np.float32)
    writer = SoundWriter(
        tmp_path / "a", sample_rate=48000, channels=2, frames_expected=150, format=output, dither_seed="mix"
    )
    writer.write(samples)
    with pytest.raises(ValueError, match="more than the 150 frames"):
        writer.write(samples)
    writer.close()
    writer.close()  # again: nothing happens
    assert writer.frames_written == inspect_sound(tmp_path / "a").frames == 100
    assert writer.digest == write(tmp_path / "b", samples, output).digest


def test_an_empty_block_changes_nothing(tmp_path, noise):
    samples = noise(100).astype(np.float32)
    with SoundWriter(
        tmp_path / "a",
        sample_rate=48000,
        channels=2,
        frames_expected=100,
        format=FORMATS[1],
        dither_seed="mix",
    ) as writer:
        writer.write(samples[:0])
        writer.write(samples)
    assert writer.digest == write(tmp_path / "b", samples, FORMATS[1]).digest


def test_an_exception_inside_closes_the_file_and_comes_through(tmp_path):
    def fail():
        with SoundWriter(
            tmp_path / "a",
            sample_rate=48000,
            channels=2,
            frames_expected=9,
            format=FORMATS[0],
            dither_seed="",
        ) as writer:
            opened.append(writer)
            raise KeyboardInterrupt

    opened = []
    with pytest.raises(KeyboardInterrupt):
        fail()
    assert opened[0]._sound.closed


@pytest.mark.parametrize(
    ("output", "rate", "channels", "words"),
    [
        (OutputFormat("flac", "32f"), 48000, 2, "FLAC has no 32-bit float"),
        (OutputFormat("flac", 24), 48000, 9, "at most 8 channels, not 9"),
        (OutputFormat("flac", 24), 96001, 2, "cannot hold a sample rate of 96001 Hz"),
        (OutputFormat("flac", 16), 655360, 2, "cannot hold a sample rate of 655360 Hz"),
    ],
)
def test_what_flac_cannot_hold_is_refused_before_a_file_is_made(tmp_path, output, rate, channels, words):
    with pytest.raises(RoomplanError, match=words):
        check_output_format(output, sample_rate=rate, channels=channels)
    with pytest.raises(RoomplanError, match=words):
        SoundWriter(
            tmp_path / "a",
            sample_rate=rate,
            channels=channels,
            frames_expected=9,
            format=output,
            dither_seed="",
        )
    assert not (tmp_path / "a").exists()


@pytest.mark.parametrize(
    ("rate", "channels"),
    [*itertools.product([8000, 11025, 44100, 65535, 65540, 96000, 176400, 192000, 384000], [1, 8])],
)
def test_what_is_let_through_as_flac_can_be_written(tmp_path, rate, channels):
    samples = np.full((50, channels), 0.1, np.float32)
    assert write(tmp_path / "a.flac", samples, OutputFormat("flac", 24), rate=rate).frames_written == 50


def test_a_format_says_its_ending_and_name():
    assert (FORMATS[0].suffix, str(FORMATS[0])) == (".wav", "WAV, 32-bit float")
    assert (FORMATS[4].suffix, str(FORMATS[4])) == (".flac", "FLAC, 16 bit")


def test_a_missing_folder_is_one_line_with_a_remedy(tmp_path, noise):
    with pytest.raises(RoomplanError, match=r"could not be written .* — free some space") as caught:
        write(tmp_path / "gone" / "mix.wav", noise(10).astype(np.float32), FORMATS[0])
    assert "\n" not in str(caught.value)


# Writes until the system refuses: the largest size of a file stands in for the end of the disk.
UNTIL_FULL = textwrap.dedent("""
    import resource, sys
    from pathlib import Path
    import numpy as np
    from roomplan.audio.writers import OutputFormat, SoundWriter
    from roomplan.errors import RoomplanError
    resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, 300_000))
    samples = np.random.default_rng(1).uniform(-0.9, 0.9, (200_000, 2)).astype(np.float32)
    for output in (OutputFormat(c, d) for c, d in
                   (("wav", "32f"), ("wav", 24), ("wav", 16), ("flac", 24), ("flac", 16))):
        try:
            with SoundWriter(Path(sys.argv[1]) / str(output), sample_rate=48000, channels=2,
                             frames_expected=200_000, format=output, dither_seed="") as writer:
                for first in range(0, 200_000, 10_000):
                    writer.write(samples[first:first + 10_000])
        except RoomplanError as error:
            print(error)
        else:
            print("written in full")
""")


@pytest.mark.skipif(sys.platform == "win32", reason="no limit on the size of a file there")
@pytest.mark.parametrize("options", [[], ["-O"]], ids=["plain", "without asserts"])
def test_a_write_that_the_system_refuses_is_never_silent_in_any_format(tmp_path, options):
    done = subprocess.run(
        [sys.executable, *options, "-c", UNTIL_FULL, str(tmp_path)],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.stderr == ""
    lines = done.stdout.splitlines()
    assert len(lines) == len(FORMATS)
    assert all("could not be written" in line for line in lines)


@pytest.mark.parametrize("output", FORMATS, ids=str)
def test_frames_that_the_library_lost_without_a_word_are_found_at_the_end(
    tmp_path, noise, output, monkeypatch
):
    honest = soundfile.SoundFile.write
    monkeypatch.setattr(writers.SequentialSoundFile, "write", lambda file, data: honest(file, data[:-1]))
    with pytest.raises(RoomplanError, match="not everything arrived on the disk"):
        write(tmp_path / "mix", noise(100).astype(np.float32), output)


@pytest.mark.parametrize("error", [AssertionError(), OSError(5, "Input/output error")])
def test_every_way_in_which_the_library_fails_is_one_line(tmp_path, noise, error, monkeypatch):
    def fail(*_):
        raise error

    monkeypatch.setattr(writers.SequentialSoundFile, "write", fail)
    with pytest.raises(RoomplanError, match="could not be written") as caught:
        write(tmp_path / "mix", noise(100).astype(np.float32), FORMATS[0])
    assert "\n" not in str(caught.value)


def test_a_full_disk_is_called_full(tmp_path, noise, monkeypatch):
    free = shutil.disk_usage(tmp_path)._replace(free=0)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: free)

    def fail(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(writers.SequentialSoundFile, "write", fail)
    with pytest.raises(RoomplanError, match="the disk is full"):
        write(tmp_path / "mix", noise(10).astype(np.float32), FORMATS[0])
