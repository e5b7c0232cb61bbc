"""What `new` found in a folder of stems, as plain values: the `roomplan.new/1` document.

Conventions
-----------
A row for every file, in the order of the plan; those left out at the end. What is not sure says why.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from roomplan._version import __version__
from roomplan.cautions import MUSIC_ONLY
from roomplan.drafting.filling import Filling

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from roomplan.drafting.listening import StemFile
    from roomplan.drafting.proposal import Proposal, ProposedSection, ProposedSend
    from roomplan.report.documents import Document

__all__ = ["NEW_SCHEMA", "DraftRow", "all_sends", "draft_document", "draft_rows", "proposed_sections"]

NEW_SCHEMA = "roomplan.new/1"


@dataclass(frozen=True, slots=True)
class DraftRow:
    """A file in the table; `section` is None where it is left out, `proposed` where the template has it."""

    file: StemFile
    section: str | None
    proposed: ProposedSection | None
    sends: Mapping[str, ProposedSend]
    sure: bool
    why: str


def proposed_sections(draft: Proposal | Filling) -> tuple[ProposedSection, ...]:
    """Sections that were proposed, and not taken from a template."""
    return draft.added if isinstance(draft, Filling) else draft.sections


def draft_rows(draft: Proposal | Filling) -> list[DraftRow]:
    """One row for every file, in the order of the plan; those left out at the end."""
    rows: list[DraftRow] = []
    if isinstance(draft, Filling):
        for section, files in draft.filled.items():
            sure = section not in draft.by_name
            why = "template" if sure else "its name: the template's patterns fit none"
            rows += [DraftRow(file, section, None, {}, sure=sure, why=why) for file in files]
    for section in proposed_sections(draft):
        sends = all_sends(draft, section)
        why = section.why + (f"; or {section.alternative}" if section.alternative else "")
        rows += [
            DraftRow(file, section.name, section, sends, sure=section.sure, why=why) for file in section.files
        ]
    return rows + [
        DraftRow(left.file, None, None, {}, sure=left.sure, why=left.why) for left in draft.left_out
    ]


def all_sends(draft: Proposal | Filling, section: ProposedSection) -> dict[str, ProposedSend]:
    """Sends of a section with its group's and the shared ones."""
    if isinstance(draft, Filling):
        return dict(section.sends)
    group = next((group.sends for group in draft.groups if group.name == section.group), {})
    return {**draft.shared_sends, **group, **section.sends}


def draft_document(draft: Proposal | Filling, plan: Path) -> Document:
    """What was found, as `roomplan.new/1`."""
    files = []
    for row in draft_rows(draft):
        file = row.file
        files.append(
            {
                "file": file.name,
                "section": row.section,
                "sure": row.sure,
                "why": row.why,
                "channels": file.channels or None,
                "sample_rate": file.sample_rate or None,
                "duration_s": round(file.duration_s, 3) if file.channels else None,
                "loudness_lufs": None if file.loudness_lufs is None else round(file.loudness_lufs, 2),
                "peak_dbfs": None if file.peak_dbfs is None else round(file.peak_dbfs, 2),
                "sounds_s": None if file.sounds_s is None else [round(at, 2) for at in file.sounds_s],
            }
        )
    sections = [
        {
            "section": section.name,
            "group": section.group,
            "distance_m": None if section.seat is None else section.seat.distance_m,
            "angle_deg": None if section.seat is None else section.seat.angle_deg,
            "source": section.source,
            "sends": {room: send.level_db for room, send in all_sends(draft, section).items()},
            "sure": section.sure,
            "why": section.why,
            "alternative": section.alternative,
            "remarks": list(section.remarks),
        }
        for section in proposed_sections(draft)
    ]
    document: Document = {
        "schema": NEW_SCHEMA,
        "roomplan": __version__,
        "version": __version__,
        "plan": str(plan),
        "title": draft.title,
        "cue": draft.facts.cue,
        "frame_rate": None if draft.facts.frame_rate is None else draft.facts.frame_rate.name,
        "start": None if draft.facts.start is None else str(draft.facts.start),
        "files": files,
        "sections": sections,
        "remarks": [*draft.remarks, *draft.facts.remarks],
        "note": MUSIC_ONLY,
    }
    if isinstance(draft, Filling):
        document["template"] = str(draft.base)
        document["without_stems"] = list(draft.missing)
    return document
