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

from typing import TYPE_CHECKING

from roomplan.report.schemas.cache import cache_schema
from roomplan.report.schemas.capturing import capture_schema, sweep_schema
from roomplan.report.schemas.comparing import compare_many_schema, compare_schema
from roomplan.report.schemas.drafts import new_schema
from roomplan.report.schemas.measuring import loudness_schema, measure_schema
from roomplan.report.schemas.rendering import (
    check_schema,
    render_many_schema,
    render_schema,
    reproduction_check_schema,
)
from roomplan.report.schemas.rooms import one_room_schema, rooms_schema, synthesise_schema
from roomplan.report.schemas.sharing import page_schema, share_schema
from roomplan.report.schemas.solving import balance_schema, depth_schema

if TYPE_CHECKING:
    from roomplan.report.schemas.values import Schema

__all__ = ["DOCUMENTS", "document_schema"]

DOCUMENTS = {
    "render": render_schema,
    "render_many": render_many_schema,
    "reproduction_check": reproduction_check_schema,
    "check": check_schema,
    "compare": compare_schema,
    "compare_many": compare_many_schema,
    "measure": measure_schema,
    "loudness": loudness_schema,
    "balance": balance_schema,
    "depth": depth_schema,
    "rooms": rooms_schema,
    "one_room": one_room_schema,
    "synthesise": synthesise_schema,
    "sweep": sweep_schema,
    "capture": capture_schema,
    "share": share_schema,
    "page": page_schema,
    "new": new_schema,
    "cache": cache_schema,
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
