"""What the composites say: decay, clarity and tail of a section, a group and a room."""

from __future__ import annotations

import numpy as np
import pytest

RATE = 48_000
RAW = {"normalise": "none", "direct": "absent", "trim_tail": False}


def exponential_noise(reverberation_time, channels, seed, seconds=None):
    seconds = seconds or 1.8 * reverberation_time
    time = np.arange(round(seconds * RATE)) / RATE
    noise = np.random.default_rng(seed).standard_normal((len(time), channels))
    return noise * 10.0 ** (-3.0 * time / reverberation_time)[:, None]


def one_section(cue, response, *, channels=2, dry: float | str = 0, level=0, **room):
    cue.stem("choir.wav", 0.1 * np.random.default_rng(3).standard_normal((RATE, channels)))
    cue.response("ir.wav", response)
    return {
        "rooms": {"sedgewater_chapel": {"responses": "ir.wav", **RAW, **room}},
        "sections": {"choir": {"stems": ["choir"], "dry": dry, "sends": {"sedgewater_chapel": level}}},
    }


def test_room_reports_the_decay_of_its_response(cue):
    rendering = cue.measure(one_section(cue, exponential_noise(1.4, 2, 1)))
    mid = rendering.bus("room:sedgewater_chapel").decay.mid
    assert mid.t30_s == pytest.approx(1.4, rel=0.04)  # three standard errors of one noise draw
    assert mid.t20_s == pytest.approx(1.4, rel=0.05)


def test_dry_impulse_raises_clarity_as_the_energies_say(cue):
    # energies: dry 1 per channel; wet g²·e per channel; C80 = 10 lg((1 + early)/late), ISO 3382-1 Annex A.2
    response = exponential_noise(2.0, 2, 1)
    energy = np.sum(response**2, axis=0)
    response /= np.sqrt(energy)
    early = np.sum(response[: round(0.08 * RATE)] ** 2)
    late = np.sum(response[round(0.08 * RATE) :] ** 2)
    gain = 10.0 ** (3.0 / 20.0)
    rendering = cue.measure(one_section(cue, response, level=3))
    expected = 10.0 * np.log10((2.0 + gain**2 * early) / (gain**2 * late))
    # the mean over the two middle octaves of white noise is the broadband figure but for chance
    assert rendering.bus("section:choir").decay.mid.c80_db == pytest.approx(expected, abs=0.5)


def test_wet_decay_of_a_section_ignores_its_dry_level(cue):
    content = one_section(cue, exponential_noise(1.0, 2, 1), level=-12)
    quiet = cue.measure(content).bus("section:choir").decay.mid
    content["sections"]["choir"]["dry"] = -30
    assert cue.measure(content).bus("section:choir").decay.mid.edt_s == pytest.approx(quiet.edt_s, rel=1e-9)


def test_dry_off_makes_the_tail_null_with_its_reason(cue):
    bus = cue.measure(one_section(cue, exponential_noise(1.0, 2, 1), dry="off")).bus("section:choir")
    assert bus.decay_to_minus_40_s is None
    assert bus.reasons["decay_to_minus_40_s"] == "dry is off"
    assert bus.reasons["wet_to_dry_db"] == "dry is off"
    assert bus.wet_to_dry_db is None


def test_tail_counts_from_the_dry_impulse_to_40_db_under_the_whole(cue):
    # EDC(t) = wet·10^(−6t/T) over 1 + wet: 40 dB under 1 + wet; computed from the exponential itself
    reverberation_time, gain = 1.5, 10.0 ** (-6.0 / 20.0)
    response = exponential_noise(reverberation_time, 2, 1)
    response /= np.sqrt(np.sum(response**2, axis=0))
    bus = cue.measure(one_section(cue, response, level=-6)).bus("section:choir")
    wet = gain**2
    expected = reverberation_time / 6.0 * np.log10(wet / (1.0 + wet) * 1e4)
    assert bus.decay_to_minus_40_s == pytest.approx(expected, rel=0.02)


def test_wet_onset_adds_pre_delay_to_the_gap_of_the_response(cue):
    response = np.zeros((RATE, 1))
    response[480:] = exponential_noise(0.5, 1, 2, seconds=0.99)
    bus = cue.measure(one_section(cue, response, pre_delay=25)).bus("section:choir")
    assert bus.wet_onset_s == pytest.approx(0.035, abs=5e-4)


def test_mono_section_hears_one_source_3_db_louder(cue):
    # independent left and right: (L+R)/√2 has the power of one of them; a mono stem gives all of its power
    response = exponential_noise(0.8, 2, 1)
    room = {
        "rooms": {
            "sedgewater_chapel": {
                "responses": {"front": "ir.wav"},
                "normalise": "loudness",
                "direct": "absent",
            }
        }
    }
    stereo = cue.measure(one_section(cue, response) | room).bus("section:choir").wet_to_dry_db
    mono = cue.measure(one_section(cue, response, channels=1) | room).bus("section:choir").wet_to_dry_db
    assert mono - stereo == pytest.approx(3.0, abs=0.3)


