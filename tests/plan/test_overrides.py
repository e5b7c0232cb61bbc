"""New levels written into a plan: where they stand if all change alike, else at the section; in the leaf."""

from __future__ import annotations

import os

import pytest

from roomplan.errors import PlanError, RoomplanError
from roomplan.plan import overrides as module
from roomplan.plan.load import load_plan
from roomplan.plan.overrides import Overrides, SendOverride, prepare_overrides, write_overrides

ROOMS = "rooms:\n  hall: {synthetic: larkmere_hall}\n  nave: {synthetic: orrin_nave}\n"


@pytest.fixture
def files(tmp_path):
    """Write plans by name and return the folder."""

    def _files(**texts):
        for name, text in texts.items():
            (tmp_path / f"{name}.yaml").write_bytes(text.encode())
        return tmp_path

    return _files


@pytest.fixture
def changed(files):
    """Write a plan (and its base), override, return the new text after checking what it means."""

    def _changed(text, overrides, base=None):
        folder = files(leaf=text, **({} if base is None else {"base": base}))
        before = loaded(folder / "leaf.yaml")
        write_overrides(folder / "leaf.yaml", overrides)
        after = loaded(folder / "leaf.yaml")
        assert base is None or (folder / "base.yaml").read_text() == base
        for name, section in after.sections.items():
            shapes = [
                [(s.room, s.position, s.low_cut_hz, s.pre_delay_s) for s in one.sends]
                for one in (before.sections[name], section)
            ]
            assert shapes[0] == shapes[1]
        return (folder / "leaf.yaml").read_bytes().decode()

    return _changed


def loaded(path):
    found = load_plan(path)
    assert [str(problem) for problem in found.problems] == []
    assert found.plan is not None
    return found.plan


def send(level, section="choir", room="hall", position=None):
    return SendOverride(section, room, position, level)


OWN = (
    ROOMS
    + """\
sections:
  choir:
    stems: x
    level: +0.5     # up
    sends:
      hall: -9   # far
      nave:
        - {level: -10, position: main}
        - {position: rear, level: -13}   # behind
"""
)


def test_what_the_section_says_itself_is_changed_where_it_stands(changed):
    wish = Overrides((send(-7.2), send(-14.1, room="nave", position="rear")), {"choir": 1.5}, -2)
    after = changed(OWN, wish)
    assert after == OWN.replace("-9 ", "-7.2 ").replace("-13", "-14.1").replace("+0.5", "+1.5") + "trim: -2\n"


def test_what_is_so_already_changes_nothing_and_keeps_no_copy(files):
    folder = files(leaf=OWN)
    there = Overrides((send(-9), send(-10, room="nave", position="main")), {"choir": 0.5}, 0)
    assert prepare_overrides(folder / "leaf.yaml", there).edits == {}
    assert write_overrides(folder / "leaf.yaml", there) is None
    assert [entry.name for entry in folder.iterdir() if entry.suffix != ""] == ["leaf.yaml"]


INHERITED = (
    ROOMS
    + """\
shared_sends:
  nave: {level: -18, low_cut: 200, pre_delay: 12}   # everybody
groups:
  voices:
    sections: [choir, boys]
    sends:
      hall: [-9, {level: -12, position: rear}]
sections:
  choir:
    stems: x
    seat: {distance: 9, angle: 0}   # here

  boys:
    stems: y
"""
)


def test_sends_of_groups_and_of_everybody_become_overrides_that_say_all_they_said(changed):
    after = changed(INHERITED, Overrides((send(-10, position="rear"), send(-20, room="nave"))))
    added = """\
    sends:
      hall: [-9, {level: -10, position: rear}]
      nave: {level: -20, low_cut: 200, pre_delay: 12}
"""
    assert after == INHERITED.replace("# here\n", "# here\n" + added)


def test_other_sections_of_a_group_keep_its_sends(files):
    folder = files(leaf=INHERITED)
    write_overrides(folder / "leaf.yaml", Overrides((send(-10, position="rear"),)))
    plan = loaded(folder / "leaf.yaml")
    assert [(s.room, s.level_db) for s in plan.sections["boys"].sends] == [
        ("hall", -9),
        ("hall", -12),
        ("nave", -18),
    ]


