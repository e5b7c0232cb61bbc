"""The pages of `roomplan help`: where their text is, and how Markdown becomes lines of a terminal.

Conventions
-----------
A page is a Markdown file or some sections of one. Those about the plan are sections of `configs/README.md`,
the room file's one of `irs_synthetic/README.md`; the others are in `pages/`. A pair of comments,
`<!-- keys: SectionShape -->` and `<!-- end -->`, is the place for the keys of a mapping of the plan. They
come from its class; what the file has between the two is `keys_markdown`, for whoever reads the file itself.
"""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from rich.console import Console
from rich.markdown import CodeBlock, Heading, Markdown, TableElement
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from roomplan.documents.wording import number
from roomplan.files.resources import bundled_folder
from roomplan.foreign_text import printable
from roomplan.plan.keys import Key, keys_of, plan_shapes

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from rich.console import ConsoleOptions, RenderableType, RenderResult

__all__ = ["TOPICS", "WIDEST", "Topic", "keys_markdown", "page", "source"]

WIDEST = 100
_KEYS = re.compile(r"<!-- keys: (\w+) -->.*?<!-- end -->", re.DOTALL)
_LINK = re.compile(r"!?\[([^\]]*)\]\([^)]*\)")


@dataclass(frozen=True, slots=True)
class Topic:
    """One page.

    Attributes
    ----------
    about : str
        One line for the list of topics.
    file : str
        A file in `pages/`, or a bundled folder and its page.
    sections : tuple of str
        Headings of the sections that it shows; empty for the whole file, "" for what precedes the first.
    commands : tuple of str
        Commands whose options it ends with.
    edited : str
        A file beside the page that is there to be changed: the page ends with where it is; "" for none.
    """

    about: str
    file: str
    sections: tuple[str, ...] = ()
    commands: tuple[str, ...] = ()
    edited: str = ""


_PLAN = "configs/README.md"
_ROOMS = "irs_synthetic/README.md"

TOPICS = {
    "plan": Topic("the plan file: its top level, and how values are written", _PLAN, ("", "Top level")),
    "stems": Topic("which files belong to a section; versions, time of day", _PLAN, ("Stems",)),
    "sections": Topic("sections, seats and groups", _PLAN, ("Sections",)),
    "sends": Topic("how much of a section is sent to a room, and what 0 dB means", _PLAN, ("Sends",)),
    "rooms": Topic("rooms in a plan: responses, wiring, gain, decay", _PLAN, ("Rooms",)),
    "room_file": Topic(
        "how to write a synthetic room; its materials", _ROOMS, ("The room file", "Materials")
    ),
    "alternates": Topic("alternate mixes from the same sound", _PLAN, ("Alternates",)),
    "margins": Topic(
        "passages of a cue, and how far one section is over another", _PLAN, ("Passages and margins",)
    ),
    "targets": Topic("what a mix is to keep, and what may be moved for it", _PLAN, ("Targets",)),
    "deliveries": Topic(
        "files, folders and versions; what is replaced and what is not", _PLAN, ("Deliveries",)
    ),
    "buses": Topic("the names of what is metered and written", _PLAN, ("Buses",)),
    "extends": Topic("a house set-up, and the next cue", _PLAN, ("The next cue",)),
    "instruments": Topic(
        "what new knows of sections, and how to correct it",
        _PLAN,
        ("Names of instruments",),
        edited="instruments.yaml",
    ),
    "render": Topic("excerpts, rendering while you edit, rendering again", "render.md", commands=("render",)),
    "cues": Topic("many cues at once, also on a cluster", "cues.md"),
    "compare": Topic("comparing plans by figures and by ear", "compare.md", commands=("compare",)),
    "share": Topic("a plan on a page, for people without this program", "share.md", commands=("share",)),
    "balance": Topic("the levels that meet the targets", "balance.md", commands=("balance",)),
    "depth": Topic("how far back each section sits", "depth.md", commands=("depth",)),
    "measure": Topic(
        "measuring impulse responses, and how far to trust the figures", "measure.md", commands=("measure",)
    ),
    "capture": Topic(
        "a room of your own: playing, recording, responses, a plan; a sheet for the session",
        "capture.md",
        commands=("sweep", "capture"),
    ),
    "loudness": Topic("how loudness is measured", "loudness.md", commands=("loudness",)),
    "synthetic": Topic(
        "looking at synthetic rooms; responses for other programs",
        "synthetic.md",
        commands=("rooms", "synthesise"),
    ),
    "report": Topic("what report.json holds", "report.md"),
    "json": Topic("the documents that --json prints", "json.md"),
    "python": Topic("roomplan from Python", "python.md"),
    "cache": Topic("what is kept from earlier runs; output and exit status", "cache.md", commands=("cache",)),
}


