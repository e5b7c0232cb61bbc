"""Load a plan: every problem at once, and the plan as far as it can be made out.

A plan is a YAML file with whatever it extends, or the report of a render, which keeps the plan it was made
from.

Conventions
-----------
Problems come in file order, each with its line: what is wrong — what would be right. Nothing raises for
anything a file can hold.
"""

from __future__ import annotations

import copy
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from roomplan.documents.extends import read_extended, tidy
from roomplan.documents.source import in_file_order
from roomplan.errors import Place
from roomplan.frozen_classes import frozen_class
from roomplan.plan.extending import SHORT_FORMS, note_of_list
from roomplan.plan.faults import checked_shape
from roomplan.plan.old_words import OLD_WORDS, note_of
from roomplan.plan.resolve import resolve_plan
from roomplan.plan.schema import plan_schema
from roomplan.plan.shape import PLAN
from roomplan.plan.written import WrittenPlan, read_reported, written_paths

if TYPE_CHECKING:
    from collections.abc import Mapping

    from roomplan.documents.places import PlaceMap
    from roomplan.errors import Problem
    from roomplan.plan.model import Plan
    from roomplan.plan.written import Reported

__all__ = ["LoadedPlan", "load_plan", "load_template", "plan_schema"]


@frozen_class
class LoadedPlan:
    """A plan and everything that is wrong with it.

    Attributes
    ----------
    plan : Plan or None
        The plan as far as it can be made out: refused values are left out or have their defaults. None when
        a file could not be read.
    problems : tuple of Problem
        In file order, the plan's own file first. Empty: the plan can be trusted as far as a plan goes.
    written : WrittenPlan or None
        What the files say, word for word, for a report to keep; None when there are problems.
    notes : tuple of Problem
        Words of the files that have new names, under which they were read, and lists that replace others.
    """

    plan: Plan | None
    problems: tuple[Problem, ...]
    written: WrittenPlan | None = None
    notes: tuple[Problem, ...] = ()


def _names(data: dict[str, Any], places: PlaceMap, key: str) -> tuple[str, ...]:
    """Return the names in one mapping of the plan, also of what was refused in it."""
    given = tuple(data[key]) if isinstance(data.get(key), dict) else ()
    return given + places.refused_in((key,))


def _drop_nulls(data: dict[str, Any]) -> None:
    for key, value in list(data.items()):
        if value is None:
            del data[key]
        elif isinstance(value, dict):
            _drop_nulls(value)


def load_plan(path: Path | str) -> LoadedPlan:
    """Read a plan file, with everything it extends, or the plan that a report keeps.

    Parameters
    ----------
    path : Path
        The plan, or the `report.json` of a render; shown in messages as given.

    Returns
    -------
    LoadedPlan
        The plan and its problems.

    Notes
    -----
    No stem and no response is looked at, so which stems a pattern means and which positions a synthetic room
    has is not checked here. A plan from a report has the source and the documents it was made from, which
    need not be there any more; its places are those in the report. A room file that is not what it was then
    is written anew from the report, into a folder of its own that goes with this process.
    """
    path = Path(path)
    reported = read_reported(path)
    if isinstance(reported, tuple):
        return LoadedPlan(None, reported)
    return _load_files(path) if reported is None else _load_reported(path, reported)


def load_template(path: Path, said: Mapping[str, str]) -> LoadedPlan:
    """Read a plan file as a base that others extend: what it leaves to them is said for it.

    Parameters
    ----------
    said : mapping
        Key of the top level → what it is where neither the file nor what it extends says so.

    Returns
    -------
    LoadedPlan
        As `load_plan`.
    """
    return _load_files(path, said)


def _load_files(path: Path, said: Mapping[str, str] = MappingProxyType({})) -> LoadedPlan:
    document, problems = read_extended(path, OLD_WORDS, SHORT_FORMS)
    if document is None:
        return LoadedPlan(None, tuple(problems))
    data, places = document.data, document.places
    for key, value in said.items():
        if key not in data and not places.was_refused((key,)):
            data[key] = value
            places.add(key, Place(path))
    if not document.complete:
        _drop_nulls(data)  # they remove something of the base that could not be read
    words = copy.deepcopy(data)  # checking takes out what it refuses
    plan = None
    documents = tuple(tidy(file.absolute()) for file in document.files)
    plan, found = _made_out(data, places, path, documents, partial=not document.complete)
    problems = in_file_order([*problems, *found], document.files)
    lists = [note for note in map(note_of_list, document.replaced) if note is not None]
    notes = tuple(in_file_order([*map(note_of, document.renamed), *lists], document.files))
    written = None
    if plan is not None and not problems:
        written = WrittenPlan(plan.source, documents, words, written_paths(words, plan))
    return LoadedPlan(plan, tuple(problems), written, notes)


def _load_reported(path: Path, reported: Reported) -> LoadedPlan:
    written = reported.written
    plan, found = _made_out(reported.data, reported.places, written.source, written.documents, partial=False)
    problems = in_file_order([*reported.problems, *found], (path,))
    return LoadedPlan(plan, tuple(problems), None if problems else written)


def _made_out(
    data: dict[str, Any], places: PlaceMap, source: Path, documents: tuple[Path, ...], *, partial: bool
) -> tuple[Plan | None, list[Problem]]:
    """Return the plan that data mean, None when they are only a part of one or have no shape at all."""
    kinds = (("room", "rooms"), ("section", "sections"), ("group", "groups"))
    names = {kind: _names(data, places, key) for kind, key in kinds}
    shape, problems = checked_shape(data, places, PLAN, partial=partial)
    if shape is None or partial:
        return None, problems
    plan, found = resolve_plan(shape, places, source=source, documents=documents, names=names)
    return plan, [*problems, *found]
