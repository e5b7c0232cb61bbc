"""The examples of the library run, and every public name has one."""

from __future__ import annotations

import doctest
import importlib
import inspect
import pkgutil

import numpy as np
import pytest

import roomplan
import roomplan.api
from roomplan.cli.topics import TOPICS, source

MODULES = [
    "roomplan",
    "roomplan.api",
    *(f"roomplan.api.{module.name}" for module in pkgutil.iter_modules(roomplan.api.__path__)),
]


def found_examples() -> list[doctest.DocTest]:
    finder = doctest.DocTestFinder(exclude_empty=True)
    return [
        test for name in MODULES for test in finder.find(importlib.import_module(name), name) if test.examples
    ]


EXAMPLES = found_examples()


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize("example", EXAMPLES, ids=[example.name for example in EXAMPLES])
def test_the_example_prints_what_it_says(example):
    example.globs.update(roomplan=roomplan, np=np)
    said = []
    results = doctest.DocTestRunner(verbose=False).run(example, out=said.append)
    assert results.attempted > 0
    assert results.failed == 0, "".join(said)


PUBLIC = [name for name in roomplan.__all__ if name != "__version__"]


@pytest.mark.parametrize("name", PUBLIC)
def test_every_public_name_is_described_and_stands_in_an_example(name):
    assert inspect.getdoc(getattr(roomplan, name))
    sources = "\n".join(line.source for example in EXAMPLES for line in example.examples)
    assert f"roomplan.{name}" in sources


@pytest.mark.parametrize("name", [n for n in PUBLIC if n[0].islower()])
def test_every_public_function_has_an_example_of_its_own(name):
    assert ">>> " in (getattr(roomplan, name).__doc__ or "")


@pytest.mark.usefixtures("folder")
def test_the_examples_of_the_help_print_what_they_say():
    page = source(TOPICS["python"])
    example = doctest.DocTestParser().get_doctest(page, {}, "python", "python", 0)
    said = []
    results = doctest.DocTestRunner(verbose=False).run(example, out=said.append)
    assert results.attempted > 10
    assert results.failed == 0, "".join(said)
