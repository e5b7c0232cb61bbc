"""Balance on a small cue: what is promised is what is measured, and what cannot be had is said."""

from __future__ import annotations

import pytest
from made_sessions import wish

from roomplan.api.solving import overrides_of
from roomplan.balance.balance import solve_balance
from roomplan.balance.judging import target_results
from roomplan.balance.levels import Levels, session_at, written_levels
from roomplan.errors import RoomplanError
from roomplan.files.cache import Cache
from roomplan.plan.overrides import write_overrides
from roomplan.plan.targets import BalanceLimits
from roomplan.rendering.advice import plan_advice
from roomplan.rendering.measure import measure_session


@pytest.fixture
def cache(tmp_path):
    return Cache(tmp_path / "cache")


WISHES = (
    wish("wet_to_dry", -9.0, "section:choir", tolerance=0.2),
    wish("wet_to_dry", -8.0, "group:back", tolerance=0.2),
    wish("margin", 1.0, "section:choir", over="group:back"),
    wish("margin", 2.0, "section:choir", over="section:brass", band="speech", passage="verse"),
    wish("share", -17.0, "section:low", room="far"),
    wish("least_c80", 9.0, "section:choir"),
    wish("longest_wet_decay", 1.4, "section:brass"),
    wish("least_sti", 0.5, "section:choir"),
    wish("loudness", -20.0),
)


def test_the_sound_at_the_new_levels_is_what_was_promised(cue, trio, cache):
    session = cue.session(trio)
    found = solve_balance(session, WISHES, BalanceLimits(), cache=cache)
    assert [outcome.after.met for outcome in found.outcomes] == [True] * len(WISHES)
    assert sum(not outcome.before.met for outcome in found.outcomes) >= 5
    backup = write_overrides(session.plan.source, overrides_of(found))
    assert backup is not None
    # opened again from the file, measured again with an empty cache
    again = cue.session()
    measured = target_results(again, WISHES, cache=None)
    for outcome, result in zip(found.outcomes, measured, strict=True):
        promise = {"least_c80": 0.2, "longest_wet_decay": 0.02, "least_sti": 0.01}.get(
            result.target.kind, 0.05
        )
        assert result.value == pytest.approx(outcome.after.value, abs=promise)  # dB, LU, s
        assert result.met
    rendering = measure_session(again)
    assert rendering.bus("section:choir").wet_to_dry_db == pytest.approx(
        found.outcomes[0].after.value, abs=0.05
    )
    assert rendering.bus("mix").loudness.integrated_lufs == pytest.approx(-20.0, abs=0.1)
    decay_of = {name: rendering.bus(name).decay for name in ("section:choir", "section:brass:wet")}
    assert decay_of["section:choir"] is not None
    assert decay_of["section:brass:wet"] is not None
    assert decay_of["section:choir"].mid.c80_db == pytest.approx(found.outcomes[5].after.value, abs=0.2)
    assert decay_of["section:brass:wet"].mid.t30_s == pytest.approx(found.outcomes[6].after.value, rel=0.01)


def test_a_session_at_other_levels_is_the_session_of_a_plan_that_says_so(cue, trio):
    session = cue.session(trio)
    levels = written_levels(session)
    moved = Levels(
        {key: level - 2.5 + index for index, (key, level) in enumerate(levels.sends_db.items())},
        {name: level + 1.5 for name, level in levels.sections_db.items()},
        -4.0,
    )
    for name, section in trio["sections"].items():
        section["level"] = moved.sections_db[name]
        section["sends"] = {
            send.room: moved.sends_db[name, i] for i, send in enumerate(session.section(name).sends)
        }
    opened = cue.session({**trio, "trim": -4.0})
    changed = session_at(session, moved)
    for ours, theirs in zip(changed.sections, opened.sections, strict=True):
        assert (ours.gain, ours.dry_gain) == pytest.approx((theirs.gain, theirs.dry_gain), rel=1e-12)
        for one, other in zip(ours.sends, theirs.sends, strict=True):
            assert (one.level_db, one.gain, one.response_gain) == pytest.approx(
                (other.level_db, other.gain, other.response_gain), rel=1e-12
            )
    assert changed.plan.trim_db == opened.plan.trim_db
    assert changed.plan.sections["low"].level_db == opened.plan.sections["low"].level_db


def test_a_ceiling_lowers_the_trim_by_tenths_until_the_measured_peak_keeps_it(cue, trio, cache):
    session = cue.session(trio)
    targets = (wish("wet_to_dry", -8.0, "section:choir"), wish("true_peak", -6.0))
    found = solve_balance(session, targets, BalanceLimits(), cache=cache, verify=True)
    peak = found.outcomes[1].after
    assert peak.met
    assert peak.value is not None
    assert -6.1 < peak.value <= -6.0
    assert found.trim_after_db < 0.0
    measured = measure_session(found.proposed).bus("mix").true_peak_dbtp
    assert measured == pytest.approx(peak.value, abs=0.01)


def test_a_ceiling_that_is_kept_moves_no_trim(cue, trio, cache):
    found = solve_balance(cue.session(trio), (wish("true_peak", 20.0),), BalanceLimits(), cache=cache)
    assert not found.changed
    assert found.met


def test_a_peak_at_new_levels_is_left_open_without_a_pass_over_them(cue, trio, cache, monkeypatch):
    session = cue.session(trio)
    targets = (wish("wet_to_dry", -8.0, "section:choir"), wish("true_peak", -6.0))
    measure_session(session, cache=cache)

    def fail(*_arguments, **_more):
        raise AssertionError("a pass was made")

    monkeypatch.setattr("roomplan.balance.record.measure_session", fail)
    found = solve_balance(session, targets, BalanceLimits(), cache=cache)
    assert found.changed
    assert found.outcomes[0].after.met
    assert (found.outcomes[1].after.value, found.outcomes[1].measured) == (None, None)
    assert found.unmeasured == (1,)
    assert found.met  # of what can be judged


