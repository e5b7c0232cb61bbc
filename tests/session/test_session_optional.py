"""Sections that a cue may lack, and what goes on without them."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from ruamel.yaml import YAML

from roomplan.plan.load import load_plan
from roomplan.session.buses import build_buses, build_components
from roomplan.session.session import open_session

MONO = np.full((4800, 1), 0.1)
NAMES = ("choir", "low", "high", "brass")


@pytest.fixture
def folder(cue):
    cue.response("ir.wav", np.random.default_rng(1).standard_normal((500, 1)))
    return cue


def plan(optional=NAMES, **more):
    return {
        "rooms": {"orrin_nave": {"responses": "ir.wav"}},
        "shared_sends": {"orrin_nave": -6},
        "groups": {"strings": {"sections": ["low", "high"]}, "winds": {"sections": ["brass"]}},
        "sections": {
            name: {"stems": [f"*{name}*"], **({"optional": True} if name in optional else {})}
            for name in NAMES
        },
        "alternates": {
            "up": {"choir": {"level": 1}, "strings": {"level": 2}},
            "loud": {"winds": {"level": 3}},
        },
        "margins": [{"of": "choir", "over": "strings"}, {"of": "low", "over": "brass"}],
        **more,
    }


@pytest.mark.parametrize(
    "present", [c for n in range(1, 5) for c in itertools.combinations(NAMES, n)], ids="+".join
)
def test_a_session_goes_on_with_whatever_optional_sections_are_there(folder, present):
    for name in present:
        folder.stem(f"2m1_{name}.wav", MONO)
    session = folder.session(plan())
    assert [section.name for section in session.sections] == list(present)
    assert list(session.plan.sections) == list(present)
    groups = {"strings": ("low", "high"), "winds": ("brass",)}
    left = {group: tuple(m for m in members if m in present) for group, members in groups.items()}
    left = {group: members for group, members in left.items() if members}
    assert {name: group.sections for name, group in session.plan.groups.items()} == left

    changes = {name: set(alternate.changes) for name, alternate in session.plan.alternates.items()}
    assert changes == {
        "up": {"choir", "low", "high"} & set(present),
        "loud": {"brass"} & set(present),
    }
    margins = [(margin.of, margin.over) for margin in session.plan.margins]
    wanted = [("section:choir", "group:strings")] if "choir" in present and "strings" in left else []
    wanted += [("section:low", "section:brass")] if {"low", "brass"} <= set(present) else []
    assert margins == wanted

    buses = {bus.name for bus in build_buses(session, build_components(session))}
    assert {bus for bus in buses if bus.startswith("section:") and bus.count(":") == 1} == {
        f"section:{name}" for name in present
    }
    assert {bus for bus in buses if bus.startswith("group:") and bus.count(":") == 1} == {
        f"group:{name}" for name in left
    }

    advice = [w.what for w in session.warnings]
    for name in NAMES:
        told = f"section {name} is left out: no file fits '*{name}*'"
        assert (told in advice) is (name not in present)
    assert sum("the margin of" in line for line in advice) == 2 - len(margins)
    assert sum("is the same as the mix" in line for line in advice) == sum(not c for c in changes.values())


def test_a_margin_that_is_left_out_says_what_is_not_there(folder):
    folder.stem("choir.wav", MONO)
    session = folder.session(plan())
    lines = [str(w) for w in session.warnings if "the margin of" in w.what]
    assert lines[0].endswith("the margin of choir over strings is left out: group strings is not in this cue")
    assert lines[1].endswith(
        "the margin of low over brass is left out: section low and section brass are not in this cue"
    )
    assert all("plan.yaml:" in line for line in lines)


def test_advice_of_a_section_that_is_left_out_points_to_its_line(folder):
    folder.stem("choir.wav", MONO)
    content = plan()
    session = folder.session(content)
    (line,) = [w for w in session.warnings if w.what.startswith("section brass is left out")]
    text = (folder.folder / "plan.yaml").read_text().splitlines()
    assert text[line.place.line - 1].strip() == "brass:"


def test_a_missing_section_that_is_not_optional_stays_a_problem(folder):
    folder.stem("choir.wav", MONO)
    (problem,) = folder.problems(plan(optional=("low", "high")))
    assert "fits '*brass*'" in problem


def test_all_sections_missing_is_one_problem(folder):
    folder.stem("harp.wav", MONO)
    (problem,) = folder.problems(plan())
    assert "no section has a stem in" in problem
    assert "the folder holds harp.wav" in problem
    assert "plan.yaml:1:8" in problem  # the value of `stems`


def test_a_name_that_fits_nothing_beside_one_that_does_is_a_problem_in_an_optional_section_too(folder):
    folder.stem("choir.wav", MONO)
    content = plan()
    content["sections"]["choir"]["stems"] = ["choir", "chior_solo"]
    (problem,) = folder.problems(content)
    assert "fits 'chior_solo'" in problem


def test_an_optional_section_whose_file_cannot_be_read_is_a_problem_and_not_left_out(folder):
    folder.stem("choir.wav", MONO)
    (folder.folder / "stems" / "brass.wav").write_bytes(b"no sound at all")
    (problem,) = folder.problems(plan())
    assert "brass.wav" in problem


def test_stems_of_a_plan_are_resampled_and_placed_without_those_that_are_not_there(folder):
    folder.stem("choir.wav", MONO, rate=44_100)
    session = folder.session(plan())
    assert session.sample_rate == 44_100
    assert session.end_frame == 4800


def test_one_base_serves_cues_that_lack_different_sections(tmp_path, folder):
    base = plan(
        cue="x",
        deliveries={"dub": {"folder": "out/{cue}", "file_name": "{cue}_{bus}", "write": ["mix", "prints"]}},
    )
    with (tmp_path / "base.yaml").open("w") as file:
        YAML().dump(base, file)
    for cue, present in {"1m1": ("choir",), "1m2": ("low", "brass"), "1m3": NAMES}.items():
        for name in present:
            folder.stem(f"../{cue}/{cue}_{name.upper()}.wav", MONO)
        path = tmp_path / f"{cue}.yaml"
        path.write_text(f"extends: base.yaml\ncue: {cue}\nstems: {cue}\n")
        loaded = load_plan(path)
        assert loaded.problems == ()
        assert loaded.plan is not None
        session, problems = open_session(loaded.plan)
        assert problems == []
        assert session is not None
        assert [section.name for section in session.sections] == list(present)
        assert session.plan.deliveries["dub"].folder == tmp_path / "out" / cue


TARGETS = [
    {"of": "choir", "least_c80": 0},
    {"of": "low", "over": "brass", "margin": 1},
    {"of": "winds", "wet_to_dry": -6},
    {"of": "low", "wet_to_dry": -6},
    {"true_peak": -1},
]


def test_a_target_on_a_section_or_group_that_the_cue_lacks_does_not_apply_and_a_line_says_so(folder):
    folder.stem("2m1_low.wav", MONO)
    folder.stem("2m1_high.wav", MONO)
    session = folder.session(plan(targets=TARGETS))
    assert [(t.kind, t.of) for t in session.plan.targets] == [
        ("wet_to_dry", "section:low"),
        ("true_peak", None),
    ]
    told = [warning.what for warning in session.warnings if warning.what.startswith("the target")]
    assert told == [
        "the target `least_c80` of choir does not apply: section choir is not in this cue",
        "the target `margin` of low over brass does not apply: section brass is not in this cue",
        "the target `wet_to_dry` of winds does not apply: group winds is not in this cue",
    ]


def test_what_may_be_moved_and_the_reference_section_go_on_without_a_section_that_the_cue_lacks(folder):
    folder.stem("2m1_low.wav", MONO)
    folder.stem("2m1_high.wav", MONO)
    moved = {"locked": ["choir"], "linked": [["low", "high", "brass"]]}
    session = folder.session(plan(balance=moved, reference_section="choir"))
    assert session.plan.balance.locked == ()
    assert session.plan.balance.linked == (("low", "high"),)
    assert session.plan.reference_section is None
    assert any(
        "the reference section choir is not in this cue" in warning.what for warning in session.warnings
    )


def test_a_missing_stem_of_a_section_that_is_not_optional_points_to_optional(folder):
    folder.stem("2m1_low.wav", MONO)
    (problem,) = folder.problems(plan(optional=("low", "high", "brass")))
    assert problem.endswith("`optional: true` where a cue may lack section choir")
