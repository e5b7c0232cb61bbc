"""Everything about one response in one call: channels by themselves, means, speech, and anything legal."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from acoustic_signals import decaying_noise, decaying_tone, number
from hypothesis import example, given, settings
from hypothesis import strategies as st

from roomplan.acoustics.figures import FIGURES, MID_THIRDS_HZ
from roomplan.acoustics.filters import BandPass, octaves, thirds
from roomplan.acoustics.response import ResponseFigures, analyse_response, response_curves
from roomplan.acoustics.speech import (
    MODULATION_HZ,
    SPEECH_BANDS_HZ,
    SpeechSpectrum,
    speech_transmission_index,
)
from roomplan.errors import RoomplanError

RATE = 48_000
TWO = octaves(lowest_hz=500, highest_hz=1000)


def analyse(sound, **options):
    columns = sound if sound.ndim == 2 else sound[:, None]
    return analyse_response(columns, sample_rate=options.pop("sample_rate", RATE), **options)


def every_band(figures: ResponseFigures):
    for channel in figures.channels:
        yield from (*channel.decay.bands, channel.decay.mid, channel.broadband, channel.a_weighted)


def require_honest(figures: ResponseFigures):
    """A figure is None exactly where its doubt says unusable and a reason is given; all else is finite."""
    for band in every_band(figures):
        for key in FIGURES:
            value, doubt = getattr(band, key), band.doubt[key]
            assert (value is None) == (doubt.verdict == "unusable") == (key in band.reasons), (
                band.label,
                key,
            )
            assert (doubt.reason is None) == (doubt.verdict == "good"), (band.label, key)
            assert value is None or np.isfinite(value), (band.label, key)
            assert doubt.uncertainty is None or (value is not None and doubt.uncertainty >= 0.0), (
                band.label,
                key,
            )
            assert np.isfinite(doubt.decay_range_db)
        assert band.verdict == "good" or band.reasons["verdict"]
        lasting = {band.doubt[key].verdict for key in ("t20_s", "t30_s")}
        assert band.verdict != "good" or "good" in lasting, band.label
    for channel in figures.channels:
        speech = channel.speech
        assert (speech.value is None) == (speech.verdict == "unusable") == (speech.qualification is None)
        assert (speech.reason is None) == (speech.verdict == "good")
        assert speech.value is None or 0.0 <= speech.value <= 1.0


def index_of_exponentials(time_s: float) -> float:
    """Closed form: m(F) = 1 / √(1 + (2πF T / 13.8155)²) in all bands (Schroeder 1981; IEC 60268-16, 6.1)."""
    turn = 2.0 * np.pi * np.array(MODULATION_HZ) * time_s / (6.0 * np.log(10.0))
    transfer = np.tile(1.0 / np.sqrt(1.0 + turn**2), (len(SPEECH_BANDS_HZ), 1))
    return speech_transmission_index(transfer, spectrum=None).value


# --- channels


def test_channels_are_measured_by_themselves():
    pair = np.stack([decaying_noise(1, 0.6, 1.0, RATE), 0.01 * decaying_noise(2, 0.3, 1.0, RATE)], axis=1)
    pair[:, 1] = np.roll(pair[:, 1], 4800)  # its own onset is its time 0
    pair[:4800, 1] = 0.0
    both = analyse(pair, filters=TWO)
    for index in range(2):
        assert both.channels[index] == analyse(pair[:, index], filters=TWO).channels[0]
    assert number(both.channels[0].decay.mid.t30_s) > 1.5 * number(both.channels[1].decay.mid.t30_s)


def test_silence_in_one_channel_leaves_the_other_alone():
    pair = np.stack([decaying_noise(1, 0.5, 0.8, RATE), np.zeros(38_400)], axis=1)
    figures = analyse(pair, filters=TWO)
    assert figures.channels[0].decay.mid.t30_s is not None
    assert figures.channels[1].decay.mid.reasons["t30_s"] == "the response is silent"
    require_honest(figures)


@pytest.mark.parametrize("channels", [1, 3, 4, 6])
def test_only_two_channels_are_compared(channels):
    sound = np.stack([decaying_noise(seed, 0.3, 0.5, RATE) for seed in range(channels)], axis=1)
    figures = analyse(sound, filters=TWO)
    assert (len(figures.channels), figures.correlation) == (channels, ())


def test_two_channels_are_compared_from_125_hz_to_4_khz():
    sound = np.stack([decaying_noise(seed, 0.3, 0.5, RATE) for seed in range(2)], axis=1)
    assert [band.centre_hz for band in analyse(sound).correlation] == [125, 250, 500, 1000, 2000, 4000]
    assert [band.centre_hz for band in analyse(sound, filters=TWO).correlation] == [500, 1000]
    assert len(analyse(sound, filters=thirds()).correlation) == 16


# --- bands and means


def test_a_decay_is_read_in_every_band_and_over_the_whole_range():
    figures = analyse(decaying_noise(3, 0.8, 1.5, RATE)).channels[0]
    assert [band.centre_hz for band in figures.decay.bands] == [look.centre_hz for look in octaves()]
    for band in figures.decay.bands[3:]:
        # 0.59 / √(B T), ISO 3382-1:2009, clause 7: 5 % at 250 Hz; three of it
        width = 0.707 * number(band.centre_hz)
        assert number(band.t30_s) == pytest.approx(0.8, rel=3.0 * 0.59 / np.sqrt(width * 0.8))
    for band in (figures.broadband, figures.a_weighted):
        assert number(band.t30_s) == pytest.approx(0.8, rel=0.03)


def test_the_mean_of_octaves_is_that_of_500_and_1000_hz():
    decay = analyse(decaying_noise(4, 0.8, 1.5, RATE)).channels[0].decay
    by_centre = {band.centre_hz: band for band in decay.bands}
    for key in ("edt_s", "t20_s", "t30_s", "c80_db", "d50", "centre_time_s"):
        values = [number(getattr(by_centre[hz], key)) for hz in (500.0, 1000.0)]
        assert getattr(decay.mid, key) == pytest.approx(np.mean(values))
        scatters = [number(by_centre[hz].doubt[key].uncertainty) for hz in (500.0, 1000.0)]
        assert decay.mid.doubt[key].uncertainty == pytest.approx(np.hypot(scatters[0], scatters[1]) / 2.0)


def test_the_mean_of_thirds_is_that_of_the_six_from_400_to_1250_hz():
    # ISO 3382-1:2009, 9.1: "400 Hz to 1250 Hz one-third-octave bands" (from memory)
    assert MID_THIRDS_HZ == (400, 500, 630, 800, 1000, 1250)
    decay = analyse(decaying_noise(5, 1.0, 1.6, RATE), filters=thirds()).channels[0].decay
    six = [band for band in decay.bands if band.centre_hz in MID_THIRDS_HZ]
    assert len(six) == 6
    for key in ("t20_s", "t30_s", "d50", "centre_time_s"):
        assert getattr(decay.mid, key) == pytest.approx(np.mean([number(getattr(band, key)) for band in six]))


def test_a_mean_lacking_one_of_its_bands_is_none_and_says_which():
    some = analyse(decaying_noise(5, 0.5, 0.8, RATE), filters=(BandPass(500.0),)).channels[0].decay
    assert some.mid.t30_s is None
    assert "500 and the 1000 Hz" in some.mid.reasons["t30_s"]
    five = [look for look in thirds() if look.centre_hz in MID_THIRDS_HZ][1:]
    few = analyse(decaying_noise(5, 0.5, 0.8, RATE), filters=five).channels[0].decay
    assert few.mid.t30_s is None
    assert "all thirds from 400 to 1250 Hz" in few.mid.reasons["t30_s"]


def test_two_decays_are_told_with_their_times():
    slow, fast = decaying_noise(6, 2.4, 3.0, RATE), decaying_noise(7, 0.4, 3.0, RATE)
    band = analyse(fast + 0.05 * slow, filters=(BandPass(2000.0),)).channels[0].decay.bands[0]
    slope = band.double_slope
    assert slope is not None
    # energies at time 0 as 1 to 0.0025; scatter of one decay, and that of telling them apart: 10 %
    assert slope.first_decay_time_s == pytest.approx(0.4, rel=0.1)
    assert slope.second_decay_time_s == pytest.approx(2.4, rel=0.1)
    plain = analyse(fast, filters=(BandPass(2000.0),)).channels[0]
    assert plain.decay.bands[0].double_slope is None
    assert plain.broadband.double_slope is None


# --- doubt


def test_clipping_makes_every_figure_doubtful_and_none_missing():
    sound = 0.4 * decaying_noise(8, 0.6, 1.0, RATE)
    clean = analyse(sound)
    sound[20:24] = 1.0
    figures = analyse(sound)
    for band, before in zip(every_band(figures), every_band(clean), strict=True):
        for key in FIGURES:
            if getattr(band, key) is not None:
                assert band.doubt[key].verdict == "doubtful"
                assert "clipped from frame 20 on" in (band.doubt[key].reason or "")
        assert (band.t30_s is None) == (before.t30_s is None)
        assert band.verdict != "good"
    assert figures.channels[0].speech.verdict == "doubtful"
    require_honest(figures)


@pytest.mark.parametrize("offset", [0.0, 0.15])  # a constant is not taken for what lies between the two
def test_a_precursor_makes_early_figures_doubtful_and_late_ones_not(offset):
    sound = np.concatenate([np.zeros(1920), 0.3 * decaying_noise(9, 1.0, 1.5, RATE)])
    sound[0], sound[1920] = 0.2, 1.2
    band = analyse(sound + offset, filters=TWO).channels[0].decay.bands[1]
    for key in ("edt_s", "c50_db", "c80_db", "d50", "centre_time_s"):
        if getattr(band, key) is not None:
            assert band.doubt[key].verdict == "doubtful"
            assert "ahead of it" in (band.doubt[key].reason or "")
    assert "ahead of it" not in (band.doubt["t30_s"].reason or "")
    assert band.t30_s is not None


def test_without_the_range_a_time_is_none_with_its_need():
    # peak to noise 30 dB: T30 needs 45 dB, T20 35 dB (ISO 3382-1:2009, 5.3.3)
    figures = analyse(decaying_noise(10, 0.8, 2.0, RATE, floor_db=30.0), filters=TWO)
    band = figures.channels[0].decay.bands[1]
    assert (band.t20_s, band.t30_s) == (None, None)
    assert band.reasons["t30_s"].startswith("T30 needs 45 dB")
    assert band.doubt["t30_s"].decay_range_db == pytest.approx(30.0, abs=2.0)
    assert band.edt_s is not None
    require_honest(figures)


# --- speech


@pytest.mark.parametrize("time_s", [0.3, 0.8, 2.0])
def test_the_speech_index_of_a_decaying_noise_is_the_closed_form_within_its_scatter(time_s):
    found = [
        analyse(decaying_noise(seed, time_s, 1.2 * time_s, RATE), filters=TWO).channels[0].speech
        for seed in range(20, 24)
    ]
    values = [number(speech.value) for speech in found]
    scatter = number(found[0].uncertainty) / np.sqrt(len(values))
    # 0.002: the mean of √(m² + chance), stated in `speech.modulation_transfer`, at T = 2 s
    assert np.mean(values) == pytest.approx(index_of_exponentials(time_s), abs=3.0 * scatter + 0.002)
    assert 0.0 < number(found[0].uncertainty) < 0.06


def test_bands_that_are_shown_do_not_change_the_speech_index():
    sound = decaying_noise(30, 0.6, 1.0, RATE)
    every = [analyse(sound, filters=filters).channels[0].speech for filters in (octaves(), thirds(), TWO, ())]
    # the transform is as long as the lowest band rings: the last bits of a decay's end differ
    assert np.ptp([number(speech.value) for speech in every]) < 1e-5
    assert len({(speech.qualification, speech.verdict, speech.reason) for speech in every}) == 1


def test_noise_at_the_ear_lowers_the_speech_index():
    sound = decaying_noise(31, 0.6, 1.0, RATE)
    spectra = [
        None,
        SpeechSpectrum(),
        SpeechSpectrum(noise_db=(50.0,) * 7),
        SpeechSpectrum(noise_db=(90.0,) * 7),
    ]
    values = [number(analyse(sound, filters=TWO, spectrum=s).channels[0].speech.value) for s in spectra]
    assert values == sorted(values, reverse=True)
    assert values[-1] == pytest.approx(0.0, abs=1e-6)
    assert len(set(values)) == 4


def test_a_low_sample_rate_has_no_high_bands_and_no_speech_index():
    figures = analyse(decaying_noise(32, 0.5, 0.8, 16_000), sample_rate=16_000)
    channel = figures.channels[0]
    assert channel.speech.value is None
    assert "8 kHz" in (channel.speech.reason or "")
    assert "sample rate" in (channel.speech.reason or "")
    by_centre = {band.centre_hz: band for band in channel.decay.bands}
    assert number(by_centre[4000.0].t30_s) == pytest.approx(0.5, rel=0.05)
    for centre in (8000.0, 16_000.0):
        assert "sample rate" in by_centre[centre].reasons["t30_s"]
    require_honest(figures)


def test_one_band_with_too_much_noise_takes_the_speech_index_away_with_its_name():
    sound = decaying_noise(33, 0.5, 1.5, RATE) + 0.5 * decaying_tone(125.0, 1e6, 1.5, RATE)
    speech = analyse(sound, filters=TWO).channels[0].speech
    assert speech.value is None
    assert (speech.reason or "").startswith("125 Hz: ")


# --- anything legal


@st.composite
def anything(draw):
    """Return a response of any shape and kind, and a rate."""
    rate = draw(st.sampled_from([50.0, 8000.0, 22_050.0, 48_000.0, 384_000.0]))
    frames = draw(st.one_of(st.integers(0, 70), st.integers(400, 6000)))
    channels = draw(st.integers(0, 3))
    generator = np.random.default_rng(draw(st.integers(0, 1000)))
    clock = np.arange(frames)[:, None] / max(frames, 1)
    shape = (frames, channels)
    kind = draw(
        st.sampled_from(["noise", "decay", "growth", "impulse", "constant", "ramp", "tone", "steps", "odd"])
    )
    sound = {
        "noise": lambda: generator.normal(size=shape),
        "decay": lambda: generator.normal(size=shape) * np.exp(-9.0 * clock),
        "growth": lambda: generator.normal(size=shape) * np.exp(9.0 * clock),
        "impulse": lambda: (generator.random(shape) > 1.0 - 2.0 / max(frames, 2)).astype(float),
        "constant": lambda: np.ones(shape),
        "ramp": lambda: np.broadcast_to(clock, shape).copy(),
        "tone": lambda: np.broadcast_to(np.sin(500.0 * clock), shape).copy(),
        "steps": lambda: generator.integers(-1, 2, shape).astype(float),
        "odd": lambda: generator.choice([0.0, 1.0, np.nan, np.inf, -1e30], shape),
    }[kind]()
    return sound * draw(st.sampled_from([1.0, -1e-12, 1e12])), rate


@settings(max_examples=150)
@given(anything(), st.sampled_from([octaves(), thirds(), TWO, ()]))
@example((np.zeros((100, 0)), 48_000.0), octaves())
@example((np.full((500, 2), np.nan), 48_000.0), octaves())
def test_no_legal_array_raises_or_warns_or_gives_a_figure_without_its_doubt(sound_and_rate, filters):
    sound, rate = sound_and_rate
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        figures = analyse_response(sound, sample_rate=rate, filters=filters)
        curves = response_curves(sound, sample_rate=rate, filters=filters)
    require_honest(figures)
    assert len(figures.channels) == len(curves) == sound.shape[1]
    for channel in curves:
        for curve in channel:
            assert np.isfinite(curve.level_db).all()
            assert np.isfinite(curve.sound_db).all()


@pytest.mark.parametrize("gain", [1e-9, 1e-3, 1e6, -1.0])
def test_gain_and_polarity_change_nothing(gain):
    sound = 0.1 * decaying_noise(34, 0.5, 0.8, RATE)
    plain, other = (analyse(s, filters=TWO).channels[0].decay.mid for s in (sound, gain * sound))
    for key in FIGURES:
        assert getattr(other, key) == pytest.approx(getattr(plain, key), rel=1e-6)


def test_silence_before_the_onset_changes_nothing():
    sound = decaying_noise(35, 0.5, 0.8, RATE)
    sound[0] = 4.0
    later = np.concatenate([np.zeros(7777), sound])
    plain, other = (analyse(s, filters=TWO).channels[0].decay.mid for s in (sound, later))
    for key in FIGURES:
        assert getattr(other, key) == pytest.approx(getattr(plain, key), rel=1e-6)


@pytest.mark.parametrize(
    ("sound", "rate"),
    [
        (np.zeros(10), RATE),
        (np.zeros((10, 1, 1)), RATE),
        ([["a"]], RATE),
        (np.zeros((10, 1)), 0),
        (np.zeros((10, 1)), np.nan),
    ],
)
def test_what_cannot_be_a_sound_is_refused(sound, rate):
    with pytest.raises(RoomplanError):
        analyse_response(sound, sample_rate=rate)


def test_a_band_that_does_not_exist_is_refused():
    with pytest.raises(RoomplanError):
        analyse(decaying_noise(1, 0.5, 0.5, RATE), filters=(BandPass(440.0),))
