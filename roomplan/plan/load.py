"""Load a plan: every problem at once, and the plan as far as it can be made out.

Conventions
-----------
Problems come in file order, each with its line: what is wrong — what would be right. Nothing raises for
anything a file can hold.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from roomplan.documents.extends import read_extended, tidy
from roomplan.documents.source import in_file_order
from roomplan.plan.faults import checked_shape
from roomplan.plan.resolve import resolve_plan
from roomplan.plan.schema import plan_schema

if TYPE_CHECKING:
    from roomplan.documents.places import PlaceMap
    from roomplan.errors import Problem
    from roomplan.plan.model import Plan

__all__ = ["LoadedPlan", "load_plan", "plan_schema"]


@dataclass(frozen=True, slots=True)
class LoadedPlan:
    """A plan and everything that is wrong with it.

    Attributes
    ----------
    plan : Plan or None
        The plan as far as it can be made out: refused values are left out or have their defaults. None when
        a file could not be read.
    problems : tuple of Problem
        In file order, the plan's own file first. Empty: the plan can be trusted as far as a plan goes.
    """

    plan: Plan | None
    problems: tuple[Problem, ...]


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
    """Read a plan file, with everything it extends.

    Parameters
    ----------
    path : Path
        The plan; shown in messages as given.

    Returns
    -------
    LoadedPlan
        The plan and its problems.

    Notes
    -----
    No stem and no response is looked at, so which stems a pattern means and which positions a synthetic room
    has is not checked here.
    """
    path = Path(path)
    document, problems = read_extended(path)
    if document is None:
        return LoadedPlan(None, tuple(problems))
    data, places = document.data, document.places
    if not document.complete:
        _drop_nulls(data)  # they remove something of the base that could not be read
    kinds = (("room", "rooms"), ("section", "sections"), ("group", "groups"))
    names = {kind: _names(data, places, key) for kind, key in kinds}
    shape, found = checked_shape(data, places, partial=not document.complete)
    problems += found
    plan = None
    if shape is not None and document.complete:
        documents = tuple(tidy(file.absolute()) for file in document.files)
        plan, found = resolve_plan(shape, places, source=path, documents=documents, names=names)
        problems += found
    return LoadedPlan(plan, tuple(in_file_order(problems, document.files)))
