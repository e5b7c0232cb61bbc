"""Wet components that are kept: the samples of a new pass, to the last bit, without convolving."""

from __future__ import annotations

import os
import shutil
import time
import weakref
from collections import namedtuple
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from ensemble import heard
from hypothesis import given, settings
from hypothesis import strategies as st

from roomplan.audio.readers import StemReader
from roomplan.convolution.engine import Convolver
from roomplan.errors import AudioError
from roomplan.files.cache import Cache
from roomplan.rendering import component_store, component_stream
from roomplan.rendering.component_store import ComponentStore
from roomplan.rendering.component_stream import ComponentStream
from roomplan.rendering.excerpt import excerpt_of
from roomplan.session.buses import build_components
from roomplan.session.response_matrices import response_matrices
from roomplan.session.session import Excerpt

WET = 6  # components of the ensemble


def gained(session, gains):
    """The session with every section, its dry path and its sends at another level."""
    sections = []
    for section, gain in zip(session.sections, gains, strict=True):
        dry = None if section.dry_gain is None else section.dry_gain * gain
        sends = tuple(replace(send, gain=send.gain * gain**2) for send in section.sends)
        sections.append(replace(section, gain=section.gain * gain, dry_gain=dry, sends=sends))
    return replace(session, sections=tuple(sections))


def with_choir(session, **changes):
    return replace(
        session,
        sections=tuple(replace(s, **changes) if s.name == "choir" else s for s in session.sections),
    )


@pytest.fixture
def cache(tmp_path):
    return Cache(tmp_path / "cache")


@pytest.fixture
def store(cache):
    return ComponentStore(cache)


@pytest.fixture
def convolved(monkeypatch):
    """Outputs of the engine that sound, for every hop that is convolved."""
    outputs = []
    process = Convolver.process_planar

    def counted(self, block, out=None):
        reached = {sink for one in self._classes for batch in one.batches for sink in batch.outputs}
        outputs.append(len(reached))
        return process(self, block, out)

    monkeypatch.setattr(Convolver, "process_planar", counted)
    return outputs


@settings(max_examples=10)
@given(
    gains=st.lists(st.floats(0.01, 4.0), min_size=5, max_size=5),
    start=st.one_of(st.none(), st.integers(0, 100_000)),
)
def test_components_at_other_levels_are_those_of_a_new_pass_to_the_last_bit(ensemble, cache, gains, start):
    session = ensemble if start is None else replace(ensemble, excerpt=Excerpt(start, 30_000))
    store = ComponentStore(cache)
    first = heard(session, store)
    np.testing.assert_array_equal(first, heard(session))
    other = gained(session, gains)
    np.testing.assert_array_equal(heard(other, store), heard(other))


def test_nothing_is_convolved_and_no_response_is_read_when_levels_and_mutes_move(
    ensemble, store, convolved, monkeypatch
):
    heard(ensemble, store)
    convolved.clear()
    choir = ensemble.section("choir")
    sends = (choir.sends[0], replace(choir.sends[1], muted=True))
    session = with_choir(gained(ensemble, [0.5, 1.0, 2.0, 1.0, 1.0]), sends=sends)
    components, matrices = build_components(session), response_matrices(session)
    for matrix in matrices.values():
        monkeypatch.setattr(matrix, "_make", None)  # nobody may ask
    with ComponentStream(session, components, matrices, store=store) as stream:
        assert sum(block.shape[2] for block in stream.blocks()) > 0
    assert convolved == []


@pytest.mark.parametrize("number", [0, 1])  # into a shorter room, and into the one that rings longest
@pytest.mark.parametrize("change", [{"pre_delay_s": 0.004}, {"low_cut_hz": 700.0}])
def test_a_send_that_changed_in_kind_is_convolved_alone(ensemble, store, convolved, change, number):
    heard(ensemble, store)
    convolved.clear()
    choir = ensemble.section("choir")
    sends = list(choir.sends)
    sends[number] = replace(sends[number], **change)
    changed = with_choir(ensemble, sends=tuple(sends))
    played = heard(changed, store)
    assert set(convolved) == {2}
    np.testing.assert_array_equal(played, heard(changed))


@pytest.mark.parametrize("change", ["excerpt", "offset", "delay", "response", "tail", "stem"])
def test_what_changes_the_sound_of_a_component_is_convolved_anew(ensemble, store, convolved, change):
    session = excerpt_of(ensemble, 0.5, 0.25)
    heard(session, store)
    convolved.clear()
    choir = session.section("choir")
    moved = {
        "offset": {"stems": tuple(replace(path, offset_frames=777) for path in choir.stems)},
        "delay": {"delay_frames": 99},
        "response": {"sends": (choir.sends[0], replace(choir.sends[1], low_cut_hz=300.0))},
        "stem": {"stems": ensemble.section("strings").stems},
    }
    changed = with_choir(session, **moved.get(change, {}))
    if change == "excerpt":
        changed = excerpt_of(ensemble, 0.6, 0.25)
    if change == "tail":
        changed = ensemble
    played = heard(changed, store)
    assert convolved
    np.testing.assert_array_equal(played, heard(changed))


