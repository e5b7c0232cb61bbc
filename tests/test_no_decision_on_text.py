"""Messages are for people: no module decides by what a reason, a problem or a remedy says."""

from __future__ import annotations

import ast
from pathlib import Path

import roomplan

SENTENCES = {"reason", "reasons", "what", "remedy", "message", "verdict_reason"}
SEARCHES = {"startswith", "endswith", "find", "index", "rfind", "count"}


def is_sentence(node: ast.expr) -> bool:
    """Tell whether an expression is a message by its name, also one item of several."""
    if isinstance(node, ast.Subscript):
        return is_sentence(node.value)
    name = node.id if isinstance(node, ast.Name) else node.attr if isinstance(node, ast.Attribute) else ""
    return name in SENTENCES


def decisions(tree: ast.AST) -> list[int]:
    """Lines that search in a message, or compare one with a text."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            if node.func.attr in SEARCHES and is_sentence(node.func.value):
                found.append(node.lineno)
        elif isinstance(node, ast.Compare):
            sides = [node.left, *node.comparators]
            if any(isinstance(side, ast.Constant) and isinstance(side.value, str) for side in sides):
                inside = [
                    side
                    for side, operator in zip(node.comparators, node.ops, strict=True)
                    if not (isinstance(operator, ast.In | ast.NotIn) and _is_mapping(side))
                ]
                named = [side for side in (node.left, *inside) if not isinstance(side, ast.Name)]
                if any(is_sentence(side) for side in named):
                    found.append(node.lineno)
    return found


def _is_mapping(node: ast.expr) -> bool:
    """Tell whether an expression is called as mappings of reasons are: a key may be looked for in it."""
    name = node.id if isinstance(node, ast.Name) else node.attr if isinstance(node, ast.Attribute) else ""
    return name == "reasons"


def test_a_search_in_a_message_is_found():
    assert decisions(ast.parse("kept = reason is not None and reason.endswith(endings)")) == [1]
    assert decisions(ast.parse('if problem.what == "is missing": pass')) == [1]
    assert decisions(ast.parse('if "gates" in figure.reason: pass')) == [1]
    assert decisions(ast.parse('if figures.reasons["t30_s"] == "silent": pass')) == [1]
    assert decisions(ast.parse('if "t30_s" in figures.reasons: pass')) == []


def test_no_module_decides_by_the_text_of_a_message():
    folder = Path(roomplan.__file__).parent
    files = sorted(file for file in folder.rglob("*.py") if "_data" not in file.parts)
    assert len(files) > 100
    found = [
        f"{file.relative_to(folder)}:{line}"
        for file in files
        for line in decisions(ast.parse(file.read_text(encoding="utf-8")))
    ]
    assert found == []
