"""`roomplan schema`: the JSON schemas of plans, room files and documents."""

from __future__ import annotations

import enum
from typing import Annotated

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
    SWEEP = "sweep"
    CAPTURE = "capture"
    SHARE = "share"
    PAGE = "page"
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

    from roomplan.api.schemas import schema_of

    emit(json.dumps(schema_of(document.value), indent=2, ensure_ascii=False) + "\n")
