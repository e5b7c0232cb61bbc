"""The levels a solver may set, and a session at other levels without opening it again.

Conventions
-----------
A send is named by its section and its place among the section's sends. Levels in dB as in a plan: of a send,
of a section (dry and sends together), and the trim on everything.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from roomplan.frozen_classes import frozen_class
from roomplan.session.session import amplitude

if TYPE_CHECKING:
    from collections.abc import Mapping

    from roomplan.session.session import SectionSource, Session

__all__ = ["SMALL_MOVE_DB", "Levels", "session_at", "silent_sections", "written_levels"]

# A send that moves by less is nothing that anybody hears by itself (common practice, no source).
SMALL_MOVE_DB = 0.3


@frozen_class
class Levels:
    """Levels of a plan.

    Attributes
    ----------
    sends_db : mapping
        (section, index of the send) → level of the send.
    sections_db : mapping
        Section → level.
    """

    sends_db: Mapping[tuple[str, int], float]
    sections_db: Mapping[str, float]
    trim_db: float


def written_levels(session: Session) -> Levels:
    """Levels as the plan has them."""
    return Levels(
        {
            (section.name, index): send.level_db
            for section in session.sections
            for index, send in enumerate(section.sends)
        },
        {section.name: session.plan.sections[section.name].level_db for section in session.sections},
        session.plan.trim_db,
    )


def silent_sections(session: Session) -> frozenset[str]:
    """Sections that are muted or not in this cue, and not locked: they may go along with others."""
    heard = {section.name for section in session.sections if not section.muted}
    return frozenset(session.plan.sections) - heard - set(session.plan.balance.locked)


def session_at(session: Session, levels: Levels) -> Session:
    """Session with other levels: what opening the plan with these levels in it would give.

    Parameters
    ----------
    levels : Levels
        Of every section and send of the session.

    Returns
    -------
    Session
        Its plan holds the levels too. Rooms, stems and responses are shared with the given one.
    """
    plan = session.plan
    trim = levels.trim_db - plan.trim_db
    written = plan.sections
    sections = tuple(_section_at(section, levels, written, trim) for section in session.sections)
    changed = {
        section.name: replace(
            written[section.name],
            level_db=levels.sections_db[section.name],
            sends=tuple(
                replace(send, level_db=levels.sends_db[section.name, index])
                for index, send in enumerate(written[section.name].sends)
            ),
        )
        for section in session.sections
    }
    new_plan = replace(plan, sections={**written, **changed}, trim_db=levels.trim_db)
    return replace(session, plan=new_plan, sections=sections)


def _section_at(section: SectionSource, levels: Levels, written: Mapping, trim_db: float) -> SectionSource:
    moved = amplitude(levels.sections_db[section.name] - written[section.name].level_db + trim_db)
    sends = []
    for index, send in enumerate(section.sends):
        level = levels.sends_db[section.name, index]
        own = amplitude(level - send.level_db)
        sends.append(
            replace(
                send,
                level_db=level,
                response_gain=send.response_gain * own,
                gain=send.gain * own * moved,
            )
        )
    return replace(
        section,
        gain=section.gain * moved,
        dry_gain=None if section.dry_gain is None else section.dry_gain * moved,
        sends=tuple(sends),
    )
