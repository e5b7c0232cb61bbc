"""JSON schema of the document of `new`."""

from __future__ import annotations

from typing import get_args

from roomplan.plan.model import SourceKind
from roomplan.report.drafts import NEW_SCHEMA
from roomplan.report.schemas.parts import NOTE
from roomplan.report.schemas.values import (
    Schema,
    count_or_none,
    document,
    figure,
    list_of,
    map_of,
    number,
    object_of,
    one_of,
    or_none,
    text,
    text_or_none,
    truth,
)

__all__ = ["new_schema"]


def new_schema() -> Schema:
    """Return the schema of `new`."""
    file = {
        "file": text(),
        "section": text_or_none("Null: left out."),
        "sure": truth(),
        "why": text_or_none(),
        "channels": count_or_none(),
        "sample_rate": count_or_none(),
        "duration_s": figure(),
        "loudness_lufs": figure(),
        "peak_dbfs": figure(),
        "sounds_s": or_none(list_of(number()), "From when to when there is sound."),
    }
    section = {
        "section": text(),
        "group": text_or_none(),
        "distance_m": figure(),
        "angle_deg": figure(),
        "source": one_of(get_args(SourceKind), "How its sound is directed."),
        "sends": map_of(number(), "Room → dB."),
        "sure": truth(),
        "why": text_or_none(),
        "alternative": text_or_none(),
        "remarks": list_of(text()),
    }
    return document(
        NEW_SCHEMA,
        "roomplan new",
        {
            "version": text("The same as `roomplan`."),
            "plan": text(),
            "title": text(),
            "cue": text_or_none(),
            "frame_rate": text_or_none(),
            "start": text_or_none("Timecode."),
            "files": list_of(object_of(file)),
            "sections": list_of(object_of(section)),
            "remarks": list_of(text()),
            **NOTE,
        },
        sometimes={
            "template": text("With --template."),
            "without_stems": list_of(text(), "Sections of the template; with --template."),
        },
    )
