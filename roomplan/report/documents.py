"""JSON documents of the commands: a versioned `schema` key, units in the keys, null where unsupported.

Conventions
-----------
Every document is a dict of plain values. `reasons` says why a figure is null; its keys are the figure's key,
for decay figures the path `decay.bands.CENTRE.KEY` or `decay.mid.KEY`. Values are rounded to what they mean:
levels to 0.001 dB, times to 0.1 ms.

Paths in the report of a delivery are relative to its folder. The report of a folder that holds several
deliveries has paths relative to that folder, `delivery` is null in it, and `files` of a bus maps each
delivery that writes it to its path there; `file` is that of the first. Where several deliveries lie apart, a
document about all of them has absolute paths.
"""

from __future__ import annotations

import json
import math
import re
from typing import TYPE_CHECKING, Any

from roomplan._version import __version__
from roomplan.cautions import LEVELS, MUSIC_ONLY
from roomplan.foreign_text import is_safe_to_show
from roomplan.report_file import REPORT_SCHEMA
from roomplan.session.output_files import is_complete
from roomplan.timecode import Timecode

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from roomplan.acoustics.analysis import BandFigures, DecayFigures
    from roomplan.errors import Problem
    from roomplan.loudness.gating import Loudness
    from roomplan.plan.model import Room, Seat, Section
    from roomplan.plan.updating import UpdatedFile
    from roomplan.rendering.bus_figures import BusFigures
    from roomplan.rendering.heard import Output
    from roomplan.rendering.passages import MarginOfBuses
    from roomplan.rendering.result import Rendering
    from roomplan.session.output_files import DeliveryTarget
    from roomplan.session.session import Session

__all__ = [
    "CHECK_SCHEMA",
    "Document",
    "band_entry",
    "check_document",
    "nominal",
    "problem_entry",
    "render_document",
    "rounded",
    "rounded_ms",
    "session_part",
    "sound_part",
    "to_text",
    "updated_entry",
]

CHECK_SCHEMA = "roomplan.check/3"

Document = dict[str, Any]


_MAYBE_UNSAFE = re.compile(r"[^\x00-\x7e]")  # JSON escapes the control codes below by itself


def to_text(document: Document) -> str:
    """Return the document as indented JSON with a final newline; never NaN.

    What could steer a terminal, and halves of a surrogate pair, are written as JSON's own escapes: the data
    are the same, and any program may print them.
    """
    text = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False)
    return _MAYBE_UNSAFE.sub(_escaped, text) + "\n"


def _escaped(found: re.Match[str]) -> str:
    letter = found.group()
    if is_safe_to_show(letter):
        return letter
    return f"\\u{ord(letter):04x}" if ord(letter) < 0x10000 else json.dumps(letter)[1:-1]


def rounded(value: float | None, digits: int) -> float | None:
    """Round a figure; None for None and for what is not finite."""
    return None if value is None or not math.isfinite(value) else round(float(value), digits)


def rounded_ms(seconds: float | None, digits: int) -> float | None:
    """Round a time to milliseconds and some digits."""
    return rounded(None if seconds is None else 1000.0 * seconds, digits)


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


def updated_entry(updated: UpdatedFile) -> Document:
    """A plan file whose old words were rewritten, as a document has it."""
    words = [{"line": word.place.line, "old": word.old, "new": word.new} for word in updated.words]
    return {"file": str(updated.file), "backup": str(updated.backup), "words": words}


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


def _bus(figures: BusFigures, files: Mapping[str, str]) -> Document:
    reasons = dict(figures.reasons)
    loudness = figures.loudness
    decay = _decay(figures.decay, reasons)
    return {
        "name": figures.name,
        "file": next(iter(files.values()), None),
        "files": dict(files),
        "loudness": {
            **_loudness(loudness),
            "true_peak_dbtp": rounded(figures.true_peak_dbtp, 3),
            "sample_peak_dbfs": rounded(figures.sample_peak_dbfs, 3),
        },
        "decay": decay,
        "wet_to_dry_db": rounded(figures.wet_to_dry_db, 3),
        "wet_arrival_ms": rounded_ms(figures.wet_onset_s, 2),
        "decay_to_minus_40_s": rounded(figures.decay_to_minus_40_s, 4),
        "late_correlation": rounded(figures.late_correlation, 4),
        "reasons": reasons,
    }


