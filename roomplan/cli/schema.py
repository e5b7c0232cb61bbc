"""`roomplan schema`: the JSON schema of a plan, for editors."""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.cli.environment import emit
from roomplan.cli.parameters import help_of

if TYPE_CHECKING:
    import typer

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command("schema", help=help_of(schema))(schema)


def schema() -> None:
    """Print the JSON schema of a plan, so that an editor completes and checks keys while you type.

    Example: roomplan schema > roomplan.schema.json
    """
    import json

    from roomplan.plan.load import plan_schema

    emit(json.dumps(plan_schema(), indent=2, ensure_ascii=False) + "\n")
