"""Arrays in and out: what they hold is what files hold."""

from __future__ import annotations

import gc
import tempfile
from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile

import roomplan

if TYPE_CHECKING:
    from pathlib import Path

RATE = 24_000
LONG = 300_000  # frames: more than a block of the engine with a response of a second


def stems_on_disk():
    return {name: soundfile.read(f"stems/{name}.wav")[0] for name in ("choir", "low")}


@pytest.mark.usefixtures("folder")
def test_arrays_out_are_sample_for_sample_the_float_files():
    buses = ["mix", "section:choir", "section:low_strings"]
    rendered = roomplan.render("plan.yaml", "out")
    arrays = roomplan.render_arrays("plan.yaml", buses)
    for bus in buses:
        on_disk, rate = soundfile.read(rendered.files[bus][0], dtype="float32", always_2d=True)
        assert rate == RATE
        assert np.any(on_disk)
        np.testing.assert_array_equal(arrays[bus], on_disk)


@pytest.mark.usefixtures("folder")
def test_blocks_one_after_the_other_are_the_whole_and_each_is_its_own():
    whole = roomplan.render_arrays("plan.yaml", ["wet"])["wet"]
    blocks = [block["wet"] for block in roomplan.render_blocks("plan.yaml", ["wet"])]
    np.testing.assert_array_equal(np.concatenate(blocks), whole)
    assert all(block.flags.owndata for block in blocks)


@pytest.mark.usefixtures("folder")
def test_a_long_cue_comes_in_several_blocks_that_stay_as_they_were_given():
    rng = np.random.default_rng(0)
    sound = 0.1 * rng.standard_normal((LONG, 2)).astype(np.float32)
    plan = roomplan.load_with_arrays("plan.yaml", {"choir": sound, "low": sound[:, 0]}, sample_rate=RATE)
    kept, copies = [], []
    for block in roomplan.render_blocks(plan):
        kept.append(block["mix"])
        copies.append(block["mix"].copy())
    assert len(kept) > 1
    for block, copy in zip(kept, copies, strict=True):
        np.testing.assert_array_equal(block, copy)


@pytest.mark.usefixtures("folder")
def test_a_plan_sounds_the_same_over_arrays_and_over_files():
    over_files = roomplan.render_arrays("plan.yaml")["mix"]
    plan = roomplan.load_with_arrays("plan.yaml", stems_on_disk(), sample_rate=RATE)
    np.testing.assert_array_equal(roomplan.render_arrays(plan)["mix"], over_files)


@pytest.mark.usefixtures("folder")
def test_a_left_and_a_right_array_are_one_stereo_stem():
    stems = stems_on_disk()
    choir = stems.pop("choir")
    halves = {"choir_L": choir[:, 0], "choir_R": choir[:, 1]}
    plan = roomplan.load_with_arrays("plan.yaml", stems | halves, sample_rate=RATE)
    assert plan.session.section("choir").signal_channels == 2
    np.testing.assert_array_equal(
        roomplan.render_arrays(plan)["mix"], roomplan.render_arrays("plan.yaml")["mix"]
    )


@pytest.mark.usefixtures("folder")
def test_the_sound_of_arrays_is_kept_while_a_result_is_in_use_and_no_longer(monkeypatch, tmp_path):
    (tmp_path / "temporary").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "temporary"))

    def kept() -> list[Path]:
        return sorted((tmp_path / "temporary").glob("roomplan-*"))

    part = roomplan.load_with_arrays("plan.yaml", stems_on_disk(), sample_rate=RATE).excerpt(0.0, 0.5)
    gc.collect()
    assert len(kept()) == 1
    checked = roomplan.check(part)
    del part
    gc.collect()
    assert all(file.is_file() for file in checked.session.input_files)
    del checked
    gc.collect()
    assert kept() == []


@pytest.mark.usefixtures("folder")
def test_a_stem_nobody_handed_in_is_a_problem_and_leaves_nothing_behind(monkeypatch, tmp_path):
    (tmp_path / "temporary").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "temporary"))
    with pytest.raises(roomplan.PlanError, match="fits 'low'"):
        roomplan.load_with_arrays("plan.yaml", {"choir": np.zeros((100, 2))}, sample_rate=RATE)
    assert list((tmp_path / "temporary").iterdir()) == []


@pytest.mark.parametrize(
    ("samples", "said"),
    [
        (np.zeros((10, 2), np.int16), "integers"),
        (np.zeros((10, 2), complex), "no real numbers"),
        (np.zeros((10, 2), bool), "no real numbers"),
        (np.zeros((2, 10, 2)), "shape"),
        (np.zeros((0, 2)), "empty"),
        (np.zeros((2, 48_000)), "axes exchanged"),
        ([[0.0], [0.0, 1.0]], "not an array"),
        (None, "no real numbers"),
    ],
)
def test_what_is_no_sound_is_refused_in_one_line(folder, samples, said):
    calls = (
        lambda: roomplan.load_with_arrays(folder / "plan.yaml", {"choir": samples}, sample_rate=RATE),
        lambda: roomplan.measure(samples, sample_rate=RATE),
        lambda: roomplan.measure_loudness(samples, sample_rate=RATE),
    )
    for call in calls:
        with pytest.raises(roomplan.RoomplanError, match=said) as caught:
            call()
        assert "\n" not in str(caught.value)


