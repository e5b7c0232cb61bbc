"""Stems as streams: any block split, any rate, pairs, and files that change under the reader's hands."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
from hypothesis import example, given, settings
from hypothesis import strategies as st

from roomplan.audio import readers
from roomplan.audio.info import FileState, SequentialSoundFile, SoundSource
from roomplan.audio.readers import open_stem
from roomplan.errors import AudioError

RATES = [
    (44100, 48000),
    (48000, 44100),
    (96000, 48000),
    (8000, 48000),
    (48000, 8000),
    (11025, 44100),
    (384000, 48000),
]


def read_all(reader, block=1000):
    """Read to the end in blocks of a size, or of the sizes of a list over and over."""
    sizes = [block] if isinstance(block, int) else block
    blocks = []
    while True:
        got = reader.read(sizes[len(blocks) % len(sizes)])
        if not len(got):
            return np.concatenate([np.empty((0, reader.channels), np.float32), *blocks])
        blocks.append(got)


@pytest.mark.parametrize("channels", [1, 2, 4])
def test_a_stem_at_the_rate_of_the_plan_comes_out_as_it_is(sound_file, noise, channels):
    path = sound_file(frames=70_001, channels=channels, subtype="FLOAT")
    with open_stem((path,), sample_rate=48000) as stem:
        assert (stem.channels, stem.frames, stem.sample_rate) == (channels, 70_001, 48000)
        assert stem.sources[0].path == path
        samples = read_all(stem, 4099)
    assert samples.dtype == np.float32
    assert np.array_equal(samples, noise(70_001, channels).astype(np.float32))


@pytest.mark.parametrize(("from_rate", "to_rate"), RATES)
@pytest.mark.parametrize("block", [977, 65_536])
def test_a_stem_of_another_rate_is_sample_aligned_with_the_offline_resampler(
    sound_file, noise, from_rate, to_rate, block
):
    # Reference: soxr.resample of the whole file at once (python-soxr, an independent path of the library).
    path = sound_file(frames=100_003, rate=from_rate, subtype="FLOAT")
    expected = soxr.resample(noise(100_003).astype(np.float32), from_rate, to_rate, quality="VHQ")
    with open_stem((path,), sample_rate=to_rate) as stem:
        samples = read_all(stem, block)
        assert stem.frames == len(samples)
    assert samples.shape == expected.shape
    assert np.abs(samples - expected).max() <= 1e-4


@pytest.mark.parametrize(("from_rate", "to_rate"), [(44100, 48000), (96000, 44100), (8000, 96000)])
def test_a_resampled_tone_is_the_tone_sampled_at_the_other_rate(tmp_path, from_rate, to_rate):
    # Closed form: away from the ends a sine of 997 Hz stays sin(2π·997·t), in phase.
    def tone(rate):
        return 0.5 * np.sin(2 * np.pi * 997 * np.arange(rate * 2) / rate)

    soundfile.write(tmp_path / "tone.wav", tone(from_rate), from_rate, subtype="DOUBLE")
    with open_stem((tmp_path / "tone.wav",), sample_rate=to_rate) as stem:
        samples = read_all(stem)[:, 0]
    inner = slice(to_rate // 10, -to_rate // 10)
    assert np.abs(samples - tone(to_rate))[inner].max() <= 1e-6


@settings(max_examples=25)
@given(
    frames=st.integers(1, 5000),
    start=st.integers(0, 300),
    rates=st.sampled_from([(48000, 48000), (44100, 48000), (48000, 8000), (96000, 11025)]),
    split=st.lists(st.integers(1, 3000), min_size=1, max_size=6),
)
def test_the_block_split_never_matters(tmp_path_factory, frames, start, rates, split):
    path = tmp_path_factory.mktemp("stem") / "a.wav"
    soundfile.write(
        path, np.random.default_rng(frames).uniform(-1, 1, (frames, 2)), rates[0], subtype="FLOAT"
    )
    with open_stem((path,), sample_rate=rates[1], start=start) as stem:
        whole = stem.read(10**7)
        assert len(whole) == stem.frames
        assert len(stem.read(10)) == 0
    with open_stem((path,), sample_rate=rates[1], start=start) as stem:
        assert np.array_equal(read_all(stem, split), whole)


def test_files_longer_than_the_inner_block_do_not_depend_on_the_split_either(sound_file):
    path = sound_file("a.mp3", frames=150_000, channels=1, rate=44100)
    results = []
    for block in (10**6, 12_345):
        with open_stem((path,), sample_rate=48000) as stem:
            results.append(read_all(stem, block))
    assert np.array_equal(*results)


@settings(max_examples=200)
@given(
    frames=st.integers(1, 3000),
    rates=st.lists(
        st.sampled_from([8000, 11025, 44100, 48000, 96000, 192000, 47999]), min_size=2, max_size=2
    ),
)
def test_the_length_given_beforehand_is_the_length_the_resampler_gives(frames, rates):
    expected = len(soxr.resample(np.zeros(frames), rates[0], rates[1], quality="VHQ"))
    assert readers.resampled_length(frames, from_rate=rates[0], to_rate=rates[1]) == expected


def test_a_start_puts_silence_first_and_counts_it(sound_file, noise):
    path = sound_file(frames=500, subtype="FLOAT")
    with open_stem((path,), sample_rate=48000, start=333) as stem:
        samples = read_all(stem, 100)
        assert stem.frames == 833
    assert not samples[:333].any()
    assert np.array_equal(samples[333:], noise(500).astype(np.float32))


def test_a_start_is_in_frames_of_the_plan_not_of_the_file(sound_file, noise):
    path = sound_file(frames=9600, rate=96000, subtype="FLOAT")
    expected = soxr.resample(noise(9600).astype(np.float32), 96000, 48000, quality="VHQ")
    with open_stem((path,), sample_rate=48000, start=777) as stem:
        samples = read_all(stem, 100)
    assert not samples[:777].any()
    assert np.array_equal(samples[777:], expected)


def test_a_block_belongs_to_the_caller(sound_file):
    path = sound_file(frames=3000, subtype="FLOAT")
    with open_stem((path,), sample_rate=48000) as stem:
        first = stem.read(1000)
        kept = first.copy()
        stem.read(1000)[:] = 7.0
        first[:] = 5.0
        third = stem.read(1000)
    assert first.flags.c_contiguous
    assert kept.max() < 1
    assert third.max() < 1


def test_two_mono_files_join_to_left_and_right(sound_file, noise):
    left = sound_file("choir_L.wav", channels=1, subtype="FLOAT", seed=1)
    right = sound_file("choir_R.wav", channels=1, subtype="FLOAT", seed=2)
    with open_stem((left, right), sample_rate=48000) as stem:
        assert (stem.channels, stem.frames) == (2, 4800)
        samples = read_all(stem, 700)
    assert np.array_equal(samples[:, :1], noise(4800, 1, 1).astype(np.float32))
    assert np.array_equal(samples[:, 1:], noise(4800, 1, 2).astype(np.float32))


@pytest.mark.parametrize(("left_frames", "right_frames"), [(70_000, 1000), (1000, 70_000)])
def test_the_shorter_file_of_a_pair_ends_in_silence(sound_file, noise, left_frames, right_frames):
    left = sound_file("l.wav", left_frames, channels=1, subtype="FLOAT", seed=1)
    right = sound_file("r.wav", right_frames, channels=1, subtype="FLOAT", seed=2)
    expected = np.zeros((70_000, 2), np.float32)
    expected[:left_frames, :1] = noise(left_frames, 1, 1)
    expected[:right_frames, 1:] = noise(right_frames, 1, 2)
    with open_stem((left, right), sample_rate=48000) as stem:
        assert stem.frames == 70_000
        assert np.array_equal(read_all(stem), expected)


def test_a_pair_is_resampled_like_the_stereo_file_it_stands_for(sound_file, tmp_path, noise):
    left = sound_file("l.wav", 5000, channels=1, rate=44100, subtype="FLOAT", seed=1)
    right = sound_file("r.wav", 4000, channels=1, rate=44100, subtype="FLOAT", seed=2)
    stereo = np.zeros((5000, 2))
    stereo[:, :1] = noise(5000, 1, 1)
    stereo[:4000, 1:] = noise(4000, 1, 2)
    soundfile.write(tmp_path / "stereo.wav", stereo, 44100, subtype="FLOAT")
    with (
        open_stem((left, right), sample_rate=48000) as pair,
        open_stem((tmp_path / "stereo.wav",), sample_rate=48000) as whole,
    ):
        assert np.array_equal(read_all(pair), read_all(whole))


def test_a_pair_of_different_rates_names_both(sound_file):
    left = sound_file("choir_L.wav", channels=1, rate=44100)
    right = sound_file("choir_R.wav", channels=1, rate=48000)
    with pytest.raises(
        AudioError, match=r"choir_L\.wav: cannot be joined with .*choir_R\.wav: 44100 Hz .* 48000 Hz"
    ):
        open_stem((left, right), sample_rate=48000)


@pytest.mark.parametrize(("left_channels", "right_channels"), [(1, 2), (2, 1), (2, 2)])
def test_a_pair_that_is_not_mono_names_both(sound_file, left_channels, right_channels):
    left = sound_file("choir_L.wav", channels=left_channels)
    right = sound_file("choir_R.wav", channels=right_channels)
    with pytest.raises(
        AudioError, match=r"choir_L\.wav: cannot be joined with .*choir_R\.wav.*two mono files"
    ):
        open_stem((left, right), sample_rate=48000)


def test_a_failing_right_file_closes_the_left_one(sound_file, tmp_path, monkeypatch):
    opened = []
    monkeypatch.setattr(readers, "SoundSource", lambda path: opened.append(SoundSource(path)) or opened[-1])
    left = sound_file("choir_L.wav", channels=1)
    with pytest.raises(AudioError, match="does not exist"):
        open_stem((left, tmp_path / "choir_R.wav"), sample_rate=48000)
    assert [source.closed for source in opened] == [True]


@pytest.mark.parametrize("paths", [(), ("a", "b", "c")])
def test_three_files_or_none_are_no_stem(paths):
    with pytest.raises(ValueError, match="one file or a left and a right"):
        open_stem(paths, sample_rate=48000)


@pytest.mark.parametrize("rate", [48000, 44100])
def test_a_value_that_is_not_finite_is_named_in_the_time_of_its_file(tmp_path, noise, rate):
    samples = noise(3 * rate, 2)
    samples[2 * rate, 0] = np.nan
    path = tmp_path / "winds.wav"
    soundfile.write(path, samples, rate, subtype="FLOAT")
    with (
        open_stem((path,), sample_rate=48000, start=4800) as stem,
        pytest.raises(AudioError, match=r"winds\.wav: .*NaN.* channel 1 at 2\.000 s"),
    ):
        read_all(stem)


def test_a_double_too_large_for_float32_is_called_infinite(tmp_path, noise):
    samples = noise(100, 1)
    samples[50] = 1e200
    soundfile.write(tmp_path / "a.wav", samples, 48000, subtype="DOUBLE")
    with (
        open_stem((tmp_path / "a.wav",), sample_rate=48000) as stem,
        pytest.raises(AudioError, match="infinite"),
    ):
        read_all(stem)


def test_a_file_that_grows_while_read_is_refused(sound_file):
    path = sound_file(frames=200_000, subtype="FLOAT")
    with open_stem((path,), sample_rate=48000) as stem:
        stem.read(1000)
        with path.open("ab") as file:
            file.write(bytes(800))
        with pytest.raises(AudioError, match="was changed while it was read"):
            read_all(stem)


def test_a_file_that_is_rewritten_in_place_while_read_is_refused(sound_file):
    path = sound_file(frames=200_000, subtype="FLOAT")
    with open_stem((path,), sample_rate=48000) as stem:
        stem.read(1000)
        data = path.read_bytes()
        path.write_bytes(data)
        os.utime(path, ns=(0, 10**18))
        with pytest.raises(AudioError, match="was changed while it was read"):
            read_all(stem)


def test_a_file_that_shrinks_while_read_is_called_changed_not_cut_off(sound_file):
    path = sound_file(frames=200_000, subtype="FLOAT")
    with open_stem((path,), sample_rate=48000) as stem:
        stem.read(1000)
        with path.open("r+b") as file:
            file.truncate(1_000_000)
        with pytest.raises(AudioError, match="was changed while it was read"):
            read_all(stem)


def test_a_file_that_vanishes_while_read_is_refused(sound_file):
    path = sound_file(frames=200_000, subtype="FLOAT")
    with open_stem((path,), sample_rate=48000) as stem:
        stem.read(1000)
        path.unlink()
        with pytest.raises(AudioError, match="cannot be reached any more"):
            read_all(stem)


def test_a_changed_right_file_of_a_pair_is_refused_even_when_it_is_the_shorter(sound_file):
    left = sound_file("l.wav", 200_000, channels=1, subtype="FLOAT")
    right = sound_file("r.wav", 100_000, channels=1, subtype="FLOAT")
    with open_stem((left, right), sample_rate=48000) as stem:
        stem.read(1000)
        os.utime(right, ns=(0, 10**18))
        with pytest.raises(AudioError, match=r"r\.wav: was changed"):
            read_all(stem)


FORMATS = [
    ("a.wav", "FLOAT"),
    ("a.wav", "PCM_24"),
    ("a.aiff", "PCM_16"),
    ("a.flac", "PCM_16"),
    ("a.flac", "PCM_24"),
    ("a.wav", "MS_ADPCM"),
    ("a.ogg", "VORBIS"),
    ("a.mp3", None),
]


@pytest.fixture(scope="module")
def long_files(tmp_path_factory):
    """Return the files of 2 s or more in every format, written once; 44.1 kHz."""
    folder = tmp_path_factory.mktemp("long")
    samples = np.random.default_rng(7).uniform(-0.9, 0.9, (100_003, 2))
    paths = {}
    for name, subtype in FORMATS:
        path = folder / f"{subtype}_{name}"
        soundfile.write(path, samples, 44_100, subtype=subtype)
        paths[name, subtype] = path
    return paths


@pytest.mark.parametrize("kind", FORMATS, ids=lambda kind: f"{kind[0][2:]}-{kind[1]}")
@settings(max_examples=12)
@given(first=st.integers(0, 100_500), start=st.integers(-2000, 500))
def test_a_stream_entered_anywhere_gives_the_very_samples_of_the_whole(long_files, kind, first, start):
    path = long_files[kind]
    with open_stem((path,), sample_rate=44_100, start=start) as stem:
        whole = read_all(stem, 70_000)
    with open_stem((path,), sample_rate=44_100, start=start, first_frame=first) as stem:
        assert stem.frames == len(whole)
        part = read_all(stem, 9000)
    assert np.array_equal(part, whole[first:])


@settings(max_examples=60)
@example(rates=(48_000, 44_100), frames=560, start=0, where=0.998)  # 514.5 frames: the rest rounds down
@given(
    rates=st.sampled_from([*RATES, (44_100, 96_000), (192_000, 44_100), (47_952, 48_000), (44_056, 48_000)]),
    frames=st.integers(1, 60_000),
    start=st.integers(-3000, 3000),
    where=st.floats(0.0, 1.0),
)
def test_a_resampled_stream_entered_anywhere_is_the_whole_within_minus_120_db(
    tmp_path_factory, rates, frames, start, where
):
    path = tmp_path_factory.mktemp("stem") / "a.wav"
    soundfile.write(
        path, np.random.default_rng(frames).uniform(-1, 1, (frames, 2)), rates[0], subtype="FLOAT"
    )
    with open_stem((path,), sample_rate=rates[1], start=start) as stem:
        whole = read_all(stem, 70_000)
    first = round(where * len(whole))
    with open_stem((path,), sample_rate=rates[1], start=start, first_frame=first) as stem:
        part = read_all(stem, 5000)
    assert part.shape == whole[first:].shape
    assert not len(part) or np.abs(part - whole[first:]).max() <= 1e-6


def test_rates_without_a_small_common_ratio_are_entered_as_exactly(sound_file):
    # soxr's clock for 5507 : 6000 runs in rounded steps: entered in the middle, it is off by −90 dB after 4 s
    path = sound_file(frames=4 * 44_056, channels=1, rate=44_056, subtype="FLOAT")
    with open_stem((path,), sample_rate=48_000) as stem:
        whole = read_all(stem, 70_000)
    with open_stem((path,), sample_rate=48_000, first_frame=170_000) as stem:
        assert np.abs(read_all(stem) - whole[170_000:]).max() <= 1e-6


def test_a_stem_that_begins_before_the_plan_is_heard_from_frame_0_of_the_plan(sound_file, noise):
    path = sound_file(frames=500, subtype="FLOAT")
    with open_stem((path,), sample_rate=48000, start=-120) as stem:
        assert stem.frames == 380
        assert np.array_equal(read_all(stem), noise(500)[120:].astype(np.float32))
    with open_stem((path,), sample_rate=48000, start=-600) as stem:
        assert (stem.frames, len(stem.read(10))) == (0, 0)


@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_entering_late_decodes_only_what_is_near(sound_file, monkeypatch, rate):
    decoded = []
    decode = SoundSource._decode
    monkeypatch.setattr(
        SoundSource, "_decode", lambda self, out: decoded.append(len(out)) or decode(self, out)
    )
    path = sound_file("a.flac", frames=600_000, rate=rate)
    with open_stem((path,), sample_rate=48_000, first_frame=500_000) as stem:
        stem.read(1000)
    assert sum(decoded) <= readers.BLOCK_FRAMES


def test_where_a_seek_lands_beside_the_frame_the_file_is_decoded_from_its_start(
    sound_file, noise, monkeypatch
):
    seek = SequentialSoundFile.seek
    monkeypatch.setattr(SequentialSoundFile, "seek", lambda self, frame: seek(self, frame - 1))
    path = sound_file(frames=150_000, subtype="FLOAT")
    with open_stem((path,), sample_rate=48_000, first_frame=140_000) as stem:
        assert np.array_equal(read_all(stem), noise(150_000)[140_000:].astype(np.float32))


def test_a_pair_is_entered_after_the_end_of_its_shorter_file(sound_file, noise):
    left = sound_file("l.wav", 70_000, channels=1, subtype="FLOAT", seed=1)
    right = sound_file("r.wav", 1000, channels=1, subtype="FLOAT", seed=2)
    with open_stem((left, right), sample_rate=48_000, first_frame=69_000) as stem:
        samples = read_all(stem)
    assert np.array_equal(samples[:, :1], noise(70_000, 1, 1)[69_000:].astype(np.float32))
    assert not samples[:, 1].any()


def test_a_change_after_the_part_that_is_read_is_found_when_asked(sound_file):
    path = sound_file(frames=200_000, subtype="FLOAT")
    with open_stem((path,), sample_rate=48_000, first_frame=1000) as stem:
        stem.read(1000)
        stem.require_unchanged()
        os.utime(path, ns=(0, 10**18))
        with pytest.raises(AudioError, match=r"was changed while it was read — render again when"):
            stem.require_unchanged()


def test_another_file_of_the_same_size_and_time_in_its_place_is_a_change(sound_file, tmp_path):
    path = sound_file(frames=200_000, subtype="FLOAT")
    state = path.stat()
    with open_stem((path,), sample_rate=48_000) as stem:
        stem.read(1000)
        other = tmp_path / "other.wav"
        other.write_bytes(path.read_bytes())
        os.utime(other, ns=(state.st_atime_ns, state.st_mtime_ns))
        other.replace(path)
        assert FileState.of(path).size == state.st_size
        with pytest.raises(AudioError, match="was changed while it was read"):
            read_all(stem)


def test_a_folder_that_goes_while_its_stem_is_read_is_named_in_one_line(tmp_path, noise):
    folder = tmp_path / "stems"
    folder.mkdir()
    soundfile.write(folder / "choir.wav", noise(200_000), 48_000, subtype="FLOAT")
    with open_stem((folder / "choir.wav",), sample_rate=48_000) as stem:
        stem.read(1000)
        folder.rename(tmp_path / "gone")
        with pytest.raises(AudioError, match=r"because the folder .*stems has disappeared") as caught:
            read_all(stem)
    assert str(caught.value).count("\n") == 0


def test_a_disk_that_fails_under_the_reader_is_told_apart_from_a_damaged_file(sound_file, tmp_path):
    # The file's descriptor is exchanged for one that may not be read: the next read fails in the system.
    path = sound_file(frames=200_000, subtype="FLOAT")
    descriptors = Path("/proc/self/fd")
    if not descriptors.is_dir():
        pytest.skip("needs a list of open files")
    with open_stem((path,), sample_rate=48_000) as stem:
        stem.read(1000)
        (number,) = [int(e.name) for e in descriptors.iterdir() if e.exists() and e.resolve() == path]
        deaf = os.open(tmp_path / "deaf", os.O_WRONLY | os.O_CREAT)
        os.dup2(deaf, number)
        os.close(deaf)
        with pytest.raises(
            AudioError, match=r"cannot be read further than 1\.365 s .* check its disk"
        ) as caught:
            read_all(stem)
    assert str(caught.value).count("\n") == 0
