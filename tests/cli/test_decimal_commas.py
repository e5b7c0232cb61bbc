"""A decimal comma, wherever a number is asked for, is answered with the number to write."""

from __future__ import annotations

import pytest


@pytest.mark.parametrize(
    ("old", "new", "meant"),
    [
        ("orrin_nave: -8", "orrin_nave: -7,4", "-7.4"),
        ("{orrin_nave: -12}", "{orrin_nave: -7,4}", "-7.4"),
        ("{orrin_nave: -12}", "{orrin_nave: {level: -7,05}}", "-7.05"),
        ("title: Ice Harbour, test", "trim: \u22121,5", "\u22121.5"),
    ],
)
def test_a_decimal_comma_in_a_plan_is_answered_with_the_number_to_write(run, session, old, new, meant):
    plan = session / "plan.yaml"
    text = plan.read_text(encoding="utf-8")
    assert old in text
    plan.write_text(text.replace(old, new), encoding="utf-8")
    outcome = run("check", plan, "--quiet")
    assert outcome.status == 1
    problem, count = outcome.errors.splitlines()
    assert problem.endswith(f"write {meant}, with a point")
    assert count.startswith("1 problem")


def test_a_decimal_comma_in_braces_is_named_with_the_whole_number_at_its_place(run, session):
    (session / "plan.yaml").write_text("rooms: {}\nsections:\n  a: {level: -7,4}\n", encoding="utf-8")
    expected = f"{session / 'plan.yaml'}:3:14: '-7,4' has a decimal comma — write -7.4, with a point"
    assert expected in run("check", session / "plan.yaml").errors


def test_a_key_that_is_a_number_is_not_taken_for_the_rest_of_one(run, session):
    (session / "plan.yaml").write_text("rooms: {hall: {level: 1, 4: x}}\n", encoding="utf-8")
    assert "with a point" not in run("check", session / "plan.yaml").errors


@pytest.mark.parametrize(
    ("arguments", "status"),
    [
        (("render", "plan.yaml", "--from", "1,5"), 1),
        (("render", "plan.yaml", "--from", "0", "--length", "1,5"), 1),
        (("depth", "plan.yaml", "--amount", "1,5"), 2),
        (("measure", "nave.wav", "--band", "1,5"), 2),
    ],
)
def test_a_decimal_comma_in_an_option_is_answered_with_the_number_to_write(
    run, session, monkeypatch, arguments, status
):
    monkeypatch.chdir(session)
    outcome = run(*arguments)
    assert outcome.status == status
    assert "write 1.5, with a point" in " ".join(outcome.errors.split())
