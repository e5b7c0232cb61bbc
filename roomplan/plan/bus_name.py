"""Names of buses: text in reports, parts in the program.

`mix`, `dry`, `wet`, `section:NAME` and `group:NAME` (each also with `:dry` and `:wet`), `room:NAME` (also
with `:POSITION`), `alternate:NAME` (also with `:GROUP`, or `:SECTION` of a section without a group; where
these share a name, with `:group:GROUP` and `:section:SECTION`). No name in a plan holds a colon.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

__all__ = ["BusName"]


class BusName(str):
    """A bus name that knows its parts; text in every other way."""

    __slots__ = ()

    @classmethod
    def of_section(cls, name: str, path: str | None = None) -> Self:
        """All of a section, or its `dry` or `wet`."""
        return cls._of("section", name, path)

    @classmethod
    def of_group(cls, name: str, path: str | None = None) -> Self:
        """All of a group, or its `dry` or `wet`."""
        return cls._of("group", name, path)

    @classmethod
    def of_room(cls, name: str, position: str | None = None) -> Self:
        """What returns from a room, or from one position in it."""
        return cls._of("room", name, position)

    @classmethod
    def of_alternate(cls, name: str, part: str | None = None) -> Self:
        """The mix of an alternate, or one group of it."""
        return cls._of("alternate", name, part)

    @classmethod
    def _of(cls, kind: str, name: str, part: str | None) -> Self:
        return cls(f"{kind}:{name}" if part is None else f"{kind}:{name}:{part}")

    @property
    def kind(self) -> str:
        """`mix`, `dry`, `wet`, `section`, `group`, `room` or `alternate`."""
        return self.partition(":")[0]

    @property
    def subject(self) -> str:
        """Name of the section, group, room or alternate; empty for the mix, all dry and all wet."""
        return self.partition(":")[2].partition(":")[0]

    @property
    def part(self) -> str:
        """`dry` or `wet`, the position in a room, the group of an alternate; empty for all of it."""
        return self.partition(":")[2].partition(":")[2]

    @property
    def is_wet(self) -> bool:
        """Whether the bus holds nothing but sends."""
        return self.kind in {"wet", "room"} or (self.kind in {"section", "group"} and self.part == "wet")

    def sections(self, groups: Mapping[str, Collection[str]]) -> set[str]:
        """Names of the sections in a section or a group; empty for others, and for a group there is not."""
        if self.kind == "section":
            return {self.subject}
        return set(groups.get(self.subject, ())) if self.kind == "group" else set()
