"""A plan's use of synthetic rooms: sources on seats, what 0 dB returns, what check says, what is kept."""

from __future__ import annotations

import copy
import io
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from rich.console import Console
from scipy.signal import fftconvolve

from roomplan.files.cache import Cache
from roomplan.plan.load import load_plan
from roomplan.rendering.advice import plan_advice
from roomplan.rendering.measure import measure_session
from roomplan.report.comparison import plan_changes
from roomplan.report.documents import render_document
from roomplan.rooms.preparation import prepare_room
from roomplan.rooms.prepared import PositionRequest
from roomplan.rooms.response_cache import KeptResponses
from roomplan.session.session import open_session
from roomplan.show.tables import send_matrix

RATE = 48_000
LOW = 8_000  # a rate at which synthesis is cheap, where no figure hangs on it
# A stage whose numbers tests may count on.
STAGE = """\
title: Sedgewater Stage
dimensions: {length: 28, width: 19, height: 9}
reverberation_time: {"63": 1.1, "125": 1.0, "250": 0.9, "500": 0.85, "1000": 0.83,
  "2000": 0.8, "4000": 0.72, "8000": 0.6}
seed: 1204
microphones:
  main: {positions: [[17, -0.6, 3], [17, 0.6, 3]], pattern: omni}
  rear: {positions: [[24, -4, 4], [24, 4, 4]], pattern: omni}
reference_seat: {distance: 6, angle: 0}
"""


def noise(seconds, channels, seed, rate=RATE):
    return 0.1 * np.random.default_rng(seed).standard_normal((round(seconds * rate), channels))


@pytest.fixture
def cache(tmp_path):
    return Cache(tmp_path / "cache")


@pytest.fixture
def players(cue):
    """Four sections in one room: on a wide seat, on a narrow one, mono, and without a seat."""
    for seed, (name, channels) in enumerate({"wide": 2, "narrow": 2, "mono": 1, "nowhere": 2}.items()):
        cue.stem(f"{name}.wav", noise(0.3, channels, seed, LOW), rate=LOW)
    seat = {"distance": 7, "angle": 10}
    (cue.folder / "my_stage.yaml").write_text(STAGE, encoding="utf-8")
    return {
        "title": "Ice Harbour, seats",
        "tail": 0.5,
        "rooms": {"stage": {"synthetic": "my_stage.yaml"}},
        "sections": {
            "wide": {"stems": ["wide"], "seat": seat, "sends": {"stage": -6}},
            "narrow": {"stems": ["narrow"], "seat": {**seat, "spread": 0}, "sends": {"stage": -6}},
            "mono": {"stems": ["mono"], "seat": seat, "sends": {"stage": -6}},
            "nowhere": {"stems": ["nowhere"], "sends": {"stage": -6}},
        },
    }


def changed(content, path, value):
    result = copy.deepcopy(content)
    *keys, last = path.split("/")
    into = result
    for key in keys:
        into = into[key]
    into[last] = value
    return result


def advice(session, name):
    return [
        str(p).split(" — ")[0].split(f"section {name} ")[1]
        for p in plan_advice(session)
        if p.subject == f"section:{name}"
    ]


def own_room(cue, old, new, name="other_stage.yaml"):
    assert STAGE.count(old) == 1
    (cue.folder / name).write_text(STAGE.replace(old, new), encoding="utf-8")
    return name


# --- Sources ----------------------------------------------------------------------------------------


def test_stereo_sections_are_true_stereo_by_default_and_mono_or_narrow_ones_one_source(cue, players):
    session = cue.session(players)
    wirings = {section.name: section.sends[0].wiring for section in session.sections}
    assert wirings == {
        "wide": "true_stereo",
        "narrow": "one_source",
        "mono": "one_source",
        "nowhere": "true_stereo",
    }


def test_a_mono_stem_with_a_pan_is_a_stereo_section_and_has_two_sources(cue, players):
    session = cue.session(changed(players, "sections/mono/stems", [{"file": "mono", "pan": -30}]))
    assert session.section("mono").sends[0].wiring == "true_stereo"


