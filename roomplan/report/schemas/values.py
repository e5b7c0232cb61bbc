"""The kinds of values in documents, as JSON schemas."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from roomplan.plan.schema import DIALECT

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = [
    "Schema",
    "count",
    "count_or_none",
    "described",
    "document",
    "figure",
    "list_of",
    "map_of",
    "number",
    "object_of",
    "one_of",
    "or_none",
    "text",
    "text_or_none",
    "truth",
]

Schema = dict[str, Any]


def described(schema: Schema, description: str) -> Schema:
    """Return a schema with a description, where there is one."""
    return {**schema, "description": description} if description else schema


def figure(description: str = "") -> Schema:
    """Return the schema of a measured or derived number, null where there is none."""
    return described({"type": ["number", "null"]}, description)


def number(description: str = "") -> Schema:
    """Return the schema of a number."""
    return described({"type": "number"}, description)


def count(description: str = "") -> Schema:
    """Return the schema of a whole number from 0."""
    return described({"type": "integer", "minimum": 0}, description)


def count_or_none(description: str = "") -> Schema:
    """Return the schema of a whole number, null where there is none."""
    return described({"type": ["integer", "null"]}, description)


def text(description: str = "") -> Schema:
    """Return the schema of a text."""
    return described({"type": "string"}, description)


def text_or_none(description: str = "") -> Schema:
    """Return the schema of a text, null where there is none."""
    return described({"type": ["string", "null"]}, description)


def truth(description: str = "") -> Schema:
    """Return the schema of true or false."""
    return described({"type": "boolean"}, description)


def one_of(words: tuple[Any, ...], description: str = "") -> Schema:
    """Return the schema of one of some words."""
    return described({"enum": list(words)}, description)


def list_of(items: Schema, description: str = "") -> Schema:
    """Return the schema of a list."""
    return described({"type": "array", "items": items}, description)


def map_of(values: Schema, description: str = "") -> Schema:
    """Return the schema of a mapping whose keys are names."""
    return described({"type": "object", "additionalProperties": values}, description)


def or_none(schema: Schema, description: str = "") -> Schema:
    """Return the schema of what may be null."""
    return described({"anyOf": [schema, {"type": "null"}]}, description)


def object_of(
    properties: Mapping[str, Schema], description: str = "", *, sometimes: Mapping[str, Schema] | None = None
) -> Schema:
    """Return the schema of a mapping with known keys, of which some are only there at times."""
    schema: Schema = {"type": "object", "properties": {**properties, **(sometimes or {})}}
    return described({**schema, "required": list(properties)}, description)


def document(
    schema: str,
    title: str,
    properties: Mapping[str, Schema],
    *,
    sometimes: Mapping[str, Schema] | None = None,
) -> Schema:
    """Return the schema of a whole document; what precedes its content is the same for all."""
    head = {"schema": {"const": schema}, "roomplan": text("Version of the program.")}
    return {"$schema": DIALECT, "title": title, **object_of({**head, **properties}, sometimes=sometimes)}
