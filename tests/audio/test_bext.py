"""The time reference of Broadcast Wave files, against the layout of the standard and two other readers."""

from __future__ import annotations

import contextlib
import errno
import os
import struct
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import soundfile
import wavinfo
from hypothesis import given
from hypothesis import strategies as st

from roomplan.audio.bext import (
    StatedLoudness,
    TimeReference,
    bext_chunk,
    plain_ascii,
    read_time_reference,
    reserve_bext,
    write_bext,
)
from roomplan.audio.info import inspect_sound
from roomplan.audio.writers import OutputFormat, SoundWriter
from roomplan.errors import AudioError, RoomplanError

# 10:00:00 at 48 kHz, and a count that needs both words of the field (as 7 h at 192 kHz would).
TEN_O_CLOCK = 10 * 3600 * 48_000
BEYOND_32_BITS = 0x0000_0012_9ABC_DEF0

LOUDNESS = StatedLoudness(-23.04, 7.6, -1.25, -15.5, -18.17)
FIELDS = {
    "samples": BEYOND_32_BITS,
    "description": "Ice Harbour, strings",
    "originator": "roomplan",
    "loudness": LOUDNESS,
}

FORMATS = [
    ("WAV", "PCM_16"),
    ("WAV", "PCM_24"),
    ("WAV", "FLOAT"),
    ("WAVEX", "PCM_24"),
    ("WAVEX", "FLOAT"),
    ("RF64", "PCM_24"),
    ("RF64", "FLOAT"),
]


def chunk(name: bytes, contents: bytes) -> bytes:
    return name + struct.pack("<I", len(contents)) + contents + bytes(len(contents) % 2)


def riff(*chunks: bytes, kind: bytes = b"RIFF") -> bytes:
    body = b"WAVE" + b"".join(chunks)
    return kind + struct.pack("<I", len(body) if kind == b"RIFF" else 0xFFFFFFFF) + body


FMT = chunk(b"fmt ", struct.pack("<HHIIHH", 1, 1, 48_000, 96_000, 2, 16))
DATA = chunk(b"data", bytes(range(64)))


def by_the_layout(
    *,
    low: int = 0,
    high: int = 0,
    version: int = 1,
    texts=(b"", b"", b"", b"", b""),
    figures=(),
    rest: bytes = b"",
) -> bytes:
    """Lay out a `bext` chunk field by field, at the offsets of EBU Tech 3285 v2, 2.3 (from memory)."""
    raw = bytearray(602)
    for offset, length, text in zip((0, 256, 288, 320, 330), (256, 32, 32, 10, 8), texts, strict=True):
        raw[offset : offset + length] = text.ljust(length, b"\0")
    raw[338:342] = low.to_bytes(4, "little")
    raw[342:346] = high.to_bytes(4, "little")
    raw[346:348] = version.to_bytes(2, "little")
    for index, figure in enumerate(figures):  # after the UMID of 64 bytes
        raw[412 + 2 * index : 414 + 2 * index] = figure.to_bytes(2, "little", signed=True)
    return bytes(raw) + rest


def chunks_of(raw: bytes) -> list[tuple[bytes, int, bytes]]:
    """Name, position and contents of every chunk, and that they fill the file exactly."""
    found, position = [], 12
    while position < len(raw):
        name, size = struct.unpack_from("<4sI", raw, position)
        if size == 0xFFFFFFFF:
            assert name == b"data"
            size = int.from_bytes(raw[28:36], "little")  # second field of `ds64`
        found.append((name, position, raw[position + 8 : position + 8 + size]))
        position += 8 + size + size % 2
    assert position == len(raw)
    whole = int.from_bytes(raw[4:8], "little") if raw[:4] == b"RIFF" else int.from_bytes(raw[20:28], "little")
    assert whole == len(raw) - 8
    return found