def session_part(rendering: Rendering) -> Document:
    """Rooms, sends and buses: what render and check both say."""
    session = rendering.session
    ratios = {(s.section, s.send): s for s in rendering.sends}
    return {
        "plan": str(session.plan.source),
        "title": session.plan.title,
        "cue": session.plan.cue,
        "version": session.plan.version,
        "start": _start(session),
        "excerpt": _excerpt(session),
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
                "gain_position": room.gain_position,
                "direct": session.plan.rooms[name].direct,
                "direct_found": room.direct_found,
                "late_correlation": rounded(room.late_correlation, 4),
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
                        "wet_arrival_ms": rounded(1000.0 * send.wet_onset_s, 2),
                        "wet_to_dry_db": rounded(ratios[section.name, index].wet_to_dry_db, 3),
                        "reason": ratios[section.name, index].reason,
                    }
                    for index, send in enumerate(section.sends)
                ],
            }
            for section in session.sections
        ],
    }


def stems_part(rendering: Rendering) -> Document:
    """What is in the files of the stems."""
    return {
        "stems": [
            {
                "section": one.section,
                "stem": one.stem,
                "file": str(one.path.absolute()),
                "from_s": rounded(one.start_s, 4),
                "duration_s": rounded(one.figures.duration_s, 4),
                "peak_dbfs": rounded(_decibels(one.figures.peak), 3),
                "loudest_400_ms_dbfs": rounded(one.figures.level_db, 3),
                "samples_at_limit": one.figures.at_limit,
                "offset": rounded(one.figures.offset, 7),
                "blake2b_160": one.digest,
            }
            for one in rendering.stems
        ]
    }


def _decibels(amplitude: float) -> float | None:
    return 20.0 * math.log10(amplitude) if amplitude > 0.0 else None


def _start(session: Session) -> Document | None:
    """Time of day of the cue's first frame."""
    if session.start_s is None:
        return None
    rate = session.plan.frame_rate
    return {
        "seconds": round(float(session.start_s), 9),
        "timecode": None if rate is None else str(Timecode.nearest(session.start_s, rate)),
        "frame_rate": None if rate is None else rate.name,
    }


def _excerpt(session: Session) -> Document | None:
    """The part of the cue that the files hold."""
    excerpt = session.excerpt
    if excerpt is None:
        return None
    return {
        "from_s": round(excerpt.start_frame / session.sample_rate, 6),
        "length_s": round(excerpt.frames / session.sample_rate, 6),
        "start_frame": excerpt.start_frame,
        "frames": excerpt.frames,
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
        "source": section.source,
    }


def _seat(seat: Seat) -> str:
    return f"{seat.distance_m:g} m, {seat.angle_deg:g}°, spread {seat.spread_m:g} m"


