"""What a page shows of a plan and computes with, as plain values: the `roomplan.page/1` document.

Conventions
-----------
A component is one signal at its written level: the dry of a section (`room` null) or one of its sends. Places
in lists count from 0. Arrays of numbers are base64 of float32, little-endian, rows one behind the other.

`powers` is the factor U of every step of 100 ms, G = UᵀU, upper triangle row by row, over all components
(`loudness.merged_powers`): the power of a step in a bus with gains g is |U g|². A passage has a factor of its
own where it does not begin and end on a step, as its figures are those of its own hops.

The forms of a section (`clarity`, `decay`) are those of `balance.section_forms`, and `measured` is what the
full measurement says as written.

What is measured is not rounded here: the page computes with it.
"""

from __future__ import annotations

import base64
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from roomplan._version import __version__
from roomplan.balance.section_forms import FRAME_S
from roomplan.cautions import LEVELS, MUSIC_ONLY
from roomplan.loudness.margins import passage_hops
from roomplan.loudness.merged_powers import STEP_HOPS, merged_factor
from roomplan.plan.bus_name import BusName
from roomplan.session.buses import build_components

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from roomplan.balance.record import Record
    from roomplan.balance.section_forms import SectionForms
    from roomplan.balance.verifying import TargetResult
    from roomplan.plan.model import Alternate, Room, Send
    from roomplan.rendering.passage_sound import PassageSound
    from roomplan.rendering.result import Rendering
    from roomplan.report.documents import Document
    from roomplan.session.session import SectionSource, Session

__all__ = ["PAGE_SCHEMA", "SHARE_SCHEMA", "PageContent", "page_document", "share_document"]

PAGE_SCHEMA = "roomplan.page/1"
SHARE_SCHEMA = "roomplan.share/1"


@dataclass(frozen=True, eq=False)
class PageContent:
    """Everything a page is made of; `forms` by section, `sound` None where there is none to play."""

    rendering: Rendering
    results: Sequence[TargetResult]
    record: Record
    forms: Mapping[str, SectionForms | None]
    sound: PassageSound | None


def page_document(content: PageContent) -> Document:
    """Return a page's document; the samples of its sound travel beside it."""
    session = content.rendering.session
    plan = session.plan
    rate = session.sample_rate
    return {
        "schema": PAGE_SCHEMA,
        "roomplan": __version__,
        "note": MUSIC_ONLY,
        "hearing_note": LEVELS,
        "plan": plan.source.name,
        "title": plan.title,
        "cue": plan.cue,
        "version": plan.version,
        "sample_rate": rate,
        "duration_s": content.rendering.frames / rate,
        "sections": [_section_entry(content, section) for section in session.sections],
        "groups": _groups(session),
        "rooms": [_room_entry(content, room) for room in plan.rooms.values() if room.name in session.rooms],
        "components": _components(session),
        "alternates": [_alternate_entry(one) for one in plan.alternates.values()],
        "margins": [{"of": m.of, "over": m.over, "band": m.band} for m in plan.margins],
        "targets": [_target_entry(result) for result in content.results],
        "deliveries": [
            {"name": one.name, "write": list(one.write), "format": f"{one.container} {one.bit_depth}"}
            for one in plan.deliveries.values()
        ],
        "mix": _mix_entry(content.rendering),
        "powers": _powers(content.record, session, slice(0, content.record.hops)),
        "passages": _passages(content, session),
        "sound": None if content.sound is None else _sound_entry(content.sound, rate),
    }


def share_document(file: str, size_bytes: int, sound: PassageSound, sample_rate: int) -> Document:
    """Return what was written, for `share --json`."""
    return {
        "schema": SHARE_SCHEMA,
        "roomplan": __version__,
        "note": MUSIC_ONLY,
        "hearing_note": LEVELS,
        "file": file,
        "size_bytes": size_bytes,
        "coding": sound.coding,
        "from_s": sound.start_frame / sample_rate,
        "length_s": sound.frames / sample_rate,
    }


def _section_entry(content: PageContent, source: SectionSource) -> Document:
    section = content.rendering.session.plan.sections[source.name]
    seat = source.seat
    forms = content.forms[source.name]
    return {
        "name": source.name,
        "group": source.group,
        "level_db": section.level_db,
        "dry_db": section.dry_db,
        "mute": source.muted,
        "seat": None if seat is None else {"distance_m": seat.distance_m, "angle_deg": seat.angle_deg},
        "wet_onset_s": min((send.wet_onset_s for send in source.sends), default=None),
        "measured": _measured(content.rendering, BusName.of_section(source.name)),
        "clarity": [] if forms is None else _clarity(forms),
        "decay": None if forms is None else _decay(forms),
    }


def _measured(rendering: Rendering, name: str) -> Document:
    bus = rendering.bus(name)
    mid = None if bus.decay is None else bus.decay.mid
    return {
        "c80_db": None if mid is None else mid.c80_db,
        "decay_to_minus_40_s": bus.decay_to_minus_40_s,
        "true_peak_dbtp": bus.true_peak_dbtp,
        "reasons": dict(bus.reasons) | ({} if mid is None else dict(mid.reasons)),
    }


def _clarity(forms: SectionForms) -> list[Document]:
    return [
        {
            "centre_hz": one.centre_hz,
            "early_50": one.early_50.tolist(),
            "early_80": one.early_80.tolist(),
            "total": one.total.tolist(),
            "moment": one.moment.tolist(),
            "meeting": one.meeting.tolist(),
            "impulse": one.impulse,
        }
        for one in forms.octaves
    ]


