"""What the shape of a plan refuses, as problems with places; and the plan without the refused parts.

Notes
-----
One round of checking does not see what a refused value hides, and a value that was taken out must not be
reported as missing. So the refused parts are taken out of the data and of the places together, the places
remember it, and the rest is checked again until nothing is left to refuse.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from roomplan.documents.suggest import Guesses
from roomplan.documents.wording import key_shown, quoted
from roomplan.errors import Problem
from roomplan.plan.shape import MISSING_REMEDIES, NOT_YET, TAG, PlanShape, Shape
from roomplan.plan.values import EMPTY, Thinned

if TYPE_CHECKING:
    from collections.abc import Mapping

    from roomplan.documents.places import KeyPath, PlaceMap

__all__ = ["checked_shape", "label"]

# What stands in for a missing key whose mapping is still worth a look: number of steps to it, key → value.
_STAND_INS: dict[tuple[int, str | int], type] = {
    (1, "rooms"): dict,
    (1, "sections"): dict,
    (3, "stems"): Thinned,
    (3, "sections"): Thinned,
}

# Every round takes out at least one node of each fault and a plan is a handful of levels deep.
_MOST_ROUNDS = 32


def label(path: KeyPath) -> str:
    """Return how a message names a node: its key, and its number from 1 when it stands in a list."""
    if not path:
        return "the plan"
    if isinstance(path[-1], int):
        return f"{label(path[:-1])}, entry {path[-1] + 1}"
    return key_shown(path[-1])


def _found(data: Any, path: KeyPath) -> Any:
    for step in path:
        data = data[step]
    return data


def _unknown_key(
    key: str, place_path: KeyPath, shape: type[Shape] | None, places: PlaceMap, guesses: Guesses
) -> Problem:
    place = places.of(place_path)
    where = "" if len(place_path) == 1 else f" in {label(place_path[:-1])}"
    if shape is None:
        return Problem(f"unknown key {quoted(key)}{where}", place, "leave out the line")
    not_yet = NOT_YET.get((shape.__name__, key))
    if not_yet is not None:
        return Problem(f"{key}: {not_yet}", place, "leave out the line")
    keys = shape.keys()
    near = guesses.nearest(key, keys)
    remedy = f"did you mean {quoted(near)}?" if near else f"one of {', '.join(keys)}"
    return Problem(f"unknown key {quoted(key)}{where}", place, remedy)


def _problem(
    error: Mapping[str, Any], path: KeyPath, places: PlaceMap, shape: type[Shape] | None, guesses: Guesses
) -> Problem | None:
    """Return one pydantic error as a problem, or None when it only follows from an earlier refusal."""
    kind = error["type"]
    context = error.get("ctx", {})
    if kind == "extra_forbidden":
        return _unknown_key(str(path[-1]), path, shape, places, guesses)
    if kind == "missing":
        if places.was_refused(path):
            return None
        key = str(path[-1])
        prefix = f"{label(path[:-1])}: " if len(path) > 1 else ""
        return Problem(f"{prefix}`{key}` is missing", places.of(path[:-1]), MISSING_REMEDIES.get(key))
    if kind == EMPTY and places.was_thinned(path):
        return None
    what = context.get("what", error["msg"])
    return Problem(f"{label(path)}: {what}", places.value(path), context.get("remedy"))


def _take_out(data: Any, places: PlaceMap, paths: set[KeyPath]) -> None:
    """Remove nodes from data and places, the last of a list first so that the others keep their index."""
    for path in sorted(
        paths, key=lambda path: [(isinstance(step, str), step) for step in path], reverse=True
    ):
        try:
            parent = _found(data, path[:-1])
            del parent[path[-1]]
        except (KeyError, IndexError):
            continue
        places.drop(path)


def checked_shape(
    data: dict[str, Any], places: PlaceMap, *, partial: bool = False
) -> tuple[PlanShape | None, list[Problem]]:
    """Check a document against the shape of a plan.

    Parameters
    ----------
    data : dict
        The document; refused parts are taken out of it.
    places : PlaceMap
        Its places, kept in step with the data.
    partial : bool
        Whether more may belong to the plan than is known, so that nothing counts as missing.

    Returns
    -------
    PlanShape or None
        The plan as written, without the refused parts; None when what is left has no shape at all.
    list of Problem
        One per fault, in no particular order.
    """
    problems: list[Problem] = []
    guesses = Guesses()
    for _ in range(_MOST_ROUNDS):
        shapes: dict[int, type[Shape]] = {}  # by the identity of the mapping they were applied to
        try:
            return PlanShape.model_validate(data, context=shapes), problems
        except ValidationError as failure:
            errors = failure.errors(include_url=False)
        out: set[KeyPath] = set()
        for error in errors:
            path = tuple(
                step for step in error["loc"] if not (isinstance(step, str) and step.startswith(TAG))
            )
            shape = shapes.get(id(_found(data, path[:-1]))) if error["type"] == "extra_forbidden" else None
            problem = _problem(error, path, places, shape, guesses)
            if problem is not None and not (partial and error["type"] == "missing"):
                problems.append(problem)
            parent, key = _found(data, path[:-1]), path[-1]
            if error["type"] != "missing":
                out.add(path)
            elif (len(path), key) in _STAND_INS:
                parent[key] = _STAND_INS[len(path), key]()
            else:
                out.add(path[:-1])
        _take_out(data, places, out)
    return None, problems
