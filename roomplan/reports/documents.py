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
    from collections.abc import Iterable, Mapping, Sequence

    from roomplan.acoustics.analysis import BandFigures, DecayFigures
    from roomplan.errors import Problem
    from roomplan.mixing.figures import BusFigures
    from roomplan.mixing.render import Rendering

__all__ = [
    "CAUTION",
    "CHECK_SCHEMA",
    "COMPARE_SCHEMA",
    "RENDER_SCHEMA",
    "Document",
    "band_entry",
    "check_document",
    "compare_document",
    "nominal",
    "problem_entry",
    "render_document",
    "rounded",
    "to_text",
]

RENDER_SCHEMA = "roomplan.render/1"
CHECK_SCHEMA = "roomplan.check/1"
COMPARE_SCHEMA = "roomplan.compare/1"
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
            "integrated_lufs": rounded(loudness.integrated_lufs, 3),
            "momentary_max_lufs": rounded(loudness.momentary_max_lufs, 3),
            "short_term_max_lufs": rounded(loudness.short_term_max_lufs, 3),
            "sample_peak_dbfs": rounded(figures.sample_peak_dbfs, 3),
        },
        "decay": decay,
        "wet_to_dry_db": rounded(figures.wet_to_dry_db, 3),
        "wet_onset_ms": None if figures.wet_onset_s is None else rounded(1000.0 * figures.wet_onset_s, 2),
        "tail_to_minus_40_s": rounded(figures.tail_to_minus_40_s, 4),
        "reasons": reasons,
    }


def _session_part(rendering: Rendering) -> Document:
    """Rooms, sends and buses: what render and check both say."""
    session = rendering.session
    ratios = {(s.section, s.send): s for s in rendering.sends}
    return {
        "plan": str(session.plan.source),
        "title": session.plan.title,
        "sample_rate": session.sample_rate,
        "frames": rendering.frames,
        "duration_s": round(rendering.frames / session.sample_rate, 4),
        "rooms": [
            {
                "name": name,
                "gain_db": rounded(room.gain_db, 3),
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
                "stems": [path.stem.name for path in section.stems],
                "sends": [
                    {
                        "room": send.room,
                        "position": send.position,
                        "level_db": rounded(send.level_db, 3),
                        "wiring": send.wiring,
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


def _buses(rendering: Rendering) -> list[Document]:
    outputs = {name: [o.file for o in group] for name, group in rendering.outputs.items()}
    return [_bus(bus, outputs.get(bus.name, [])) for bus in rendering.buses]


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
        **_session_part(rendering),
        "families": families,
        "files": [
            {"file": output.file, "bus": name, "samples_sha256": output.digest}
            for name, group in outputs.items()
            for output in group
        ],
        "buses": _buses(rendering),
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
        **_session_part(rendering),
        "buses": _buses(rendering),
        "warnings": [problem_entry(w) for w in rendering.warnings],
        "note": CAUTION,
    }


COMPARED = {
    "integrated_lu": ("loudness", "integrated_lufs"),
    "momentary_max_lu": ("loudness", "momentary_max_lufs"),
    "short_term_max_lu": ("loudness", "short_term_max_lufs"),
    "sample_peak_db": ("loudness", "sample_peak_dbfs"),
    "wet_to_dry_db": ("wet_to_dry_db",),
    "tail_to_minus_40_s": ("tail_to_minus_40_s",),
}


def _looked_up(bus: Mapping[str, Any] | None, path: tuple[str, ...]) -> float | None:
    value: Any = bus
    for key in path:
        value = None if value is None else value.get(key)
    return value


def compare_document(renderings: Sequence[tuple[str, Rendering]]) -> Document:
    """Buses of several plans (`roomplan.compare/1`), and their differences to the first plan."""
    plans = [{"plan": label, "title": r.session.plan.title, "buses": _buses(r)} for label, r in renderings]
    first = {bus["name"]: bus for bus in plans[0]["buses"]}
    differences = []
    for plan in plans[1:]:
        for bus in plan["buses"]:
            if bus["name"] not in first:
                continue
            entry: Document = {"plan": plan["plan"], "bus": bus["name"]}
            for key, path in COMPARED.items():
                ours, theirs = _looked_up(first[bus["name"]], path), _looked_up(bus, path)
                entry[key] = None if ours is None or theirs is None else round(theirs - ours, 4)
            differences.append(entry)
    return {
        "schema": COMPARE_SCHEMA,
        "roomplan": roomplan.__version__,
        "plans": plans,
        "differences": differences,
        "note": CAUTION,
    }
