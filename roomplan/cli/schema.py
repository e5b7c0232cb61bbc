"""`roomplan schema`: the JSON schemas of plans, room files and documents."""

from __future__ import annotations

import enum
from typing import Annotated, Any

import typer

from roomplan.cli.environment import emit
from roomplan.cli.parameters import help_of

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command("schema", help=help_of(schema))(schema)


class Described(enum.StrEnum):
    """What has a schema."""

    PLAN = "plan"
    ROOM = "room"
    RENDER = "render"
    RENDER_MANY = "render_many"
    REPRODUCTION_CHECK = "reproduction_check"
    CHECK = "check"
    COMPARE = "compare"
    COMPARE_MANY = "compare_many"
    MEASURE = "measure"
    LOUDNESS = "loudness"
    BALANCE = "balance"
    DEPTH = "depth"
    ROOMS = "rooms"
    ONE_ROOM = "one_room"
    SYNTHESISE = "synthesise"
    NEW = "new"
    CACHE = "cache"


def schema(
    document: Annotated[
        Described,
        typer.Argument(
            metavar="DOCUMENT",
            help="`plan`; `room`, a room file; or a document that --json prints: "
            f"{', '.join(list(Described)[2:])}. `roomplan help json` says which is which.",
        ),
    ] = Described.PLAN,
) -> None:
    """Print the JSON schema of a plan or a room file, for editors, or of a document that --json prints.

    Example: roomplan schema > roomplan.schema.json

    Example: roomplan schema room > room.schema.json

    Example: roomplan schema measure
    """
    import json

    emit(json.dumps(_schema(document), indent=2, ensure_ascii=False) + "\n")


def _schema(document: Described) -> dict[str, Any]:
    if document is Described.PLAN:
        from roomplan.plan.load import plan_schema

        return plan_schema()
    if document is Described.ROOM:
        from roomplan.rooms.room_shape import room_schema

        return room_schema()
    from roomplan.cli.document_schemas import document_schema

    return document_schema(document.value)
