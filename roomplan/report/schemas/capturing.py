"""JSON schemas of sweeps and of what is captured with them."""

from __future__ import annotations

from typing import get_args

from roomplan.capture.bangs import BangFault
from roomplan.capture.result import FindingCode, Severity
from roomplan.capture.sequence import SCHEMA
from roomplan.report.capture_words import Verdict
from roomplan.report.captures import CAPTURE_SCHEMA, CHANNELS
from roomplan.report.schemas.measuring import measured_band
from roomplan.report.schemas.parts import CENTRE, HEARING_NOTE, NOTE
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
from roomplan.report.sweeps import SWEEP_FILE_SCHEMA

__all__ = ["capture_schema", "sweep_schema"]

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
    recording = {
        "file": text(),
        "over_noise_db": number("Of a sweep at −30 dBFS, over all frequencies."),
        "peak_dbfs": number(),
        "input_lost": truth(),
        "output_gap": truth(),
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
            "recording": or_none(object_of(recording), "With --play."),
            **HEARING_NOTE,
        },
    )


_WRITTEN = object_of(
    {
        "file": text(),
        "position": text("What it is called in a plan."),
        "kind": one_of(tuple(CHANNELS)),
        "channels": list_of(one_of(("mono", "L", "R", "LL", "LR", "RL", "RR")), "Of the file."),
        "recorded_channels": list_of(count(), "Of the recording, from 1."),
        "sides": list_of(_SIDE, "Loudspeakers that played; empty for a bang."),
        "sample_rate": count(),
        "frames": count(),
        "duration_s": number(),
        "direct_sound_s": number("When the earliest direct sound comes."),
    }
)


def capture_schema() -> Schema:
    """Return the schema of `capture`."""
    room = {
        "name": text(),
        "text": text("Its entry in a plan."),
        "plan": text_or_none("Where it was written."),
        "backup": text_or_none("The old plan."),
    }
    failed = object_of({"recording": text(), "what": text()})
    return document(
        CAPTURE_SCHEMA,
        "roomplan capture",
        {
            "sweeps": list_of(_captured_sweeps(), "Recordings of sweeps."),
            "bangs": list_of(_captured_bangs(), "Recordings of bangs."),
            "failed": list_of(failed, "Recordings of which nothing was made, and why."),
            "room": or_none(object_of(room), "With --room."),
            "standard_note": text("What standard this does not follow."),
            **HEARING_NOTE,
            **NOTE,
        },
    )


def _captured_sweeps() -> Schema:
    path = {"side": _SIDE, "channel": count("Of the recording, from 1.")}
    take = {"side": _SIDE, "start_s": number("In the recording."), "used": truth()}
    finding = {
        "code": one_of(get_args(FindingCode)),
        "severity": one_of(get_args(Severity)),
        "time_s": figure("In the recording."),
        "side": or_none(_SIDE),
        "channel": count_or_none(),
        "frequency_hz": figure(),
        "level_db": figure(),
        "seconds": figure(),
        "frames": count_or_none(),
        "ppm": figure(),
        "what": text("The same in words."),
        "remedy": text("What would be right."),
    }
    harmonic = {
        "order": count(),
        "level_db": number("Against the fundamental."),
        "floor_db": number("What noise alone would read as."),
    }
    return object_of(
        {
            "recording": text(),
            "verdict": one_of(get_args(Verdict)),
            "files": list_of(_WRITTEN),
            "drift_ppm": figure("Of the recorder's clock against the player's; null where nothing tells."),
            "takes": list_of(object_of(take)),
            "ranges": list_of(object_of({**path, **CENTRE, "range_db": number("Over the noise.")})),
            "harmonics": list_of(object_of({**path, **harmonic})),
            "arrivals": list_of(
                object_of({**path, **CENTRE, "seconds": number("After the direct sound of the whole.")})
            ),
            "findings": list_of(object_of(finding)),
        }
    )


def _captured_bangs() -> Schema:
    bang = {
        "time_s": number("Of its onset, in the recording."),
        "rank": count_or_none("From 1, the best; null for one of no use."),
        "peak_dbfs": number(),
        "least_range_db": number("The smallest of `ranges`."),
        "ranges": list_of(object_of({**CENTRE, "range_db": number("The smallest over the channels.")})),
        "faults": list_of(one_of(tuple(BangFault))),
    }
    band = measured_band()
    averaged = {
        "channel": count("Of the recording, from 1."),
        "verdict": one_of(get_args(Verdict)),
        "bands": list_of(object_of({**CENTRE, **band})),
        "mid": object_of(band, "Mean of 500 and 1000 Hz."),
    }
    return object_of(
        {
            "recording": text(),
            "files": list_of(_WRITTEN, "The response of the best bang."),
            "bangs": list_of(object_of(bang), "In the order of time."),
            "averaged": list_of(object_of(averaged), "Figures of the averaged energies."),
            "limits_note": text("What a bang cannot give."),
        }
    )