def sound_part(rendering: Rendering, target: DeliveryTarget | None = None) -> Document:
    """Figures of the sound: buses, margins, passages; with the files of a target, or of all."""
    files = {name: _bus_files(rendering, target, group) for name, group in rendering.outputs.items()}
    return {
        "buses": [_bus(bus, files.get(bus.name, {})) for bus in rendering.buses],
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
        "loudness_range_lu": rounded(loudness.loudness_range_lu, 3),
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


def _placed(rendering: Rendering, target: DeliveryTarget | None, owner: DeliveryTarget, file: str) -> str:
    """Path of a file of `owner` as the report of a target, or the one about all of them, has it."""
    if target is not None:
        return file
    return str(owner.folder / file) if rendering.folder is None else owner.prefix + file


def _bus_files(
    rendering: Rendering, target: DeliveryTarget | None, outputs: Sequence[Output]
) -> dict[str, str]:
    """Delivery → path of its first file of a bus."""
    owners = {owner.name: owner for owner in rendering.targets}
    files: dict[str, str] = {}
    for output in outputs:
        if target is None or output.delivery == target.name:
            owner = owners[output.delivery]
            files.setdefault(output.delivery, _placed(rendering, target, owner, output.file))
    return files


def _families(rendering: Rendering, target: DeliveryTarget | None, owner: DeliveryTarget) -> list[Document]:
    """Families that are complete in the delivery of `owner`."""
    written = {
        bus: [o.file for o in group if o.delivery == owner.name] for bus, group in rendering.outputs.items()
    }
    return [
        {
            "name": family.folder,
            "delivery": owner.name,
            "files": [
                _placed(
                    rendering,
                    target,
                    owner,
                    next(file for file in written[bus] if file.startswith(f"{family.folder}/")),
                )
                for bus in family.buses
            ],
            "buses": list(family.buses),
            "adds_up_to": _placed(rendering, target, owner, written[family.total][0]),
        }
        for family in rendering.families
        if is_complete(family, written)
    ]


def _file(
    rendering: Rendering, target: DeliveryTarget | None, owner: DeliveryTarget, bus: str, output: Output
) -> Document:
    return {
        "file": _placed(rendering, target, owner, output.file),
        "bus": bus,
        "delivery": output.delivery,
        "format": output.form.container,
        "bit_depth": output.form.bit_depth,
        "sample_rate": output.sample_rate,
        "frames": output.frames,
        "bytes": output.size,
        "time_reference": output.time_reference,
        "samples_sha256": output.digest,
    }


def _delivery(rendering: Rendering, target: DeliveryTarget) -> Document:
    delivery = target.delivery
    outputs = [o for group in rendering.outputs.values() for o in group if o.delivery == target.name]
    return {
        "name": target.name,
        "folder": str(target.folder),
        "format": delivery.container,
        "bit_depth": delivery.bit_depth,
        "sample_rate": outputs[0].sample_rate if outputs else delivery.sample_rate,
        "frames": outputs[0].frames if outputs else None,
        "write": list(delivery.write),
        "file_name": delivery.file_name,
        "files": len(outputs),
    }


def render_document(
    rendering: Rendering, target: DeliveryTarget | None = None, *, reproduce: Document | None = None
) -> Document:
    """Report of a render (`roomplan.render/3`): the content of a delivery's `report.json`.

    Parameters
    ----------
    target : DeliveryTarget, optional
        The delivery it is about; without one it is about all of them, see the module.
    reproduce : dict, optional
        What it takes to render the same again, stored as it is.
    """
    targets = rendering.targets if target is None else (target,)
    one = targets[0] if len(targets) == 1 and (target is not None or targets[0].within is None) else None
    return {
        "schema": REPORT_SCHEMA,
        "roomplan": __version__,
        "delivery": None if one is None else one.name,
        "deliveries": [_delivery(rendering, t) for t in targets],
        "plan_sha256": rendering.plan_sha256,
        **session_part(rendering),
        **stems_part(rendering),
        "families": [entry for t in targets for entry in _families(rendering, target, t)],
        "files": [
            _file(rendering, target, t, name, output)
            for t in targets
            for name, group in rendering.outputs.items()
            for output in group
            if output.delivery == t.name
        ],
        "left_over": [
            {
                "file": _placed(rendering, target, t, entry.file),
                "was": None if entry.was is None else _placed(rendering, target, t, entry.was),
                "delivery": t.name,
                "bus": entry.bus,
                "bytes": entry.size,
                "samples_sha256": entry.digest,
            }
            for t in targets
            for entry in rendering.left_over.get(t.name, ())
        ],
        **sound_part(rendering, target),
        "warnings": [problem_entry(w) for w in rendering.warnings],
        "note": MUSIC_ONLY,
        "hearing_note": LEVELS,
        **({} if reproduce is None else {"reproduce": reproduce}),
    }


def check_document(rendering: Rendering | None, problems: Iterable[Problem]) -> Document:
    """Result of a check (`roomplan.check/3`): problems, and the send matrix of a plan that opens."""
    refused = () if rendering is None else rendering.refused
    document: Document = {
        "schema": CHECK_SCHEMA,
        "roomplan": __version__,
        "problems": [problem_entry(p) for p in (*problems, *refused)],
    }
    if rendering is None:
        return document
    return document | {
        **session_part(rendering),
        **stems_part(rendering),
        **sound_part(rendering),
        "warnings": [problem_entry(w) for w in rendering.warnings],
        "note": MUSIC_ONLY,
    }
