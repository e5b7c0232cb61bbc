"""A plan that extends another one: sends written short, and lists that take the place of others."""

from __future__ import annotations

import pytest

from roomplan.plan.load import load_plan

ROOMS = "rooms:\n  hall: {synthetic: larkmere_hall}\n  nave: {synthetic: orrin_nave}\n"
BASE = (
    ROOMS
    + """\
shared_sends: {hall: {level: -12, low_cut: 100}}
groups: {voices: {sections: [boys], sends: {hall: {level: -10, high_cut: 9000}}}}
sections:
  choir:
    stems: x
    sends: {hall: {level: -9, low_cut: 90, pre_delay: 5}, nave: [{level: -10}, {level: -14, position: rear}]}
  boys: {stems: y}
  men: {stems: z, sends: {nave: -7}}
targets:
  - {of: choir, wet_to_dry: -5}
  - {of: boys, wet_to_dry: -6}
  - {of: men, wet_to_dry: -7}
balance: {locked: [men, boys]}
"""
)


@pytest.fixture
def leaf(tmp_path, monkeypatch):
    """Load a plan that extends `BASE`."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "base.yaml").write_text(BASE, encoding="utf-8")

    def _leaf(text):
        (tmp_path / "leaf.yaml").write_text(f"extends: base.yaml\n{text}", encoding="utf-8")
        found = load_plan("leaf.yaml")
        assert [str(problem) for problem in found.problems] == []
        return found

    return _leaf


def sends(found, section):
    return {
        send.room: (send.level_db, send.low_cut_hz, send.high_cut_hz, send.pre_delay_s)
        for send in found.plan.sections[section].sends
    }


def test_a_send_written_as_a_number_moves_the_level_and_keeps_the_rest(leaf):
    found = leaf("sections: {choir: {sends: {hall: -3}}}\n")
    assert sends(found, "choir")["hall"] == (-3.0, 90.0, None, 0.005)
    assert found.plan.sections["choir"].sends[0].place.line == 2
    found = leaf("shared_sends: {hall: -4}\ngroups: {voices: {sends: {hall: -2.5}}}\n")
    assert sends(found, "men")["hall"] == (-4.0, 100.0, None, None)
    assert sends(found, "boys")["hall"] == (-2.5, None, 9000.0, None)
    assert found.notes == ()


def test_a_mapping_without_a_level_keeps_the_level_written_as_a_number(leaf):
    found = leaf("sections: {men: {sends: {nave: {low_cut: 120}}}}\n")
    assert sends(found, "men")["nave"] == (-7.0, 120.0, None, None)


def test_a_send_in_a_list_or_switched_off_replaces_all_the_base_says(leaf):
    assert sends(leaf("sections: {choir: {sends: {hall: [-3]}}}\n"), "choir")["hall"] == (
        -3,
        None,
        None,
        None,
    )
    assert "hall" not in sends(leaf("sections: {choir: {sends: {hall: off}}}\n"), "choir")


@pytest.mark.parametrize(
    ("text", "what"),
    [
        (
            "targets: [{of: choir, least_c80: 6}]\n",
            "leaf.yaml:2:1: `targets` replaces the 3 targets of base.yaml:12:1",
        ),
        (
            "targets: [{of: choir, wet_to_dry: -5}, {of: men, wet_to_dry: -3}]\n",
            "leaf.yaml:2:1: `targets` replaces the 3 targets of base.yaml:12:1, of which 2 are not repeated",
        ),
        (
            "balance: {locked: [men]}\n",
            "leaf.yaml:2:11: `balance.locked` replaces the 2 entries of base.yaml:16:11, of which 1 is not",
        ),
        (
            "sections: {choir: {sends: {nave: -4}}}\n",
            "leaf.yaml:2:28: `sections.choir.sends.nave` replaces the 2 sends of base.yaml:9:",
        ),
        (
            "sections: {choir: {sends: {nave: [{level: -8}, {level: -14, position: side}]}}}\n",
            "leaf.yaml:2:28: `sections.choir.sends.nave` replaces the 2 sends of base.yaml:9:59, of which 1",
        ),
    ],
)
def test_a_list_whose_entries_are_lost_is_noted_with_its_place(leaf, text, what):
    (note,) = leaf(text).notes
    assert str(note).startswith(what)
    assert str(note).endswith(" — a list is not added to: repeat here what is to stay")


@pytest.mark.parametrize(
    "text",
    [
        BASE[BASE.index("targets") : BASE.index("balance")] + "  - {true_peak: -1}\n",
        "sections: {choir: {stems: [a, b], sends: {nave: off}}}\ntargets: null\n",
        "sections: {choir: {sends: {nave: [-8, {position: rear, level: -11}]}}}\n",
    ],
)
def test_lists_that_lose_nothing_or_say_all_by_nature_are_not_noted(leaf, text):
    assert leaf(text).notes == ()
