"""JSON documents of the commands: a versioned `schema` key, units in the keys, null where unsupported.

Conventions
-----------
Every document is a dict of plain values. `reasons` says why a figure is null; its keys are the figure's key,
for decay figures the path `decay.bands.CENTRE.KEY` or `decay.mid.KEY`. Values are rounded to what they mean:
levels to 0.001 dB, times to 0.1 ms.
"""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any

import roomplan

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from roomplan.acoustics.analysis import BandFigures, DecayFigures
    from roomplan.errors import Problem
    from roomplan.loudness.gating import Loudness
    from roomplan.mixing.figures import BusFigures
    from roomplan.mixing.passages import MarginOfBuses
    from roomplan.mixing.render import Rendering
    from roomplan.plan.model import Room, Seat, Section

__all__ = [
    "CAUTION",
    "CHECK_SCHEMA",
    "RENDER_SCHEMA",
    "Document",
    "band_entry",
    "check_document",
    "nominal",
    "problem_entry",
    "render_document",
    "rounded",
    "session_part",
    "sound_part",
    "to_text",
]

RENDER_SCHEMA = "roomplan.render/1"
CHECK_SCHEMA = "roomplan.check/1"
CAUTION = "for music production; not for voice-alarm or building-code assessment"

Document = dict[str, Any]


def to_text(document: Document) -> str:
    """Return the document as indented JSON with a final newline; never NaN."""
    return json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def rounded(value: float | None, digits: int) -> float | None:
    """Round a figure; None for None and for what is not finite."""
    return None if value is None or not math.isfinite(value) else round(float(value), digits)


def problem_entry(problem: Problem) -> Document:
    """Return a problem or warning as a dict with its place."""
    place = problem.place
    return {
        "file": str(place.file) if place else None,
        "line": place.line if place else None,
        "column": place.column if place else None,
        "what": problem.what,
        "remedy": problem.remedy,
    }


def band_entry(figures: BandFigures, *, with_centre: bool) -> Document:
    """Decay and energy figures of a band, as every document has them."""
    entry: Document = {"centre_hz": nominal(figures.centre_hz)} if with_centre else {}
    entry |= {
        "edt_s": rounded(figures.edt_s, 4),
        "t20_s": rounded(figures.t20_s, 4),
        "t30_s": rounded(figures.t30_s, 4),
        "c80_db": rounded(figures.c80_db, 3),
        "d50": rounded(figures.d50, 4),
        "centre_time_s": rounded(figures.centre_time_s, 5),
    }
    return entry


def nominal(centre_hz: float | None) -> float | int | None:
    """Mid-band frequency without a fraction it does not have."""
    return int(centre_hz) if centre_hz is not None and float(centre_hz).is_integer() else centre_hz


def _decay(decay: DecayFigures | None, reasons: dict[str, str]) -> Document | None:
    if decay is None:
        return None
    for band in decay.bands:
        reasons.update({f"decay.bands.{nominal(band.centre_hz)}.{k}": v for k, v in band.reasons.items()})
    reasons.update({f"decay.mid.{k}": v for k, v in decay.mid.reasons.items()})
    return {
        "bands": [band_entry(band, with_centre=True) for band in decay.bands],
        "mid": band_entry(decay.mid, with_centre=False),
    }


def _bus(figures: BusFigures, files: Sequence[str]) -> Document:
    reasons = dict(figures.reasons)
    loudness = figures.loudness
    decay = _decay(figures.decay, reasons)
    return {
        "name": figures.name,
        "file": files[0] if files else None,
        "loudness": {
            **_loudness(loudness),
            "true_peak_dbtp": rounded(figures.true_peak_dbtp, 3),
            "sample_peak_dbfs": rounded(figures.sample_peak_dbfs, 3),
        },
        "decay": decay,
        "wet_to_dry_db": rounded(figures.wet_to_dry_db, 3),
        "wet_onset_ms": None if figures.wet_onset_s is None else rounded(1000.0 * figures.wet_onset_s, 2),
        "tail_to_minus_40_s": rounded(figures.tail_to_minus_40_s, 4),
        "reasons": reasons,
    }


