"""What is said of a recording: every finding has words, with its place and its figures."""

from __future__ import annotations

from typing import get_args

import pytest

from roomplan.capture.result import Finding, FindingCode
from roomplan.report.capture_words import said_of, verdict_of


@pytest.mark.parametrize("code", get_args(FindingCode))
def test_every_finding_has_one_line_of_words_and_a_remedy_with_any_figures_and_with_none(code):
    bare = said_of(Finding(code, "unreliable"))
    full = said_of(Finding(code, "unreliable", 12.345, "left", 1, 250.0, -12.5, 0.25, 480, 51.0))
    for said in (bare, full):
        assert said.what
        assert said.remedy
        assert "\n" not in said.what + said.remedy
        assert "None" not in said.what + said.remedy
    assert full.what.startswith("at 12.35 s, left loudspeaker, channel 2: ")


@pytest.mark.parametrize(
    ("finding", "what", "remedy"),
    [
        # doubling the length gains 3 dB, four times the length as much as 6 dB more level
        (
            Finding("short_range", "unreliable", frequency_hz=125.0, level_db=6.0),
            "in the octave at 125 Hz 6 dB are missing to the 45 dB over the noise that T30 asks for",
            "a sweep 4.0 times as long, 6 dB more level, or a room 6 dB quieter",
        ),
        (
            Finding("dropout", "unreliable", time_s=6.0, frequency_hz=1250.0, frames=480),
            "at 6.00 s: 480 samples are missing from 1250 Hz on",
            "record again, with larger buffers and nothing else running",
        ),
        (
            Finding("no_sweep", "refused", time_s=9.09, side="right"),
            "at 9.09 s, right loudspeaker: no sweep is found there",
            "check that it plays, or give the sweep file that was played",
        ),
        # of the gaps: no take is compared with another
        (
            Finding("automatic_gain", "unreliable", level_db=3.3),
            "the noise is 3.3 dB louder between the sweeps than under them",
            "switch off automatic gain and limiter",
        ),
        (
            Finding("drift", "remark", ppm=-52.31),
            "the recorder's clock is 52.3 ppm slow against the player's: repaired",
            "nothing to do; one interface that plays and records has no drift",
        ),
        (
            Finding("harmonic_tail", "unreliable", level_db=-31.0, seconds=19.2),
            "the room's tail of the second harmonic is at −31 dB when the response begins",
            "a sweep of 20 s puts it at −60 dB; so does a lower level",
        ),
    ],
)
def test_the_words_hold_the_figures_and_what_would_mend_them(finding, what, remedy):
    assert said_of(finding) == (what, remedy)


def test_the_verdict_is_that_of_the_worst_finding():
    remark, doubt = Finding("drift", "remark", ppm=1.0), Finding("knock", "unreliable", level_db=3.0)
    assert verdict_of([]) == "good"
    assert verdict_of([remark]) == "good"
    assert verdict_of([remark, doubt]) == "doubtful"
    assert verdict_of([doubt, Finding("silence", "refused")]) == "unusable"


def test_a_fault_of_a_take_that_is_not_used_asks_for_nothing():
    for code in ("knock", "dropout", "inserted", "clipping"):
        assert "another take" in said_of(Finding(code, "remark", time_s=1.0)).remedy
        assert "record again" in said_of(Finding(code, "unreliable", time_s=1.0)).remedy
