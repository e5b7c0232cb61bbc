"""The depth of a plan as tables and sentences.

Conventions
-----------
A dash is a figure that cannot be given; the lines below say why.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from roomplan.report.depth import LOCKED, large_changes
from roomplan.show.tables import (
    DASH,
    at_position,
    figure,
    figure_columns,
    in_ms,
    level,
    plain_table,
)

if TYPE_CHECKING:
    from rich.table import Table

    from roomplan.depth.model import Depth, SectionDepth, SectionInRoom, SendChange
    from roomplan.plan.model import Plan

__all__ = ["change_lines", "depth_lines", "depth_tables"]


def depth_tables(depth: Depth, plan: Plan) -> list[Table]:
    """Where every section sits and what its room makes of that; then its sends, now and as proposed."""
    return [_seat_table(depth, plan), _send_table(depth)]


def _seat_table(depth: Depth, plan: Plan) -> Table:
    table = plain_table(
        f"{plan.title}: the seat of every section",
        "distance: of the direct path to the main microphones · "
        "critical: where direct and reflected sound are equal · "
        "D/R: direct over reflected · D/R and C80: revised theory for the section's source, 500 and 1000 Hz; "
        "* measured · "
        "air: its loss at 8 kHz against 1 kHz · arrival: after the nearest · gap: from the direct "
        "sound to the first reflection without the floor; a synthetic response has it already",
    )
    _name_columns(table)
    figure_columns(table, ("distance m", "critical m", "D/R dB", "C80 dB", "air dB", "arrival ms", "gap ms"))
    for found in depth.sections:
        table.add_row(*_names(found), *_figures(found))
    return table


def _name_columns(table: Table) -> None:
    for heading in ("section", "main room"):
        table.add_column(heading, no_wrap=True)


def _names(found: SectionDepth) -> tuple[str, str]:
    return found.place.section, found.place.room or DASH


def _figures(found: SectionDepth) -> list[str]:
    figures = found.place.figures
    if figures is None:
        return [DASH] * 7
    mark = "*" if figures.source == "measured" else ""

    def marked(value: float | None) -> str:
        return level(value) + (mark if value is not None else "")

    return [
        figure(figures.distance_m, 1),
        figure(figures.critical_distance_m, 1),
        marked(figures.direct_to_reverberant_db),
        marked(figures.clarity_db),
        level(None if figures.air_loss_db is None else -figures.air_loss_db),
        figure(in_ms(found.arrival_delay_s), 1),
        figure(in_ms(figures.pre_delay_s), 1),
    ]


def _send_table(depth: Depth) -> Table:
    table = plain_table("Sends", _how(depth))
    _name_columns(table)
    figure_columns(table, ("wet/dry now dB", "wanted dB", "send now dB", "proposed dB"))
    for found in depth.sections:
        now, proposed = zip(*_levels(found), strict=True) if found.place.sends else ((DASH,), (DASH,))
        table.add_row(
            *_names(found),
            level(found.place.wet_to_dry_db),
            level(found.wanted_db),
            Text("\n".join(now)),
            Text("\n".join(proposed)),
        )
    return table


def _how(depth: Depth) -> str:
    what = "wet/dry: what the main room returns over the dry sound"
    if depth.mode == "absolute":
        return f"{what} · wanted: −D/R, as in the room itself; most mixes want less"
    if not depth.reference_sections:
        return what
    share = "" if depth.amount == 1.0 else f", {100.0 * (depth.amount or 0.0):.0f} % of it"
    whose = ", ".join(
        section if len(depth.reference_sections) == 1 else f"{section} in {room}"
        for room, section in depth.reference_sections.items()
    )
    return f"{what} · wanted: that of {whose}, by the difference of D/R{share}"


def _levels(found: SectionDepth) -> list[tuple[str, str]]:
    """Each send now and as proposed; a send that stays is said to."""
    lines = []
    for index, send in enumerate(found.place.sends):
        after = None if found.proposed_db is None else found.proposed_db[index]
        proposed = "unchanged" if after == send.level_db else level(after)
        lines.append((f"{level(send.level_db)}{at_position(send.heard_at)}", proposed))
    return lines


def depth_lines(depth: Depth) -> list[Text]:
    """Why there are dashes, what was chosen, and what the figures are not for."""
    lines = [f"{place.section}: {place.obstacle}" for place in _places(depth) if place.obstacle is not None]
    for place in _places(depth):
        if place.obstacle is None and place.figures is not None:
            lines += [f"{place.section}: {why}" for why in dict.fromkeys(place.figures.reasons.values())]
    lines += [f"{place.section}: {LOCKED}" for place in _places(depth) if _is_held(place)]
    lines += [place.note for place in _places(depth) if place.note is not None]
    lines += [*depth.notes, *large_changes(depth)]
    return [Text(line) for line in lines]


def _is_held(place: SectionInRoom) -> bool:
    return place.locked and place.obstacle is None


def _places(depth: Depth) -> list[SectionInRoom]:
    return [found.place for found in depth.sections]


def change_lines(depth: Depth) -> list[Text]:
    """Sends that change, one a line."""
    return [
        Text(f"{change.section}: send to {change.room}{at_position(change.send.heard_at)} {_move(change)}")
        for change in depth.changes
    ]


def _move(change: SendChange) -> str:
    return f"{level(change.send.level_db)} → {level(change.after_db)} dB"