def test_a_send_of_a_base_becomes_an_override_of_the_keys_that_differ(changed):
    leaf = "extends: base.yaml # the house\ntitle: leaf\n"
    base = (
        ROOMS
        + "sections:\n  choir: {stems: x, level: 3, sends: {hall: {level: -9, low_cut: 90}, nave: -4}}\n"
    )
    after = changed(leaf, Overrides((send(-7.5), send(-5, room="nave")), {"choir": 2}, 1.5), base)
    assert after == leaf + (
        "trim: 1.5\nsections:\n  choir:\n    level: 2\n"
        "    sends:\n      hall: {level: -7.5}\n      nave: -5\n"
    )


@pytest.mark.parametrize(
    ("sends", "written"),
    [
        ("{hall: null}", "{hall: [{level: -7, position: rear}]}"),
        ("null", "{hall: [{level: -7, position: rear}], nave: null}"),
        ("{hall: {level: -3}}", "{hall: {level: -3}}"),
        ("{hall: -3}", "{hall: -3}"),
    ],
)
def test_what_a_leaf_has_taken_from_its_base_does_not_come_back(changed, sends, written):
    # The base's low cut must not return: a list replaces where a mapping would be merged.
    leaf = f"extends: base.yaml\nsections: {{choir: {{sends: {sends}}}}}\n"
    base = ROOMS + (
        "shared_sends: {hall: {level: -11, position: rear}}\n"
        "sections: {choir: {stems: x, sends: {hall: {level: -9, low_cut: 90}, nave: -4}}, boys: {stems: y}}\n"
    )
    position = None if "level" in sends or "-3" in sends else "rear"
    after = changed(leaf, Overrides((send(-7, position=position),)), base)
    assert after == leaf.replace(sends, written.replace("-3", "-7"))


def test_a_pre_delay_in_a_leaf_that_has_only_a_level_keeps_the_cuts_of_the_base(files):
    folder = files(
        leaf="extends: base.yaml\nsections: {choir: {sends: {hall: -3}}}\n",
        base=ROOMS + "sections: {choir: {stems: x, sends: {hall: {level: -9, low_cut: 90}}}}\n",
    )
    write_overrides(folder / "leaf.yaml", Overrides((SendOverride("choir", "hall", None, -4, 12.5),)))
    assert "sends: {hall: {level: -4, pre_delay: 12.5}}" in (folder / "leaf.yaml").read_text()
    (only,) = loaded(folder / "leaf.yaml").sections["choir"].sends
    assert (only.level_db, only.pre_delay_s, only.low_cut_hz) == (-4, 0.0125, 90)


def test_a_number_that_comes_to_the_level_of_the_base_stays_a_number(changed):
    leaf = "extends: base.yaml\nsections: {choir: {sends: {hall: -3}}}\n"
    base = ROOMS + "sections: {choir: {stems: x, sends: {hall: {level: -9, low_cut: 90}}}}\n"
    assert changed(leaf, Overrides((send(-9),)), base) == leaf.replace("-3", "-9")


def test_nothing_is_changed_through_an_alias(changed):
    text = (
        ROOMS
        + """\
groups:
  voices: {sections: [boys], sends: &far {hall: {level: -9, low_cut: 90}, nave: -12}}
sections:
  choir: {stems: x, sends: *far }   # as the voices
  boys: {stems: y}
  men:
    stems: z
    sends: *far
"""
    )
    after = changed(text, Overrides((send(-7), send(-3, "boys", "nave"), send(-6, "men"))))
    written = "{hall: {level: -7, low_cut: 90}, nave: -12}"
    assert after == (
        text.replace("-12}}", "-3}}")
        .replace("x, sends: *far", f"x, sends: {written}")
        .replace("    sends: *far", f"    sends: {written.replace('-7', '-6')}")
    )


def test_an_anchor_in_the_section_itself_moves_to_those_who_share_it(changed):
    text = (
        ROOMS
        + """\
sections:
  choir:
    stems: x
    sends: &far   # shared
      hall: -9    # one
      nave: &deep {level: -12, low_cut: 90}
  boys: {stems: y, sends: *far }
  men: {stems: z, sends: {nave: *deep }}
"""
    )
    after = changed(text, Overrides((send(-7), send(-11, room="nave"))))
    assert after == (
        text.replace(" &far", "")
        .replace("-9 ", "-7 ")
        .replace("&deep {level: -12", "{level: -11")
        .replace("*far", "{hall: -9, nave: {level: -12, low_cut: 90}}")
        .replace("*deep", "{level: -12, low_cut: 90}")
    )


