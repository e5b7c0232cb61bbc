from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from scipy.signal import fftconvolve

from roomplan.acoustics.analysis import measure_composite
from roomplan.loudness.meter import Meter
from roomplan.rooms.positions import available_positions
from roomplan.rooms.preparation import prepare_room
from roomplan.rooms.prepared import PositionRequest
from roomplan.rooms.room_file import bundled_rooms, load_room_specification
from roomplan.rooms.synthesis import SyntheticResponse

RATE = 48_000
DEFAULT = PositionRequest("default")
MAIN = PositionRequest("main")


def prepared(room, requests=(DEFAULT,), *, sample_rate=RATE, store=None):
    found, problems = prepare_room(room, requests, sample_rate=sample_rate, store=store)
    assert problems == []
    assert found is not None
    return found


def problem_text(room, requests=(DEFAULT,), *, sample_rate=RATE):
    found, problems = prepare_room(room, requests, sample_rate=sample_rate)
    assert found is None
    assert problems
    return "\n".join(map(str, problems))


def level_db(energy):
    return 10.0 * np.log10(energy)


# --- 0 dB of send -----------------------------------------------------------------------------------


def pink_stereo(seconds, *, sample_rate, seed=11):
    """Independent pink noise (power density 1/f, 20 Hz–20 kHz or half the rate), left and right."""
    generator = np.random.default_rng(seed)
    frames = seconds * sample_rate
    frequencies = np.fft.rfftfreq(frames, 1.0 / sample_rate)
    shape = np.where((frequencies >= 20.0) & (frequencies <= 20_000.0), 1.0, 0.0)
    shape /= np.sqrt(np.maximum(frequencies, 1.0))
    spectrum = generator.standard_normal((2, frequencies.size)) + 1j * generator.standard_normal(
        (2, frequencies.size)
    )
    noise = np.fft.irfft(spectrum * shape, frames).T
    return 0.05 * noise / np.std(noise)


def loudness(samples, sample_rate):
    meter = Meter(sample_rate=sample_rate, channels=2)
    meter.feed(samples)
    integrated = meter.result().loudness.integrated_lufs
    assert integrated is not None
    return integrated


def returned(sound, position, gain):
    """What a send of 0 dB returns, by the definitions of the wirings: a plain convolution."""
    h = position.samples * gain
    if position.wiring == "true_stereo":
        paths = [(0, 0, h[:, 0]), (0, 1, h[:, 1]), (1, 0, h[:, 2]), (1, 1, h[:, 3])]
    else:
        left, right = h[:, 0], h[:, -1]  # a mono response serves both
        if position.wiring == "one_source":
            sound = np.repeat(np.sum(sound, axis=1, keepdims=True) / np.sqrt(2.0), 2, axis=1)
        paths = [(0, 0, left), (1, 1, right)]
    out = np.zeros((len(sound) + len(h) - 1, 2))
    for source, output, response in paths:
        out[:, output] += fftconvolve(sound[:, source], response)
    return out[: len(sound)]


@pytest.mark.parametrize(
    ("channels", "wiring", "rate"),
    [
        (1, "per_channel", 24_000),
        (1, "one_source", 24_000),
        (2, "per_channel", 48_000),
        (2, "one_source", 24_000),
        (4, "true_stereo", 24_000),
    ],
)
def test_60_s_of_independent_pink_noise_returns_as_loud_as_it_went_in(
    make_room, write_sound, hall_response, channels, wiring, rate
):
    # The limit of the project's own: ±0.1 LU for every wiring; the response is at another rate than the plan.
    path = write_sound(
        "hall.wav", hall_response(channels=channels, sample_rate=44_100, time_s=0.8), sample_rate=44_100
    )
    room = prepared(make_room(single=path, wiring=wiring), sample_rate=rate)
    sound = pink_stereo(60, sample_rate=rate)
    back = returned(sound, room.positions[DEFAULT], room.gain)
    assert loudness(back, rate) == pytest.approx(loudness(sound, rate), abs=0.1)


@pytest.mark.parametrize("wiring", [None, "one_source", "per_channel", "true_stereo"])
def test_pink_noise_returns_as_loud_as_it_went_in_from_a_synthetic_reference_seat(
    make_room, wiring, stage_file
):
    # Independent sides; what is left over is the chance of 60 s of noise.
    room = prepared(make_room(synthetic=stage_file(), wiring=wiring), [MAIN], sample_rate=24_000)
    sound = pink_stereo(60, sample_rate=24_000)
    back = returned(sound, room.positions[MAIN], room.gain)
    assert loudness(back, 24_000) == pytest.approx(loudness(sound, 24_000), abs=0.05)