def source(topic: Topic) -> str:
    """Return the Markdown of a page, with its places for keys.

    Raises
    ------
    RoomplanError
        When the installation lacks the file.
    """
    folder, _, name = topic.file.rpartition("/")
    where = bundled_folder(folder) if folder else Path(__file__).parent / "pages"
    text = (where / name).read_text(encoding="utf-8")
    if not topic.sections:
        return text
    parts = re.split(r"^## (.+)\n", text, flags=re.MULTILINE)
    sections = {"": parts[0], **dict(zip(parts[1::2], parts[2::2], strict=True))}
    return "\n".join(
        f"{'#' if not first else '##'} {heading}\n{sections[heading]}" if heading else sections[heading]
        for first, heading in enumerate(topic.sections)
    )


def page(topic: Topic, commands: Mapping[str, Any], width: int = WIDEST) -> str:
    """Return a page as plain lines, none with blanks at its end.

    Parameters
    ----------
    commands : mapping
        Commands of the program by name, for their options.
    width : int
        Of the terminal, in characters; lines of code and output may be longer.
    """
    console = Console(file=io.StringIO(), width=min(width, WIDEST), color_system=None, emoji=False)
    with console.capture() as capture:
        for part in _parts(source(topic)):
            console.print(part, crop=False)
        if topic.edited:
            folder = bundled_folder(topic.file.rpartition("/")[0])
            console.print()
            console.print(Text(f"Here it is {printable(str(folder / topic.edited))}"), soft_wrap=True)
        for name in topic.commands:
            console.print()
            console.print(_Page(f"## Options of {name}"), _option_list(commands[name].params), crop=False)
    lines = (line.rstrip() for line in capture.get().splitlines())
    return re.sub(r"\n{3,}", "\n\n", "\n".join(lines)).strip("\n") + "\n"


def keys_markdown(shape: str) -> str:
    """Return the keys of a mapping as a table in Markdown, with a final line break.

    Parameters
    ----------
    shape : str
        Name of its class.
    """
    rows = [
        f"| `{key.name}` | {_cell(key.accepted)} | {_cell(key.default) or '–'} | {_cell(key.meaning)} |"
        for key in keys_of(plan_shapes()[shape])
    ]
    return "\n".join(["| key | value | if left out | meaning |", "|---|---|---|---|", *rows]) + "\n"


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("*", "\\*")


def _parts(text: str) -> Iterator[RenderableType]:
    """Split a page into Markdown and lists of keys."""
    pieces = _KEYS.split(text)
    for index, piece in enumerate(pieces):
        if index % 2:
            yield _key_list(keys_of(plan_shapes()[piece]))
        elif piece.strip():
            yield _Page(_LINK.sub(r"\1", piece))


def _key_list(keys: tuple[Key, ...]) -> RenderableType:
    table = Table.grid(padding=(0, 2))
    table.add_column(no_wrap=True)
    table.add_column()
    for key in keys:
        default = {"": "", "required": " Required."}.get(key.default, f" If left out: {key.default}.")
        table.add_row(key.name, Text(f"{key.meaning}\nValue: {key.accepted}.{default}"))
    return Padding(table, (1, 0, 1, 2))


def _option_list(params: Iterable[Any]) -> RenderableType:
    table = Table.grid(padding=(0, 2))
    table.add_column(no_wrap=True)
    table.add_column()
    for one in params:
        if one.param_type_name == "option":
            names = ", ".join((*one.opts, *one.secondary_opts))
            table.add_row(Text(names if one.is_flag else f"{names} {one.metavar}"), Text(_help(one)))
    return Padding(table, (1, 0, 1, 2))


def _help(option: Any) -> str:
    """Return the sentence of an option, its range, and what holds without it."""
    default = getattr(option.default, "value", option.default)
    default = number(default) if isinstance(default, int | float) else default
    shown = option.show_default and not option.is_flag and isinstance(default, str)
    low, high = getattr(option, "min", None), getattr(option, "max", None)
    limits = "" if low is None else f" From {number(low)}{'' if high is None else f' to {number(high)}'}."
    return f"{option.help}{limits}{f' If left out: {default}.' if shown else ''}"


class _PlainHeading(Heading):
    """A heading that is one without colours too."""

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        yield Text(f"{self.text.plain}\n{('═' if self.tag == 'h1' else '─') * len(self.text.plain)}")


class _PlainCode(CodeBlock):
    """Code and output as they are, however long the lines."""

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        yield Text(str(self.text).rstrip(), no_wrap=True, overflow="ignore")


class _WholeTable(TableElement):
    """A table whose words are never cut: a name is there to be typed."""

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        for one in super().__rich_console__(console, options):
            for column in one.columns if isinstance(one, Table) else ():
                words = [len(word) for cell in (column.header, *column.cells) for word in str(cell).split()]
                column.min_width = max(words, default=1)
            yield one


class _Page(Markdown):
    """Markdown that keeps the ticks of names and shows code as it is."""

    elements: ClassVar = {
        **Markdown.elements,
        "heading_open": _PlainHeading,
        "fence": _PlainCode,
        "code_block": _PlainCode,
        "table_open": _WholeTable,
    }

    def __init__(self, markup: str) -> None:
        super().__init__(markup)
        for token in self.parsed:
            for inner in token.children or ():
                if inner.type == "code_inline":
                    inner.content = f"`{inner.content}`"