def test_two_rooms_make_a_double_slope_only_the_section_shows(cue):
    cue.response("long.wav", exponential_noise(3.0, 2, 5))
    content = one_section(cue, exponential_noise(0.6, 2, 1))
    content["rooms"]["orrin_nave"] = {"responses": "long.wav", **RAW}
    content["sections"]["choir"]["sends"]["orrin_nave"] = -18
    rendering = cue.measure(content)
    section = rendering.bus("section:choir").decay.mid
    assert section.edt_s < 0.9
    assert section.t30_s > 1.5 * section.edt_s


def test_group_decay_lies_between_its_sections(cue):
    cue.stem("low.wav", 0.1 * np.random.default_rng(4).standard_normal((RATE, 2)))
    cue.response("long.wav", exponential_noise(2.0, 2, 5))
    content = one_section(cue, exponential_noise(0.8, 2, 1))
    content["rooms"]["orrin_nave"] = {"responses": "long.wav", **RAW}
    content["sections"]["low"] = {"stems": ["low"], "sends": {"orrin_nave": 0}}
    content["groups"] = {"all": {"sections": ["choir", "low"]}}
    rendering = cue.measure(content)
    edt = [rendering.bus(name).decay.mid.edt_s for name in ("section:choir", "group:all", "section:low")]
    assert edt == sorted(edt)
    assert rendering.bus("mix").decay.mid.edt_s == pytest.approx(edt[1], rel=1e-9)


def test_dry_bus_has_no_decay_and_says_why(cue):
    bus = cue.measure(one_section(cue, exponential_noise(0.8, 2, 1))).bus("dry")
    assert bus.decay is None
    assert bus.reasons["decay"] == "a dry bus has no reverberation"


def test_muted_section_is_null_with_its_reason(cue):
    rendering = cue.measure(one_section(cue, exponential_noise(0.8, 2, 1)), muted=frozenset({"choir"}))
    bus = rendering.bus("section:choir")
    assert bus.loudness.integrated_lufs is None
    assert bus.reasons["wet_to_dry_db"] == "muted"


def test_level_and_pan_of_a_stem_do_not_change_what_the_section_gets(cue):
    # both are in the section's signal: dry and sends hear them alike
    content = one_section(cue, exponential_noise(1.0, 2, 1))
    plain = cue.measure(content).bus("section:choir")
    content["sections"]["choir"]["stems"] = [{"file": "choir", "level": -12, "pan": 40}]
    changed = cue.measure(content).bus("section:choir")
    assert changed.decay.mid.c80_db == pytest.approx(plain.decay.mid.c80_db, abs=1e-9)
    assert changed.decay_to_minus_40_s == pytest.approx(plain.decay_to_minus_40_s, abs=1e-9)


def test_pan_of_a_section_turns_its_far_side_down_in_the_composite(cue):
    response = exponential_noise(1.0, 2, 1)
    content = one_section(cue, response / np.sqrt(np.sum(response**2, axis=0)))
    plain = cue.measure(content).bus("section:choir").decay.mid.d50
    content["sections"]["choir"]["pan"] = 100
    # D50 = (dry + early) / (dry + wet), wet energy 2: the dry energy falls from 2 to 1
    early = plain * 4.0 - 2.0
    assert cue.measure(content).bus("section:choir").decay.mid.d50 == pytest.approx(
        (1.0 + early) / 3.0, abs=0.01
    )


def test_wet_only_section_weighs_in_its_group_as_its_sound_does(cue):
    # the same sound through the same kind of response, once with its dry and once without: neither may vanish
    cue.stem("low.wav", 0.1 * np.random.default_rng(4).standard_normal((RATE, 2)))
    cue.response("long.wav", exponential_noise(2.0, 2, 5))
    content = one_section(cue, exponential_noise(0.8, 2, 1))
    content["rooms"]["orrin_nave"] = {"responses": "long.wav", **RAW}
    content["sections"]["low"] = {"stems": ["low"], "sends": {"orrin_nave": 0}}
    content["groups"] = {"all": {"sections": ["choir", "low"]}}
    with_dry = cue.measure(content).bus("group:all:wet").decay.mid.edt_s
    content["sections"]["low"]["dry"] = "off"
    assert cue.measure(content).bus("group:all:wet").decay.mid.edt_s == pytest.approx(with_dry, rel=0.05)


def test_mono_and_stereo_sections_get_the_same_clarity_from_a_per_channel_room(cue):
    # dry and wet of a mono signal are both m/√2 on each side: their ratio is that of independent sides
    response = exponential_noise(1.0, 2, 1)
    response /= np.sqrt(np.sum(response**2, axis=0))
    mono, stereo = (
        cue.measure(one_section(cue, response, channels=channels)).bus("section:choir").decay.mid.d50
        for channels in (1, 2)
    )
    assert mono == pytest.approx(stereo, abs=1e-6)