def libsndfile_bext(path) -> dict[str, object]:
    """Ask libsndfile for SF_BROADCAST_INFO (sndfile.h: SFC_GET_BROADCAST_INFO is 0x10F0).

    The C structure has two bytes of padding before its 32-bit words and room for 256 of coding history.
    """
    buffer = soundfile._ffi.new("char[]", 864)
    with soundfile.SoundFile(path) as sound:
        assert soundfile._snd.sf_command(sound._file, 0x10F0, buffer, 864) == 1
    raw = bytes(soundfile._ffi.buffer(buffer))
    low, high, version = struct.unpack_from("<IIh", raw, 340)
    return {
        "description": raw[:256].rstrip(b"\0").decode(),
        "originator": raw[256:288].rstrip(b"\0").decode(),
        "date": raw[320:330].rstrip(b"\0").decode(),
        "samples": low | high << 32,
        "version": version,
        "loudness": struct.unpack_from("<5h", raw, 414),
    }


@pytest.fixture
def wave(tmp_path, noise):
    """Return a factory of files of libsndfile, with room or without; 101 frames of 24 bits are odd bytes."""

    def make(container="WAV", subtype="PCM_24", *, room=False, channels=1, frames=101):
        path = tmp_path / f"{container}_{subtype}_{room}.wav"
        with soundfile.SoundFile(path, "w", 48_000, channels, subtype, format=container) as sound:
            if room:
                reserve_bext(sound)
            sound.write(noise(frames, channels))
        return path

    return make


@pytest.fixture
def raw_file(tmp_path):
    def make(raw: bytes, name="hand_made.wav"):
        path = tmp_path / name
        path.write_bytes(raw)
        return path

    return make


# Reading


def test_every_field_is_read_from_where_the_standard_puts_it(raw_file):
    bext = by_the_layout(
        low=0x9ABC_DEF0,
        high=0x12,
        version=2,
        texts=(b"Ice Harbour, strings", b"roomplan", b"IH-0042", b"2024-03-09", b"14:05:07"),
        figures=(-2304, 760, -125, -1550, -1817),
        rest=b"A=PCM,F=48000\r\n",
    )
    found = read_time_reference(raw_file(riff(FMT, chunk(b"bext", bext), DATA)))
    assert found == TimeReference(BEYOND_32_BITS, 48_000)
    assert found is not None
    assert found.seconds == Fraction(BEYOND_32_BITS, 48_000)


@pytest.mark.parametrize(
    "order",
    [
        lambda bext: (FMT, bext, DATA),
        lambda bext: (bext, FMT, DATA),
        lambda bext: (FMT, DATA, bext),
        lambda bext: (FMT, chunk(b"odd ", b"123"), chunk(b"zero", b""), bext, DATA),
        lambda bext: (FMT, chunk(b"data", bytes(63)), bext),
        lambda bext: (chunk(b"JUNK", bytes(28)), FMT, DATA, chunk(b"LIST", b"INFO"), bext),
    ],
)
def test_the_chunk_is_found_wherever_it_stands(raw_file, order):
    path = raw_file(riff(*order(chunk(b"bext", by_the_layout(low=7)))))
    found = read_time_reference(path)
    assert found is not None
    assert (found.samples, found.sample_rate) == (7, 48_000)


def test_the_first_of_several_chunks_counts(raw_file):
    first, second = (chunk(b"bext", by_the_layout(low=low)) for low in (1, 2))
    for order in ((FMT, first, DATA, second, chunk(b"bext", b"")), (first, second, FMT, DATA)):
        found = read_time_reference(raw_file(riff(*order)))
        assert found is not None
        assert found.samples == 1


@pytest.mark.parametrize(("container", "subtype"), FORMATS)
def test_a_wav_without_the_chunk_has_no_time_reference(wave, container, subtype):
    assert read_time_reference(wave(container, subtype)) is None