@pytest.mark.usefixtures("folder")
def test_a_value_that_is_not_finite_is_an_error_and_names_the_stem():
    stems = stems_on_disk()
    stems["low"][5000] = np.nan
    with pytest.raises(roomplan.RoomplanError, match="'low' holds a value that is not finite at frame 5000"):
        roomplan.load_with_arrays("plan.yaml", stems, sample_rate=RATE)


@pytest.mark.parametrize("name", ["", "a/b", "choir.wav", "con", "..", " choir"])
@pytest.mark.usefixtures("folder")
def test_a_name_that_is_no_file_name_is_refused(name):
    with pytest.raises(roomplan.RoomplanError, match="cannot be the name of a stem"):
        roomplan.load_with_arrays("plan.yaml", {name: np.zeros(100)}, sample_rate=RATE)


@pytest.mark.parametrize("rate", [None, 0, -48_000, 44_100.5, "fast", np.nan, np.inf])
def test_a_rate_that_is_none_is_refused(rate):
    with pytest.raises(roomplan.RoomplanError, match="sample rate"):
        roomplan.measure(np.ones(1000), sample_rate=rate)


@pytest.mark.usefixtures("folder")
def test_a_response_measures_the_same_from_its_file_and_from_its_samples():
    samples, rate = soundfile.read("nave.wav")
    from_file, from_array = roomplan.measure("nave.wav"), roomplan.measure(samples, sample_rate=rate)
    assert from_array.channels == from_file.channels
    assert from_array.correlation == from_file.correlation
    assert (from_array.name, from_file.name) == ("array", "nave.wav")


@pytest.mark.usefixtures("folder")
def test_a_sound_is_as_loud_from_its_file_as_from_its_samples():
    samples, rate = soundfile.read("stems/low.wav")
    from_file = roomplan.measure_loudness("stems/low.wav")
    from_array = roomplan.measure_loudness(samples, sample_rate=rate)
    assert samples.ndim == 1
    assert from_array.integrated_lufs == pytest.approx(from_file.integrated_lufs, abs=1e-9)
    assert from_array.true_peak_dbtp == pytest.approx(from_file.true_peak_dbtp, abs=1e-9)
    assert from_array.roles == from_file.roles


@pytest.mark.usefixtures("folder")
def test_a_file_says_its_own_rate_and_is_told_none():
    for call in (roomplan.measure, roomplan.measure_loudness):
        with pytest.raises(roomplan.RoomplanError, match="says its own sample rate"):
            call("nave.wav", sample_rate=48_000)


def test_more_than_two_channels_need_roles_and_the_command_line_is_not_named(folder):
    sound = 0.1 * np.random.default_rng(1).standard_normal((RATE, 6))
    soundfile.write(folder / "six.wav", sound, RATE)
    for call in (
        lambda: roomplan.measure_loudness("six.wav"),
        lambda: roomplan.measure_loudness(sound, sample_rate=RATE),
    ):
        with pytest.raises(roomplan.RoomplanError, match="6 channels") as caught:
            call()
        assert "--" not in str(caught.value)
    roles = "L,R,C,LFE,Ls,Rs"
    loud = roomplan.measure_loudness(sound, sample_rate=RATE, roles=roles).integrated_lufs
    silenced = sound * np.array([1.0, 1.0, 1.0, 0.0, 1.0, 1.0])
    assert roomplan.measure_loudness(
        silenced, sample_rate=RATE, roles=roles
    ).integrated_lufs == pytest.approx(loud)


def test_the_response_of_a_seat_is_its_direct_and_its_reflected_sound_and_a_nearer_seat_has_more_direct():
    hall = roomplan.room("larkmere_hall")
    near, far = (hall.synthesise((distance, 0.0), sample_rate=RATE) for distance in (5.0, 15.0))
    response = hall.response((5.0, 0.0), sample_rate=RATE)
    np.testing.assert_array_equal(response, near.direct + near.reflected)
    assert response.shape[1] == 2
    assert np.abs(near.direct).max() > 2.0 * np.abs(far.direct).max()
    assert hall.response((5.0, 0.0), spread_m=3.0, sample_rate=RATE).shape[1] == 4


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ({"seat": (100.0, 0.0)}, "outside the walls"),
        ({"seat": (500.0, 0.0)}, "a distance of 500 m"),
        ({"seat": (9.0, 300.0)}, "an angle of 300°"),
        ({"seat": (-3.0, 0.0)}, "a distance of -3 m"),
        ({"seat": (9.0,)}, "is not a seat"),
        ({"seat": (9.0, float("nan"))}, "is not a seat"),
        ({"spread_m": -1.0}, "a spread of -1 m"),
        ({"microphones": "raer"}, "did you mean rear"),
        ({"source": "vioce"}, "did you mean voice"),
        ({"sample_rate": 4000}, "8000 to 192000"),
    ],
)
def test_a_seat_that_cannot_be_is_refused(arguments, said):
    with pytest.raises(roomplan.RoomplanError, match=said):
        roomplan.room("larkmere_hall").response(**arguments)
