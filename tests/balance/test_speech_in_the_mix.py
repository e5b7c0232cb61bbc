"""Speech index with the other sections as noise, against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from made_sessions import RATE, decaying, made_session, wish

from roomplan.acoustics.speech import SPEECH_BANDS_HZ
from roomplan.balance.balance import solve_balance
from roomplan.balance.judging import target_results
from roomplan.balance.speech import octave_powers, octaves_of_response
from roomplan.files.cache import Cache
from roomplan.plan.targets import BalanceLimits
from roomplan.rendering.progress import silent_progress
from roomplan.session.response_matrices import ResponseMatrix


@pytest.fixture
def cache(tmp_path):
    return Cache(tmp_path / "cache")


@pytest.fixture
def dry(cue):
    """Two sections of steady noise of one level, no room in use."""
    cue.steady("choir", 20.0, 1)
    cue.steady("brass", 20.0, 2)
    cue.response("near.wav", 0.5, 0.3, 4)
    return {
        "tail": "none",
        "rooms": {"near": {"responses": "near.wav"}},
        "sections": {"choir": {"stems": ["choir"]}, "brass": {"stems": ["brass"]}},
    }


TARGET = wish("least_sti", 0.4, "section:choir")


@pytest.mark.parametrize(
    ("level", "expected"),
    # m = 1 / (1 + 10^(-SNR/10)) gives back the ratio itself: (SNR + 15) / 30, and all bands alike leave it so
    # (IEC 60268-16, A.5.4 to A.5.6, as in acoustics.speech)
    [(0.0, 0.5), (6.0, 0.7), (-9.0, 0.2)],
)
def test_dry_words_in_a_noise_of_their_own_spectrum_have_the_index_of_the_ratio(
    cue, dry, cache, level, expected
):
    dry["sections"]["choir"]["level"] = level
    told = target_results(cue.session(dry), (TARGET,), cache=cache)
    assert told[0].value == pytest.approx(expected, abs=0.004)  # chance in the noise of 20 s at 125 Hz


def test_without_another_section_dry_words_are_understood_whole(cue, dry, cache):
    dry["sections"]["brass"]["mute"] = True
    assert target_results(cue.session(dry), (TARGET,), cache=cache)[0].value == pytest.approx(1.0, abs=1e-6)


def test_a_noise_turned_down_raises_the_index_by_what_the_solver_promised(cue, dry, cache):
    session = cue.session(dry)
    found = solve_balance(
        session, (wish("least_sti", 0.6, "section:choir", tolerance=0.01),), BalanceLimits(), cache=cache
    )
    moved = {c.section: c.after_db for c in found.changes}
    # three decibels of ratio are a tenth of the index; they are shared between the two levels
    assert moved == pytest.approx({"choir": 1.5, "brass": -1.5}, abs=0.11)
    assert found.outcomes[0].after.value == pytest.approx(0.6, abs=0.005)
    assert found.met


def test_octaves_of_white_noise_have_the_power_of_their_width(cue, dry, cache):
    # RMS 0.1 in a mono stem, −3 dB a side: 0.01 in both channels together, over half the sample rate
    powers = octave_powers(cue.session(dry), cache=cache, workers=1, progress=silent_progress).mean(axis=0)
    for octave, centre in enumerate(SPEECH_BANDS_HZ[:-1]):
        width = centre * (np.sqrt(2.0) - np.sqrt(0.5))
        assert powers[:, octave] == pytest.approx(0.01 * width / (RATE / 2.0), rel=0.06)


def test_octaves_of_the_dry_sounds_are_kept_and_found_again(cue, dry, cache, monkeypatch):
    session = cue.session(dry)
    first = octave_powers(session, cache=cache, workers=1, progress=silent_progress)

    def fail(*_arguments):
        raise AssertionError("heard again")

    monkeypatch.setattr("roomplan.balance.speech._listen", fail)
    again = octave_powers(session, cache=cache, workers=1, progress=silent_progress)
    assert again == pytest.approx(first, rel=1e-5)


def test_an_impulse_returns_the_same_in_every_octave_and_noise_what_it_holds():
    section = made_session(1, 1).session.section("s0")
    impulse = np.zeros(3000)
    impulse[700] = 0.5
    matrix = ResponseMatrix(True, {(0, 0): impulse, (0, 1): impulse})
    # two outputs of 0.5 against a dry path of 0.707 in each
    assert octaves_of_response(section, matrix, RATE) == pytest.approx(np.full(7, 0.5), rel=1e-9)
    noise = decaying(0.5, 0.4, 3)
    told = octaves_of_response(section, ResponseMatrix(True, {(0, 0): noise[0], (0, 1): noise[1]}), RATE)
    assert told[3:].mean() == pytest.approx(np.sum(noise**2), rel=0.1)
