"""JSON schemas of whatever is written by hand or printed for machines."""

from __future__ import annotations

from typing import Any

from roomplan.plan.load import plan_schema
from roomplan.report.schemas.catalogue import document_schema
from roomplan.rooms.room_shape import room_schema

__all__ = ["schema_of"]


def schema_of(name: str) -> dict[str, Any]:
    """Return the JSON schema of a `plan`, of a `room` file, or of a document by its name in `DOCUMENTS`."""
    if name == "plan":
        return plan_schema()
    return room_schema() if name == "room" else document_schema(name)
