"""`roomplan schema`: the JSON schemas of documents, for editors."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

import typer

from roomplan.cli.environment import emit
from roomplan.cli.parameters import help_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command("schema", help=help_of(schema))(schema)


def _of_plans() -> Callable[[], dict[str, Any]]:
    from roomplan.plan.load import plan_schema

    return plan_schema


def _of_rooms() -> Callable[[], dict[str, Any]]:
    from roomplan.rooms.room_shape import room_schema

    return room_schema


def schema(
    document: Annotated[
        Literal["plan", "room"], typer.Argument(metavar="DOCUMENT", help="`plan` or `room`, a room file.")
    ] = "plan",
) -> None:
    """Print the JSON schema of a plan or a room file, so that an editor completes and checks keys.

    Example: roomplan schema > roomplan.schema.json

    Example: roomplan schema room > room.schema.json
    """
    import json

    described = {"plan": _of_plans, "room": _of_rooms}[document]()()
    emit(json.dumps(described, indent=2, ensure_ascii=False) + "\n")