def test_an_entry_whose_sections_all_change_alike_is_changed_where_it_stands(changed):
    wishes = [send(-10, name, position="rear") for name in ("choir", "boys")]
    wishes += [send(-20, name, "nave") for name in ("choir", "boys")]
    after = changed(INHERITED, Overrides(tuple(wishes)))
    assert after == INHERITED.replace("level: -12, position", "level: -10, position").replace("-18", "-20")


def test_an_entry_of_which_one_section_changes_otherwise_is_overridden_at_each(changed):
    after = changed(INHERITED, Overrides((send(-20, room="nave"), send(-21, "boys", "nave"))))
    assert "nave: {level: -18, low_cut: 200, pre_delay: 12}   # everybody" in after
    assert "nave: {level: -20, low_cut: 200, pre_delay: 12}" in after
    assert "nave: {level: -21, low_cut: 200, pre_delay: 12}" in after


def test_a_section_with_a_send_of_its_own_has_no_say_in_the_shared_one(changed):
    text = (
        ROOMS
        + "shared_sends: {hall: -9}\nsections: {choir: {stems: x}, boys: {stems: y, sends: {hall: 0}}}\n"
    )
    assert changed(text, Overrides((send(-7),))) == text.replace("-9", "-7")


SHARED = ROOMS + (
    "shared_sends:\n  hall: -9   # everybody\n"
    "groups: {voices: {sections: [choir, boys], level: 2, sends: {nave: {level: -8, low_cut: 90}}}}\n"
    "sections: {choir: {stems: x}, boys: {stems: y}}\n"
)


def test_a_shared_value_of_a_base_is_overridden_once_as_the_shared_value(changed):
    leaf = "extends: base.yaml\ntitle: leaf\n"
    wishes = [
        send(level, name, room) for name in ("choir", "boys") for room, level in (("hall", -7), ("nave", -6))
    ]
    after = changed(leaf, Overrides(tuple(wishes), {"choir": 0.5, "boys": 0.5}), SHARED)
    assert after == leaf + (
        "groups:\n  voices:\n    level: 2.5\n    sends:\n      nave: {level: -6}\nshared_sends:\n  hall: -7\n"
    )


def test_a_section_that_is_not_heard_goes_along_with_what_it_shares(changed):
    wish = Overrides((send(-7),), {"choir": -1.0}, silent=frozenset({"boys"}))
    assert changed(SHARED, wish) == SHARED.replace("-9 ", "-7 ").replace("level: 2", "level: 1")
    heard = Overrides((send(-7),))
    assert "hall: -9   # everybody" in changed(SHARED, heard)


@pytest.mark.parametrize(
    ("levels", "at_sections"),
    [({"choir": 1.0, "boys": 1.0}, False), ({"choir": 1.0, "boys": 1.5}, True), ({"choir": 1.0}, True)],
)
def test_a_level_of_a_group_moves_when_all_its_sections_do_and_stays_otherwise(changed, levels, at_sections):
    after = changed(SHARED, Overrides((), levels))
    if at_sections:
        assert "level: 2," in after
        assert all(f"level: {level:g}}}" in after for level in levels.values())
    else:
        assert after == SHARED.replace("level: 2", "level: 3")


def test_sections_of_a_group_that_gives_no_level_get_their_own(changed):
    text = SHARED.replace(" level: 2,", "")
    after = changed(text, Overrides((), {"choir": 1.0, "boys": 1.0}))
    assert after == text.replace("x}", "x, level: 1}").replace("y}", "y, level: 1}")


def test_what_is_written_for_several_sections_is_named_with_them(files):
    folder = files(leaf=SHARED)
    wish = Overrides((send(-7), send(-7, "boys")), {"choir": 0.5, "boys": 0.5})
    shared = prepare_overrides(folder / "leaf.yaml", wish).shared
    assert [(level.at, level.sections) for level in shared] == [
        (("groups", "voices", "level"), ("choir", "boys")),
        (("shared_sends", "hall"), ("choir", "boys")),
    ]


def test_a_send_of_a_group_that_no_section_has_any_more_is_known(files):
    folder = files(leaf=SHARED)
    assert loaded(folder / "leaf.yaml").unused_sends == ()
    wish = Overrides((send(-7, room="nave"), send(-6, "boys", "nave")))
    write_overrides(folder / "leaf.yaml", wish)
    (unused,) = loaded(folder / "leaf.yaml").unused_sends
    assert (unused.group, unused.room, unused.place.line) == ("voices", "nave", 6)


