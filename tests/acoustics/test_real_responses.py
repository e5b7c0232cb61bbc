"""A measured response through pyfar 0.8, pyrato 1.1 and pyroomacoustics 0.10, band by band.

`tests/data/living_room_1.wav`: see the README beside it. Same definition on both sides: a third-order octave
band-pass run backwards, of which pyfar's is built by bilinear transform and ours by formula. Where they
differ, the tests say who is right and prove it.

T30 of the living room, ours against pyfar's bands with pyrato's Lundeby curve, in s. 63 and 125 Hz: 0.27 and
0.34, theirs fails; a plain line cut at 0.8 s gives 0.344 at 125 Hz. 250 Hz: 0.310 against 0.206; their
iteration follows the direct sound and stops at 137 ms, a plain line gives 0.312. 500 Hz to 8 kHz: 0.257 0.226
0.208 0.203 0.180 against 0.258 0.225 0.206 0.202 0.181.

C80 agrees within 0.5 dB where both give it (they cut hard and keep the noise); at 63 Hz C50 exceeds C80,
since energies split before filtering are not additive. STI 0.996 against 0.991: their filters of order 14
lower even a perfect impulse to 0.994.

Not shipped: a sports hall at 96 kHz (T 6 s) agrees within 1 % from 500 Hz to 4 kHz; at 8 and 16 kHz octaves
of third order let the longer decay below the band through where T falls steeply, and T30 is 5 and 24 % longer
than in steeper filters, which class 1 allows; the band is reported as bent. pyroomacoustics, which handles no
noise, reads 7 to 24 s at 63 to 250 Hz there. On a synthetic hall of known T20 (2.10, 2.05, 1.85 s at 500,
1000, 2000 Hz, floor 38 dB down) ours are 2.12, 2.05, 1.84, pyrato's 2.19, 2.13, 1.90.
"""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pytest
import soundfile
from acoustic_signals import number

from roomplan.acoustics import exact_mid_band, find_onset
from roomplan.acoustics.bands import bandwidth
from roomplan.acoustics.decay import fit_decay
from roomplan.acoustics.response import analyse_response

pyfar = pytest.importorskip("pyfar")
pyrato = pytest.importorskip("pyrato")

FILE = Path(__file__).parents[1] / "data" / "living_room_1.wav"
CENTRES_HZ = (63, 125, 250, 500, 1000, 2000, 4000, 8000)
BENT_HZ = (250, 500, 1000, 2000, 4000, 8000)
PAD_S = 0.6  # rings out the 63 Hz filter
# Butterworth prototypes: the lowest inside class 1, and pyfar's own
OURS, STEEP = 3, 14


@pytest.fixture(scope="module")
def room():
    """Samples from the direct sound on, and the sample rate."""
    samples, rate = soundfile.read(FILE)
    return samples[int(number(find_onset(samples[:, None]))) :], rate


@pytest.fixture(scope="module")
def figures(room):
    samples, rate = room
    return analyse_response(samples[:, None], sample_rate=rate).channels[0]


def band_of(figures, centre):
    return next(band for band in figures.decay.bands if band.centre_hz == centre)


def backwards(sound, rate, centre, order=OURS):
    """Pyfar's octave filter run backwards; what rings ahead of the sound takes up the first `PAD_S`."""
    pad = np.zeros(round(PAD_S * rate))
    mid = exact_mid_band(centre)
    turned = pyfar.Signal(np.concatenate([pad, sound, pad])[::-1], rate)
    bands = pyfar.dsp.filter.fractional_octave_bands(
        turned, 1, frequency_range=(0.9 * mid, 1.1 * mid), order=order
    )
    return bands.time.reshape(-1)[::-1][: pad.size + sound.size]


def with_its_ringing(room, centre):
    """Band signal from where the filter starts to ring ahead of the direct sound."""
    sound, rate = room
    lead = round(min(PAD_S, 8.0 / bandwidth(centre)) * rate)
    return backwards(sound, rate, centre)[round(PAD_S * rate) - lead :], lead


