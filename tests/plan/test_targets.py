"""Targets, limits and the reference section of a plan: what they mean, and what has no meaning."""

from __future__ import annotations

import pytest

from roomplan.plan.targets import WISHES, BalanceLimits

PLAN = """\
rooms: {hall: {synthetic: larkmere_hall}}
sections: {choir: {stems: x}, brass: {stems: y}, low: {stems: z}, twin: {stems: t}}
groups: {back: {sections: [brass, low]}, twin: {sections: [twin]}}
passages: {verse: {from: 0, to: 5}}
"""


@pytest.fixture
def target(good):
    """Load one target."""
    return lambda text: good(f"{PLAN}targets: [{text}]\n").targets[0]


@pytest.fixture
def refused(said):
    """Problems of a plan with one target."""
    return lambda text: said(f"{PLAN}targets: [{text}]\n")


@pytest.mark.parametrize(
    ("text", "kind", "value", "tolerance"),
    [
        ("{of: choir, wet_to_dry: -6}", "wet_to_dry", -6.0, 0.5),
        ("{of: choir, over: back, margin: 3}", "margin", 3.0, 0.5),
        ("{of: choir, room: hall, share: -20}", "share", -20.0, 0.5),
        ("{of: choir, least_c80: 2}", "least_c80", 2.0, 0.5),
        ("{of: choir, least_d50: 0.4}", "least_d50", 0.4, 0.025),
        ("{of: choir, least_sti: 0.45}", "least_sti", 0.45, 0.03),
        ("{of: choir, longest_centre_time: 90}", "longest_centre_time", 0.09, 0.005),
        ("{of: choir, longest_wet_decay: 2.6}", "longest_wet_decay", 2.6, 0.065),
        ("{true_peak: -1}", "true_peak", -1.0, 0.0),
        ("{loudness: -23}", "loudness", -23.0, 0.1),
    ],
)
def test_every_wish_has_its_value_in_plain_units_and_a_tolerance(target, text, kind, value, tolerance):
    found = target(text)
    assert (found.kind, found.weight) == (kind, 1.0)
    assert found.value == pytest.approx(value)
    assert found.tolerance == pytest.approx(tolerance)
    assert set(WISHES) >= {kind}


def test_what_stands_beside_a_wish_is_kept(target):
    found = target(
        "{of: group:twin, over: brass, margin: -2, band: speech, passage: verse, tolerance: 1, weight: 3}"
    )
    assert (found.of, found.over, found.band, found.passage) == (
        "group:twin",
        "section:brass",
        "speech",
        "verse",
    )
    assert (found.tolerance, found.weight) == (1.0, 3.0)
    centre = target("{of: choir, longest_centre_time: 90, tolerance: 4}")
    assert centre.tolerance == pytest.approx(0.004)


def test_every_wish_of_the_format_can_be_written():
    assert len(WISHES) == 10


@pytest.mark.parametrize(
    ("text", "what", "remedy"),
    [
        ("{of: choier, wet_to_dry: -6}", "no section or group 'choier'", "did you mean 'choir'?"),
        ("{of: choir, room: hal, share: -6}", "no room 'hal'", "did you mean 'hall'?"),
        ("{of: choir, over: brass, margin: 3, passage: vers}", "no passage 'vers'", "did you mean 'verse'?"),
        ("{of: twin, wet_to_dry: -6}", "name of a section and of a group", "`section:twin` or `group:twin`"),
        ("{of: back, least_c80: 2}", "'back' is a group", "one of its sections"),
        ("{of: choir}", "names no target", "`wet_to_dry`"),
        ("{of: choir, wet_to_dry: -6, least_c80: 2}", "wet_to_dry and least_c80 in one entry", "one wish"),
        ("{wet_to_dry: -6}", "`of` is missing", "such as `of: choir`"),
        ("{of: choir, margin: 3}", "`over` is missing", "such as `over: strings`"),
        ("{of: choir, share: 3}", "`room` is missing", "such as `room:"),
        ("{of: choir, loudness: -23}", "loudness does not use it", "leave out the line"),
        ("{of: choir, over: brass, wet_to_dry: -6}", "wet_to_dry does not use it", "belongs to `margin`"),
        ("{of: choir, over: choir, margin: 3}", "cannot be over itself", "another section or group"),
        ("{of: back, over: low, margin: 3}", "both contain the section low", "without it"),
        ("{of: choir, wet_to_dri: -6}", "unknown key 'wet_to_dri'", "did you mean 'wet_to_dry'?"),
        ("{of: choir, wet_to_dry: -6, tolerance: 0}", "0 is not above 0", "such as 0.5"),
        ("{of: choir, least_d50: 40}", "40 is above 1", "such as 0.4"),
    ],
)
def test_a_target_without_meaning_is_refused_where_it_stands(refused, text, what, remedy):
    problems = refused(text)
    assert any(what in problem and remedy in problem and problem.startswith("5:") for problem in problems), (
        problems
    )


def test_one_wish_for_one_thing_stands_once(refused):
    (problem,) = refused("{of: choir, wet_to_dry: -6}, {of: choir, wet_to_dry: -8}")
    assert "wet_to_dry of the same thing appears twice" in problem
    assert refused("{of: choir, wet_to_dry: -6}, {of: choir, least_c80: 2}, {of: low, wet_to_dry: -8}") == []


def test_limits_have_defaults_and_each_end_can_be_written_alone(good):
    assert good(PLAN).balance == BalanceLimits((-40.0, 0.0), (-6.0, 6.0), (), ())
    assert good(PLAN).targets == ()
    assert good(PLAN).reference_section is None
    text = "balance: {sends: {from: -30}, levels: {to: 2}, locked: [brass], linked: [[choir, low]]}\n"
    plan = good(f"{PLAN}{text}reference_section: low\n")
    assert plan.balance == BalanceLimits((-30.0, 0.0), (-6.0, 2.0), ("brass",), (("choir", "low"),))
    assert plan.reference_section == "low"


@pytest.mark.parametrize(
    ("text", "what", "remedy"),
    [
        ("balance: {sends: {from: 2}}", "`to`, 0 dB, is below `from`, 2 dB", "`from` the lower"),
        ("balance: {levels: {from: 1, to: 3}}", "0, which keeps a section as written", "from 0 on"),
        ("balance: {locked: [bras]}", "no section 'bras'", "did you mean 'brass'?"),
        ("balance: {locked: [brass, brass]}", "brass appears twice", "once"),
        ("balance: {linked: [[choir]]}", "a single section is linked to nothing", "at least two"),
        ("balance: {linked: [[choir, low], [low, brass]]}", "low is already in entry 1", "at most one"),
        ("balance: {lock: [brass]}", "unknown key 'lock'", "did you mean 'locked'?"),
        ("reference_section: chor", "no section 'chor'", "did you mean 'choir'?"),
        ("reference_section: back", "no section 'back'", "one of choir, brass, low, twin"),
    ],
)
def test_limits_and_reference_sections_without_meaning_are_refused_where_they_stand(said, text, what, remedy):
    problems = said(f"{PLAN}{text}\n")
    assert any(what in problem and remedy in problem and problem.startswith("5:") for problem in problems), (
        problems
    )
