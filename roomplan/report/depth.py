"""The depth of a plan as plain values: the `roomplan.depth/3` document.

Conventions
-----------
As in `documents`; why a figure is null is in `reasons` of its section.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan._version import __version__
from roomplan.cautions import MUSIC_ONLY
from roomplan.report.documents import Document, rounded, rounded_ms

if TYPE_CHECKING:
    from roomplan.depth.model import Depth, SeatFigures, SectionDepth
    from roomplan.plan.model import Plan

__all__ = ["DEPTH_SCHEMA", "LOCKED", "depth_document", "large_changes"]

DEPTH_SCHEMA = "roomplan.depth/3"

LOCKED = "locked: its sends stay as they are"

# Attribute of SeatFigures → key of the document
_KEYS = {
    "reverberation_time_s": "reverberation_time_mid_s",
    "direct_to_reverberant_db": "direct_to_reverberant_db",
    "clarity_db": "c80_db",
    "distance_m": "distance_m",
    "volume_m3": "volume_m3",
    "critical_distance_m": "critical_distance_m",
    "air_loss_db": "air_loss_db",
    "arrival_s": "arrival_ms",
    "pre_delay_s": "implied_pre_delay_ms",
    "directivity_index_db": "directivity_index_db",
}


def large_changes(depth: Depth) -> list[str]:
    """Changes that are too large to be written without listening, one a line."""
    way = "listen before you write it" if depth.amount is None else "listen first, or ask for less: --amount"
    return [
        f"{one.section}: {one.after_db - one.send.level_db:+.1f} dB".replace("-", "−")
        + f" of send to {one.room} is a large change; {way}"
        for one in depth.large_changes
    ]


def depth_document(depth: Depth, plan: Plan, *, written: str | None = None) -> Document:
    """Depth of a plan (`roomplan.depth/3`).

    Parameters
    ----------
    written : str, optional
        Where the old plan is kept, when the proposed sends were written.
    """
    return {
        "schema": DEPTH_SCHEMA,
        "roomplan": __version__,
        "plan": str(plan.source),
        "title": plan.title,
        "mode": depth.mode,
        "reference_sections": depth.reference_sections,
        "amount": depth.amount,
        "sections": [_section_entry(found) for found in depth.sections],
        "notes": [
            *(found.place.note for found in depth.sections if found.place.note is not None),
            *depth.notes,
            *large_changes(depth),
        ],
        "written": None if written is None else str(written),
        "note": MUSIC_ONLY,
    }


def _section_entry(found: SectionDepth) -> Document:
    place, figures = found.place, found.place.figures
    seat = place.seat
    reasons = {} if figures is None else {_KEYS[name]: why for name, why in figures.reasons.items()}
    if place.obstacle is not None:
        reasons["proposed"] = place.obstacle
    elif place.locked:
        reasons["proposed"] = LOCKED
    return {
        "section": place.section,
        "room": place.room,
        "source": None if figures is None else figures.source,
        "seat": None if seat is None else {"distance_m": seat.distance_m, "angle_deg": seat.angle_deg},
        **{key: None if figures is None else _entry(figures, name) for name, key in _KEYS.items()},
        "arrival_delay_ms": rounded_ms(found.arrival_delay_s, 2),
        "wet_to_dry_db": rounded(place.wet_to_dry_db, 3),
        "wanted_wet_to_dry_db": rounded(found.wanted_db, 3),
        "sends": [
            {
                "position": send.heard_at,
                "level_db": send.level_db,
                "proposed_db": None if found.proposed_db is None else found.proposed_db[index],
            }
            for index, send in enumerate(place.sends)
        ],
        "reasons": reasons,
    }


def _entry(figures: SeatFigures, name: str) -> float | None:
    value = getattr(figures, name)
    return rounded_ms(value, 2) if _KEYS[name].endswith("_ms") else rounded(value, 4)