@pytest.mark.parametrize("side", [0, 1])
def test_what_is_panned_to_one_side_is_heard_from_the_source_of_that_side(cue, side):
    stem = noise(0.5, 2, 5) * ([1.0, 0.0], [0.0, 1.0])[side]
    stem = cue.stem("harp.wav", stem)
    content = {
        "tail": 3.0,
        "rooms": {"stage": {"synthetic": own_room(cue, STAGE, STAGE)}},
        "sections": {
            "harp": {
                "stems": ["harp"],
                "seat": {"distance": 5, "angle": 0, "spread": 6},
                "dry": "off",
                "sends": {"stage": 0},
            }
        },
    }
    cue.render(content)
    send = cue.session(content).section("harp").sends[0]
    paths = send.gain * send.prepared.samples[:, 2 * side : 2 * side + 2]  # LL, LR or RL, RR
    expected = np.stack([fftconvolve(stem[:, side], paths[:, output]) for output in (0, 1)], axis=1)
    mix = cue.sound("mix.wav")
    frames = min(len(mix), len(expected))
    left_over = np.sum((mix[:frames] - expected[:frames]) ** 2)
    assert left_over < 1e-10 * np.sum(expected**2)
    other = send.gain * send.prepared.samples[:, 2 - 2 * side : 4 - 2 * side]
    assert np.sum((other - paths) ** 2) > 0.5 * np.sum(paths**2)  # the two sources are not one


def test_a_section_without_a_seat_takes_the_spread_of_the_rooms_reference_seat(cue, players):
    room = own_room(
        cue, "reference_seat: {distance: 6, angle: 0}", "reference_seat: {distance: 6, angle: 0, spread: 0}"
    )
    session = cue.session(changed(players, "rooms/stage/synthetic", room))
    assert session.section("nowhere").sends[0].wiring == "one_source"
    assert session.section("wide").sends[0].wiring == "true_stereo"


# --- Levels -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("channels", "seconds", "keys", "difference", "tolerance"),
    [
        (2, 60, {}, 0.0, 0.05),  # the definition of 0 dB; chance of 60 s of noise
        # The gain is that of the two sources, these are heard from the middle between them.
        (1, 20, {}, 0.0, 0.5),
        (2, 20, {"seat": {"distance": 6, "angle": 0, "spread": 0}}, -3.01, 0.5),
    ],
)
def test_pink_noise_returns_from_the_reference_seat_at_the_level_that_is_promised(
    cue, pink, channels, seconds, keys, difference, tolerance
):
    cue.stem("choir.wav", pink(seconds * RATE, channels, 7))
    room = own_room(cue, STAGE, STAGE)
    rendering = cue.measure(
        {
            "tail": "none",
            "rooms": {"stage": {"synthetic": room}},
            "sections": {"choir": {"stems": ["choir"], "sends": {"stage": 0}, **keys}},
        }
    )
    wet, dry = (rendering.bus(name).loudness.integrated_lufs for name in ("wet", "dry"))
    assert wet - dry == pytest.approx(difference, abs=tolerance)


def test_adding_sections_moves_no_gain(cue, players):
    gain = cue.session(players).rooms["stage"].gain
    for name in players["sections"]:
        alone = {**players, "sections": {name: players["sections"][name]}}
        assert cue.session(alone).rooms["stage"].gain == gain


# --- What check says --------------------------------------------------------------------------------


def test_check_tells_of_a_seat_without_spread_and_of_no_louder_mono_in_a_room_of_two_sources(cue, players):
    session = cue.session(players)
    assert advice(session, "wide") == advice(session, "mono") == []
    (said,) = advice(session, "narrow")
    assert said == "is one source in stage, as its seat has no spread: independent sides return 3 dB lower"
    assert advice(session, "nowhere") == ["has no seat: stage use their reference seat"]