def lundeby(sound, rate):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return pyrato.edc.energy_decay_curve_lundeby(pyfar.Signal(sound, rate), time_shift=False)


def line(curve, name):
    return float(np.squeeze(pyrato.parameters.reverberation_time_linear_regression(curve, name)))


# ---------------------------------------- decay times


@pytest.mark.parametrize("centre", [500, 1000, 2000, 4000, 8000])
def test_t20_and_t30_agree_with_pyfars_bands_and_pyratos_curve(centre, room, figures):
    curve, band = lundeby(with_its_ringing(room, centre)[0], room[1]), band_of(figures, centre)
    # 500 Hz: their curve ends at 250 ms, 46 dB down, ours at 414 ms: T20 moves by a quarter of its doubt
    tolerance = 0.03 if centre == 500 else 0.016
    assert line(curve, "T20") == pytest.approx(number(band.t20_s), rel=tolerance)
    assert line(curve, "T30") == pytest.approx(number(band.t30_s), rel=tolerance)


@pytest.mark.parametrize("centre", [500, 1000, 2000, 4000, 8000])
def test_t20_agrees_with_pyroomacoustics_which_compensates_no_noise(centre, room, figures):
    rt60 = pytest.importorskip("pyroomacoustics").measure_rt60
    sound, _ = with_its_ringing(room, centre)
    found = float(rt60(sound, fs=room[1], decay_db=20))
    assert found == pytest.approx(number(band_of(figures, centre).t20_s), rel=0.04)
    # the noise lengthens its decays and never shortens them
    assert found > number(band_of(figures, centre).t20_s) * 0.999


def test_at_250_hz_pyratos_curve_ends_in_the_bend_and_a_plain_line_sides_with_us(room, figures):
    sound, lead = with_its_ringing(room, 250)
    rate, band = room[1], band_of(figures, 250)
    # the direct sound's step, 20 dB in 40 ms, is the slope their iteration finds: it meets the noise at
    # 137 ms, where the levels of the next 0.2 s still fall, from 34 to 60 dB down
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        crossing, late, _noise = pyrato.edc.intersection_time_lundeby(pyfar.Signal(sound, rate))[:3]
    assert float(np.squeeze(crossing)) < 0.15
    assert float(np.squeeze(late)) < 0.14
    level = [
        10.0 * np.log10(np.mean(sound[lead + round(a * rate) : lead + round((a + 0.04) * rate)] ** 2))
        for a in (0.14, 0.22, 0.30)
    ]
    assert level[0] > level[1] + 5.0 > level[2] + 10.0
    assert line(lundeby(sound, rate), "T30") < 0.75 * number(band.t30_s)
    # without any compensation, cut at 0.4 s where the noise begins: as ours
    curve = np.cumsum(sound[: lead + round(0.4 * rate)][::-1] ** 2)[::-1]
    for key, lower in (("t20_s", -25.0), ("t30_s", -35.0)):
        fit = fit_decay(curve, sample_rate=rate, upper_db=-5.0, lower_db=lower)
        assert fit is not None
        assert getattr(band, key) == pytest.approx(fit.decay_time_s, rel=0.02)


def test_at_125_hz_pyrato_finds_no_slope_and_a_plain_line_sides_with_us(room, figures):
    sound, lead = with_its_ringing(room, 125)
    rate, band = room[1], band_of(figures, 125)
    assert np.isnan(lundeby(sound, rate).time).all()
    # the record's constant offset ends with it: the filter, run backwards, splashes that edge over the last
    # 0.1 s and a curve of all of the record is a quarter too long
    whole = np.cumsum(sound[::-1] ** 2)[::-1]
    splashed = fit_decay(whole, sample_rate=rate, upper_db=-5.0, lower_db=-25.0)
    assert splashed is not None
    assert splashed.decay_time_s > 1.25 * number(band.t20_s)
    # cut ahead of the splash, 75 dB down, a plain line is 2 to 3 % longer, of a doubt of 11 %: 1 % is the
    # ripple of a squared signal, the rest our frames of 1.9 ms where the curve falls by 10 dB in 11 ms
    curve = np.cumsum(sound[: lead + round(0.8 * rate)][::-1] ** 2)[::-1]
    for key, lower in (("t20_s", -25.0), ("t30_s", -35.0)):
        fit = fit_decay(curve, sample_rate=rate, upper_db=-5.0, lower_db=lower)
        assert fit is not None
        assert getattr(band, key) == pytest.approx(fit.decay_time_s, rel=0.035)