@pytest.mark.parametrize("container", ["FLAC", "AIFF", "OGG", "W64", "CAF", "MP3"])
def test_other_containers_have_no_time_reference(sound_file, container):
    assert read_time_reference(sound_file(f"a.{container.lower()}", container=container)) is None


@pytest.mark.parametrize(
    "raw", [b"R", b"RIFF", riff()[:11], riff(), b"RIFX" + riff(FMT, DATA)[4:], riff(FMT, DATA)[:30]]
)
def test_what_is_hardly_a_file_has_no_time_reference(raw_file, raw):
    assert read_time_reference(raw_file(raw)) is None


@pytest.mark.parametrize("kind", [b"RF64", b"BW64"])
def test_the_chunk_is_found_behind_more_than_4_gib_of_sound(tmp_path, kind):
    # EBU Tech 3306: the true size of the sound stands in `ds64`. The file is sparse: it takes no room.
    sound_bytes = 2**32 + 1_001
    path = tmp_path / "long.wav"
    ds64 = chunk(b"ds64", struct.pack("<QQQI", 0, sound_bytes, 0, 0))
    with path.open("wb") as file:
        file.write(riff(ds64, FMT, kind=kind) + b"data\xff\xff\xff\xff")
        file.seek(sound_bytes + sound_bytes % 2, os.SEEK_CUR)
        file.write(chunk(b"bext", by_the_layout(low=5, high=1)))
    found = read_time_reference(path)
    assert found is not None
    assert found.samples == 2**32 + 5


def test_a_long_chunk_of_another_kind_has_its_size_in_the_table_of_ds64(tmp_path):
    path = tmp_path / "long.wav"
    table = b"".join(struct.pack("<4sQ", name, size) for name, size in ((b"abcd", 3), (b"levl", 2**32 + 2)))
    ds64 = chunk(b"ds64", struct.pack("<QQQI", 0, 64, 0, 2) + table)
    with path.open("wb") as file:
        file.write(
            riff(ds64, FMT, kind=b"RF64") + b"data\xff\xff\xff\xff" + bytes(64) + b"levl\xff\xff\xff\xff"
        )
        file.seek(2**32 + 2, os.SEEK_CUR)
        file.write(chunk(b"bext", by_the_layout(low=9)))
    found = read_time_reference(path)
    assert found is not None
    assert found.samples == 9


@pytest.mark.parametrize("ds64", [b"", chunk(b"ds64", bytes(12))])
def test_an_rf64_without_the_size_of_its_sound_is_reported(raw_file, ds64):
    raw = riff(ds64, FMT, kind=b"RF64") + b"data\xff\xff\xff\xff" + bytes(64)
    with pytest.raises(AudioError, match="leaves the size of its `data` chunk out"):
        read_time_reference(raw_file(raw))


def test_a_chunk_that_is_too_short_is_reported_with_its_length(raw_file):
    with pytest.raises(AudioError, match="damaged time reference: its `bext` chunk has 601 of 602 bytes"):
        read_time_reference(raw_file(riff(FMT, chunk(b"bext", bytes(601)), DATA)))


def test_a_chunk_that_runs_beyond_the_file_is_reported(raw_file):
    raw = riff(FMT, DATA, chunk(b"bext", by_the_layout(rest=b"A=PCM")))[:-100]
    with pytest.raises(
        AudioError, match=r"`bext` chunk claims 607 bytes, but the file ends after 508 of them"
    ):
        read_time_reference(raw_file(raw))


@pytest.mark.parametrize("fmt", [b"", chunk(b"fmt ", bytes(16)), chunk(b"fmt ", b"\1\0\1\0")])
def test_a_time_in_samples_without_a_rate_is_reported(raw_file, fmt):
    with pytest.raises(AudioError, match="in samples, but no sample rate"):
        read_time_reference(raw_file(riff(fmt, chunk(b"bext", by_the_layout(low=1)), DATA)))