def test_check_tells_of_a_louder_mono_section_where_the_room_is_wired_for_one_source(cue, players):
    session = cue.session(changed(players, "rooms/stage/wiring", "one_source"))
    louder = "is mono: it returns 3 dB louder from stage than independent sides would"
    assert advice(session, "mono") == [louder]
    assert advice(session, "wide") == advice(session, "narrow") == []
    asked = cue.session(changed(players, "rooms/stage/wiring", "true_stereo"))
    assert advice(asked, "mono") == advice(asked, "narrow") == []


def test_check_tells_who_stands_off_the_stage_and_renders_all_the_same(cue, players):
    # Microphones at x = 17 m: 7 m away at 10° is x = 10.11, y = 1.22.
    room = own_room(cue, "seed:", "stage: {from: 2, to: 9, width: 12}\nseed:")
    session = cue.session(changed(players, "rooms/stage/synthetic", room))
    assert advice(session, "wide") == ["sits 1.1 m off the stage of stage"]
    assert not any("off the stage" in line for line in advice(session, "nowhere"))


def test_a_source_in_a_wall_or_in_a_microphone_is_a_problem_at_the_seat(cue, players):
    plan = changed(players, "sections/wide/seat", {"distance": 7, "angle": 0, "spread": 20})
    (problem,) = cue.problems(plan)
    assert "plan.yaml:" in problem
    assert "a seat 7 m away at 0°" in problem
    assert "left source" in problem
    assert "`spread`" in problem
    # The middle is 0.67 m from either microphone, each source 0.3 m from one of them.
    room = own_room(cue, "[[17, -0.6, 3], [17, 0.6, 3]]", "[[17, -0.6, 1.5], [17, 0.6, 1.5]]")
    plan = changed(players, "sections/wide/seat", {"distance": 0.3, "angle": 0, "spread": 1.2})
    plan["rooms"]["stage"]["synthetic"] = room
    assert any("from a microphone of main" in line for line in cue.problems(plan))


# --- What is kept -----------------------------------------------------------------------------------


def opened(cue, content, cache):
    return cue.session(content, cache=cache)


def samples_of(session):
    return {section.name: section.sends[0].prepared.samples for section in session.sections}


def responses_in(cache):
    """Entries that hold responses, not what was found of them."""
    return [entry for entry in cache.entries() if "microphones" in entry.parts]


def test_a_response_out_of_the_cache_is_the_synthesised_one_bit_for_bit(cue, players, cache, monkeypatch):
    for direct in ("drop", "keep"):
        content = changed(players, "rooms/stage/direct", direct)
        fresh = samples_of(cue.session(content))
        opened(cue, content, cache)
        with monkeypatch.context() as patch:
            patch.setattr("roomplan.rooms.synthesis.synthesise", None)  # nobody may ask
            again = samples_of(opened(cue, content, cache))
        for name, samples in fresh.items():
            np.testing.assert_array_equal(again[name], samples, err_msg=name)


def test_kept_responses_are_listed_by_room_seat_and_microphones(cue, players, cache):
    opened(cue, players, cache)
    assert sorted(entry.title for entry in responses_in(cache)) == [
        "Sedgewater Stage, seat 6 m 0°, spread 3 m, main",
        "Sedgewater Stage, seat 7 m 10°, main",
        "Sedgewater Stage, seat 7 m 10°, spread 3 m, main",
    ]
    assert {entry.parts["sample_rate"] for entry in responses_in(cache)} == {LOW}
    assert cache.notes == []
    opened(cue, changed(players, "sections/nowhere/source", "voice"), cache)
    titles = [entry.title for entry in responses_in(cache)]
    assert "Sedgewater Stage, seat 6 m 0°, spread 3 m, directed, main" in titles


def test_a_renamed_room_file_finds_its_responses_and_an_edited_one_does_not(cue, players, cache):
    content = changed(players, "rooms/stage/synthetic", own_room(cue, "seed: 1204", "seed: 7"))
    opened(cue, content, cache)
    assert len(responses_in(cache)) == 3
    renamed = own_room(cue, "seed: 1204", "seed: 7", name="renamed.yaml")
    opened(cue, changed(players, "rooms/stage/synthetic", renamed), cache)
    assert len(responses_in(cache)) == 3
    own_room(cue, "seed: 1204", "seed: 8")
    opened(cue, content, cache)
    assert len(responses_in(cache)) == 6


