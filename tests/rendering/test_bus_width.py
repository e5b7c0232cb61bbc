"""How alike the channels of a bus are late, against responses and rendered sound; no code of the project."""

from __future__ import annotations

import numpy as np
import pytest

RATE = 48_000
RAW = {"normalise": "none", "direct": "absent", "trim_tail": False}
LATE = round(0.08 * RATE)


def correlation(sound):
    """Of two channels (frames, 2) without delay, from 500 Hz up."""
    lines = np.fft.rfft(sound, axis=0)[round(500.0 * len(sound) / RATE) :]
    left, right = lines.T
    return np.sum((left * np.conj(right)).real) / np.sqrt(
        np.sum(np.abs(left) ** 2) * np.sum(np.abs(right) ** 2)
    )


def hall(seed, *, alike, seconds=0.6, silent=0.0):
    """Decaying noise in two channels that have `alike` of their power in common."""
    generator = np.random.default_rng(seed)
    time = np.arange(round(seconds * RATE)) / RATE
    shared, left, right = generator.standard_normal((3, len(time)))
    own = np.stack([left, right], axis=1)
    sound = np.sqrt(alike) * shared[:, None] + np.sqrt(1.0 - alike) * own
    sound *= 10.0 ** (-3.0 * time / 0.5)[:, None]
    sound[: round(silent * RATE)] = 0.0
    return sound / np.sqrt(np.sum(sound**2))


def plan_of(cue, responses, sections, **rooms):
    for name, response in responses.items():
        cue.response(f"{name}.wav", response)
    return {
        "rooms": {
            name: {"responses": f"{name}.wav", "wiring": "one_source", **RAW, **rooms.get(name, {})}
            for name in responses
        },
        "sections": {
            name: {"stems": [name], "sends": sends, **more} for name, (sends, more) in sections.items()
        },
    }


def impulse(cue, name):
    sound = np.zeros((RATE, 1))
    sound[0] = 0.5
    cue.stem(f"{name}.wav", sound)


def test_a_section_is_as_wide_as_its_rendered_impulse_through_all_its_sends(cue):
    impulse(cue, "choir")
    near, far = hall(1, alike=0.6), hall(2, alike=0.1)
    sends = {"near": -6, "far": -3}
    content = plan_of(cue, {"near": near, "far": far}, {"choir": (sends, {})})
    content["deliveries"] = {"all": {"write": ["wet"], "bit_depth": "32f"}}
    found = cue.render(content).bus("section:choir").late_correlation
    (wet,) = (cue.folder / "out").rglob("wet.wav")
    late = cue.sound(str(wet.relative_to(cue.folder / "out")))[LATE : len(near)]
    assert found == pytest.approx(correlation(late), abs=1e-3)
    assert 0.2 < found < 0.4


def test_sends_with_something_in_common_add_as_amplitudes(cue):
    # the sides of one are the other's turned over: together nothing of them is left
    impulse(cue, "choir")
    middle, side = hall(1, alike=0.5).T
    side = 0.6 * side
    one, other = np.stack([middle + side, middle - side], 1), np.stack([middle - side, middle + side], 1)
    content = plan_of(cue, {"one": one, "other": other}, {"choir": ({"one": 0, "other": 0}, {})})
    rendering = cue.measure(content)
    assert rendering.bus("section:choir").late_correlation == pytest.approx(1.0, abs=1e-9)
    assert correlation(one[LATE:]) < 0.8


def test_the_mix_is_as_wide_as_its_rendered_wet_sum_of_independent_sections(cue):
    # responses without early sound, so that all of the wet sum is late; noise of 8 s: chance moves it by 0.01
    for seed, name in enumerate(("choir", "strings")):
        noise = np.random.default_rng(seed).standard_normal((8 * RATE, 1))
        cue.stem(f"{name}.wav", 0.05 * noise)
    responses = {
        "near": hall(1, alike=0.9, silent=0.08),
        "far": hall(2, alike=0.0, silent=0.08),
        "same": hall(3, alike=0.5, silent=0.08),
    }
    content = plan_of(
        cue,
        responses,
        {
            "choir": ({"near": 0, "same": -6}, {"level": 3}),
            "strings": ({"far": 0, "same": -6}, {}),
        },
    )
    content["groups"] = {"all": {"sections": ["choir", "strings"]}}
    content["deliveries"] = {"all": {"write": ["wet"], "bit_depth": "32f"}}
    rendering = cue.render(content)
    (wet,) = (cue.folder / "out").rglob("wet.wav")
    expected = correlation(cue.sound(str(wet.relative_to(cue.folder / "out"))))
    for name in ("mix", "wet", "group:all", "group:all:wet"):
        assert rendering.bus(name).late_correlation == pytest.approx(expected, abs=0.02), name
    parts = [rendering.bus(f"section:{name}").late_correlation for name in ("choir", "strings")]
    assert min(parts) + 0.1 < expected < max(parts) - 0.1