@pytest.mark.parametrize("name", sorted(bundled_rooms()))
def test_a_mono_section_returns_from_the_reference_seat_of_a_synthetic_room_as_loud_as_it_went_in(
    make_room, name
):
    # Not exactly: the gain is that of the two sources beside the middle of the seat, in which it plays.
    mono = PositionRequest("main", None, 1)
    room = prepared(make_room(synthetic=name), [mono], sample_rate=24_000)
    assert room.positions[mono].wiring == "one_source"
    # Its signal m stands for left = right = m/√2.
    sound = np.repeat(np.sqrt(0.5) * pink_stereo(30, sample_rate=24_000)[:, :1], 2, axis=1)
    back = returned(sound, room.positions[mono], room.gain)
    assert loudness(back, 24_000) == pytest.approx(loudness(sound, 24_000), abs=0.5)


def test_a_stereo_section_on_a_seat_without_spread_returns_3_db_under(make_room, make_seat, stage_file):
    # (L+R)/√2 of independent sides has half of their power, and the gain is one for two sources.
    narrow = PositionRequest("main", make_seat(6.0, 0.0, 0.0))  # the reference seat's place
    room = prepared(make_room(synthetic=stage_file()), [narrow], sample_rate=24_000)
    assert room.positions[narrow].wiring == "one_source"
    sound = pink_stereo(30, sample_rate=24_000)
    back = returned(sound, room.positions[narrow], room.gain)
    assert loudness(back, 24_000) - loudness(sound, 24_000) == pytest.approx(-3.01, abs=0.5)


def test_a_centred_mono_stem_returns_3_db_louder_in_one_source(make_room, write_sound, hall_response):
    path = write_sound("hall.wav", hall_response(time_s=0.6))
    room = prepared(make_room(single=path, wiring="one_source"), sample_rate=24_000)
    mono = np.repeat(pink_stereo(40, sample_rate=24_000)[:, :1], 2, axis=1)
    back = returned(mono, room.positions[DEFAULT], room.gain)
    assert loudness(back, 24_000) - loudness(mono, 24_000) == pytest.approx(3.01, abs=0.15)


def test_one_gain_for_the_whole_room_whoever_asks(make_room, write_sound, hall_response):
    front = write_sound("front.wav", hall_response())
    rear = write_sound("rear.wav", 0.3 * hall_response(seed=2))
    room = make_room(files={"front": front, "rear": rear})
    alone = prepared(room, [PositionRequest("rear")])
    both = prepared(room, [PositionRequest("front"), PositionRequest("rear")])
    assert alone.gain_position == both.gain_position == "front"
    assert alone.gain == both.gain
    assert set(alone.positions) == {PositionRequest("rear")}
    quieter = np.sum(both.positions[PositionRequest("rear")].samples ** 2) / np.sum(
        both.positions[PositionRequest("front")].samples ** 2
    )
    assert level_db(quieter) == pytest.approx(20.0 * np.log10(0.3), abs=0.5)


def test_the_gain_position_is_named_or_default_or_the_first_listed(make_room, write_sound, hall_response):
    files = {
        name: write_sound(f"{name}.wav", hall_response(seed=i))
        for i, name in enumerate(("a", "default", "c"))
    }
    assert prepared(make_room(files=files)).gain_position == "default"
    assert prepared(make_room(files=files, gain_position="c")).gain_position == "c"
    del files["default"]
    assert prepared(make_room(files=files), [PositionRequest("c")]).gain_position == "a"


def test_normalise_none_gives_a_gain_of_one(make_room, write_sound, hall_response):
    room = prepared(make_room(single=write_sound("hall.wav", hall_response()), normalise="none"))
    assert (room.gain, room.gain_db) == (1.0, 0.0)


def test_peak_makes_the_largest_sample_that_is_used_1(make_room, write_sound, hall_response):
    path = write_sound("hall.wav", hall_response())
    for direct in ("drop", "keep"):
        room = prepared(make_room(single=path, direct=direct, normalise="peak"))
        (position,) = room.positions.values()
        assert room.gain * np.abs(position.samples).max() == pytest.approx(1.0)


def test_keeping_the_direct_sound_does_not_change_the_gain(make_room, write_sound, hall_response):
    path = write_sound("hall.wav", hall_response())
    drop, keep = (prepared(make_room(single=path, direct=direct)) for direct in ("drop", "keep"))
    # The tail trim is 100 dB under what is kept, and so are the two gains.
    assert keep.gain == pytest.approx(drop.gain, rel=1e-6)


# --- Rates ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("from_rate", "to_rate"), [(96_000, 48_000), (44_100, 48_000), (48_000, 44_100)])
def test_a_resampled_response_keeps_its_level(make_room, write_sound, decaying_noise, from_rate, to_rate):
    # The project's own limit: ±0.05 dB with `normalise: none`. A sine is convolved at both rates.
    response = decaying_noise(0.5, length_s=1.0, sample_rate=from_rate)
    path = write_sound("nave.wav", response, sample_rate=from_rate)
    room = prepared(
        make_room(single=path, normalise="none", direct="absent", trim_tail=False), sample_rate=to_rate
    )
    samples = room.positions[DEFAULT].samples
    for low, high in ((90, 180), (355, 710), (1400, 2800), (5600, 11_200)):
        levels = []
        for h, rate in ((response, from_rate), (samples, to_rate)):
            spectrum = np.abs(np.fft.rfft(h[:, 0], 4 * rate)) ** 2
            levels.append(level_db(np.mean(spectrum[4 * low : 4 * high])))
        assert levels[1] - levels[0] == pytest.approx(0.0, abs=0.05), low


