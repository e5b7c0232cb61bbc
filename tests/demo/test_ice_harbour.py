"""The stems are files a session would take: dry, quiet enough, clean, and the same every time."""

from __future__ import annotations

import hashlib
from types import MappingProxyType

import numpy as np
import pyloudnorm
import pytest
import scipy.signal
import soundfile

from roomplan.demo import score
from roomplan.demo.ice_harbour import CUE_SECONDS, STEMS, render_stem, write_stems

RATE = 48_000
FILES = [name for stem in STEMS.values() for name in stem.files]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("stems")
    (folder / "notes.txt").write_text("keep me")
    write_stems(folder)
    return folder


@pytest.fixture(scope="module")
def sounds(folder):
    return MappingProxyType({name: soundfile.read(folder / name, always_2d=True)[0] for name in FILES})


def joined(sounds, stem_name):
    return np.hstack([sounds[name] for name in STEMS[stem_name].files])


def between(sound, start_bar, end_bar):
    first, last = (round(score.seconds(score.beat_at(bar)) * RATE) for bar in (start_bar, end_bar))
    return sound[first:last]


def peak_near_hz(sound, frequency_hz):
    """Frequency of the strongest partial within a whole tone of `frequency_hz`."""
    power = np.abs(np.fft.rfft(sound * np.hanning(sound.size), n=1 << 18)) ** 2
    frequencies_hz = np.fft.rfftfreq(1 << 18, 1 / RATE)
    near = np.abs(12 * np.log2(np.maximum(frequencies_hz, 1) / frequency_hz)) < 2
    return frequencies_hz[near][np.argmax(power[near])]


def test_six_sections_fill_eight_files_and_other_files_are_left_alone(folder):
    assert {stem.section for stem in STEMS.values()} == {
        *("choir", "low_strings", "melody_strings", "woodwinds", "brass", "percussion")
    }
    assert sorted(path.name for path in folder.glob("*.wav")) == sorted(FILES)
    assert len(FILES) == 8
    assert (folder / "notes.txt").read_text() == "keep me"


def test_the_list_returned_is_the_files_written(tmp_path, monkeypatch):
    only = {"woodwinds": STEMS["woodwinds"]}
    monkeypatch.setattr("roomplan.demo.ice_harbour.STEMS", only)
    assert write_stems(tmp_path / "new" / "folder") == [tmp_path / "new" / "folder" / "IH_woodwinds.wav"]


def test_the_same_samples_are_written_at_every_call(folder, tmp_path):
    write_stems(tmp_path)
    for name in FILES:
        first, again = (
            hashlib.sha256(soundfile.read(place / name, dtype="int32")[0].tobytes()).hexdigest()
            for place in (folder, tmp_path)
        )
        assert first == again, name


@pytest.mark.parametrize("name", FILES)
def test_a_file_is_24_bit_wav_at_48_khz_with_the_channels_of_its_section(folder, name):
    found = soundfile.info(folder / name)
    assert (found.format, found.subtype, found.samplerate) == ("WAV", "PCM_24", RATE)
    assert found.channels == (
        2 if name in ("IH_choir.wav", "IH_low_strings.wav", "IH_melody_strings.wav") else 1
    )


def test_stems_end_when_their_section_ends_and_the_cue_lasts_36_to_44_s(sounds):
    lengths_s = {name: sound.shape[0] / RATE for name, sound in sounds.items()}
    assert pytest.approx(40.0) == CUE_SECONDS
    assert 36 <= max(lengths_s.values()) <= 44
    assert len(set(lengths_s.values())) >= 6
    assert lengths_s["IH_brass_L.wav"] == lengths_s["IH_brass_R.wav"]


@pytest.mark.parametrize("name", FILES)
def test_no_peak_is_above_minus_6_dbfs_and_no_stem_is_lost_in_24_bits(sounds, name):
    peak_db = 20 * np.log10(np.abs(sounds[name]).max())
    assert -30 < peak_db <= -6


@pytest.mark.parametrize("name", FILES)
def test_a_stem_has_no_dc_above_minus_90_dbfs(sounds, name):
    assert np.abs(sounds[name].mean(axis=0)).max() < 10 ** (-90 / 20)


@pytest.mark.parametrize("stem", STEMS)
def test_every_stem_is_audible(sounds, stem):
    # BS.1770 by an independent meter; the choir leads, the chimes glimmer.
    loudness = pyloudnorm.Meter(RATE, filter_class="DeMan").integrated_loudness(joined(sounds, stem))
    assert -42 < loudness < -26


