"""Parts that several documents have, as JSON schemas."""

from __future__ import annotations

from typing import get_args

from roomplan.plan import model
from roomplan.plan.targets import WISHES
from roomplan.report.schemas.values import (
    count,
    count_or_none,
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

__all__ = [
    "BAND",
    "BUS",
    "BUS_DIFFERENCES",
    "CENTRE",
    "DIFFERENCES",
    "EXCERPT",
    "HEARING_NOTE",
    "LOUDNESS",
    "MARGIN",
    "NOTE",
    "PASSAGE",
    "PEAKS",
    "REASONS",
    "RESULT",
    "SESSION",
    "TARGET",
    "TARGETS",
    "WARNING",
    "WARNINGS",
]

REASONS = map_of(text(), "Figure → why it is null; of a decay figure its path.")


WARNING = object_of(
    {
        "file": text_or_none(),
        "line": count_or_none(),
        "column": count_or_none(),
        "what": text("What is wrong."),
        "remedy": text_or_none("What would be right."),
    }
)


WARNINGS = list_of(WARNING, "What was warned of.")


NOTE = {"note": text("What the figures are not for.")}


HEARING_NOTE = {"hearing_note": text("Hearing caution.")}


LOUDNESS = {
    "integrated_lufs": figure("Integrated loudness, both gates."),
    "momentary_max_lufs": figure("Momentary maximum, 400 ms."),
    "short_term_max_lufs": figure("Short-term maximum, 3 s."),
    "loudness_range_lu": figure("Loudness range (LRA)."),
}


PEAKS = {"true_peak_dbtp": figure("True peak."), "sample_peak_dbfs": figure("Sample peak.")}


BAND = {
    "edt_s": figure("Early decay time."),
    "t20_s": figure(),
    "t30_s": figure(),
    "c80_db": figure("Clarity."),
    "d50": figure("Definition, 0 to 1."),
    "centre_time_s": figure(),
}


CENTRE = {"centre_hz": number("Nominal mid-band frequency.")}


DECAY = object_of(
    {
        "bands": list_of(object_of({**CENTRE, **BAND})),
        "mid": object_of(BAND, "Mean of the 500 and 1000 Hz octaves."),
    },
    "EDT, T20 and T30 of a section come from its wet sound alone; the others include its dry sound.",
)


BUS = object_of(
    {
        "name": text("Such as `mix`, `section:choir` or `room:orrin_nave`."),
        "file": text_or_none("Its file in the first delivery that has it; null if it was not written."),
        "files": map_of(text(), "Delivery → file."),
        "loudness": object_of({**LOUDNESS, **PEAKS}),
        "decay": or_none(DECAY),
        "wet_to_dry_db": figure("What the rooms return against the dry sound."),
        "wet_arrival_ms": figure("Wet arrival: the first sound of a room after the dry sound."),
        "decay_to_minus_40_s": figure("How long it rings until it is 40 dB under a hit."),
        "late_correlation": figure("Of the channels of its wet sound, late and from 500 Hz on; 1 is mono."),
        "reasons": REASONS,
    }
)


MARGIN = object_of(
    {
        "of": text(),
        "over": text(),
        "band": one_of(get_args(model.Band)),
        "passage": text_or_none("Null for the whole cue."),
        "margin_db": figure("10th percentile of the difference while `of` sounds."),
        "median_db": figure(),
        "share_above": figure("Share of the time, 0 to 1, in which `of` is above."),
        "reason": text_or_none("Why the figures are null."),
    }
)


PASSAGE = object_of({"passage": text(), "bus": text(), "loudness": object_of(LOUDNESS), "reasons": REASONS})


EXCERPT = or_none(
    object_of({"from_s": number(), "length_s": number(), "start_frame": count(), "frames": count()}),
    "The part of the cue; null for the whole.",
)


START = or_none(
    object_of(
        {
            "seconds": number("After midnight."),
            "timecode": text_or_none("Null without a frame rate."),
            "frame_rate": text_or_none(),
        }
    ),
    "Time of day of the cue's first frame.",
)


ROOM_AS_USED = object_of(
    {
        "name": text(),
        "source": {
            "anyOf": [text(), list_of(text())],
            "description": "A bundled room, a room file, or response files.",
        },
        "gain_db": figure("Makes 0 dB of send return as loud as it went in."),
        "level_db": number("Level of the return."),
        "muted": truth(),
        "width": number("Of the return, %."),
        "decay_scale": figure(),
        "reverberation_time_s": figure("As the plan asks for it."),
        "normalise": one_of(get_args(model.Normalise)),
        "gain_position": text_or_none(),
        "direct": one_of(get_args(model.Direct)),
        "direct_found": truth("Whether a direct sound was found in the response."),
        "late_correlation": figure("Of the channels of the return, from 80 ms and 500 Hz on; 1 is mono."),
    }
)


SEND = object_of(
    {
        "room": text(),
        "position": text_or_none(),
        "level_db": number(),
        "wiring": text(),
        "pre_delay_ms": number(),
        "low_cut_hz": figure("Null: off."),
        "high_cut_hz": figure("Null: off."),
        "wet_arrival_ms": figure("Wet arrival after the dry sound."),
        "wet_to_dry_db": figure("What this send returns against the section's dry sound."),
        "reason": text_or_none("Why wet-to-dry is null."),
    }
)


SECTION = object_of(
    {
        "name": text(),
        "group": text_or_none(),
        "muted": truth(),
        "level_db": number(),
        "dry_db": figure("Null: off."),
        "delay_ms": number(),
        "pan": figure("−100 left to 100 right; null where the plan has none."),
        "width": number("%."),
        "seat": text_or_none("In words."),
        "source": one_of(get_args(model.SourceKind), "How its sound is directed."),
        "stems": list_of(text()),
        "sends": list_of(SEND),
    }
)


STEM_FILE = object_of(
    {
        "section": text(),
        "stem": text(),
        "file": text(),
        "from_s": number("Where it begins in the cue."),
        "duration_s": number(),
        "peak_dbfs": figure(),
        "loudest_400_ms_dbfs": figure(),
        "samples_at_limit": count("Samples at the extreme of full scale: clipping."),
        "offset": figure("Constant offset (DC), full scale 1."),
        "blake2b_160": text("Digest of the file."),
    }
)


ANSWERED_FROM = {
    "answered_from": one_of(
        ("sound", "matrix"), "A pass over the sound, or an earlier one of the same sounds."
    )
}


SESSION = {
    "plan": text(),
    "title": text(),
    "cue": text_or_none(),
    "version": text_or_none(),
    "start": START,
    "excerpt": EXCERPT,
    "sample_rate": count(),
    "frames": count(),
    "duration_s": number(),
    "trim_db": number(),
    "rooms": list_of(ROOM_AS_USED),
    "sections": list_of(SECTION),
    "stems": list_of(STEM_FILE, "What is in the files of the stems."),
    "buses": list_of(BUS),
    "margins": list_of(MARGIN),
    "passages": list_of(PASSAGE),
    **ANSWERED_FROM,
    "warnings": WARNINGS,
    **NOTE,
}


TARGET = {
    "wish": one_of(tuple(WISHES)),
    "of": text_or_none("A section or group; null: the mix."),
    "over": text_or_none(),
    "room": text_or_none(),
    "band": text_or_none(),
    "passage": text_or_none(),
    "wanted": number(),
    "sense": one_of(("equal", "least", "most")),
    "unit": text_or_none(),
    "tolerance": number(),
    "weight": number(),
}


RESULT = {
    "value": figure(),
    "miss": figure("How far it is from what is wanted, on the side that counts."),
    "met": {"type": ["boolean", "null"]},
    "reason": text_or_none("Why there is no value, or why the target does not apply."),
}


TARGETS = list_of(object_of({**TARGET, **RESULT}))


DIFFERENCES = {
    "integrated_lu": figure(),
    "momentary_max_lu": figure(),
    "short_term_max_lu": figure(),
    "loudness_range_lu": figure(),
    "true_peak_db": figure(),
    "sample_peak_db": figure(),
}


BUS_DIFFERENCES = {
    **DIFFERENCES,
    "wet_to_dry_db": figure(),
    "decay_to_minus_40_s": figure(),
    "late_correlation": figure(),
    "edt_s": figure(),
    "t30_s": figure(),
    "c80_db": figure(),
    "d50": figure(),
    "edt_steps": figure("In just-noticeable differences (JND)."),
    "t30_steps": figure("In JND."),
    "c80_steps": figure("In JND."),
}
