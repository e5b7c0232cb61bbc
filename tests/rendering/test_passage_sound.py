"""The sound of a passage for a page: which passage, how it is coded, and that the stream yields it."""

from __future__ import annotations

import io

import numpy as np
import pytest
import soundfile
from ensemble import ensemble, heard  # noqa: F401 - a fixture

from roomplan.errors import RoomplanError
from roomplan.rendering.excerpt import excerpt_of
from roomplan.rendering.passage_sound import (
    MOST_SOUND_BYTES,
    busiest_start_s,
    coded_passage,
    longest_passage_s,
)
from roomplan.rendering.progress import silent_progress
from roomplan.session.response_matrices import response_matrices

RATE = 48_000


def coded(session, most_bytes):
    return coded_passage(
        session,
        response_matrices(session),
        most_bytes=most_bytes,
        cache=None,
        workers=2,
        progress=silent_progress,
    )


def played(sound) -> np.ndarray:
    """Return components as a page plays them, (components, 2, frames)."""
    found = np.zeros((len(sound.components), 2, sound.frames))
    for into, one in zip(found, sound.components, strict=True):
        if one is not None:
            samples, _rate = soundfile.read(io.BytesIO(one.content), always_2d=True)
            assert samples.shape == (sound.frames, one.channels)
            into[:] = one.scale * samples.T
    return found


def test_lossless_sound_is_that_of_the_stream(ensemble):  # noqa: F811 - the fixture
    sound = coded(ensemble, 100_000_000)
    assert sound.coding == "flac_24"
    expected = heard(ensemble)
    assert np.abs(played(sound) - expected).max() <= 2e-7 * np.abs(expected).max()


@pytest.mark.parametrize(("share", "coding"), [(0.8, "flac_16"), (0.2, "vorbis")])
def test_what_does_not_fit_is_coded_smaller_and_fits(ensemble, share, coding):  # noqa: F811
    room = round(share * coded(ensemble, 100_000_000).size_bytes)
    sound = coded(ensemble, room)
    assert sound.coding == coding
    assert sound.size_bytes <= room
    if coding == "flac_16":  # how near Vorbis comes is tested with sounds that it is made for
        expected = heard(ensemble)
        assert np.mean((played(sound) - expected) ** 2) < 1e-8 * np.mean(expected**2.0)


def test_what_fits_at_no_size_is_refused_with_the_size(ensemble):  # noqa: F811
    with pytest.raises(RoomplanError, match=r"does not fit into 0\.0 MB — give a shorter --length"):
        coded(ensemble, 10_000)


def test_an_excerpt_says_where_it_begins(ensemble):  # noqa: F811
    sound = coded(excerpt_of(ensemble, 1, 0.5), 100_000_000)
    assert (sound.start_frame, sound.frames) == (RATE, RATE // 2)
    assert np.abs(played(sound) - heard(ensemble)[:, :, RATE : RATE + RATE // 2]).max() <= 1e-6


def sums_of(*stretches: tuple[float, float], seconds: int = 100) -> np.ndarray:
    """Return the powers of a section that plays in some stretches."""
    sums = np.zeros(50 * seconds)
    for start, end in stretches:
        sums[round(50 * start) : round(50 * end)] = 960 * 0.01
    return sums


def test_the_passage_is_where_most_sections_play():
    sections = [sums_of((0, 100)), sums_of((60, 85)), sums_of((62, 80)), sums_of((5, 10))]
    start = busiest_start_s(sections, 20.0, sample_rate=RATE)
    assert 60.0 <= start <= 65.0


def test_of_equally_busy_passages_the_first_is_taken():
    assert busiest_start_s([sums_of((0, 100))], 45.0, sample_rate=RATE) == 0.0
    assert busiest_start_s([sums_of()], 45.0, sample_rate=RATE) == 0.0
    assert busiest_start_s([], 45.0, sample_rate=RATE) == 0.0


def test_a_passage_of_a_cue_that_is_shorter_begins_with_it():
    assert busiest_start_s([sums_of((2, 9), seconds=10)], 45.0, sample_rate=RATE) == 0.0


@pytest.mark.parametrize("components", [0, 1, 20, 84, 1000])
def test_no_passage_is_longer_than_a_browser_holds(components):
    seconds = longest_passage_s(components, RATE)
    assert 8 * RATE * components * seconds <= MOST_SOUND_BYTES
    assert 8 * RATE * max(1, components) * (seconds + 1.0) > MOST_SOUND_BYTES