def test_every_rate_from_8_to_192_khz_is_prepared(make_room, write_sound, hall_response):
    for rate in (8_000, 11_025, 192_000):
        path = write_sound(
            "hall.wav", hall_response(sample_rate=rate, length_s=0.8, time_s=0.5), sample_rate=rate
        )
        room = prepared(make_room(single=path))
        assert room.direct_found
        assert room.positions[DEFAULT].onset_s == pytest.approx(0.02, abs=0.001)


# --- Direct sound and time ----------------------------------------------------------------------------


def test_drop_takes_the_direct_sound_and_keeps_the_gap_before_the_reflections(
    make_room, write_sound, hall_response
):
    response = hall_response(lead_s=0.008, gap_s=0.03)
    room = prepared(make_room(single=write_sound("hall.wav", response), normalise="none"))
    position = room.positions[DEFAULT]
    assert room.direct_found
    assert room.warnings == ()
    assert position.onset_s == pytest.approx(0.03, abs=0.0005)
    gap = round(0.03 * RATE)
    assert not np.any(position.samples[:gap])
    # Everything after the gap is the response itself, moved so that the direct sound would be at frame 0.
    start = round(0.008 * RATE) + gap
    np.testing.assert_allclose(
        position.samples[gap : gap + RATE // 2], response[start : start + RATE // 2], atol=1e-12
    )


def test_keep_begins_with_the_direct_sound_at_time_0(make_room, write_sound, hall_response):
    room = prepared(make_room(single=write_sound("hall.wav", hall_response()), direct="keep"))
    position = room.positions[DEFAULT]
    assert position.samples[0, 0] == pytest.approx(0.9)
    assert position.onset_s == 0.0


def test_absent_cuts_nothing_and_keeps_the_leading_time(make_room, write_sound, hall_response):
    response = hall_response(lead_s=0.008)
    room = prepared(make_room(single=write_sound("hall.wav", response), direct="absent", trim_tail=False))
    position = room.positions[DEFAULT]
    np.testing.assert_allclose(position.samples, response, atol=1e-12)
    assert position.onset_s == pytest.approx(0.008)


def test_the_onset_is_found_after_resampling(make_room, write_sound, hall_response):
    response = hall_response(sample_rate=96_000, lead_s=0.01, gap_s=0.025)
    path = write_sound("hall.wav", response, sample_rate=96_000)
    drop, absent = (prepared(make_room(single=path, direct=d)) for d in ("drop", "absent"))
    assert drop.positions[DEFAULT].onset_s == pytest.approx(0.025, abs=2e-4)
    assert absent.positions[DEFAULT].onset_s == pytest.approx(0.01, abs=2e-4)


def test_where_no_direct_sound_stands_out_nothing_is_dropped_and_check_says_so(
    make_room, write_sound, decaying_noise
):
    response = decaying_noise(1.0, length_s=1.5, channels=2)
    room = prepared(make_room(single=write_sound("late.wav", response), normalise="none"))
    assert not room.direct_found
    (warning,) = room.warnings
    assert "late.wav: no direct sound stands out" in str(warning)
    assert "direct: absent" in str(warning)
    position = room.positions[DEFAULT]
    first = int(np.argmax(np.any(np.abs(response) >= 0.1 * np.max(np.abs(response), axis=0), axis=1)))
    np.testing.assert_allclose(position.samples[:4800], response[first : first + 4800], atol=1e-12)


def test_a_perfect_impulse_is_a_problem_that_names_the_file_and_the_cure(make_room, write_sound):
    impulse = np.zeros((4_800, 1))
    impulse[100] = 1.0
    path = write_sound("impulse.wav", impulse)
    text = problem_text(make_room(single=path))
    assert "impulse.wav: nothing is left when the direct sound is dropped" in text
    assert "use `direct: keep` or `direct: absent`" in text
    for direct in ("keep", "absent"):
        room = prepared(make_room(single=path, direct=direct))
        assert room.gain == pytest.approx(1.0)  # an impulse in both outputs is the identity


def test_each_position_has_its_own_time_0_unless_the_room_shares_one(make_room, write_sound, hall_response):
    files = {
        "front": write_sound("front.wav", hall_response(lead_s=0.004)),
        "rear": write_sound("rear.wav", hall_response(lead_s=0.034, seed=3)),
    }
    requests = [PositionRequest("front"), PositionRequest("rear")]
    each = prepared(make_room(files=files), requests)
    assert each.positions[PositionRequest("rear")].onset_s == pytest.approx(0.02, abs=0.001)
    shared = prepared(make_room(files=files, align="room"), requests)
    assert shared.positions[PositionRequest("front")].onset_s == pytest.approx(0.02, abs=0.001)
    assert shared.positions[PositionRequest("rear")].onset_s == pytest.approx(0.05, abs=0.001)
    # Who asks does not move time 0.
    alone = prepared(make_room(files=files, align="room"), [PositionRequest("rear")])
    np.testing.assert_array_equal(
        alone.positions[PositionRequest("rear")].samples, shared.positions[PositionRequest("rear")].samples
    )


# --- Decay and tail -----------------------------------------------------------------------------------


def mid_time(samples, rate=RATE):
    bands = measure_composite(samples, dry=None, sample_rate=rate, centres_hz=(500, 1000)).bands
    return float(np.mean([band.t30_s for band in bands if band.t30_s is not None]))


@pytest.mark.parametrize("scale", [0.8, 1.25])
def test_decay_scale_scales_the_room_and_the_gain_is_found_after_it(
    make_room, write_sound, hall_response, scale
):
    path = write_sound("hall.wav", hall_response(length_s=1.8))
    plain, scaled = (prepared(make_room(single=path, decay_scale=s)) for s in (None, scale))
    times = [mid_time(r.positions[DEFAULT].samples) for r in (plain, scaled)]
    assert times[1] / times[0] == pytest.approx(scale, rel=0.03)
    # Energy of an exponential goes with its time.
    assert scaled.gain / plain.gain == pytest.approx(scale**-0.5, rel=0.05)


def test_reverberation_time_asks_for_a_mid_band_time(make_room, write_sound, hall_response):
    path = write_sound("hall.wav", hall_response(length_s=1.8))
    room = prepared(make_room(single=path, reverberation_time_s=0.8))
    assert mid_time(room.positions[DEFAULT].samples) == pytest.approx(0.8, rel=0.03)
    text = problem_text(make_room(single=path, reverberation_time_s=4.0))
    assert "a reverberation_time of 4 s is" in text
    assert "times the" in text
    assert "ice_harbour.yaml:12:3" in text


def test_synthetic_rooms_are_scaled_by_their_specification(make_room):
    spec, _ = load_room_specification("tallowyard_stage")
    assert spec is not None
    for changes in ({"decay_scale": 0.7}, {"reverberation_time_s": 0.7 * spec.mid_reverberation_time_s}):
        room = prepared(make_room(synthetic="tallowyard_stage", **changes), [MAIN], sample_rate=24_000)
        measured = mid_time(room.positions[MAIN].samples, 24_000)
        assert measured == pytest.approx(0.7 * spec.mid_reverberation_time_s, rel=0.03)


@pytest.mark.parametrize("scale", [0.2, 1.6])
def test_a_decay_scale_out_of_range_is_a_problem(make_room, write_sound, hall_response, scale):
    path = write_sound("hall.wav", hall_response(length_s=0.5))
    assert f"decay_scale is {scale:g} — give 0.3 to 1.5" in problem_text(
        make_room(single=path, decay_scale=scale)
    )


def test_the_tail_is_trimmed_at_the_noise_floor_and_never_when_told_not_to(
    make_room, write_sound, hall_response
):
    generator = np.random.default_rng(5)
    response = hall_response(length_s=3.0)
    response[240 + 960 :] += 1e-4 * generator.standard_normal((len(response) - 1200, 2))
    path = write_sound("noisy.wav", response)
    trimmed = prepared(make_room(single=path)).positions[DEFAULT].samples
    # The decay starts at −20 dB and the noise is at −80 dB: T · 60/60 after the gap (check values, 3.6),
    # and the fade.
    assert len(trimmed) / RATE == pytest.approx(1.02 + 0.02, abs=0.05)
    whole = prepared(make_room(single=path, trim_tail=False)).positions[DEFAULT].samples
    assert len(whole) == len(response) - 240


# --- Wiring -----------------------------------------------------------------------------------------


def test_wiring_is_chosen_position_by_position(make_room, write_sound, hall_response):
    room = make_room(
        files={
            "stereo": write_sound("s.wav", hall_response(length_s=0.8)),
            "mono": write_sound("m.wav", hall_response(channels=1, length_s=0.8)),
            "four": write_sound("f.wav", hall_response(channels=4, length_s=0.8)),
            "pair": (
                write_sound("l.wav", hall_response(channels=1, length_s=0.8)),
                write_sound("r.wav", hall_response(channels=1, length_s=0.8, seed=9)),
            ),
        }
    )
    names = ("stereo", "mono", "four", "pair")
    requests = [PositionRequest(name) for name in names]
    ready = prepared(room, requests).positions
    assert [ready[request].wiring for request in requests] == [
        "one_source",
        "per_channel",
        "true_stereo",
        "one_source",
    ]
    assert [ready[request].samples.shape[1] for request in requests] == [2, 1, 4, 2]


def test_a_single_pair_of_files_is_per_channel_or_true_stereo(make_room, write_sound, hall_response):
    mono = tuple(write_sound(f"{s}.wav", hall_response(channels=1, length_s=0.5)) for s in "lr")
    stereo = tuple(write_sound(f"{s}2.wav", hall_response(channels=2, length_s=0.5)) for s in "lr")
    assert prepared(make_room(single=mono)).positions[DEFAULT].wiring == "per_channel"
    assert prepared(make_room(single=stereo)).positions[DEFAULT].wiring == "true_stereo"


def test_a_wiring_that_does_not_fit_is_a_problem_with_its_position(make_room, write_sound, hall_response):
    path = write_sound("hall.wav", hall_response(length_s=0.5))
    text = problem_text(make_room(single=path, wiring="true_stereo"))
    assert "wiring true_stereo does not fit a stereo response — use one_source or per_channel" in text


# --- Synthetic rooms --------------------------------------------------------------------------------


def test_positions_of_a_synthetic_room_are_its_microphones(make_room):
    assert available_positions(make_room(synthetic="larkmere_hall")) == (("main", "rear"), [])
    names, problems = available_positions(make_room(synthetic="larkmere_hal"))
    assert names == ()
    assert "did you mean larkmere_hall?" in str(problems[0])


def test_positions_of_files_are_listed_without_opening_them(make_room, tmp_path):
    room = make_room(files={"front": tmp_path / "a.wav", "rear": tmp_path / "b.wav"})
    assert available_positions(room) == (("front", "rear"), [])


def test_every_seat_has_its_own_response_and_back_seats_are_quieter(make_room, make_seat):
    near, far = make_seat(5.0, 0.0), make_seat(14.0, 20.0)
    requests = [
        PositionRequest("main", near),
        PositionRequest("main", far),
        PositionRequest("rear", near),
        MAIN,
    ]
    room = prepared(make_room(synthetic="larkmere_hall"), requests, sample_rate=16_000)
    assert set(room.positions) == set(requests)
    main_near, main_far, rear_near, _reference = (room.positions[request] for request in requests)
    assert np.sum(main_far.samples**2) < np.sum(main_near.samples**2)
    assert (main_near.position, rear_near.position) == ("main", "rear")
    # The rear pair hears the room later: its positions share the time of the direct sound at `main`.
    assert rear_near.onset_s > main_near.onset_s


def test_a_stereo_section_on_a_seat_is_true_stereo_and_a_mono_one_or_one_without_spread_is_one_source(
    make_room, make_seat, stage_file
):
    wide, narrow = make_seat(7.0, 10.0), make_seat(7.0, 10.0, 0.0)
    requests = [
        PositionRequest("main", wide),
        MAIN,
        PositionRequest("main", wide, 1),
        PositionRequest("main", None, 1),
        PositionRequest("main", narrow),
        PositionRequest("main", narrow, 1),
    ]
    room = prepared(make_room(synthetic=stage_file()), requests, sample_rate=8_000)
    found = [(room.positions[r].wiring, room.positions[r].samples.shape[1]) for r in requests]
    assert found == [("true_stereo", 4)] * 2 + [("one_source", 2)] * 4
    # One source stands in the middle whatever the spread: the same response, made once.
    assert room.positions[requests[2]].samples is room.positions[requests[4]].samples


@pytest.mark.parametrize(
    ("wiring", "stereo", "mono"),
    [
        ("one_source", "one_source", "one_source"),
        ("per_channel", "per_channel", "per_channel"),
        ("true_stereo", "true_stereo", "one_source"),
    ],
)
def test_a_wiring_that_is_asked_for_decides_in_a_synthetic_room(
    make_room, make_seat, wiring, stereo, mono, stage_file
):
    seat = make_seat(7.0, 10.0, 0.0)
    requests = [PositionRequest("main", seat), PositionRequest("main", seat, 1)]
    room = prepared(make_room(synthetic=stage_file(), wiring=wiring), requests, sample_rate=8_000)
    assert [room.positions[request].wiring for request in requests] == [stereo, mono]
    assert room.gain_wiring == stereo


@pytest.mark.parametrize("wiring", [None, "one_source", "true_stereo"])
def test_who_plays_in_a_synthetic_room_does_not_move_its_gain(make_room, make_seat, wiring, stage_file):
    room = make_room(synthetic=stage_file(), wiring=wiring)
    wide, narrow = make_seat(4.0, -20.0), make_seat(9.0, 30.0, 0.0)
    several = [
        PositionRequest("rear", wide),
        PositionRequest("main", narrow),
        PositionRequest("main", wide, 1),
    ]
    gains = {prepared(room, requests, sample_rate=8_000).gain for requests in ([MAIN], several, several[2:])}
    assert len(gains) == 1


def test_0_db_of_send_means_the_same_where_the_reference_seat_has_no_spread(make_room, stage_file):
    # Then the gain is for two sources in one place: sections on seats with spread return no louder.
    source = "reference_seat: {distance: 6, angle: 0}"
    narrow = stage_file(source, "reference_seat: {distance: 6, angle: 0, spread: 0}", name="narrow.yaml")
    gains = [
        prepared(make_room(synthetic=room), [MAIN], sample_rate=24_000).gain_db
        for room in (stage_file(), narrow)
    ]
    assert gains[1] == pytest.approx(gains[0], abs=0.5)
    (position,) = prepared(make_room(synthetic=narrow), [MAIN], sample_rate=8_000).positions.values()
    assert position.wiring == "one_source"


def test_the_left_source_of_a_seat_is_nearer_to_the_left_microphone(make_room, make_seat, stage_file):
    # Spaced omnidirectional pair, 1.2 m apart; sources 4 m to either side of a seat straight ahead.
    request = PositionRequest("main", make_seat(4.0, 0.0, 8.0))
    room = prepared(make_room(synthetic=stage_file(), direct="keep"), [request], sample_rate=48_000)
    arrivals = [
        np.argmax(np.abs(channel) >= 0.1 * np.abs(channel).max())
        for channel in room.positions[request].samples.T
    ]
    ll, lr, rl, rr = arrivals
    # Sources (13, ∓4, 1.5), microphones (17, ∓0.6, 3): worked by hand, 343.2 m/s.
    way = np.sqrt(4.0**2 + 4.6**2 + 1.5**2) - np.sqrt(4.0**2 + 3.4**2 + 1.5**2)
    assert (lr - ll) / 48_000 == pytest.approx(way / 343.2, abs=1e-4)
    assert (rl - rr) / 48_000 == pytest.approx(way / 343.2, abs=1e-4)


def test_align_each_starts_a_synthetic_position_at_its_own_direct_sound(make_room, make_seat, stage_file):
    request = PositionRequest("rear", make_seat(8.0, 0.0), 1)
    shared, own = (
        prepared(make_room(synthetic=stage_file(), align=align, direct="keep"), [request], sample_rate=16_000)
        for align in (None, "each")
    )
    assert own.positions[request].onset_s < 0.001
    # Source (9, 0, 1.5); main (17, ±0.6, 3); rear (24, ±4, 4): worked by hand.
    way = np.sqrt(15.0**2 + 4.0**2 + 2.5**2) - np.sqrt(8.0**2 + 0.6**2 + 1.5**2)
    assert shared.positions[request].onset_s == pytest.approx(way / 343.2, abs=1e-3)


def test_keep_adds_the_direct_sound_of_a_synthetic_seat_at_time_0(make_room, stage_file):
    drop, keep = (prepared(make_room(synthetic=stage_file(), direct=d), [MAIN]) for d in ("drop", "keep"))
    first = keep.positions[MAIN].samples[0, 0]
    assert first > 0.5
    # What is left there is the band limit of the first reflection, 4 ms later.
    assert np.abs(drop.positions[MAIN].samples[:48]).max() < 1e-4 * first
    assert keep.gain == drop.gain


def test_a_seat_outside_the_walls_is_a_problem_at_the_seat(make_room, make_seat):
    text = problem_text(
        make_room(synthetic="sedgewater_chapel"), [PositionRequest("main", make_seat(12.0, 80.0))]
    )
    assert text.startswith("ice_harbour.yaml:12:3: room parish_nave: a seat 12 m away at 80°")
    assert "the room ends 6.3 m from the main microphones" in text


def test_a_source_outside_the_walls_is_a_problem_of_stereo_sections_alone(make_room, make_seat, stage_file):
    wide, room = make_seat(8.0, 0.0, 19.0), make_room(synthetic=stage_file())  # 19 m wide
    text = problem_text(room, [PositionRequest("main", wide), PositionRequest("rear", wide)])
    assert text.startswith("ice_harbour.yaml:12:3: room parish_nave: a seat 8 m away at 0°")
    assert "left source" in text
    assert text.count("\n") == 0
    prepared(room, [PositionRequest("main", wide, 1)], sample_rate=8_000)
    prepared(make_room(synthetic=stage_file(), wiring="one_source"), [PositionRequest("main", wide)])


def test_a_reference_seat_too_wide_for_its_room_is_a_problem_of_the_room_file(make_room, stage_file):
    seat = "reference_seat: {distance: 6, angle: 0}"
    path = stage_file(seat, "reference_seat: {distance: 6, angle: 0, spread: 19.5}")
    assert "my_stage.yaml:" in problem_text(make_room(synthetic=path), [MAIN])


def test_a_seat_off_the_stage_is_reported_with_its_distance(make_room, make_seat, stage_file):
    # Microphones at x = 17 m: a seat 6 m away stands at x = 11, 5 m to the right at most.
    path = stage_file("seed:", "stage: {from: 2, to: 10, width: 12}\nseed:")
    on, before, beside = make_seat(8.0, 0.0), make_seat(6.0, 0.0), make_seat(np.hypot(8.0, 8.0), 45.0)
    requests = [MAIN, *(PositionRequest("main", seat) for seat in (on, before, beside))]
    room = prepared(make_room(synthetic=path), requests, sample_rate=8_000)
    found = [room.positions[request].off_stage_m for request in requests]
    # The reference seat is the file's own matter.
    assert found == [0.0, 0.0, pytest.approx(1.0), pytest.approx(2.0)]
    bare = prepared(make_room(synthetic=stage_file()), requests[1:], sample_rate=8_000)
    assert {position.off_stage_m for position in bare.positions.values()} == {0.0}


class Shelf:
    """A store in memory that counts what was found."""

    def __init__(self):
        self.kept, self.titles, self.found = {}, [], 0

    def get(self, identity):
        response = self.kept.get(json.dumps(identity, sort_keys=True))
        self.found += response is not None
        return response

    def put(self, identity, response, *, title):
        self.kept[json.dumps(identity, sort_keys=True)] = response
        self.titles.append(title)


def test_a_stored_response_is_used_and_changes_nothing(make_room, make_seat, stage_file):
    requests = [
        PositionRequest("main", make_seat(7.0, 10.0)),
        PositionRequest("main", make_seat(7.0, 10.0), 1),
    ]
    shelf, room = Shelf(), make_room(synthetic=stage_file(), direct="keep", decay_scale=0.9)
    fresh = prepared(room, requests, sample_rate=8_000)
    first = prepared(room, requests, sample_rate=8_000, store=shelf)
    assert (shelf.found, len(shelf.kept)) == (0, 3)  # and the reference seat
    again = prepared(room, requests, sample_rate=8_000, store=shelf)
    assert (shelf.found, len(shelf.kept)) == (3, 3)
    assert fresh.gain == first.gain == again.gain
    for request in requests:
        for other in (first, again):
            np.testing.assert_array_equal(other.positions[request].samples, fresh.positions[request].samples)
    assert sorted(shelf.titles) == [
        "Sedgewater Stage, seat 6 m 0°, spread 3 m, main",
        "Sedgewater Stage, seat 7 m 10°, main",
        "Sedgewater Stage, seat 7 m 10°, spread 3 m, main",
    ]


def test_a_stored_response_of_other_channels_is_not_used(make_room, stage_file):
    shelf, room = Shelf(), make_room(synthetic=stage_file())
    first = prepared(room, [MAIN], sample_rate=8_000, store=shelf)
    for key, response in shelf.kept.items():
        shelf.kept[key] = SyntheticResponse(response.direct[:, :2], response.reflected[:, :2], 8_000)
    again = prepared(room, [MAIN], sample_rate=8_000, store=shelf)
    np.testing.assert_array_equal(again.positions[MAIN].samples, first.positions[MAIN].samples)


@pytest.mark.parametrize(
    ("old", "new", "kept"),
    [
        ("title: Sedgewater Stage", "title: Tallowyard Annexe", True),
        ("seed:", "stage: {from: 2, to: 10, width: 12}\nseed:", True),
        ("seed: 1204", "seed: 1205", False),
        ("height: 9}", "height: 9.5}", False),
        ('"500": 0.85', '"500": 0.86', False),
        ("[17, 0.6, 3]]", "[17, 0.65, 3]]", False),
        ("seed:", "temperature: 21\nseed:", False),
        ("seed:", "scattering: 0.4\nseed:", False),
    ],
)
def test_a_room_file_that_was_edited_has_other_responses_and_one_that_was_renamed_has_not(
    make_room, make_seat, stage_file, old, new, kept
):
    shelf, request = Shelf(), PositionRequest("main", make_seat(6.0, 0.0))
    prepared(make_room(synthetic=stage_file()), [request], sample_rate=8_000, store=shelf)
    prepared(
        make_room(synthetic=stage_file(old, new, name="other.yaml")),
        [request],
        sample_rate=8_000,
        store=shelf,
    )
    assert (shelf.found == 1) is kept
    assert (len(shelf.kept) == 1) is kept


def test_a_room_file_of_ones_own_is_used_by_path(make_room, tmp_path):
    source = bundled_rooms()["tallowyard_stage"]
    path = tmp_path / "my_stage.yaml"
    path.write_text(source.read_text(encoding="utf-8"), encoding="utf-8")
    bundled, own = (
        prepared(make_room(synthetic=room), [MAIN], sample_rate=8_000) for room in ("tallowyard_stage", path)
    )
    np.testing.assert_array_equal(bundled.positions[MAIN].samples, own.positions[MAIN].samples)


# --- Problems and threads ---------------------------------------------------------------------------


def test_problems_of_all_positions_are_found_at_once(make_room, write_sound, tmp_path):
    room = make_room(
        files={"front": tmp_path / "missing.wav", "rear": write_sound("silent.wav", np.zeros((4_800, 2)))}
    )
    text = problem_text(room, [PositionRequest("front"), PositionRequest("rear")])
    assert "missing.wav: does not exist" in text
    assert "silent.wav: is silent" in text
    assert text.count("ice_harbour.yaml:12:3: ") == 2


def test_unknown_positions_and_gain_positions_suggest_the_nearest(make_room, write_sound, hall_response):
    path = write_sound("hall.wav", hall_response(length_s=0.5))
    text = problem_text(make_room(files={"front": path}, gain_position="fornt"), [PositionRequest("rere")])
    assert "has no gain position 'fornt' — did you mean front?" in text
    assert "has no position 'rere'" in text


def test_a_room_without_anything_to_use_is_a_problem(make_room):
    assert "has no responses" in problem_text(make_room())


def test_warnings_of_the_files_reach_the_plan(make_room, write_sound, hall_response):
    path = write_sound("hot.wav", np.clip(30.0 * hall_response(), -1.0, 1.0))
    warnings = prepared(make_room(single=path)).warnings
    assert any("hot.wav: channel 1 looks clipped" in str(warning) for warning in warnings)
    assert all(warning.place is not None for warning in warnings)


def test_preparing_from_several_threads_gives_the_same_samples(make_room, write_sound, hall_response):
    room = make_room(single=write_sound("hall.wav", hall_response(length_s=0.8)), decay_scale=1.2)
    alone = prepared(room, sample_rate=16_000).positions[DEFAULT].samples
    with ThreadPoolExecutor(4) as pool:
        for found in pool.map(lambda _i: prepared(room, sample_rate=16_000), range(4)):
            np.testing.assert_array_equal(found.positions[DEFAULT].samples, alone)


# --- Width ----------------------------------------------------------------------------------------------


def nearly_mono(room):
    return [str(warning) for warning in room.warnings if "late correlation" in str(warning)]


@pytest.mark.parametrize(
    ("shared", "width", "pointed_out"), [(0.95, 1.0, True), (0.7, 1.0, False), (0.93, 2.0, False)]
)
def test_a_return_whose_channels_are_nearly_one_is_pointed_out(
    make_room, write_sound, hall_response, shared, width, pointed_out
):
    # Two channels with a share of their power in common have it for their correlation (definition); a side
    # signal twice as large leaves (1.93 − 4 · 0.07)/(1.93 + 4 · 0.07) = 0.75 of 0.93.
    two, common = hall_response(time_s=0.6, direct=0.0), hall_response(time_s=0.6, direct=0.0, seed=9)[:, :1]
    mixed = np.sqrt(shared) * common + np.sqrt(1.0 - shared) * two
    mixed[round(0.005 * RATE)] = 0.9
    room = prepared(make_room(single=write_sound("hall.wav", mixed), width=width))
    assert bool(nearly_mono(room)) == pointed_out


def test_the_late_correlation_of_a_return_is_that_of_its_positions_by_their_energies(
    make_room, write_sound, hall_response
):
    # Independent sounds add by power: (0.9 · 1 + 0.1 · 4) / (1 + 4) = 0.26; one is 6.02 dB over the other.
    files = {}
    for number, (name, shared, gain) in enumerate((("front", 0.9, 0.5), ("rear", 0.1, 1.0))):
        two = hall_response(time_s=0.6, direct=0.0, seed=number)
        common = hall_response(time_s=0.6, direct=0.0, seed=9 + number)[:, :1]
        mixed = gain * (np.sqrt(shared) * common + np.sqrt(1.0 - shared) * two)
        mixed[round(0.005 * RATE)] = 0.45 * gain
        files[name] = write_sound(f"{name}.wav", mixed)
    asked = [PositionRequest("front"), PositionRequest("rear")]
    both = prepared(make_room(files=files), asked)
    assert both.late_correlation == pytest.approx(0.26, abs=0.05)
    wide = prepared(make_room(files=files, width=2.0), asked)
    # (1.26 − 4 · 0.74) / (1.26 + 4 · 0.74): a side signal twice as large has four times the power.
    assert wide.late_correlation == pytest.approx(-0.40, abs=0.05)
    assert prepared(make_room(files=files, width=0.0), asked).late_correlation == pytest.approx(1.0)


@pytest.mark.parametrize(("wiring", "pointed_out"), [("one_source", True), ("per_channel", False)])
def test_a_response_of_one_channel_returns_in_mono_unless_it_serves_each_side_of_a_stem(
    make_room, write_sound, hall_response, wiring, pointed_out
):
    path = write_sound("mono.wav", hall_response(time_s=0.6)[:, :1])
    room = prepared(make_room(single=path, wiring=wiring))
    assert room.late_correlation == pytest.approx(1.0)
    assert any("returns in mono" in str(warning) for warning in room.warnings) == pointed_out


def test_a_response_without_late_sound_has_no_late_correlation(make_room, write_sound, hall_response):
    path = write_sound("short.wav", hall_response(time_s=0.6)[: round(0.06 * RATE)])
    assert prepared(make_room(single=path)).late_correlation is None


@pytest.mark.parametrize("name", sorted(bundled_rooms()))
def test_no_main_set_up_of_a_bundled_room_returns_nearly_in_mono(make_room, name):
    assert not nearly_mono(prepared(make_room(synthetic=name), [MAIN], sample_rate=24_000))
