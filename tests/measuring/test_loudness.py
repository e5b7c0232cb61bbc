"""Loudness of files: the figures of their samples, whatever the length; reasons and errors that name them."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pyebur128
import pytest
import soundfile

from roomplan.audio.info import BLOCK_FRAMES, NotFiniteError, SoundSource
from roomplan.errors import AudioError
from roomplan.loudness import parse_roles, programme_loudness
from roomplan.measuring import loudness as metering
from roomplan.measuring.attempts import Unmeasured
from roomplan.measuring.loudness import MeteredFile, file_loudness, meter_files

RATE = 48_000
SURROUND = parse_roles("L,R,C,LFE,Ls,Rs")
FIGURES = (
    "integrated_lufs",
    "momentary_max_lufs",
    "short_term_max_lufs",
    "loudness_range_lu",
    "true_peak_dbtp",
    "sample_peak_dbfs",
    "peak_to_loudness_db",
)


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT", "DOUBLE"])
def test_a_file_read_in_blocks_has_the_loudness_of_its_samples(sound_file, subtype):
    path = sound_file(frames=3 * BLOCK_FRAMES + 12_345, subtype=subtype)
    samples = np.asarray(soundfile.read(path, always_2d=True)[0], dtype=np.float64)
    info, loudness = file_loudness(path)
    assert (info.path, info.frames, info.sample_rate) == (path, len(samples), RATE)
    assert loudness == programme_loudness(samples, sample_rate=RATE)
    assert not loudness.reasons


def test_memory_does_not_grow_with_the_length(tmp_path):
    def peak(seconds: int) -> int:
        path = tmp_path / "long.wav"
        with soundfile.SoundFile(path, "w", 8000, 1, "PCM_16") as sound:
            for _ in range(seconds // 10):
                sound.write(np.random.default_rng(1).uniform(-0.5, 0.5, 80_000))
        tracemalloc.start()
        file_loudness(path)
        try:
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    peak(30)  # filters are designed once
    samples_more = 570 * 8000 * 8  # bytes
    # what may grow: 20 ms hops and the levels over time, some tens of bytes each
    assert peak(600) - peak(30) < samples_more / 8


def test_progress_counts_frames_up_to_the_whole_file(sound_file):
    told = []
    file_loudness(sound_file(frames=150_000), progress=lambda *frames: told.append(frames))
    assert told == [(65_536, 150_000), (131_072, 150_000), (150_000, 150_000)]


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("frame", [0, 70_000, 149_999])
def test_a_value_that_is_not_finite_leaves_no_figure_and_a_reason_with_its_place(
    tmp_path, noise, value, frame
):
    samples = noise(150_000)
    samples[frame, 1] = value
    path = tmp_path / "brass.wav"
    soundfile.write(path, samples, RATE, subtype="FLOAT")
    info, loudness = file_loudness(path)
    assert info.frames == 150_000
    assert [getattr(loudness, key) for key in FIGURES] == [None] * len(FIGURES)
    assert set(loudness.reasons) == set(FIGURES)
    for reason in loudness.reasons.values():
        assert f"frame {frame} ({frame / RATE:.3f} s) of channel 2 (R)" in reason


def test_a_block_with_a_value_that_is_not_finite_is_filled_but_does_not_count_as_read(tmp_path):
    samples = np.full((100, 1), 0.25)
    samples[40] = np.nan
    path = tmp_path / "brass.wav"
    soundfile.write(path, samples, RATE, subtype="FLOAT")
    block = np.zeros((60, 1))
    with SoundSource(path) as source, pytest.raises(NotFiniteError, match=r"NaN.*frame 40"):
        source.read_into(block)
    assert source.position == 0
    assert np.array_equal(block, samples[:60], equal_nan=True)


def test_a_file_that_is_damaged_or_missing_is_an_error_and_not_a_reading(tmp_path, sound_file):
    whole = sound_file(frames=100_000)
    cut = tmp_path / "cut.wav"
    cut.write_bytes(whole.read_bytes()[:100_000])
    text = tmp_path / "text.wav"
    text.write_text("a list of seats", encoding="utf-8")
    (tmp_path / "empty.wav").touch()
    for name, words in (
        ("cut", "cut off"),
        ("text", "not a sound file"),
        ("empty", "is empty"),
        ("ice_harbour_chor", "did you mean ice_harbour_choir.wav"),
    ):
        with pytest.raises(AudioError, match=words) as refusal:
            file_loudness(tmp_path / f"{name}.wav")
        assert not isinstance(refusal.value, NotFiniteError)


def test_more_than_two_channels_without_roles_name_the_file_and_the_option(sound_file):
    path = sound_file(channels=6)
    with pytest.raises(AudioError) as refusal:
        file_loudness(path)
    assert str(refusal.value) == (
        f"{path}: the roles of 6 channels are unknown — with --roles, name them in the order of the "
        "channels, such as L,R,C,LFE,Ls,Rs"
    )


def test_roles_that_are_too_few_for_many_channels_are_refused(sound_file):
    with pytest.raises(AudioError, match=r"3 roles \(L,R,C\) for 6 channels — with --roles, name one role"):
        file_loudness(sound_file(channels=6), roles=parse_roles("L,R,C"))


def test_roles_weigh_the_channels(tmp_path, noise):
    samples = noise(RATE, 6)
    path = tmp_path / "surround.wav"
    soundfile.write(path, samples, RATE, subtype="DOUBLE")
    _info, loudness = file_loudness(path, roles=SURROUND)
    assert loudness == programme_loudness(samples, sample_rate=RATE, roles=SURROUND)
    _info, other = file_loudness(path, roles=parse_roles("Ls,Rs,L,R,C,LFE"))
    assert loudness.integrated_lufs != other.integrated_lufs


def test_a_stereo_file_keeps_its_roles_beside_a_surround_file_and_takes_two_that_are_named(sound_file):
    path = sound_file(frames=RATE)
    assert file_loudness(path, roles=SURROUND)[1] == file_loudness(path)[1]
    _info, behind = file_loudness(path, roles=parse_roles("Ls,Rs"))
    assert behind.roles == parse_roles("Ls,Rs")
    # BS.1770-5, Annex 1: surrounds weigh 1.41, which is 1.49 dB
    plain = file_loudness(path)[1].integrated_lufs or 0.0
    assert behind.integrated_lufs == pytest.approx(plain + 10 * np.log10(1.41), abs=1e-9)


@pytest.mark.parametrize("rate", [8_000, 44_100, 192_000])
def test_files_of_8_to_192_khz_read_as_in_libebur128(tmp_path, rate):
    # 997 Hz: -3.01 LUFS at 48 kHz (BS.1770-5, Annex 1); elsewhere the transformed filter moves it by 0.03 LU
    tone = np.sin(2 * np.pi * 997 * np.arange(4 * rate) / rate)
    soundfile.write(tmp_path / "tone.wav", tone, rate, subtype="DOUBLE")
    _info, loudness = file_loudness(tmp_path / "tone.wav")
    state = pyebur128.R128State(1, rate, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(tone, len(tone))
    assert loudness.integrated_lufs == pytest.approx(pyebur128.get_loudness_global(state), abs=1e-6)
    assert loudness.integrated_lufs == pytest.approx(-3.01, abs=0.03)


def test_a_rate_above_192_khz_is_one_line_that_names_both_rates(sound_file):
    path = sound_file(rate=384_000)
    with pytest.raises(AudioError) as refusal:
        file_loudness(path)
    assert str(refusal.value) == (
        f"{path}: has a sample rate of 384000 Hz, and loudness is measured up to 192000 Hz — "
        "convert it to a lower rate"
    )


def test_a_bad_file_is_a_result_in_its_place_and_the_rest_is_metered(tmp_path, sound_file):
    good, late = sound_file("a.wav"), sound_file("c.wav", seed=2)
    first, missing, last = meter_files([good, tmp_path / "b.wav", late])
    assert isinstance(first, MeteredFile)
    assert isinstance(last, MeteredFile)
    assert (first.path, last.path) == (good, late)
    assert isinstance(missing, Unmeasured)
    assert missing.what.startswith(f"{tmp_path / 'b.wav'}: does not exist")


@pytest.mark.parametrize(
    ("failure", "words"),
    [
        (OSError(5, "Input/output error"), "Input/output error — check the disk"),
        (MemoryError(), "too large for the memory"),
        (UnicodeEncodeError("utf-8", "\udcff", 0, 1, "no"), "its name is not UTF-8"),
    ],
)
def test_what_the_system_refuses_is_a_result_too(sound_file, monkeypatch, failure, words):
    def fail(*_arguments, **_options):
        raise failure

    monkeypatch.setattr(metering, "file_loudness", fail)
    (result,) = meter_files([sound_file()])
    assert isinstance(result, Unmeasured)
    assert words in result.what


def test_progress_of_many_files_counts_files_and_the_share_of_the_next(sound_file, tmp_path):
    told = []
    paths = [sound_file("a.wav", frames=131_072), tmp_path / "missing.wav", sound_file("c.wav", frames=10)]
    list(meter_files(paths, progress=lambda done, share: told.append((done, share))))
    assert told == [(0, 0.5), (0, 1.0), (2, 1.0)]