def test_a_file_of_endless_chunks_is_given_up(raw_file):
    bext = chunk(b"bext", by_the_layout(low=1))
    assert read_time_reference(raw_file(riff(FMT, chunk(b"none", b"") * 4_000, bext))) is not None
    assert read_time_reference(raw_file(riff(FMT, chunk(b"none", b"") * 100_000, bext))) is None


def test_what_is_no_file_is_refused_in_one_line(tmp_path):
    os.mkfifo(tmp_path / "pipe.wav")
    (tmp_path / "empty.wav").touch()
    faults = {
        "": "is a folder",
        "missing.wav": "does not exist",
        "pipe.wav": "is not a regular file",
        "empty.wav": r"is empty \(0 bytes\)",
    }
    for name, fault in faults.items():
        for action in (read_time_reference, lambda path: write_bext(path, bext_chunk(samples=1))):
            with pytest.raises(AudioError, match=f"{fault} — "):
                action(tmp_path / name)


WHOLE = riff(
    FMT,
    chunk(b"odd ", b"123"),
    chunk(b"bext", by_the_layout(low=3, version=2)),
    DATA,
    chunk(b"LIST", b"INFO"),
)
WHOLE_RF64 = riff(
    chunk(b"ds64", struct.pack("<QQQI", 800, 64, 32, 1) + struct.pack("<4sQ", b"levl", 2)),
    FMT,
    b"data\xff\xff\xff\xff" + bytes(64),
    b"levl\xff\xff\xff\xff" + bytes(2),
    chunk(b"bext", by_the_layout(low=3)),
    kind=b"RF64",
)


def read_or_refuse(path) -> TimeReference | None:
    """Nothing but the documented error."""
    try:
        return read_time_reference(path)
    except AudioError:
        return None


@pytest.mark.parametrize("whole", [WHOLE, WHOLE_RF64], ids=["RIFF", "RF64"])
def test_a_file_cut_anywhere_gives_the_reference_or_none_or_one_line(raw_file, whole):
    expected = read_time_reference(raw_file(whole))
    assert expected is not None
    for length in range(len(whole)):
        assert read_or_refuse(raw_file(whole[:length])) in {None, expected}


@given(
    whole=st.sampled_from([WHOLE, WHOLE_RF64]),
    places=st.lists(
        st.tuples(st.integers(0, 200), st.binary(min_size=1, max_size=8)), min_size=1, max_size=6
    ),
)
def test_bytes_changed_at_random_raise_nothing_undocumented(raw_file, whole, places):
    raw = bytearray(whole)
    for start, new in places:
        raw[start : start + len(new)] = new
    path = raw_file(bytes(raw))
    read_or_refuse(path)
    with contextlib.suppress(AudioError):
        write_bext(path, bext_chunk(samples=1))
        return
    assert path.read_bytes() == bytes(raw)


@given(
    kind=st.sampled_from([b"RIFF", b"RF64", b"BW64"]),
    parts=st.lists(
        st.one_of(
            st.binary(max_size=40),
            st.builds(
                lambda name, size, body: name + struct.pack("<I", size) + body,
                st.sampled_from([b"fmt ", b"data", b"bext", b"ds64", b"LIST"]),
                st.one_of(st.integers(0, 40), st.sampled_from([602, 2**31, 2**32 - 2, 2**32 - 1])),
                st.binary(max_size=40),
            ),
        ),
        max_size=8,
    ),
)
def test_random_chunks_raise_nothing_undocumented(raw_file, kind, parts):
    read_or_refuse(raw_file(riff(*parts, kind=kind)))


# Making the chunk


def test_the_chunk_is_laid_out_as_the_standard_has_it():
    assert bext_chunk(**FIELDS) == by_the_layout(
        low=0x9ABC_DEF0,
        high=0x12,
        version=2,
        texts=(b"Ice Harbour, strings", b"roomplan", b"", b"", b""),
        figures=(-2304, 760, -125, -1550, -1817),
    )