@pytest.mark.parametrize("place", [0.02, 0.5, 0.99])
@pytest.mark.parametrize("how", ["flipped", "cut short"])
def test_a_damaged_component_is_made_again_in_mid_stream_and_forgotten(
    ensemble, store, cache, monkeypatch, place, how
):
    monkeypatch.setattr(component_stream, "ENGINE_BYTES", 1)  # the shortest blocks
    expected = heard(ensemble, store)
    files = sorted(cache.folder.rglob("sound.npy"))
    assert len(files) == WET
    for file in files[:2]:
        content = bytearray(file.read_bytes())
        at = int(place * len(content))
        content[at] ^= 16
        file.write_bytes(content if how == "flipped" else content[:at])
    np.testing.assert_array_equal(heard(ensemble, store), expected)
    assert len(list(cache.folder.rglob("sound.npy"))) >= WET - 2
    np.testing.assert_array_equal(heard(ensemble, store), expected)
    assert len(list(cache.folder.rglob("sound.npy"))) == WET


def test_a_pass_that_is_cut_short_keeps_nothing(ensemble, store, cache, monkeypatch):
    monkeypatch.setattr(component_stream, "ENGINE_BYTES", 1)  # the shortest blocks
    with ComponentStream(
        ensemble, build_components(ensemble), response_matrices(ensemble), store=store
    ) as stream:
        next(stream.blocks())
    assert cache.entries() == []
    assert list((cache.folder / "entries").iterdir()) == []


def test_nothing_is_kept_of_an_excerpt_whose_stem_was_changed_while_it_was_read(ensemble, store, cache):
    session = excerpt_of(ensemble, 0.5, 0.25)
    stem = session.section("choir").stems[0].stem.files[0]
    components, matrices = build_components(session), response_matrices(session)
    before = stem.stat()
    with ComponentStream(session, components, matrices, store=store) as stream:
        blocks = stream.blocks()
        next(blocks)
        os.utime(stem)
        with pytest.raises(AudioError, match="was changed while it was read"):
            list(blocks)
    os.utime(stem, ns=(before.st_atime_ns, before.st_mtime_ns))  # others play it
    assert cache.entries() == []


def test_no_stem_is_closed_while_it_is_read_when_a_pass_is_cut_short(ensemble, monkeypatch):
    monkeypatch.setattr(component_stream, "ENGINE_BYTES", 1)  # the shortest blocks
    being_read: list[StemReader] = []
    while_read: list[bool] = []
    read, close = StemReader.read, StemReader.close

    def slow(self, frames):
        being_read.append(self)
        time.sleep(0.05)
        sound = read(self, frames)
        being_read.remove(self)
        return sound

    def noting(self):
        while_read.append(bool(being_read))
        close(self)

    monkeypatch.setattr(StemReader, "read", slow)
    monkeypatch.setattr(StemReader, "close", noting)
    with ComponentStream(ensemble, build_components(ensemble), response_matrices(ensemble)) as stream:
        next(stream.blocks())  # while the stems are read for the next
    assert while_read
    assert not any(while_read)


def test_a_stream_that_is_killed_while_it_writes_leaves_nothing_that_counts(
    ensemble, store, cache, monkeypatch
):
    class KilledError(BaseException):
        pass

    def killed(_keeper):
        raise KilledError

    with monkeypatch.context() as patch:
        patch.setattr(component_store.SoundKeeper, "finish", killed)
        patch.setattr(component_store.SoundKeeper, "abandon", lambda _keeper: None)
        with pytest.raises(KilledError):
            heard(ensemble, store)
    assert cache.entries() == []
    np.testing.assert_array_equal(heard(ensemble, store), heard(ensemble))


def test_a_disk_that_fails_keeps_nothing_and_changes_no_sample(ensemble, store, cache, monkeypatch):
    def full(_writer, _block):
        raise OSError(28, "No space left on device")

    expected = heard(ensemble)
    with monkeypatch.context() as patch:
        patch.setattr(component_store, "_write_all", full)
        np.testing.assert_array_equal(heard(ensemble, store), expected)
    assert cache.entries() == []
    assert any("No space left" in note for note in cache.notes)


def test_kept_sounds_hold_no_file_open(ensemble, store, cache, monkeypatch):
    monkeypatch.setattr(component_stream, "ENGINE_BYTES", 1)  # the shortest blocks
    components, matrices = build_components(ensemble), response_matrices(ensemble)
    opened, most = [], []
    is_open = Path.open

    def counted(path, *arguments, **options):
        file = is_open(path, *arguments, **options)
        if path.name == "sound.npy":
            opened.append(file)
            most.append(sum(not one.closed for one in opened))
        return file

    monkeypatch.setattr(Path, "open", counted)
    for _pass in ("written", "read"):
        with ComponentStream(ensemble, components, matrices, store=store) as stream:
            for _block in stream.blocks():
                pass
        assert 0 < max(most) <= 2  # as many as there are threads
        most.clear()
    assert len(cache.entries()) == WET


