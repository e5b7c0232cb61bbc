"""The command `roomplan`: errors become lines, never tracebacks."""

from __future__ import annotations

import gc
import io
import os
import sys
import warnings
from collections.abc import Mapping, Sequence
from importlib import import_module
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup

from roomplan.cli.environment import ExitStatus, print_errors
from roomplan.errors import RoomplanError, system_problem
from roomplan.foreign_text import printable

if TYPE_CHECKING:
    from typer.models import CommandInfo

__all__ = ["build", "main"]

HELP = """\
Plan reverb sends for dry stems, render them through rooms, and measure what comes back.

Start with roomplan demo, or with your own stems: roomplan new FOLDER, then roomplan check PLAN and
roomplan render PLAN. roomplan help lists the topics that are explained at length.
"""


# Modules of the commands, which have their names, in the order of the help.
COMMANDS = (
    "demo",
    "new",
    "check",
    "balance",
    "depth",
    "render",
    "measure",
    "compare",
    "loudness",
    "share",
    "rooms",
    "synthesise",
    "sweep",
    "capture",
    "schema",
    "cache",
    "help",
)

# Objects made before those that wait to be collected are looked for: Python's 700 would have them looked for
# some hundred times while modules are imported, a tenth of the time of a short command.
_COLLECTED_AFTER = 50_000

_INTERRUPTED = "interrupted: earlier files are untouched"

_HELP_OPTIONS = ("-h", "--help")

_WHOLE = 1_000  # characters: the first sentence of a command's help, not its beginning

# Command → option → what it is called now; the old spelling is understood for one version.
RENAMED = {
    "new": {"--from": "--template"},
    "compare": {"--write": "--write-to"},
    "measure": {"--bands": "--band-width"},
}

# Command → option → value → what it is called now; likewise.
RENAMED_VALUES = {
    "measure": {"--band-width": {"third": "third_octave"}, "--sort": {"range": "decay_range"}},
}


def _without_type(params: list[Any]) -> list[Any]:
    """Options of which those that take no value name no type of one, and arguments that name none."""
    for param in params:
        if getattr(param, "is_flag", False):
            param.metavar = ""
        elif param.param_type_name == "argument":
            param.display_type_rich = lambda ctx: None  # noqa: ARG005 - the name says it: FILE, PLAN
    return params


class _Command(TyperCommand):
    """A command whose flags show no type, and that understands options and values by their earlier names."""

    def get_params(self, ctx: Any) -> list[Any]:
        return _without_type(super().get_params(ctx))

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        command = self.name or ""
        return super().parse_args(
            ctx, _renamed(args, RENAMED.get(command, {}), RENAMED_VALUES.get(command, {}))
        )


def _renamed(args: list[str], names: Mapping[str, str], values: Mapping[str, Mapping[str, str]]) -> list[str]:
    """Arguments with earlier names of options and values replaced, and a note of each on standard error."""
    end = args.index("--") if "--" in args else len(args)
    found: list[str] = []
    before = ""  # option whose value comes next
    for argument in args[:end]:
        if argument in values.get(before, {}):
            found.append(_now(argument, values[before][argument], f"{before} "))
            before = ""
            continue
        option, equals, value = argument.partition("=")
        if option in names:
            option = _now(option, names[option])
        if equals and value in values.get(option, {}):
            value = _now(value, values[option][value], f"{option} ")
        found.append(f"{option}{equals}{value}")
        before = "" if equals else option
    return found + args[end:]


def _now(earlier: str, now: str, option: str = "") -> str:
    """Return the name that holds `now`, after a note about the `earlier` one."""
    print_errors(f"note: {option}{earlier} is now {option}{now}; the next version accepts only the new name")
    return now


class _Commands(TyperGroup):
    """The commands; what a usage error repeats of the command line, perhaps a file's name, is printable."""

    def get_params(self, ctx: Any) -> list[Any]:
        return _without_type(super().get_params(ctx))

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        if not args:  # typer's own way leaves showing the help to the frames that are left out here
            sys.stderr.write(f"{ctx.get_help()}\n")
            ctx.exit(ExitStatus.USAGE)
        return super().parse_args(ctx, args)

    def format_help(self, ctx: Any, formatter: Any) -> None:
        # without the frames of a command's own help, which take as long to load as all of this
        super(TyperGroup, self).format_help(ctx, formatter)

    def format_commands(self, ctx: Any, formatter: Any) -> None:  # noqa: ARG002 - click's signature
        with formatter.section("Commands"):
            formatter.write_dl(self.rows())

    def rows(self) -> list[tuple[str, str]]:
        """Names of the commands, and what each does in a sentence."""
        return [(name, command.get_short_help_str(_WHOLE)) for name, command in self.commands.items()]

    def make_context(self, *args: Any, **settings: Any) -> Any:
        try:
            return super().make_context(*args, **settings)
        except typer.TyperException as error:
            raise _printable_usage_error(error) from None

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except typer.TyperException as error:
            raise _printable_usage_error(error) from None


