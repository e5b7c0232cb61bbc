"""A plan without the optional sections that a cue lacks, and what goes with them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from roomplan.errors import Problem
from roomplan.plan.bus_name import BusName

if TYPE_CHECKING:
    from collections.abc import Collection

    from roomplan.plan.model import Plan, Section
    from roomplan.plan.targets import BalanceLimits, Target

__all__ = ["without_sections"]


def without_sections(plan: Plan, missing: Collection[str]) -> tuple[Plan, list[Problem]]:
    """Take sections out of a plan.

    Parameters
    ----------
    missing : collection of str
        Names of its sections.

    Returns
    -------
    plan : Plan
        Groups, alternates and margins go on without them: a group that is left without a section is taken
        out too, an alternate stays even where it changes nothing any more, and a margin that names something
        taken out is dropped, and so is a target: it does not apply. What may be moved for targets, and the
        reference section, go on without them too.
    advice : list of Problem
        A line for each section, margin and target, the reference section, and each alternate that changes
        nothing.
    """
    if not missing:
        return plan, []
    advice = [_left_out(section) for name, section in plan.sections.items() if name in missing]
    groups = {}
    for name, group in plan.groups.items():
        members = tuple(section for section in group.sections if section not in missing)
        if members or not group.sections:
            groups[name] = replace(group, sections=members)
    alternates = {}
    for name, alternate in plan.alternates.items():
        changes = {section: c for section, c in alternate.changes.items() if section not in missing}
        alternates[name] = replace(alternate, changes=changes)
        if alternate.changes and not changes:
            what = f"alternate {name} is the same as the mix: this cue lacks the sections that it changes"
            advice.append(Problem(what, alternate.place, None))
    gone = {BusName.of_section(name) for name in missing}
    gone |= {BusName.of_group(name) for name in plan.groups if name not in groups}
    margins = []
    for margin in plan.margins:
        lost = [f"{bus.kind} {bus.subject}" for bus in (margin.of, margin.over) if bus in gone]
        if not lost:
            margins.append(margin)
            continue
        of, over = margin.of.subject, margin.over.subject
        verb = "is" if len(lost) == 1 else "are"
        what = f"the margin of {of} over {over} is left out: {' and '.join(lost)} {verb} not in this cue"
        advice.append(Problem(what, margin.place, None))
    targets = []
    for target in plan.targets:
        lost = [
            f"{bus.kind} {bus.subject}" for bus in (target.of, target.over) if bus is not None and bus in gone
        ]
        if not lost:
            targets.append(target)
            continue
        verb = "is" if len(lost) == 1 else "are"
        what = f"the target {_wish(target)} does not apply: {' and '.join(lost)} {verb} not in this cue"
        advice.append(Problem(what, target.place, None))
    reference = plan.reference_section
    if reference in missing:
        what = f"the reference section {reference} is not in this cue: the nearest section keeps its sends"
        advice.append(Problem(what, plan.place_of("reference_section"), None))
        reference = None
    sections = {name: section for name, section in plan.sections.items() if name not in missing}
    reduced = replace(
        plan,
        sections=sections,
        groups=groups,
        alternates=alternates,
        margins=tuple(margins),
        targets=tuple(targets),
        balance=_still_moved(plan.balance, missing),
        reference_section=reference,
    )
    return reduced, advice


def _still_moved(limits: BalanceLimits, missing: Collection[str]) -> BalanceLimits:
    """What may be moved without the sections that are missing; one that is left alone moves by itself."""
    linked = [tuple(name for name in together if name not in missing) for together in limits.linked]
    return replace(
        limits,
        locked=tuple(name for name in limits.locked if name not in missing),
        linked=tuple(together for together in linked if len(together) > 1),
    )


def _wish(target: Target) -> str:
    """A target as its line in the plan has it: `margin` of choir over strings."""
    named = [bus.subject for bus in (target.of, target.over) if bus is not None]
    return f"`{target.kind}` of {' over '.join(named)}"


def _left_out(section: Section) -> Problem:
    names = ", ".join(repr(entry.pattern) for entry in section.stems)
    what = f"section {section.name} is left out: no file fits {names}"
    return Problem(what, section.place, "the section is optional; check the names if the cue has it")
