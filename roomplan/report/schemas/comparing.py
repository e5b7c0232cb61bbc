"""JSON schemas of the documents of `compare`."""

from __future__ import annotations

from roomplan.report.comparison import COMPARE_MANY_SCHEMA, COMPARE_SCHEMA
from roomplan.report.schemas.parts import (
    BUS,
    BUS_DIFFERENCES,
    EXCERPT,
    HEARING_NOTE,
    MARGIN,
    NOTE,
    PASSAGE,
    TARGETS,
)
from roomplan.report.schemas.values import (
    Schema,
    described,
    document,
    figure,
    list_of,
    number,
    object_of,
    one_of,
    text,
    text_or_none,
)

__all__ = ["compare_many_schema", "compare_schema"]


def _compare_parts() -> dict[str, Schema]:
    step = {"from_s": number(), "to_s": number(), "integrated_lufs": figure()}
    course = {"bus": text(), "every_s": number(), "steps": list_of(object_of(step))}
    plan = object_of(
        {
            "plan": text("As the tables call it."),
            "title": text_or_none(),
            "answered_from": one_of(("sound", "matrix", "report")),
            "changes": list_of(text(), "Of the plan against the first."),
            "buses": list_of(BUS),
            "margins": list_of(MARGIN),
        },
        sometimes={
            "passages": list_of(PASSAGE, "With --passages."),
            "excerpt": described(EXCERPT, "With --from."),
            "targets": described(TARGETS, "Where the plan has any."),
            "course": object_of(course, "With --every."),
        },
    )
    difference = object_of({"plan": text(), "bus": text(), **BUS_DIFFERENCES})
    return {"plans": list_of(plan), "differences": list_of(difference, "To the first plan.")}


def compare_schema() -> Schema:
    """Return the schema of `compare`."""
    parts = {**_compare_parts(), **NOTE, **HEARING_NOTE}
    return document(COMPARE_SCHEMA, "roomplan compare", parts)


def compare_many_schema() -> Schema:
    """Return the schema of `compare_many`."""
    cue = {"cue": text(), **_compare_parts()}
    parts = {"cues": list_of(object_of(cue)), **NOTE, **HEARING_NOTE}
    return document(COMPARE_MANY_SCHEMA, "roomplan compare of folders of many cues", parts)
