"""JSON schemas of what a page is made from, and of what `share` prints."""

from __future__ import annotations

from typing import get_args

from roomplan.plan.targets import WISHES, Band
from roomplan.rendering.passage_sound import Coding
from roomplan.report.page import PAGE_SCHEMA, SHARE_SCHEMA
from roomplan.report.schemas.parts import HEARING_NOTE, NOTE, REASONS
from roomplan.report.schemas.values import (
    Schema,
    count,
    count_or_none,
    document,
    figure,
    list_of,
    number,
    object_of,
    one_of,
    or_none,
    text,
    text_or_none,
    truth,
)

__all__ = ["page_schema", "share_schema"]

_CODING = one_of(get_args(Coding), "FLAC is lossless but for its bits, Vorbis is coded.")
_PACKED = text("Base64 of float32, little-endian, row by row.")


def share_schema() -> Schema:
    """Return the schema of `share`."""
    return document(
        SHARE_SCHEMA,
        "roomplan share",
        {
            **NOTE,
            **HEARING_NOTE,
            "file": text(),
            "size_bytes": count(),
            "coding": _CODING,
            "from_s": number("Where the sound begins, from the start of the cue."),
            "length_s": number(),
        },
    )


def page_schema() -> Schema:
    """Return the schema of the document inside a page."""
    powers = object_of(
        {
            "hops": count("Of 20 ms; steps of 100 ms hold five, the last may hold fewer."),
            "factor": _PACKED,
            "speech_band": or_none(_PACKED, "Weighted for the speech band, where something asks for it."),
        },
        "Factor of the cross powers of each step, over all pairs of components.",
    )
    passage = {
        "name": text(),
        "start_s": number(),
        "end_s": number(),
        "first_step": count_or_none("Null: the passage has powers of its own."),
        "hops": count(),
        "powers": or_none(powers),
    }
    sound = {
        "coding": _CODING,
        "start_s": number("From the start of the cue."),
        "frames": count(),
        "components": list_of(
            or_none(object_of({"channels": count(), "scale": number("Undoes the scale of its samples.")})),
            "Null: silent.",
        ),
    }
    return document(
        PAGE_SCHEMA,
        "roomplan page",
        {
            **NOTE,
            **HEARING_NOTE,
            "plan": text("Name of the plan's file."),
            "title": text(),
            "cue": text_or_none(),
            "version": text_or_none(),
            "sample_rate": count(),
            "duration_s": number(),
            "sections": list_of(_section()),
            "groups": list_of(object_of({"name": text(), "sections": list_of(text())})),
            "rooms": list_of(_room()),
            "components": list_of(_component()),
            "alternates": list_of(_alternate()),
            "margins": list_of(object_of({"of": text(), "over": text(), "band": one_of(get_args(Band))})),
            "targets": list_of(_target()),
            "deliveries": list_of(object_of({"name": text(), "write": list_of(text()), "format": text()})),
            "mix": object_of({"true_peak_dbtp": figure("As written."), "reasons": REASONS}),
            "powers": powers,
            "passages": list_of(object_of(passage)),
            "sound": or_none(object_of(sound)),
        },
    )


def _section() -> Schema:
    matrix = list_of(list_of(number()))
    clarity = {
        "centre_hz": number(),
        "early_50": matrix,
        "early_80": matrix,
        "total": matrix,
        "moment": matrix,
        "meeting": list_of(number(), "Of dry and wet."),
        "impulse": number("Of the dry impulse."),
    }
    decay = {
        "frame_s": number(),
        "frames": count(),
        "products": _PACKED,
        "meeting": list_of(number()),
        "impulse": number(),
    }
    measured = {
        "c80_db": figure(),
        "decay_to_minus_40_s": figure(),
        "true_peak_dbtp": figure(),
        "reasons": REASONS,
    }
    return object_of(
        {
            "name": text(),
            "group": text_or_none(),
            "level_db": number(),
            "dry_db": figure("Null: the dry path is off."),
            "mute": truth(),
            "seat": or_none(object_of({"distance_m": number(), "angle_deg": number()})),
            "wet_onset_s": figure("First sound of a room after the dry one; null without a send."),
            "measured": object_of(measured, "As written."),
            "clarity": list_of(object_of(clarity), "Energies as quadratic forms of gains, by octave."),
            "decay": or_none(object_of(decay, "Energy over time, of pairs of sends.")),
        }
    )


def _room() -> Schema:
    return object_of(
        {
            "name": text(),
            "level_db": number(),
            "mute": truth(),
            "edt_s": figure("As written, like its T30."),
            "t30_s": figure(),
        }
    )


def _component() -> Schema:
    also = object_of(
        {},
        "Keys of the send beside its level.",
        sometimes={
            "position": text(),
            "pre_delay": number(),
            "low_cut": {"type": ["number", "string"]},
            "high_cut": {"type": ["number", "string"]},
        },
    )
    send = {
        "level_db": number(),
        "shared_with": list_of(text(), "Sections that have the send from the same line of a plan."),
        "inherited_from": text_or_none("File of the plan it comes from, where that is another."),
        "also": also,
    }
    return object_of(
        {
            "section": text(),
            "room": text_or_none("Null: the dry sound."),
            "position": text_or_none(),
            "send": or_none(object_of(send)),
        }
    )


def _alternate() -> Schema:
    change = {
        "section": text(),
        "level_db": number(),
        "mute": {"type": ["boolean", "null"]},
        "dry_db": figure("Null: the dry path is off."),
        "sends": list_of(object_of({"room": text(), "level_db": figure("Null: off.")})),
    }
    return object_of({"name": text(), "changes": list_of(object_of(change))})


def _target() -> Schema:
    return object_of(
        {
            "kind": one_of(tuple(WISHES)),
            "sense": one_of(("equal", "least", "most")),
            "unit": text(),
            "of": text_or_none(),
            "over": text_or_none(),
            "room": text_or_none(),
            "band": one_of(get_args(Band)),
            "passage": text_or_none(),
            "wanted": number(),
            "tolerance": number(),
            "written": object_of({"value": figure(), "met": truth(), "reason": text_or_none()}),
        }
    )
