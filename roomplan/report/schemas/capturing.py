"""JSON schemas of sweeps and of what is captured with them."""

from __future__ import annotations

from roomplan.capture.sequence import SCHEMA
from roomplan.report.schemas.parts import HEARING_NOTE
from roomplan.report.schemas.values import (
    Schema,
    count,
    document,
    figure,
    list_of,
    number,
    object_of,
    one_of,
    text,
    truth,
)
from roomplan.report.sweeps import SWEEP_FILE_SCHEMA

__all__ = ["sweep_schema"]

_SIDE = one_of(("left", "right"))


def sweep_schema() -> Schema:
    """Return the schema of `sweep`."""
    made = {
        "schema": one_of((SCHEMA,)),
        "start_hz": number(),
        "end_hz": number(),
        "sweep_s": number("From the one to the other."),
        "sample_rate": count(),
        "level_dbfs": number("Of the peak."),
        "sides": list_of(_SIDE, "In the order of playing."),
        "lead_s": number("Silence in front."),
        "gap_s": number("Silence after every sweep."),
    }
    advice = {
        "decay_s": number("Reverberation time that is expected."),
        "range_db": number("Wanted range of the response."),
        "over_noise_db": figure("Of the sweep over the noise of the room, in an octave; null: not known."),
        "least_sweep_s": number("The shortest sweep that gives the range."),
        "long_enough": truth(),
    }
    return document(
        SWEEP_FILE_SCHEMA,
        "roomplan sweep",
        {
            "file": text(),
            "text_file": text("Where `made` is too."),
            "made": object_of(made, "How the sweep was made."),
            "frames": count(),
            "duration_s": number(),
            "advice": object_of(advice),
            **HEARING_NOTE,
        },
    )
