"""Versions for listening: equally loud, in turns without a click, and all of them or none."""

from __future__ import annotations

import math
import tracemalloc
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pyebur128
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from roomplan.audio.info import BLOCK_FRAMES
from roomplan.errors import RoomplanError
from roomplan.loudness import programme_loudness
from roomplan.rendering import versions as module
from roomplan.rendering.versions import ALTERNATING, FADE_S, Version, WrittenVersion, write_versions

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

RATE = 48_000
HALF_FADE = round(0.5 * FADE_S * RATE)


def music(seconds: float, *, seed: int = 1, level_db: float = -20.0, rate: int = RATE, channels: int = 2):
    """Noise that swells and falls, as phrases do; the same seed gives the same music."""
    frames = round(seconds * rate)
    noise = np.random.default_rng(seed).standard_normal((frames, channels))
    swell = 0.55 + 0.45 * np.sin(np.arange(frames) / rate * 1.7)[:, np.newaxis]
    return 10.0 ** (level_db / 20.0) * swell * noise


def loudness_of(samples, rate: int = RATE):
    return programme_loudness(samples, sample_rate=rate).integrated_lufs


def known(value: float | None) -> float:
    assert value is not None
    return value


def version(folder: Path, label: str, samples, *, bus: str = "mix", subtype: str = "FLOAT", rate: int = RATE):
    folder.mkdir(exist_ok=True)
    suffix = "flac" if subtype == "FLAC" else "wav"
    file = folder / f"{len(list(folder.iterdir()))}.{suffix}"
    soundfile.write(file, samples, rate, subtype="PCM_24" if subtype == "FLAC" else subtype)
    read, _ = soundfile.read(file, always_2d=True)
    return Version(label, bus, file, loudness_of(read, rate))


def reference_loudness(file: Path) -> float:
    """Integrated loudness by libebur128."""
    samples, rate = soundfile.read(file, always_2d=True)
    state = pyebur128.R128State(samples.shape[1], rate, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(samples).ravel(), len(samples))
    return pyebur128.get_loudness_global(state)


def samples_of(file: Path) -> NDArray[np.float32]:
    samples, _ = soundfile.read(file, dtype="float32", always_2d=True)
    return np.asarray(samples, np.float32)


def files_in(folder: Path) -> list[str]:
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())


@pytest.fixture
def three(tmp_path: Path) -> list[Version]:
    """Versions that differ in level, length and sound."""
    source = tmp_path / "renders"
    return [
        version(source, "dry", music(7.0)),
        version(source, "chapel", music(7.3, level_db=-26.5) + music(7.3, seed=2, level_db=-40.0)),
        version(source, "nave", music(6.2, level_db=-12.0) + music(6.2, seed=3, level_db=-30.0)),
    ]


@pytest.mark.parametrize("subtype", ["FLOAT", "PCM_24", "PCM_16", "FLAC"])
def test_matched_files_are_equally_loud_for_two_meters(tmp_path: Path, subtype: str):
    levels = (-20.0, -33.0, -18.0)
    sources = [
        version(tmp_path / "r", f"plan {n}", music(5.0 + n, seed=n, level_db=-6.0 + level), subtype=subtype)
        for n, level in enumerate(levels)
    ]
    written = write_versions({"mix": sources}, tmp_path / "out", matched=True)
    for one, source in zip(written[:3], sources, strict=True):
        # the limit of the project's own; the meters agree far closer
        assert reference_loudness(one.file) == pytest.approx(sources[0].loudness_lufs, abs=0.05)
        assert loudness_of(samples_of(one.file)) == pytest.approx(sources[0].loudness_lufs, abs=0.011)
        assert one.loudness_lufs == pytest.approx(loudness_of(samples_of(one.file)), abs=1e-6)
        assert one.gain_db == pytest.approx(
            known(sources[0].loudness_lufs) - known(source.loudness_lufs), abs=1e-9
        )
        assert soundfile.info(one.file).subtype == "FLOAT"
    assert abs(written[1].gain_db) > 10.0