def test_a_chunk_without_loudness_is_of_version_1_and_names_no_date():
    assert bext_chunk(samples=TEN_O_CLOCK) == by_the_layout(low=TEN_O_CLOCK, version=1)


@pytest.mark.parametrize("figure", [None, float("-inf"), float("nan"), -99.996, 120.0])
def test_a_figure_the_field_cannot_hold_is_written_as_not_used(figure):
    raw = bext_chunk(samples=0, loudness=StatedLoudness(figure, 99.99, -99.99))
    # 7FFFh (EBU Tech 3285 v2, 2.3, from memory)
    assert struct.unpack_from("<5h", raw, 412) == (0x7FFF, 9_999, -9_999, 0x7FFF, 0x7FFF)


@pytest.mark.parametrize("samples", [-1, 2**64])
def test_a_count_outside_64_bits_is_refused(samples):
    with pytest.raises(RoomplanError, match=f"time reference of {samples} samples"):
        bext_chunk(samples=samples)


@pytest.mark.parametrize(
    ("make", "longest"),
    [
        (lambda text: bext_chunk(samples=0, description=text), 256),
        (lambda text: bext_chunk(samples=0, originator=text), 32),
    ],
)
def test_text_that_does_not_fit_is_refused_and_its_plain_form_fits(make, longest):
    assert len(make("x" * longest)) == 602
    with pytest.raises(RoomplanError, match=f"has {longest + 1} characters — at most {longest}"):
        make("x" * (longest + 1))
    for text in ("Tallowyard Bühne", "two\nlines", "bell\x07"):
        with pytest.raises(RoomplanError, match="cannot hold"):
            make(text)
        assert len(make(plain_ascii(text, longest))) == 602


def test_plain_text_keeps_letters_and_loses_accents():
    assert plain_ascii("Tallowyard Bühne, n° 3 – ŝmårt\n線", 256) == "Tallowyard Buhne, n? 3 ? smart ?"
    assert plain_ascii("Orrin Nave", 6) == "Orrin"


@given(st.text(max_size=80), st.integers(0, 40))
def test_any_text_has_a_plain_form_that_the_field_takes(text, longest):
    plain = plain_ascii(text, longest)
    assert len(plain) <= longest
    assert bext_chunk(samples=0, description=plain)[: len(plain)] == plain.encode("ascii")


# Putting it into files


@pytest.mark.parametrize(("container", "subtype"), FORMATS)
def test_two_other_readers_find_the_chunk_and_the_sound_is_untouched(wave, container, subtype):
    path = wave(container, subtype, room=True)
    dtype = "int32" if subtype.startswith("PCM") else "float32"
    before, before_bytes = soundfile.read(path, dtype=dtype)[0], path.read_bytes()
    write_bext(path, bext_chunk(**FIELDS))

    chunks = chunks_of(path.read_bytes())
    old = chunks_of(before_bytes)
    names = [name for name, _, _ in chunks]
    assert names.count(b"bext") == 1
    assert names.index(b"bext") < names.index(b"data")
    others = [(name, held) for name, _, held in chunks if name not in {b"bext", b"ds64"}]
    assert others == [(name, held) for name, _, held in old if name not in {b"LIST", b"ds64"}]
    assert len(before_bytes) == path.stat().st_size

    other = wavinfo.WavInfoReader(path)
    assert other.bext is not None
    assert other.data is not None
    assert other.data.frame_count == 101
    assert other.bext.time_reference == BEYOND_32_BITS
    assert other.bext.description == "Ice Harbour, strings"
    assert other.bext.originator == "roomplan"
    assert other.bext.originator_ref == ""
    assert other.bext.version == 2
    assert (other.bext.loudness_value, other.bext.loudness_range) == (-23.04, 7.6)
    assert (other.bext.max_true_peak, other.bext.max_momentary_loudness) == (-1.25, -15.5)
    assert other.bext.max_shortterm_loudness == -18.17
    assert other.bext.coding_history == ""
    assert other.info is None

    assert libsndfile_bext(path) == {
        "description": "Ice Harbour, strings",
        "originator": "roomplan",
        "date": "",
        "samples": BEYOND_32_BITS,
        "version": 2,
        "loudness": (-2304, 760, -125, -1550, -1817),
    }
    with soundfile.SoundFile(path) as sound:
        assert sound.comment == ""  # the room is gone
        np.testing.assert_array_equal(sound.read(dtype=dtype), before)
    assert inspect_sound(path).frames == 101

    assert read_time_reference(path) == TimeReference(BEYOND_32_BITS, 48_000)