def _decay(forms: SectionForms) -> Document:
    decay = forms.decay
    return {
        "frame_s": FRAME_S,
        "frames": decay.products.shape[1],
        "products": _base64(decay.products),
        "meeting": decay.meeting.tolist(),
        "impulse": decay.impulse,
    }


def _groups(session: Session) -> list[Document]:
    present = {section.name for section in session.sections}
    return [
        {"name": group.name, "sections": [name for name in group.sections if name in present]}
        for group in session.plan.groups.values()
    ]


def _room_entry(content: PageContent, room: Room) -> Document:
    decay = content.rendering.bus(BusName.of_room(room.name)).decay
    mid = None if decay is None else decay.mid
    return {
        "name": room.name,
        "level_db": room.level_db,
        "mute": room.mute,
        "edt_s": None if mid is None else mid.edt_s,
        "t30_s": None if mid is None else mid.t30_s,
    }


def _components(session: Session) -> list[Document]:
    plan = session.plan
    own = plan.place.file
    sharing: dict[object, list[str]] = {}
    for name, section in plan.sections.items():
        for send in section.sends:
            sharing.setdefault(send.place, []).append(name)
    found = []
    for component in build_components(session):
        section = plan.sections[component.section]
        if component.send is None:
            found.append({"section": component.section, "room": None, "position": None, "send": None})
            continue
        send = section.sends[component.send]
        found.append(
            {
                "section": component.section,
                "room": component.room,
                "position": component.position,
                "send": {
                    "level_db": send.level_db,
                    "shared_with": [name for name in sharing[send.place] if name != section.name],
                    "inherited_from": None if send.place.file == own else send.place.file.name,
                    "also": _written_beside(send),
                },
            }
        )
    return found


def _written_beside(send: Send) -> Document:
    """Keys of a send beside its level, as a plan has them; whoever writes it anew writes them too."""
    cuts = {"low_cut": send.low_cut_hz, "high_cut": send.high_cut_hz}
    found: Document = {} if send.position is None else {"position": send.position}
    if send.pre_delay_s is not None:
        found["pre_delay"] = round(1000.0 * send.pre_delay_s, 6)
    return found | {key: cut or "off" for key, cut in cuts.items() if cut is not None}


def _alternate_entry(alternate: Alternate) -> Document:
    return {
        "name": alternate.name,
        "changes": [
            {
                "section": name,
                "level_db": change.level_db,
                "mute": change.mute,
                "dry_db": change.dry_db,
                "sends": [{"room": room, "level_db": level} for room, level in change.sends.items()],
            }
            for name, change in alternate.changes.items()
        ],
    }


def _target_entry(result: TargetResult) -> Document:
    target = result.target
    return {
        "kind": target.kind,
        "sense": target.wish.sense,
        "unit": target.wish.unit,
        "of": target.of,
        "over": target.over,
        "room": target.room,
        "band": target.band,
        "passage": target.passage,
        "wanted": target.value,
        "tolerance": target.tolerance,
        "written": {"value": result.value, "met": result.met, "reason": result.reason},
    }


def _mix_entry(rendering: Rendering) -> Document:
    bus = rendering.bus("mix")
    return {"true_peak_dbtp": bus.true_peak_dbtp, "reasons": dict(bus.reasons)}


def _passages(content: PageContent, session: Session) -> list[Document]:
    hops = content.record.hops
    found = []
    for passage in session.plan.passages.values():
        span = passage_hops(passage.start_s, passage.end_s, hops)
        aligned = span.start % STEP_HOPS == 0 and (span.stop % STEP_HOPS == 0 or span.stop == hops)
        entry: Document = {"name": passage.name, "start_s": passage.start_s, "end_s": passage.end_s}
        entry["first_step"] = span.start // STEP_HOPS if aligned else None
        entry["hops"] = span.stop - span.start
        entry["powers"] = None if aligned else _powers(content.record, session, span)
        found.append(entry)
    return found


def _powers(record: Record, session: Session, span: slice) -> Document:
    gains = _written_gains(record, session)

    def packed(factor: NDArray[np.float32]) -> str:
        return _base64(merged_factor(factor[span], record.order, gains))

    return {
        "hops": span.stop - span.start,
        "factor": packed(record.factor),
        "speech_band": None if record.speech_band is None else packed(record.speech_band),
    }


def _written_gains(record: Record, session: Session) -> NDArray[np.float64]:
    """Gain of each component as written against what was metered, muted ones at the level they would have."""
    gains = []
    for component in record.components:
        section, send = session.section(component.section), component.send
        gains.append(section.dry_gain or 0.0 if send is None else section.sends[send].gain)
    return np.array(gains) / record.stored


def _sound_entry(sound: PassageSound, sample_rate: int) -> Document:
    return {
        "coding": sound.coding,
        "start_s": sound.start_frame / sample_rate,
        "frames": sound.frames,
        "components": [
            None if one is None else {"channels": one.channels, "scale": one.scale}
            for one in sound.components
        ],
    }


def _base64(values: NDArray[np.float32]) -> str:
    return base64.b64encode(np.ascontiguousarray(values, dtype="<f4").tobytes()).decode("ascii")
