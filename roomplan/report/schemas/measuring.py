"""JSON schemas of measured responses and metered sounds."""

from __future__ import annotations

from typing import get_args

from roomplan.acoustics.doubt import Verdict
from roomplan.acoustics.figures import FIGURES
from roomplan.report.loudness import LOUDNESS_SCHEMA
from roomplan.report.measurements import MEASURE_SCHEMA
from roomplan.report.schemas.parts import (
    BAND,
    CENTRE,
    DIFFERENCES,
    HEARING_NOTE,
    LOUDNESS,
    NOTE,
    PEAKS,
    REASONS,
)
from roomplan.report.schemas.values import (
    Schema,
    count,
    described,
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

__all__ = ["loudness_schema", "measure_schema", "measured_band"]

_VERDICT = one_of(get_args(Verdict))


_DOUBT = object_of(
    {
        "uncertainty": figure("One standard deviation by chance, in the unit of the figure."),
        "decay_range_db": figure("Decay range that it rests on."),
        "verdict": _VERDICT,
        "reason": text_or_none(),
    }
)


def measured_band() -> Schema:
    """Return the keys of a measured band but its centre."""
    slope = {
        "first_decay_time_s": number(),
        "second_decay_time_s": number(),
        "crossing_s": number(),
        "crossing_level_db": number(),
    }
    return {
        **BAND,
        "t10_s": figure("An aid where T20 is missing."),
        "c50_db": figure(),
        "decay_range_db": figure("From the start of the decay to the noise or the end."),
        "xi_permille": figure("Non-linearity, ISO 3382-2, Annex B."),
        "curvature_percent": figure("ISO 3382-2, Annex B."),
        "double_slope": or_none(object_of(slope), "Two decays, where the data show them beyond chance."),
        "verdict": _VERDICT,
        "reasons": REASONS,
        "doubt": object_of(dict.fromkeys(FIGURES, _DOUBT)),
    }


def _measured_channel() -> Schema:
    band = measured_band()
    return object_of(
        {
            "channel": count("From 1."),
            "bands": list_of(object_of({**CENTRE, **band})),
            "mid": object_of(band, "Mean of 500 and 1000 Hz, or of the third octaves from 400 to 1250 Hz."),
            "broadband": object_of(band),
            "a_weighted": object_of(band),
            "sti": figure("STI (estimate)."),
            "sti_qualification": text_or_none(),
            "doubt": object_of({"sti": _DOUBT}),
            "verdict": _VERDICT,
            "reasons": REASONS,
        },
        sometimes={"against": _against_another_response()},
    )


def _against_another_response() -> Schema:
    difference = {
        "band": {"anyOf": [number(), {"const": "mid"}]},
        "figure": text(),
        "value": figure(),
        "reference": figure(),
        "difference": figure(),
        "steps": figure("In just-noticeable differences (JND)."),
        "chance": figure("Difference over its uncertainty."),
        "step_in_iso_3382_1": truth("Whether Table A.1 has a step for the figure."),
        "text": text(),
    }
    same_room = {
        "verdict": one_of(("likely", "unlikely", "unknown")),
        "bands_compared": count(),
        "reason": text_or_none(),
    }
    return object_of(
        {
            "file": text(),
            "differences": list_of(object_of(difference)),
            "same_room": object_of(same_room, "Whether both may be of one room."),
        },
        "With --against.",
    )


def measure_schema() -> Schema:
    """Return the schema of `measure`."""
    likeness = {
        "lag_ms": figure("Positive: the second channel is later."),
        "uncertainty": figure(),
        "by_chance": figure("What channels with nothing in common would give."),
        "verdict": _VERDICT,
        "reason": text_or_none(),
    }
    plain = object_of({"coefficient": figure(), "at_lag_zero": figure(), **likeness})
    binaural = object_of({"iacc": figure(), **likeness})
    response = object_of(
        {
            "file": text(),
            "sample_rate": count(),
            "duration_s": number(),
            "channels": list_of(_measured_channel()),
            "warnings": list_of(text()),
        },
        sometimes={
            "inter_channel_correlation": list_of(
                object_of({**CENTRE, "early": plain, "late": plain}), "Of two channels."
            ),
            "iacc": list_of(object_of({**CENTRE, "early": binaural, "late": binaural}), "With --binaural."),
        },
    )
    return document(
        MEASURE_SCHEMA,
        "roomplan measure",
        {
            "bands_per_octave": one_of((1, 3)),
            "responses": list_of(response),
            "failed": _FAILED,
            **NOTE,
            "sti_note": text("What the STI (estimate) is not for."),
        },
    )


_FAILED = list_of(object_of({"file": text(), "what": text()}), "Files that could not be measured, and why.")


def loudness_schema() -> Schema:
    """Return the schema of `loudness`."""
    plr = "peak_to_loudness_db"
    file = object_of(
        {
            "file": text(),
            "sample_rate": count(),
            "channels": count(),
            "roles": list_of(text()),
            "duration_s": number(),
            "loudness": object_of({**LOUDNESS, **PEAKS, plr: figure("PLR.")}),
            "reasons": REASONS,
        }
    )
    difference = {"file": text(), "reference": text(), **DIFFERENCES, plr: figure(), "reasons": REASONS}
    return document(
        LOUDNESS_SCHEMA,
        "roomplan loudness",
        {"files": list_of(file), "failed": _FAILED, **NOTE, **HEARING_NOTE},
        sometimes={
            "reference": described(file, "With --against."),
            "differences": list_of(object_of(difference), "With --against."),
        },
    )