def test_loudness_that_the_ceiling_forbids_is_reported_as_a_conflict(cue, trio, cache):
    targets = (wish("loudness", -10.0), wish("true_peak", -3.0))
    found = solve_balance(cue.session(trio), targets, BalanceLimits(), cache=cache)
    assert [outcome.after.met for outcome in found.outcomes] == [False, True]
    assert [(c.target, c.against) for c in found.conflicts] == [(0, (1,))]


def test_a_wish_beyond_reach_is_reported_with_its_best_and_leaves_the_others_met(cue, trio, cache):
    session = cue.session(trio)
    kept = (wish("wet_to_dry", -9.0, "section:choir"), wish("wet_to_dry", -8.0, "group:back"))
    # a tutti of noise at nearly one level, which nothing may move: no send makes words of one section clear
    found = solve_balance(
        session,
        (*kept, wish("least_sti", 0.9, "section:choir")),
        BalanceLimits(levels_db=(0.0, 0.0)),
        cache=cache,
    )
    assert [outcome.after.met for outcome in found.outcomes] == [True, True, False]
    (beyond,) = found.beyond_reach
    assert (beyond.target, beyond.reached_with) == (2, "lowest_sends")
    value = found.outcomes[2].after.value
    assert value is not None
    assert (found.outcomes[2].before.value or 0.0) < value <= beyond.best < 0.9 - 0.03
    assert [conflict.target for conflict in found.conflicts] == [2]


def test_what_stands_in_the_way_of_a_target_is_named(cue, trio, cache):
    session = cue.session(trio)
    wet, dry = wish("wet_to_dry", -4.0, "section:choir"), wish("least_c80", 14.0, "section:choir")
    found = solve_balance(session, (wet, dry), BalanceLimits(), cache=cache)
    assert not found.met
    for conflict in found.conflicts:
        assert conflict.against == (1 - conflict.target,)
    # with one of them alone there is no conflict
    for target in (wet, dry):
        alone = solve_balance(session, (target,), BalanceLimits(), cache=cache)
        assert alone.met
        assert alone.conflicts == ()


def test_a_limit_that_stands_in_the_way_is_named_with_what_pushes(cue, trio, cache):
    session = cue.session(trio)
    targets = (wish("wet_to_dry", 0.0, "section:choir"), wish("wet_to_dry", -9.0, "section:brass"))
    found = solve_balance(session, targets, BalanceLimits(sends_db=(-40.0, -8.0)), cache=cache)
    assert [outcome.after.met for outcome in found.outcomes] == [False, True]
    bound = {(b.change.section, b.change.room): (b.limit, b.for_targets) for b in found.binding}
    assert bound == {("choir", "near"): ("upper", (0,)), ("choir", "far"): ("upper", (0,))}
    assert [(c.target, c.against, c.released_by) for c in found.conflicts] == [(0, (), ("sends",))]


def test_a_locked_section_misses_its_target_and_is_said_to_be_locked(cue, trio, cache):
    session = cue.session(trio)
    found = solve_balance(
        session, (wish("wet_to_dry", 0.0, "section:choir"),), BalanceLimits(locked=("choir",)), cache=cache
    )
    assert not found.changed
    assert found.outcomes[0].after.value == found.outcomes[0].before.value
    assert [c.released_by for c in found.conflicts] == [("locked",)]


def test_verified_levels_carry_the_figures_of_a_new_pass(cue, trio, cache):
    targets = (wish("wet_to_dry", -9.0, "section:choir"), wish("loudness", -22.0))
    found = solve_balance(cue.session(trio), targets, BalanceLimits(), cache=cache, verify=True)
    for outcome in found.outcomes:
        assert outcome.measured is not None
        assert outcome.measured.value == pytest.approx(outcome.after.value, abs=0.005)


def test_checking_hears_a_peak_that_no_pass_knows_and_solves_nothing(cue, trio, cache):
    session = cue.session(trio)
    targets = (wish("true_peak", -6.0), wish("wet_to_dry", -30.0, "section:choir"))
    louder = session_at(session, Levels(*_raised(session), 0.0))
    target_results(session, targets, cache=cache)
    told = target_results(louder, targets, cache=cache)
    assert told[0].value == pytest.approx(measure_session(louder).bus("mix").true_peak_dbtp, abs=1e-6)
    assert told[1].value is not None
    assert told[1].value > -15.0
    assert not told[1].met


def _raised(session):
    levels = written_levels(session)
    return levels.sends_db, {**levels.sections_db, "brass": 3.0}


def test_a_send_of_a_group_that_each_of_its_sections_replaces_is_pointed_out(cue, trio):
    assert not any("no section uses its send" in problem.what for problem in plan_advice(cue.session(trio)))
    for name in ("brass", "low"):
        trio["sections"][name]["sends"] = {"far": -13}
    (found,) = [p for p in plan_advice(cue.session(trio)) if "no section uses its send" in p.what]
    assert found.what == "group back: no section uses its send to far: each has one of its own"
    assert found.place is not None
    assert found.place.line is not None


def test_a_plan_without_targets_is_refused_with_an_example(cue, trio, cache):
    with pytest.raises(RoomplanError, match=r"no targets .* wet_to_dry"):
        solve_balance(cue.session(trio), (), BalanceLimits(), cache=cache)
