"""`roomplan help`: pages about the plan language, the commands and their figures."""

from __future__ import annotations

import shutil
import sys
from typing import TYPE_CHECKING, Annotated, Any

import typer

from roomplan.cli.environment import emit
from roomplan.cli.parameters import help_of

if TYPE_CHECKING:
    from roomplan.cli.topics import Topic

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command("help", help=help_of(help_about))(help_about)


def help_about(
    context: typer.Context,
    topic: Annotated[
        str | None,
        typer.Argument(metavar="TOPIC", help="A topic of the list, or a command.", show_default=False),
    ] = None,
) -> None:
    """Explain a topic: the keys of a plan, rooms, targets, deliveries, figures and documents.

    Without a topic, list them all.

    Example: roomplan help

    Example: roomplan help deliveries
    """
    from roomplan.cli.topics import TOPICS, WIDEST, page
    from roomplan.documents.suggest import did_you_mean

    commands = _commands(context)
    if topic is None:
        _show(_topics(TOPICS))
    elif topic in TOPICS:
        _show(page(TOPICS[topic], commands, shutil.get_terminal_size((WIDEST, 24)).columns))
    elif topic in commands:
        commands[topic].make_context(topic, ["--help"], parent=context.parent)
    else:
        near = did_you_mean(topic, [*TOPICS, *commands])
        remedy = f"did you mean {near}?" if near else "roomplan help lists the topics"
        raise typer.BadParameter(f"{topic!r} is not known: {remedy}", param_hint="TOPIC")


def _show(text: str) -> None:
    """Write text to standard output: a page at a time where it is longer than the terminal."""
    rows = shutil.get_terminal_size().lines
    if sys.stdout.isatty() and text.count("\n") >= rows:
        import pydoc

        pydoc.pager(text)
    else:
        emit(text)


def _commands(context: typer.Context) -> dict[str, Any]:
    """Return the commands by name."""
    above: Any = context.parent
    return dict(above.command.commands)


def _topics(topics: dict[str, Topic]) -> str:
    widest = max(map(len, topics))
    lines = [f"  {name:<{widest}}  {topic.about}" for name, topic in topics.items()]
    return "\n".join(
        [
            "roomplan help TOPIC explains one of these:",
            "",
            *lines,
            "",
            "roomplan COMMAND --help has its options.",
            "",
        ]
    )