def cut_short(file):
    file.write_bytes(file.read_bytes()[:-100])


def spoilt(file):
    content = bytearray(file.read_bytes())
    content[-1] ^= 1
    file.write_bytes(bytes(content))


def gone(file):
    file.unlink()


@pytest.mark.parametrize(
    ("break_it", "name"),
    [(cut_short, "reflected.npy"), (spoilt, "direct.npy"), (gone, "direct.npy"), (cut_short, "meta.json")],
)
def test_a_broken_entry_is_a_miss_and_replaced(cue, players, cache, break_it, name):
    fresh = samples_of(opened(cue, players, cache))
    for file in list(cache.folder.rglob(name)):
        break_it(file)
    again = samples_of(opened(cue, players, cache))
    for section, samples in fresh.items():
        np.testing.assert_array_equal(again[section], samples)
    kept = responses_in(cache)
    assert len(kept) == 3
    assert all(entry.array("reflected") is not None for entry in kept)


@pytest.mark.parametrize(
    ("direct", "reflected"),
    [
        (np.zeros((4, 4), np.float32), np.zeros((9, 2), np.float32)),
        (np.zeros((4, 4), np.float64), np.zeros((9, 4), np.float64)),
        (np.zeros((10, 4), np.float32), np.zeros((9, 4), np.float32)),
        (np.zeros(4, np.float32), np.zeros(9, np.float32)),
        (np.zeros((4, 4), np.float32), np.full((9, 4), np.nan, np.float32)),
        (np.zeros((4, 2), np.float32), np.zeros((9, 2), np.float32)),  # whole, but of one source
    ],
)
def test_a_whole_entry_that_holds_no_such_response_is_a_miss(cue, players, cache, direct, reflected):
    fresh = samples_of(opened(cue, players, cache))
    for entry in responses_in(cache):
        cache.forget(entry.key)
        with cache.writing(entry.key, title=entry.title, parts=entry.parts) as new:
            new.save_array("direct", direct)
            new.save_array("reflected", reflected)
    content = {**players, "sections": {"wide": players["sections"]["wide"]}}
    again = samples_of(opened(cue, content, cache))
    np.testing.assert_array_equal(again["wide"], fresh["wide"])


def test_a_cache_that_cannot_be_written_keeps_nothing_and_stops_nobody(cue, players, tmp_path):
    (tmp_path / "file").write_text("no folder", encoding="utf-8")
    cache = Cache(tmp_path / "file" / "cache")
    fresh, found = samples_of(cue.session(players)), samples_of(opened(cue, players, cache))
    np.testing.assert_array_equal(found["wide"], fresh["wide"])
    assert cache.notes


def test_kept_responses_keep_to_the_limit_of_the_cache(cue, players, tmp_path):
    whole = Cache(tmp_path / "whole")
    opened(cue, players, whole)
    largest = max(entry.size_bytes for entry in whole.entries())
    cache = Cache(tmp_path / "small", limit_bytes=largest + 5_000)
    opened(cue, players, cache)
    assert len(responses_in(cache)) == 1
    assert sum(entry.size_bytes for entry in cache.entries()) <= cache.limit_bytes


def test_several_threads_may_use_one_cache(cue, players, cache):
    loaded = load_plan(cue.plan(players))
    assert loaded.plan is not None
    room = loaded.plan.rooms["stage"]
    requests = [PositionRequest("main", section.seat) for section in loaded.plan.sections.values()]

    def prepare(_number):
        prepared, problems = prepare_room(room, requests, sample_rate=LOW, store=KeptResponses(cache))
        assert prepared is not None, problems
        return prepared.positions[requests[0]].samples

    with ThreadPoolExecutor(4) as pool:
        found = list(pool.map(prepare, range(8)))
    for samples in found[1:]:
        np.testing.assert_array_equal(samples, found[0])
    assert len(responses_in(cache)) == 3


