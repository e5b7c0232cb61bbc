"""No function is longer than a reader can keep in mind."""

from __future__ import annotations

import ast
import io
import tokenize
from pathlib import Path

import roomplan

PACKAGE = Path(roomplan.__file__).parent
MOST_LINES = 60

_NO_CODE = {tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT}


def lengths(source: str) -> dict[str, int]:
    """Lines of code in the body of each function: no blank lines, no comments, no docstring."""
    coded = {
        line
        for token in tokenize.generate_tokens(io.StringIO(source).readline)
        if token.type not in _NO_CODE
        for line in range(token.start[0], token.end[0] + 1)
    }
    found: dict[str, int] = {}

    def visit(node: ast.AST, name: str) -> None:
        for child in ast.iter_child_nodes(node):
            own = name
            if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                own = f"{name}.{child.name}"
            if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef):
                body = child.body[1:] if ast.get_docstring(child) is not None else child.body
                lines = {line for part in body for line in range(part.lineno, (part.end_lineno or 0) + 1)}
                found[own.lstrip(".")] = len(lines & coded)
            visit(child, own)

    visit(ast.parse(source), "")
    return found


def test_lines_of_code_are_counted_without_blank_lines_comments_and_the_docstring():
    source = '''
def outer(a,
          b):
    """Say something.

    At length.
    """

    # why
    first = a  # here

    text = """
    two
    """

    def inner():
        return b

    return first, text, inner


class Choir:
    def sing(self): return 1
'''
    assert lengths(source) == {"outer": 7, "outer.inner": 1, "Choir.sing": 1}


def test_no_function_has_more_than_60_lines_of_code():
    files = {file.relative_to(PACKAGE): file for file in PACKAGE.rglob("*.py") if "_data" not in file.parts}
    counted = {
        f"{'.'.join(path.with_suffix('').parts)}.{name}": count
        for path, file in files.items()
        for name, count in lengths(file.read_text("utf-8")).items()
    }
    assert len(counted) > 2000
    assert {name: count for name, count in counted.items() if count > MOST_LINES} == {}
