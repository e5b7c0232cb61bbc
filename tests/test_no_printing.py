"""Only the command line and what shows results print: everything else returns, raises or warns."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import roomplan

PACKAGE = Path(roomplan.__file__).parent
PRINTERS = {"cli", "show"}
STREAMS = {f"sys.{name}" for name in ("stdout", "stderr", "__stdout__", "__stderr__")}
TERMINALS = {"rich.console.Console", "rich.get_console", "rich.live.Live", "rich.status.Status"}
CALLS = {
    "print",
    "pprint",
    "os.write",
    "typer.echo",
    "typer.secho",
    "click.echo",
    "click.secho",
    "rich.print",
}


def printing(source: str) -> list[int]:
    """Lines that print, or take hold of what can: a standard stream or a terminal of rich."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call):
            names = {_dotted(node.func)} & CALLS
        elif isinstance(node, ast.Attribute):
            names = {_dotted(node)} & (STREAMS | TERMINALS)
        elif isinstance(node, ast.ImportFrom):
            names = {f"{node.module}.{alias.name}" for alias in node.names} & (STREAMS | TERMINALS | CALLS)
            names |= {node.module} & {"rich.progress"}
        elif isinstance(node, ast.Import):
            names = {alias.name for alias in node.names} & {"rich.progress"}
        else:
            continue
        if names:
            found.append(node.lineno)
    return found


def _dotted(node: ast.expr) -> str:
    if isinstance(node, ast.Attribute):
        return f"{_dotted(node.value)}.{node.attr}"
    return node.id if isinstance(node, ast.Name) else ""


@pytest.mark.parametrize(
    "source",
    [
        "print('choir')",
        "import sys\nsys.stdout.write('choir')",
        "import sys\nhands = (sys.stderr,)",
        "from sys import stderr",
        "from rich.console import Console",
        "from rich import get_console",
        "import rich.console\nterminal = rich.console.Console()",
        "from rich import print as show",
        "def later():\n    from rich.progress import Progress",
        "import typer\ntyper.echo('choir')",
    ],
)
def test_printing_is_seen_however_it_is_written(source):
    assert len(printing(source)) == 1


@pytest.mark.parametrize(
    "source",
    ["import warnings\nwarnings.warn('choir')", "from rich.console import RenderableType", "'print(1)'"],
)
def test_what_only_warns_or_is_shown_by_others_is_no_printing(source):
    assert printing(source) == []


def test_only_the_command_line_and_what_shows_results_print():
    files = {file.relative_to(PACKAGE): file for file in PACKAGE.rglob("*.py") if "_data" not in file.parts}
    inside = {path: file for path, file in files.items() if path.parts[0] not in PRINTERS}
    assert len(inside) > 150
    found = [f"{path}:{line}" for path, file in inside.items() for line in printing(file.read_text("utf-8"))]
    assert found == []
