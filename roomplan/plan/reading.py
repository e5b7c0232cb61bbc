"""What every step from shape to plan needs: the places, the names that exist, a list for problems."""

from __future__ import annotations

from itertools import chain, islice
from typing import TYPE_CHECKING, Literal

from roomplan.documents.extends import path_beside, tidy
from roomplan.documents.suggest import Guesses
from roomplan.documents.wording import listed, number, quoted
from roomplan.errors import Problem
from roomplan.plan.bus_name import BusName
from roomplan.plan.notes import note_duration_ms

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    from roomplan.documents.places import KeyPath, PlaceMap
    from roomplan.errors import Place

__all__ = ["Cut", "Reading"]

Cut = float | Literal["off"] | None

_LONGEST_PRE_DELAY_MS = 4000.0
_BUS_KINDS = ("section", "group")
_MOST_NAMES = 200  # a name is compared with: looking through all, for each wrong one, takes too long


class Reading:
    """One plan on its way from what the file says to what it means.

    Parameters
    ----------
    places : PlaceMap
        Where the values are.
    names : mapping
        `room`, `section` and `group` → every name the files have, also of those whose values were refused.
    tempo : float or None
        Quarter notes per minute.
    sample_rate : int or None
        Hz.
    """

    def __init__(
        self,
        places: PlaceMap,
        names: Mapping[str, tuple[str, ...]],
        *,
        tempo: float | None,
        sample_rate: int | None,
    ) -> None:
        self.places = places
        self.names = names
        self._known = {kind: frozenset(known) for kind, known in names.items()}
        self.tempo = tempo
        self.sample_rate = sample_rate
        self.problems: list[Problem] = []
        self.guesses = Guesses()

    def refuse(self, what: str, place: Place, remedy: str) -> None:
        """Note a problem."""
        self.problems.append(Problem(what, place, remedy))

    def path(self, text: str, key_path: KeyPath) -> Path | None:
        """Return the absolute path that a text means, in the file it is in."""
        place = self.places.value(key_path)
        try:
            return tidy(path_beside(text, place.file).absolute())
        except ValueError as error:
            self.refuse(
                f"{key_path[-1]}: {quoted(text)}: {error}", place, "a path, ~ for your own home folder"
            )
            return None

    def has(self, kind: str, name: str) -> bool:
        """Tell whether the file has a room, section or group of this name, also one that was refused."""
        return name in self._known[kind]

    def known(self, kind: str, name: str, place: Place) -> bool:
        """Tell whether the file has a room or section of this name; report it if not.

        Where there are no names at all, that is the fault, and reported as such.
        """
        names = self.names[kind]
        if self.has(kind, name) or not names:
            return True
        self.refuse(f"there is no {kind} {quoted(name)}", place, self.nearest_or_all(name, names))
        return False

    def nearest_or_all(self, name: str, names: Iterable[str]) -> str:
        """Return the remedy for a name that is none of `names`: the nearest of them, or what there is."""
        known = list(islice(names, _MOST_NAMES))
        near = self.guesses.nearest(name, known)
        return f"did you mean {quoted(near)}?" if near else f"one of {listed(known)}"

    def bus(self, text: str, label: str, place: Place) -> BusName | None:
        """Return the section or group that a text means; None, reported, if none or two.

        Where a section and a group share a name, and only there, the text has its kind before it.
        """
        prefix, name = "", text
        kinds = [kind for kind in _BUS_KINDS if self.has(kind, text)]
        if not kinds and ":" in text:
            prefix, _, name = text.partition(":")
            kinds = [kind for kind in _BUS_KINDS if self.has(kind, name)]
        if len(kinds) == 1 and not prefix:
            return BusName(f"{kinds[0]}:{name}")
        if len(kinds) == 2 and prefix in kinds:
            return BusName(f"{prefix}:{name}")
        if len(kinds) == 2:
            what = f"{label}: {quoted(name)} is the name of a section and of a group"
            self.refuse(what, place, f"`section:{name}` or `group:{name}`")
        elif kinds:
            self.refuse(f"{label}: {quoted(text)} must be only a name", place, f"`{name}`")
        elif self.names["section"] and not self.places.was_refused(("groups",)):
            # Otherwise a whole mapping of names was refused, and this name may be one of them.
            names = chain.from_iterable(self.names[kind] for kind in _BUS_KINDS)
            what = f"{label}: there is no section or group {quoted(text)}"
            self.refuse(what, place, self.nearest_or_all(name, names))
        return None

    def pre_delay_s(self, value: float | str, path: KeyPath) -> float:
        """Return a pre-delay in seconds; 0 when it cannot be known."""
        if not isinstance(value, str):
            return value / 1000.0
        place = self.places.value(path)
        if self.tempo is None:
            if not self.places.was_refused(("tempo",)):
                what = f"pre_delay: {value} is a note value, but the plan has no tempo"
                self.refuse(what, place, "`tempo: 84` at the top, or milliseconds")
            return 0.0
        duration = note_duration_ms(value, self.tempo)
        if duration > _LONGEST_PRE_DELAY_MS:
            what = f"pre_delay: {value} at a tempo of {number(self.tempo)} lasts {duration:.0f} ms"
            self.refuse(what, place, f"at most {number(_LONGEST_PRE_DELAY_MS)} ms")
            return 0.0
        return duration / 1000.0

    def cut_hz(self, value: Cut, path: KeyPath) -> float | None:
        """Return a cut in Hz, 0 for `off`, None for one that is absent or too high for the plan's rate."""
        if value is None:
            return None
        if value == "off":
            return 0.0
        if self.sample_rate is not None and value >= self.sample_rate / 2:
            self.refuse(
                f"{path[-1]}: {number(value)} Hz is not below half the sample rate",
                self.places.value(path),
                f"below {number(self.sample_rate / 2)} Hz, or `off`",
            )
            return None
        return value

    def cuts_in_order(self, low: float | None, high: float | None, place: Place) -> bool:
        """Tell whether the low cut is under the high cut; report it if not. 0 and None are no cut."""
        if not low or not high or low < high:
            return True
        what = f"the low cut, {number(low)} Hz, is not below the high cut, {number(high)} Hz"
        self.refuse(what, place, "low_cut below high_cut")
        return False