def test_the_room_is_flagged_as_bent_in_every_band(figures):
    for centre in BENT_HZ:
        band = band_of(figures, centre)
        assert band.verdict == "doubtful"
        assert "bent" in band.reasons["verdict"]
    assert "not a straight line" in band_of(figures, 125).reasons["verdict"]


# ---------------------------------------- energies


@pytest.mark.parametrize("centre", [500, 1000, 2000, 4000, 8000])
def test_clarity_agrees_with_parts_split_first_and_filtered_by_pyfar(centre, room, figures):
    sound, rate = room
    band = band_of(figures, centre)
    for key, limit in (("c50_db", 0.05), ("c80_db", 0.08)):
        at = np.arange(sound.size) < round(limit * rate)
        early, late = (np.sum(backwards(np.where(part, sound, 0.0), rate, centre) ** 2) for part in (at, ~at))
        # they cut hard and keep the noise: the late part, 30 dB down, has up to 0.6 dB more of it
        assert getattr(band, key) == pytest.approx(10.0 * np.log10(early / late), abs=0.6)
        assert getattr(band, key) > 10.0 * np.log10(early / late) - 0.03


def test_the_broadband_figures_do_not_hang_on_the_bands_asked_for(room, figures):
    samples, rate = room
    alone = analyse_response(samples[:, None], sample_rate=rate, filters=()).channels[0].broadband
    assert figures.broadband.centre_time_s == pytest.approx(number(alone.centre_time_s), rel=0.05)


# ---------------------------------------- speech index


def index_of_orders(sound, rate, order):
    """STI of squared band signals, without noise (IEC 60268-16: 14 modulations, male weights)."""
    frequencies = [0.63, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0, 10.0, 12.5]
    weights = np.array([0.085, 0.127, 0.230, 0.233, 0.309, 0.224, 0.173])
    redundancy = np.array([0.085, 0.078, 0.065, 0.011, 0.047, 0.095])
    indices = []
    for centre in (125, 250, 500, 1000, 2000, 4000, 8000):
        power = backwards(sound, rate, centre, order) ** 2
        turns = 2j * np.pi * np.arange(power.size) / rate
        ratio = np.array([abs(np.sum(power * np.exp(-f * turns))) for f in frequencies]) / power.sum()
        level = np.clip(10.0 * np.log10(ratio / np.maximum(1.0 - ratio, 1e-12)), -15.0, 15.0)
        indices.append(np.mean((level + 15.0) / 30.0))
    found = np.array(indices)
    return float(np.sum(weights * found) - np.sum(redundancy * np.sqrt(found[:-1] * found[1:])))


def test_the_speech_index_agrees_on_one_filter_and_differs_from_pyrato_by_its_filters_ringing(room, figures):
    sound, rate = room
    value = number(figures.speech.value)
    assert value == pytest.approx(index_of_orders(sound, rate, OURS), abs=0.001)
    # theirs asks for 1.6 s of record (IEC 60268-16:2020, 6.2)
    padded = np.concatenate([sound, np.zeros(round(1.7 * rate) - sound.size)])
    theirs = float(
        np.squeeze(pyrato.parameters.speech_transmission_index_indirect(pyfar.Signal(padded, rate)))
    )
    assert theirs == pytest.approx(index_of_orders(sound, rate, STEEP), abs=0.001)
    assert 0.004 < value - theirs < 0.007
    # the steep filters do as much to a perfect impulse, whose index is 1
    impulse = np.zeros(rate)
    impulse[0] = 1.0
    assert index_of_orders(impulse, rate, STEEP) < 0.995
    assert index_of_orders(impulse, rate, OURS) > 0.9995