def test_quiet_passages_lifted_over_the_absolute_gate_do_not_upset_the_match(tmp_path: Path):
    # half of it is under the gate at −70 LUFS (BS.1770-5, Annex 1) and passes once it is raised; it then
    # lowers the relative gate, and the gain that the reports suggest no longer fits
    loud, quiet, middling = (
        music(12.0, level_db=-62.0),
        music(24.0, level_db=-71.5),
        music(12.0, level_db=-66.0),
    )
    faint = np.concatenate([loud, middling, quiet])
    sources = [version(tmp_path / "r", "a", music(10.0)), version(tmp_path / "r", "b", faint)]
    written = write_versions({"mix": sources}, tmp_path / "out", matched=True)
    suggested = known(sources[0].loudness_lufs) - known(sources[1].loudness_lufs)
    assert abs(written[1].gain_db - suggested) > 0.1
    assert reference_loudness(written[1].file) == pytest.approx(reference_loudness(written[0].file), abs=0.05)


def test_a_report_older_than_its_file_does_not_upset_the_match(three: list[Version], tmp_path: Path):
    stale = [replace(three[0], loudness_lufs=-30.0), replace(three[1], loudness_lufs=-11.0)]
    first, second, _ = write_versions({"mix": stale}, tmp_path / "out", matched=True)
    np.testing.assert_array_equal(samples_of(first.file), samples_of(three[0].file))
    assert reference_loudness(second.file) == pytest.approx(reference_loudness(first.file), abs=0.05)


@pytest.mark.parametrize("subtype", ["FLOAT", "PCM_24", "PCM_16", "FLAC"])
def test_unmatched_versions_are_copied_to_the_last_bit(tmp_path: Path, subtype: str):
    sources = [version(tmp_path / "r", label, music(1.3, seed=ord(label)), subtype=subtype) for label in "ab"]
    written = write_versions({"mix": sources}, tmp_path / "out", matched=False)
    for one, source in zip(written[:2], sources, strict=True):
        np.testing.assert_array_equal(samples_of(one.file), samples_of(source.file))
        assert one.gain_db == 0.0


def test_turns_are_the_versions_themselves_away_from_the_crossfades(three: list[Version], tmp_path: Path):
    *written, turns = write_versions({"mix": three}, tmp_path / "out", matched=True, turn_s=1.5)
    assert turns.label == ALTERNATING
    assert turns.turns == (
        (0.0, "dry"),
        (1.5, "chapel"),
        (3.0, "nave"),
        (4.5, "dry"),
        (6.0, "chapel"),
    )
    spliced = samples_of(turns.file)
    assert len(spliced) == round(7.3 * RATE)  # of the longest
    sounds = {one.label: samples_of(one.file) for one in written}
    ends = [start for start, _ in turns.turns[1:]] + [7.3 + FADE_S]
    for (start, label), end in zip(turns.turns, ends, strict=True):
        low = round(start * RATE) + (HALF_FADE if start else 0)
        high = min(round(end * RATE) - HALF_FADE, len(spliced))
        np.testing.assert_array_equal(spliced[low:high], sounds[label][low:high])
    listed = (tmp_path / "out" / "mix" / "alternating.txt").read_text(encoding="utf-8").splitlines()
    assert listed[2:] == [
        "0:00.000  dry",
        "0:01.500  chapel",
        "0:03.000  nave",
        "0:04.500  dry",
        "0:06.000  chapel",
    ]


