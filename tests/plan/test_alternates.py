"""Alternate mixes: changes of sections and of groups, laid together."""

from __future__ import annotations

import pytest

ENSEMBLE = """
rooms: {hall: {synthetic: larkmere_hall}, nave: {synthetic: orrin_nave}, stage: {synthetic: tallowyard_stage}}
shared_sends: {hall: -9}
groups: {strings: {sections: [low, high]}}
sections:
  choir: {stems: x, sends: {nave: [-9, {level: -12, position: rear}]}}
  low: {stems: y, dry: off}
  high: {stems: z, sends: {hall: off, stage: -3}}
"""


def changes(good, text):
    return good(f"alternates: {{up: {text}}}\n{ENSEMBLE}").alternates["up"].changes


def of(change):
    return (change.level_db, change.dry_db, change.sends, change.mute)


def test_an_alternate_changes_level_dry_sends_and_mute_of_a_section(good):
    found = changes(good, "{choir: {level: 1.5, dry: -3, sends: {nave: 2, hall: off}, mute: true}}")
    assert {name: of(change) for name, change in found.items()} == {
        "choir": (1.5, -3.0, {"nave": 2.0, "hall": None}, True)
    }


def test_what_an_alternate_does_not_name_stays(good):
    assert of(changes(good, "{choir: {}}")["choir"]) == (0.0, 0.0, {}, None)


def test_dry_off_is_told_from_no_change(good):
    assert changes(good, "{choir: {dry: off}}")["choir"].dry_db is None


def test_a_change_of_a_group_holds_for_each_of_its_sections_and_nobody_else(good):
    found = changes(good, "{strings: {level: -2, mute: false, sends: {stage: 3}}}")
    assert {name: of(change) for name, change in found.items()} == {
        "low": (-2.0, 0.0, {"stage": 3.0}, False),
        "high": (-2.0, 0.0, {"stage": 3.0}, False),
    }


@pytest.mark.parametrize("order", ["{strings: %s, high: %s}", "{high: %s, strings: %s}"])
def test_a_section_comes_on_top_of_its_group_in_whatever_order_they_stand(good, order):
    group, own = (
        "{level: -2, mute: true, dry: -1, sends: {stage: 3}}",
        "{level: 5, dry: 4, sends: {stage: -1}}",
    )
    parts = (group, own) if order.startswith("{strings") else (own, group)
    found = changes(good, order % parts)
    assert of(found["high"]) == (3.0, 3.0, {"stage": 2.0}, True)
    assert of(found["low"]) == (-2.0, -1.0, {"stage": 3.0}, True)


def test_a_level_on_top_of_off_brings_back_and_off_on_top_switches_off(good):
    found = changes(
        good, "{strings: {dry: off, sends: {stage: off}, mute: true}, high: {dry: 0, mute: false}}"
    )
    assert of(found["high"]) == (0.0, 0.0, {"stage": None}, False)
    found = changes(good, "{strings: {dry: off, sends: {stage: off}}, high: {sends: {stage: -2}}}")
    assert of(found["high"]) == (0.0, None, {"stage": -2.0}, None)
    found = changes(good, "{strings: {dry: 2, sends: {stage: 2}}, high: {dry: off, sends: {stage: off}}}")
    assert of(found["high"]) == (0.0, None, {"stage": None}, None)


def test_a_group_may_change_a_send_or_a_dry_path_that_only_some_of_its_sections_have(good):
    found = changes(good, "{strings: {dry: -3, sends: {hall: 1, stage: 1}}}")
    assert found["low"].sends == {"hall": 1.0, "stage": 1.0}


@pytest.mark.parametrize(
    ("text", "spot", "what", "remedy"),
    [
        ("{chior: {level: 1}}", 19, "up: there is no section or group 'chior'", "did you mean 'choir'?"),
        ("{section:choir: {level: 1}}", 19, "up: 'section:choir' must be only a name", "`choir`"),
        ("{choir: {sends: {hal: 1}}}", 35, "there is no room 'hal'", "did you mean 'hall'?"),
        ("{choir: {sends: {stage: 1}}}", 35, "up: choir sends nothing to stage", "it sends to hall, nave"),
        (
            "{strings: {sends: {nave: off}}}",
            37,
            "up: strings sends nothing to nave",
            "it sends to hall, stage",
        ),
        (
            "{low: {dry: 3}}",
            30,
            "up: the dry path of low is off, so 3 dB change nothing",
            "set the level of its `dry`, or leave out the line",
        ),
        (
            "{choir: {sends: {nave: {level: 3}}}}",
            41,
            "nave: is a mapping",
            "a number from -120 to 24 dB, such as -6, or `off`",
        ),
        (
            "{choir: {sends: -3}}",
            34,
            "sends: -3 is a number",
            "a mapping of rooms to changes, such as {hall: 2} or {hall: off}",
        ),
        ("{choir: {pan: 3}}", 27, "unknown key 'pan' in choir", "one of level, dry, sends, mute"),
    ],
)
def test_a_fault_in_an_alternate_is_one_line_with_its_place_and_remedy(said, text, spot, what, remedy):
    lines = said(f"alternates: {{up: {text}}}\n{ENSEMBLE}")
    assert lines == [f"1:{spot} {what} — {remedy}"]


def test_a_name_of_a_section_and_of_a_group_must_say_which(good, said):
    ensemble = ENSEMBLE.replace("strings:", "low:")
    lines = said(f"alternates: {{up: {{low: {{level: 1}}}}}}\n{ensemble}")
    assert lines == ["1:19 up: 'low' is the name of a section and of a group — `section:low` or `group:low`"]
    plan = good(f"alternates: {{up: {{'group:low': {{level: 1}}}}}}\n{ensemble}")
    assert set(plan.alternates["up"].changes) == {"low", "high"}


def test_a_send_that_was_refused_is_not_reported_again_as_missing_from_an_alternate(said):
    ensemble = ENSEMBLE.replace("stage: -3", "stage: 99")
    lines = said(f"alternates: {{up: {{high: {{sends: {{stage: 1}}}}}}}}\n{ensemble}")
    assert len(lines) == 1
    assert "99 is above 24" in lines[0]