@pytest.mark.parametrize("stem", STEMS)
def test_a_stem_starts_and_ends_in_silence(sounds, stem):
    sound = joined(sounds, stem)
    assert np.abs(sound[:6]).max() < 2e-5
    assert np.abs(sound[-6:]).max() < 2e-5


@pytest.mark.parametrize("stem", sorted(set(STEMS) - {"percussion_metal", "percussion_deep"}))
def test_no_click_and_no_fold_back_is_heard_above_16_khz(sounds, stem):
    # The players stop at 12 kHz: what is above 16 kHz in any 5 ms would be a click or an alias.
    sos = scipy.signal.butter(8, 16_000, "highpass", fs=RATE, output="sos")
    high = np.asarray(scipy.signal.sosfilt(sos, joined(sounds, stem), axis=0))
    frames = high[: high.shape[0] // 240 * 240].reshape(-1, 240, high.shape[1])
    loudest_db = 10 * np.log10((frames**2).mean(axis=1).max() + 1e-15)
    assert loudest_db < -90


@pytest.mark.parametrize("stem", ["choir", "low_strings", "melody_strings", "brass"])
def test_a_stereo_stem_is_wide_and_balanced(sounds, stem):
    left, right = joined(sounds, stem).T
    assert np.corrcoef(left, right)[0, 1] < 0.9
    assert abs(10 * np.log10(np.mean(left**2) / np.mean(right**2))) < 5


@pytest.mark.parametrize(
    ("stem", "part"),
    [
        *(
            ("melody_strings", "VIOLINS"),
            ("choir", "SOPRANOS"),
            ("choir", "TENORS"),
            ("low_strings", "BASSES"),
        ),
        *(("woodwinds", "FLUTE"), ("brass", "TRUMPET"), ("brass", "TROMBONE")),
    ],
)
def test_notes_are_heard_where_they_are_written_within_30_cents(sounds, stem, part):
    sound = joined(sounds, stem).sum(axis=1)
    held = [note for note in getattr(score, part) if note.beats >= 1.5]
    assert len(held) >= 3
    for note in held:
        first = round(score.seconds(note.beat + 0.3) * RATE)
        piece = sound[first : first + round(score.seconds(note.beats - 0.4) * RATE)]
        wanted_hz = score.frequency_hz(note.midi)
        assert abs(1200 * np.log2(peak_near_hz(piece, wanted_hz) / wanted_hz)) < 30, note


def test_the_choir_opens_its_vowel_towards_the_climax(sounds):
    def above_700_hz_db(start_bar, end_bar):
        frequencies_hz, power = scipy.signal.welch(
            between(sounds["IH_choir.wav"], start_bar, end_bar).sum(axis=1), RATE, nperseg=8192
        )
        return 10 * np.log10(power[frequencies_hz > 700].sum() / power[frequencies_hz <= 700].sum())

    assert above_700_hz_db(9, 13) - above_700_hz_db(5, 6) > 6


def test_the_brass_is_brightest_and_loudest_at_the_climax_and_silent_before_bar_8(sounds):
    brass = joined(sounds, "brass")
    assert not between(brass, 1, 8).any()
    assert np.mean(between(brass, 9, 13) ** 2) > 10 * np.mean(between(brass, 8, 9) ** 2)


def test_the_cue_rises_from_the_intro_to_the_climax_by_10_to_20_lu(sounds):
    length = max(sound.shape[0] for sound in sounds.values())
    total = np.zeros((length, 2))
    for name, sound in sounds.items():
        gains = {"IH_brass_L.wav": [1, 0], "IH_brass_R.wav": [0, 1]}.get(name, [0.5**0.5] * 2)
        total[: sound.shape[0]] += sound if sound.shape[1] == 2 else sound * gains
    meter = pyloudnorm.Meter(RATE, filter_class="DeMan")
    climax, intro = (meter.integrated_loudness(between(total, *bars)) for bars in ((9, 13), (1, 5)))
    assert 10 < climax - intro < 20
    assert -26 < meter.integrated_loudness(total) < -21
    assert np.abs(total).max() < 10 ** (-6 / 20)


@pytest.mark.parametrize("sample_rate", [22_050, 44_100])
def test_another_sample_rate_gives_the_same_music(sample_rate):
    sound = render_stem(STEMS["woodwinds"], sample_rate=sample_rate)
    reference = render_stem(STEMS["woodwinds"], sample_rate=RATE)
    assert sound.shape[0] / sample_rate == pytest.approx(reference.shape[0] / RATE, abs=0.02)
    level_db, reference_db = (10 * np.log10(np.mean(s.astype(float) ** 2)) for s in (sound, reference))
    assert level_db == pytest.approx(reference_db, abs=0.3)
