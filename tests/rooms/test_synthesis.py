from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pyfar
import pytest

from roomplan.acoustics.analysis import measure_response
from roomplan.rooms.diffuse import (
    BAND_RATES_HZ,
    CENTRES_HZ,
    assemble,
    band_noises,
    calibrated_times,
    noise_duration,
)
from roomplan.rooms.spec import bundled_rooms, load_room_specification
from roomplan.rooms.synthesis import synthesise

RATE = 24_000  # holds the 8 kHz octave; a room is the same at every rate (below)
OCTAVES = (125, 250, 500, 1000, 2000, 4000)
SEATS = [(6.0, 0.0, "main"), (9.0, 30.0, "main"), (11.0, -20.0, "rear")]


def specification(name):
    spec, problems = load_room_specification(name)
    assert problems == []
    assert spec is not None
    return spec


def level_db(energy):
    return 10.0 * np.log10(energy)


@pytest.mark.parametrize(("distance", "angle", "microphones"), SEATS)
@pytest.mark.parametrize("name", sorted(bundled_rooms()))
def test_t30_of_every_octave_is_the_one_asked_for(name, distance, angle, microphones, make_seat):
    # Issue 5's tolerance: 3 % from 125 Hz to 4 kHz, 5 % at 63 Hz and 8 kHz, on every channel.
    spec = specification(name)
    response = synthesise(spec, seat=make_seat(distance, angle), microphones=microphones, sample_rate=RATE)
    centres = (63, *OCTAVES, 8000)
    for figures in measure_response(response.reflected, sample_rate=RATE, centres_hz=centres):
        for band in figures.bands:
            asked = spec.reverberation_time_s[int(band.centre_hz or 0)]
            tolerance = 0.03 if band.centre_hz in OCTAVES else 0.05
            assert band.t30_s == pytest.approx(asked, rel=tolerance), band.centre_hz


@pytest.mark.parametrize("name", sorted(bundled_rooms()))
def test_t30_behind_an_independent_octave_filter_is_the_one_asked_for(name):
    # pyfar's octave filters (order 14, forward) and a least-squares fit written here.
    spec = specification(name)
    response = synthesise(spec, seat=spec.reference_seat, microphones="main", sample_rate=RATE).reflected[
        :, 0
    ]
    sound = pyfar.Signal(response, RATE)
    bands: Any = pyfar.dsp.filter.fractional_octave_bands(sound, 1, frequency_range=(125, 4000))
    for filtered, centre in zip(bands.time.reshape(len(OCTAVES), -1), OCTAVES, strict=True):
        energy = np.cumsum(filtered[::-1] ** 2)[::-1]
        curve = level_db(energy / energy[0] + 1e-30)
        first, last = np.argmax(curve < -5.0), np.argmax(curve < -35.0)
        slope = np.polyfit(np.arange(first, last) / RATE, curve[first:last], 1)[0]
        assert -60.0 / slope == pytest.approx(spec.reverberation_time_s[centre], rel=0.03), centre


def test_a_single_draw_scatters_less_than_one_per_cent_at_125_hz():
    # A raw draw scatters by 0.55 √(1.15/BT) = 4 % here (ISO 3382-2 form; B = 89 Hz, T = 2.4 s).
    spec = specification("larkmere_hall")
    times = []
    for seed in range(12):
        response = synthesise(
            replace(spec, seed=seed), seat=spec.reference_seat, microphones="main", sample_rate=8_000
        )
        figures = measure_response(response.reflected, sample_rate=8_000, centres_hz=(125,))
        times += [channel.bands[0].t30_s for channel in figures]
    assert np.std(times) / np.mean(times) < 0.01


def test_reflected_and_direct_energy_follow_barrons_revised_theory(make_seat):
    # Check values, section 6: reflected 31200 (T/V) exp(−0.04 r/T), direct 100/r², re direct at 10 m.
    base = specification("larkmere_hall")
    spec = replace(
        base,
        dimensions_m=(50.0, 25.0, 16.0),  # 20 000 m³
        reverberation_time_s=dict.fromkeys(base.reverberation_time_s, 2.0),
        microphones={
            "main": replace(
                base.microphones["main"], positions_m=((45.0, 0.0, 1.5),), pattern="omni", aims_deg=(0.0,)
            )
        },
    )
    # Table of check values: r, d, e + l for V = 20 000 m³, T = 2 s.
    for distance, direct, reflected in [
        (10.0, 1.0000, 1.0880 + 1.4664),
        (20.0, 0.2500, 0.8908 + 1.2006),
        (40.0, 0.0625, 0.5971 + 0.8048),
    ]:
        response = synthesise(spec, seat=make_seat(distance, 0.0), microphones="main", sample_rate=RATE)
        assert np.sum(response.direct**2) == pytest.approx(direct, rel=1e-3)
        # |H|² per octave is the energy of a band of white noise of that density.
        spectrum = np.abs(np.fft.rfft(response.reflected[:, 0])) ** 2
        frequencies = np.fft.rfftfreq(len(response.reflected), 1.0 / RATE)
        for centre in (250, 1000, 4000):
            inside = (frequencies > centre / 10**0.15) & (frequencies < centre * 10**0.15)
            assert level_db(np.mean(spectrum[inside]) / reflected) == pytest.approx(0.0, abs=0.4), centre


