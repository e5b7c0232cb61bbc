"""JSON schemas (draft 2020-12) of the documents that the commands print and renders leave behind.

Conventions
-----------
A document may gain keys without a new version, so a schema forbids none. Every key listed is always there,
unless its description says when. A figure that the data cannot support is null. Units are in the names of
keys.

Notes
-----
Tests hold real documents against these, with every key that is not listed forbidden.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, get_args

from roomplan.acoustics.doubt import Verdict
from roomplan.acoustics.figures import FIGURES
from roomplan.cli.cache import CACHE_SCHEMA
from roomplan.cli.new import NEW_SCHEMA
from roomplan.plan import model
from roomplan.plan.schema import DIALECT
from roomplan.plan.targets import WISHES
from roomplan.report.balance import BALANCE_SCHEMA
from roomplan.report.comparison import COMPARE_MANY_SCHEMA, COMPARE_SCHEMA
from roomplan.report.depth import DEPTH_SCHEMA
from roomplan.report.documents import CHECK_SCHEMA
from roomplan.report.loudness import LOUDNESS_SCHEMA
from roomplan.report.measurements import MEASURE_SCHEMA
from roomplan.report.reproduction import REPRODUCTION_CHECK_SCHEMA
from roomplan.report.rooms import RESPONSE_SCHEMA, ROOM_SCHEMA, ROOMS_SCHEMA
from roomplan.report.summary import RENDER_MANY_SCHEMA
from roomplan.report_file import REPORT_SCHEMA

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["DOCUMENTS", "document_schema"]

Schema = dict[str, Any]


# The kinds of values ------------------------------------------------------------------------------------


def _described(schema: Schema, description: str) -> Schema:
    return {**schema, "description": description} if description else schema


def _figure(description: str = "") -> Schema:
    """Return the schema of a measured or derived number, null where there is none."""
    return _described({"type": ["number", "null"]}, description)


def _number(description: str = "") -> Schema:
    return _described({"type": "number"}, description)


def _count(description: str = "") -> Schema:
    return _described({"type": "integer", "minimum": 0}, description)


def _count_or_none(description: str = "") -> Schema:
    return _described({"type": ["integer", "null"]}, description)


def _text(description: str = "") -> Schema:
    return _described({"type": "string"}, description)


def _text_or_none(description: str = "") -> Schema:
    return _described({"type": ["string", "null"]}, description)


def _truth(description: str = "") -> Schema:
    return _described({"type": "boolean"}, description)


def _one_of(words: tuple[Any, ...], description: str = "") -> Schema:
    return _described({"enum": list(words)}, description)


def _list(items: Schema, description: str = "") -> Schema:
    return _described({"type": "array", "items": items}, description)


def _map(values: Schema, description: str = "") -> Schema:
    """Return the schema of a mapping whose keys are names."""
    return _described({"type": "object", "additionalProperties": values}, description)


def _or_none(schema: Schema, description: str = "") -> Schema:
    return _described({"anyOf": [schema, {"type": "null"}]}, description)


def _object(
    properties: Mapping[str, Schema], description: str = "", *, sometimes: Mapping[str, Schema] | None = None
) -> Schema:
    """Return the schema of a mapping with known keys, of which some are only there at times."""
    schema: Schema = {"type": "object", "properties": {**properties, **(sometimes or {})}}
    return _described({**schema, "required": list(properties)}, description)


# Parts that several documents have ----------------------------------------------------------------------

_REASONS = _map(_text(), "Figure → why it is null; of a decay figure its path.")
_WARNING = _object(
    {
        "file": _text_or_none(),
        "line": _count_or_none(),
        "column": _count_or_none(),
        "what": _text("What is wrong."),
        "remedy": _text_or_none("What would be right."),
    }
)
_WARNINGS = _list(_WARNING, "What was warned of.")
_NOTE = {"note": _text("What the figures are not for.")}
_HEARING_NOTE = {"hearing_note": _text("Hearing caution.")}

_LOUDNESS = {
    "integrated_lufs": _figure("Integrated loudness, both gates."),
    "momentary_max_lufs": _figure("Momentary maximum, 400 ms."),
    "short_term_max_lufs": _figure("Short-term maximum, 3 s."),
    "loudness_range_lu": _figure("Loudness range (LRA)."),
}
_PEAKS = {"true_peak_dbtp": _figure("True peak."), "sample_peak_dbfs": _figure("Sample peak.")}

_BAND = {
    "edt_s": _figure("Early decay time."),
    "t20_s": _figure(),
    "t30_s": _figure(),
    "c80_db": _figure("Clarity."),
    "d50": _figure("Definition, 0 to 1."),
    "centre_time_s": _figure(),
}
_CENTRE = {"centre_hz": _number("Nominal mid-band frequency.")}
_DECAY = _object(
    {
        "bands": _list(_object({**_CENTRE, **_BAND})),
        "mid": _object(_BAND, "Mean of the 500 and 1000 Hz octaves."),
    },
    "EDT, T20 and T30 of a section come from its wet sound alone; the others include its dry sound.",
)
_BUS = _object(
    {
        "name": _text("Such as `mix`, `section:choir` or `room:orrin_nave`."),
        "file": _text_or_none("Its file in the first delivery that has it; null if it was not written."),
        "files": _map(_text(), "Delivery → file."),
        "loudness": _object({**_LOUDNESS, **_PEAKS}),
        "decay": _or_none(_DECAY),
        "wet_to_dry_db": _figure("What the rooms return against the dry sound."),
        "wet_arrival_ms": _figure("Wet arrival: the first sound of a room after the dry sound."),
        "decay_to_minus_40_s": _figure("How long it rings until it is 40 dB under a hit."),
        "reasons": _REASONS,
    }
)
_MARGIN = _object(
    {
        "of": _text(),
        "over": _text(),
        "band": _one_of(get_args(model.Band)),
        "passage": _text_or_none("Null for the whole cue."),
        "margin_db": _figure("10th percentile of the difference while `of` sounds."),
        "median_db": _figure(),
        "share_above": _figure("Share of the time, 0 to 1, in which `of` is above."),
        "reason": _text_or_none("Why the figures are null."),
    }
)
_PASSAGE = _object({"passage": _text(), "bus": _text(), "loudness": _object(_LOUDNESS), "reasons": _REASONS})
_EXCERPT = _or_none(
    _object({"from_s": _number(), "length_s": _number(), "start_frame": _count(), "frames": _count()}),
    "The part of the cue; null for the whole.",
)
_START = _or_none(
    _object(
        {
            "seconds": _number("After midnight."),
            "timecode": _text_or_none("Null without a frame rate."),
            "frame_rate": _text_or_none(),
        }
    ),
    "Time of day of the cue's first frame.",
)
_ROOM_AS_USED = _object(
    {
        "name": _text(),
        "source": {
            "anyOf": [_text(), _list(_text())],
            "description": "A bundled room, a room file, or response files.",
        },
        "gain_db": _figure("Makes 0 dB of send return as loud as it went in."),
        "level_db": _number("Level of the return."),
        "muted": _truth(),
        "width": _number("Of the return, %."),
        "decay_scale": _figure(),
        "reverberation_time_s": _figure("As the plan asks for it."),
        "normalise": _one_of(get_args(model.Normalise)),
        "gain_position": _text_or_none(),
        "direct": _one_of(get_args(model.Direct)),
        "direct_found": _truth("Whether a direct sound was found in the response."),
    }
)
_SEND = _object(
    {
        "room": _text(),
        "position": _text_or_none(),
        "level_db": _number(),
        "wiring": _text(),
        "pre_delay_ms": _number(),
        "low_cut_hz": _figure("Null: off."),
        "high_cut_hz": _figure("Null: off."),
        "wet_arrival_ms": _figure("Wet arrival after the dry sound."),
        "wet_to_dry_db": _figure("What this send returns against the section's dry sound."),
        "reason": _text_or_none("Why wet-to-dry is null."),
    }
)
_SECTION = _object(
    {
        "name": _text(),
        "group": _text_or_none(),
        "muted": _truth(),
        "level_db": _number(),
        "dry_db": _figure("Null: off."),
        "delay_ms": _number(),
        "pan": _figure("−100 left to 100 right; null where the plan has none."),
        "width": _number("%."),
        "seat": _text_or_none("In words."),
        "stems": _list(_text()),
        "sends": _list(_SEND),
    }
)
_STEM_FILE = _object(
    {
        "section": _text(),
        "stem": _text(),
        "file": _text(),
        "from_s": _number("Where it begins in the cue."),
        "duration_s": _number(),
        "peak_dbfs": _figure(),
        "loudest_400_ms_dbfs": _figure(),
        "samples_at_limit": _count("Samples at the extreme of full scale: clipping."),
        "offset": _figure("Constant offset (DC), full scale 1."),
        "blake2b_160": _text("Digest of the file."),
    }
)
_ANSWERED_FROM = {
    "answered_from": _one_of(
        ("sound", "matrix"), "A pass over the sound, or an earlier one of the same sounds."
    )
}
_SESSION = {
    "plan": _text(),
    "title": _text(),
    "cue": _text_or_none(),
    "version": _text_or_none(),
    "start": _START,
    "excerpt": _EXCERPT,
    "sample_rate": _count(),
    "frames": _count(),
    "duration_s": _number(),
    "trim_db": _number(),
    "rooms": _list(_ROOM_AS_USED),
    "sections": _list(_SECTION),
    "stems": _list(_STEM_FILE, "What is in the files of the stems."),
    "buses": _list(_BUS),
    "margins": _list(_MARGIN),
    "passages": _list(_PASSAGE),
    **_ANSWERED_FROM,
    "warnings": _WARNINGS,
    **_NOTE,
}

_TARGET = {
    "wish": _one_of(tuple(WISHES)),
    "of": _text_or_none("A section or group; null: the mix."),
    "over": _text_or_none(),
    "room": _text_or_none(),
    "band": _text_or_none(),
    "passage": _text_or_none(),
    "wanted": _number(),
    "sense": _one_of(("equal", "least", "most")),
    "unit": _text_or_none(),
    "tolerance": _number(),
    "weight": _number(),
}
_RESULT = {
    "value": _figure(),
    "miss": _figure("How far it is from what is wanted, on the side that counts."),
    "met": {"type": ["boolean", "null"]},
    "reason": _text_or_none("Why there is no value, or why the target does not apply."),
}
_TARGETS = _list(_object({**_TARGET, **_RESULT}))

_DIFFERENCES = {
    "integrated_lu": _figure(),
    "momentary_max_lu": _figure(),
    "short_term_max_lu": _figure(),
    "loudness_range_lu": _figure(),
    "true_peak_db": _figure(),
    "sample_peak_db": _figure(),
}
_BUS_DIFFERENCES = {
    **_DIFFERENCES,
    "wet_to_dry_db": _figure(),
    "decay_to_minus_40_s": _figure(),
    "edt_s": _figure(),
    "t30_s": _figure(),
    "c80_db": _figure(),
    "d50": _figure(),
    "edt_steps": _figure("In just-noticeable differences (JND)."),
    "t30_steps": _figure("In JND."),
    "c80_steps": _figure("In JND."),
}


# The documents ------------------------------------------------------------------------------------------


def _document(
    schema: str,
    title: str,
    properties: Mapping[str, Schema],
    *,
    sometimes: Mapping[str, Schema] | None = None,
) -> Schema:
    """Return the schema of a whole document; what precedes its content is the same for all."""
    head = {"schema": {"const": schema}, "roomplan": _text("Version of the program.")}
    return {"$schema": DIALECT, "title": title, **_object({**head, **properties}, sometimes=sometimes)}


def _render() -> Schema:
    file = {
        "file": _text(),
        "bus": _text(),
        "delivery": _text(),
        "format": _one_of(get_args(model.Container)),
        "bit_depth": _one_of(get_args(model.BitDepth)),
        "sample_rate": _count(),
        "frames": _count(),
        "bytes": _count(),
        "time_reference": _count_or_none("Samples since midnight; null where the file has none."),
        "samples_sha256": _text("Digest of the samples."),
    }
    delivery = {
        "name": _text(),
        "folder": _text(),
        "format": file["format"],
        "bit_depth": file["bit_depth"],
        "sample_rate": _count_or_none(),
        "frames": _count_or_none(),
        "write": _list(_one_of(get_args(model.Family))),
        "file_name": _text_or_none(),
        "files": _count("How many."),
    }
    left_over = {
        "file": _text(),
        "was": _text_or_none("Where it was; null: it stays there."),
        "delivery": _text(),
        "bus": _text_or_none(),
        "bytes": _count_or_none(),
        "samples_sha256": _text_or_none(),
    }
    family = {
        "name": _text(),
        "delivery": _text(),
        "files": _list(_text()),
        "buses": _list(_text()),
        "adds_up_to": _text("The file that they add up to."),
    }
    return _document(
        REPORT_SCHEMA,
        "roomplan render: report.json, and render --json",
        {
            "delivery": _text_or_none("Null in a report that covers several."),
            "deliveries": _list(_object(delivery)),
            "plan_sha256": _text(),
            **_SESSION,
            "families": _list(_object(family), "Files that add up."),
            "files": _list(_object(file)),
            "left_over": _list(_object(left_over), "Files of earlier renders that were moved away."),
            **_HEARING_NOTE,
        },
        sometimes={
            "reproduce": _described(_reproduce(), "What it takes to render the same again; in report.json."),
            "against": _or_none(
                _against_an_earlier_render(), "The earlier render, with --json, where there is one."
            ),
        },
    )


def _against_an_earlier_render() -> Schema:
    return _object(
        {
            "report": _text(),
            "version": _text_or_none(),
            "changes": _list(_text(), "Of the plan."),
            "same_samples": _truth("Whether every file has the samples it had."),
            "differences": _list(_object({"bus": _text(), **_BUS_DIFFERENCES})),
        }
    )


def _reproduce() -> Schema:
    excerpt = {"start_frame": _count(), "frames": _count(), "sample_rate": _count()}
    plan = {
        "source": _text(),
        "data": {"type": "object", "description": "The plan after `extends`."},
        "paths": _list(_object({"at": _list(_text()), "means": _text()})),
    }
    read = {
        "kind": _one_of(("plan", "room", "stem", "response")),
        "of": _text_or_none(),
        "file": _text(),
        "size": _count("Bytes."),
        "blake2b_160": _text(),
    }
    return _object(
        {
            "roomplan": _text(),
            "synthesis": _count("Version of the synthesis of rooms."),
            "options": _object(
                {"only": _list(_text()), "mute": _list(_text()), "excerpt": _or_none(_object(excerpt))}
            ),
            "plan": _object(plan),
            "inputs": _list(_object(read, sometimes={"text": _text("A room file, word for word.")})),
        }
    )


def _render_many() -> Schema:
    plan = {
        "plan": _text(),
        "cue": _text_or_none(),
        "version": _text_or_none(),
        "title": _text_or_none(),
        "state": _one_of(("done", "failed")),
        "files": _count_or_none(),
        "duration_s": _figure(),
        "integrated_lufs": _figure("Of the mix."),
        "true_peak_dbtp": _figure(),
        "loudness_range_lu": _figure(),
        "wet_to_dry_db": _figure(),
        "change_lu": _figure("Of the mix against the earlier render."),
        "warnings": _list(_text()),
        "seconds": _figure("Run time."),
        "folders": _list(_text()),
        "problems": _list(_text()),
    }
    return _document(
        RENDER_MANY_SCHEMA,
        "roomplan render of several plans",
        {"plans": _list(_object(plan)), "done": _count(), "failed": _count(), **_NOTE, **_HEARING_NOTE},
    )


def _reproduction_check() -> Schema:
    read = {"kind": _text(), "of": _text_or_none(), "file": _text(), "state": _text("`same` if unchanged.")}
    return _document(
        REPRODUCTION_CHECK_SCHEMA,
        "roomplan render --check",
        {
            "plan": _text(),
            "made_by": _object({"roomplan": _text(), "synthesis": _count()}),
            "version_differences": _list(_text()),
            "inputs": _list(_object(read)),
            "unchanged": _truth(),
        },
    )


def _check() -> Schema:
    word = {"line": _count(), "old": _text(), "new": _text()}
    updated = {"file": _text(), "backup": _text(), "words": _list(_object(word))}
    return _document(
        CHECK_SCHEMA,
        "roomplan check",
        {"problems": _list(_WARNING), "targets": _TARGETS},
        sometimes={
            **{key: _described(part, _only(part)) for key, part in _SESSION.items()},
            "updated": _list(_object(updated), "Files whose old words were rewritten, with --update."),
        },
    )


def _only(part: Schema) -> str:
    return f"{part.get('description', '')} Only of a plan that opens.".strip()


def _compare_parts() -> dict[str, Schema]:
    step = {"from_s": _number(), "to_s": _number(), "integrated_lufs": _figure()}
    course = {"bus": _text(), "every_s": _number(), "steps": _list(_object(step))}
    plan = _object(
        {
            "plan": _text("As the tables call it."),
            "title": _text_or_none(),
            "answered_from": _one_of(("sound", "matrix", "report")),
            "changes": _list(_text(), "Of the plan against the first."),
            "buses": _list(_BUS),
            "margins": _list(_MARGIN),
        },
        sometimes={
            "passages": _list(_PASSAGE, "With --passages."),
            "excerpt": _described(_EXCERPT, "With --from."),
            "targets": _described(_TARGETS, "Where the plan has any."),
            "course": _object(course, "With --every."),
        },
    )
    difference = _object({"plan": _text(), "bus": _text(), **_BUS_DIFFERENCES})
    return {"plans": _list(plan), "differences": _list(difference, "To the first plan.")}


def _compare() -> Schema:
    parts = {**_compare_parts(), **_NOTE, **_HEARING_NOTE}
    return _document(COMPARE_SCHEMA, "roomplan compare", parts)


def _compare_many() -> Schema:
    cue = {"cue": _text(), **_compare_parts()}
    parts = {"cues": _list(_object(cue)), **_NOTE, **_HEARING_NOTE}
    return _document(COMPARE_MANY_SCHEMA, "roomplan compare of folders of many cues", parts)


_VERDICT = _one_of(get_args(Verdict))
_DOUBT = _object(
    {
        "uncertainty": _figure("One standard deviation by chance, in the unit of the figure."),
        "decay_range_db": _figure("Decay range that it rests on."),
        "verdict": _VERDICT,
        "reason": _text_or_none(),
    }
)


def _measured_band() -> Schema:
    slope = {
        "first_decay_time_s": _number(),
        "second_decay_time_s": _number(),
        "crossing_s": _number(),
        "crossing_level_db": _number(),
    }
    return {
        **_BAND,
        "t10_s": _figure("An aid where T20 is missing."),
        "c50_db": _figure(),
        "decay_range_db": _figure("From the start of the decay to the noise or the end."),
        "xi_permille": _figure("Non-linearity, ISO 3382-2, Annex B."),
        "curvature_percent": _figure("ISO 3382-2, Annex B."),
        "double_slope": _or_none(_object(slope), "Two decays, where the data show them beyond chance."),
        "verdict": _VERDICT,
        "reasons": _REASONS,
        "doubt": _object(dict.fromkeys(FIGURES, _DOUBT)),
    }


def _measured_channel() -> Schema:
    band = _measured_band()
    return _object(
        {
            "channel": _count("From 1."),
            "bands": _list(_object({**_CENTRE, **band})),
            "mid": _object(band, "Mean of 500 and 1000 Hz, or of the third octaves from 400 to 1250 Hz."),
            "broadband": _object(band),
            "a_weighted": _object(band),
            "sti": _figure("STI (estimate)."),
            "sti_qualification": _text_or_none(),
            "doubt": _object({"sti": _DOUBT}),
            "verdict": _VERDICT,
            "reasons": _REASONS,
        },
        sometimes={"against": _against_another_response()},
    )


def _against_another_response() -> Schema:
    difference = {
        "band": {"anyOf": [_number(), {"const": "mid"}]},
        "figure": _text(),
        "value": _figure(),
        "reference": _figure(),
        "difference": _figure(),
        "steps": _figure("In just-noticeable differences (JND)."),
        "chance": _figure("Difference over its uncertainty."),
        "step_in_iso_3382_1": _truth("Whether Table A.1 has a step for the figure."),
        "text": _text(),
    }
    same_room = {
        "verdict": _one_of(("likely", "unlikely", "unknown")),
        "bands_compared": _count(),
        "reason": _text_or_none(),
    }
    return _object(
        {
            "file": _text(),
            "differences": _list(_object(difference)),
            "same_room": _object(same_room, "Whether both may be of one room."),
        },
        "With --against.",
    )


def _measure() -> Schema:
    likeness = {
        "lag_ms": _figure("Positive: the second channel is later."),
        "uncertainty": _figure(),
        "by_chance": _figure("What channels with nothing in common would give."),
        "verdict": _VERDICT,
        "reason": _text_or_none(),
    }
    plain = _object({"coefficient": _figure(), "at_lag_zero": _figure(), **likeness})
    binaural = _object({"iacc": _figure(), **likeness})
    response = _object(
        {
            "file": _text(),
            "sample_rate": _count(),
            "duration_s": _number(),
            "channels": _list(_measured_channel()),
            "warnings": _list(_text()),
        },
        sometimes={
            "inter_channel_correlation": _list(
                _object({**_CENTRE, "early": plain, "late": plain}), "Of two channels."
            ),
            "iacc": _list(_object({**_CENTRE, "early": binaural, "late": binaural}), "With --binaural."),
        },
    )
    return _document(
        MEASURE_SCHEMA,
        "roomplan measure",
        {
            "bands_per_octave": _one_of((1, 3)),
            "responses": _list(response),
            "failed": _FAILED,
            **_NOTE,
            "sti_note": _text("What the STI (estimate) is not for."),
        },
    )


_FAILED = _list(_object({"file": _text(), "what": _text()}), "Files that could not be measured, and why.")


def _loudness() -> Schema:
    plr = "peak_to_loudness_db"
    file = _object(
        {
            "file": _text(),
            "sample_rate": _count(),
            "channels": _count(),
            "roles": _list(_text()),
            "duration_s": _number(),
            "loudness": _object({**_LOUDNESS, **_PEAKS, plr: _figure("PLR.")}),
            "reasons": _REASONS,
        }
    )
    difference = {"file": _text(), "reference": _text(), **_DIFFERENCES, plr: _figure(), "reasons": _REASONS}
    return _document(
        LOUDNESS_SCHEMA,
        "roomplan loudness",
        {"files": _list(file), "failed": _FAILED, **_NOTE, **_HEARING_NOTE},
        sometimes={
            "reference": _described(file, "With --against."),
            "differences": _list(_object(difference), "With --against."),
        },
    )


def _balance() -> Schema:
    change = {
        "section": _text(),
        "room": _text_or_none("Null: the level of the section."),
        "position": _text_or_none(),
        "before_db": _number(),
        "after_db": _number(),
    }
    result = _object(_RESULT)
    index = _count("Place in `targets`, from 0.")
    target = {
        **_TARGET,
        "before": result,
        "after": result,
        "measured": _or_none(result, "As measured in the new pass of --verify."),
    }
    binding = {**change, "limit": _one_of(("lower", "upper")), "for_targets": _list(index)}
    conflict = {"target": index, "against": _list(index), "released_by": _list(_text())}
    beyond = {
        "target": index,
        "best": _figure("The best that any levels give it."),
        "reached_with": _one_of(("nothing", "lowest_sends", "highest_sends", "some_levels")),
    }
    return _document(
        BALANCE_SCHEMA,
        "roomplan balance",
        {
            "plan": _text(),
            "title": _text(),
            "met": _truth("Whether all targets are met."),
            "settled": _truth("Whether the search came to rest."),
            "targets": _list(_object(target)),
            "changes": _list(_object(change)),
            "trim_db": _object({"before": _number(), "after": _number()}),
            "binding": _list(_object(binding), "Limits that are reached."),
            "conflicts": _list(_object(conflict), "Targets that exclude each other."),
            "beyond_reach": _list(_object(beyond), "Targets that no levels meet even alone."),
            "left": _list(_object(change), "Small moves that were not made."),
            "unmeasured": _list(index, "Targets that wait for --verify."),
            "alternatives": _list(_list(_object(change))),
            "backup": _text_or_none("Where --write keeps the old plan."),
            "shared": _list(
                _object({"at": _text(), "sections": _list(_text())}),
                "Levels written where several sections have them from.",
            ),
            "warnings": _WARNINGS,
            **_NOTE,
        },
    )


def _depth() -> Schema:
    seat = _object({"distance_m": _number(), "angle_deg": _number()})
    send = {"position": _text_or_none(), "level_db": _figure(), "proposed_db": _figure()}
    section = {
        "section": _text(),
        "room": _text_or_none("The room it is sent to most."),
        "source": _one_of(("theory", "measured", None)),
        "seat": _or_none(seat),
        "reverberation_time_mid_s": _figure(),
        "direct_to_reverberant_db": _figure(),
        "c80_db": _figure(),
        "distance_m": _figure("Direct path."),
        "volume_m3": _figure(),
        "critical_distance_m": _figure(),
        "air_loss_db": _figure("At 8 kHz against 1 kHz."),
        "arrival_ms": _figure(),
        "implied_pre_delay_ms": _figure("Gap before the first reflection that is not the floor (ITDG)."),
        "arrival_delay_ms": _figure("After the nearest section."),
        "wet_to_dry_db": _figure("As the plan has it."),
        "wanted_wet_to_dry_db": _figure(),
        "sends": _list(_object(send)),
        "reasons": _REASONS,
    }
    return _document(
        DEPTH_SCHEMA,
        "roomplan depth",
        {
            "plan": _text(),
            "title": _text(),
            "mode": _one_of(("relative", "absolute")),
            "reference_sections": _map(_text_or_none(), "Room → the section that keeps its sends."),
            "amount": _figure("Share of the differences; null with --absolute."),
            "sections": _list(_object(section)),
            "notes": _list(_text()),
            "written": _text_or_none("Where --write keeps the old plan."),
            **_NOTE,
        },
    )


_ROOM_HEAD = {
    "name": _text(),
    "title": _text(),
    "character": _text(),
    "file": _text(),
    "length_m": _number(),
    "width_m": _number(),
    "height_m": _number(),
    "volume_m3": _number(),
    "reverberation_time_mid_s": _figure(),
}


def _rooms() -> Schema:
    return _document(ROOMS_SCHEMA, "roomplan rooms", {"rooms": _list(_object(_ROOM_HEAD)), **_NOTE})


def _one_room() -> Schema:
    band = {
        **_CENTRE,
        "reverberation_time_s": _figure("As the file asks for it, or as its materials give it."),
        "mean_absorption": _figure(),
        "absorption": _or_none(_map(_number()), "By surface, of a room from materials."),
        "t30_s": _figure("As the response measures it."),
    }
    setup = {
        "name": _text(),
        "description": _text(),
        "pattern": _text(),
        "positions_m": _list(_list(_number())),
        "aims_deg": _list(_number()),
        "tilts_deg": _list(_number()),
    }
    reflection = {
        "after_direct_ms": _number(),
        "level_db": _number("Against the direct sound."),
        "order": _count(),
        "surfaces": _list(_text()),
    }
    seat = {
        "distance_m": _number(),
        "angle_deg": _number(),
        "reference": _truth("Whether it is the reference seat."),
        "microphones": _text(),
        "direct_path_m": _number(),
        "t30_mid_s": _figure(),
        "c80_mid_db": _figure(),
        "theory_c80_db": _figure(),
        "theory_strength_db": _figure(),
        "first_reflection_ms": _figure(),
        "window_ms": _figure("How long the reflections are listed."),
        "reflections": _list(_object(reflection)),
    }
    stage = _object({"from_m": _number(), "to_m": _number(), "width_m": _number()})
    return _document(
        ROOM_SCHEMA,
        "roomplan rooms ROOM",
        {
            **_ROOM_HEAD,
            "surface_m2": _number(),
            "decay_from": _one_of(("times", "materials")),
            "decay_scale": _number(),
            "bands": _list(_object(band)),
            "scattering": _map(_number(), "By surface."),
            "temperature_c": _number(),
            "humidity_percent": _number(),
            "stage": _or_none(stage),
            "source_height_m": _number(),
            "mixing_time_ms": _number("After the direct sound."),
            "critical_distance_m": _figure(),
            "mean_free_path_m": _number(),
            "schroeder_frequency_hz": _figure(),
            "microphones": _list(_object(setup)),
            "seat": _object(seat),
            "reasons": _REASONS,
            **_NOTE,
        },
    )


def _synthesise() -> Schema:
    return _document(
        RESPONSE_SCHEMA,
        "roomplan synthesise",
        {
            "file": _text(),
            "room": _text(),
            "seat": _object({"distance_m": _number(), "angle_deg": _number()}),
            "spread_m": _number(),
            "microphones": _text(),
            "direct": _truth("Whether the direct sound is in it."),
            "sample_rate": _count(),
            "channels": _list(_one_of(("mono", "L", "R", "LL", "LR", "RL", "RR"))),
            "frames": _count(),
            "duration_s": _number(),
            "peak_dbfs": _figure(),
            "direct_path_m": _number(),
            "t30_mid_s": _figure(),
            "c80_mid_db": _figure(),
            "first_reflection_ms": _figure(),
            "reasons": _REASONS,
            "level_note": _text("What amplitude 1 is."),
            **_HEARING_NOTE,
            **_NOTE,
        },
    )


def _new() -> Schema:
    file = {
        "file": _text(),
        "section": _text_or_none("Null: left out."),
        "sure": _truth(),
        "why": _text_or_none(),
        "channels": _count_or_none(),
        "sample_rate": _count_or_none(),
        "duration_s": _figure(),
        "loudness_lufs": _figure(),
        "peak_dbfs": _figure(),
        "sounds_s": _or_none(_list(_number()), "From when to when there is sound."),
    }
    section = {
        "section": _text(),
        "group": _text_or_none(),
        "distance_m": _figure(),
        "angle_deg": _figure(),
        "sends": _map(_number(), "Room → dB."),
        "sure": _truth(),
        "why": _text_or_none(),
        "alternative": _text_or_none(),
        "remarks": _list(_text()),
    }
    schema = _document(
        NEW_SCHEMA,
        "roomplan new",
        {
            "version": _text("Version of the program."),
            "plan": _text(),
            "title": _text(),
            "cue": _text_or_none(),
            "frame_rate": _text_or_none(),
            "start": _text_or_none("Timecode."),
            "files": _list(_object(file)),
            "sections": _list(_object(section)),
            "remarks": _list(_text()),
        },
        sometimes={
            "template": _text("With --template."),
            "without_stems": _list(_text(), "Sections of the template; with --template."),
        },
    )
    del schema["properties"]["roomplan"]
    schema["required"].remove("roomplan")
    return schema


def _cache() -> Schema:
    entry = {
        "key": _text(),
        "title": _text(),
        "plan": _text_or_none(),
        "created": _text_or_none(),
        "unused_s": _count(),
        "size_bytes": _count(),
        "parts": {"type": "object", "description": "What it is of."},
    }
    removed = _object({"entries": _count(), "size_bytes": _count()})
    return _document(
        CACHE_SCHEMA,
        "roomplan cache",
        {
            "folder": _text_or_none("Null: the cache is off."),
            "limit_bytes": _count_or_none(),
            "entries": _list(_object(entry)),
            "size_bytes": _count(),
            "removed": _or_none(removed, "With --clear."),
        },
    )


DOCUMENTS = {
    "render": _render,
    "render_many": _render_many,
    "reproduction_check": _reproduction_check,
    "check": _check,
    "compare": _compare,
    "compare_many": _compare_many,
    "measure": _measure,
    "loudness": _loudness,
    "balance": _balance,
    "depth": _depth,
    "rooms": _rooms,
    "one_room": _one_room,
    "synthesise": _synthesise,
    "new": _new,
    "cache": _cache,
}
"""Name of a document, as `roomplan schema` takes it → what gives its schema."""


def document_schema(name: str) -> Schema:
    """Return the JSON schema of a document.

    Parameters
    ----------
    name : str
        Key of `DOCUMENTS`.
    """
    return DOCUMENTS[name]()
