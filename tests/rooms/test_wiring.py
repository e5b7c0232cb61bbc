from __future__ import annotations

import numpy as np
import pytest

from roomplan.rooms.wiring import (
    choose_sources,
    choose_wiring,
    normalising_gain,
    wiring_fault,
    wiring_of_sources,
)

RATE = 48_000


@pytest.mark.parametrize(
    ("channels", "listed", "expected"),
    [
        (2, True, "one_source"),  # stereo listed by position
        (2, False, "per_channel"),  # one stereo file
        (1, False, "per_channel"),  # mono serves each channel
        (1, True, "per_channel"),
        (4, False, "true_stereo"),
        (4, True, "true_stereo"),
    ],
)
def test_wiring_defaults_follow_the_kind_of_response(channels, listed, expected):
    assert choose_wiring(None, channels=channels, listed=listed) == expected


def test_a_wiring_that_is_asked_for_stands():
    assert choose_wiring("one_source", channels=2, listed=False) == "one_source"


@pytest.mark.parametrize(
    ("asked", "channels", "spread_m", "sources", "wiring"),
    [
        (None, 2, 3.0, 2, "true_stereo"),
        (None, 2, 0.0, 1, "one_source"),
        (None, 1, 3.0, 1, "one_source"),
        ("one_source", 2, 3.0, 1, "one_source"),
        ("per_channel", 2, 3.0, 1, "per_channel"),
        ("true_stereo", 2, 3.0, 2, "true_stereo"),
        ("true_stereo", 2, 0.0, 2, "true_stereo"),  # it was asked for
        ("true_stereo", 1, 3.0, 1, "one_source"),  # a mono section has one source, whatever is asked for
    ],
)
def test_a_synthetic_seat_has_two_sources_for_a_stereo_section_unless_told_otherwise(
    asked, channels, spread_m, sources, wiring
):
    assert choose_sources(asked, channels=channels, spread_m=spread_m) == sources
    assert wiring_of_sources(asked, sources=sources) == wiring


@pytest.mark.parametrize(
    ("wiring", "channels", "fits"),
    [
        ("one_source", 1, True),
        ("one_source", 2, True),
        ("one_source", 4, False),
        ("per_channel", 1, True),
        ("per_channel", 2, True),
        ("per_channel", 4, False),
        ("true_stereo", 1, False),
        ("true_stereo", 2, False),
        ("true_stereo", 4, True),
    ],
)
def test_a_wiring_fits_the_channels_it_has_a_meaning_for(wiring, channels, fits):
    fault = wiring_fault(wiring, channels=channels)
    assert (fault is None) is fits
    if fault is not None:
        assert wiring in fault[0]
        assert "use " in fault[1]


def test_an_impulse_in_one_microphone_of_each_path_needs_the_gain_of_its_multiplicity():
    impulse = np.zeros((100, 4))
    impulse[0] = 1.0
    # g² = 2/Σk with k = 1 per path; a mono response is heard twice.
    for channels, gain in ((1, 1.0), (2, 1.0), (4, np.sqrt(0.5))):
        for normalise in ("loudness", "energy"):
            found = normalising_gain(impulse[:, :channels], sample_rate=RATE, normalise=normalise)
            assert found == pytest.approx(gain)


def test_energy_peak_and_none_are_what_they_say(decaying_noise):
    samples = decaying_noise(0.5, length_s=0.5, channels=2)
    energy = normalising_gain(samples, sample_rate=RATE, normalise="energy")
    assert energy is not None
    assert energy**2 * np.sum(samples**2) == pytest.approx(2.0)
    peak = normalising_gain(samples, sample_rate=RATE, normalise="peak")
    assert peak is not None
    assert peak * np.max(np.abs(samples)) == pytest.approx(1.0)
    assert normalising_gain(samples, sample_rate=RATE, normalise="none") == 1.0


def test_silence_has_no_normalising_gain():
    for normalise in ("loudness", "energy", "peak"):
        assert normalising_gain(np.zeros((100, 2)), sample_rate=RATE, normalise=normalise) is None