def test_a_back_seat_is_quieter_and_wetter():
    spec = specification("orrin_nave")
    near, far = (
        synthesise(
            spec, seat=replace(spec.reference_seat, distance_m=d), microphones="main", sample_rate=16_000
        )
        for d in (6.0, 18.0)
    )
    reflected = [np.sum(r.reflected**2) for r in (near, far)]
    direct = [np.sum(r.direct**2) for r in (near, far)]
    assert reflected[1] < reflected[0]
    assert level_db(direct[1] / reflected[1]) < level_db(direct[0] / reflected[0]) - 6.0


def test_nothing_is_reflected_before_the_first_reflection_and_it_builds_up_smoothly():
    spec = specification("larkmere_hall")
    response = synthesise(spec, seat=spec.reference_seat, microphones="main", sample_rate=RATE)
    # Reference seat, by hand: source (7, 0, 1.5), microphones (16, ±0.25, 3.2). Nearest image: the wall
    # behind the stage at x = −7, √(23² + 0.25² + 1.7²) = 23.064 m against √(9² + 0.25² + 1.7²) = 9.163 m.
    gap = (math.sqrt(23.0**2 + 0.25**2 + 1.7**2) - math.sqrt(81 + 0.25**2 + 1.7**2)) / 343.2
    first = np.flatnonzero(response.reflected[:, 0])[0]
    assert first / RATE == pytest.approx(gap, abs=1.5 / RATE)
    level = np.sqrt(np.mean(response.reflected[first : first + RATE // 10] ** 2))
    assert np.max(np.abs(response.reflected[first : first + RATE // 2000])) < 0.2 * level


def test_direct_sounds_are_impulses_with_the_spacing_delays_of_the_microphones(make_seat):
    spec = specification("tallowyard_stage")
    main, rear = (
        synthesise(spec, seat=make_seat(6.0, 30.0), microphones=name, sample_rate=RATE)
        for name in ("main", "rear")
    )
    frames = [np.flatnonzero(main.direct[:, c]) for c in (0, 1)]
    assert [len(f) for f in frames] == [1, 1]
    # Right microphone is nearer to a seat on the right. Source (17 − 6 cos 30°, 3, 1.5), microphones
    # (17, ±0.6, 3).
    near = math.sqrt(27.0 + 2.4**2 + 1.5**2)
    far = math.sqrt(27.0 + 3.6**2 + 1.5**2)
    assert frames[1][0] == 0
    assert frames[0][0] == round((far - near) / 343.2 * RATE)
    assert main.direct[0, 1] == pytest.approx(10.0 / near)
    # Rear microphones hear it when it gets there, counted from main.
    source = np.array([17 - 6 * math.cos(math.pi / 6), 3.0, 1.5])
    way = np.linalg.norm(np.array([24.0, 4.0, 4.0]) - source)
    assert np.flatnonzero(rear.direct[:, 1])[0] == round((way - near) / 343.2 * RATE)
    assert main.direct.shape == main.reflected.shape


def test_the_mid_band_falls_by_100_db_before_the_end():
    spec = specification("tallowyard_stage")
    response = synthesise(spec, seat=spec.reference_seat, microphones="main", sample_rate=RATE).reflected
    start = np.mean(response[RATE // 20 : RATE // 10] ** 2)
    mid_s = spec.mid_reverberation_time_s * 100.0 / 60.0
    assert len(response) / RATE > mid_s
    end = response[-RATE // 50 : -RATE // 100]
    assert level_db(np.mean(end**2) / start) < -80.0  # 63 Hz is the slowest band and is 100 dB down


def test_same_room_seat_and_rate_give_the_same_samples(make_seat):
    spec = specification("tallowyard_stage")
    first, again = (
        synthesise(spec, seat=make_seat(5.0, -10.0), microphones="main", sample_rate=16_000) for _ in range(2)
    )
    np.testing.assert_array_equal(first.reflected, again.reflected)


def correlation(a, b):
    frames = min(len(a), len(b))
    a, b = a[:frames], b[:frames]
    return abs(np.dot(a, b)) / math.sqrt(np.dot(a, a) * np.dot(b, b))


def test_seed_seat_microphones_and_microphone_each_give_another_noise(make_seat):
    spec = specification("tallowyard_stage")

    def tail(seat, microphones, room):
        reflected = synthesise(room, seat=seat, microphones=microphones, sample_rate=16_000).reflected
        return reflected[1600:]  # after the build-up

    base = tail(make_seat(5.0, 0.0), "main", spec)
    # Independent noises of about 8 kHz × 0.1 s of effective length: correlation stays under 0.1 (3.5 σ).
    assert correlation(base[:, 0], base[:, 1]) < 0.1
    for other in (
        tail(make_seat(5.01, 0.0), "main", spec),
        tail(make_seat(5.0, 0.5), "main", spec),
        tail(make_seat(5.0, 0.0), "rear", spec),
        tail(make_seat(5.0, 0.0), "main", replace(spec, seed=1)),
    ):
        assert correlation(base[:, 0], other[:, 0]) < 0.1


def test_a_room_is_the_same_at_every_sample_rate():
    spec = specification("tallowyard_stage")
    at_48, at_32 = (
        synthesise(spec, seat=spec.reference_seat, microphones="main", sample_rate=rate).reflected[:, 0]
        for rate in (48_000, 32_000)
    )
    # Compared by their spectra up to 4 kHz; a density times its sample period is the continuous spectrum.
    seconds = 1.5
    a = np.fft.rfft(at_48[: int(seconds * 48_000)]) * (32_000 / 48_000)
    b = np.fft.rfft(at_32[: int(seconds * 32_000)])
    low, high = int(100 * seconds), int(4000 * seconds)
    scale = np.vdot(a[low:high], b[low:high]).real / np.vdot(a[low:high], a[low:high]).real
    error = b[low:high] - scale * a[low:high]
    assert np.linalg.norm(error) / np.linalg.norm(b[low:high]) < 0.05


def test_there_is_no_dc():
    spec = specification("larkmere_hall")
    response = synthesise(spec, seat=spec.reference_seat, microphones="main", sample_rate=RATE).reflected
    spectrum = np.abs(np.fft.rfft(response[:, 0])) ** 2
    frequencies = np.fft.rfftfreq(len(response), 1.0 / RATE)
    around = np.mean(spectrum[(frequencies > 500) & (frequencies < 1000)])
    assert level_db(np.mean(spectrum[frequencies < 2.0]) / around) < -40.0


@pytest.mark.parametrize(("time_s", "sides"), [(0.15, (4.0, 3.0, 2.5)), (9.0, (90.0, 40.0, 35.0))])
def test_a_dead_room_and_a_cathedral_both_work(time_s, sides, make_seat):
    base = specification("larkmere_hall")
    main = replace(base.microphones["main"], positions_m=((3.0, 0.0, 1.2),), pattern="omni", aims_deg=(0.0,))
    spec = replace(
        base,
        dimensions_m=sides,
        reverberation_time_s=dict.fromkeys(base.reverberation_time_s, time_s),
        microphones={"main": main},
    )
    response = synthesise(spec, seat=make_seat(1.5, 0.0), microphones="main", sample_rate=24_000)
    (figures,) = measure_response(response.reflected, sample_rate=24_000, centres_hz=(500, 1000, 2000))
    for band in figures.bands:
        assert band.t30_s == pytest.approx(time_s, rel=0.05), band.centre_hz


def test_calibration_leaves_equal_times_alone_and_stays_near_the_others():
    flat = dict.fromkeys(CENTRES_HZ, 2.0)
    assert calibrated_times(flat, flat) == pytest.approx(flat, rel=1e-6)
    falling = dict(zip(CENTRES_HZ, (2.5, 2.4, 2.2, 2.1, 2.0, 1.8, 1.4, 1.0, 0.45), strict=True))
    for centre, made in calibrated_times(falling, falling).items():
        assert made == pytest.approx(falling[centre], rel=0.251)


def test_band_noises_add_up_to_white_noise():
    duration_s = noise_duration(4.0)
    noises = band_noises(duration_s, np.random.default_rng, below_hz=RATE / 2.0)
    # Each band is of unit density at its own rate; brought to one rate its spectrum stays what it is.
    bands = [noise * np.sqrt(RATE / BAND_RATES_HZ[centre]) for centre, noise in noises.items()]
    frames = round(duration_s * RATE)
    spectrum = np.abs(np.fft.rfft(assemble(bands, duration_s, sample_rate=RATE))) ** 2 / frames
    frequencies = np.arange(len(spectrum)) / duration_s
    # White noise of variance 1 has a mean periodogram of 1: each third of an octave is within its scatter.
    for low in 1000.0 * 2.0 ** np.arange(-4.0, 3.0, 1.0 / 3.0):
        inside = (frequencies >= low) & (frequencies < low * 2.0 ** (1.0 / 3.0))
        scatter = 1.0 / math.sqrt(np.count_nonzero(inside))
        assert np.mean(spectrum[inside]) == pytest.approx(1.0, abs=4.0 * scatter + 0.05)