class _ListedCommands(_Commands):
    """The commands as they are listed: without their options, which take longer to make than all else."""

    def rows(self) -> list[tuple[str, str]]:
        return [
            (name, TyperCommand(name, help=info.help).get_short_help_str(_WHOLE))
            for name in COMMANDS
            for info in _registered(name)
        ]


def _registered(name: str) -> Sequence[CommandInfo]:
    """What a module tells typer of its command."""
    app = typer.Typer()
    import_module(f"roomplan.cli.{name}").register(app)
    return app.registered_commands


def _printable_usage_error(error: typer.TyperException) -> typer.TyperException:
    words = getattr(error, "message", None)
    if isinstance(words, str):
        error.__dict__["message"] = printable(words)
    return error


def build(wanted: str | None = None) -> typer.Typer:
    """Return the command line with all its commands, or with one alone that is wanted and needs no other."""
    app = _without_commands(_Commands)
    alone = wanted is not None and wanted in COMMANDS and wanted != "help"  # which explains the others
    for name in (wanted,) if alone else COMMANDS:
        import_module(f"roomplan.cli.{name}").register(app)
    for command in app.registered_commands:
        command.cls = _Command
    return app


def _without_commands(cls: type[_Commands]) -> typer.Typer:
    app = typer.Typer(
        cls=cls,
        name="roomplan",
        help=HELP,
        add_completion=False,
        pretty_exceptions_enable=False,
        rich_markup_mode="rich",
        context_settings={"help_option_names": [*_HELP_OPTIONS]},
    )
    app.callback()(options)
    return app


def _version(wanted: bool) -> None:
    if wanted:
        from roomplan._version import __version__

        typer.echo(f"roomplan {__version__}")
        raise typer.Exit


def options(
    version: Annotated[
        bool, typer.Option("--version", help="Show the version and exit.", callback=_version, is_eager=True)
    ] = False,
) -> None:
    """Hold the options that come before a command."""


def main() -> None:
    """Run the command line and exit."""
    # the threads are ours: those of BLAS would spin beside them; read when numpy is imported, later
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # looking for plugins of pydantic reads what every installed package says of itself, 15 ms; we want none
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    gc.set_threshold(_COLLECTED_AFTER, *gc.get_threshold()[1:])
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a pipe may know fewer characters than we print
            stream.reconfigure(errors="backslashreplace")
    status: int = ExitStatus.OK
    try:
        with warnings.catch_warnings():
            if not sys.warnoptions:  # what libraries warn of is for whoever asks: PYTHONWARNINGS=default
                warnings.simplefilter("ignore")
                os.environ.setdefault("PYTHONWARNINGS", "ignore")  # for the processes we start
            first = sys.argv[1] if len(sys.argv) > 1 else _HELP_OPTIONS[0]
            app = _without_commands(_ListedCommands) if first in _HELP_OPTIONS else build(first)
            app()
    except RoomplanError as error:
        print_errors(error)
        status = ExitStatus.INPUT
    except KeyboardInterrupt:
        print_errors(_INTERRUPTED)
        status = ExitStatus.INTERRUPTED
    except SystemExit as ended:
        if ended.code == ExitStatus.INTERRUPTED:  # typer ends a command so on Ctrl-C, without a word
            print_errors(_INTERRUPTED)
        raise
    except BrokenPipeError:
        # the reader of our output went away; Python would complain again while closing it
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        status = ExitStatus.INPUT
    except MemoryError:
        print_errors("out of memory — close other programs, or render fewer sections at a time")
        status = ExitStatus.INPUT
    except OSError as error:
        print_errors(system_problem(error))
        status = ExitStatus.INPUT
    sys.exit(status)


if __name__ == "__main__":
    main()
