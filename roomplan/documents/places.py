"""Where every key and value of a document is.

Conventions
-----------
A key path is a tuple of mapping keys (text) and list indices (from 0): `("rooms", "nave", "level")`. The
places are kept as a tree of the same shape as the data, so that merging two documents merges their places.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    from roomplan.errors import Place

__all__ = ["KeyPath", "PlaceMap", "Spot"]

KeyPath: TypeAlias = "tuple[str | int, ...]"


@dataclass(slots=True)
class Spot:
    """One node: the place of its key, of its value, its children, and the keys whose values were refused."""

    key: Place
    value: Place
    children: dict[str, Spot] | list[Spot] | None = None
    refused: set[str] = field(default_factory=set)

    def copy(self) -> Spot:
        """Return an independent copy of this node and all below it."""
        children = self.children
        if isinstance(children, dict):
            children = {name: child.copy() for name, child in children.items()}
        elif isinstance(children, list):
            children = [child.copy() for child in children]
        return Spot(self.key, self.value, children, set(self.refused))

    def child(self, step: str | int) -> Spot | None:
        """Return the node one step down, or None."""
        children = self.children
        if isinstance(children, dict):
            return children.get(step) if isinstance(step, str) else None
        if isinstance(children, list) and isinstance(step, int) and 0 <= step < len(children):
            return children[step]
        return None


class PlaceMap:
    """The places of a document's keys and values, found by key path.

    Notes
    -----
    A path that leads nowhere gets the place of the nearest node above it: a message about something missing
    points to the mapping it is missing from.
    """

    __slots__ = ("root",)

    def __init__(self, root: Spot) -> None:
        self.root = root

    def of(self, path: KeyPath) -> Place:
        """Return the place of the key at `path` (of the item itself in a list)."""
        return self._nearest(path).key

    def value(self, path: KeyPath) -> Place:
        """Return the place of the value at `path`; its `file` is the one relative paths belong to."""
        return self._nearest(path).value

    def was_refused(self, path: KeyPath) -> bool:
        """Tell whether the file has a value at `path` which was refused and is no longer in the data."""
        if not path or not isinstance(path[-1], str):
            return False
        parent = self._exact(path[:-1])
        return parent is not None and path[-1] in parent.refused

    def has(self, path: KeyPath) -> bool:
        """Tell whether there is a value at `path`."""
        return self._exact(path) is not None

    def refused_in(self, path: KeyPath) -> tuple[str, ...]:
        """Return the keys of the mapping at `path` whose values were refused."""
        spot = self._exact(path)
        return tuple(sorted(spot.refused)) if spot is not None else ()

    def was_thinned(self, path: KeyPath) -> bool:
        """Tell whether something directly in the mapping or list at `path` was refused."""
        spot = self._exact(path)
        return spot is not None and bool(spot.refused)

    def add(self, key: str, place: Place) -> None:
        """Note a key of the whole document that its file does not have, and where it counts as read."""
        if isinstance(self.root.children, dict):
            self.root.children[key] = Spot(place, place)

    def drop(self, path: KeyPath) -> None:
        """Forget the node at `path`, which the caller removes from the data; remember its key as refused."""
        parent = self._exact(path[:-1]) if path else None
        if parent is None:
            return
        step = path[-1]
        if isinstance(parent.children, dict) and isinstance(step, str):
            parent.children.pop(step, None)
            parent.refused.add(step)
        elif isinstance(parent.children, list) and isinstance(step, int) and step < len(parent.children):
            del parent.children[step]
            parent.refused.add("")  # no key is empty: the mark of a list that has lost an entry

    def copy(self) -> PlaceMap:
        """Return an independent copy."""
        return PlaceMap(self.root.copy())

    def _exact(self, path: KeyPath) -> Spot | None:
        spot: Spot | None = self.root
        for step in path:
            spot = spot.child(step) if spot is not None else None
        return spot

    def _nearest(self, path: KeyPath) -> Spot:
        spot = self.root
        for step in path:
            below = spot.child(step)
            if below is None:
                break
            spot = below
        return spot
