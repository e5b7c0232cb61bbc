"""The deliveries of a plan: folders and names with their fields, formats, and that none meets another."""

from __future__ import annotations

import os
import unicodedata
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path, PurePath
from typing import TYPE_CHECKING

from roomplan.documents.extends import tidy
from roomplan.documents.wording import quoted
from roomplan.files.names import is_sound_name
from roomplan.plan import model
from roomplan.plan.templates import FIELDS, fields_of, filled, has_loose_brace

if TYPE_CHECKING:
    from collections.abc import Mapping

    from roomplan.documents.places import KeyPath
    from roomplan.errors import Place
    from roomplan.plan.reading import Reading
    from roomplan.plan.shape import DeliveryShape, PlanShape

__all__ = ["resolve_deliveries"]

_DEFAULT_DELIVERY = "render"
_DEFAULT_FAMILIES: tuple[model.Family, ...] = ("mix", "prints", "rooms")
_SHOWN_FIELDS = ", ".join(f"{{{field}}}" for field in FIELDS)


def resolve_deliveries(
    reading: Reading,
    shape: PlanShape,
    *,
    title: str,
    folder: Path,
    sections: Mapping[str, model.Section],
    groups: Mapping[str, model.Group],
) -> dict[str, model.Delivery]:
    """Return the deliveries; without any, the default one beside the plan.

    Parameters
    ----------
    shape : PlanShape
        The plan as written.
    title : str
        The plan's title, given or not.
    folder : Path
        The plan's own folder.
    sections, groups : mapping
        Those that could be made out.
    """
    if not shape.deliveries:
        return {
            _DEFAULT_DELIVERY: model.Delivery(
                name=_DEFAULT_DELIVERY,
                folder=tidy(folder / _DEFAULT_DELIVERY),
                container="wav",
                bit_depth="32f",
                write=_DEFAULT_FAMILIES,
                place=reading.places.of(()),
            )
        }
    maker = _Maker(reading, shape, title, folder, sections, groups)
    deliveries = {name: maker.delivery(name, one) for name, one in shape.deliveries.items()}
    _require_apart(reading, deliveries)
    return deliveries


