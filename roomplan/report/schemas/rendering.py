"""JSON schemas of what renders leave behind and `check` prints."""

from __future__ import annotations

from typing import get_args

from roomplan.plan import model
from roomplan.report.documents import CHECK_SCHEMA
from roomplan.report.reproduction import REPRODUCTION_CHECK_SCHEMA
from roomplan.report.schemas.parts import BUS_DIFFERENCES, HEARING_NOTE, NOTE, SESSION, TARGETS, WARNING
from roomplan.report.schemas.values import (
    Schema,
    count,
    count_or_none,
    described,
    document,
    figure,
    list_of,
    object_of,
    one_of,
    or_none,
    text,
    text_or_none,
    truth,
)
from roomplan.report.summary import RENDER_MANY_SCHEMA
from roomplan.report_file import REPORT_SCHEMA

__all__ = ["check_schema", "render_many_schema", "render_schema", "reproduction_check_schema"]


def render_schema() -> Schema:
    """Return the schema of `render`."""
    file = {
        "file": text(),
        "bus": text(),
        "delivery": text(),
        "format": one_of(get_args(model.Container)),
        "bit_depth": one_of(get_args(model.BitDepth)),
        "sample_rate": count(),
        "frames": count(),
        "bytes": count(),
        "time_reference": count_or_none("Samples since midnight; null where the file has none."),
        "samples_sha256": text("Digest of the samples."),
    }
    delivery = {
        "name": text(),
        "folder": text(),
        "format": file["format"],
        "bit_depth": file["bit_depth"],
        "sample_rate": count_or_none(),
        "frames": count_or_none(),
        "write": list_of(one_of(get_args(model.Family))),
        "file_name": text_or_none(),
        "files": count("How many."),
    }
    left_over = {
        "file": text(),
        "was": text_or_none("Where it was; null: it stays there."),
        "delivery": text(),
        "bus": text_or_none(),
        "bytes": count_or_none(),
        "samples_sha256": text_or_none(),
    }
    family = {
        "name": text(),
        "delivery": text(),
        "files": list_of(text()),
        "buses": list_of(text()),
        "adds_up_to": text("The file that they add up to."),
    }
    return document(
        REPORT_SCHEMA,
        "roomplan render: report.json, and render --json",
        {
            "delivery": text_or_none("Null in a report that covers several."),
            "deliveries": list_of(object_of(delivery)),
            "plan_sha256": text(),
            **SESSION,
            "families": list_of(object_of(family), "Files that add up."),
            "files": list_of(object_of(file)),
            "left_over": list_of(object_of(left_over), "Files of earlier renders that were moved away."),
            **HEARING_NOTE,
        },
        sometimes={
            "reproduce": described(_reproduce(), "What it takes to render the same again; in report.json."),
            "against": or_none(
                _against_an_earlier_render(), "The earlier render, with --json, where there is one."
            ),
        },
    )


def _against_an_earlier_render() -> Schema:
    return object_of(
        {
            "report": text(),
            "version": text_or_none(),
            "changes": list_of(text(), "Of the plan."),
            "same_samples": truth("Whether every file has the samples it had."),
            "differences": list_of(object_of({"bus": text(), **BUS_DIFFERENCES})),
        }
    )


def _reproduce() -> Schema:
    excerpt = {"start_frame": count(), "frames": count(), "sample_rate": count()}
    plan = {
        "source": text(),
        "data": {"type": "object", "description": "The plan after `extends`."},
        "paths": list_of(object_of({"at": list_of(text()), "means": text()})),
    }
    read = {
        "kind": one_of(("plan", "room", "stem", "response")),
        "of": text_or_none(),
        "file": text(),
        "size": count("Bytes."),
        "blake2b_160": text(),
    }
    return object_of(
        {
            "roomplan": text(),
            "synthesis": count("Version of the synthesis of rooms."),
            "options": object_of(
                {"only": list_of(text()), "mute": list_of(text()), "excerpt": or_none(object_of(excerpt))}
            ),
            "plan": object_of(plan),
            "inputs": list_of(object_of(read, sometimes={"text": text("A room file, word for word.")})),
        }
    )


def render_many_schema() -> Schema:
    """Return the schema of `render_many`."""
    plan = {
        "plan": text(),
        "cue": text_or_none(),
        "version": text_or_none(),
        "title": text_or_none(),
        "state": one_of(("done", "failed")),
        "files": count_or_none(),
        "duration_s": figure(),
        "integrated_lufs": figure("Of the mix."),
        "true_peak_dbtp": figure(),
        "loudness_range_lu": figure(),
        "wet_to_dry_db": figure(),
        "change_lu": figure("Of the mix against the earlier render."),
        "warnings": list_of(text()),
        "seconds": figure("Run time."),
        "folders": list_of(text()),
        "problems": list_of(text()),
    }
    return document(
        RENDER_MANY_SCHEMA,
        "roomplan render of several plans",
        {"plans": list_of(object_of(plan)), "done": count(), "failed": count(), **NOTE, **HEARING_NOTE},
    )


def reproduction_check_schema() -> Schema:
    """Return the schema of `reproduction_check`."""
    read = {"kind": text(), "of": text_or_none(), "file": text(), "state": text("`same` if unchanged.")}
    return document(
        REPRODUCTION_CHECK_SCHEMA,
        "roomplan render --check",
        {
            "plan": text(),
            "made_by": object_of({"roomplan": text(), "synthesis": count()}),
            "version_differences": list_of(text()),
            "inputs": list_of(object_of(read)),
            "unchanged": truth(),
        },
    )


def check_schema() -> Schema:
    """Return the schema of `check`."""
    word = {"line": count(), "old": text(), "new": text()}
    updated = {"file": text(), "backup": text(), "words": list_of(object_of(word))}
    return document(
        CHECK_SCHEMA,
        "roomplan check",
        {"problems": list_of(WARNING), "targets": TARGETS},
        sometimes={
            **{key: described(part, _only(part)) for key, part in SESSION.items()},
            "updated": list_of(object_of(updated), "Files whose old words were rewritten, with --update."),
        },
    )


def _only(part: Schema) -> str:
    return f"{part.get('description', '')} Only of a plan that opens.".strip()
