"""What a render promises: levels, lengths, sums, files."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import fftconvolve

from roomplan.errors import RoomplanError
from roomplan.loudness.meter import Meter

RATE = 48_000
RAW = {"normalise": "none", "direct": "absent", "trim_tail": False}


def decibels(ratio):
    return 20.0 * np.log10(np.maximum(ratio, 1e-30))


def rms(samples):
    return float(np.sqrt(np.mean(np.square(samples))))


def noise(seconds, channels, seed, level=0.1):
    return level * np.random.default_rng(seed).standard_normal((round(seconds * RATE), channels))


def loudness(samples, rate=RATE):
    meter = Meter(sample_rate=rate, channels=samples.shape[1])
    meter.feed(samples)
    return meter.result().loudness.integrated_lufs


def orchestra(cue, decay):
    """Three sections, two rooms, a group: enough for every bus."""
    cue.stem("choir.wav", noise(2.0, 2, 1))
    cue.stem("low.wav", noise(1.5, 1, 2))
    cue.stem("high.wav", noise(1.0, 2, 3))
    cue.response("front.wav", decay(0.6, 0.5, 2, 4))
    cue.response("rear.wav", decay(0.7, 0.5, 2, 5))
    cue.response("stage.wav", decay(0.3, 0.2, 1, 6))
    return {
        "rooms": {
            "orrin_nave": {"responses": {"front": "front.wav", "rear": "rear.wav"}, "level": -1},
            "tallowyard_stage": {"responses": "stage.wav"},
        },
        "shared_sends": {"tallowyard_stage": -15},
        "groups": {
            "strings": {
                "sections": ["low", "high"],
                "level": -1,
                "sends": {"orrin_nave": {"level": -12, "position": "front"}},
            }
        },
        "sections": {
            "choir": {
                "stems": ["choir"],
                "level": -2,
                "sends": {
                    "orrin_nave": [
                        {"level": -6, "position": "front"},
                        {"level": -9, "position": "rear", "pre_delay": 20},
                    ]
                },
            },
            "low": {"stems": ["low"], "pan": 30, "dry": -3},
            "high": {"stems": ["high"], "delay": 10},
        },
        "alternates": {"choir_up": {"choir": {"level": 1.5}}},
        "deliveries": {
            "all": {
                "folder": "out",
                "write": ["mix", "prints", "dry", "wet", "rooms", "groups", "alternates"],
            }
        },
    }


def test_unit_impulse_as_response_gives_the_stem_back(cue):
    dry = cue.stem("choir.wav", noise(1.0, 2, 1))
    cue.response("one.wav", np.ones((1, 1)))
    cue.render(
        {
            "tail": "none",
            "rooms": {"orrin_nave": {"responses": "one.wav", **RAW}},
            "sections": {"choir": {"stems": ["choir"], "dry": "off", "sends": {"orrin_nave": 0}}},
        }
    )
    inside = slice(0, len(dry) - RATE // 50)  # the closing fade of `tail: none` is shorter than this
    assert decibels(rms(cue.sound("mix.wav")[inside] - dry[inside]) / rms(dry)) < -120.0


def test_wet_bus_equals_float64_fftconvolve_of_the_stem(cue, decay):
    dry = cue.stem("choir.wav", noise(1.3, 2, 1))
    response = cue.response("ir.wav", decay(0.7, 0.6, 2, 2))
    cue.render(
        {
            "tail": 1.0,
            "rooms": {"orrin_nave": {"responses": "ir.wav", **RAW}},
            "sections": {"choir": {"stems": ["choir"], "dry": "off", "sends": {"orrin_nave": -6}}},
        }
    )
    expected = 10 ** (-6 / 20) * fftconvolve(dry, response, axes=0)
    got = cue.sound("mix.wav")[: len(dry) + RATE // 4]
    assert decibels(rms(got - expected[: len(got)]) / rms(expected)) < -125.0


@pytest.mark.parametrize("family", ["prints", "rooms", "groups", "dry_and_wet"])
def test_files_of_a_family_null_against_the_mix(cue, decay, family):
    cue.render(orchestra(cue, decay))
    (entry,) = [f for f in cue.report["families"] if f["name"] == family]
    mix = cue.sound(entry["adds_up_to"])
    total = sum(cue.sound(file) for file in entry["files"])
    assert decibels(rms(total - mix) / rms(mix)) < -120.0


@pytest.mark.parametrize(("bit_depth", "container"), [(16, "wav"), (24, "wav"), (24, "flac")])
def test_integer_prints_null_within_the_sum_of_their_dithers(cue, decay, bit_depth, container):
    content = orchestra(cue, decay)
    content["deliveries"]["all"] |= {"format": container, "bit_depth": bit_depth}
    content["trim"] = -6
    cue.render(content)
    (entry,) = [f for f in cue.report["families"] if f["name"] == "prints"]
    mix = cue.sound(entry["adds_up_to"])
    total = sum(cue.sound(file) for file in entry["files"])
    # TPDF dither of 2 LSB plus rounding: variance LSB²/4 per file, (n prints + 1 mix) files
    expected = np.sqrt((len(entry["files"]) + 1) / 4.0) * 2.0 ** (1 - bit_depth)
    assert rms(total - mix) == pytest.approx(expected, rel=0.05)


def test_all_files_have_one_length(cue, decay):
    rendering = cue.render(orchestra(cue, decay))
    lengths = {len(cue.sound(o.file)) for outputs in rendering.outputs.values() for o in outputs}
    assert lengths == {rendering.frames}


def test_full_tail_ends_80_db_under_the_loudest_block(cue, decay):
    content = orchestra(cue, decay)
    rendering = cue.render(content)
    cue.render(content | {"tail": 2.0})
    power = np.sum(cue.sound("mix.wav") ** 2, axis=1)  # the same mix, ringing out
    hop, block = RATE // 50, round(0.4 * RATE)
    sums = np.concatenate([[0.0], np.cumsum(power)])
    loudest = (sums[block:] - sums[:-block]).max() / block
    hops = power[: len(power) // hop * hop].reshape(-1, hop).mean(axis=1)
    assert rendering.frames == (np.nonzero(hops > loudest * 1e-8)[0][-1] + 1) * hop


@pytest.mark.parametrize(("tail", "seconds"), [("none", 2.0), (0.25, 2.25)])
def test_tail_in_seconds_counts_from_the_end_of_the_longest_stem(cue, decay, tail, seconds):
    rendering = cue.render(orchestra(cue, decay) | {"tail": tail})
    assert rendering.frames == round(seconds * RATE)


def test_muting_and_choosing_buses_never_change_the_length(cue, decay):
    content = orchestra(cue, decay)
    whole = cue.render(content)
    muted = cue.render(content, muted=frozenset({"choir"}), only=["group:strings"])
    assert muted.frames == whole.frames
    assert list(muted.outputs) == ["group:strings"]


def test_the_same_plan_gives_the_same_samples_whatever_is_written(cue, decay):
    content = orchestra(cue, decay)
    first = cue.render(content).outputs
    second = cue.render(content).outputs
    alone = cue.render(content, only=["mix"]).outputs
    assert first == second
    assert alone["mix"] == first["mix"]


def test_mono_stem_at_the_centre_is_3_db_down_on_each_side(cue, decay):
    dry = cue.stem("low.wav", noise(0.5, 1, 1))
    cue.response("ir.wav", decay(0.2, 0.2, 1, 2))
    cue.render(
        {
            "tail": "none",
            "rooms": {"orrin_nave": {"responses": "ir.wav"}},
            "sections": {"low": {"stems": ["low"]}},
        }
    )
    mix = cue.sound("mix.wav")[: RATE // 4]
    np.testing.assert_allclose(mix, np.sqrt(0.5) * dry[: RATE // 4] * [1.0, 1.0], atol=1e-7)


def test_pan_moves_the_dry_and_not_the_send(cue, decay):
    cue.stem("high.wav", noise(0.5, 2, 1))
    cue.response("ir.wav", decay(0.2, 0.2, 2, 2))
    section = {"stems": ["high"], "sends": {"orrin_nave": -6}}
    wets, dries = [], []
    for pan in (0, 100):
        content = {
            "rooms": {"orrin_nave": {"responses": "ir.wav"}},
            "sections": {"high": section | {"pan": pan}},
            "deliveries": {"d": {"folder": "out", "write": ["dry", "wet"]}},
        }
        cue.render(content)
        wets.append(cue.sound("dry_and_wet/wet.wav")[: RATE // 2])
        dries.append(cue.sound("dry_and_wet/dry.wav")[: RATE // 2])
    np.testing.assert_array_equal(wets[0], wets[1])
    assert rms(dries[1][:, 0]) < 1e-6
    np.testing.assert_allclose(dries[1][:, 1], dries[0][:, 1], atol=1e-7)  # nothing crosses over


def test_mono_stem_with_a_seat_follows_the_seat(cue):
    cue.stem("low.wav", noise(0.3, 1, 1))
    content = {
        "tail": "none",
        "rooms": {"larkmere_hall": {"synthetic": "larkmere_hall"}},
        "sections": {"low": {"stems": ["low"], "seat": {"distance": 8, "angle": 22.5}, "sends": {}}},
    }
    cue.render(content)
    left, right = (rms(channel) for channel in cue.sound("mix.wav").T)
    # pan 50 of the constant-power law (check values, section 8: p 0.75 → 0.38268, 0.92388)
    assert left / right == pytest.approx(0.38268 / 0.92388, rel=1e-4)


def test_section_level_moves_dry_and_sends_together(cue, decay):
    content = orchestra(cue, decay)
    before = cue.measure(content)
    content["sections"]["choir"]["level"] = -8
    after = cue.measure(content)
    for side in ("dry", "wet"):
        change = (
            after.bus(f"section:choir:{side}").loudness.integrated_lufs
            - before.bus(f"section:choir:{side}").loudness.integrated_lufs
        )
        assert change == pytest.approx(-6.0, abs=1e-3)


def test_delay_moves_dry_and_sends_by_whole_samples(cue, decay):
    dry = cue.stem("high.wav", noise(0.5, 2, 1))
    cue.response("ir.wav", decay(0.2, 0.2, 2, 2))
    content = {
        "rooms": {"orrin_nave": {"responses": "ir.wav", **RAW}},
        "sections": {"high": {"stems": ["high"], "delay": 12.5, "sends": {"orrin_nave": 0}}},
        "deliveries": {"d": {"folder": "out", "write": ["dry", "wet"]}},
    }
    cue.render(content)
    delayed = cue.sound("dry_and_wet/dry.wav")
    assert not delayed[:600].any()
    np.testing.assert_allclose(delayed[600 : 600 + 10_000], dry[:10_000], atol=1e-7)
    assert (
        not cue.sound("dry_and_wet/wet.wav")[:599].any() or rms(cue.sound("dry_and_wet/wet.wav")[:599]) < 1e-6
    )


def test_pre_delay_of_a_send_replaces_that_of_the_room(cue):
    cue.stem("hit.wav", np.eye(1, 4800).T)
    cue.response("one.wav", np.ones((1, 1)))
    cue.render(
        {
            "rooms": {"orrin_nave": {"responses": "one.wav", "pre_delay": 30, **RAW}},
            "sections": {
                "hit": {
                    "stems": ["hit"],
                    "dry": "off",
                    "sends": {"orrin_nave": {"level": 0, "pre_delay": 10}},
                }
            },
            "tail": 1,
        }
    )
    mix = np.abs(cue.sound("mix.wav")[:, 0])
    assert int(np.argmax(mix)) == 480


def test_alternate_adds_its_level_to_the_section(cue, decay):
    rendering = cue.render(orchestra(cue, decay))
    mix, up = cue.sound("mix.wav"), cue.sound("alternates/choir_up.wav")
    choir = cue.sound("prints/choir.wav")
    assert decibels(rms(up - mix - (10 ** (1.5 / 20) - 1.0) * choir) / rms(mix)) < -120.0
    assert rendering.bus("alternate:choir_up").sample_peak_dbfs == pytest.approx(
        decibels(np.abs(up).max()), abs=1e-4
    )


def test_reported_loudness_is_that_of_the_file(cue, decay):
    rendering = cue.render(orchestra(cue, decay))
    for name, outputs in rendering.outputs.items():
        measured = loudness(cue.sound(outputs[0].file))
        assert rendering.bus(name).loudness.integrated_lufs == pytest.approx(measured, abs=1e-3)


def test_wet_to_dry_of_steady_noise_is_the_difference_of_its_two_sides(cue, pink, decay):
    cue.stem("choir.wav", pink(8 * RATE, 2, 1))
    cue.response("ir.wav", decay(0.6, 0.5, 2, 2))
    rendering = cue.measure(
        {
            "tail": "none",
            "rooms": {"orrin_nave": {"responses": "ir.wav"}},
            "sections": {"choir": {"stems": ["choir"], "sends": {"orrin_nave": -10}}},
        }
    )
    assert rendering.bus("section:choir").wet_to_dry_db == pytest.approx(-10.0, abs=0.2)


WIRINGS = {
    "one_source": (2, {"responses": {"front": "ir.wav"}}),
    "per_channel": (2, {"responses": "ir.wav"}),
    "mono response": (1, {"responses": "ir.wav"}),
    "true_stereo": (4, {"responses": "ir.wav"}),
}


@pytest.mark.parametrize("wiring", WIRINGS)
def test_pink_noise_at_0_db_of_send_returns_as_loud_as_it_went_in(cue, pink, decay, wiring):
    # the definition of 0 dB of send; 60 s so that chance stays far below 0.1 LU
    channels, room = WIRINGS[wiring]
    dry = cue.stem("choir.wav", pink(60 * RATE, 2, 7))
    cue.response("ir.wav", decay(1.5, 1.2, channels, 8))
    rendering = cue.measure(
        {
            "tail": "none",
            "rooms": {"orrin_nave": room},
            "sections": {"choir": {"stems": ["choir"], "sends": {"orrin_nave": 0}}},
        }
    )
    assert rendering.bus("wet").loudness.integrated_lufs == pytest.approx(loudness(dry), abs=0.1)


def test_clipping_bus_is_named_with_the_trim_that_cures_it(cue, decay):
    content = orchestra(cue, decay)
    content["deliveries"]["all"] |= {"bit_depth": 16}
    content["trim"] = 14
    with pytest.raises(RoomplanError, match="would clip in 16 bit") as error:
        cue.render(content)
    assert not (cue.folder / "out").exists()
    content["trim"] = float(str(error.value).split("`trim: ")[1].split("`")[0])
    cue.render(content)
    files = [file["file"] for file in cue.report["files"]]
    assert decibels(max(np.abs(cue.sound(file)).max() for file in files)) == pytest.approx(-0.1, abs=0.1)


def test_failed_render_leaves_the_earlier_files_whole(cue, decay, monkeypatch):
    content = orchestra(cue, decay)
    cue.render(content)
    before = {p: p.read_bytes() for p in (cue.folder / "out").rglob("*") if p.is_file()}
    content["trim"] = -3

    def interrupted(*_arguments):
        raise KeyboardInterrupt

    monkeypatch.setattr("roomplan.loudness.algebra.CrossPowerMeter.finish", interrupted)
    with pytest.raises(KeyboardInterrupt):
        cue.render(content)
    assert {p: p.read_bytes() for p in (cue.folder / "out").rglob("*") if p.is_file()} == before
    assert [p.name for p in cue.folder.iterdir() if p.name.startswith(".")] == []


def test_input_is_never_overwritten(cue, decay):
    content = orchestra(cue, decay)
    content["stems"] = "out/prints"
    for stem in (cue.folder / "stems").iterdir():
        (cue.folder / "out/prints").mkdir(parents=True, exist_ok=True)
        stem.rename(cue.folder / "out/prints" / stem.name)
    with pytest.raises(RoomplanError, match="is a file this plan reads"):
        cue.render(content)


def test_stems_at_another_rate_are_resampled_and_said_so(cue, decay):
    time = np.arange(44_100) / 44_100
    cue.stem("tone.wav", 0.25 * np.sin(2 * np.pi * 997.0 * time)[:, None] * [1.0, 1.0], rate=44_100)
    cue.response("ir.wav", decay(0.2, 0.2, 2, 2, rate=96_000), rate=96_000)
    content = {
        "sample_rate": 48_000,
        "tail": "none",
        "rooms": {"orrin_nave": {"responses": "ir.wav"}},
        "sections": {"tone": {"stems": ["tone"], "sends": {}}},
    }
    rendering = cue.render(content)
    expected = 0.25 * np.sin(2 * np.pi * 997.0 * np.arange(RATE) / RATE)
    middle = slice(2_000, RATE - 2_000)
    np.testing.assert_allclose(cue.sound("mix.wav")[middle, 0], expected[middle], atol=1e-4)
    assert any("resampled from 44100 Hz to 48000 Hz: tone" in w.what for w in rendering.warnings)


def test_stems_of_several_rates_are_a_problem_where_the_plan_is_strict(cue, decay):
    cue.stem("a.wav", noise(0.1, 1, 1), rate=44_100)
    cue.stem("b.wav", noise(0.1, 1, 1), rate=48_000)
    cue.response("ir.wav", decay(0.2, 0.2, 1, 2))
    (problem,) = cue.problems(
        {
            "strict": True,
            "rooms": {"orrin_nave": {"responses": "ir.wav"}},
            "sections": {"all": {"stems": ["*"]}},
        }
    )
    assert "44100 Hz (a), 48000 Hz (b)" in problem
    assert "sample_rate" in problem


def test_one_sided_stem_in_a_per_channel_room_is_warned_of(cue, decay):
    cue.stem("harp.wav", noise(0.5, 2, 1) * [1.0, 0.01])
    cue.response("ir.wav", decay(0.2, 0.2, 2, 2))
    rendering = cue.measure(
        {
            "rooms": {"orrin_nave": {"responses": "ir.wav"}},
            "sections": {"harp": {"stems": ["harp"], "sends": {"orrin_nave": 0}}},
        }
    )
    assert any("sounds on the left only" in w.what for w in rendering.warnings)


def test_sides_that_cancel_in_one_source_are_warned_of(cue, decay):
    cue.stem("pad.wav", noise(0.5, 1, 1) * [1.0, -1.0])
    cue.response("ir.wav", decay(0.2, 0.2, 2, 2))
    rendering = cue.measure(
        {
            "rooms": {"orrin_nave": {"responses": {"front": "ir.wav"}}},
            "sections": {"pad": {"stems": ["pad"], "sends": {"orrin_nave": 0}}},
        }
    )
    assert any("cancel" in w.what for w in rendering.warnings)


def test_ambiguous_position_is_a_problem_that_lists_the_positions(cue, decay):
    cue.stem("choir.wav", noise(0.1, 1, 1))
    for name in ("front.wav", "rear.wav"):
        cue.response(name, decay(0.2, 0.2, 2, 2))
    room = {"responses": {"front": "front.wav", "rear": "rear.wav"}}
    (problem,) = cue.problems(
        {
            "rooms": {"orrin_nave": room},
            "sections": {"choir": {"stems": ["choir"], "sends": {"orrin_nave": -6}}},
        }
    )
    assert "front, rear" in problem


def test_position_named_like_the_section_is_taken(cue, decay):
    cue.stem("choir.wav", noise(0.1, 1, 1))
    for name in ("choir.wav", "rear.wav"):
        cue.response(name, decay(0.2, 0.2, 2, 2))
    room = {"responses": {"choir": "choir.wav", "rear": "rear.wav"}}
    session = cue.session(
        {
            "rooms": {"orrin_nave": room},
            "sections": {"choir": {"stems": ["choir"], "sends": {"orrin_nave": -6}}},
        }
    )
    assert session.section("choir").sends[0].position == "choir"


def test_mono_stem_enters_a_per_channel_room_as_two_equal_sides(cue):
    # left = right = m/√2, as in its dry at the centre
    dry = cue.stem("low.wav", noise(0.5, 1, 1))
    cue.response("one.wav", np.ones((1, 1)))
    cue.render(
        {
            "tail": "none",
            "rooms": {"orrin_nave": {"responses": "one.wav", **RAW}},
            "sections": {"low": {"stems": ["low"], "dry": "off", "sends": {"orrin_nave": 0}}},
        }
    )
    inside = slice(0, RATE // 4)
    np.testing.assert_allclose(
        cue.sound("mix.wav")[inside], np.sqrt(0.5) * dry[inside] * [1.0, 1.0], atol=1e-6
    )


def test_a_passage_beyond_the_end_of_the_sound_is_reported_with_what_is_measured_of_it(cue, decay):
    cue.stem("choir.wav", noise(2, 1, 1))
    cue.response("nave.wav", decay(0.5, 0.4, 2, 2))
    content = {
        "tail": 1.0,
        "rooms": {"nave": {"responses": "nave.wav", "direct": "keep"}},
        "sections": {"choir": {"stems": ["choir"], "sends": {"nave": -6}}},
        "passages": {
            "verse": {"from": 0.5, "to": 1.5},
            "refrain": {"from": 1, "to": 40},
            "coda": {"from": 50, "to": 60},
        },
    }
    rendering = cue.measure(content)
    seconds = f"{rendering.frames / RATE:.1f}"
    told = [str(w) for w in rendering.warnings if "passage" in str(w)]
    assert len(told) == 2
    assert f"passage refrain goes on beyond the end of the sound ({seconds} s)" in told[0]
    assert "it is measured up to there" in told[0]
    assert "it is not measured" in told[1]