def test_without_a_cache_no_response_is_kept(cue, players, cache):
    cue.session(players)
    assert cache.entries() == []


# --- What an earlier pass answers --------------------------------------------------------------------


def test_another_spread_is_another_response_and_rendered_again(cue, players, cache):
    measure_session(opened(cue, players, cache), cache=cache)
    assert measure_session(opened(cue, players, cache), cache=cache).recalled
    other = changed(players, "sections/wide/seat", {"distance": 7, "angle": 10, "spread": 4})
    assert not measure_session(opened(cue, other, cache), cache=cache).recalled
    # A mono section stands in the middle of its seat, however wide that is.
    mono = changed(players, "sections/mono/seat", {"distance": 7, "angle": 10, "spread": 4})
    assert measure_session(opened(cue, mono, cache), cache=cache).recalled


def test_compare_says_that_a_seat_has_another_spread(cue, players):
    other = changed(players, "sections/wide/seat", {"distance": 7, "angle": 10, "spread": 0})
    first, second = (render_document(cue.measure(content)) for content in (players, other))
    said = plan_changes(first, second)
    assert "section wide: seat 7 m, 10°, spread 3 m → 7 m, 10°, spread 0 m" in said
    assert "send wide → stage: wiring true_stereo → one_source" in said


def test_compare_says_that_a_section_has_another_source_also_against_a_report_that_knew_of_none(cue, players):
    other = changed(players, "sections/wide/source", "brass")
    first, second = (render_document(cue.measure(content)) for content in (players, other))
    assert plan_changes(first, second) == ["section wide: source even → brass"]
    for section in first["sections"]:
        del section["source"]
    assert plan_changes(first, second) == ["section wide: source even → brass"]


def test_the_sends_of_a_section_are_shown_with_its_source_unless_it_is_even(cue, players):
    console = Console(width=200, record=True, file=io.StringIO())
    console.print(send_matrix(cue.measure(changed(players, "sections/wide/source", "voice"))))
    shown = console.export_text()
    assert "source: voice" in shown
    assert shown.count("source: ") == 1


def test_the_source_of_a_section_darkens_what_rooms_return_of_it_and_nothing_else(cue, players):
    for seed, (name, channels) in enumerate({"wide": 2, "narrow": 2, "mono": 1, "nowhere": 2}.items()):
        cue.stem(f"{name}.wav", noise(0.3, channels, seed, 24_000), rate=24_000)
    plain = changed(players, "sections/wide/dry", "off")
    sounds = {}
    for source in ("even", "brass"):
        cue.render(changed(plain, "sections/wide/source", source), replace=True)
        sounds[source] = {name: cue.sound(f"prints/{name}.wav") for name in plain["sections"]}
    even, brass = sounds["even"], sounds["brass"]
    for name in ("narrow", "mono", "nowhere"):
        np.testing.assert_array_equal(brass[name], even[name])

    def power(samples, low, high):
        spectrum = np.abs(np.fft.rfft(samples[:, 0])) ** 2
        frequencies = np.fft.rfftfreq(len(samples), 1.0 / 24_000)
        return np.sum(spectrum[(frequencies >= low) & (frequencies < high)])

    low, high = (
        10.0 * np.log10(power(brass["wide"], *band) / power(even["wide"], *band))
        for band in ((90.0, 180.0), (2800.0, 5600.0))
    )
    # 12 dB at 4 kHz, 0.2 dB at 125 Hz: the table of `rooms.source_kinds`; early sound that leaves forwards is
    # less dark.
    assert low - high == pytest.approx(11.8, abs=2.0)


def test_problems_of_a_missing_stems_folder_do_not_hide_those_of_the_rooms(cue, players):
    content = {**players, "stems": "nowhere", "sample_rate": LOW}
    content["rooms"] = {"stage": {"synthetic": "tallowyard_stagg"}}
    loaded = load_plan(cue.plan(content))
    assert loaded.plan is not None
    _session, problems = open_session(loaded.plan)
    text = "\n".join(map(str, problems))
    assert "stems folder" in text
    assert "did you mean tallowyard_stage?" in text