@given(st.integers(0, 2**64 - 1))
def test_the_time_that_is_written_is_read(raw_file, samples):
    raw = riff(FMT, chunk(b"bext", bext_chunk(samples=samples)), DATA)
    assert read_time_reference(raw_file(raw)) == TimeReference(samples, 48_000)


@pytest.mark.parametrize("bit_depth", [16, 24, "32f"])
@pytest.mark.parametrize("hours", [0.001, 4])  # four hours are more than a plain WAV can count
def test_a_file_of_a_delivery_takes_the_chunk(tmp_path, noise, bit_depth, hours):
    path = tmp_path / "strings.wav"
    with SoundWriter(
        path,
        sample_rate=48_000,
        channels=4,
        frames_expected=round(hours * 3600 * 48_000),
        format=OutputFormat("wav", bit_depth),
        dither_seed="strings",
        time_reference=True,
    ) as writer:
        writer.write(noise(333, 4).astype(np.float32))
    before = soundfile.read(path)[0]
    write_bext(path, bext_chunk(samples=TEN_O_CLOCK))
    np.testing.assert_array_equal(soundfile.read(path)[0], before)
    other = wavinfo.WavInfoReader(path)
    assert other.bext is not None
    assert other.bext.time_reference == TEN_O_CLOCK
    assert other.bext.version == 1


def test_the_same_file_and_fields_give_the_same_bytes(wave):
    first = wave("WAV", "PCM_24", room=True)
    write_bext(first, bext_chunk(**FIELDS))
    raw = first.read_bytes()
    second = wave("WAV", "PCM_24", room=True)
    write_bext(second, bext_chunk(**FIELDS))
    assert second.read_bytes() == raw


@pytest.mark.parametrize("container", ["WAV", "RF64"])
def test_a_file_without_room_is_refused_and_left_alone(wave, container):
    path = wave(container)
    before = path.read_bytes()
    with pytest.raises(AudioError, match="has no room for a time reference — write the file anew"):
        write_bext(path, bext_chunk(samples=1))
    assert path.read_bytes() == before


def test_a_file_takes_the_chunk_once(wave):
    path = wave(room=True)
    write_bext(path, bext_chunk(samples=1))
    with pytest.raises(AudioError, match="has no room"):
        write_bext(path, bext_chunk(samples=2))
    assert read_time_reference(path) == TimeReference(1, 48_000)


def test_a_full_disk_is_reported(wave, monkeypatch):
    path = wave(room=True)
    opened = Path.open

    class Full:
        def __init__(self, file):
            self.file = file

        def __getattr__(self, name):
            return getattr(self.file, name)

        def __enter__(self):
            return self

        def __exit__(self, *rest):
            self.file.close()

        def write(self, _data):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(Path, "open", lambda *given, **options: Full(opened(*given, **options)))
    with pytest.raises(
        AudioError, match=r"could not be given its time reference \(No space left on device\)"
    ):
        write_bext(path, bext_chunk(samples=1))


def test_contents_of_another_length_are_a_mistake_of_the_caller(wave):
    with pytest.raises(ValueError, match="601 bytes are no contents of a bext chunk: 602 are"):
        write_bext(wave(), bytes(601))
