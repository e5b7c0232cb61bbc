"""What the shape of a document refuses, as problems with places; and the document without the refused parts.

Notes
-----
One round of checking does not see what a refused value hides, and a value that was taken out must not be
reported as missing. So the refused parts are taken out of the data and of the places together, the places
remember it, and the rest is checked again until nothing is left to refuse.
"""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from pydantic import ValidationError

from roomplan.documents.suggest import Guesses
from roomplan.documents.wording import key_shown, quoted
from roomplan.errors import Problem
from roomplan.frozen_classes import frozen_class
from roomplan.plan.base_shape import TAG, Shape
from roomplan.plan.values import EMPTY

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from roomplan.documents.places import KeyPath, PlaceMap

__all__ = ["DocumentKind", "checked_shape", "last_key"]

# Every round takes out at least one node of each fault and a document is a handful of levels deep.
_MOST_ROUNDS = 32

ShapeT = TypeVar("ShapeT", bound=Shape)


def last_key(path: KeyPath) -> str:
    """Return how a message names a node: its key, and its number from 1 when it is in a list."""
    if isinstance(path[-1], int):
        return f"{last_key(path[:-1])}, entry {path[-1] + 1}"
    return key_shown(path[-1])


@frozen_class
class DocumentKind(Generic[ShapeT]):
    """A kind of document: its shape, and how its faults are put.

    Attributes
    ----------
    shape : type
        Of the whole document.
    whole : str
        What a message calls the document.
    missing_remedies : mapping
        Required key → what to write where it is missing; `add KEY:` otherwise.
    not_yet : mapping
        Name of a shape and one of its keys that is reserved → why it is not accepted.
    stand_ins : mapping
        Number of steps to a required key, and the key → what makes a value in its place where its mapping
        is still worth a look without it.
    node : callable
        Key path of at least one step → how a message names the node there.
    """

    shape: type[ShapeT]
    whole: str
    missing_remedies: Mapping[str, str] = field(default_factory=dict)
    not_yet: Mapping[tuple[str, str], str] = field(default_factory=dict)
    stand_ins: Mapping[tuple[int, str | int], Callable[[], Any]] = field(default_factory=dict)
    node: Callable[[KeyPath], str] = last_key

    def label(self, path: KeyPath) -> str:
        """Return how a message names the node at `path`."""
        return self.node(path) if path else self.whole


def _found(data: Any, path: KeyPath) -> Any:
    for step in path:
        data = data[step]
    return data


class _Faults(Generic[ShapeT]):
    """Turns the errors of one document into problems."""

    def __init__(self, kind: DocumentKind[ShapeT], places: PlaceMap) -> None:
        self._kind = kind
        self._places = places
        self._guesses = Guesses()

    def unknown_key(self, path: KeyPath, shape: type[Shape] | None) -> Problem:
        """Return the problem of a key that the mapping's shape does not have."""
        place, key = self._places.of(path), str(path[-1])
        where = "" if len(path) == 1 else f" in {self._kind.label(path[:-1])}"
        if shape is None:
            return Problem(f"unknown key {quoted(key)}{where}", place, "leave out the line")
        not_yet = self._kind.not_yet.get((shape.__name__, key))
        if not_yet is not None:
            return Problem(f"{key}: {not_yet}", place, "leave out the line")
        keys = shape.keys()
        # 16000 is no slip for 1000
        near = None if key.isdigit() else self._guesses.nearest(key, keys)
        remedy = f"did you mean {quoted(near)}?" if near else f"one of {', '.join(keys)}"
        return Problem(f"unknown key {quoted(key)}{where}", place, remedy)

    def missing_key(self, path: KeyPath) -> Problem | None:
        """Return the problem of a required key that is not there; None when its value was refused before."""
        if self._places.was_refused(path):
            return None
        key = str(path[-1])
        prefix = f"{self._kind.label(path[:-1])}: " if len(path) > 1 else ""
        plain = f'add `"{key}":`' if key.isdigit() else f"add `{key}:`"
        remedy = self._kind.missing_remedies.get(key, plain)
        return Problem(f"{prefix}`{key}` is missing", self._places.of(path[:-1]), remedy)

    def problem(self, error: Mapping[str, Any], path: KeyPath, shape: type[Shape] | None) -> Problem | None:
        """Return one pydantic error as a problem, or None when it only follows from an earlier refusal."""
        kind = error["type"]
        context = error.get("ctx", {})
        if kind == "extra_forbidden":
            return self.unknown_key(path, shape)
        if kind == "missing":
            return self.missing_key(path)
        if kind == EMPTY and self._places.was_thinned(path):
            return None
        what = context.get("what", error["msg"])
        return Problem(f"{self._kind.label(path)}: {what}", self._places.value(path), context.get("remedy"))


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
    data: dict[str, Any], places: PlaceMap, kind: DocumentKind[ShapeT], *, partial: bool = False
) -> tuple[ShapeT | None, list[Problem]]:
    """Check a document against its shape.

    Parameters
    ----------
    data : dict
        The document; refused parts are taken out of it.
    places : PlaceMap
        Its places, kept in step with the data.
    kind : DocumentKind
        What is expected of it.
    partial : bool
        Whether more may belong to the document than is known, so that nothing counts as missing.

    Returns
    -------
    Shape or None
        The document as written, without the refused parts; None when what is left has no shape at all.
    list of Problem
        One per fault, in no particular order.
    """
    problems: list[Problem] = []
    faults = _Faults(kind, places)
    for _ in range(_MOST_ROUNDS):
        shapes: dict[int, type[Shape]] = {}  # by the identity of the mapping they were applied to
        try:
            return kind.shape.model_validate(data, context=shapes), problems
        except ValidationError as failure:
            errors = failure.errors(include_url=False)
        out: set[KeyPath] = set()
        for error in errors:
            path = tuple(
                step for step in error["loc"] if not (isinstance(step, str) and step.startswith(TAG))
            )
            shape = shapes.get(id(_found(data, path[:-1]))) if error["type"] == "extra_forbidden" else None
            problem = faults.problem(error, path, shape)
            if problem is not None and not (partial and error["type"] == "missing"):
                problems.append(problem)
            parent, key = _found(data, path[:-1]), path[-1]
            if error["type"] != "missing":
                out.add(path)
            elif (len(path), key) in kind.stand_ins:
                parent[key] = kind.stand_ins[len(path), key]()
            else:
                out.add(path[:-1])
        _take_out(data, places, out)
    return None, problems