def test_what_goes_wrong_in_the_thread_that_writes_is_raised_and_holds_nothing_up(
    ensemble, store, cache, monkeypatch
):
    def wrong(_file, _data):
        raise RuntimeError("no fault of the disk")

    monkeypatch.setattr(component_stream, "ENGINE_BYTES", 1)  # the shortest blocks
    monkeypatch.setattr(component_store, "_WAITING_BYTES", 1)
    monkeypatch.setattr(component_store, "_write_all", wrong)
    with pytest.raises(RuntimeError, match="no fault of the disk"):
        heard(ensemble, store)
    assert list((cache.folder / "entries").iterdir()) == []


def test_no_more_is_kept_than_there_is_room_for(ensemble, cache, convolved):
    heard(ensemble, ComponentStore(cache))
    sizes = [entry.size_bytes for entry in cache.entries()]
    small = Cache(cache.folder.parent / "small", limit_bytes=2 * sum(sizes) // 3)
    expected = heard(ensemble)
    heard(ensemble, ComponentStore(small))
    assert 0 < len(small.entries()) < WET
    assert sum(entry.size_bytes for entry in small.entries()) <= 0.75 * small.limit_bytes
    convolved.clear()
    np.testing.assert_array_equal(heard(ensemble, ComponentStore(small)), expected)
    assert max(convolved) < 2 * WET


@pytest.mark.parametrize("why", ["off", "disk"])
def test_nothing_is_kept_where_sound_is_off_or_the_disk_is_short(ensemble, cache, monkeypatch, why):
    if why == "off":
        cache.keeps_sound = False
    else:
        usage = namedtuple("usage", "total used free")  # noqa: PYI024
        monkeypatch.setattr(shutil, "disk_usage", lambda _path: usage(10**9, 10**9 - 1_000_000, 1_000_000))
    heard(ensemble, ComponentStore(cache))
    assert cache.entries() == []


def test_a_block_stays_as_it_is_until_the_next_but_one_is_asked_for(ensemble, store, monkeypatch):
    monkeypatch.setattr(component_stream, "ENGINE_BYTES", 1)  # the shortest blocks
    components = build_components(ensemble)
    excerpt = replace(ensemble, excerpt=Excerpt(0, 140_000))
    for session in (ensemble, ensemble, excerpt, excerpt):  # convolved, then read
        with ComponentStream(session, components, response_matrices(session), store=store) as stream:
            before: list[tuple[np.ndarray, np.ndarray]] = []
            for block in stream.blocks():
                for seen, copied in before[-1:]:
                    assert np.array_equal(seen, copied)
                    assert not np.shares_memory(seen, block)
                before.append((block, block.copy()))
            assert len(before) > 2


def test_nothing_that_was_read_is_held_while_the_last_block_is_made_but_what_it_is_made_of(
    ensemble, monkeypatch
):
    monkeypatch.setattr(component_stream, "ENGINE_BYTES", 1)  # the shortest blocks
    read: dict[int, weakref.ref[np.ndarray]] = {}
    alive: list[int] = []
    reading, convolving = ComponentStream._read, ComponentStream._convolve

    def remembered(self, frames):
        arrays = reading(self, frames)
        read.update({id(array): weakref.ref(array) for array in arrays})
        return arrays

    def counted(self, signals, wet):
        alive.append(sum(array() is not None for array in read.values()))
        convolving(self, signals, wet)

    monkeypatch.setattr(ComponentStream, "_read", remembered)
    monkeypatch.setattr(ComponentStream, "_convolve", counted)
    heard(ensemble)
    assert alive[-1] == 1
    assert max(alive) > 2


def test_a_disk_that_is_slower_than_the_render_keeps_less_and_does_not_hold_it_up(
    ensemble, store, cache, monkeypatch
):
    monkeypatch.setattr(component_stream, "ENGINE_BYTES", 1)  # the shortest blocks
    monkeypatch.setattr(component_store, "_WAITING_BYTES", 1)
    monkeypatch.setattr(component_store, "_NOT_COUNTED_S", 0.0)
    write = component_store._write_all

    def slow(file, data):
        time.sleep(0.05)
        write(file, data)

    expected = heard(ensemble)
    with monkeypatch.context() as patch:
        patch.setattr(component_store, "_write_all", slow)
        np.testing.assert_array_equal(heard(ensemble, store), expected)
    assert len(cache.entries()) < WET
    assert any("slower than the render" in note for note in cache.notes)
    np.testing.assert_array_equal(heard(ensemble, store), expected)