def test_a_pre_delay_moves_no_width(cue):
    impulse(cue, "choir")
    response = hall(1, alike=0.2)
    response[:LATE] = response[:LATE, :1]  # the early sound is mono
    content = plan_of(cue, {"near": response}, {"choir": ({"near": 0}, {})})
    plain = cue.measure(content).bus("section:choir").late_correlation
    assert plain == pytest.approx(correlation(response[LATE:]), abs=1e-3)
    content["rooms"]["near"]["pre_delay"] = 60
    delayed = cue.measure(content).bus("section:choir").late_correlation
    assert delayed == pytest.approx(plain, abs=1e-3)


def test_the_width_of_a_room_narrows_what_a_section_gets_of_it(cue):
    impulse(cue, "choir")
    content = plan_of(cue, {"near": hall(1, alike=0.2)}, {"choir": ({"near": 0}, {})})
    content["rooms"]["near"]["width"] = 0
    assert cue.measure(content).bus("section:choir").late_correlation == pytest.approx(1.0)


def test_a_bus_without_late_sound_has_no_width_and_says_why(cue):
    impulse(cue, "choir")
    content = plan_of(cue, {"near": hall(1, alike=0.2, seconds=0.1)}, {"choir": ({"near": 0}, {})})
    rendering = cue.measure(content)
    for name in ("section:choir", "mix", "dry", "room:near"):
        assert rendering.bus(name).late_correlation is None
        assert rendering.bus(name).reasons["late_correlation"]


def test_a_response_that_ends_before_it_is_late_narrows_nothing_and_widens_nothing(cue):
    impulse(cue, "choir")
    long, short = hall(1, alike=0.3), hall(2, alike=0.9, seconds=0.04)
    content = plan_of(cue, {"long": long, "short": short}, {"choir": ({"long": 0, "short": 0}, {})})
    found = cue.measure(content).bus("section:choir").late_correlation
    assert found == pytest.approx(correlation(long[LATE:]), abs=1e-3)


def said_of_width(rendering):
    return [warning.subject for warning in rendering.warnings if "from 500 Hz up" in str(warning)]


def test_a_section_that_only_its_rooms_together_make_mono_is_pointed_out_and_so_is_the_mix(cue):
    impulse(cue, "choir")
    impulse(cue, "brass")
    middle, side = hall(1, alike=0.5).T
    side = 0.6 * side
    one, other = np.stack([middle + side, middle - side], 1), np.stack([middle - side, middle + side], 1)
    sections = {"choir": ({"one": 0, "other": 0}, {}), "brass": ({"one": -12}, {"level": -12})}
    content = plan_of(cue, {"one": one, "other": other}, sections)
    assert said_of_width(cue.measure(content)) == ["section:choir", "mix"]
    content["rooms"]["other"]["level"] = -20
    assert said_of_width(cue.measure(content)) == []


def test_what_is_said_of_every_room_is_not_said_of_sections_again(cue):
    impulse(cue, "choir")
    narrow = plan_of(cue, {"near": hall(1, alike=0.95)}, {"choir": ({"near": 0}, {})})
    rendering = cue.measure(narrow)
    assert said_of_width(rendering) == [None]  # the room
    assert rendering.bus("mix").late_correlation > 0.8


@pytest.mark.parametrize(("channels", "rooms"), [(1, ["near"]), (2, [])])
def test_one_channel_for_each_side_is_mono_to_mono_sections_alone_and_is_said_once(cue, channels, rooms):
    for seed, name in enumerate(("choir", "brass")):
        cue.stem(f"{name}.wav", 0.1 * np.random.default_rng(seed).standard_normal((RATE, channels)))
    sections = {name: ({"near": 0}, {}) for name in ("choir", "brass")}
    content = plan_of(cue, {"near": hall(1, alike=0.5)[:, :1]}, sections)
    content["rooms"]["near"]["wiring"] = "per_channel"
    rendering = cue.measure(content)
    assert said_of_width(rendering) == []
    said = [warning.what for warning in rendering.warnings if "in mono" in warning.what]
    assert said == [
        f"room {room} returns sections of one channel in mono: its response has one channel" for room in rooms
    ]