def session_part(rendering: Rendering) -> Document:
    """Rooms, sends and buses: what render and check both say."""
    session = rendering.session
    ratios = {(s.section, s.send): s for s in rendering.sends}
    return {
        "plan": str(session.plan.source),
        "title": session.plan.title,
        "sample_rate": session.sample_rate,
        "frames": rendering.frames,
        "duration_s": round(rendering.frames / session.sample_rate, 4),
        "trim_db": rounded(session.plan.trim_db, 3),
        "rooms": [
            {
                "name": name,
                "source": _source(session.plan.rooms[name]),
                "gain_db": rounded(room.gain_db, 3),
                "level_db": rounded(session.plan.rooms[name].level_db, 3),
                "muted": session.plan.rooms[name].mute,
                "width": rounded(100.0 * session.plan.rooms[name].width, 2),
                "decay_scale": session.plan.rooms[name].decay_scale,
                "reverberation_time_s": session.plan.rooms[name].reverberation_time_s,
                "normalise": session.plan.rooms[name].normalise,
                "reference": room.reference,
                "direct": session.plan.rooms[name].direct,
                "direct_found": room.direct_found,
            }
            for name, room in session.rooms.items()
        ],
        "sections": [
            {
                "name": section.name,
                "group": section.group,
                "muted": section.muted,
                **_section_levels(session.plan.sections[section.name]),
                "stems": [path.stem.name for path in section.stems],
                "sends": [
                    {
                        "room": send.room,
                        "position": send.position,
                        "level_db": rounded(send.level_db, 3),
                        "wiring": send.wiring,
                        "pre_delay_ms": rounded(1000.0 * send.pre_delay_s, 3),
                        "low_cut_hz": send.low_cut_hz or None,
                        "high_cut_hz": send.high_cut_hz or None,
                        "wet_onset_ms": rounded(1000.0 * send.wet_onset_s, 2),
                        "wet_to_dry_db": rounded(ratios[section.name, index].wet_to_dry_db, 3),
                        "reason": ratios[section.name, index].reason,
                    }
                    for index, send in enumerate(section.sends)
                ],
            }
            for section in session.sections
        ],
    }


def _source(room: Room) -> str | list[str]:
    """Where a room's responses come from: a bundled name, a room file, or response files."""
    if room.synthetic is not None:
        return str(room.synthetic)
    return [str(file) for position in (room.responses or {}).values() for file in position.files]


def _section_levels(section: Section) -> Document:
    """What a plan says of a section's level and place."""
    seat = section.seat
    return {
        "level_db": rounded(section.level_db, 3),
        "dry_db": rounded(section.dry_db, 3),
        "delay_ms": rounded(1000.0 * section.delay_s, 3),
        "pan": section.pan,
        "width": rounded(100.0 * section.width, 2),
        "seat": None if seat is None else _seat(seat),
    }


def _seat(seat: Seat) -> str:
    return f"{seat.distance_m:g} m, {seat.angle_deg:g}°, spread {seat.spread_m:g} m"


def sound_part(rendering: Rendering) -> Document:
    """Figures of the sound: buses, margins, passages."""
    outputs = {name: [o.file for o in group] for name, group in rendering.outputs.items()}
    return {
        "buses": [_bus(bus, outputs.get(bus.name, [])) for bus in rendering.buses],
        "margins": [_margin(found) for found in rendering.margins],
        "passages": [
            {
                "passage": found.passage.name,
                "bus": found.bus,
                "loudness": _loudness(found.loudness),
                "reasons": dict(found.loudness.reasons),
            }
            for found in rendering.passages
        ],
        "answered_from": "matrix" if rendering.recalled else "sound",
    }


def _loudness(loudness: Loudness) -> Document:
    return {
        "integrated_lufs": rounded(loudness.integrated_lufs, 3),
        "momentary_max_lufs": rounded(loudness.momentary_max_lufs, 3),
        "short_term_max_lufs": rounded(loudness.short_term_max_lufs, 3),
        "range_lu": rounded(loudness.range_lu, 3),
    }


def _margin(found: MarginOfBuses) -> Document:
    margin, figure = found.margin, found.figure
    return {
        "of": margin.of,
        "over": margin.over,
        "band": margin.band,
        "passage": found.passage,
        "margin_db": rounded(figure.margin_db, 3),
        "median_db": rounded(figure.median_db, 3),
        "share_above": rounded(figure.share_above, 4),
        "reason": figure.reason,
    }


def render_document(rendering: Rendering) -> Document:
    """Report of a render (`roomplan.render/1`): also the content of `report.json`."""
    outputs = rendering.outputs
    families = []
    for family in rendering.families:
        files = [
            next(o.file for o in outputs[bus] if o.file.startswith(f"{family.folder}/"))
            for bus in family.buses
        ]
        total = next(o.file for o in outputs[family.total])
        families.append(
            {"name": family.folder, "files": files, "buses": list(family.buses), "adds_up_to": total}
        )
    return {
        "schema": RENDER_SCHEMA,
        "roomplan": roomplan.__version__,
        **session_part(rendering),
        "families": families,
        "files": [
            {"file": output.file, "bus": name, "samples_sha256": output.digest}
            for name, group in outputs.items()
            for output in group
        ],
        **sound_part(rendering),
        "warnings": [problem_entry(w) for w in rendering.warnings],
        "note": CAUTION,
    }


def check_document(rendering: Rendering | None, problems: Iterable[Problem]) -> Document:
    """Result of a check (`roomplan.check/1`): problems, or the send matrix with figures."""
    document: Document = {
        "schema": CHECK_SCHEMA,
        "roomplan": roomplan.__version__,
        "problems": [problem_entry(p) for p in problems],
    }
    if rendering is None:
        return document
    return document | {
        **session_part(rendering),
        **sound_part(rendering),
        "warnings": [problem_entry(w) for w in rendering.warnings],
        "note": CAUTION,
    }
