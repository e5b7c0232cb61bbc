"""Stems at several sample rates, and what a strict plan refuses."""

from __future__ import annotations

import numpy as np
import pytest

MONO = np.full((4800, 1), 0.1)


@pytest.fixture
def folder(cue):
    cue.response("ir.wav", np.random.default_rng(1).standard_normal((500, 1)))
    return cue


def plan(**top):
    return {
        **top,
        "rooms": {"orrin_nave": {"responses": "ir.wav"}},
        "sections": {"all": {"stems": ["*"]}},
    }


def stems(folder, *rates):
    for index, rate in enumerate(rates):
        folder.stem(f"s{index}_{rate}.wav", MONO, rate=rate)


def told(session):
    return [str(w).split(": ", 1)[1] for w in session.warnings if "resampled" in w.what]


@pytest.mark.parametrize(
    ("rates", "wanted"),
    [
        ((44_100, 44_100, 48_000), 44_100),
        ((44_100, 48_000), 48_000),
        ((96_000, 44_100, 48_000, 44_100, 48_000), 48_000),
        ((48_000, 48_000, 96_000), 48_000),
    ],
)
def test_stems_are_resampled_to_the_rate_of_most_and_to_the_higher_of_two(folder, rates, wanted):
    stems(folder, *rates)
    session = folder.session(plan())
    assert session.sample_rate == wanted
    assert len(told(session)) == len(set(rates)) - 1


def test_a_pair_of_halves_counts_as_one_stem(folder):
    folder.stem("brass_L.wav", MONO, rate=44_100)
    folder.stem("brass_R.wav", MONO, rate=44_100)
    stems(folder, 48_000, 44_100, 48_000)
    assert folder.session(plan()).sample_rate == 48_000


def test_the_warning_names_what_is_resampled_and_how_to_choose_otherwise(folder):
    stems(folder, 44_100, 48_000, 48_000)
    (line,) = told(folder.session(plan()))
    assert line == (
        "resampled from 44100 Hz to 48000 Hz: s0_44100 — `sample_rate: 44100` if that rate is meant"
    )


def test_a_rate_in_the_plan_is_the_session_s_whatever_the_stems_have(folder):
    stems(folder, 44_100, 44_100, 48_000)
    session = folder.session(plan(sample_rate=96_000))
    assert session.sample_rate == 96_000
    assert told(session) == [
        "resampled from 44100 Hz to 96000 Hz: s0_44100, s1_44100",
        "resampled from 48000 Hz to 96000 Hz: s2_48000",
    ]


def test_a_strict_plan_refuses_several_rates_and_names_them(folder):
    stems(folder, 44_100, 48_000, 48_000)
    (problem,) = folder.problems(plan(strict=True))
    assert (
        "the stems have several sample rates: 44100 Hz (s0_44100), 48000 Hz (s1_48000, s2_48000)" in problem
    )
    assert "plan.yaml:1:8" in problem


def test_a_strict_plan_refuses_to_resample_to_its_own_rate(folder):
    stems(folder, 44_100, 48_000)
    (problem,) = folder.problems(plan(strict=True, sample_rate=48_000))
    assert "stems of 44100 Hz would have to be resampled to 48000 Hz: s0_44100" in problem
    assert "plan.yaml:3:14" in problem


def test_a_strict_plan_takes_stems_that_need_nothing(folder):
    stems(folder, 48_000, 48_000)
    assert folder.session(plan(strict=True)).sample_rate == 48_000


def test_a_strict_plan_refuses_a_half_without_its_other_and_a_stem_that_nobody_claims(folder):
    folder.stem("brass_L.wav", MONO)
    folder.stem("harp.wav", MONO)
    content = plan(strict=True) | {"sections": {"brass": {"stems": ["brass_L"]}}}
    half, unclaimed = folder.problems(content)
    assert "brass_L.wav looks like the left half of a pair whose other half is missing" in half
    assert "harp.wav belongs to no section" in unclaimed