def test_crossfades_hold_the_level_of_what_is_alike_and_are_straight_lines(tmp_path: Path):
    same = np.full((RATE, 1), 0.5)
    sources = [version(tmp_path / "r", "a", same), version(tmp_path / "r", "b", same)]
    *_, turns = write_versions({"mix": sources}, tmp_path / "out", matched=False, turn_s=0.25)
    np.testing.assert_allclose(samples_of(turns.file), 0.5, atol=1e-7)
    sources = [version(tmp_path / "r", "c", same), version(tmp_path / "r", "d", -same)]
    *_, turns = write_versions({"mix": sources}, tmp_path / "other", matched=False, turn_s=0.25)
    fade = samples_of(turns.file)[RATE // 4 - HALF_FADE : RATE // 4 + HALF_FADE, 0]
    np.testing.assert_allclose(np.diff(fade), -1.0 / (2 * HALF_FADE), atol=1e-6)
    assert fade[0] == pytest.approx(-fade[-1], abs=1e-6)  # the change is in the middle


def test_no_step_in_the_turns_is_larger_than_the_versions_own_and_the_fade_allow(tmp_path: Path):
    at = np.arange(4 * RATE)[:, np.newaxis] / RATE
    tones = [0.8 * np.sin(2.0 * math.pi * f * at + phase) for f, phase in ((97.0, 0.0), (143.0, 1.4))]
    sources = [version(tmp_path / "r", label, tone) for label, tone in zip("ab", tones, strict=True)]
    *_, turns = write_versions({"mix": sources}, tmp_path / "out", matched=False, turn_s=0.307)
    assert len(turns.turns) == 13
    own = max(float(np.abs(np.diff(tone, axis=0)).max()) for tone in tones)
    # (1 − w)·da + w·db + dw·(b − a), with dw one over the length of the fade
    allowed = own + 1.6 / (2 * HALF_FADE)
    largest = float(np.abs(np.diff(samples_of(turns.file), axis=0)).max())
    assert largest <= allowed
    cut = np.where((np.arange(4 * RATE) // round(0.307 * RATE)) % 2, tones[1][:, 0], tones[0][:, 0])
    assert np.abs(np.diff(cut)).max() > 5.0 * allowed  # without a fade it would click


@given(
    lengths=st.lists(st.integers(1, 2 * BLOCK_FRAMES + 3), min_size=2, max_size=4),
    turn_s=st.floats(0.1, 2.0),
    rate=st.sampled_from([8_000, 44_100]),
)
def test_turns_follow_their_rule_for_any_lengths(
    tmp_path_factory: pytest.TempPathFactory, lengths: list[int], turn_s: float, rate: int
):
    folder = tmp_path_factory.mktemp("lengths")
    values = [np.full((frames, 1), float(n + 1)) for n, frames in enumerate(lengths)]
    sources = []
    for number, constant in enumerate(values):
        soundfile.write(folder / f"{number}.wav", constant, rate, subtype="FLOAT")
        sources.append(Version(str(number), "mix", folder / f"{number}.wav", None))
    *_, turns = write_versions({"mix": sources}, folder / "out", matched=False, turn_s=turn_s)
    half, longest = round(0.5 * FADE_S * rate), max(lengths)
    starts = [round(k * turn_s * rate) for k in range(1, 10_000) if k * turn_s * rate < longest + 1]
    starts = [0, *(start for start in starts if start + half <= longest)]
    assert [start for start, _ in turns.turns] == [start / rate for start in starts]
    # the same rule in another form: the weight of a turn rises about its start and falls about its end
    at = np.arange(longest)
    rises = [np.clip((at - start + half + 0.5) / (2 * half), 0.0, 1.0) for start in starts]
    rises[0] = np.ones(longest)
    expected = np.zeros(longest)
    for turn, (rise, fall) in enumerate(zip(rises, [*rises[1:], np.zeros(longest)], strict=True)):
        number = turn % len(lengths)
        expected += (rise - fall) * np.where(at < lengths[number], number + 1.0, 0.0)
    np.testing.assert_allclose(samples_of(turns.file)[:, 0], expected, atol=1e-6)


def test_memory_does_not_grow_with_length(tmp_path: Path):
    peaks = []
    for blocks in (8, 32):
        samples = music(1.0)[: BLOCK_FRAMES // 2]
        folder = tmp_path / str(blocks)
        folder.mkdir()
        sources = []
        for label in "ab":
            with soundfile.SoundFile(folder / f"{label}.wav", "w", RATE, 2, subtype="FLOAT") as sound:
                for _ in range(2 * blocks):
                    sound.write(samples)
            sources.append(Version(label, "mix", folder / f"{label}.wav", -20.0))
        tracemalloc.start()
        write_versions({"mix": sources}, folder / "out", matched=True)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.1 * peaks[0]


def test_mono_is_taken_and_more_than_two_channels_are_not(tmp_path: Path):
    mono = [version(tmp_path / "r", label, music(1.0, channels=1)) for label in "ab"]
    written = write_versions({"mix": mono}, tmp_path / "out", matched=True)
    assert [soundfile.info(one.file).channels for one in written] == [1, 1, 1]
    soundfile.write(tmp_path / "five.wav", music(1.0, channels=5), RATE, subtype="FLOAT")
    with pytest.raises(RoomplanError, match="has 5 channels, and versions have one or two"):
        write_versions(
            {"mix": [Version("a", "mix", tmp_path / "five.wav", -20.0)]}, tmp_path / "five", matched=False
        )


def test_a_true_peak_above_full_scale_is_reported_and_not_limited(tmp_path: Path):
    steady = music(4.0, level_db=-8.0)
    spiky = music(4.0, level_db=-30.0)
    spiky[RATE] = 0.3
    sources = [version(tmp_path / "r", "steady", 0.3 * steady), version(tmp_path / "r", "spiky", spiky)]
    written = write_versions({"mix": sources}, tmp_path / "out", matched=True)
    assert written[0].over_db is None
    samples = samples_of(written[1].file)
    assert np.abs(samples).max() == pytest.approx(0.3 * 10.0 ** (written[1].gain_db / 20.0), rel=1e-6)
    true_peak = programme_loudness(samples, sample_rate=RATE).true_peak_dbtp
    assert written[1].over_db == pytest.approx(true_peak, abs=1e-6)
    assert known(written[1].over_db) > 0.0


def test_every_bus_has_a_folder_and_every_name_is_safe(tmp_path: Path):
    labels = ["plans/a", "a:b", "Alternating", "alternating", "con", "…\n", ".."]
    buses = ["mix", "section:choir:wet", "section/choir:wet"]
    given_versions = {
        bus: [version(tmp_path / "r", label, music(0.5), bus=bus) for label in labels] for bus in buses
    }
    written = write_versions(given_versions, tmp_path / "out", matched=False, turn_s=0.1)
    files = files_in(tmp_path / "out")
    assert len(files) == len(buses) * (len(labels) + 2) == len({name.casefold() for name in files})
    assert {name.removeprefix("mix/") for name in files if name.startswith("mix/")} == {
        "_con.wav",
        "a_b.wav",
        "plans_a.wav",
        "alternating.txt",
        "alternating.wav",
        "Alternating_2.wav",
        "alternating_3.wav",
        "unnamed.wav",
        "…_.wav",
    }
    assert {one.file.relative_to(tmp_path / "out").parts[0] for one in written} == {
        "mix",
        "section_choir_wet",
        "section_choir_wet_2",
    }
    assert all(one.file.is_file() for one in written)
    listed = (tmp_path / "out" / "mix" / "alternating.txt").read_text(encoding="utf-8").splitlines()
    assert len(listed) == 2 + len(written[len(labels)].turns)


def test_one_version_alone_takes_no_turns(three: list[Version], tmp_path: Path):
    (only,) = write_versions({"mix": three[:1]}, tmp_path / "out", matched=True)
    assert files_in(tmp_path / "out") == ["mix/dry.wav"]
    assert only == WrittenVersion(
        "mix", "dry", tmp_path / "out" / "mix" / "dry.wav", 0.0, only.loudness_lufs, only.over_db, ()
    )


def test_the_caller_is_told_of_every_file(three: list[Version], tmp_path: Path):
    told = []

    def tell(stage: str, done: int, total: int) -> None:
        told.append((stage, done, total))

    write_versions({"mix": three}, tmp_path / "out", matched=False, progress=tell)
    assert told == [("writing versions", done, 4) for done in range(5)]


def test_the_same_versions_give_the_same_bytes(three: list[Version], tmp_path: Path):
    for name in ("one", "two"):
        write_versions({"mix": three}, tmp_path / name, matched=True)
    for name in files_in(tmp_path / "one"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_a_failure_leaves_the_folder_as_it_was(
    three: list[Version], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    out = tmp_path / "out"
    write_versions({"mix": three}, out, matched=False)
    (out / "notes.txt").write_text("mine")
    before = {name: (out / name).read_bytes() for name in files_in(out)}
    spoilt = samples_of(three[2].file).copy()
    spoilt[-1] = np.nan
    bad = replace(three[2], file=tmp_path / "bad.wav")
    soundfile.write(bad.file, spoilt, RATE, subtype="FLOAT")
    with pytest.raises(RoomplanError, match=r"bad\.wav: holds a value that is not a number"):
        write_versions({"mix": [three[1], three[0], bad]}, out, matched=True)

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(module, "_write_alternating", full)
    with pytest.raises(RoomplanError, match="the disk is full"):
        write_versions({"mix": three}, out, matched=True)
    with pytest.raises(RoomplanError, match="the disk is full"):
        write_versions({"mix": three}, tmp_path / "new", matched=True)
    assert {name: (out / name).read_bytes() for name in files_in(out)} == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["bad.wav", "out", "renders"]


def test_what_cannot_be_matched_names_its_bus(three: list[Version], tmp_path: Path):
    for unknown in (None, math.nan, -math.inf):
        with pytest.raises(RoomplanError, match="the loudness of bus mix in nave is not known"):
            write_versions(
                {"mix": [*three[:2], replace(three[2], loudness_lufs=unknown)]},
                tmp_path / "out",
                matched=True,
            )
    silent = replace(version(tmp_path / "r", "mute", np.zeros((RATE, 2))), loudness_lufs=-20.0)
    with pytest.raises(RoomplanError, match="the loudness of bus mix in mute is not known"):
        write_versions({"mix": [three[0], silent]}, tmp_path / "out", matched=True)
    assert not (tmp_path / "out").exists()
    written = write_versions({"mix": [three[0], silent]}, tmp_path / "out", matched=False)
    assert written[1].loudness_lufs is None
    assert written[1].over_db is None


def test_versions_that_do_not_fit_together_are_refused_with_both_names(three: list[Version], tmp_path: Path):
    slower = version(tmp_path / "r", "slower", music(1.0, rate=44_100), rate=44_100)
    with pytest.raises(RoomplanError, match=r"44100 Hz against 48000 Hz — render all plans alike") as refusal:
        write_versions({"mix": [three[0], slower]}, tmp_path / "out", matched=False)
    assert str(three[0].file) in str(refusal.value)
    assert str(slower.file) in str(refusal.value)
    mono = version(tmp_path / "r", "mono", music(1.0, channels=1))
    with pytest.raises(RoomplanError, match="1 channels against 2 channels"):
        write_versions({"mix": [three[0], mono]}, tmp_path / "out", matched=False)
    fast = tmp_path / "fast.wav"
    soundfile.write(fast, np.zeros((100, 2)), 384_000, subtype="FLOAT")
    with pytest.raises(RoomplanError, match="a sample rate of 384000 Hz, and loudness is measured up to"):
        write_versions({"mix": [Version("a", "mix", fast, None)]}, tmp_path / "out", matched=False)


def test_a_version_is_never_written_over_the_file_it_is_read_from(three: list[Version], tmp_path: Path):
    write_versions({"mix": three}, tmp_path / "out", matched=False)
    again = [replace(three[1], label="a"), replace(three[0], file=tmp_path / "out" / "mix" / "dry.wav")]
    with pytest.raises(RoomplanError, match="would be replaced"):
        write_versions({"mix": again}, tmp_path / "out", matched=True)


@pytest.mark.parametrize("turn_s", [0.0, 0.05, -8.0, math.nan, math.inf])
def test_turns_too_short_to_listen_to_are_refused(three: list[Version], tmp_path: Path, turn_s: float):
    with pytest.raises(RoomplanError, match="too short to listen to"):
        write_versions({"mix": three}, tmp_path / "out", matched=False, turn_s=turn_s)


def test_nothing_to_write_and_labels_that_clash_are_refused(three: list[Version], tmp_path: Path):
    with pytest.raises(RoomplanError, match="no bus to write"):
        write_versions({}, tmp_path / "out", matched=False)
    with pytest.raises(RoomplanError, match="bus mix has no version"):
        write_versions({"mix": []}, tmp_path / "out", matched=False)
    with pytest.raises(RoomplanError, match="two versions called dry"):
        write_versions({"mix": [three[0], three[0]]}, tmp_path / "out", matched=False)
    with pytest.raises(ValueError, match="stands under bus wet"):
        write_versions({"wet": three}, tmp_path / "out", matched=False)