class _Maker:
    """Makes deliveries of one plan."""

    def __init__(
        self,
        reading: Reading,
        shape: PlanShape,
        title: str,
        beside: Path,
        sections: Mapping[str, model.Section],
        groups: Mapping[str, model.Group],
    ) -> None:
        self.reading = reading
        self.plan = shape
        self.title = title
        self.beside = beside
        self.sections = sections
        self.groups = groups

    def delivery(self, name: str, shape: DeliveryShape) -> model.Delivery:
        reading, places = self.reading, self.reading.places
        path: KeyPath = ("deliveries", name)
        bit_depth = shape.bit_depth
        if shape.format == "flac" and bit_depth == "32f":
            remedy = "16 or 24, or `format: wav`"
            reading.refuse(f"{name}: flac cannot hold 32f samples", places.of((*path, "bit_depth")), remedy)
            bit_depth = None
        if bit_depth is None:
            bit_depth = 24 if shape.format == "flac" else "32f"
        first = {family: index for index, family in reversed([*enumerate(shape.write)])}
        for index, family in enumerate(shape.write):
            if first[family] != index:
                reading.refuse(
                    f"write: {family} appears twice", places.value((*path, "write", index)), "once"
                )
        self._require_what_alternate_groups_need(name, shape, path)
        values = {"title": self.title, "delivery": name, "bits": str(bit_depth)}
        rate = shape.sample_rate or self.plan.sample_rate
        if rate is not None:
            values["rate"] = str(rate)
        values |= {"cue": self.plan.cue} if self.plan.cue is not None else {}
        values |= {"version": self.plan.version} if self.plan.version is not None else {}
        return model.Delivery(
            name=name,
            folder=self._folder(shape, path, values) or tidy(self.beside / name),
            container=shape.format,
            bit_depth=bit_depth,
            write=tuple(dict.fromkeys(shape.write)),
            place=places.of(path),
            sample_rate=shape.sample_rate,
            file_name=self._file_name(shape, path, values),
        )

    def _folder(self, shape: DeliveryShape, path: KeyPath, values: dict[str, str]) -> Path | None:
        if shape.folder is None:
            return None
        at: KeyPath = (*path, "folder")
        if not self._fields_are_right(shape.folder, at, values, with_bus=False):
            return None
        return self.reading.path(filled(shape.folder, values), at)

    def _file_name(self, shape: DeliveryShape, path: KeyPath, values: dict[str, str]) -> str | None:
        """Return the template of the files' names; None when there is none, or none that is right."""
        template = shape.file_name
        if template is None:
            return None
        at: KeyPath = (*path, "file_name")
        place = self.reading.places.value(at)
        # Which rate the session has is found with the stems; that of a name is filled in by who writes it.
        if not self._fields_are_right(template, at, {**values, "rate": ""}, with_bus=True):
            return None
        if "/" in template or "\\" in template:
            what = f"file_name: {quoted(template)} contains a folder"
            self.reading.refuse(what, place, "only a name; folders go into `folder`")
            return None
        if is_sound_name(Path("x" + template)):
            what = f"file_name: {quoted(template)} has an extension"
            self.reading.refuse(what, place, "the name without it: the format sets the extension")
            return None
        if "bus" not in fields_of(template) and self._writes_several(shape):
            what = f"file_name: {quoted(template)} gives every file the same name"
            self.reading.refuse(what, place, "{bus} in it, or a single file under `write`")
            return None
        return template

    def _fields_are_right(
        self, template: str, path: KeyPath, values: Mapping[str, str], *, with_bus: bool
    ) -> bool:
        """Tell whether a template can be filled in; report the first reason why not."""
        place, key = self.reading.places.value(path), path[-1]
        if has_loose_brace(template):
            what = f"{key}: {quoted(template)} has a stray brace"
            self.reading.refuse(what, place, f"braces around one of {_SHOWN_FIELDS}")
            return False
        for name in fields_of(template):
            if name not in FIELDS:
                near = self.reading.guesses.nearest(name, FIELDS)
                known = _SHOWN_FIELDS if with_bus else _SHOWN_FIELDS.replace("{bus}, ", "")
                remedy = f"did you mean {{{near}}}? ({known})" if near else f"one of {known}"
                self.reading.refuse(f"{key}: there is no field {quoted(f'{{{name}}}')}", place, remedy)
                return False
            if name == "bus":
                if with_bus:
                    continue
                what = f"{key}: {{bus}} names a file, and a delivery has one folder"
                self.reading.refuse(what, place, "`file_name` with {bus}")
                return False
            if name not in values:
                if not self._was_refused(name):
                    self._missing(key, name, place)
                return False
        return True

    def _was_refused(self, field: str) -> bool:
        """Tell whether what a field stands for is in the plan and was refused, which was reported."""
        return self.reading.places.was_refused(("sample_rate" if field == "rate" else field,))

    def _missing(self, key: str | int, field: str, place: Place) -> None:
        if field == "rate":
            what, remedy = "{rate} is not known before the stems are read", "`sample_rate` here or at the top"
        else:
            example = "1m4" if field == "cue" else "1"
            what, remedy = f"the plan has no `{field}` for {{{field}}}", f"`{field}: {example}` at the top"
        self.reading.refuse(f"{key}: {what}", place, remedy)

    def _writes_several(self, shape: DeliveryShape) -> bool:
        """Tell whether a delivery may have more than one file, optional sections included."""
        return sum(self._most_files[family] for family in set(shape.write)) > 1

    @cached_property
    def _most_files(self) -> dict[model.Family, int]:
        rooms = {send.room for section in self.sections.values() for send in section.sends}
        groups = len(self.groups)
        return {
            "mix": 1,
            "dry": 1,
            "wet": 1,
            "prints": len(self.sections),
            "rooms": 1 + len(rooms),
            "groups": groups and groups + sum(s.group is None for s in self.sections.values()),
            "alternates": len(self.plan.alternates),
            "alternate_groups": groups * len(self.plan.alternates),
        }

    def _require_what_alternate_groups_need(self, name: str, shape: DeliveryShape, path: KeyPath) -> None:
        if "alternate_groups" not in shape.write:
            return
        lacking = [
            key
            for key in ("groups", "alternates")
            if not getattr(self.plan, key) and not self._known_to_be_refused(key)
        ]
        if lacking:
            place = self.reading.places.value((*path, "write", shape.write.index("alternate_groups")))
            what = f"{name}: alternate_groups, and the plan has no {' and no '.join(lacking)}"
            self.reading.refuse(what, place, f"`{lacking[0]}` at the top, or the word left out")

    def _known_to_be_refused(self, key: str) -> bool:
        return self.reading.places.was_refused((key,)) or self.reading.places.was_thinned((key,))


def _require_apart(reading: Reading, deliveries: Mapping[str, model.Delivery]) -> None:
    """Report deliveries whose folders are one, or lie one inside the other."""
    top, names = _Folder(), list(deliveries)
    for number, (name, delivery) in enumerate(deliveries.items()):
        parts = _folded_parts(delivery.folder)
        found = top.take(number, parts)
        if found is None:
            continue
        other, length = names[found[0]], found[1]
        if len(parts) == length:
            what = f"{name}: its folder is that of {other}"
        else:
            inner, outer = (name, other) if len(parts) > length else (other, name)
            what = f"{name}: the folder of {inner} lies inside that of {outer}"
        path: KeyPath = ("deliveries", name)
        at = (*path, "folder") if reading.places.has((*path, "folder")) else path
        place = reading.places.value(at) if len(at) > len(path) else reading.places.of(at)
        reading.refuse(what, place, "a folder for each, side by side")


@dataclass(slots=True)
class _Folder:
    """A folder, what is inside it, the first delivery here and that below: number and length of its path."""

    inside: dict[str, _Folder] = field(default_factory=dict)
    here: tuple[int, int] | None = None
    first: tuple[int, int] | None = None

    def take(self, number: int, parts: tuple[str, ...]) -> tuple[int, int] | None:
        """Put a delivery in; return the first before it that has this folder, or one around it or inside."""
        mine = (number, len(parts))
        folder, around = self, []
        for part in parts:
            around.append(folder.here)
            folder.first = folder.first or mine
            folder = folder.inside.setdefault(part, _Folder())
        near = [one for one in (*around, folder.first) if one is not None]
        folder.first = folder.first or mine
        folder.here = folder.here or mine
        return min(near, default=None)


def _folded_parts(folder: Path) -> tuple[str, ...]:
    """Return the folders of a path as a system sees them that ignores case; links are followed."""
    real = os.path.realpath(folder)
    return PurePath(unicodedata.normalize("NFC", real).casefold()).parts
