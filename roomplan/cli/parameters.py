"""Arguments and options that several commands share, written once."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from roomplan.cautions import sentence

__all__ = ["AsJson", "Bands", "ExcerptLength", "PlanFile", "Quiet", "decimal_number", "help_of"]

PlanFile = Annotated[Path, typer.Argument(metavar="PLAN", help="The plan, a YAML file.", show_default=False)]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON document instead of tables.")]
Bands = Annotated[bool, typer.Option("--bands", help="Add octave tables, 125 Hz to 4 kHz.")]
ExcerptLength = Annotated[
    str | None,
    typer.Option(
        "--length", metavar="S", help="How long the excerpt is: seconds or 1:30.", show_default=False
    ),
]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="No progress on standard error.")]


def decimal_number(text: str) -> float:
    """Read a number of an option, for its `parser`."""
    from roomplan.documents.wording import decimal_comma

    try:
        return float(text.replace("\u2212", "-"))
    except ValueError:
        raise typer.BadParameter(
            f"{text!r} is not a number: {decimal_comma(text) or 'such as 0.5'}"
        ) from None


def help_of(command: Callable[..., None], *cautions: str) -> str:
    """Docstring of a command with every paragraph on one line, and cautions before its first example."""
    paragraphs = (inspect.getdoc(command) or "").split("\n\n")
    examples = [number for number, paragraph in enumerate(paragraphs) if paragraph.startswith("Example")]
    at = examples[0] if examples else len(paragraphs)
    paragraphs[at:at] = [sentence(caution) for caution in cautions]
    return "\n\n".join(" ".join(paragraph.split()) for paragraph in paragraphs)