def test_a_position_that_no_send_names_means_the_send_that_names_none(changed):
    text = ROOMS + "sections: {choir: {stems: x, sends: {hall: [-9, {level: -3, position: rear}]}}}\n"
    assert changed(text, Overrides((send(-8, position="main"),))) == text.replace("-9", "-8")


def test_names_and_folders_that_follow_from_the_file_name_do_not_count_as_changes(files):
    folder = files(leaf=OWN + 'deliveries: {d: {folder: "out/{title}"}}\n')
    assert write_overrides(folder / "leaf.yaml", Overrides((send(-8),))) is not None


@pytest.mark.skipif(os.name != "posix", reason="links need a right of their own elsewhere")
def test_the_base_of_a_linked_plan_is_looked_for_beside_the_link(tmp_path):
    (tmp_path / "store").mkdir()
    real = tmp_path / "store" / "1234.yaml"
    real.write_text("extends: base.yaml\n")
    (tmp_path / "base.yaml").write_text(OWN)
    link = tmp_path / "leaf.yaml"
    link.symlink_to(real)
    kept = write_overrides(link, Overrides((send(-8),)))
    assert kept == real.with_name("1234.yaml.before-1")
    assert link.is_symlink()
    assert real.read_text() == "extends: base.yaml\nsections:\n  choir:\n    sends:\n      hall: -8\n"


@pytest.mark.parametrize(
    ("wish", "what"),
    [
        (Overrides((send(-8, section="brass"),)), "there is no section 'brass'"),
        (Overrides((), {"brass": 1}), "there is no section 'brass'"),
        (Overrides((send(-8, room="crypt"),)), "choir: there is no send to crypt"),
        (Overrides((send(-8, room="nave", position="side"),)), "choir: there is no send to nave at 'side'"),
        (Overrides((send(-8), send(-7))), "choir: two values for one send to hall"),
        (Overrides((send(-8), send(-7, position="main"))), "choir: two values for one send to hall"),
        (Overrides((send(-500),)), "the changed plan would have a problem: hall: -500 is below -120 dB"),
        (Overrides((send(float("nan")),)), "nan cannot be written in a plan"),
    ],
)
def test_wishes_a_plan_cannot_take_are_refused_and_nothing_is_written(files, wish, what):
    folder = files(leaf=OWN)
    with pytest.raises(RoomplanError) as error:
        write_overrides(folder / "leaf.yaml", wish)
    assert error.value.problems[0].what.startswith(what)
    assert [entry.name for entry in folder.iterdir() if entry.is_file()] == ["leaf.yaml"]
    assert (folder / "leaf.yaml").read_text() == OWN


def test_a_plan_with_problems_is_not_changed(files):
    folder = files(leaf=OWN + "nonsense: 1\n")
    with pytest.raises(PlanError, match="nonsense"):
        write_overrides(folder / "leaf.yaml", Overrides((send(-8),)))


@pytest.mark.parametrize(
    ("right", "wrong", "what"),
    [
        ("hall: -8 ", "hall: -8.5 ", "sections.choir.sends.0.level_db"),
        ("-10", "-11", "sections.choir.sends.1.level_db"),
        ("stems: x", "stems: y", "sections.choir.stems.0.pattern"),
        ("larkmere_hall}", "larkmere_hall, low_cut: 80}", "rooms.hall.low_cut_hz"),
        ("  hall: {", "  crypt: {synthetic: orrin_nave}\n  hall: {", "rooms"),
    ],
)
def test_a_text_that_would_load_as_another_plan_is_never_written(files, monkeypatch, right, wrong, what):
    folder = files(leaf=OWN)
    edited = module.edited_text
    monkeypatch.setattr(module, "edited_text", lambda *a, **k: edited(*a, **k).replace(right, wrong))
    with pytest.raises(RoomplanError) as error:
        write_overrides(folder / "leaf.yaml", Overrides((send(-8),)))
    assert error.value.problems[0].what == f"{what} of the changed plan would not come out as asked"
    place = error.value.problems[0].place
    assert place is not None
    assert place.line is not None
    assert (folder / "leaf.yaml").read_text() == OWN
    assert [entry.name for entry in folder.iterdir() if entry.is_file()] == ["leaf.yaml"]
