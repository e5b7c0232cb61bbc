"""Figures of targets: what the solver sees is what every report says."""

from __future__ import annotations

import numpy as np
import pytest
from made_sessions import RATE, made_session, wish

from roomplan.acoustics.analysis import composite_energies, decay_of_energies
from roomplan.balance.clarity import Composite, figure_of_sound
from roomplan.balance.decay_figures import CLARITY_KINDS, figure_of_decay
from roomplan.balance.levels import session_at, written_levels
from roomplan.balance.problem import build_problem
from roomplan.balance.verifying import results_at
from roomplan.plan.targets import BalanceLimits
from roomplan.rendering.composites import section_composite


@pytest.fixture(scope="module")
def made():
    return made_session(3, 2, groups={"back": ("s1", "s2")}, seconds=9.06)


EVERY = (
    wish("wet_to_dry", -6.0, "section:s0"),
    wish("wet_to_dry", -6.0, "group:back"),
    wish("share", -12.0, "group:back", room="r0"),
    wish("margin", 0.0, "section:s0", over="group:back"),
    wish("margin", 0.0, "section:s1", over="section:s2", band="speech", passage="verse"),
    wish("least_c80", 5.0, "section:s0"),
    wish("least_d50", 0.5, "section:s1"),
    wish("longest_centre_time", 0.05, "section:s2"),
    wish("longest_wet_decay", 1.0, "section:s0"),
)


def test_the_solver_and_the_verification_find_the_same_figures_by_two_routes(made):
    targets = EVERY
    problem = build_problem(
        made.session, targets, BalanceLimits(), made.record, made.matrices, speech=None, workers=1
    )
    for at in (np.zeros(len(problem.shifts)), np.linspace(-5.0, 5.0, len(problem.shifts))):
        seen = problem.evaluate(at)
        session = session_at(made.session, problem.levels(at))
        told = results_at(session, targets, made.record, made.matrices, true_peak=None, speech=None)
        for figure, result in zip(seen, told, strict=True):
            assert figure.value == pytest.approx(result.value, rel=2e-3, abs=2e-3), result.target


def test_a_composite_from_its_filtered_sends_measures_as_the_sum_of_its_responses(made):
    levels = written_levels(made.session)
    moved = {key: level + 7.0 * (key[1] - 0.5) for key, level in levels.sends_db.items()}
    session = session_at(made.session, type(levels)(moved, levels.sections_db, 0.0))
    section = session.section("s1")
    composite = Composite(section, made.matrices, sample_rate=RATE, workers=1)
    sound = composite.energies(composite.gains(section))
    summed = section_composite(section, made.matrices)
    assert sound is not None
    assert summed is not None
    wet, dry = summed
    whole = composite_energies(wet, dry=dry, sample_rate=RATE, centres_hz=(500, 1000))
    for with_dry in (True, False):
        ours = decay_of_energies(sound, centres_hz=(500, 1000), with_dry=with_dry).mid
        theirs = decay_of_energies(whole, centres_hz=(500, 1000), with_dry=with_dry).mid
        assert ours.c80_db == pytest.approx(theirs.c80_db, abs=1e-6)
        assert ours.d50 == pytest.approx(theirs.d50, abs=1e-8)
        assert ours.centre_time_s == pytest.approx(theirs.centre_time_s, abs=2e-5)
        assert ours.t30_s == pytest.approx(theirs.t30_s, rel=1e-3)


def test_a_muted_section_has_no_figure_and_says_why():
    made = made_session(2, 1, muted=("s0",))
    targets = (
        wish("wet_to_dry", -6.0, "section:s0"),
        wish("least_c80", 2.0, "section:s0"),
        wish("margin", 3.0, "section:s0", over="section:s1"),
    )
    told = results_at(made.session, targets, made.record, made.matrices, true_peak=None, speech=None)
    assert [(r.value, r.met, r.reason) for r in told] == [(None, False, "muted")] * 3
    problem = build_problem(
        made.session, targets, BalanceLimits(), made.record, made.matrices, speech=None, workers=1
    )
    assert [(f.value, f.reason) for f in problem.evaluate(np.zeros(len(problem.shifts)))] == [
        (None, "muted")
    ] * 3


def test_a_section_without_a_room_is_as_clear_as_can_be():
    made = made_session(2, 0)
    targets = (wish("least_c80", 20.0, "section:s0"), wish("longest_wet_decay", 0.1, "section:s0"))
    told = results_at(made.session, targets, made.record, made.matrices, true_peak=None, speech=None)
    assert [(r.value, r.met) for r in told] == [(None, True)] * 2


def test_a_target_counts_as_met_within_its_tolerance_and_on_the_side_that_matters():
    least, most, equal = (
        wish("least_c80", 2.0, "section:s0", tolerance=0.5),
        wish("true_peak", -1.0),
        wish("loudness", -23.0),
    )
    assert least.met_by(9.0)
    assert least.met_by(1.5)
    assert not least.met_by(1.49)
    assert most.met_by(-1.0)
    assert not most.met_by(-0.99)
    assert equal.met_by(-23.1)
    assert not equal.met_by(-22.85)
    assert (least.miss(1.0), most.miss(-3.0), equal.miss(-24.0)) == (1.0, 0.0, 1.0)


def _noise(seconds, decay_s, *, gap_s=0.0, floor=0.0, rate=24_000):
    frames = np.arange(round(seconds * rate))
    wet = np.random.default_rng(7).standard_normal((frames.size, 2))
    wet = wet * (10.0 ** (-3.0 * frames / rate / decay_s))[:, None] + floor * np.roll(wet, 99, axis=0)
    wet[: round(gap_s * rate)] = 0.0
    return wet


SOUNDS = {
    "a decay": (_noise(1.5, 0.9), 24_000),
    "a short decay": (_noise(0.5, 0.1), 24_000),
    "nothing before 80 ms": (_noise(1.0, 0.6, gap_s=0.2), 24_000),
    "a decay into noise": (_noise(1.5, 0.4, floor=0.01), 24_000),
    "noise alone": (_noise(1.0, 1e6), 24_000),
    "cut after 60 ms": (_noise(0.06, 0.9), 24_000),
    "a click": (np.eye(4000, 2), 24_000),
    "silence": (np.zeros((4000, 2)), 24_000),
    "a rate too low for the mid octaves": (_noise(1.0, 0.6, rate=1600), 1600),
}


@pytest.mark.parametrize("dry", [None, (1.0, 1.0)], ids=["wet alone", "with dry"])
@pytest.mark.parametrize("kind", CLARITY_KINDS)
@pytest.mark.parametrize("sound", SOUNDS)
def test_a_figure_looked_for_alone_is_that_of_the_whole_decay_to_the_last_bit(sound, kind, dry):
    wet, rate = SOUNDS[sound]
    energies = composite_energies(wet, dry=dry, sample_rate=rate, centres_hz=(500, 1000))
    whole = decay_of_energies(energies, centres_hz=(500, 1000), with_dry=energies.has_dry)
    assert figure_of_sound(energies, kind) == figure_of_decay(whole, kind)


def test_a_composite_asked_again_at_the_same_levels_is_not_measured_again(made, monkeypatch):
    section = made.session.section("s1")
    composite = Composite(section, made.matrices, sample_rate=RATE, workers=1)
    gains = composite.gains(section)

    def every():
        found = [composite.evaluate(target, level * gains) for level in (1.0, 0.5) for target in EVERY[5:]]
        return [(one.value, one.reason, one.offset) for one in found]

    before = every()
    monkeypatch.setattr(composite, "energies", None)  # nobody may ask
    assert every() == before
    assert before[0] != before[4]
